"""A trace that somebody logged from outside, with the times at which samples arrived, gives the peaks it would have."""

import json
import struct
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from gaugelink.app.cli import app
from gaugelink.app.replay import replay
from gaugelink.errors import RecordingError
from gaugelink.gauge.layout import load_layout
from gaugelink.peak.events import EngineHints, GaugeKind, GaugeTraits
from tests.app.test_rounded_traces import written
from tests.gauge.test_arrivals import arrivals
from tests.peak.shapes import clock, pulses, shown

LIVE = GaugeTraits(kind=GaugeKind.LIVE)


@pytest.fixture(scope="module")
def pull() -> tuple[np.ndarray, np.ndarray]:
    """Ten strokes of a live gauge that samples 200 times a second."""
    t = clock(6.0, 200.0)
    return t, shown(pulses(t, 2.5, 10))


def late(t: np.ndarray) -> np.ndarray:
    """Times that are late by less than the time between samples: none comes before the one before it."""
    return t + np.random.default_rng(4).uniform(0.0, 0.004, len(t))


def peaks(file: Path, *, steady: bool = False) -> tuple[Sequence[float], list[str]]:
    said: list[str] = []
    (found,) = replay([file], LIVE, EngineHints(), remark=said.append, steady=steady)
    return [stroke.peak_kpa for stroke in found.event.strokes], said


@pytest.mark.parametrize(("turn_s", "late_s"), [(0.03, 0.0), (0.03, 0.002), (0.0, 0.01)])
def test_times_that_repeat_are_taken_as_those_of_arrival(
    tmp_path: Path, pull: tuple[np.ndarray, np.ndarray], turn_s: float, late_s: float
) -> None:
    t, p = pull
    exact, _ = peaks(written(tmp_path / "exact.csv", t, p, 7))
    found, said = peaks(written(tmp_path / "logged.csv", arrivals(t, turn_s, late_s), p, 3))
    assert found == pytest.approx(exact, rel=0.01)
    assert any("steady 200 samples/s" in sentence for sentence in said)


def test_times_that_only_scatter_are_asked_about_and_put_right_where_that_is_stated(
    tmp_path: Path, pull: tuple[np.ndarray, np.ndarray]
) -> None:
    t, p = pull
    exact, told = peaks(written(tmp_path / "exact.csv", t, p, 7))
    assert not any("--steady" in sentence for sentence in told)
    file = written(tmp_path / "logged.csv", late(t), p, 7)
    asis, said = peaks(file)
    (sentence,) = (one for one in said if "--steady" in one)
    assert "around those of a steady 200 samples/s. If they are when the samples arrived" in sentence
    found, said = peaks(file, steady=True)
    off, was_off = (np.abs(np.array(one) / exact - 1.0).max() for one in (found, asis))
    assert off < 0.2 * was_off
    assert any("its times are taken as those at which the samples of a steady 200 samples/s arrived" in s for s in said)


def test_a_short_recording_of_single_values_is_put_on_the_clock_that_it_shows(
    tmp_path: Path, pull: tuple[np.ndarray, np.ndarray]
) -> None:
    """What `inspect --save` wrote of a gauge of which nothing is known: its times are of arrival, whatever shows."""
    t, p = pull
    t, p = t[400:1000] - t[400], p[400:1000]
    layout = load_layout(
        {
            "name": "x", "unit": "kPa", "listen": {"characteristic": "2a6d"},
            "pressure": {"at": 0, "format": "f32"},
        }
    )  # fmt: skip
    file = tmp_path / "gauge.jsonl"
    frames = zip(late(t), p.tolist(), strict=True)
    lines = [json.dumps({"recording": "gaugelink", "version": 1})]
    lines += [json.dumps({"t_s": round(at, 6), "hex": struct.pack("<f", kpa).hex()}) for at, kpa in frames]
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    exact, _ = peaks(written(tmp_path / "exact.csv", t, p, 7))
    (found,) = replay([file], LIVE, EngineHints(), layout=layout)
    assert [stroke.peak_kpa for stroke in found.event.strokes] == pytest.approx(exact, rel=0.001)


def test_times_stated_as_of_arrival_that_keep_to_no_one_pace_are_said_to(
    tmp_path: Path, pull: tuple[np.ndarray, np.ndarray]
) -> None:
    t, p = pull
    slower = np.concatenate([late(t), 10.0 + late(2.0 * t)])
    told: list[str] = []
    two = written(tmp_path / "two.csv", slower, np.concatenate([p, p]), 7)
    assert list(replay([two], LIVE, EngineHints(), remark=told.append, steady=True))
    _, plain = peaks(written(tmp_path / "one.csv", late(t), p, 7), steady=True)
    assert any("two recordings. Do not rely on the speeds" in one for one in told)
    assert not any("Do not rely" in one for one in plain)


def test_what_cannot_be_times_of_arrival_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="are not when the samples of a steady gauge arrived"):
        peaks(written(tmp_path / "short.csv", np.arange(20) / 100.0, np.zeros(20), 3), steady=True)


def test_it_is_an_option_of_replay(tmp_path: Path, pull: tuple[np.ndarray, np.ndarray]) -> None:
    t, p = pull
    file = written(tmp_path / "logged.csv", late(t), p, 7)
    result = CliRunner().invoke(app, ["replay", str(file), "--kind", "live", "--steady"])
    assert result.exit_code == 0, result.output
    assert "arrived, up to" in result.stderr


@pytest.mark.parametrize("more", [["--decay"], ["--layout", "one.toml"]])
def test_it_is_refused_where_it_says_nothing(tmp_path: Path, more: list[str]) -> None:
    result = CliRunner().invoke(app, ["replay", str(tmp_path / "x.csv"), "--steady", *more])
    assert result.exit_code == 1
    assert "--steady is of the times in a CSV trace of pulls" in str(result.exception)
