"""What a decay says: leak rate, hole, pass or fail, each with its uncertainty, and what is doubtful."""

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from math import hypot, sqrt

import numpy as np

from gaugelink.leak.blocks import blocks
from gaugelink.leak.fit import fit_leak
from gaugelink.leak.flow import AIR, R_AIR, FloatArray, flow_function, hole_diameter_mm, standard_cm3_per_min
from gaugelink.leak.hold import AIR_KPA, ROOM_K
from gaugelink.leak.limits import DecayLimit
from gaugelink.leak.noise import noise_and_resolution
from gaugelink.leak.posterior import LeakPosterior
from gaugelink.leak.rise import still_rises, was_fed

LEAST_S = 15.0
"""No verdict before this while most of the pressure is there: the air has hardly begun to settle."""
_LOOKS = 50.0
"""A test is looked at again and again, and chance gets as many turns: each look has to be so much surer."""
_MISFIT, _MISFIT_PASSES = 4.0, 2.5
"""Squares per degree of freedom above which a decay is none of a leak, and above which it does not pass: air that comes
in makes a leak look tight. Of 442 looks at simulated vessels that nobody touched, from 15 s on, the highest was 3.1 and
five were above 2.5."""
_COOLS_SHARE = 0.35
"""Share of the gauge pressure that cooling cannot take: a volume that is filled with ambient air and loses no heat is
warmer by 0.3 of it at most (first law). Whatever else does not fit, the rest of such a loss went through a leak."""
_AROUND_S, _AROUND_SHARE, _AROUND_LEAST = 10.0, 0.02, 5
"""A pressure at a moment is taken from the samples so near to it, in seconds and as a share of the time since the
valve closed, where there are so many."""
_ROOM_U_SHARE = 50.0 / sqrt(3.0) / ROOM_K
"""Standard uncertainty of the air's absolute temperature as a share of it, which nobody tells: 20 ± 50 degrees Celsius,
from a shed in winter to an engine that has just run, rectangular (JCGM 100:2008, 4.3.7). A fall of pressure by itself
needs no temperature."""
_LEAST_SHARE = 0.12
"""Below this share of its start a decay is not used: near the end of a leak nothing is learnt of it."""


class DecayVerdict(StrEnum):
    """What the leak is, against the limit."""

    PASS = "pass"
    FAIL = "fail"
    OPEN = "open"
    """Not certain yet."""


class DecayFlag(StrEnum):
    """Why a leak-down may be doubted."""

    NOT_SEPARATED = "not_separated"
    """What is leak and what is cooling air cannot be told apart yet."""
    GAPS = "gaps"
    """Samples are missing for longer than their neighbours are apart by many times."""
    POOR_FIT = "poor_fit"
    """The pressure does not fall as a leak and cooling air let it: something was moved, air came in, or the volume
    changed. Such a decay neither passes nor fails, unless more of it is lost than any cooling takes; a fixed-time test
    goes by air that came in alone."""
    ABSOLUTE = "absolute"
    """The gauge seems to read absolute pressure: it shows about one atmosphere at rest."""
    COARSE = "coarse"
    """The gauge's steps are large against what is lost."""
    PRESSURE_OFF = "pressure_off"
    """The volume was not at the test pressure; the rate is carried there by the model."""


@dataclass(frozen=True, slots=True)
class Interval:
    """A value and the ends of its interval of 95 %."""

    value: float
    low: float
    high: float

    @property
    def u(self) -> float:
        """Half of the interval: the expanded uncertainty."""
        return 0.5 * (self.high - self.low)


