"""How pulls that agree, or do not, are judged and told."""

import re
from dataclasses import replace

import pytest

from gaugelink.bench.repeats import Repeat
from gaugelink.verdict.difference import PullValue
from gaugelink.verdict.findings import RuleName, Severity, VerdictWord
from tests.verdict.shop import PSI, TRIPLE, judge, only, reading, readings


def test_repeats_far_apart_are_not_one_reading() -> None:
    items = [reading("PTO", 135.0, repeats_psi=(125.0, 145.0)), reading("middle", 134.0), reading("MAG", 134.0)]
    verdict = judge(items)
    assert verdict.word is VerdictWord.RETEST
    assert only(verdict, RuleName.REPEATABILITY).severity is Severity.RETEST


def test_repeats_apart_by_less_than_their_uncertainty_are_one_reading() -> None:
    # JCGM 100:2008, 5.1.2: two pulls of 2.4 psi each differ with 3.4 psi; 4.7 psi is well within twice that.
    wide = replace(reading("PTO", 135.0, repeats_psi=(132.6, 137.3)), u_random_kpa=PSI.to_kpa(2.4) / 2**0.5)
    sharp = reading("PTO", 135.0, repeats_psi=(132.6, 137.3))
    others = [reading("middle", 134.0), reading("MAG", 134.0)]
    assert only(judge([wide, *others]), RuleName.REPEATABILITY).severity is Severity.NOTE
    assert only(judge([sharp, *others]), RuleName.REPEATABILITY).severity is Severity.RETEST


@pytest.mark.parametrize(
    ("pulls", "said"),
    [
        (((146.0, 5.9), (137.0, 1.6)), "too uncertain to confirm each other"),
        (((146.0, 0.5), (126.0, 0.5)), "they are not one reading"),
        (((146.0, 0.5), (126.0, 5.9), (130.0, 0.5)), "1 of them too uncertain to count"),
    ],
)
def test_what_the_bench_did_not_agree_is_to_be_read_again_and_says_why(
    pulls: tuple[tuple[float, float], ...], said: str
) -> None:
    values = tuple(PullValue(Repeat(PSI.to_kpa(psi), PSI.to_kpa(u_psi)), counted=False) for psi, u_psi in pulls)
    mag = replace(reading("MAG", 137.0), pulls=values, agreed=False)
    verdict = judge([reading("PTO", 135.0), reading("middle", 134.0), mag])
    assert verdict.word is VerdictWord.RETEST
    finding = only(verdict, RuleName.REPEATABILITY)
    assert finding.cylinders == ("MAG",)
    assert said in finding.text
    for psi, _ in pulls:
        assert f"{psi:.0f} psi" in finding.text


def test_pulls_that_stopped_short_of_the_top_are_no_sign_of_a_loose_gauge_first() -> None:
    pulls = tuple(
        PullValue(Repeat(PSI.to_kpa(psi), PSI.to_kpa(0.5)), counted=False, whole=whole)
        for psi, whole in ((144.0, False), (143.0, False), (143.0, True), (139.0, True))
    )
    mag = replace(reading("MAG", 143.0), pulls=pulls, agreed=False)
    finding = only(judge([reading("PTO", 145.0), reading("middle", 143.0), mag]), RuleName.REPEATABILITY)
    assert finding.text.endswith("they are not one reading, and 2 of them stopped short of the top.")
    assert finding.causes[0] == "cranking stopped too early"
    assert finding.next_tests[0].endswith("and crank longer")


def test_the_spread_is_told_with_the_digits_of_its_uncertainty() -> None:
    text = only(judge(readings(TRIPLE, 138.4, 132.0, 138.0)), RuleName.SPREAD).text
    spread, u = re.findall(r"([\d.]+) psi", text)
    assert (len(spread.partition(".")[2]), len(u.partition(".")[2])) == (1, 1)
    assert float(spread) == pytest.approx(6.4)


def test_repeats_are_told_apart_with_a_digit_more_than_the_repeats_themselves() -> None:
    verdict = judge(
        [reading("PTO", 137.0, repeats_psi=(137.7, 136.3)), reading("middle", 134.0), reading("MAG", 134.0)]
    )
    assert "agree within 1.4 psi, 1.0 %" in only(verdict, RuleName.REPEATABILITY).text


