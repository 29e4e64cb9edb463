"""One gauge in the shop file: how it is told from others on the air, what its bytes mean, what is known of it."""

import datetime
import math
from enum import StrEnum
from typing import Annotated, Self

from pydantic import Field, model_validator

from gaugelink.gauge.layout import Uuid
from gaugelink.settings import Settings

SELF_DESCRIBING = "auto"
"""The layout of a gauge that says itself, by standard services and descriptors, what it sends."""

_ADDRESS = r"^([0-9A-Fa-f]{2}(:[0-9A-Fa-f]{2}){5}|[0-9A-Fa-f]{8}(-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12})$"


LONGEST_LAG_S = 0.1
"""No pressure gauge is slower; a longer lag is a slip of the unit. From memory."""
LONGEST_LIVE_LAG_S = 0.01
"""A longer lag cannot be taken out of the strokes of a live gauge. Of 25 simulated pulls each at 100 and 500 samples/s,
engines as in `simulators.scenarios`, 88 % of the intervals held the truth at 10 ms (95 % of 80 at 200), 70 % at 20 ms,
24 % at 50 ms."""
LONGEST_AVERAGING_S = 0.03
"""The same of a mean over the time up to each sample: 92 % at 30 ms, 78 % at 50 ms, with intervals of a fifth."""
_MILLISECONDS = "It is in seconds: 2 ms are 0.002."


def lag_mistake(lag_s: float | None, *, held: bool) -> str:
    """What is wrong with a stated lag; empty where it can be taken out, or is none."""
    if lag_s is not None and lag_s > LONGEST_LAG_S:
        return f"a lag of {lag_s:g} s is more than any pressure gauge has. {_MILLISECONDS}"
    if lag_s is not None and lag_s > LONGEST_LIVE_LAG_S and not held:
        return (
            f"a lag of {lag_s:g} s is longer than the strokes: at most {LONGEST_LIVE_LAG_S:g} can be taken out, and "
            f"pressures would be read far too low. {_MILLISECONDS} A gauge with a check valve may be as slow: state "
            "kind as held"
        )
    return ""


class KindSetting(StrEnum):
    """How the gauge follows the cylinder, as a person states it."""

    LIVE = "live"
    """No check valve: the pressure falls back after every stroke."""
    HELD = "held"
    """A check valve holds the pressure until it is bled."""
    AUTO = "auto"
    """To be told from the samples."""


class Sends(StrEnum):
    """When the gauge sends a frame."""

    STEADY = "steady"
    """All the time, at its rate: a longer silence means that the link is dead."""
    ON_CHANGE = "on_change"
    """Only when the pressure changes: whether the link is alive is asked with a read."""


class GaugeSettings(Settings):
    """A gauge of the shop. The gauge is found by its address, by the name it advertises, or by a service."""

    name: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,39}$")]
    """What the shop calls it: letters, digits, ``-`` and ``_``. It becomes a part of the topic."""
    address: Annotated[str, Field(pattern=_ADDRESS)] | None = None
    """Bluetooth address, as ``F0:5A:00:00:00:01`` (on macOS a UUID)."""
    advertised_name: Annotated[str, Field(min_length=1, max_length=248)] | None = None
    """The name it goes by on the air. Needed, instead of or beside the address, when it changes its address."""
    service: Uuid | None = None
    """A service it advertises, when neither address nor name is known."""
    layout: str = SELF_DESCRIBING
    """Name of a built-in layout, path of a layout file, or ``auto`` for a gauge that describes itself."""
    kind: KindSetting = KindSetting.AUTO
    resolution_kpa: Annotated[float, Field(gt=0)] | None = None
    """Smallest step of its output in kPa, when other than the layout says."""
    range_kpa: Annotated[float, Field(gt=0)] | None = None
    """Full scale in kPa, when other than the layout says."""
    lag_s: Annotated[float, Field(ge=0)] | None = None
    """Time constant of its own first-order lag in seconds; a held gauge's is found from its staircase."""
    averaging_s: Annotated[float, Field(ge=0, le=0.1)] | None = None
    """Seconds over which a live gauge averages each sample, as most converters do: often the time between samples."""
    rate_hz: Annotated[float, Field(gt=0, le=10_000)] | None = None
    """Samples per second, when other than the layout says."""
    serial: str | None = None
    accuracy_kpa: Annotated[float, Field(gt=0)] | None = None
    """Limits of error from its data sheet or certificate, plus or minus, in kPa."""
    calibration_due: datetime.date | None = None
    """The day on which its calibration ends."""
    sends: Sends = Sends.STEADY
    silence_s: Annotated[float, Field(gt=0, le=600)] | None = None
    """Seconds without a frame after which its link counts as dead; from its rate when not given."""
    low_battery_percent: Annotated[float, Field(ge=0, le=100)] = 20.0
    """Below this the mechanic is told to change or charge the battery."""

    @model_validator(mode="after")
    def _lag_can_be_taken_out(self) -> Self:
        if mistake := lag_mistake(self.lag_s, held=self.kind is KindSetting.HELD):
            raise ValueError(f"lag_s: {mistake}")
        return self

    @property
    def accuracy_u_kpa(self) -> float | None:
        """Standard uncertainty from the limits of error: a rectangular distribution (JCGM 100:2008, 4.3.7)."""
        return None if self.accuracy_kpa is None else self.accuracy_kpa / math.sqrt(3.0)
