"""Why a decay passes, fails or stays open, and why it may be doubted, in words and in its reader's unit."""

from collections.abc import Iterable
from math import floor, log10

from gaugelink.engine.units import PressureUnit
from gaugelink.leak.decay import DecayFlag, DecayResult, DecayVerdict
from gaugelink.leak.differential import DifferentialFlag
from gaugelink.leak.limits import source_words
from gaugelink.leak.steady import SteadyPhase
from gaugelink.leak.watch import WatchPhase

_DIGITS = 3
_MORE_DIGITS = 2
_WORDS = {DecayVerdict.PASS: "within", DecayVerdict.FAIL: "over", DecayVerdict.OPEN: "not yet told from"}

FLAG_WORDS: dict[str, str] = {
    DecayFlag.NOT_SEPARATED: "leak and cooling air not told apart",
    DecayFlag.GAPS: "gaps in the record",
    DecayFlag.POOR_FIT: "no fall of a leak: something was moved",
    DecayFlag.ABSOLUTE: "gauge seems to read absolute pressure",
    DecayFlag.COARSE: "gauge too coarse for so small a loss",
    DecayFlag.PRESSURE_OFF: "not at the test pressure",
    DifferentialFlag.COLD: "engine cold",
    DifferentialFlag.SUPPLY_STATED: "regulated pressure not measured",
    DifferentialFlag.NO_LOSS_SEEN: "loss too small for the gauges",
    DifferentialFlag.NOT_STEADY: "pressures not at rest",
    DifferentialFlag.PISTON_MOVED: "piston moved off its top",
    DifferentialFlag.ZERO_MOVING: "gauge not at rest before the air came in",
}
"""Every flag of a leak-down in a few words."""


PHASE_WORDS: dict[str, str] = {
    WatchPhase.IDLE: "Waiting for pressure.",
    WatchPhase.PUMPING: "The pressure rises.",
    WatchPhase.HOLDING: "Shut off: its loss is watched.",
    WatchPhase.RELEASED: "The pressure was let off.",
    SteadyPhase.FILLING: "Air goes in: waiting until the pressures rest.",
    SteadyPhase.STEADY: "The pressures rest: the loss is measured.",
    SteadyPhase.MOVED: "The pressure jumped: the piston has moved off its top.",
}
"""Where a leak-down stands, for people. `IDLE` is the same word of both kinds."""


def flag_words(flags: Iterable[str]) -> tuple[str, ...]:
    """Flags in words, in their order; one of a newer bench stays as it is, but for its underscores."""
    return tuple(FLAG_WORDS.get(flag, flag.replace("_", " ")) for flag in flags)


def decay_reason(result: DecayResult, unit: PressureUnit) -> str:
    """Tell a verdict in numbers: one sentence, its pressures in `unit` and its rates in `unit` a minute."""
    limit = result.limit
    if limit.fixed_time:
        lost, allowed = _apart(unit.from_kpa(result.lost_kpa), unit.from_kpa(limit.loss_kpa))
        return (
            f"{lost} {unit.value} lost in {result.duration_s / 60.0:.1f} of {limit.minutes:g} minutes; "
            f"the limit is {allowed} {unit.value} ({source_words(limit.source)})."
        )
    rate, sure = result.leak_kpa_per_min, max(result.probability_pass, 1.0 - result.probability_pass)
    value, allowed = _apart(unit.from_kpa(rate.value), unit.from_kpa(limit.rate_kpa_per_min))
    low, high = (_written(unit.from_kpa(end), _DIGITS) for end in (rate.low, rate.high))
    return (
        f"The leak is {value} {unit.value} a minute ({low} to {high}), {_WORDS[result.verdict]} the limit of "
        f"{allowed} ({source_words(limit.source)}); sure to {min(99.9, 100.0 * sure):.1f} %."
    )


def rate_text(rate_kpa_per_min: float, u_kpa_per_min: float | None, unit: PressureUnit) -> str:
    """Write a loss of pressure with its expanded uncertainty, where there is one: ``0.40 ± 0.12 bar a minute``."""
    if not u_kpa_per_min:
        return f"{_written(unit.from_kpa(rate_kpa_per_min), _DIGITS)} {unit.value} a minute"
    value, doubt = unit.small_with_doubt(rate_kpa_per_min, u_kpa_per_min)
    return f"{value} ± {doubt} {unit.value} a minute"


def _apart(a: float, b: float) -> tuple[str, str]:
    """Write two numbers that are compared: with up to two more digits where both would read the same."""
    pairs = [(_written(a, digits), _written(b, digits)) for digits in range(_DIGITS, _DIGITS + _MORE_DIGITS + 1)]
    return next((pair for pair in pairs if float(pair[0]) != float(pair[1])), pairs[0])


def _written(number: float, digits: int) -> str:
    """Write a number with so many digits that count and no exponent: a rate in Pa is in thousands, in bar in 0.0001."""
    if number == 0.0:
        return "0"
    decimals = max(0, digits - 1 - floor(log10(abs(number))))
    # Below a millionth of the unit there is nothing to read, and no gauge that could tell.
    return f"{number:z.{min(decimals, 6)}f}"