@pytest.mark.parametrize(
    ("psi", "u_psi", "whole", "said"),
    [
        (121.0, 0.5, True, "121 psi (16.0 psi below the reading)"),
        (146.0, 5.9, True, "146 psi (too uncertain to count)"),
        (136.0, 0.5, False, "136 psi (it stopped short of the top)"),
        (133.5, 0.5, True, "134 psi (3.5 psi below the reading)"),
        (146.0, 0.5, True, "146 psi (9.0 psi above the reading)"),
    ],
)
def test_a_pull_that_was_left_out_of_an_agreed_cylinder_is_told_with_its_reason(
    psi: float, u_psi: float, whole: bool, said: str
) -> None:
    """One may agree with the mean of those that agree, and not with the highest of them."""
    left = PullValue(Repeat(PSI.to_kpa(psi), PSI.to_kpa(u_psi)), counted=False, whole=whole)
    behind = PullValue(Repeat(PSI.to_kpa(137.0), PSI.to_kpa(0.5)))
    pulls = (behind, left, behind)
    mag = replace(reading("MAG", 137.0, repeats_psi=(137.0, 137.0)), pulls=pulls, agreed=True)
    verdict = judge([reading("PTO", 135.0), reading("middle", 134.0), mag])
    told = [finding.text for finding in verdict.findings if finding.text.startswith("Left out")]
    assert told == [f"Left out of MAG: {said}."]
    assert verdict.word is VerdictWord.CONSISTENT


def test_a_cylinder_that_is_not_agreed_is_to_be_read_again_even_where_its_pulls_are_not_known() -> None:
    verdict = judge([reading("PTO", 135.0), reading("middle", 134.0), replace(reading("MAG", 137.0), agreed=False)])
    assert verdict.word is VerdictWord.RETEST
    assert "137 psi" in only(verdict, RuleName.REPEATABILITY).text


def test_what_the_bench_agreed_the_verdict_does_not_call_apart() -> None:
    pulls = tuple(PullValue(Repeat(PSI.to_kpa(psi), PSI.to_kpa(2.0))) for psi in (138.0, 132.0))
    agreed = replace(reading("MAG", 135.0, repeats_psi=(138.0, 132.0)), pulls=pulls, agreed=True)
    verdict = judge([reading("PTO", 135.0), reading("middle", 134.0), agreed])
    assert verdict.word is VerdictWord.CONSISTENT
    assert only(verdict, RuleName.REPEATABILITY).severity is Severity.NOTE


@pytest.mark.parametrize(
    ("pulls", "closing"),
    [
        (((146.0, 0.5, True), (126.0, 0.5, True)), "they are not one reading."),
        (((146.0, 5.9, True), (126.0, 0.5, True)), "they are not one reading, and 1 of them too uncertain to count."),
        (((138.0, 0.5, False), (137.0, 0.5, True)), "too few of them reached the top."),
        (((138.0, 5.9, True), (137.0, 0.5, True)), "they are too uncertain to confirm each other."),
    ],
)
def test_why_pulls_are_no_reading_is_told_without_what_they_are_not(
    pulls: tuple[tuple[float, float, bool], ...], closing: str
) -> None:
    values = tuple(
        PullValue(Repeat(PSI.to_kpa(psi), PSI.to_kpa(u_psi)), counted=False, whole=whole) for psi, u_psi, whole in pulls
    )
    mag = replace(reading("MAG", 137.0), pulls=values, agreed=False)
    found = only(judge([reading("PTO", 135.0), reading("middle", 134.0), mag]), RuleName.REPEATABILITY)
    listed = ", ".join(f"{psi:.0f} psi" for psi, _, _ in pulls)
    assert found.text == f"MAG is not agreed. Its pulls read {listed}: {closing}"
    most, least = (pick(psi for psi, _, _ in pulls) for pick in (max, min))
    assert found.numbers["apart_kpa"] == pytest.approx(PSI.to_kpa(most - least))
    assert found.numbers["apart_percent"] == pytest.approx(100.0 * (most - least) / most)
    short = not all(whole for _, _, whole in pulls)
    assert ("cranking stopped too early" in found.causes) is short
    assert found.next_tests[0].endswith("and crank longer") is short
    assert ("cranking too short or uneven for this gauge" in found.causes) is any(u > 5.0 for _, u, _ in pulls)
    assert "gauge not tight in the plug hole" in found.causes