@dataclass(frozen=True, slots=True)
class DecayResult:
    """A decay, judged."""

    verdict: DecayVerdict
    limit: DecayLimit
    """What it was judged by."""
    probability_pass: float
    """Probability that the leak is within the limit."""
    closed_s: float
    """When the valve closed, on the clock of the samples."""
    duration_s: float
    """Time since the valve closed, in a fixed-time test the book's at most."""
    start_kpa: float
    end_kpa: float
    """Pressure at the end of `duration_s`."""
    lost_kpa: float
    """Fall of pressure from the first to the last block that is used; in a fixed-time test until the book's time at
    most, which is what it compares."""
    leak_kpa_per_min: Interval
    """Fall of pressure by the leak alone, at the test pressure."""
    limit_kpa_per_min: float
    leak_cm3_per_min: Interval | None
    """The leak in standard cubic centimetres a minute; None without a volume."""
    hole_mm: Interval | None
    """Diameter of the round hole (ideal nozzle) that leaks as much; None without a volume."""
    hole_share: float
    """How much speaks for a hole and not for a seep, 0 to 1."""
    time_constant_s: float
    """Time in which the pressure falls to 1/e of the test pressure, at the rate of its start."""
    time_to_limit_s: float
    """Time in which the limit's loss is lost."""
    heated_kpa: float
    """Part of the start that was warm air."""
    heated_u_kpa: float
    settling_s: float
    more_s: float | None
    """About how much longer until it is certain; None when it is."""
    flags: frozenset[DecayFlag]
    unlike_a_leak: bool
    """It is open because the pressure does what no leak does, and more time will not mend that."""


def analyse(
    time_s: FloatArray,
    pressure_kpa: FloatArray,
    limit: DecayLimit,
    *,
    ambient_abs_kpa: float = 101.325,
    resolution_kpa: float | None = None,
    rest_kpa: float | None = None,
    thinned: tuple[FloatArray, FloatArray, FloatArray] | None = None,
    closed_s: float | None = None,
) -> DecayResult:
    """Judge a decay from the moment its valve closed. Pure; it takes some hundredths of a second.

    Args:
        time_s: shape (n,), rising.
        pressure_kpa: shape (n,), gauge pressure, the zero taken off.
        limit: what it is judged by.
        ambient_abs_kpa: ambient pressure.
        resolution_kpa: smallest step of the gauge; from the samples when not given.
        rest_kpa: what the gauge showed before pumping, its zero not taken off; tells an absolute gauge.
        thinned: blocks of an earlier, longer part of the same decay, to go before these samples: seconds since the
            valve closed, means, standard uncertainties.
        closed_s: when the valve closed, on the clock of `time_s`; the first sample's time when not given.

    Raises:
        ValueError: fewer than five samples, or times that do not rise.
    """
    if len(time_s) < 5 or np.any(np.diff(time_s) <= 0):
        raise ValueError(f"a decay needs five samples or more with rising times, found {len(time_s)}")
    closed = float(time_s[0]) if closed_s is None else closed_s
    t = time_s - closed
    noise, step = noise_and_resolution(pressure_kpa, resolution_kpa)
    keep = _first_fall_below(pressure_kpa, _LEAST_SHARE * float(pressure_kpa[0]))
    b_time, b_kpa, b_u = blocks(t[:keep], pressure_kpa[:keep], noise, step)
    if thinned is not None:
        b_time, b_kpa, b_u = (np.concatenate([a, b]) for a, b in zip(thinned, (b_time, b_kpa, b_u), strict=True))
    posterior = fit_leak(
        b_time,
        b_kpa,
        b_u,
        ambient_abs_kpa=ambient_abs_kpa,
        drift_sd_per_s=limit.drift_k_per_h / 3600.0 / ROOM_K,
        at_kpa=limit.test_kpa,
        step_kpa=step,
    )
    rate = Interval(posterior.quantile(0.5), *posterior.shortest())
    passing = posterior.below(limit.rate_kpa_per_min)
    duration, end = float(t[-1]), float(pressure_kpa[-1])
    lost = float(b_kpa[0] - b_kpa[-1])
    if limit.fixed_time and duration >= limit.book_s:
        # Whoever looks later compares no longer time than the book does.
        duration, end = limit.book_s, _pressure_at(limit.book_s, t, pressure_kpa, (b_time, b_kpa))
        lost = float(b_kpa[0]) - end
    verdict = _verdict(limit, rate, passing, duration, lost, float(b_kpa[-1]))
    flags = _flags(t, float(b_kpa[0]), limit, posterior, step, rest_kpa)
    fed = was_fed(b_time, b_kpa, b_u, limit, step_kpa=step, ambient_abs_kpa=ambient_abs_kpa)
    if fed:
        flags |= {DecayFlag.POOR_FIT}
    # Rounding errors of neighbours hang together: each block is doubted as much as one sample is.
    coarse_u = np.hypot(b_u, step / sqrt(12.0))
    vague = still_rises(b_time, b_kpa, coarse_u, limit, ambient_abs_kpa=ambient_abs_kpa)
    # A fixed-time test compares two pressures: that air came in matters to it, what the model misses does not.
    unlike = fed or (DecayFlag.POOR_FIT in flags and not limit.fixed_time)
    vague |= posterior.chi2_beyond_rounding > _MISFIT_PASSES and not limit.fixed_time
    leaks_away = verdict is DecayVerdict.FAIL and lost > _COOLS_SHARE * float(b_kpa[0])
    if (unlike and not leaks_away) or (vague and verdict is DecayVerdict.PASS):
        verdict = DecayVerdict.OPEN
    return DecayResult(
        verdict=verdict,
        limit=limit,
        probability_pass=passing,
        closed_s=closed,
        duration_s=duration,
        start_kpa=float(b_kpa[0]),
        end_kpa=end,
        lost_kpa=lost,
        leak_kpa_per_min=rate,
        limit_kpa_per_min=limit.rate_kpa_per_min,
        leak_cm3_per_min=_scaled(rate, limit, lambda r: _standard(r, limit.volume_cm3 or 0.0), (1.0, 1.0)),
        hole_mm=_scaled(rate, limit, lambda r: _hole(r, limit, ambient_abs_kpa), (0.5, 0.25)),
        hole_share=posterior.hole_share,
        time_constant_s=60.0 * limit.test_kpa / max(rate.value, 1e-9),
        time_to_limit_s=60.0 * limit.loss_kpa / max(rate.value, 1e-9),
        heated_kpa=posterior.heated_kpa,
        heated_u_kpa=posterior.heated_u_kpa,
        settling_s=posterior.settling_s,
        more_s=None if verdict is not DecayVerdict.OPEN else _more_s(duration, rate, limit),
        flags=flags,
        unlike_a_leak=unlike and verdict is DecayVerdict.OPEN,
    )


