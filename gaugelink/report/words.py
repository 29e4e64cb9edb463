"""The report's text as data: head lines, tables and lists that page, picture and screen put down alike."""

from collections.abc import Sequence
from dataclasses import dataclass

from gaugelink.counting import counted
from gaugelink.engine.air import AltitudeMethod, AmbientSource
from gaugelink.engine.units import barometer_text
from gaugelink.localtime import day_of
from gaugelink.report.data import ReportData
from gaugelink.report.plain import flags_text, pulls_text, who
from gaugelink.verdict.adapters import OtherAdapter
from gaugelink.verdict.findings import Finding, Severity
from gaugelink.verdict.history import LEAST_TESTS, MachineHistory
from gaugelink.verdict.judge import CAUTIONS, DOES_NOT_PROVE

__all__ = [
    "CAUTIONS",
    "COLUMNS",
    "DOES_NOT_PROVE",
    "STAIRS_EXPLAINED",
    "Advice",
    "Row",
    "advice_of",
    "condition_lines",
    "finding_order",
    "history_lines",
    "reading_rows",
    "shown_columns",
]

STAIRS_EXPLAINED = (
    "Every step is a stroke of one pull; the last tread is the reading, the mean of the pulls that count. The thick "
    "bar is what tells cylinders apart, the gauge's common error left out; the thin bar is everything."
)

DOUBTED_EXPLAINED = "Hollow marks are readings that are to be taken again; no trend rests on them."

