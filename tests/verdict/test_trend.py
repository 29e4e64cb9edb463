"""What the seasons add to a test's verdict."""

import pytest

from gaugelink.verdict.findings import RuleName, Severity, TopEnd, VerdictWord
from gaugelink.verdict.history import read_history
from gaugelink.verdict.judge import with_more
from gaugelink.verdict.trend import trend_findings
from tests.verdict.shop import TRIPLE, judge, only, readings
from tests.verdict.test_history import past

SEASONS = (0.0, 0.3, 1.0, 1.3, 2.0, 2.3)


@pytest.mark.parametrize(
    ("share_each", "severity", "said"),
    [
        (0.98, Severity.WATCH, " seasons if that goes on"),
        (0.963, Severity.INVESTIGATE, "within one season if that goes on"),
        (0.94, Severity.INVESTIGATE, "now, past the limit of 10 %"),
    ],
)
def test_a_cylinder_that_wears_is_told_with_what_it_has_left(share_each: float, severity: Severity, said: str) -> None:
    history = read_history([past(s, 930.0, 930.0 * share_each**s, 930.0) for s in SEASONS])
    (finding,) = trend_findings(history, TRIPLE)
    assert (finding.rule, finding.severity, finding.cylinders) == (RuleName.TREND, severity, ("middle",))
    assert said in finding.text
    assert finding.numbers["percent_each"] == pytest.approx(100.0 * (share_each - 1.0), abs=0.3)


def test_a_machine_that_does_not_wear_adds_nothing() -> None:
    history = read_history([past(s, 930.0, 925.0, 930.0) for s in SEASONS])
    verdict = judge(readings(TRIPLE, 140.0, 139.0, 140.0))
    assert trend_findings(history, TRIPLE) == []
    assert with_more(verdict, [], TRIPLE) is verdict


def test_a_fast_fall_asks_for_a_look_where_the_test_by_itself_only_watches() -> None:
    alone = judge(readings(TRIPLE, 143.0, 132.6, 143.0))
    assert alone.word is VerdictWord.WATCH
    assert "read middle again after a few hours of running" in alone.summary
    history = read_history([past(s, 930.0, 930.0 * 0.963**s, 930.0) for s in SEASONS])
    verdict = with_more(alone, trend_findings(history, TRIPLE), TRIPLE)
    assert verdict.word is VerdictWord.INVESTIGATE
    assert verdict.top_end is TopEnd.TEST_FIRST
    assert "middle loses 3.7" in verdict.summary
    assert "a look through the exhaust port" in verdict.summary
    assert verdict.causes[0] == "worn or stuck rings"
    assert any(test.startswith("leak-down test") for test in verdict.next_tests)
    assert [finding.rule for finding in verdict.findings].count(RuleName.TOP_END) == 1
    assert verdict.readings == alone.readings


def test_a_cylinder_just_under_the_range_is_not_told_to_be_in_it() -> None:
    found = only(judge(readings(TRIPLE, 129.4, 133.0, 134.0)), RuleName.BAND)
    assert found.severity is Severity.NOTE
    assert found.cylinders == ("PTO",)
    assert "PTO is under the maker's range of 130" in found.text
    assert "less than the readings can tell; the lowest is 129" in found.text
    assert "No cylinder is below" in only(judge(readings(TRIPLE, 131.0, 133.0, 134.0)), RuleName.BAND).text
