"""Whether the top end has to come off, what comes before that, and how it is said."""

from collections.abc import Sequence
from typing import Final

from gaugelink.engine.fleet import EngineRecord
from gaugelink.verdict.band import ALL_LOW_CAUSES, ASSUMED_AIR, REDUCED_AIR
from gaugelink.verdict.findings import Finding, RuleName, Severity, TopEnd, VerdictWord, gathered

_OF_ALL: Final = frozenset((ASSUMED_AIR, REDUCED_AIR, *ALL_LOW_CAUSES[:-1]))
"""Causes of a low reading that all cylinders of an engine share, wear left out."""
_TELLING: Final = {RuleName.LEAK_DOWN: "leak-down", RuleName.WET_DRY: "wet"}
"""Rules whose tests tell the causes of a low cylinder apart."""


_FROM_OUTSIDE: Final = frozenset((RuleName.BAND, RuleName.EXPECTED, RuleName.LEAK_DOWN, RuleName.WET_DRY))
"""Rules that hold a reading against something else than the test's other readings."""

_ALONE: Final = (
    " They were held against each other alone, without a maker's range or the engine's dimensions: "
    "what all cylinders lose alike does not show."
)
_ONE_ALONE: Final = (
    "One reading alone cannot say whether the top end has to come off: there is no other cylinder, no maker's range "
    "and no dimensions of the engine to hold it against. A leak-down test tells."
)
_READ_AGAIN: Final = "The readings cannot say whether the top end has to come off: read again first."


def top_end_of(word: VerdictWord, findings: Sequence[Finding]) -> TopEnd:
    """Whether the top end has to come off, as far as the findings tell."""
    if word is VerdictWord.RETEST:
        return TopEnd.UNKNOWN
    if word is not VerdictWord.INVESTIGATE:
        return TopEnd.UNKNOWN if _untold_by_oil(findings) or _held_against_nothing(findings) else TopEnd.LEAVE
    return TopEnd.LIKELY if _by_two_tests(findings) else TopEnd.TEST_FIRST


def _untold_by_oil(findings: Sequence[Finding]) -> tuple[str, ...]:
    """Cylinders that were low dry, and of which the wet test cannot tell why."""
    return gathered(
        f.cylinders for f in findings if f.rule is RuleName.WET_DRY and f.severity is Severity.WATCH and not f.causes
    )


def _held_against_nothing(findings: Sequence[Finding]) -> bool:
    """Whether there is one reading and neither another cylinder, range nor dimensions to tell it is low by."""
    comparing = {*_FROM_OUTSIDE, RuleName.SPREAD, RuleName.TREND, RuleName.HIGH_READING}
    # A wet test that no dry one is held against has no rise.
    return not any(
        f.rule in comparing and (f.rule is not RuleName.WET_DRY or "rise_kpa" in f.numbers) for f in findings
    )


def _by_two_tests(findings: Sequence[Finding]) -> tuple[str, ...]:
    """Cylinders that two tests are against.

    A wet test that asks already stands on a low dry reading. A leak-down test needs a low reading beside it; where all
    cylinders are low, which most often is no fault of any, all of them have to leak.
    """
    asking = [f for f in findings if f.severity is Severity.INVESTIGATE and f.firm]
    leaks = [f for f in asking if f.rule is RuleName.LEAK_DOWN]
    leaking = {name for f in leaks for name in f.cylinders}
    low = {
        name
        for f in asking
        if f.rule not in _TELLING and (not _is_of_all(f) or leaking.issuperset(f.cylinders))
        for name in f.against
    }
    agreeing = [tuple(name for name in f.cylinders if name in low) for f in leaks]
    return gathered([*(f.cylinders for f in asking if f.rule is RuleName.WET_DRY), *agreeing])


def _is_of_all(finding: Finding) -> bool:
    """Whether a finding is against the engine as a whole: all cylinders, or the only one, below the maker's range."""
    return finding.rule is RuleName.BAND and bool(_OF_ALL.intersection(finding.causes))


def _is_high(finding: Finding) -> bool:
    """Whether a finding is of a pressure that is too high, which is no leak that running makes worse."""
    above = finding.numbers.get("reading_kpa", 0.0) > finding.numbers.get("expected_kpa", 0.0)
    return finding.rule is RuleName.HIGH_READING or (finding.rule is RuleName.EXPECTED and above)


