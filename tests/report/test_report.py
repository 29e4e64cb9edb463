"""The report: everything on one page in every form, and nothing in it that reaches outside."""

import re
from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser
from io import StringIO
from pathlib import Path

import pytest
from matplotlib.figure import Figure
from matplotlib.image import imread
from rich.console import Console

from gaugelink.broker.convert import finding_part
from gaugelink.engine.fleet import parse_engine
from gaugelink.peak.events import Flag
from gaugelink.report.data import ReportData
from gaugelink.report.html import report_html
from gaugelink.report.page import report_pdf, report_png
from gaugelink.report.plain import FLAG_WORDS, LEFT_OUT, basis
from gaugelink.report.terminal import verdict_table
from gaugelink.report.words import (
    CAUTIONS,
    DOES_NOT_PROVE,
    condition_lines,
    reading_rows,
)
from gaugelink.simulated import NOTICE
from gaugelink.verdict.findings import RuleName
from gaugelink.verdict.judge import judge_test
from tests.report.samples import TRIPLE, sample_report, value_of, with_three_pulls
from tests.zones import living_in


class Page(HTMLParser):
    """Collects what a page says, names and refers to; refuses a tag that is not closed."""

    VOID = frozenset({"meta", "br", "link"})

    def __init__(self, text: str) -> None:
        super().__init__()
        self.words = ""
        self.ids: list[str] = []
        self.addresses: list[str] = []
        self.open: list[str] = []
        self.feed(text)
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in self.VOID:
            self.open.append(tag)
        self.handle_startendtag(tag, attrs)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        for name, value in attrs:
            if name == "id" and value:
                self.ids.append(value)
            if name in ("href", "xlink:href", "src") and value:
                self.addresses.append(value)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words += data


def test_the_page_says_all_there_is_to_say() -> None:
    data = sample_report()
    words = " ".join(Page(report_html(data)).words.split())
    for text in (data.machine, "investigate", "134 ± 3", "939 hPa", "bench-1, serial 0417", "rings", *CAUTIONS):
        assert text in words
    for line in DOES_NOT_PROVE:
        assert line in words
    for finding in data.verdict.findings:
        assert finding.text in words
        assert basis(finding, data) in words


CLERKS_WORDS = ("no source", "from memory", "JCGM", "polytropic", "geometry", "flag ", "_", "Rule:", "done by: key")


def test_nothing_on_the_page_is_in_words_that_only_the_record_needs(tmp_path: Path) -> None:
    data = replace(sample_report((150.0, 113.0, 133.0)), by="key")
    everything = frozenset(Flag)
    readings = tuple(replace(reading, flags=everything) for reading in data.verdict.readings)
    doubted = [value_of(reading, everything) for reading in data.verdict.readings]
    verdict = judge_test(TRIPLE, doubted, data.verdict.conditions, unit=data.unit)
    traces = tuple(replace(trace, flags=everything) for trace in data.traces)
    data = replace(data, verdict=replace(verdict, readings=readings), traces=traces)
    text = re.sub(r"<style>.*?</style>", "", report_html(data), flags=re.DOTALL)
    words = " ".join(Page(text).words.split())
    console = Console(width=80, record=True, file=StringIO())
    console.print(verdict_table(data))
    for said in (words, console.export_text(), " ".join(value for _, value in condition_lines(data))):
        for word in CLERKS_WORDS:
            assert word not in said, word
    assert "slow gauge" in words
    assert "the mechanic at the bench" in words
    assert {flag for flag in Flag if FLAG_WORDS[flag] in words} == set(Flag)


@pytest.mark.parametrize(
    ("highest_psi", "goes_by"),
    [
        (170.0, "the maker's range, invented service manual, section 5"),
        (250.0, "no compression can reach more from the engine's dimensions"),
    ],
)
def test_a_high_reading_goes_by_what_it_is_above(highest_psi: float, goes_by: str) -> None:
    data = sample_report((highest_psi, 128.0, 133.0))
    assert goes_by in {basis(f, data) for f in data.verdict.findings if f.rule is RuleName.HIGH_READING}
    if highest_psi < 250.0:
        assert "no compression" not in report_html(data)


def test_where_a_rule_comes_from_is_published() -> None:
    for finding in sample_report().verdict.findings:
        assert finding_part(finding).source == finding.source != ""


