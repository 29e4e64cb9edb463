"""A gauge is taught over the radio by somebody who takes the time that it takes, and what is said at the end holds."""

import asyncio
import errno
import os
from collections.abc import Coroutine
from pathlib import Path
from typing import Any, ClassVar

import pytest
from typer.testing import CliRunner

from gaugelink.app.cli import app
from gaugelink.app.commands import radio
from gaugelink.app.shopfile import load_shop
from gaugelink.app.teaching import Hand, Taught, proven, teach
from gaugelink.engine.units import PressureUnit
from gaugelink.errors import GaugelinkError
from gaugelink.gauge.inspect import Inspector
from gaugelink.gauge.layout import load_layout
from simulators.gatt_gauge import SimulatedGauge
from simulators.radio_time import run_driven
from simulators.shop import made_up_radio, simulated_shop_radio
from tests.app.shops import SHOP


async def taught_slowly(inspector: Inspector, gauge: SimulatedGauge) -> Taught:
    """Teach a gauge by a hand that pumps for three seconds, and takes five more to read the display and to type."""

    class Slow(Hand):
        unit = PressureUnit.PSI

        async def reading(self, wanted_kpa: float) -> str:
            for share in range(1, 31):
                gauge.idle_kpa += (1.03 * wanted_kpa - gauge.idle_kpa) * share / 30
                await asyncio.sleep(0.1)
            await asyncio.sleep(5.0)
            return f"{self.unit.from_kpa(1.03 * wanted_kpa):.1f}"

        def say(self, sentence: str) -> None:
            raise AssertionError(sentence)

    return await teach(inspector, Slow())


def test_a_fast_gauge_is_taught_by_a_hand_that_takes_its_time() -> None:
    """A hundred frames a second."""

    async def main() -> Taught:
        async with made_up_radio() as (air, gauges), Inspector("Gauge 77", air) as inspector:
            return await taught_slowly(inspector, gauges[1])

    taught = run_driven(main())
    assert taught.result.layout is not None
    assert proven(taught)


def test_a_layout_is_proven_by_what_its_frames_show_though_they_are_too_few_to_time_them() -> None:
    """Twelve frames, with stamps in tenths of a second."""
    layout = load_layout(
        {
            "name": "x", "unit": "psi", "listen": {"service": "fff0", "characteristic": "fff1"}, "rate_hz": 20.0,
            "header": "a5", "device_time": {"at": 1, "format": "u16", "tick_s": 0.1},
            "pressure": {"at": 3, "format": "u16", "scale": 0.1, "count": 4},
        }
    )  # fmt: skip
    gauge = SimulatedGauge(layout, name="Gauge 77", address="F0:5A:00:00:02:02", noise_kpa=0.5, seed=1)

    async def main() -> Taught:
        async with simulated_shop_radio([gauge], seed=1) as air, Inspector("Gauge 77", air.as_radio()) as inspector:
            return await taught_slowly(inspector, gauge)

    taught = run_driven(main())
    assert taught.result.layout is not None
    assert taught.result.layout.device_time is not None
    assert taught.result.layout.rate_hz is None
    assert proven(taught)


class Typed:
    """What a person types who reads the display off the question."""

    lines: ClassVar[list[str]] = []

    async def next(self) -> str:
        return self.lines.pop(0)


@pytest.fixture
def typing(monkeypatch: pytest.MonkeyPatch) -> type[Typed]:
    """Commands on driven time, and lines to be typed."""

    def run(main: Coroutine[Any, Any, Any]) -> object:
        return run_driven(main)

    monkeypatch.setattr(radio.asyncio, "run", run)
    monkeypatch.setattr(radio, "TypedLines", Typed)
    Typed.lines = ["0.0", "20.6", "61.8"]
    return Typed


def test_what_learn_says_at_its_end_can_be_put_into_a_shop_file_as_it_is(
    tmp_path: Path, typing: type[Typed], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    words = ["learn", "Gauge 77", "--simulate", "--out", "my gauge.toml"]
    said = CliRunner().invoke(app, words, catch_exceptions=False).output
    assert typing.lines == []
    assert "Pump it to about 20 psi and hold it there. (Simulated: done; it shows 20.6.) What does" in said
    line = said.splitlines()[-1]
    assert line.startswith("layout = ")
    folder = tmp_path / "shop"
    folder.mkdir()
    file = folder / "shop.toml"
    file.write_text(SHOP.replace('kind = "held"', f'kind = "held"\n{line}'), encoding="utf-8")
    layout = load_shop(file).layouts["amber"]
    assert layout is not None
    assert layout.name == "taught gauge"


def test_a_folder_that_is_not_there_is_told_before_anything_is_pumped(tmp_path: Path, typing: type[Typed]) -> None:
    with pytest.raises(GaugelinkError, match="the folder is not there"):
        CliRunner().invoke(
            app, ["learn", "Gauge 77", "--simulate", "--out", str(tmp_path / "new" / "g.toml")], catch_exceptions=False
        )
    assert len(typing.lines) == 3


def learnt(tmp_path: Path, *typed: str) -> str:
    Typed.lines = list(typed)
    words = ["learn", "Gauge 77", "--simulate", "--out", str(tmp_path / "g.toml")]
    result = CliRunner().invoke(app, words, catch_exceptions=False)
    assert result.exit_code == 0
    assert Typed.lines == []
    return result.output


@pytest.mark.usefixtures("typing")
def test_what_is_no_number_is_asked_again_and_nothing_else(tmp_path: Path) -> None:
    said = learnt(tmp_path, "zero", "1e999", "0.0", "20,6 psi", "20.6", "61.8")
    assert said.count("Open the gauge to the air.") == 3
    assert said.count("Pump it to about 20 psi") == 2
    assert said.count("is not a number; the reading was left out.") == 3


@pytest.mark.usefixtures("typing")
@pytest.mark.parametrize("slip", ["1.42", "142", "206"])
def test_a_reading_far_from_what_was_asked_is_doubted_before_it_becomes_a_scale(slip: str, tmp_path: Path) -> None:
    """In bar, in kPa, and without its decimal point: each would make a layout in which every pressure is wrong."""
    said = learnt(tmp_path, "0.0", slip, "20.6", "61.8")
    assert f"{slip} psi is far from about 20 psi; the reading was left out." in said
    assert "begin again with --unit" in said
    assert said.count("is far from") == 1


@pytest.mark.usefixtures("typing")
def test_a_reading_that_is_doubted_is_taken_when_it_is_typed_again(tmp_path: Path) -> None:
    Typed.lines = ["0.0", "1.42", "1.42", "4.3", "4.3", ""]
    words = ["learn", "Gauge 77", "--simulate", "--out", str(tmp_path / "g.toml")]
    with pytest.raises(GaugelinkError, match="No layout was written"):
        CliRunner().invoke(app, words, catch_exceptions=False)
    assert len(Typed.lines) < 2


@pytest.mark.usefixtures("typing")
def test_a_layout_that_cannot_be_written_is_shown(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object, **__: object) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Path, "write_text", full)
    words = ["learn", "Gauge 77", "--simulate", "--out", str(tmp_path / "g.toml")]
    result = CliRunner().invoke(app, words)
    assert "the disk is full. The layout is above" in str(result.exception)
    assert "[listen]\n" in result.output
    assert "[pressure]\n" in result.output


@pytest.mark.usefixtures("typing")
def test_a_folder_that_this_user_may_not_write_is_told_before_anything_is_pumped(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "access", lambda *_: False)
    with pytest.raises(GaugelinkError, match="this user may not write in that folder"):
        learnt(tmp_path)