def top_end_finding(top_end: TopEnd, findings: Sequence[Finding], engine: EngineRecord) -> Finding:
    """What to say of the top end, beside the other findings of a test."""
    asking = [f for f in findings if f.severity is Severity.INVESTIGATE]
    of_one = [f for f in asking if not _is_of_all(f)] or asking
    cylinders = _by_two_tests(findings) if top_end is TopEnd.LIKELY else gathered(f.against for f in of_one)
    told = [f for f in asking if f.rule in (RuleName.WET_DRY, RuleName.LEAK_DOWN) and set(f.cylinders) & set(cylinders)]
    causes = gathered(f.causes for f in told)
    watching = [f for f in findings if f.severity is Severity.WATCH and f.rule is not RuleName.CRANKING_UNEVEN]
    watched = gathered(f.against for f in watching if not _is_high(f))
    leave = "Nothing in these readings asks for the top end to come off"
    again = (
        f"read {', '.join(watched)} again after a few hours of running, and do a leak-down test if it has fallen"
        if watched
        else "read again before the season is over"
    )
    alone = "" if any(f.rule in _FROM_OUTSIDE for f in findings) else _ALONE
    text = {
        TopEnd.UNKNOWN: _unknown(findings),
        TopEnd.LEAVE: (f"{leave} yet: {again}." if watching else f"{leave}.") + alone,
        TopEnd.TEST_FIRST: _test_first(asking, findings, cylinders, engine),
        TopEnd.LIKELY: _likely(told, cylinders),
    }[top_end]
    return Finding(
        RuleName.TOP_END,
        Severity.NOTE,
        text,
        cylinders=cylinders,
        causes=causes,
        source="from the findings of this test; the engine maker's manual goes first",
    )


def _unknown(findings: Sequence[Finding]) -> str:
    """Why the readings cannot say whether the top end has to come off."""
    untold = _untold_by_oil(findings)
    if any(f.severity is Severity.RETEST for f in findings):
        return _READ_AGAIN
    if untold:
        return (
            f"The wet test does not tell why {', '.join(untold)} was low: what the dry one says of the top end stands."
        )
    return _ONE_ALONE if _held_against_nothing(findings) else _READ_AGAIN


def _on(cylinders: Sequence[str]) -> str:
    return f" on {', '.join(cylinders)}" if cylinders else ""


def _test_first(
    asking: Sequence[Finding], findings: Sequence[Finding], cylinders: Sequence[str], engine: EngineRecord
) -> str:
    """What comes before the top end: what all cylinders share, else the tests that were not done yet."""
    if asking and all(_is_of_all(f) for f in asking):
        shared = ", ".join(cause for cause in asking[0].causes if cause in _OF_ALL)
        return (
            f"Before the top end look to what makes an engine read low as a whole: {shared}. Then read again; "
            "even wear looks the same, and a leak-down test tells it."
        )
    done = {rule for f in findings if (rule := f.rule) in _TELLING and set(f.cylinders) & set(cylinders)}
    left = " or ".join(name for rule, name in _TELLING.items() if rule not in done)
    test = f"a {left} test" if left else ""
    if engine.cycle == 2:
        first = " and ".join(["a look through the exhaust port", *([test] if test else [])])
        reason = "rings, piston and cylinder from a leak at the head. Do not run it hard before"
    else:
        first = test or "a look through the plug hole"
        reason = "rings and piston from gasket and valves"
    verb = "come first: they tell" if " and " in first else "comes first: it tells"
    return f"The top end may have to come off{_on(cylinders)}, but {first} {verb} {reason}."


def _likely(told: Sequence[Finding], cylinders: Sequence[str]) -> str:
    """That two tests agree, and on what: a cause is named where all of them put it first."""
    by_cylinder = [{f.causes[0] for f in told if f.causes and name in f.cylinders} for name in cylinders]
    firsts = set[str]().union(*by_cylinder)
    why = f", for {min(firsts)} first of all" if len(firsts) == 1 else ""
    closing = "; of the cause they do not" if any(len(causes) > 1 for causes in by_cylinder) else ""
    return (
        f"The top end likely has to come off{_on(cylinders)}{why}. Two tests agree{closing}, which is not certainty; "
        "the maker's manual decides."
    )
