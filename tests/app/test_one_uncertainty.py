"""The figure after a ± is one: page, terminal, verdict and report tell the same of a cylinder, and write it alike."""

import re
from pathlib import Path

import pytest

from gaugelink.app.screen import cylinder_table
from gaugelink.broker import messages as published
from gaugelink.engine.units import PressureUnit
from gaugelink.report.data import ReportData
from gaugelink.report.words import reading_rows
from gaugelink.verdict.findings import RuleName
from tests.app.shops import SHOP
from tests.app.test_presenter import Watched
from tests.app.test_session import AT, of

PULLS = {
    "one pull": ((935.0, 1.5),),
    "two that agree": ((944.6, 11.0), (940.0, 11.0)),
    "three, the first left out": ((1006.6, 40.0), (944.6, 11.0), (938.0, 9.0)),
    "none that agree": ((940.0, 1.5), (880.0, 1.5), (820.0, 1.5), (760.0, 1.5), (700.0, 1.5)),
    "so poor that tens are all that count": ((940.0, 70.0), (936.0, 70.0)),
    "all of them poor": ((940.0, 40.0), (936.0, 40.0), (931.0, 40.0), (950.0, 40.0), (925.0, 40.0)),
}


@pytest.mark.parametrize("pulls", PULLS.values(), ids=PULLS)
@pytest.mark.parametrize("common_kpa", [0.5, 15.0])
def test_page_terminal_verdict_and_report_tell_one_uncertainty_of_a_cylinder(
    tmp_path: Path, pulls: tuple[tuple[float, float], ...], common_kpa: float
) -> None:
    bench = Watched(tmp_path)
    bench.common_kpa = common_kpa
    bench.begin()
    bench.whole_test(930.0, 925.0)
    for number, (peak_kpa, own_kpa) in enumerate(pulls):
        step = bench.crank(peak_kpa, 6.0 if number else 40.0, own_kpa=own_kpa)
    (told,) = of(step, published.TestState)
    verdict = bench.session.verdict
    assert verdict is not None
    page = {part.name: (part.pressure_kpa, part.pressure_u_kpa) for part in told.cylinders}
    terminal = {row.name: (row.reading_kpa, row.reading_u_kpa) for row in bench.presenter.scene.cylinders}
    judged = {reading.cylinder: (reading.peak_kpa, reading.peak_u_kpa) for reading in verdict.readings}
    assert set(judged) == set(page)
    for name, figures in judged.items():
        assert page[name] == pytest.approx(figures)
        assert terminal[name] == pytest.approx(figures)
    engine = bench.session.shop.fleet.engine_of("north-7")
    for unit in PressureUnit:
        rows = reading_rows(ReportData("North 7", engine, verdict, AT, unit))
        table = cylinder_table(bench.presenter.scene.cylinders, unit)
        shown = zip(*(table.columns[column].cells for column in (2, 3)), strict=True)
        assert [row.reading for row in rows] == [f"{value} ± {doubt}" for value, doubt in shown]


@pytest.mark.parametrize("unit", ["psi", "kPa", "bar"])
@pytest.mark.parametrize("own_kpa", [1.5, 11.0, 40.0])
def test_the_line_of_the_spread_on_the_screen_has_the_figures_of_its_finding(
    tmp_path: Path, unit: str, own_kpa: float
) -> None:
    bench = Watched(tmp_path, SHOP.replace("[bench]", f'[bench]\ndisplay_unit = "{unit}"'))
    bench.begin(repeats=1)
    for number, peak_kpa in enumerate((930.0, 780.0, 935.0)):
        bench.crank(peak_kpa, 40.0 if number else 6.0, own_kpa=own_kpa)
    verdict = bench.session.verdict
    assert verdict is not None
    text = next(finding.text for finding in verdict.findings if finding.rule is RuleName.SPREAD)
    figures = re.findall(rf"([\d.]+) {unit}", text)
    assert len(figures) == 2
    assert f"spread {figures[0]} ± {figures[1]} {unit}," in bench.presenter.scene.spread


def test_the_uncertainty_of_a_cylinder_holds_gauge_and_scatter_of_cranking_and_no_scatter_twice(tmp_path: Path) -> None:
    # JCGM 100:2008, 5.1.2 and 4.2.3: common 3, own 2 of each of two pulls, a standard deviation of 18.4 over sqrt 2.
    # G.4: one degree of freedom and three assumed beforehand, times (180/169)^2: 4. Student's t of table G.2: 2.78.
    bench = Watched(tmp_path)
    bench.common_kpa = 3.0
    bench.begin(repeats=2)
    bench.crank(958.0, own_kpa=2.0)
    bench.crank(932.0, own_kpa=2.0)
    assert bench.session.verdict is not None
    scatter_kpa = 26.0 / 2**0.5 / 2**0.5
    assert bench.session.verdict.readings[0].peak_u_kpa == pytest.approx(
        2.78 * (9.0 + 4.0 / 2 + scatter_kpa**2) ** 0.5, rel=2e-3
    )