def _first_fall_below(pressure_kpa: FloatArray, level_kpa: float) -> int:
    below = np.flatnonzero(pressure_kpa < level_kpa)
    return max(5, int(below[0])) if below.size else len(pressure_kpa)


def _pressure_at(at_s: float, t: FloatArray, pressure_kpa: FloatArray, earlier: tuple[FloatArray, FloatArray]) -> float:
    """Pressure at a moment, by a straight line through the samples around it, or between blocks where they are gone."""
    near = np.abs(t - at_s) <= min(_AROUND_S, _AROUND_SHARE * at_s)
    x = t[near] - at_s
    if len(x) < _AROUND_LEAST or x[0] > 0.0 or x[-1] < 0.0:
        b_time, b_kpa = earlier
        # The last block's middle lies before the last sample.
        return float(np.interp(at_s, np.append(b_time, t[-1]), np.append(b_kpa, pressure_kpa[-1])))
    slope = float(np.polyfit(x, pressure_kpa[near], 1)[0])
    return float(pressure_kpa[near].mean() - slope * x.mean())


def _verdict(
    limit: DecayLimit, rate: Interval, passing: float, duration_s: float, lost_kpa: float, end_kpa: float
) -> DecayVerdict:
    if limit.fixed_time:
        if lost_kpa > limit.loss_kpa:
            return DecayVerdict.FAIL
        return DecayVerdict.PASS if duration_s >= limit.book_s else DecayVerdict.OPEN
    if duration_s < LEAST_S and end_kpa > 0.5 * limit.test_kpa:
        return DecayVerdict.OPEN
    doubt = (1.0 - limit.certainty) / _LOOKS
    # Where the samples say nothing yet, the prior alone makes a large leak likely; the interval then begins at 0.
    if passing > 1.0 - doubt and rate.high < limit.rate_kpa_per_min:
        return DecayVerdict.PASS
    return DecayVerdict.FAIL if passing < doubt and rate.low > limit.rate_kpa_per_min else DecayVerdict.OPEN


