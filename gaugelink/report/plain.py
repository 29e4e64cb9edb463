"""A person's words for what the record keeps in its own: flags, where a rule comes from, who did it, the pulls."""

from gaugelink.peak.events import Flag
from gaugelink.report.data import ReportData, Trace
from gaugelink.verdict.findings import Finding, JudgedReading, RuleName

SHOP_PRACTICE = "shop practice"
RECORD = "the engine's record"
LEFT_OUT = "in brackets: left out of the reading"

FLAG_WORDS = {
    Flag.STILL_RISING: "still rising",
    Flag.OVER_RANGE: "over the gauge's range",
    Flag.FEW_STROKES: "too few strokes",
    Flag.SHORT_RECORD: "beginning or end not seen",
    Flag.POOR_FIT: "unusual trace",
    Flag.VALVE_LEAK: "gauge's valve leaks",
    Flag.LOST_SAMPLES: "gaps in the radio",
    Flag.UNDER_SAMPLED: "slow gauge, so a wide ±",
    Flag.ZERO_UNKNOWN: "zero not seen",
    Flag.ZERO_DRIFT: "zero moved",
    Flag.INTERRUPTED: "cranking paused",
    Flag.TRIMMED: "long cranking, part of it left out",
    Flag.CALIBRATION_OVERDUE: "calibration overdue",
}
"""Every flag in a few words."""

_BASIS = {
    RuleName.INCOMPLETE: "the plan of the test",
    RuleName.DOUBTED: "what was seen in the pulls",
    RuleName.REPEATABILITY: "the agreement that the test asks for",
    RuleName.SPREAD: "what the gauge can tell apart",
    RuleName.FIRST_STROKE: "service manuals",
    RuleName.BAND: "the maker's range",
    RuleName.CONDITIONS: "what was noted of the test",
    RuleName.HIGH_READING: "the maker's range",
    RuleName.EXPECTED: "worked out from the engine's dimensions",
    RuleName.ALTITUDE_METHOD: "readings fall with the air pressure; many manuals print the air's density instead",
    RuleName.LEAK_DOWN: "aircraft practice, 60 of 80 psi, and shop practice",
    RuleName.TREND: "the machine's earlier tests, the other cylinders beside it",
    RuleName.TOP_END: "all that this test found; the engine maker's manual goes first",
}
"""What a rule goes by; what is not here is shop practice."""

_NO_NAMES = {"key": "the mechanic at the bench", "person": "the mechanic at the bench", "notebook": "from a notebook"}
"""What a record says where nobody gave a name."""


def basis(finding: Finding, data: ReportData) -> str:
    """What a finding goes by, for a mechanic; its `source` says it for whoever checks the rule."""
    if finding.source.startswith(RECORD):
        return RECORD
    if finding.rule is RuleName.HIGH_READING and "isentropic_kpa" in finding.numbers:
        return "no compression can reach more from the engine's dimensions"
    band = data.verdict.band
    if finding.rule in (RuleName.BAND, RuleName.HIGH_READING) and band is not None and band.source != RECORD:
        return f"{_BASIS[finding.rule]}, {band.source}"
    return _BASIS.get(finding.rule, SHOP_PRACTICE)


def flag_words(flags: frozenset[Flag]) -> tuple[str, ...]:
    """Flags in words, in the order in which flags are listed everywhere."""
    return tuple(FLAG_WORDS[flag] for flag in Flag if flag in flags)


def flags_text(flags: frozenset[Flag]) -> str:
    """Flags in words, parted by commas."""
    return ", ".join(flag_words(flags))


def who(by: str) -> str:
    """Who did a test: a name as it was given, or a word for nobody's name."""
    return _NO_NAMES.get(by, by)


def pulls_text(reading: JudgedReading, data: ReportData) -> str:
    """The pulls behind a reading in the shop's unit, in the order in which they were made; see `LEFT_OUT`."""

    def written(peak_kpa: float) -> str:
        return f"{data.unit.from_kpa(peak_kpa):z.{data.unit.decimals}f}"

    if len(reading.pulls) > 1:
        return ", ".join(
            written(p.repeat.peak_kpa) if p.counted else f"({written(p.repeat.peak_kpa)})" for p in reading.pulls
        )
    return ", ".join(written(peak) for peak in reading.repeats) or "one"


def any_left_out(data: ReportData) -> bool:
    """Whether a pull of any cylinder is in brackets."""
    return any(not pull.counted for reading in data.verdict.readings for pull in reading.pulls)


def which_pull(trace: Trace, data: ReportData) -> str:
    """Which of a cylinder's pulls a trace shows, ``pull 2 of 3``; empty where there was but one."""
    reading = data.reading_of(trace.cylinder)
    ids = [pull.event_id for pull in reading.pulls] if reading is not None else []
    if len(ids) < 2 or trace.event_id not in ids:
        return ""
    return f"pull {ids.index(trace.event_id) + 1} of {len(ids)}"
