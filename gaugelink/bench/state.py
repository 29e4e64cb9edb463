"""All that a running test remembers. It is written down whole and read back to the same test."""

from dataclasses import dataclass, field
from typing import Annotated

from pydantic import Field, TypeAdapter

from gaugelink.bench.agree import Agreement, agree, scatter_of, tries_of
from gaugelink.bench.evidence import EvidenceSettings, Habits, Sign
from gaugelink.bench.plan import Plan, lane, stations
from gaugelink.bench.reading import (
    Acknowledgement,
    Change,
    CommandKind,
    CommandResult,
    CylinderState,
    Phase,
    Reading,
    TestState,
    open_questions,
)
from gaugelink.bench.repeats import Scatter
from gaugelink.settings import Settings


class BenchSettings(Settings):
    """How careful the bench is, and how patient."""

    confidence_limit: Annotated[float, Field(gt=0.5, lt=1)] = 0.95
    """A reading is given to a cylinder when this is its probability, and held below."""
    doubt_limit: Annotated[float, Field(gt=0, lt=1)] = 0.8
    """A reading that was given is taken back and asked about when later pulls leave it less than this."""
    confirm_moves: bool = False
    """Hold the first reading after every move until a person says which cylinder it is. Costs a touch a cylinder."""
    match_s: Annotated[float, Field(gt=0, le=10)] = 2.0
    """Gauges whose events start within this time were cranked together."""
    wait_for_gauges_s: Annotated[float, Field(gt=0, le=30)] = 3.0
    """How long a pull waits for the other gauges before one is missed."""
    remind_s: Annotated[float, Field(gt=0)] = 90.0
    """Quiet time before the prompt is said again; it doubles each time."""
    reminders: Annotated[int, Field(ge=0, le=10)] = 3
    loss_said_s: Annotated[float, Field(ge=0)] = 3.0
    """Radio losses shorter than this are not spoken of."""
    evidence: EvidenceSettings = EvidenceSettings()


@dataclass(slots=True)
class GaugeTrack:
    """What one gauge has been through."""

    signs: list[Sign] = field(default_factory=list)
    last_end_s: float | None = None
    """When its last event was decided."""
    screwed: bool = False
    zero_moved: bool = False
    bled_s: float | None = None
    """When the held gauge was bled since its last event."""
    lost_s: float = 0.0
    """Radio time lost since the last event."""
    absent: bool = False
    """Whether it has not been heard since the test began, or since the service was started anew."""
    down_since_s: float | None = None
    loss_said: bool = False
    """Whether it has been lost for so long that it is spoken of, where somebody waits for it."""
    opened_s: float | None = None
    """When the event began that is going on."""
    cut: bool = False
    """Whether the radio was lost during that event."""
    stroke_kpa: float | None = None
    """Last stroke of the event that is going on."""
    strokes: int = 0
    rising_said: bool = False
    enough_said: bool = False


@dataclass(slots=True)
class OpenPull:
    """A pull of which not every gauge has reported."""

    number: int
    start_s: float
    last_s: float
    events: dict[str, str] = field(default_factory=dict)
    """Event id by gauge."""


@dataclass(frozen=True, slots=True)
class Deed:
    """One change that a person made, and what it takes to undo the whole of it."""

    kind: CommandKind
    cylinders: tuple[str, ...]
    """Those that were named with it."""
    changed: dict[str, tuple[Change, Change]]
    """Event ids of the readings that it changed: how each stood before, and after."""
    phase: Phase
    """What the test was before; so are the three below."""
    skipped: tuple[str, ...]
    wished: str | None
    gauges: dict[str, str]
    followed: dict[str, tuple[Change, Change]] = field(default_factory=dict)
    """The same of the readings that the evidence then gave, took back, or thought otherwise of because of it."""


@dataclass(frozen=True, slots=True)
class Waiting:
    """A key that strikes or closes, and that was pressed once."""

    key: str
    loses: tuple[str, ...]
    """What would be lost: event ids, or the word of what is closed."""
    pressed_s: float
    until_s: float


