"""What a person at the bench sees: one plain value that any screen, rich or not, can draw."""

from collections import deque
from dataclasses import dataclass, field
from enum import StrEnum

from gaugelink.engine.units import PressureUnit

TRACE_S = 8.0
"""How much of the live pressure the moving trace shows."""


class CylinderMark(StrEnum):
    """How far a cylinder is, told by a word and a shape, not by colour alone."""

    WAITING = "waiting"
    NOW = "now"
    BEGUN = "begun"
    """It has readings and wants more, but another one comes next."""
    AGREED = "agreed"
    ODD = "odd"
    UNSURE = "unsure"
    SKIPPED = "skipped"


@dataclass(frozen=True, slots=True)
class Pull:
    """One reading of a cylinder."""

    peak_kpa: float
    counted: bool = True
    """Whether it is one of those behind the cylinder's value."""


@dataclass(slots=True)
class CylinderRow:
    """One cylinder of the test."""

    name: str
    mark: CylinderMark = CylinderMark.WAITING
    reading_kpa: float | None = None
    reading_u_kpa: float | None = None
    pulls: tuple[Pull, ...] = ()
    """In the order in which they were made."""
    remarks: tuple[str, ...] = ()
    key: str = ""
    """The key that names it; empty where there is none."""


@dataclass(slots=True)
class LastEvent:
    """The event that was judged last, stroke by stroke."""

    cylinder: str | None
    stroke_kpa: tuple[float, ...]
    peak_kpa: float
    peak_u_kpa: float
    cranking_rpm: float | None
    remarks: tuple[str, ...] = ()


@dataclass(slots=True)
class Scene:
    """Everything on the bench's screen now."""

    bench: str
    unit: PressureUnit
    title: str = ""
    """What is tested; empty until that is known."""
    prompt: str = ""
    large: str = ""
    """The word or two of the prompt that matter, to be drawn large above it."""
    trouble: bool = False
    cautions: tuple[str, ...] = ()
    """Every caution that was not acknowledged yet."""
    gauges: dict[str, str] = field(default_factory=dict)
    """Each gauge's name and its link in a few words."""
    unheard: dict[str, str] = field(default_factory=dict)
    """The gauges among them of which nothing was heard yet."""
    trace: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=2000))
    """Recent (time_s, pressure_kpa) of the gauge that is moving, thinned."""
    cylinders: list[CylinderRow] = field(default_factory=list)
    redo: str = ""
    """The cylinder that the key for it measures again; empty where there is none."""
    last_event: LastEvent | None = None
    spread: str = ""
    why: str = ""
    """Why the verdict is not a clean one, once there is a verdict."""
    questions: tuple[str, ...] = ()
    """Readings that wait for an answer, one line each; the first is the one that a key answers."""
    leak: str = ""
    """The machine that is under air, while a leak-down runs."""
    stays_open: str = ""
    """That the test is open and how to go on with it, for whoever leaves the screen; empty when none is."""
    report: str = ""
    """What to type for the report of the test; empty until it can be judged."""
    refusal: str = ""
    """Why the last thing that was asked for was not done, until something else happens."""
    broker: str = ""
    """Where other tools listen in."""
    broker_trouble: str = ""
    """That the broker is away, and what is kept for it; empty while it is there."""
    notices: deque[str] = field(default_factory=lambda: deque(maxlen=3))
    """What has to be known besides the prompt: a full disk, a broker that is away."""

    def live(self, time_s: float, pressure_kpa: float) -> None:
        """Add one point to the moving trace."""
        self.trace.append((time_s, pressure_kpa))
        while self.trace[-1][0] - self.trace[0][0] > TRACE_S:
            self.trace.popleft()
