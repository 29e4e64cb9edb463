"""A trace whose times somebody rounded gives the peaks that it would give with all their digits."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from gaugelink.app.replay import replay
from gaugelink.app.traces import read_trace
from gaugelink.errors import RecordingError
from gaugelink.peak.events import EngineHints, GaugeKind, GaugeTraits
from tests.peak.shapes import clock, pulses, shown

LIVE = GaugeTraits(kind=GaugeKind.LIVE)


@pytest.fixture(scope="module")
def pull() -> tuple[np.ndarray, np.ndarray]:
    """Ten strokes of a live gauge that samples 450 times a second."""
    t = clock(6.0, 450.0)
    return t, shown(pulses(t, 2.5, 10))


def written(path: Path, t: np.ndarray, p: np.ndarray, decimals: int) -> Path:
    lines = (f"{a:.{decimals}f},{b:.1f}" for a, b in zip(t, p, strict=True))
    path.write_text("\n".join(["time_s,pressure_kpa", *lines]) + "\n", encoding="utf-8")
    return path


def peaks(file: Path) -> Iterator[float]:
    (found,) = replay([file], LIVE, EngineHints())
    return (stroke.peak_kpa for stroke in found.event.strokes)


@pytest.mark.parametrize("decimals", [3, 2])
def test_strokes_are_what_they_are_with_all_digits(
    tmp_path: Path, pull: tuple[np.ndarray, np.ndarray], decimals: int
) -> None:
    exact = list(peaks(written(tmp_path / "exact.csv", *pull, 7)))
    assert list(peaks(written(tmp_path / "rounded.csv", *pull, decimals))) == pytest.approx(exact, rel=0.002)


def test_it_is_said_that_times_were_rounded(tmp_path: Path, pull: tuple[np.ndarray, np.ndarray]) -> None:
    said: list[str] = []
    list(replay([written(tmp_path / "pull.csv", *pull, 3)], LIVE, EngineHints(), remark=said.append))
    assert any("its times are rounded to 1 ms; they are taken as those of a steady 450 samples/s" in s for s in said)


def test_times_that_repeat_without_a_steady_clock_are_refused(tmp_path: Path) -> None:
    t = np.sort(np.random.default_rng(3).uniform(0.0, 1.0, 200))
    with pytest.raises(RecordingError, match="must rise from line to line, or be those of a steady gauge"):
        read_trace(written(tmp_path / "pull.csv", t, 0 * t, 2))
