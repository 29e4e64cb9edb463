"""The look that page, picture and screen share: paper, one ink, and one colour for each word of the verdict."""

from collections.abc import Iterator
from contextlib import contextmanager

import matplotlib as mpl

from gaugelink.report.data import ReportData
from gaugelink.verdict.findings import Severity, VerdictWord

# Letters stand off the paper by 4.5 to 1 at least (WCAG 2.2, 1.4.3).
PAPER = "#fbfaf6"
INK = "#22303a"
FAINT = "#5c6a73"
RULE = "#d5d9d6"
METAL = "#5d8196"
METAL_LIGHT = "#c9d6dd"
BAND = "#dcead9"
BAND_EDGE = "#5f8f62"

WORD_COLOUR = {
    VerdictWord.CONSISTENT: "#3b7a57",
    VerdictWord.WATCH: "#8f5d00",
    VerdictWord.INVESTIGATE: "#b03a2e",
    VerdictWord.RETEST: "#5b4b8a",
}
SEVERITY_COLOUR = {
    Severity.NOTE: FAINT,
    Severity.WATCH: WORD_COLOUR[VerdictWord.WATCH],
    Severity.RETEST: WORD_COLOUR[VerdictWord.RETEST],
    Severity.INVESTIGATE: WORD_COLOUR[VerdictWord.INVESTIGATE],
}
WORD_MEANING = {
    VerdictWord.CONSISTENT: "nothing asks for attention",
    VerdictWord.WATCH: "something is worth watching",
    VerdictWord.INVESTIGATE: "something asks for a look",
    VerdictWord.RETEST: "these readings cannot carry a judgement",
}

GIVEN_UP_MEANING = "this test proves nothing"

# Colours that people with any colour vision tell apart (Okabe and Ito, 2008), darkened for thin lines; each
# cylinder has a marker of its own as well.
CYLINDER_COLOURS = ("#0a6aa1", "#b85c00", "#00775a", "#a34f80", "#4d4d4d", "#8a7a00", "#2f8fbf", "#7a3b1e")
CYLINDER_MARKERS = ("o", "s", "^", "D", "v", "P", "X", "*")


def word_look(data: ReportData) -> tuple[str, str]:
    """What the word at the head of a report means, and its colour."""
    if data.given_up:
        return GIVEN_UP_MEANING, INK
    return WORD_MEANING[data.verdict.word], WORD_COLOUR[data.verdict.word]


@contextmanager
def drawn(salt: str) -> Iterator[None]:
    """Draw with the house's fonts and lines. `salt` keeps the ids of several drawings on one page apart."""
    settings = {
        "font.family": "DejaVu Sans",
        "font.size": 8.0,
        "text.color": INK,
        "axes.edgecolor": RULE,
        "axes.labelcolor": FAINT,
        "axes.linewidth": 0.8,
        "axes.facecolor": "none",
        "xtick.color": FAINT,
        "ytick.color": FAINT,
        "xtick.labelsize": 7.0,
        "ytick.labelsize": 7.0,
        "figure.facecolor": PAPER,
        "savefig.facecolor": PAPER,
        "svg.fonttype": "none",
        "svg.hashsalt": salt,
        "pdf.fonttype": 42,
        # A dollar sign in a name is a dollar sign.
        "text.parse_math": False,
    }
    with mpl.rc_context(settings):  # type: ignore[arg-type]
        yield
