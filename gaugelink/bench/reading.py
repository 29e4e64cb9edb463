"""The words of the bench: a reading and its history, a command, and what can come out of a step."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from math import sqrt

from gaugelink.bench.plan import Plan
from gaugelink.bench.prompts import Prompt
from gaugelink.bench.repeats import COVERAGE_FACTOR, Repeat
from gaugelink.peak.events import Flag, GaugeKind

BENCH = "bench"
"""Who changed a reading when nobody did but the evidence."""


class Status(StrEnum):
    """Where a reading stands."""

    GIVEN = "given"
    """Given to a cylinder by the evidence."""
    HELD = "held"
    """Kept back: the evidence does not say clearly enough which cylinder it was."""
    MOVED = "moved"
    """Given to a cylinder by a person."""
    STRUCK = "struck"
    """Taken out by a person. Kept in the record, counted nowhere."""


@dataclass(frozen=True, slots=True)
class Change:
    """One entry in a reading's history."""

    at_s: float
    """Seconds since the test began."""
    by: str
    """``bench`` for the evidence, otherwise the name that came with the command."""
    status: Status
    cylinder: str | None
    confidence: float
    why: str
    """One short reason for a person."""


@dataclass(frozen=True, slots=True)
class Reading:
    """A peak and the cylinder it belongs to, as far as is known."""

    event_id: str
    test_id: str
    gauge: str
    kind: GaugeKind
    pull: int
    """Number of the pull, shared by gauges that were cranked together; counts from 1."""
    peak_kpa: float
    """Gauge pressure."""
    peak_u_kpa: float
    """Expanded uncertainty of one reading, coverage about 95 %."""
    common_u_kpa: float
    """Standard uncertainty that all readings of the gauge share, part of `peak_u_kpa`."""
    flags: frozenset[Flag]
    status: Status
    cylinder: str | None
    """None while held."""
    confidence: float
    """Probability that `cylinder` (when held: the likeliest candidate) is right, 0 to 1."""
    candidates: tuple[tuple[str, float], ...]
    """Every cylinder worth naming with its probability, likeliest first."""
    asked: bool = False
    """True when a prompt has asked a person about this reading."""
    changes: tuple[Change, ...] = ()
    """All that happened to it, oldest first."""
    own_u_kpa: float | None = None
    """Standard uncertainty that no other reading shares, see `repeats.own_u_kpa`. None where that was not recorded:
    then it is what `common_u_kpa` leaves of `peak_u_kpa`."""

    strokes: int = 0
    """Strokes of the pull; 0 where that was not recorded."""
    climb_per_stroke: float | None = None
    """Share of the remaining rise that each further stroke takes, 0 to 1; None when it cannot be told."""
    air_abs_kpa: float | None = None
    """Ambient pressure, absolute, where another one was told since the test began; None: the plan's conditions hold."""

    def changed(self, change: Change) -> "Reading":
        """Return the reading after a change, with the change in its history."""
        return replace(
            self,
            status=change.status,
            cylinder=change.cylinder,
            confidence=change.confidence,
            changes=(*self.changes, change),
        )

    @property
    def repeat(self) -> Repeat:
        """Its peak as one pull beside others by the same gauge."""
        if self.own_u_kpa is not None:
            return Repeat(self.peak_kpa, self.own_u_kpa)
        whole = self.peak_u_kpa / COVERAGE_FACTOR
        return Repeat(self.peak_kpa, sqrt(max(whole**2 - self.common_u_kpa**2, 0.0)))

    @property
    def by_person(self) -> bool:
        """Whether a person had the last word on it, so that the evidence leaves it alone."""
        return self.status in (Status.MOVED, Status.STRUCK)

    @property
    def in_cylinder(self) -> bool:
        """Whether it counts for a cylinder."""
        return self.status in (Status.GIVEN, Status.MOVED)


def open_questions(readings: Sequence[Reading]) -> list[Reading]:
    """The readings that were given to no cylinder yet, the one that an answer is taken for first.

    One that was not seen whole counts nowhere, so nobody needs to say where it belongs.
    """
    held = [one for one in readings if one.status is Status.HELD and Flag.SHORT_RECORD not in one.flags]
    held.reverse()
    return sorted(held, key=lambda reading: not reading.asked)


