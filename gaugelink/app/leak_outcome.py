"""What a leak-down under way amounts to: its result, its progress and its entries, from the run and whom it is of."""

from dataclasses import dataclass
from datetime import datetime

from gaugelink.app.leak_runs import DecayRun, DifferentialRun
from gaugelink.app.leak_telling import decay_message, differential_message
from gaugelink.broker.leak_messages import Decay, DecayProgress, DecayState
from gaugelink.engine.units import PressureUnit
from gaugelink.journal.entries import DecayEntry
from gaugelink.leak.watch import WatchPhase
from gaugelink.peak.events import EventSamples

Run = DecayRun | DifferentialRun


@dataclass(frozen=True, slots=True)
class About:
    """Whom a leak-down is of, and where it is measured."""

    bench: str
    decay_id: str = ""
    machine: str = ""
    cylinder: str | None = None
    test_id: str | None = None
    """The test that was under way when it began, or None."""


def outcome(run: Run, about: About, unit: PressureUnit, at: datetime) -> Decay | None:
    """The result so far, its text in `unit`; None before there is one."""
    if run.result is None:
        return None
    if isinstance(run, DecayRun):
        return decay_message(
            run.result,
            unit=unit,
            bench=about.bench,
            decay_id=about.decay_id,
            machine=about.machine,
            part=run.request.part,
            gauge=run.gauge,
            cylinder=about.cylinder,
            at=at,
            test_id=about.test_id,
            flags=run.flags(),
        )
    return differential_message(
        run.result,
        bench=about.bench,
        decay_id=about.decay_id,
        machine=about.machine,
        gauge=run.gauge,
        cylinder=run.cylinder,
        duration_s=run.last_s - (run.began_s if run.began_s is not None else run.last_s),
        at=at,
        test_id=about.test_id,
    )


def state(about: About, cautions: tuple[str, ...], at: datetime, *, ended: bool) -> DecayState:
    """How it stands for whoever joins in the middle, with the cautions that nobody has acknowledged yet."""
    phase = "ended" if ended else "cautions" if cautions else "measuring"
    return DecayState(
        at=at,
        bench=about.bench,
        decay_id=about.decay_id,
        test_id=about.test_id,
        machine=about.machine or None,
        cylinder=about.cylinder,
        phase=phase,
        cautions=cautions,
    )


def decay_entry(message: Decay, samples: EventSamples | None, at: datetime) -> DecayEntry:
    """The journal's line of a result."""
    return DecayEntry(
        decay_id=message.decay_id,
        bench=message.bench,
        gauge=message.gauge,
        at=at,
        result_json=message.model_dump_json(),
        cylinder=message.cylinder or "",
        test_id=message.test_id,
        samples=samples,
    )


def progress(run: Run, about: About, at: datetime, note: str) -> DecayProgress:
    """How it stands, with `note` or the name of the phase."""
    rate, remaining_s = None, None
    if isinstance(run, DecayRun):
        rate, elapsed_s, phase = run.watch.rate(), run.watch.elapsed_s, run.watch.phase.value
        pressure_kpa = run.watch.pressure_kpa
        if run.watch.phase is WatchPhase.HOLDING and run.result is not None:
            remaining_s = run.result.more_s
    else:
        phase, pressure_kpa = run.watch.phase.value, float(run.samples()[1][-1])
        elapsed_s = run.last_s - (run.began_s or 0.0)
    return DecayProgress(
        at=at,
        bench=about.bench,
        decay_id=about.decay_id,
        gauge=run.gauge,
        cylinder=about.cylinder,
        elapsed_s=max(0.0, elapsed_s),
        remaining_s=remaining_s,
        pressure_kpa=pressure_kpa,
        rate_kpa_per_s=None if rate is None else rate.kpa_per_min / 60.0,
        rate_u_kpa_per_s=None if rate is None else rate.u_kpa_per_min / 60.0,
        note=note or phase,
    )
