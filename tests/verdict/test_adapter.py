"""The volume of the gauge's adapter: a small cylinder reads low by it, and is not condemned for it."""

from dataclasses import replace

import pytest

from gaugelink.engine.geometry import adapter_factor
from gaugelink.verdict.findings import Finding, RuleName, Severity, TopEnd
from gaugelink.verdict.judge import judge_test
from tests.verdict.shop import SEA_LEVEL, TRIPLE, judge, only, readings

FITTED = replace(SEA_LEVEL, adapter_noted_cm3=2.0)


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
    fitted = only(
        judge(readings(TRIPLE, 135.0, 134.0, 135.0), replace(SEA_LEVEL, adapter_noted_cm3=cm3)), RuleName.EXPECTED
    )
    assert fitted.numbers["trapped_ratio"] < plain.numbers["trapped_ratio"]
    assert fitted.numbers["expected_kpa"] < plain.numbers["expected_kpa"]


def wet_after(dry_cm3: float | None, wet_cm3: float | None, oil: float = 1.0) -> Finding:
    """The finding on PTO of a sound engine that reads `oil` times as much wet, through adapters of these volumes."""
    geometry = TRIPLE.geometry("PTO")
    assert geometry is not None
    dry, wet = (140.0 * adapter_factor(geometry, 420.0, cm3 or 0.0) for cm3 in (dry_cm3, wet_cm3))
    verdict = judge_test(
        TRIPLE,
        readings(TRIPLE, oil * wet, oil * wet, oil * wet),
        replace(SEA_LEVEL, adapter_noted_cm3=wet_cm3, wet=True, oil_ml=1.0),
        dry=readings(TRIPLE, dry, dry, dry),
        dry_conditions=replace(SEA_LEVEL, adapter_noted_cm3=dry_cm3),
    )
    return next(one for one in verdict.findings if one.rule is RuleName.WET_DRY and one.cylinders == ("PTO",))


@pytest.mark.parametrize(("dry_cm3", "wet_cm3"), [(6.0, 2.0), (6.0, None), (6.0, 0.0), (2.0, 6.0)])
def test_what_another_adapter_does_between_dry_and_wet_is_no_ring(dry_cm3: float, wet_cm3: float | None) -> None:
    found = wet_after(dry_cm3, wet_cm3)
    assert found.severity is Severity.NOTE
    assert not found.causes
    wet = "that was not noted" if wet_cm3 is None else f"of {wet_cm3:g} cm3"
    assert f"(the dry test was read through an adapter of {dry_cm3:g} cm3, the wet one through an adapter {wet})" in (
        found.text
    )


def test_no_adapter_is_told_apart_from_one_that_was_not_noted() -> None:
    assert "worn or stuck rings" in wet_after(2.0, 0.0, oil=1.15).causes
    assert not wet_after(2.0, None, oil=1.15).causes
    said = wet_after(0.0, None).text
    assert "(the dry test was read through an adapter of 0 cm3, the wet one through an adapter that was not" in said


def test_rings_are_found_over_another_adapter_and_one_adapter_is_not_spoken_of() -> None:
    assert "worn or stuck rings" in wet_after(6.0, 2.0, oil=1.3).causes
    same = wet_after(2.0, 2.0, oil=1.3)
    assert "worn or stuck rings" in same.causes
    assert "adapter" not in same.text
