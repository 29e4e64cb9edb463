"""What a person states of a gauge reaches the fit."""

import json
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from gaugelink.app.cli import app
from gaugelink.app.traits import traits_of
from gaugelink.gauge.config import GaugeSettings
from tests.peak.shapes import clock, pulses, shown


def test_a_stated_lag_and_average_go_into_the_traits() -> None:
    traits = traits_of(GaugeSettings(name="amber", lag_s=0.002, averaging_s=0.01), None)
    assert (traits.lag_s, traits.averaging_s) == (0.002, 0.01)
    assert traits_of(GaugeSettings(name="amber"), None).averaging_s is None


@pytest.mark.parametrize(("option", "seconds"), [("--averaging-s", "0.02"), ("--lag-s", "0.005")])
def test_replay_puts_back_what_a_stated_blur_took_off(tmp_path: Path, option: str, seconds: str) -> None:
    t = clock(6.0, 200.0)
    rows = zip(t, shown(pulses(t, 2.5, 8)), strict=True)
    file = tmp_path / "pull.csv"
    file.write_text("time_s,pressure_kpa\n" + "".join(f"{a:.4f},{b:.1f}\n" for a, b in rows), encoding="utf-8")

    def peak_kpa(*more: str) -> float:
        result = CliRunner().invoke(app, ["replay", str(file), "--json", *more], catch_exceptions=False)
        assert result.exit_code == 0, result.output
        (line,) = result.stdout.splitlines()
        return float(json.loads(line)["peak_kpa"])

    assert peak_kpa(option, seconds) > 1.01 * peak_kpa()
    assert np.isclose(peak_kpa(option, "0"), peak_kpa())
