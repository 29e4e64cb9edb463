"""What the machine's earlier tests add to the verdict on its last one: a cylinder that wears."""

from gaugelink.engine.fleet import EngineRecord
from gaugelink.verdict.case import low_causes, lowest_percent, telling_tests
from gaugelink.verdict.findings import Finding, RuleName, Rules, Severity
from gaugelink.verdict.history import MachineHistory, Trend


def trend_findings(history: MachineHistory, engine: EngineRecord, rules: Rules | None = None) -> list[Finding]:
    """Cylinders that fall against the others by more than chance, and when they reach the limit if that goes on.

    `history` ends with the test that is judged. One that is there within a season, or within 100 hours, 1,000 km or
    miles by the counter, asks for a look now. A single cylinder has no others: it is watched.
    """
    limit = lowest_percent(engine, Rules() if rules is None else rules)
    return [_of(trend, history.unit, engine, limit) for trend in history.trends if trend.is_wearing]


def _of(trend: Trend, unit: str, engine: EngineRecord, limit: float) -> Finding:
    rate, left = trend.judged, trend.units_left(limit)
    numbers = {
        "percent_each": rate.value,
        "percent_each_u": rate.expanded_u,
        "limit_percent": limit,
    }
    if left is None or trend.below_others_percent is None:
        compared, then = "", "by itself: the gauge and the days are in it, and the maker's range says how far it may go"
    else:
        compared, then = " against the others", _then(left, trend.below_others_percent, unit, 100.0 - limit)
        numbers["below_others_percent"] = trend.below_others_percent
    return Finding(
        RuleName.TREND,
        Severity.INVESTIGATE if left is not None and left <= 1.0 else Severity.WATCH,
        f"{trend.cylinder} loses {-rate.value:.1f} ± {rate.expanded_u:.1f} % each {unit}{compared}, "
        f"over {trend.tests} tests, {then}.",
        numbers=numbers,
        cylinders=(trend.cylinder,),
        causes=low_causes(engine.cycle),
        next_tests=telling_tests(engine.cycle)[1:],
        source="robust fit of the machine's tests; a fall by more than chance over all its cylinders, coverage 95 %",
    )


def _then(left: float, below: float, unit: str, room: float) -> str:
    """How far a cylinder is from the limit, and when it is there."""
    if left <= 0.0:
        return f"and is {below:.0f} % below them now, past the limit of {room:g} %"
    if left <= 1.0:
        return f"and is {room:g} % below them, the limit, within one {unit} if that goes on"
    units = "seasons" if unit == "season" else f"times {unit}"
    return f"and reaches the limit, {room:g} % below them, in about {left:.1f} {units} if that goes on"
