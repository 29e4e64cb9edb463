"""From the readings of a test to findings, one word, and what to do next."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from gaugelink.bench.repeats import COVERAGE_FACTOR
from gaugelink.engine.air import ambient_factor
from gaugelink.engine.fleet import EngineRecord
from gaugelink.engine.units import PressureUnit
from gaugelink.verdict.absolute import absolute_findings, expected_here, too_high
from gaugelink.verdict.band import band_here
from gaugelink.verdict.case import Case, lay_out
from gaugelink.verdict.compare import comparison_findings
from gaugelink.verdict.difference import ReadingValue
from gaugelink.verdict.done import without_done
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
    gathered,
    verdict_word,
)
from gaugelink.verdict.leakdown import LeakDownValue, leak_findings
from gaugelink.verdict.quality import quality_findings
from gaugelink.verdict.top_end import top_end_finding, top_end_of
from gaugelink.verdict.wet import unheld_finding, wet_findings

_ORDER = (Severity.INVESTIGATE, Severity.RETEST, Severity.WATCH, Severity.NOTE)

DOES_NOT_PROVE = (
    "A cranking pressure does not prove that a part is good or bad; it says where to look next.",
    "Even readings do not exclude even wear, and they say nothing of bearings, seals, cooling or oiling.",
    "A two-stroke can read well and still leak at the crankcase; that needs a pressure and vacuum test.",
    "The uncertainties cover gauge, sampling and cranking scatter; not a loose adapter or a closed throttle.",
)
CAUTIONS = (
    "Ignition off and grounded, fuel shut off, before cranking; the engine can start or kick.",
    "Wear eye protection; keep hands, hair and clothes away from belts, fans and clutches; park the machine so that it "
    "cannot move.",
    "Fuel vapour comes out of open plug holes: no sparks, no flames, and air the shop.",
    "Air pressure turns the crank with force: before a leak-down test lock it as the maker's manual says, and never go "
    "above the maker's pressure.",
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
    case = replace(case, too_high=too_high(case))
    findings = quality_findings(case)
    if case.readings:
        findings += [*comparison_findings(case), *absolute_findings(case)]
    if dry is not None:
        dry_case = lay_out(engine, dry, dry_conditions or conditions, limits, unit)
        findings += wet_findings(case, dry_case)
    elif conditions.wet and case.readings:
        findings.append(unheld_finding(case))
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
        spread_is_real=None if gap is None else gap.is_real and not case.at_least(case.lowest),
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
    findings = without_done(findings)
    word = verdict_word(findings)
    top_end = top_end_of(word, findings)
    everything = sorted([*findings, top_end_finding(top_end, findings, engine)], key=_rank)
    asking = [finding for finding in everything if finding.severity is not Severity.NOTE]
    return _Concluded(
        word,
        tuple(everything),
        top_end,
        _summary(word, everything),
        gathered(finding.causes for finding in asking if finding.asks is finding.severity),
        gathered(finding.next_tests for finding in asking),
    )


def _rank(finding: Finding) -> tuple[int, bool]:
    return _ORDER.index(finding.asks), finding.asks is not finding.severity


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


def _summary(word: VerdictWord, findings: Sequence[Finding]) -> str:
    shown = next(f for f in findings if f.rule is RuleName.TOP_END)
    if word is VerdictWord.RETEST:
        return " ".join([*(f.text for f in findings if f.severity is Severity.RETEST)][:2] or [shown.text])
    lead = next((f for f in findings if f.severity is not Severity.NOTE), None)
    if lead is None:
        lead = next((f for f in findings if f.rule is RuleName.SPREAD), shown)
    return lead.text if lead is shown else f"{lead.text} {shown.text}"