_AMBIENT_SOURCE = {
    AmbientSource.ALTITUDE: "standard atmosphere at the altitude",
    AmbientSource.BAROMETER: "barometer at the engine",
    AmbientSource.ASSUMED: "assumed, nothing was given",
}


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table of readings, as text."""

    cylinder: str
    reading: str
    """With its expanded uncertainty; ``at least`` before it where the top was not seen."""
    sea_level: str
    pulls: str
    """In the order in which they were made, those that were left out in brackets."""
    rpm: str
    flags: str

    @property
    def cells(self) -> tuple[str, ...]:
        """The cells under `COLUMNS`; the flags stand below the row."""
        return (self.cylinder, self.reading, self.sea_level, self.pulls, self.rpm)


COLUMNS = ("cylinder", "reading", "at sea level", "pulls", "rpm")


def reading_rows(data: ReportData) -> tuple[Row, ...]:
    """The table of readings, cylinders that were not read too."""
    unit = data.unit
    judged = {reading.cylinder: reading for reading in data.verdict.readings}
    rows = []
    for name in data.engine.cylinder_names:
        reading = judged.get(name)
        if reading is None:
            rows.append(Row(name, "not read", "", "", "", ""))
            continue
        least = "at least " if reading.at_least else ""
        rows.append(
            Row(
                cylinder=name,
                reading=least + " ± ".join(unit.with_doubt(reading.peak_kpa, reading.peak_u_kpa)),
                sea_level=least + unit.with_doubt(reading.sea_level_kpa, reading.sea_level_u_kpa)[0],
                pulls=pulls_text(reading, data),
                rpm=f"{reading.cranking_rpm:.0f}" if reading.cranking_rpm is not None else "",
                flags=flags_text(reading.flags),
            )
        )
    return tuple(rows)


def shown_columns(rows: Sequence[Row]) -> tuple[int, ...]:
    """Places in `COLUMNS` of the columns that have anything in them."""
    return tuple(i for i in range(len(COLUMNS)) if any(row.cells[i] for row in rows))


def condition_lines(data: ReportData) -> tuple[tuple[str, str], ...]:
    """What the test was done under: name and value."""
    conditions, engine, unit = data.verdict.conditions, data.engine, data.unit
    lines = [("engine", engine.name)]
    if data.odometer:
        lines.append(("count", data.odometer))
    if data.gauge:
        lines.append(("gauge", data.gauge))
    kind = "wet" if conditions.wet else "dry"
    if conditions.oil_ml:
        kind += f", {conditions.oil_ml:g} ml of oil in each cylinder"
    lines.append(("test", kind))
    ambient = f"{barometer_text(conditions.ambient_abs_kpa)}, {_AMBIENT_SOURCE[conditions.ambient_source]}"
    if conditions.altitude_m is not None:
        ambient += f" ({conditions.altitude_m:.0f} m)"
    lines.append(("air pressure", ambient))
    if conditions.adapter_cm3:
        lines.append(("adapter", f"adds {conditions.adapter_cm3:g} cm3 to the chamber"))
    if conditions.warm is not None:
        lines.append(("engine was", "warm" if conditions.warm else "cold"))
    band = data.verdict.band
    if band is not None:
        upper = f" to {unit.text(band.high_kpa)}" if band.high_kpa is not None else " and more"
        by = "air pressure" if band.method is AltitudeMethod.PRESSURE else "printed density table"
        lines.append(("range here", f"{unit.text(band.low_kpa)}{upper}, maker's range × {band.factor:.3f} by the {by}"))
    expected = data.verdict.expected_kpa
    if expected:
        kpa, u_kpa = next(iter(expected.values()))
        lines.append(("from dimensions", f"about {unit.doubt_text(kpa, u_kpa)}, an estimate"))
    lines += list(data.conditions)
    lines += [("note", line) for line in data.noted]
    lines += [("done by", who(data.by))] if data.by else []
    return tuple(lines)


def finding_order(data: ReportData) -> tuple[tuple[Finding, ...], tuple[Finding, ...]]:
    """Findings that ask for something, and notes."""
    asking = tuple(f for f in data.verdict.findings if f.severity is not Severity.NOTE)
    return asking, tuple(f for f in data.verdict.findings if f.severity is Severity.NOTE)


@dataclass(frozen=True, slots=True)
class Advice:
    """A finding with its causes and tests, those left out that a finding above it has told already."""

    finding: Finding
    causes: tuple[str, ...]
    next_tests: tuple[str, ...]

    @property
    def lead(self) -> str:
        """What the tests are for."""
        return "To tell them apart" if self.finding.causes else "Next"


def advice_of(findings: Sequence[Finding]) -> tuple[Advice, ...]:
    """Findings in order, each cause list and each test told once; no cause of what a reading in doubt shows."""
    causes: set[tuple[str, ...]] = set()
    tests: set[str] = set()
    advice = []
    for finding in findings:
        fresh = tuple(test for test in finding.next_tests if test not in tests)
        told = finding.causes if finding.asks is finding.severity else ()
        advice.append(Advice(finding, () if told in causes else told, fresh))
        causes.add(told)
        tests.update(finding.next_tests)
    return tuple(advice)


def history_lines(data: ReportData) -> tuple[str, ...]:
    """What the seasons say, one sentence a line."""
    if data.history is None:
        return ()
    doubted = any(reading.doubted for test in data.past for reading in test.readings)
    return (*history_sentences(data.history, len(data.past)), *((DOUBTED_EXPLAINED,) if doubted else ()))


def history_sentences(history: MachineHistory, tests: int) -> tuple[str, ...]:
    """What the history of a machine says over so many tests, one sentence a line."""
    if not history.trends:
        return ("No reading of these tests tells of wear.",) if tests else ()
    lines = []
    for trend in history.trends:
        rate = trend.judged
        if trend.is_wearing:
            against = " against the others" if trend.against_others_percent is not None else ""
            lines.append(
                f"{trend.cylinder} loses {-rate.value:.1f} ± {rate.expanded_u:.1f} % a {history.unit}"
                f"{against}, more than chance, over {trend.tests} tests."
            )
    # A single cylinder is the engine: its fall was told.
    if len(history.trends) > 1 and history.engine_is_falling and history.engine_percent is not None:
        fall = history.engine_percent
        lines.append(f"All cylinders together lose {-fall.value:.1f} ± {fall.expanded_u:.1f} % a {history.unit}.")
    for effect in history.jobs:
        who = effect.cylinder or "all cylinders it was done on, their mean"
        word = "gained" if effect.gain_percent.value >= 0 else "lost"
        real = "a real change" if effect.is_real else "no more than chance"
        lines.append(
            f"After {effect.job.job} ({day_of(effect.job.at)}) {who}: {word} {abs(effect.gain_percent.value):.1f} ± "
            f"{effect.gain_percent.expanded_u:.1f} %, {real}."
        )
    for step in history.steps:
        why = "another gauge is named there" if step.gauge_is_known_to_have_changed else "look at the gauge"
        lines.append(f"All cylinders moved {step.percent.value:+z.1f} % together before {day_of(step.at)}: {why}.")
    most = max(trend.tests for trend in history.trends)
    if most < 2:
        lines.append("A trend needs two tests since the last job.")
    elif not lines and most < LEAST_TESTS:
        lines.append("Two tests since the last job are too few to tell wear from chance: a third will tell.")
    elif not lines and tests > 1:
        lines.append(f"Over {tests} tests no cylinder goes down by more than chance.")
    return (*lines, *map(_adapter_sentence, history.adapters))


def _adapter_sentence(other: OtherAdapter) -> str:
    """What another adapter does to the comparison with the tests that were read through it."""
    number, were = counted(other.tests, "test"), "was" if other.tests == 1 else "were"
    if other.cm3 is None:
        return (
            f"Through which adapter {number} {were} read is not noted: what all cylinders moved by together between "
            f"{'it' if other.tests == 1 else 'them'} and the others may be the adapter."
        )
    was = f"{number} {were} read through an adapter of {other.cm3:g} cm3 and not"
    if other.percent is None:
        return (
            f"{was} {other.now_cm3:g} cm3. By how much that moves a reading cannot be told without the engine's "
            "dimensions: what all cylinders moved by together there may be the adapter."
        )
    alone = 100.0 * (1.0 / (1.0 + other.percent / 100.0) - 1.0)
    return (
        f"{was} {other.now_cm3:g} cm3, which alone reads {abs(alone):.1f} % {'higher' if alone > 0 else 'lower'}: "
        f"the seasons are compared as if all were read through {other.now_cm3:g} cm3."
    )