def test_air_pressure_is_told_in_the_unit_of_a_barometer_and_readings_in_the_shop_s() -> None:
    data = sample_report()
    told = " ".join([*(value for _, value in condition_lines(data)), *(f.text for f in data.verdict.findings)])
    assert "939 hPa" in told
    assert "kPa" not in told


def test_a_pull_that_was_left_out_is_in_brackets_and_told_with_its_reason() -> None:
    data = with_three_pulls()
    assert reading_rows(data)[2].pulls == "(122), 138, 137"
    words = " ".join(Page(report_html(data)).words.split())
    console = Console(width=80, record=True, file=StringIO())
    console.print(verdict_table(data))
    for said in (words, " ".join(console.export_text().split())):
        assert "(122), 138, 137" in said
        assert LEFT_OUT in said
        assert "Left out of MAG: 122 psi (15.5 psi below the reading)." in said


def test_the_page_reaches_nothing_outside_itself() -> None:
    text = report_html(sample_report())
    page = Page(text)
    assert "http" not in text
    assert "//" not in re.sub(r"/\*.*?\*/", "", text)
    assert all(address.startswith("#") for address in page.addresses)
    assert "<script" not in text


def test_no_two_drawings_on_the_page_share_an_id_that_is_referred_to() -> None:
    text = report_html(sample_report())
    page = Page(text)
    referred = {a.removeprefix("#") for a in page.addresses} | set(re.findall(r"url\(#([^)]+)\)", text))
    assert referred
    for name in referred:
        assert page.ids.count(name) == 1


def test_the_page_is_the_same_every_time() -> None:
    assert report_html(sample_report()) == report_html(sample_report())


