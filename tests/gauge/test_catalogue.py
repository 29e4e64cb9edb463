"""Every layout in config/gauges reads the recording beside it as the pressures it was made from."""

import json
from pathlib import Path

import numpy as np
import pytest

from gaugelink.engine.units import PressureUnit
from gaugelink.gauge.frames import FrameReader
from gaugelink.gauge.layout import load_layout
from gaugelink.gauge.recording import read_recording
from gaugelink.gauge.standard import environmental_pressure

CATALOGUE = Path(__file__).parents[2] / "config" / "gauges"
LAYOUTS = sorted(CATALOGUE.glob("*.toml"))


def test_the_catalogue_is_there():
    assert len(LAYOUTS) >= 8


@pytest.mark.parametrize("path", LAYOUTS, ids=lambda path: path.stem)
def test_a_layout_reads_its_recording_as_the_values_beside_it(path):
    layout = load_layout(path.read_text(encoding="utf-8"), path.name)
    recording = read_recording(path.with_suffix(".recording.jsonl"))
    expected = json.loads(path.with_suffix(".expected.json").read_text(encoding="utf-8"))
    unit = PressureUnit(expected["unit"])
    reader = FrameReader("gauge", layout)
    read, over, times = [], [], []
    refused = []
    for arrival_s, payload in recording.frames:
        batch = reader.feed(payload, arrival_s)
        if batch is None:
            refused.append(payload)
            continue
        read.extend(unit.from_kpa(batch.pressure_kpa + reader.zero_kpa).tolist())
        over.extend(batch.over_range.tolist())
        times.extend(batch.time_s.tolist())
    if "samples" in expected:
        wanted = expected["samples"]
    else:
        wanted = [value for frame in expected["frames"] if frame is not None for value in frame]
    assert read == pytest.approx(wanted, rel=1e-9, abs=1e-9)
    assert (np.diff(times) > 0).all()
    counts = reader.counts
    for name in ("malformed", "duplicated", "lost_samples", "short", "long", "out_of_order"):
        if name in expected.get("counts", {}) or name != "lost_samples":
            assert getattr(counts, name) == expected.get("counts", {}).get(name, 0), name
    assert reader.battery_percent == expected.get("battery_percent")
    if "zero" in expected:
        assert unit.from_kpa(reader.zero_kpa) == pytest.approx(expected["zero"], abs=expected["zero_within"])
    limit = expected.get("over_range_above", float("inf"))
    assert over == [value > limit for value in wanted]


def test_the_built_in_standard_layout_is_the_one_in_the_catalogue():
    path = CATALOGUE / "environmental-sensing.toml"
    assert load_layout(path.read_text(encoding="utf-8"), path.name) == environmental_pressure()
