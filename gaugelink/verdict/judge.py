"""From the readings of a test to findings, one word, and what to do next."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from gaugelink.bench.repeats import COVERAGE_FACTOR
from gaugelink.engine.air import ambient_factor
from gaugelink.engine.fleet import EngineRecord
from gaugelink.engine.units import PressureUnit
from gaugelink.verdict.absolute import absolute_findings, band_here, expected_here
from gaugelink.verdict.case import Case, lay_out
from gaugelink.verdict.compare import comparison_findings
from gaugelink.verdict.difference import ReadingValue
from gaugelink.verdict.findings import (
    Conditions,
    Finding,
    JudgedReading,
    RuleName,
    Rules,
    Severity,
    TestVerdict,
    TopEnd,
    VerdictWord,
    verdict_word,
)
from gaugelink.verdict.leakdown import LeakDownValue, leak_findings
from gaugelink.verdict.quality import quality_findings
from gaugelink.verdict.wet import wet_findings

_ORDER = (Severity.INVESTIGATE, Severity.RETEST, Severity.WATCH, Severity.NOTE)

DOES_NOT_PROVE = (
    "A cranking pressure does not prove that a part is good or bad; it says where to look next.",
    "Even readings do not exclude even wear, and they say nothing of bearings, seals, cooling or oiling.",
    "A two-stroke can read well and still leak at the crankcase; that needs a pressure and vacuum test.",
    "The uncertainties cover gauge, sampling and cranking scatter; not a loose adapter or a closed throttle.",
)
CAUTIONS = (
    "Ignition off and grounded, fuel shut off, before cranking; the engine can start or kick.",
    "Keep hands, hair and clothes away from belts, fans and clutches; park the machine so that it cannot move.",
    "Fuel vapour comes out of open plug holes: no sparks, no flames, and air the shop.",
    "The engine maker's manual, local codes and licensed practice go before anything written here.",
)


def judge_test(
    engine: EngineRecord,
    readings: Sequence[ReadingValue],
    conditions: Conditions,
    rules: Rules | None = None,
    dry: Sequence[ReadingValue] | None = None,
    *,
    dry_conditions: Conditions | None = None,
    leak_down: Sequence[LeakDownValue] = (),
    unit: PressureUnit = PressureUnit.KPA,
) -> TestVerdict:
    """Judge one test.

    `readings` has at most one for each cylinder; order does not matter. `dry` is the dry test that a wet one is held
    against, under `dry_conditions` (the wet test's without the oil when they are not given). `leak_down` are results
    of a differential leak-down test of the same engine. `unit` is what the sentences are written in.

    Raises SettingsError for a cylinder that the engine does not have or that is there twice.
    """
    limits = Rules() if rules is None else rules
    case = lay_out(engine, readings, conditions, limits, unit)
    findings = quality_findings(case)
    if case.readings:
        findings += [*comparison_findings(case), *absolute_findings(case)]
    if dry is not None:
        dry_case = lay_out(engine, dry, dry_conditions or conditions, limits, unit)
        findings += wet_findings(case, dry_case)
    findings += leak_findings(case, leak_down)
    concluded = _concluded(findings, engine)
    complete = len(case.readings) == len(engine.cylinders)
    compared = len(case.readings) >= 2
    gap = case.apart(case.highest, case.lowest) if compared else None
    return TestVerdict(
        word=concluded.word,
        findings=concluded.findings,
        readings=tuple(_judged(case, reading) for reading in case.readings.values()),
        complete=complete,
        spread_kpa=None if gap is None else gap.kpa,
        spread_u_kpa=None if gap is None else gap.u_kpa,
        spread_percent=100.0 * gap.kpa / case.highest.peak_kpa if gap and case.highest.peak_kpa > 0 else None,
        spread_is_real=None if gap is None else gap.is_real,
        band=None if conditions.wet else band_here(case),
        expected_kpa={name: (estimate.kpa, estimate.u_kpa) for name, estimate in expected_here(case).items()},
        conditions=conditions,
        top_end=concluded.top_end,
        summary=concluded.summary,
        causes=concluded.causes,
        next_tests=concluded.next_tests,
    )


def with_more(verdict: TestVerdict, more: Sequence[Finding], engine: EngineRecord) -> TestVerdict:
    """A verdict with further findings, concluded anew: what the machine's record adds to a test by itself."""
    if not more:
        return verdict
    findings = [finding for finding in verdict.findings if finding.rule is not RuleName.TOP_END]
    concluded = _concluded([*findings, *more], engine)
    return replace(
        verdict,
        word=concluded.word,
        findings=concluded.findings,
        top_end=concluded.top_end,
        summary=concluded.summary,
        causes=concluded.causes,
        next_tests=concluded.next_tests,
    )


@dataclass(frozen=True, slots=True)
class _Concluded:
    word: VerdictWord
    findings: tuple[Finding, ...]
    top_end: TopEnd
    summary: str
    causes: tuple[str, ...]
    next_tests: tuple[str, ...]


def _concluded(findings: Sequence[Finding], engine: EngineRecord) -> _Concluded:
    word = verdict_word(findings)
    top_end = _top_end(word, findings)
    everything = sorted([*findings, _top_end_finding(top_end, findings, engine)], key=_rank)
    asking = [finding for finding in everything if finding.severity is not Severity.NOTE]
    return _Concluded(
        word,
        tuple(everything),
        top_end,
        _summary(word, everything),
        _gathered(finding.causes for finding in asking),
        _gathered(finding.next_tests for finding in asking),
    )


def _rank(finding: Finding) -> tuple[int, bool]:
    doubtful = finding.severity is Severity.INVESTIGATE and not finding.firm
    return _ORDER.index(Severity.RETEST if doubtful else finding.severity), doubtful


def _judged(case: Case, reading: ReadingValue) -> JudgedReading:
    to_sea_level = 1.0 / ambient_factor(case.conditions.ambient_abs_kpa, method=case.rules.altitude_method)
    u_kpa = case.expanded_u_kpa(reading)
    ambient = COVERAGE_FACTOR * case.conditions.ambient_u_kpa / case.conditions.ambient_abs_kpa * reading.peak_kpa
    return JudgedReading(
        cylinder=reading.cylinder,
        peak_kpa=reading.peak_kpa,
        peak_u_kpa=u_kpa,
        sea_level_kpa=reading.peak_kpa * to_sea_level,
        sea_level_u_kpa=to_sea_level * (u_kpa**2 + ambient**2) ** 0.5,
        u_random_kpa=case.u_alone_kpa(reading),
        percent_of_highest=100.0 * reading.peak_kpa / case.highest.peak_kpa if case.highest.peak_kpa > 0 else 0.0,
        flags=reading.flags,
        event_ids=reading.event_ids,
        repeats=reading.repeats,
        cranking_rpm=reading.cranking_rpm,
        first_stroke_kpa=reading.first_stroke_kpa,
        gauge=reading.gauge,
        pulls=reading.pulls,
    )


def _top_end(word: VerdictWord, findings: Sequence[Finding]) -> TopEnd:
    if word is VerdictWord.RETEST:
        return TopEnd.UNKNOWN
    if word is not VerdictWord.INVESTIGATE:
        return TopEnd.LEAVE
    asking = [f for f in findings if f.severity is Severity.INVESTIGATE and f.firm]
    # A wet test that asks already stands on a low dry reading; a leak-down test needs a low reading beside it.
    if any(f.rule is RuleName.WET_DRY for f in asking):
        return TopEnd.LIKELY
    leaking = {name for f in asking if f.rule is RuleName.LEAK_DOWN for name in f.cylinders}
    low = {name for f in asking if f.rule is not RuleName.LEAK_DOWN for name in f.against}
    return TopEnd.LIKELY if leaking & low else TopEnd.TEST_FIRST


def _top_end_finding(top_end: TopEnd, findings: Sequence[Finding], engine: EngineRecord) -> Finding:
    asking = [f for f in findings if f.severity is Severity.INVESTIGATE]
    cylinders = _gathered(f.against for f in asking)
    where = f" on {', '.join(cylinders)}" if cylinders else ""
    causes = _gathered(f.causes for f in asking if f.rule in (RuleName.WET_DRY, RuleName.LEAK_DOWN))
    watched = _gathered(f.against for f in findings if f.severity is Severity.WATCH)
    leave = "Nothing in these readings asks for the top end to come off"
    again = (
        f"read {', '.join(watched)} again after a few hours of running, and do a leak-down test if it has fallen"
        if watched
        else "read again before the season is over"
    )
    told = (
        "a look through the exhaust port and a leak-down or wet test come first: they tell rings, piston and cylinder "
        "from a leak at the head. Do not run it hard before"
        if engine.cycle == 2
        else "a leak-down or wet test comes first: it tells rings and piston from gasket and valves"
    )
    text = {
        TopEnd.UNKNOWN: "The readings cannot say whether the top end has to come off: read again first.",
        TopEnd.LEAVE: f"{leave} yet: {again}." if any(f.severity is Severity.WATCH for f in findings) else f"{leave}.",
        TopEnd.TEST_FIRST: f"The top end may have to come off{where}, but {told}.",
        TopEnd.LIKELY: f"The top end likely has to come off{where}"
        + (f", for {causes[0]} first of all" if causes else "")
        + ". Two tests agree, which is not certainty; the maker's manual decides.",
    }[top_end]
    return Finding(
        RuleName.TOP_END,
        Severity.NOTE,
        text,
        cylinders=cylinders,
        causes=causes,
        source="from the findings of this test; the engine maker's manual goes first",
    )


def _summary(word: VerdictWord, findings: Sequence[Finding]) -> str:
    shown = next(f for f in findings if f.rule is RuleName.TOP_END)
    if word is VerdictWord.RETEST:
        return " ".join([*(f.text for f in findings if f.severity is Severity.RETEST)][:2] or [shown.text])
    lead = next((f for f in findings if f.severity is not Severity.NOTE), None)
    if lead is None:
        lead = next((f for f in findings if f.rule is RuleName.SPREAD), shown)
    return lead.text if lead is shown else f"{lead.text} {shown.text}"


def _gathered(groups: Iterable[tuple[str, ...]]) -> tuple[str, ...]:
    """All items once, those that stand early in many groups first."""
    rank: dict[str, float] = {}
    for group in groups:
        for place, item in enumerate(group):
            rank[item] = rank.get(item, 0.0) + 1.0 / (1.0 + place)
    return tuple(sorted(rank, key=lambda item: -rank[item]))
