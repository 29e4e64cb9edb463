"""A bench with its clock in the test's hand."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import pytest

from gaugelink.bench.assign import TestBench
from gaugelink.bench.plan import SIDE_PLACES, Plan
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.prompts import Prompt
from gaugelink.bench.reading import Command, CommandKind, CommandResult, Outcome, Reading, TestState
from gaugelink.bench.state import BenchSettings
from gaugelink.engine.fleet import Layout, preset_names
from gaugelink.peak.events import BudgetLine, CrankingEvent, Flag, GaugeKind, Method
from gaugelink.peak.notices import HandlingKind

DECIDED_S = 1.2


def cranking_event(
    start_s: float, peak_kpa: float, flags: Sequence[Flag] = (), held: bool = False, u_share: float = 0.01
) -> CrankingEvent:
    """Make an event of one second with an expanded uncertainty of about 1 %."""
    common = BudgetLine("calibration", 3.0, common=True)
    return CrankingEvent(
        kind=GaugeKind.HELD if held else GaugeKind.LIVE,
        start_s=start_s,
        end_s=start_s + 1.0,
        peak_kpa=peak_kpa,
        peak_u_kpa=u_share * peak_kpa,
        method=Method.SETTLED if held else Method.FITTED,
        cranking_rpm=400.0,
        strokes=(),
        flags=frozenset(flags),
        budget=(common,),
    )


@dataclass
class Floor:
    """One bench and everything that came out of it."""

    bench: TestBench
    held: bool = False
    now_s: float = 1000.0
    out: list[Outcome] = field(default_factory=list)
    count: int = 0

    def take(self, outcomes: list[Outcome]) -> list[Outcome]:
        """Keep what came out."""
        self.out += outcomes
        return outcomes

    def start(self) -> None:
        """Begin and acknowledge the cautions."""
        self.take(self.bench.begin(self.now_s))
        self.command(CommandKind.ACKNOWLEDGE)

    def wait(self, seconds: float) -> None:
        """Let time pass, ticking each second."""
        whole = int(seconds)
        for _ in range(whole):
            self.now_s += 1.0
            self.take(self.bench.tick(self.now_s))
        self.now_s += seconds - whole

    def pull(
        self,
        peak_kpa: float,
        after_s: float,
        gauge: str = "red",
        flags: Sequence[Flag] = (),
        u_share: float = 0.01,
    ) -> Reading:
        """Pull `after_s` after the last event was decided; return the reading as it then stands."""
        self.now_s += after_s
        start_s = self.now_s
        self.count += 1
        event_id = f"e{self.count}"
        self.now_s += 1.0 + DECIDED_S
        event = cranking_event(start_s, peak_kpa, flags, self.held, u_share)
        self.take(self.bench.event(event_id, gauge, event, self.now_s))
        return self.reading(event_id)

    def together(self, peaks_kpa: dict[str, float], after_s: float) -> list[Reading]:
        """Pull with several gauges in."""
        self.now_s += after_s
        start_s = self.now_s
        self.now_s += 1.0 + DECIDED_S
        got = []
        for gauge, peak_kpa in peaks_kpa.items():
            self.count += 1
            self.now_s += 0.05
            event = cranking_event(start_s, peak_kpa, (), self.held)
            self.take(self.bench.event(f"e{self.count}", gauge, event, self.now_s))
            got.append(f"e{self.count}")
        return [self.reading(event_id) for event_id in got]

    def screw(self, after_s: float, gauge: str = "red") -> None:
        """Move the gauge: bled where it is held, and seen being screwed in after some time."""
        if self.held:
            self.handle(HandlingKind.VENTED, 1.0, gauge)
        self.handle(HandlingKind.SCREWED, after_s, gauge)

    def handle(self, what: HandlingKind, after_s: float = 0.0, gauge: str = "red") -> None:
        """Let the gauge be handled."""
        self.now_s += after_s
        self.take(self.bench.handling(gauge, what, self.now_s))

    def command(
        self, kind: CommandKind, event: str | None = None, cylinder: str | None = None, **more: str
    ) -> CommandResult:
        """Command and return the answer."""
        self.count += 1
        wish = Command(more.pop("id", f"c{self.count}"), kind, event, cylinder, **more)
        outcomes = self.take(self.bench.command(wish, self.now_s))
        return next(one for one in outcomes if isinstance(one, CommandResult))

    def reading(self, event_id: str) -> Reading:
        """Return a reading as it stands."""
        return next(one for one in self.bench.state.readings if one.event_id == event_id)

    @property
    def state(self) -> TestState:
        """The test as it stands."""
        return self.bench.state

    @property
    def prompts(self) -> list[Prompt]:
        """Everything that was said."""
        return [one for one in self.out if isinstance(one, Prompt)]

    @property
    def said(self) -> PromptKey:
        """The last prompt's key."""
        return self.prompts[-1].key


FloorMaker = Callable[..., Floor]


@pytest.fixture
def floor() -> FloorMaker:
    """Make a floor with a begun test: `cylinders` by count, one gauge called red, or `gauges` by cylinder."""

    def make(
        cylinders: int = 3,
        gauges: dict[str, str] | str = "red",
        held: bool = False,
        settings: BenchSettings | None = None,
        started: bool = True,
        **plan: object,
    ) -> Floor:
        layout = Layout.SIDE_NAMED if cylinders <= 3 else Layout.INLINE_FRONT
        names = tuple(name for name, _ in preset_names(layout, cylinders))
        fields = {
            "test_id": "t1",
            "cylinders": names,
            "gauges": gauges,
            "places": {name: place for name, place in SIDE_PLACES.items() if name in names},
            **plan,
        }
        made = Floor(TestBench(Plan.model_validate(fields), settings), held)
        if started:
            made.start()
        return made

    return make


@pytest.fixture
def two_pulls(floor: FloorMaker) -> Floor:
    """A triple whose first cylinder has been pulled twice and agrees."""
    made = floor(3)
    made.pull(930.0, 20.0)
    made.pull(929.0, 6.0)
    return made
