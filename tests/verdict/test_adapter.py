"""The volume of the gauge's adapter: a small cylinder reads low by it, and is not condemned for it."""

from dataclasses import replace

import pytest

from gaugelink.verdict.findings import RuleName, Severity, TopEnd
from gaugelink.verdict.judge import judge_test
from tests.verdict.shop import SEA_LEVEL, TRIPLE, judge, only, readings

FITTED = replace(SEA_LEVEL, adapter_cm3=2.0)


def test_all_cylinders_low_by_what_the_adapter_takes_off_are_not_condemned() -> None:
    """Volume 2 cm3 on a chamber of some 20 cm3: about a tenth of the reading, by the polytropic law."""
    low = readings(TRIPLE, 122.0, 123.0, 122.0)
    assert only(judge(low), RuleName.BAND).severity is Severity.INVESTIGATE
    verdict = judge(low, FITTED)
    band = only(verdict, RuleName.BAND)
    assert band.severity is Severity.WATCH
    assert "adapter of 2 cm3 alone takes off about" in band.text
    assert "just below" not in band.text
    assert verdict.top_end is TopEnd.LEAVE


def test_a_cylinder_that_is_lower_than_the_adapter_makes_it_is_looked_into() -> None:
    verdict = judge(readings(TRIPLE, 100.0, 131.0, 131.0), FITTED)
    bands = [finding for finding in verdict.findings if finding.rule is RuleName.BAND]
    assert [(finding.cylinders, finding.severity) for finding in bands] == [(("PTO",), Severity.INVESTIGATE)]


def test_where_the_dimensions_are_not_known_the_adapter_excuses_nothing() -> None:
    bare = TRIPLE.model_copy(update={"bore_mm": None, "stroke_mm": None, "rod_mm": None})
    band = only(judge_test(bare, readings(TRIPLE, 122.0, 123.0, 122.0), FITTED), RuleName.BAND)
    assert band.severity is Severity.INVESTIGATE
    assert "adapter of" not in band.text


@pytest.mark.parametrize("cm3", [0.5, 2.0, 8.0])
def test_the_estimate_from_dimensions_has_the_adapter_in_it(cm3: float) -> None:
    plain = only(judge(readings(TRIPLE, 135.0, 134.0, 135.0)), RuleName.EXPECTED)
    fitted = only(judge(readings(TRIPLE, 135.0, 134.0, 135.0), replace(SEA_LEVEL, adapter_cm3=cm3)), RuleName.EXPECTED)
    assert fitted.numbers["trapped_ratio"] < plain.numbers["trapped_ratio"]
    assert fitted.numbers["expected_kpa"] < plain.numbers["expected_kpa"]
