"""What is simulated stays apart from what is real: in the record, and in what must be installed."""

import asyncio
import csv
import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner

from gaugelink.app.cli import app
from gaugelink.app.notebooks import import_notebook
from gaugelink.app.records import Records
from gaugelink.app.shopfile import Shop, load_shop
from gaugelink.errors import GaugelinkError, SettingsError
from gaugelink.journal import Journal
from gaugelink.simulated import NOTICE
from tests.app.killing import write_shop
from tests.app.shops import SHOP, shop_in
from tests.app.test_record_commands import CALIBRATION

WITHOUT_BUMBLE = "import sys; sys.modules['bumble'] = None; from gaugelink.app.cli import main; main()"


def without_bumble(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", WITHOUT_BUMBLE, *arguments]
    return subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)


def both(folder: Path, one_journal: bool = False) -> tuple[Shop, Shop]:
    """A shop with a real test and a simulated one, each in its journal or both in the real one's, and its twin."""
    shop = shop_in(folder)
    twin = replace(shop.as_simulated(), journal=shop.journal) if one_journal else shop.as_simulated()
    for bench, line in ((shop, "2025-03-09,north-7,140,141,139"), (twin, "2025-04-09,north-7,90,91,89")):
        notebook = folder / f"{bench.name}.csv"
        notebook.write_text(f"date,machine,PTO,middle,MAG\n{line}\n", encoding="utf-8")
        asyncio.run(import_notebook(bench, notebook, "psi"))
    return shop, twin


def run(folder: Path, *words: str) -> str:
    result = CliRunner().invoke(app, [*words, "--config", str(folder / "shop.toml")], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return " ".join(result.output.split())


def test_a_simulation_has_a_name_and_a_journal_of_its_own_beside_the_shops(tmp_path: Path) -> None:
    shop = load_shop(write_shop(tmp_path, 1883, repeats=1))
    twin = shop.as_simulated()
    assert twin.journal == shop.journal.with_name("bay-9-simulated.db") != shop.journal
    assert twin.name == "bay-9-simulated"
    assert twin.as_simulated() == twin


def test_no_real_bench_is_called_as_a_simulated_one(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"bench\.name: found 'bay-3-simulated'; only a simulated bench"):
        shop_in(tmp_path, SHOP.replace('"bay-3"', '"bay-3-simulated"'))


def test_the_longest_name_of_a_bench_has_room_for_its_twin(tmp_path: Path) -> None:
    twin = shop_in(tmp_path, SHOP.replace('"bay-3"', f'"{"b" * 40}"')).as_simulated()
    assert twin.name == "b" * 30 + "-simulated"


def test_what_was_simulated_is_read_only_when_it_is_asked_for_and_says_what_it_is(tmp_path: Path) -> None:
    both(tmp_path)
    assert NOTICE in run(tmp_path, "report", "--simulated")
    assert "90 ±" in run(tmp_path, "report", "--simulated")
    assert NOTICE not in (real := run(tmp_path, "report"))
    assert "140 ±" in real
    for words in (("history", "north-7"), ("history", "--fleet")):
        assert NOTICE in run(tmp_path, *words, "--simulated")
        assert NOTICE not in run(tmp_path, *words)
    assert json.loads(run(tmp_path, "history", "north-7", "--json", "--simulated"))["simulated"] is True
    assert json.loads(run(tmp_path, "history", "north-7", "--json"))["simulated"] is False
    for words, word in (((), "false"), (("--simulated",), "true")):
        run(tmp_path, "export", str(tmp_path / "out.csv"), *words)
        rows = list(csv.DictReader((tmp_path / "out.csv").read_text(encoding="utf-8").splitlines()))
        assert [row["simulated"] for row in rows] == [word] * 3


def test_what_is_written_by_hand_goes_into_the_record_that_is_named(tmp_path: Path) -> None:
    shop, twin = both(tmp_path)
    notebook = tmp_path / "more.csv"
    notebook.write_text("date,machine,PTO,middle,MAG\n2025-05-09,north-7,92,93,91\n", encoding="utf-8")
    calibration = tmp_path / "amber.toml"
    calibration.write_text(CALIBRATION, encoding="utf-8")

    async def kept(shop: Shop) -> tuple[int, int, int]:
        async with Journal.open(shop.journal, read_only=True) as journal:
            return len(await journal.tests()), len(await journal.jobs()), len(await journal.calibrations())

    said = run(tmp_path, "job", "north-7", "rings", "--simulated")
    assert said.endswith("It is in the record of what was simulated alone.")
    assert run(tmp_path, "calibrate", str(calibration), "--simulated").count("of what was simulated alone.") == 1
    assert str(twin.journal) in run(tmp_path, "import", str(notebook), "--unit", "psi", "--simulated")
    assert asyncio.run(kept(shop)) == (1, 0, 0)
    assert asyncio.run(kept(twin)) == (2, 1, 1)
    assert "simulated" not in run(tmp_path, "job", "north-7", "rings")
    assert run(tmp_path, "job", "north-7", "rings", "--strike", "--simulated").startswith("Struck: rings on north-7")
    assert (asyncio.run(kept(shop))[1], asyncio.run(kept(twin))[1]) == (1, 0)


def test_simulated_and_real_tests_in_one_journal_are_not_taken_together(tmp_path: Path) -> None:
    async def tests_of(shop: Shop) -> list[str]:
        async with Journal.open(shop.journal, read_only=True) as journal:
            records = Records(shop, journal)
            (test,) = await records.tests()
            last = await records.last_dry("north-7")
            assert last is not None
            return [one.stored.bench for one in (test, last, await records.test(None))]

    shop, twin = both(tmp_path, one_journal=True)
    assert asyncio.run(tests_of(shop)) == ["bay-3"] * 3
    assert asyncio.run(tests_of(twin)) == ["bay-3-simulated"] * 3


def test_a_shop_that_was_never_simulated_says_how_it_is(tmp_path: Path) -> None:
    shop_in(tmp_path)
    with pytest.raises(GaugelinkError, match="begins with the first `gaugelink run --simulate`"):
        run(tmp_path, "report", "--simulated")


def test_a_bench_with_a_real_gauge_needs_no_simulated_radio() -> None:
    ran = subprocess.run(
        [sys.executable, "-c", "import sys; sys.modules['bumble'] = None; import gaugelink.app.service"],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert ran.returncode == 0, ran.stderr


@pytest.mark.parametrize(
    "words", ["run -c shop.toml --simulate --silent", "demo --silent", "decay demo --silent", "scan --simulate"]
)
def test_a_simulation_without_the_simulated_radio_says_what_to_install(tmp_path: Path, words: str) -> None:
    shop = write_shop(tmp_path, 1883, repeats=1)
    ran = without_bumble(*words.replace("shop.toml", str(shop)).split())
    assert ran.returncode != 0
    assert "needs the package bumble, which is not installed: " in ran.stderr
    assert "`./scripts/setup sim`" in ran.stderr
    assert "gaugelink[sim]" in ran.stderr
    assert "Traceback" not in ran.stderr
