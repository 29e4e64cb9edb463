"""The adapter that each test of the journal was read through comes into the comparison of the seasons."""

import asyncio
import json
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from typer.testing import CliRunner

from gaugelink.app.cli import app
from gaugelink.app.notebook_tests import new_test
from gaugelink.app.records import Records
from gaugelink.app.shopfile import Shop
from gaugelink.engine.air import assumed_ambient
from gaugelink.engine.geometry import adapter_factor
from gaugelink.journal import Journal, TestEntry
from gaugelink.report.notebook import NotebookTest
from tests.app.shops import shop_in

DAYS = [date(year, month, 2) for year in (2022, 2023, 2024, 2025) for month in (5, 11)]
ONE_OTHER = (2.0,) * 4 + (6.0,) * 4


def factor(shop: Shop, cm3: float) -> float:
    geometry = shop.fleet.engine_of("north-7").geometry("PTO")
    assert geometry is not None
    return adapter_factor(geometry, 400.0, cm3)


async def write(shop: Shop, noted: tuple[float | None, ...]) -> None:
    """Tests of a sound engine through the adapters of `ONE_OTHER`, of which these were noted."""
    async with Journal.open(shop.journal) as journal:
        for place, (on, cm3, said) in enumerate(zip(DAYS, ONE_OTHER, noted, strict=True)):
            kpa = 930.0 * factor(shop, cm3)
            readings = tuple((name, kpa) for name in ("PTO", "middle", "MAG"))
            test = NotebookTest("north-7", on, False, readings, assumed_ambient(), (2,), gauge="dial")
            first, *rest = new_test(shop, test, f"{place:012d}")
            assert isinstance(first, TestEntry)
            snapshot = json.loads(first.snapshot_json)
            snapshot["bench"]["plan"]["conditions"]["adapter_cm3"] = said
            await journal.record([replace(first, snapshot_json=json.dumps(snapshot)), *rest])


def history(tmp_path: Path) -> str:
    result = CliRunner().invoke(app, ["history", "north-7", "--config", str(tmp_path / "shop.toml")])
    assert result.exit_code == 0, result.output
    return " ".join(result.output.split())


def test_another_adapter_is_taken_into_account_and_told_and_is_no_step_of_the_gauge(tmp_path: Path) -> None:
    shop = shop_in(tmp_path)
    asyncio.run(write(shop, ONE_OTHER))
    said = history(tmp_path)
    alone = 100.0 * (factor(shop, 2.0) / factor(shop, 6.0) - 1.0)
    assert (
        f"4 tests were read through an adapter of 2 cm3 and not 6 cm3, which alone reads {alone:.1f} % higher" in said
    )
    assert "moved" not in said

    async def read() -> tuple[list[float], list[float]]:
        async with Journal.open(shop.journal, read_only=True) as journal:
            records = Records(shop, journal)
            _, past, _ = await records.history("north-7")
            compared = [reading.sea_level_kpa for test in past for reading in test.readings]
            listed = await records.listed("north-7")
            return compared, [kpa for test in listed for kpa in test.readings_kpa.values()]

    compared, listed = asyncio.run(read())
    now = 930.0 * factor(shop, 6.0)
    assert compared == pytest.approx([now] * 24), "compared and drawn as through one adapter"
    assert listed == pytest.approx([930.0 * factor(shop, 2.0)] * 12 + [now] * 12), "listed as they were read"


def test_an_adapter_that_was_not_noted_is_said_once_and_is_no_step_of_the_gauge(tmp_path: Path) -> None:
    asyncio.run(write(shop_in(tmp_path), (None,) * 4 + (6.0,) * 4))
    said = history(tmp_path)
    assert said.count("Through which adapter 4 tests were read is not noted") == 1
    assert "look at the gauge" not in said


def test_a_machine_whose_adapters_were_never_noted_is_compared_as_it_was_read(tmp_path: Path) -> None:
    asyncio.run(write(shop_in(tmp_path), (None,) * 8))
    said = history(tmp_path)
    assert "adapter" not in said
    assert "look at the gauge" in said