@dataclass(slots=True)
class BenchState:
    """The test. Times are seconds since it began."""

    plan: Plan
    settings: BenchSettings
    habits: Habits = field(default_factory=Habits)
    """What was known of the mechanic's times when the test began."""
    at_s: float = 0.0
    phase: Phase = Phase.CAUTIONS
    target: tuple[str, ...] = ()
    """Cylinders that the last prompt asked for."""
    gauges: dict[str, str] = field(default_factory=dict)
    """Gauge of each cylinder: the plan's, until a person says that two were exchanged."""
    readings: list[Reading] = field(default_factory=list)
    tracks: dict[str, GaugeTrack] = field(default_factory=dict)
    skipped: list[str] = field(default_factory=list)
    placed: list[str] = field(default_factory=list)
    """Cylinders whose place was said."""
    wished: str | None = None
    """Cylinder that a person wants measured next."""
    pull: OpenPull | None = None
    closed: OpenPull | None = None
    """The pull before, for a gauge that reports late."""
    pulls: int = 0
    acknowledged: Acknowledgement | None = None
    resumed: bool = False
    """Whether the service was started anew and the cautions were not acknowledged since."""
    touches: int = 0
    results: list[CommandResult] = field(default_factory=list)
    prompted_s: float = 0.0
    reminded: int = 0
    trouble: bool = False
    """Whether the last prompt said to look at the gauge where it is."""
    ready_said: bool = False
    exchange_asked: bool = False
    deeds: list[Deed] = field(default_factory=list)
    """What persons did and did not take back, oldest first."""
    waiting: Waiting | None = None
    air_abs_kpa: float | None = None
    """Ambient pressure, absolute, that was told since the test began and that pulls count by; None: the plan's."""
    named: bool = False
    """Whether the gauges were named with their cylinders since they were put in."""

    def reading(self, event_id: str) -> Reading | None:
        """Return the reading of an event, or None."""
        return next((reading for reading in self.readings if reading.event_id == event_id), None)

    def put(self, reading: Reading) -> None:
        """Replace a reading by its newer self."""
        index = next(i for i, old in enumerate(self.readings) if old.event_id == reading.event_id)
        self.readings[index] = reading

    def of_cylinder(self, name: str) -> list[Reading]:
        """Return the readings that count for a cylinder, oldest first."""
        return [reading for reading in self.readings if reading.in_cylinder and reading.cylinder == name]

    def agreement(self, name: str) -> Agreement:
        """Sort out the readings of a cylinder."""
        readings = self.of_cylinder(name)
        return agree(readings, self.plan.repeats, self.plan.agreement)

    def tries(self, name: str) -> int:
        """Pulls on a cylinder that count as tries."""
        return len(tries_of(self.of_cylinder(name)))

    def settled(self, name: str) -> bool:
        """Whether nothing more is wanted of a cylinder."""
        return name in self.skipped or self.tries(name) >= self.plan.max_tries or self.agreement(name).agreed

    @property
    def questions(self) -> list[Reading]:
        """The readings that wait for an answer, the one that is to be answered first leading."""
        return open_questions(self.readings)

    def lane(self, gauge: str) -> tuple[str, ...]:
        """Return the cylinders of one gauge in order, empty when it has none."""
        return lane(self.gauges, self.plan.cylinders, gauge)

    def next_station(self) -> tuple[str, ...]:
        """Return the cylinders to crank next: what a person wished, where the gauge already is, else in order."""
        waiting = [
            station
            for station in stations(self.gauges, self.plan.cylinders)
            if not all(self.settled(name) for name in station)
        ]
        if not waiting:
            return ()
        wished = next((station for station in waiting if self.wished in station), None)
        if wished is not None:
            return wished
        last = self.readings[-1] if self.readings else None
        if last is not None and last.in_cylinder:
            here = next((station for station in waiting if last.cylinder in station), None)
            if here is not None:
                return here
        return waiting[0]

    @property
    def target_gauges(self) -> frozenset[str]:
        """The gauges that the next pull is meant for."""
        return frozenset(self.gauges[name] for name in self.target)

    @property
    def waits_for_gauge(self) -> bool:
        """Whether a gauge that the next pull is meant for was not heard yet."""
        return any(self.tracks[gauge].absent for gauge in self.target_gauges)

    def summary(self) -> TestState:
        """Return the whole test for those who look at it."""
        read = [self.of_cylinder(name) for name in self.plan.cylinders]
        scatter = scatter_of(read, self.plan.repeats, self.plan.agreement)
        return TestState(
            plan=self.plan,
            phase=self.phase,
            at_s=self.at_s,
            current=self.target if self.phase in (Phase.CAUTIONS, Phase.MEASURING) else (),
            cylinders=tuple(self._cylinder(name, scatter) for name in self.plan.cylinders),
            readings=tuple(self.readings),
            acknowledged=self.acknowledged,
            touches=self.touches,
            air_abs_kpa=self.air_abs_kpa,
        )

    def _cylinder(self, name: str, scatter: Scatter) -> CylinderState:
        readings = self.of_cylinder(name)
        found = agree(readings, self.plan.repeats, self.plan.agreement, scatter)
        behind = tuple(reading.event_id for reading in found.behind)
        return CylinderState(
            name=name,
            gauge=self.gauges[name],
            tries=self.tries(name),
            agreed=found.agreed,
            skipped=name in self.skipped,
            value_kpa=found.value_kpa,
            u_kpa=found.u_kpa,
            repeats=behind,
            left_out=tuple(reading.event_id for reading in readings if reading.event_id not in behind),
        )


SNAPSHOT: TypeAdapter[BenchState] = TypeAdapter(BenchState)
"""Writes a state as JSON values and reads it back exactly."""
