"""The command that measures how quick a gauge is."""

import json
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from gaugelink.app.cli import app
from gaugelink.app.quickness import not_shown
from gaugelink.peak.response import Response
from simulators.release import released
from simulators.sensor import LiveGauge


def _recorded(path: Path, gauge: LiveGauge, rate_hz: float, times: int = 24, seed: int = 4) -> str:
    record = released(np.random.default_rng(seed), gauge, rate_hz, times=times)
    rows = "".join(f"{t:.6f},{p:.3f}\n" for t, p in zip(record.time_s, record.pressure_kpa, strict=True))
    path.write_text("time_s,pressure_kpa\n" + rows)
    return str(path)


def test_it_says_what_to_state_of_a_gauge_that_averages(tmp_path: Path) -> None:
    file = _recorded(tmp_path / "pops.csv", LiveGauge(averaging_s=0.01), 100.0)
    result = CliRunner().invoke(app, ["response", file])
    assert result.exit_code == 0, result.output
    assert "24 sudden falls at 100 samples/s." in result.output
    assert "is read too low by 7.2 %" in result.output
    assert result.output.endswith("In the gauge's entry of the shop file:\n  averaging_s = 0.01\n  lag_s = 0\n")


def test_a_gauge_that_hides_nothing_is_told_so(tmp_path: Path) -> None:
    file = _recorded(tmp_path / "pops.csv", LiveGauge(), 200.0)
    result = CliRunner().invoke(app, ["response", file])
    assert result.exit_code == 0, result.output
    assert "is shown whole, or too low by" in result.output
    assert result.output.endswith("  averaging_s = 0\n  lag_s = 0\n")


@pytest.mark.parametrize(
    ("lag_s", "rate_hz", "times", "why"),
    [
        (0.003, 40.0, 7, "That leaves open whether"),
        (0.02, 100.0, 12, "A lag of more than 10 ms is longer than strokes are"),
    ],
)
def test_nothing_is_stated_of_what_is_open_or_cannot_be_taken_out(
    tmp_path: Path, lag_s: float, rate_hz: float, times: int, why: str
) -> None:
    file = _recorded(tmp_path / "pops.csv", LiveGauge(lag_s=lag_s), rate_hz, times=times)
    result = CliRunner().invoke(app, ["response", file])
    assert result.exit_code == 1
    assert why in result.output
    assert "averaging_s" not in result.output


def test_falls_of_several_recordings_count_together(tmp_path: Path) -> None:
    gauge = LiveGauge(averaging_s=0.01)
    files = [_recorded(tmp_path / f"{seed}.csv", gauge, 100.0, times=5, seed=seed) for seed in (1, 2, 3)]
    few = CliRunner().invoke(app, ["response", files[0]])
    assert few.exit_code == 1
    assert "5 sudden falls" in few.output
    assert "At least 6 are needed" in few.output
    document = json.loads(CliRunner().invoke(app, ["response", "--json", *files]).stdout)
    assert document["falls"] == 15
    assert document["averaging_s"] == pytest.approx(0.01, abs=0.002)


def test_recordings_at_two_rates_are_refused(tmp_path: Path) -> None:
    files = [_recorded(tmp_path / f"{rate:g}.csv", LiveGauge(), rate, times=2) for rate in (100.0, 200.0)]
    result = CliRunner().invoke(app, ["response", *files])
    assert result.exit_code != 0
    assert "found 200 samples/s, expected the 100 of" in str(result.exception)


def test_what_is_not_shown_is_what_an_average_takes_off_a_parabola() -> None:
    # The mean of a parabola over w about its top is lower by w^2 / 24 of its second derivative (calculus): four times
    # as much for twice the time while it is short.
    once, twice = (not_shown(Response(averaging_s=each), 300.0) for each in (0.002, 0.004))
    assert twice == pytest.approx(4.0 * once, rel=0.1)
    assert not_shown(Response(), 600.0) == 0.0