def test_a_report_of_a_simulation_says_so_in_every_form(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    said: list[str] = []
    monkeypatch.setattr(
        Figure, "savefig", lambda figure, *_, **__: said.append(" ".join(text.get_text() for text in figure.texts))
    )
    for bench, says in (("bay-1-simulated", True), ("bay-1", False)):
        data = replace(sample_report(), bench=bench)
        console = Console(record=True, width=200, file=StringIO())
        console.print(verdict_table(data))
        report_pdf(data, tmp_path / "a.pdf")
        report_png(data, tmp_path / "a.png")
        monkeypatch.setattr("gaugelink.report.html._as_svg", lambda *_: "")
        forms = (Page(report_html(data)).words, console.export_text(), said.pop(), said.pop())
        assert [NOTICE in " ".join(form.split()) for form in forms] == [says] * 4


def test_a_report_of_a_test_that_was_given_up_says_so_in_every_form_in_the_place_of_its_verdict(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    said: list[list[str]] = []
    monkeypatch.setattr(
        Figure, "savefig", lambda figure, *_, **__: said.append([text.get_text() for text in figure.texts])
    )
    monkeypatch.setattr("gaugelink.report.html._as_svg", lambda *_: "")
    for given_up in (True, False):
        data = replace(sample_report(), given_up=given_up, notes=("A later test has no reading.",))
        console = Console(record=True, width=200, file=StringIO())
        console.print(verdict_table(data))
        report_pdf(data, tmp_path / "a.pdf")
        (page,) = said
        said.clear()
        assert ("given up" in page) is given_up
        assert ("investigate" in page) is not given_up
        for form in (report_html(data), console.export_text(), " ".join(page)):
            assert ("Given up (ABANDONED)" in form) is given_up
            assert "A later test has no reading." in form


def test_a_machine_s_name_is_text_and_not_markup() -> None:
    data = replace(sample_report(), machine="<script>alert(1)</script> & co", by='"><b>')
    text = report_html(data)
    assert "<script" not in text
    assert "&lt;script&gt;" in text


def test_pdf_is_one_page_of_a4_and_png_is_its_picture(tmp_path: Path) -> None:
    data = sample_report()
    report_pdf(data, tmp_path / "a.pdf")
    report_png(data, tmp_path / "a.png")
    pdf = (tmp_path / "a.pdf").read_bytes()
    assert pdf.startswith(b"%PDF-")
    assert len(re.findall(rb"/Type /Page\b", pdf)) == 1
    box = re.search(rb"/MediaBox \[ ?0 0 ([\d.]+) ([\d.]+) ?\]", pdf)
    assert box is not None
    # ISO 216: A4 is 210 mm by 297 mm.
    assert float(box[1]) / 72.0 * 25.4 == pytest.approx(210.0, abs=0.5)
    assert float(box[2]) / 72.0 * 25.4 == pytest.approx(297.0, abs=0.5)
    picture = imread(tmp_path / "a.png")
    assert picture.shape[0] / picture.shape[1] == pytest.approx(297.0 / 210.0, rel=0.01)
    assert float(picture[:, :, :3].std()) > 0.02


def test_a_report_that_cannot_be_written_says_so(tmp_path: Path) -> None:
    with pytest.raises(OSError):
        report_pdf(sample_report(), tmp_path / "missing" / "a.pdf")


@pytest.mark.parametrize("count", [1, 4, 8])
def test_engines_of_any_size_fit_on_the_page(count: int, tmp_path: Path) -> None:
    banks = "two_banks" if count == 8 else "inline_front"
    engine = parse_engine(f'id="e"\nname="e"\ncycle=4\nlayout="{banks}"\ncylinders={count}\n', "e.toml")
    data = sample_report(tuple(150.0 + i for i in range(count)), engine=engine, with_history=False)
    assert Page(report_html(data)).words.count("not read") == 0
    report_png(data, tmp_path / "a.png")
    assert (tmp_path / "a.png").stat().st_size > 20_000


def test_a_report_without_band_traces_or_history_is_still_a_report(tmp_path: Path) -> None:
    bare = TRIPLE.model_copy(update={"band": None})
    data = sample_report((134.0, 133.0, 134.0), engine=bare, with_history=False)
    data = replace(data, traces=(), conditions=(), gauge="", by="", odometer="", bench="", version="", test_id="")
    assert "consistent" in Page(report_html(data)).words
    report_pdf(data, tmp_path / "a.pdf")


def test_a_cylinder_without_a_reading_is_shown_as_not_read() -> None:
    whole = sample_report(with_history=False)
    verdict = replace(whole.verdict, readings=whole.verdict.readings[:2])
    data: ReportData = replace(whole, verdict=verdict)
    assert reading_rows(data)[2].reading == "not read"
    page = report_html(data)
    assert "not read" in Page(page).words
    (described,) = re.findall(r'aria-label="(Cranking pressures: [^"]*)"', page)
    assert re.fullmatch(
        r"Cranking pressures: PTO [\d.]+ ± [\d.]+ psi; middle [\d.]+ ± [\d.]+ psi; MAG not read", described
    )


def test_a_test_without_any_reading_or_with_a_dead_cylinder_still_makes_a_page(tmp_path: Path) -> None:
    empty = sample_report(with_history=False)
    verdict = judge_test(TRIPLE, [], empty.verdict.conditions, unit=empty.unit)
    data = replace(empty, verdict=verdict, traces=())
    assert Page(report_html(data)).words.count("not read") >= 3
    report_png(data, tmp_path / "a.png")
    dead = sample_report((134.0, 0.0, 133.0), with_history=False)
    assert dead.verdict.word.value == "investigate"
    assert "investigate" in Page(report_html(dead)).words


def test_a_report_tells_the_time_of_the_shop_with_its_offset(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Half past seven in the evening of 1 March in Vancouver is 2 March in UTC."""
    data = replace(sample_report(), at=datetime(2026, 3, 2, 3, 28, tzinfo=UTC))
    written: list[str] = []
    monkeypatch.setattr(
        Figure, "savefig", lambda figure, *_, **__: written.extend(text.get_text() for text in figure.texts)
    )
    monkeypatch.setattr("gaugelink.report.html._as_svg", lambda *_: "")
    with living_in("America/Vancouver"):
        page = report_html(data)
        console = Console(width=120, record=True, file=StringIO())
        console.print(verdict_table(data))
        report_pdf(data, tmp_path / "report.pdf")
    assert ", 2026-03-01</title>" in page
    assert "2026-03-01 19:28 UTC-08:00" in page
    assert "03:28" not in page
    assert "2026-03-01 19:28 UTC-08:00" in console.export_text()
    assert any("2026-03-01 19:28 UTC-08:00" in text for text in written)
