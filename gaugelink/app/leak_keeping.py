"""A leak-down under way as the journal keeps it, and how one that was broken off is taken up by the next service."""

from dataclasses import dataclass, field
from datetime import datetime
from typing import Annotated, Self

import numpy as np
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, model_validator

from gaugelink.app.leak_runs import DecayRun
from gaugelink.app.leak_telling import samples_of
from gaugelink.broker.leak_messages import Decay, LeakRequest
from gaugelink.gauge.samples import SampleBatch
from gaugelink.leak.hold import Contradiction, Hold, LiveRate, contradiction
from gaugelink.leak.limits import DecayLimit
from gaugelink.leak.watch import SLOT_S, WatchPhase
from gaugelink.peak.events import EventSamples

KEEP_EVERY_S = 5.0
"""A hold is written down so often, on the gauge's clock: a kill loses no more of it."""
CLOCKS_AGREE_S = 2.0
"""How far gauge, service and wall may differ about the length of a gap: delays of frames, and a wall clock that is
being set right. A machine that slept or started anew differs by more."""
_FIRST_SAMPLES = 5

Floats = Annotated[tuple[float, ...], Field(min_length=1)]


class _Kept(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, use_attribute_docstrings=True)


class KeptHold(_Kept):
    """The hold of a decay at some moment; see `gaugelink.leak.hold.Hold`. Pressures in kPa, the zero taken off."""

    at: AwareDatetime
    """Wall time when the last sample came."""
    now_s: float
    """The service's monotonic clock when the last sample came."""
    closed_s: float
    last_s: float
    time_s: Floats
    mean_kpa: Floats
    u_kpa: Floats
    pressure_kpa: float
    rate_kpa_per_min: float
    rate_u_kpa_per_min: float
    zero_kpa: float
    rest_kpa: float | None
    noise_kpa: float
    step_kpa: float
    spacing_s: float

    @model_validator(mode="after")
    def _as_long(self) -> Self:
        if not len(self.time_s) == len(self.mean_kpa) == len(self.u_kpa):
            raise ValueError("times, pressures and uncertainties of a hold are not equally many")
        return self

    @classmethod
    def of(cls, hold: Hold, now_s: float, at: datetime) -> Self:
        """Keep a hold whose last sample came now."""
        return cls(
            at=at,
            now_s=now_s,
            closed_s=hold.closed_s,
            last_s=hold.last_s,
            time_s=tuple(hold.time_s.tolist()),
            mean_kpa=tuple(hold.mean_kpa.tolist()),
            u_kpa=tuple(hold.u_kpa.tolist()),
            pressure_kpa=hold.pressure_kpa,
            rate_kpa_per_min=hold.rate.kpa_per_min,
            rate_u_kpa_per_min=hold.rate.u_kpa_per_min,
            zero_kpa=hold.zero_kpa,
            rest_kpa=hold.rest_kpa,
            noise_kpa=hold.noise_kpa,
            step_kpa=hold.step_kpa,
            spacing_s=hold.spacing_s,
        )

    def hold(self) -> Hold:
        """The hold as the watch takes it."""
        return Hold(
            closed_s=self.closed_s,
            last_s=self.last_s,
            time_s=np.array(self.time_s),
            mean_kpa=np.array(self.mean_kpa),
            u_kpa=np.array(self.u_kpa),
            pressure_kpa=self.pressure_kpa,
            rate=LiveRate(self.rate_kpa_per_min, self.rate_u_kpa_per_min),
            zero_kpa=self.zero_kpa,
            rest_kpa=self.rest_kpa,
            noise_kpa=self.noise_kpa,
            step_kpa=self.step_kpa,
            spacing_s=self.spacing_s,
        )


class KeptLeakDown(_Kept):
    """A leak-down under way, as much of it as the next service needs."""

    request: LeakRequest
    gauge: str
    machine: str
    cylinder: str | None
    test_id: str | None
    acknowledged: bool
    """Whether the cautions were acknowledged."""
    verdict_told: bool = False
    """Whether the verdict was said while the leak is followed on."""
    hold: KeptHold | None = None
    """None while nothing is held."""
    gap_s: float = 0.0
    """Longest interruption of the hold before this one."""
    so_far: Decay | None = None
    """What the last look said."""


class Keeper:
    """Says when a leak-down is to be written down again: at every step of it, and now and then while it holds."""

    def __init__(self) -> None:
        self._phase = WatchPhase.IDLE
        self._kept_s = float("-inf")

    def due(self, run: DecayRun, now_s: float, at: datetime) -> tuple[bool, KeptHold | None]:
        """Whether it is time, and the hold to keep; `run` has just heard its samples."""
        phase = run.watch.phase
        if phase is not WatchPhase.HOLDING:
            moved, self._phase, self._kept_s = phase is not self._phase, phase, float("-inf")
            return moved, None
        self._phase = phase
        if run.watch.elapsed_s - self._kept_s < KEEP_EVERY_S:
            return False, None
        hold = run.watch.hold()
        if hold is None:
            # What is kept of an earlier moment stays until there is something better.
            return False, None
        self._kept_s = run.watch.elapsed_s
        return True, KeptHold.of(hold, now_s, at)


@dataclass(frozen=True, slots=True)
class TakenUp:
    """What the first samples after an interruption say of the hold before it."""

    gap_s: float | None
    """Seconds without samples; None when the clocks do not agree on them."""
    level_kpa: float
    """Gauge pressure now, the zero taken off."""
    against: Contradiction | None
    """Why it cannot go on; None when it can, or the gap is not known."""


@dataclass(slots=True)
class Interruption:
    """A hold that was broken off, and the samples that came since."""

    kept: KeptHold
    limit: DecayLimit
    ambient_abs_kpa: float
    batches: list[SampleBatch] = field(default_factory=list)
    _gap_s: float | None = None

    def samples(self) -> EventSamples:
        """The hold's blocks as the journal keeps the samples of a leak-down."""
        hold = self.kept.hold()
        return samples_of(hold.closed_s + hold.time_s, hold.mean_kpa, hold.zero_kpa)

    def hear(self, batch: SampleBatch, now_s: float, at: datetime) -> TakenUp | None:
        """Take samples of the gauge, shape (n,), n above 0; None until there are enough to tell."""
        if not self.batches:
            self._gap_s = self._gap(float(batch.time_s[0]), now_s, at)
        self.batches.append(batch)
        time_s = np.concatenate([one.time_s for one in self.batches])
        if len(time_s) < _FIRST_SAMPLES or time_s[-1] - time_s[0] < SLOT_S:
            return None
        pressure_kpa = np.concatenate([one.pressure_kpa for one in self.batches])
        level_kpa = float(np.median(pressure_kpa)) - self.kept.zero_kpa
        middle_s = float(np.median(time_s)) - self.kept.last_s
        if self._gap_s is None:
            return TakenUp(None, level_kpa, None)
        hold = self.kept.hold()
        against = contradiction(hold, self.limit, middle_s, level_kpa, ambient_abs_kpa=self.ambient_abs_kpa)
        return TakenUp(self._gap_s, level_kpa, against)

    def _gap(self, first_s: float, now_s: float, at: datetime) -> float | None:
        """Seconds from the last kept sample to the first new one, where three clocks agree on them.

        Monotonic time starts anew with the machine and may stand still while it sleeps; wall time may be set. Neither
        is believed alone.
        """
        lengths = (first_s - self.kept.last_s, now_s - self.kept.now_s, (at - self.kept.at).total_seconds())
        return lengths[0] if lengths[0] > 0.0 and max(lengths) - min(lengths) <= CLOCKS_AGREE_S else None