def _flags(
    t: FloatArray,
    start_kpa: float,
    limit: DecayLimit,
    posterior: LeakPosterior,
    step_kpa: float,
    rest_kpa: float | None,
) -> frozenset[DecayFlag]:
    flags = set()
    spacing = np.diff(t)
    if np.max(spacing) > max(5.0, 10.0 * float(np.median(spacing))):
        flags.add(DecayFlag.GAPS)
    if posterior.chi2_beyond_rounding > _MISFIT:
        flags.add(DecayFlag.POOR_FIT)
    if rest_kpa is not None and AIR_KPA[0] < rest_kpa < AIR_KPA[1]:
        flags.add(DecayFlag.ABSOLUTE)
    wide = posterior.quantile(0.975) - posterior.quantile(0.025)
    if wide > max(posterior.quantile(0.5), limit.rate_kpa_per_min):
        flags.add(DecayFlag.NOT_SEPARATED)
    if step_kpa > 0.3 * limit.loss_kpa:
        flags.add(DecayFlag.COARSE)
    if abs(start_kpa - limit.test_kpa) > 0.25 * limit.test_kpa:
        flags.add(DecayFlag.PRESSURE_OFF)
    return frozenset(flags)


def _standard(rate_kpa_per_min: float, volume_cm3: float) -> float:
    """Standard cubic centimetres a minute of a fall of pressure at room temperature."""
    flow_kg_s = rate_kpa_per_min * 1000.0 / 60.0 * volume_cm3 * 1e-6 / (R_AIR * ROOM_K)
    return standard_cm3_per_min(flow_kg_s)


def _hole(rate_kpa_per_min: float, limit: DecayLimit, ambient_abs_kpa: float) -> float:
    """Diameter in mm of the hole that gives this fall at the test pressure."""
    inside = ambient_abs_kpa + limit.test_kpa
    per_area = float(flow_function(ambient_abs_kpa / inside, AIR)) * inside * 1000.0 * sqrt(R_AIR * ROOM_K)
    area = rate_kpa_per_min * 1000.0 / 60.0 * (limit.volume_cm3 or 0.0) * 1e-6 / per_area
    return hole_diameter_mm(area)


def _scaled(
    rate: Interval, limit: DecayLimit, to: Callable[[float], float], powers: tuple[float, float]
) -> Interval | None:
    """Carry an interval through a monotonic function, and widen it by what is uncertain of volume and temperature.

    `powers` are those of the volume and, in the denominator, of the absolute temperature in what `to` gives.
    """
    if limit.volume_cm3 is None:
        return None
    value, low, high = to(rate.value), to(rate.low), to(rate.high)
    by_volume, by_room = powers
    known_u = 2.0 * value * hypot(by_volume * limit.volume_u_percent / 100.0, by_room * _ROOM_U_SHARE)
    return Interval(value, max(0.0, value - hypot(value - low, known_u)), value + hypot(high - value, known_u))


def _more_s(duration_s: float, rate: Interval, limit: DecayLimit) -> float:
    """Rough time until the interval is clear of the limit: it narrows with the time to the power of 3/2 at least."""
    if limit.fixed_time:
        return max(0.0, limit.book_s - duration_s)
    gap = abs(rate.value - limit.rate_kpa_per_min)
    half = rate.u
    if gap <= 0.05 * half:
        return min(limit.book_s, 4.0 * duration_s)
    return float(np.clip(duration_s * ((half / gap) ** (2.0 / 3.0) - 1.0), 2.0, limit.book_s))
