"""Which of the tests that findings ask for were done already."""

from collections.abc import Sequence
from dataclasses import replace

from gaugelink.verdict.findings import Finding, RuleName

_BEGINS = {RuleName.LEAK_DOWN: "leak-down test", RuleName.WET_DRY: "wet test"}
"""How what is asked for begins, by the rule that tells of it once it was done."""


def without_done(findings: Sequence[Finding]) -> list[Finding]:
    """The findings, less the leak-down and wet tests that they ask for of cylinders that had them."""
    done = {
        begins: {name for f in findings if f.rule is rule and _tells(f) for name in f.cylinders}
        for rule, begins in _BEGINS.items()
    }
    return [
        replace(
            finding,
            next_tests=tuple(
                test
                for test in finding.next_tests
                if not any(
                    test.startswith(begins) and finding.against and names.issuperset(finding.against)
                    for begins, names in done.items()
                )
            ),
        )
        for finding in findings
    ]


def _tells(finding: Finding) -> bool:
    """Whether the test that a finding is of was one: a wet test that no dry one is held against has told nothing."""
    return finding.rule is not RuleName.WET_DRY or "rise_kpa" in finding.numbers
