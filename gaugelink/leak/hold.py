"""A hold as it stands: as it is judged, as it is kept over an interruption, and whether it can go on after one.

The model of a decay needs the time since the valve closed and no sample in particular, so a hold survives a gap as long
as nobody touched the volume and both sides of the gap are on one clock. Whether somebody did is told from the pressure.
"""

from dataclasses import dataclass
from enum import StrEnum

from gaugelink.leak.flow import FloatArray
from gaugelink.leak.limits import DecayLimit

LONGEST_GAP_S = 600.0
"""A sealed volume that nobody watched for longer is not gone on with: common practice, no source."""
WIDEST_SHARE = 0.25
"""A gap is too long when the pressure after it may be anything within this share of what it was: then nothing can
contradict."""
GONE_SHARE = 0.08
"""Below this share of the test pressure a volume counts as empty."""
ROOM_K = 293.15
AIR_KPA = (50.0, 115.0)
"""What an absolute gauge shows at rest, in any weather from 5,500 m to below the sea (ISO 2533:1975)."""
_LEAST_SHARE = 0.01
"""Share of the test pressure that a hold may differ by for reasons of the gauge alone; the watch goes by the same."""
_DRIFT_SDS = 3.0


@dataclass(frozen=True, slots=True)
class LiveRate:
    """Loss of pressure over the last seconds; positive when pressure is lost."""

    kpa_per_min: float
    u_kpa_per_min: float
    """Expanded uncertainty, coverage about 95 %."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """A hold as `analyse` takes it."""

    time_s: FloatArray
    """Shape (n,)."""
    pressure_kpa: FloatArray
    """Shape (n,), zero taken off."""
    closed_s: float
    """When the valve closed, on the same clock."""
    thinned: tuple[FloatArray, FloatArray, FloatArray] | None
    """Earlier blocks: seconds since the valve closed, mean pressures, standard uncertainties."""
    rest_kpa: float | None
    """What the gauge showed before pumping."""


@dataclass(frozen=True, slots=True)
class Hold:
    """Everything of a running hold that is needed to go on with it."""

    closed_s: float
    """When the valve closed, on the gauge's clock."""
    last_s: float
    """When the last sample was taken, on the same clock."""
    time_s: FloatArray
    """Middles of the blocks that the samples are grouped into, in seconds since the valve closed; shape (m,)."""
    mean_kpa: FloatArray
    """Their mean gauge pressures, zero taken off; shape (m,)."""
    u_kpa: FloatArray
    """Their standard uncertainties; shape (m,)."""
    pressure_kpa: float
    """Mean gauge pressure of the last samples, zero taken off."""
    rate: LiveRate
    """Loss over the last seconds."""
    zero_kpa: float
    rest_kpa: float | None
    """What the gauge showed before pumping; None when it was not seen at rest."""
    noise_kpa: float
    """Standard deviation of the gauge's noise, cautiously."""
    step_kpa: float
    """The gauge's resolution; 0 when it was not seen."""
    spacing_s: float
    """Usual time between two samples."""


class Contradiction(StrEnum):
    """Why a hold cannot go on after a gap."""

    TOO_LONG = "too_long"
    """After such a gap no pressure would tell that something was moved, or the time by the book ends too soon."""
    ROSE = "rose"
    """There is more pressure than before: it was pumped, or warmed."""
    FELL = "fell"
    """There is less than cooling and leak can have left: air was let off, or something opened."""


def contradiction(
    hold: Hold, limit: DecayLimit, gap_s: float, level_kpa: float, *, ambient_abs_kpa: float = 101.325
) -> Contradiction | None:
    """Tell why a hold cannot go on at `level_kpa`, `gap_s` after its last sample; None when nothing contradicts it.

    A closed volume loses less and less: the air settles, and what is left inside drives the leak. So the pressure lies
    between what it was and a straight line at the rate before the gap, but for the gauge and for a wall that warms or
    cools (`drift_k_per_h`, by the gas law).
    """
    drift = _DRIFT_SDS * limit.drift_k_per_h / 3600.0 * gap_s / ROOM_K * (ambient_abs_kpa + hold.pressure_kpa)
    slack = max(_LEAST_SHARE * limit.test_kpa, 1.2 * hold.step_kpa, 3.0 * hold.noise_kpa) + drift
    # The last samples' mean is up to two samples older than the last one.
    fall = max(0.0, hold.rate.kpa_per_min + hold.rate.u_kpa_per_min) / 60.0 * (gap_s + 2.0 * hold.spacing_s)
    # What is lost after the book's time is not the book's loss, and a gap is followed by a look as long as itself.
    late = limit.fixed_time and hold.last_s - hold.closed_s + 2.0 * gap_s > limit.book_s
    if late or gap_s > LONGEST_GAP_S or fall + 2.0 * slack > WIDEST_SHARE * hold.pressure_kpa:
        return Contradiction.TOO_LONG
    if level_kpa > hold.pressure_kpa + slack:
        return Contradiction.ROSE
    if level_kpa < max(hold.pressure_kpa - fall - slack, GONE_SHARE * limit.test_kpa):
        return Contradiction.FELL
    return None
