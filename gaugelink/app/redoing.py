"""Which cylinder is measured again where none is named: the screen says it, and the key does it."""

from gaugelink.bench.asking_twice import measured_again
from gaugelink.bench.reading import Phase, TestState
from gaugelink.verdict.findings import RuleName, Severity, TestVerdict, VerdictWord

_NO_PULL = frozenset({RuleName.INCOMPLETE, RuleName.WET_DRY})
"""What asks for a reading that is not there, or for another test."""


def asked_again(state: TestState, verdict: TestVerdict | None) -> list[str]:
    """Cylinders that a verdict asks to be read again, in the test's order."""
    if verdict is None or verdict.word is not VerdictWord.RETEST:
        return []
    asking = [one for one in verdict.findings if one.severity is Severity.RETEST and one.rule not in _NO_PULL]
    return [name for name in state.plan.cylinders if any(name in one.cylinders for one in asking)]


def redone(state: TestState, verdict: TestVerdict | None) -> str | None:
    """Of a test that is done one that its verdict asks for; else the one under way, or the last one that was read."""
    by_rule = measured_again(state.current, state.readings)
    asked = asked_again(state, verdict) if state.phase is Phase.DONE else []
    return asked[0] if asked and by_rule not in asked else by_rule