class CommandKind(StrEnum):
    """What a person or tool may ask of a running test."""

    ACKNOWLEDGE = "acknowledge"
    """The cautions were heard."""
    ANSWER = "answer"
    """The held reading that was asked about belongs to this cylinder."""
    ASSIGN = "assign"
    """Move a reading to this cylinder."""
    EXCHANGE = "exchange"
    """Two cylinders were mixed up: all their readings change places."""
    STRIKE = "strike"
    """Take a reading out."""
    TAKE_BACK = "take_back"
    """Undo the last change of a reading; without one, the whole of the last change that a person made."""
    REDO = "redo"
    """Strike the readings of a cylinder and measure it again."""
    SKIP = "skip"
    """Go on without this cylinder."""
    RETURN = "return"
    """Go back to this cylinder, which was skipped, with what it has."""
    FINISH = "finish"
    """Close the test with what there is."""
    ABANDON = "abandon"
    """Close the test; it proves nothing."""


AGAIN_S = 6.0
"""How long a key is waited for once more: time to hear what would be lost. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Command:
    """A wish, with an id so that it acts once however often it arrives."""

    id: str
    kind: CommandKind
    event: str | None = None
    """Event id; where it is left out the last reading is meant."""
    cylinder: str | None = None
    other: str | None = None
    """The second cylinder of an exchange."""
    by: str = "person"
    """Who asks: goes into the history."""
    key: str = ""
    """The key by which a hand asks. A key is pressed by mistake, so what strikes or closes must then be asked for
    twice. Empty for whoever means what is asked."""
    again_s: float = AGAIN_S
    """How long the key is waited for once more, on the bench's clock."""
    giving_up: bool = False
    """With `take_back`: that the test was given up is meant, and no other change."""


class Phase(StrEnum):
    """Where a test stands."""

    CAUTIONS = "cautions"
    """Waiting for the cautions to be acknowledged."""
    MEASURING = "measuring"
    DONE = "done"
    """Every cylinder is settled and no question is open. Readings can still be put right, late pulls are still seen."""
    FINISHED = "finished"
    """Closed by a person before every cylinder was settled, or after."""
    ABANDONED = "abandoned"


@dataclass(frozen=True, slots=True)
class CylinderState:
    """One cylinder of the test so far."""

    name: str
    gauge: str
    tries: int
    agreed: bool
    """True when enough readings agree."""
    skipped: bool
    value_kpa: float | None
    """Mean of the agreeing readings, gauge pressure; of the best there are when none agree; None without a reading."""
    u_kpa: float | None
    """Expanded uncertainty of `value_kpa`, coverage about 95 %: gauge, sampling and the scatter of cranking."""
    repeats: tuple[str, ...]
    """Event ids of the readings behind `value_kpa`."""
    left_out: tuple[str, ...]
    """Event ids of the cylinder's other readings."""


@dataclass(frozen=True, slots=True)
class Acknowledgement:
    """Who heard the cautions, and when."""

    by: str
    at_s: float
    """Seconds since the test began; negative or zero when it was earlier in the session."""
    cautions: tuple[str, ...]
    """The sentences that were shown."""


@dataclass(frozen=True, slots=True)
class TestState:
    """The whole test at one moment."""

    __test__ = False

    plan: Plan
    phase: Phase
    at_s: float
    """Seconds since the test began."""
    current: tuple[str, ...]
    """Cylinders that the next pull is meant for; empty when there are none left."""
    cylinders: tuple[CylinderState, ...]
    readings: tuple[Reading, ...]
    acknowledged: Acknowledgement | None
    touches: int
    """Commands that were obeyed, the acknowledgement left out: a hands-free test has none."""
    air_abs_kpa: float | None = None
    """Ambient pressure, absolute, that pulls count by from now on; None: the plan's conditions hold."""


@dataclass(frozen=True, slots=True)
class ReadingChanged:
    """A reading is new, or was given, held, moved, struck or taken back."""

    reading: Reading


@dataclass(frozen=True, slots=True)
class TestChanged:
    """Something in the test changed: its state, whole."""

    __test__ = False

    state: TestState


@dataclass(frozen=True, slots=True)
class CommandResult:
    """The one answer to a command."""

    id: str
    ok: bool
    text: str
    """What was done, or why it was refused and what to do."""
    repeated: bool = False
    """True when the same id came before: nothing was done again."""


Outcome = ReadingChanged | Prompt | TestChanged | CommandResult
