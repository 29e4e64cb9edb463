"""What the machine's earlier tests add to the verdict on its last one: a cylinder that wears."""

from gaugelink.engine.fleet import EngineRecord
from gaugelink.verdict.case import low_causes, lowest_percent, telling_tests
from gaugelink.verdict.findings import Finding, RuleName, Rules, Severity
from gaugelink.verdict.history import MachineHistory, Trend

COVERAGE_FACTOR = 2.0
"""JCGM 100:2008, 6.2.1: coverage about 95 %."""


def trend_findings(history: MachineHistory, engine: EngineRecord) -> list[Finding]:
    """Cylinders that fall against the others by more than chance, and when they reach the limit if that goes on.

    `history` ends with the test that is judged. One that is there within a season, or within 100 hours, 1,000 km or
    miles by the counter, asks for a look now.
    """
    return [_of(trend, history.unit, engine) for trend in history.trends if trend.is_wearing]


def _of(trend: Trend, unit: str, engine: EngineRecord) -> Finding:
    rate = trend.percent if trend.against_others_percent is None else trend.against_others_percent
    limit = lowest_percent(engine, Rules())
    room = 100.0 - limit
    below = trend.below_others_percent or 0.0
    units_left = max(0.0, room - below) / -rate.value
    soon = units_left <= 1.0
    if below >= room:
        then = f"and is {below:.0f} % below them now, past the limit of {room:g} %"
    elif soon:
        then = f"and is {room:g} % below them, the limit, within one {unit} if that goes on"
    else:
        then = f"and has {units_left:.1f} of them to go to the limit of {room:g} % below"
    return Finding(
        RuleName.TREND,
        Severity.INVESTIGATE if soon else Severity.WATCH,
        f"{trend.cylinder} loses {-rate.value:.1f} ± {COVERAGE_FACTOR * rate.u:.1f} % each {unit} against the others, "
        f"over {trend.tests} tests, {then}.",
        numbers={
            "percent_each": rate.value,
            "percent_each_u": COVERAGE_FACTOR * rate.u,
            "below_others_percent": below,
            "limit_percent": limit,
        },
        cylinders=(trend.cylinder,),
        causes=low_causes(engine.cycle),
        next_tests=telling_tests(engine.cycle)[1:],
        source="robust fit of the machine's tests; a fall by more than chance over all its cylinders, coverage 95 %",
    )
