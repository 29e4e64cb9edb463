"""The sentence of a decay: in its reader's unit, and never a number beside itself."""

import re
from dataclasses import replace

import numpy as np
import pytest

from gaugelink.engine.units import PressureUnit
from gaugelink.leak.decay import DecayFlag, DecayResult, DecayVerdict, Interval, analyse
from gaugelink.leak.differential import DifferentialFlag
from gaugelink.leak.limits import DecayLimit, Practice, practice_limit
from gaugelink.leak.wording import FLAG_WORDS, decay_reason, flag_words, rate_text

PSI = 6.894757
"""NIST SP 811 (2008), appendix B.8: kPa."""


def fallen(limit: DecayLimit, lost_kpa: float = 12.0) -> DecayResult:
    time_s = np.arange(0.0, 60.0, 0.5)
    return analyse(time_s, 41.0 - lost_kpa * time_s / time_s[-1], limit)


def test_a_rate_is_told_in_the_unit_of_who_reads_it() -> None:
    interval = Interval(2.0 * PSI, 1.5 * PSI, 2.5 * PSI)
    result = replace(
        fallen(practice_limit(Practice.USUAL)),
        verdict=DecayVerdict.FAIL,
        leak_kpa_per_min=interval,
        probability_pass=0.001,
    )
    assert decay_reason(result, PressureUnit.PSI) == (
        "The leak is 2.00 psi a minute (1.50 to 2.50), over the limit of 0.100 (shop practice); sure to 99.9 %."
    )
    assert decay_reason(result, PressureUnit.KPA).startswith("The leak is 13.8 kPa a minute (10.3 to 17.2), over")
    assert decay_reason(result, PressureUnit.PASCAL).startswith("The leak is 13790 Pa a minute (10342 to 17237), over")


def test_every_reason_to_doubt_a_leak_down_has_words_of_its_own() -> None:
    flags = [*DecayFlag, *DifferentialFlag]
    words = flag_words([flag.value for flag in flags])
    assert len(set(words)) == len(flags)
    assert set(FLAG_WORDS) == {flag.value for flag in flags}
    assert flag_words(["of_next_year"]) == ("of next year",)


@pytest.mark.parametrize(
    ("unit", "kpa", "u_kpa", "told"),
    [
        (PressureUnit.KPA, 40.368, 3.21, "40.4 ± 3.2 kPa a minute"),
        (PressureUnit.BAR, 40.368, 3.21, "0.404 ± 0.032 bar a minute"),
        (PressureUnit.BAR, 0.041, 0.012, "0.00041 ± 0.00012 bar a minute"),
        (PressureUnit.PSI, 0.041, 0.012, "0.0059 ± 0.0017 psi a minute"),
        (PressureUnit.MMHG, 40.368, 18.1, "300 ± 140 mmHg a minute"),
        (PressureUnit.BAR, -0.001, 0.012, "-0.00001 ± 0.00012 bar a minute"),
        (PressureUnit.KPA, -0.001, 0.12, "0.00 ± 0.12 kPa a minute"),
        (PressureUnit.BAR, 0.689, None, "0.00689 bar a minute"),
    ],
)
def test_a_rate_has_the_digits_of_its_uncertainty_in_every_unit(
    unit: PressureUnit, kpa: float, u_kpa: float | None, told: str
) -> None:
    assert rate_text(kpa, u_kpa, unit) == told


def test_a_fixed_time_test_tells_both_pressures_in_the_unit_of_who_reads_it() -> None:
    limit = practice_limit(Practice.USUAL, fixed_time=True)
    sentence = decay_reason(replace(fallen(limit), lost_kpa=3.0 * PSI, duration_s=120.0), PressureUnit.PSI)
    assert sentence == ("3.00 psi lost in 2.0 of 10 minutes; the limit is 1.00 psi (shop practice).")


@pytest.mark.parametrize("unit", PressureUnit)
@pytest.mark.parametrize("share", [0.9996, 1.0004])
def test_a_leak_beside_its_limit_is_not_written_as_its_limit(unit: PressureUnit, share: float) -> None:
    limit = practice_limit(Practice.USUAL)
    rate = share * limit.rate_kpa_per_min
    result = replace(fallen(limit), leak_kpa_per_min=Interval(rate, 0.9 * rate, 1.1 * rate))
    found = re.match(r"The leak is ([\d.]+) .* the limit of ([\d.]+)", decay_reason(result, unit))
    assert found is not None
    assert (float(found[1]) > float(found[2])) == (share > 1.0)
    assert float(found[1]) != float(found[2])


@pytest.mark.parametrize("unit", PressureUnit)
def test_a_leak_of_nothing_and_a_tiny_one_are_written_without_an_exponent(unit: PressureUnit) -> None:
    limit = practice_limit(Practice.STRICT)
    for rate in (0.0, 1e-12, 1e-4, 900.0):
        sentence = decay_reason(replace(fallen(limit), leak_kpa_per_min=Interval(rate, 0.0, 2.0 * rate)), unit)
        assert re.match(r"The leak is [\d.]+ \S+ a minute \([\d.]+ to [\d.]+\), ", sentence), sentence
