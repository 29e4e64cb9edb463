"""What an invented bench says, as it goes over the wire."""

from datetime import UTC, datetime, timedelta

from gaugelink.bench.english import ENGLISH
from gaugelink.bench.prompt_keys import AIR_CAUTIONS, PromptKey
from gaugelink.bench.prompts import Prompter
from gaugelink.broker.leak_messages import DecayProgress, DecayState
from gaugelink.broker.messages import (
    Cranking,
    CylinderPart,
    CylinderStatus,
    GaugeState,
    Prompt,
    ReadingPart,
    StrokePart,
    TestState,
    Urgency,
)
from gaugelink.broker.senml import live_pressure
from gaugelink.dashboard.hub import Hub
from gaugelink.dashboard.record import Cylinder, Machine
from gaugelink.engine.units import PressureUnit
from gaugelink.gauge.samples import LinkPhase
from gaugelink.peak.events import GaugeKind, Method
from gaugelink.verdict.findings import VerdictWord

BENCH = "north"
GAUGE = "blue"
NOON = datetime(2026, 2, 3, 12, 0, tzinfo=UTC)
EVENT = "019c23f0-0000-7000-8000-00000000000a"
HELD = "019c23f0-0000-7000-8000-00000000000b"
TRIPLE = Machine(
    id="ridge-7",
    name="Ridge 7",
    engine="600 cc triple",
    layout="side_named",
    cycle=2,
    bore_mm=68.0,
    cylinders=tuple(Cylinder(name=name) for name in ("PTO", "middle", "MAG")),
)


def gauge(phase: LinkPhase = LinkPhase.STREAMING, unit: str | None = None) -> bytes:
    """State of the gauge; its bench says what `unit` the shop reads in, or does not."""
    told = GaugeState(bench=BENCH, gauge=GAUGE, phase=phase, battery_percent=80.0, display_unit=unit)
    return told.model_dump_json().encode()


def live(first_s: float, pressures_kpa: list[float], over_range: bool = False) -> bytes:
    """A pack at 100 samples a second."""
    times = [first_s + 0.01 * number for number in range(len(pressures_kpa))]
    return live_pressure(BENCH, GAUGE, NOON, times, pressures_kpa, over_range=over_range).encode()


def prompt(text: str, after_s: float = 0.0, key: str = "begin", urgency: Urgency = Urgency.DO) -> bytes:
    """A prompt some seconds after noon."""
    at = NOON + timedelta(seconds=after_s)
    return Prompt(bench=BENCH, at=at, text=text, key=key, urgency=urgency, spoken=text).model_dump_json().encode()


def cranking(event_id: str = EVENT, peak_kpa: float = 930.0, after_s: float = 0.0) -> bytes:
    """A cranking event of three strokes, some seconds after noon."""
    strokes = tuple(
        StrokePart(time_s=10.0 + 0.15 * number, peak_kpa=share * peak_kpa, peak_u_kpa=9.0)
        for number, share in enumerate((0.8, 0.95, 1.0))
    )
    return (
        Cranking(
            bench=BENCH,
            at=NOON + timedelta(seconds=after_s),
            event_id=event_id,
            gauge=GAUGE,
            kind=GaugeKind.LIVE,
            start_s=9.9,
            end_s=10.9,
            peak_kpa=peak_kpa,
            peak_u_kpa=9.0,
            method=Method.FITTED,
            strokes=strokes,
        )
        .model_dump_json()
        .encode()
    )


def state(
    revision: int = 1,
    test_id: str = "test-1",
    held: tuple[str, ...] = (),
    after_s: float = 0.0,
    phase: str = "measuring",
) -> bytes:
    """A triple in the middle of its test: one cylinder of each status but skipped."""
    reading = ReadingPart(event_id=EVENT, peak_kpa=930.0, peak_u_kpa=9.0)
    odd = ReadingPart(event_id=EVENT, peak_kpa=760.0, peak_u_kpa=9.0)
    pto = {"status": CylinderStatus.AGREED, "pressure_kpa": 930.0, "pressure_u_kpa": 9.0, "readings": (reading,)}
    middle = {"status": CylinderStatus.ODD, "pressure_kpa": 760.0, "pressure_u_kpa": 9.0, "readings": (odd,)}
    cylinders = (
        CylinderPart(name="PTO", place=1, **pto),
        CylinderPart(name="middle", place=2, **middle),
        CylinderPart(name="MAG", place=3, status=CylinderStatus.IN_PROGRESS),
    )
    return (
        TestState(
            bench=BENCH,
            at=NOON + timedelta(seconds=after_s),
            test_id=test_id,
            revision=revision,
            machine="ridge-7",
            began_at=NOON,
            phase=phase,
            cylinders=cylinders,
            next_cylinder="MAG",
            held_events=held,
            spread_kpa=170.0,
            spread_u_kpa=12.0,
            spread_percent=18.3,
            band_low_kpa=800.0,
            band_high_kpa=980.0,
        )
        .model_dump_json()
        .encode()
    )


def settled(revision: int) -> bytes:
    """The same triple with every cylinder settled, judged and not yet finished."""
    told = TestState.model_validate_json(state(revision=revision, phase="done"))
    mag = told.cylinders[0].model_copy(update={"name": "MAG", "place": 3})
    judged = {"next_cylinder": None, "verdict": VerdictWord.INVESTIGATE, "summary": "middle is 18 % lower than PTO."}
    return told.model_copy(update={**judged, "cylinders": (*told.cylinders[:2], mag)}).model_dump_json().encode()


def air_cautions() -> list[bytes]:
    """What is said before air goes in, and the request to acknowledge it."""
    say = Prompter(PressureUnit.PSI, ENGLISH)
    args = {PromptKey.CAUTION_AIR_LIMIT: {"limit": 48.3}}
    said = [say.say(key, (), **args.get(key, {})) for key in (*AIR_CAUTIONS, PromptKey.ACKNOWLEDGE)]
    return [prompt(one.text, 30.0, one.key.value, Urgency.CAUTION) for one in said]


def leak_state(phase: str, after_s: float, cautions: tuple[str, ...] = (), decay_id: str = "d") -> bytes:
    """How a leak-down of the crankcase stands."""
    at = NOON + timedelta(seconds=after_s)
    told = {"decay_id": decay_id, "machine": TRIPLE.id, "phase": phase, "cautions": cautions}
    return DecayState.model_validate({"bench": BENCH, "at": at, **told}).model_dump_json().encode()


def leak_progress(elapsed_s: float, note: str = "") -> bytes:
    """A pressure of that leak-down."""
    told = DecayProgress(bench=BENCH, decay_id="d", gauge=GAUGE, elapsed_s=elapsed_s, pressure_kpa=40.0, note=note)
    return told.model_dump_json().encode()


def in_full_swing(hub: Hub) -> None:
    """Let a bench say everything that a page shows."""
    hub.broker(True)
    hub.take(BENCH, "availability", b"online")
    hub.take(BENCH, f"gauge/{GAUGE}/state", gauge())
    hub.take(BENCH, f"gauge/{GAUGE}/pressure", live(9.0, [0.0] * 100 + [700.0, 0.0] * 40))
    hub.take(BENCH, "cranking", cranking())
    hub.take(BENCH, "cranking", cranking(HELD, 905.0, 247.0))
    hub.take(BENCH, "test", state(held=(HELD,)))
    hub.take(BENCH, "prompt", prompt("Not sure about 131 psi. Was that MAG or PTO?", key="ask_which"))
