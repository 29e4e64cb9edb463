"""Writes a report as the ending of its file says."""

from enum import StrEnum
from pathlib import Path

from gaugelink.errors import SettingsError
from gaugelink.reasons import why_unwritten
from gaugelink.report.data import ReportData
from gaugelink.report.html import report_html
from gaugelink.report.page import report_pdf, report_png


class Form(StrEnum):
    """What a report is written as."""

    HTML = "html"
    PDF = "pdf"
    PNG = "png"


def write_report(data: ReportData, out: Path) -> None:
    """Write a report.

    Raises:
        SettingsError: the ending is not one of html, pdf, png, or the file cannot be written.
    """
    try:
        form = Form(out.suffix.lstrip(".").lower())
    except ValueError as error:
        raise SettingsError(f"{out}: the ending says what a report is written as; allowed: html, pdf, png.") from error
    try:
        if form is Form.HTML:
            out.write_text(report_html(data), encoding="utf-8")
        elif form is Form.PDF:
            report_pdf(data, out)
        else:
            report_png(data, out)
    except OSError as error:
        raise SettingsError(f"{out}: the report cannot be written: {why_unwritten(error)}.") from error
