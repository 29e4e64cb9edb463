"""``gaugelink replay --decay``: a recorded trace, judged as the service judges, or refused with a reason."""

import json
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from gaugelink.app.cli import app
from gaugelink.app.leak_replay import read_reference
from gaugelink.errors import RecordingError, SettingsError
from simulators.vessel import Vessel, VesselRecord, watch

RUN = CliRunner()


def written(folder: Path, time_s: np.ndarray, pressure_kpa: np.ndarray) -> Path:
    file = folder / "case.csv"
    lines = [f"{t:.3f},{p:.4f}" for t, p in zip(time_s, pressure_kpa, strict=True)]
    file.write_text("\n".join(["time_s,pressure_kpa", *lines]) + "\n", encoding="utf-8")
    return file


def record_of(hole_mm: float = 0.15, duration_s: float = 120.0) -> VesselRecord:
    return watch(Vessel(volume_cm3=900.0, hole_mm=hole_mm, heated=0.01), 40.0, duration_s, quiet_s=5.0)


def replayed(file: Path, *more: str) -> list[dict[str, object]]:
    result = RUN.invoke(app, ["replay", "--decay", "--json", str(file), "--test-kpa", "40", *more])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code == 0, result.output
    return [json.loads(line) for line in result.stdout.splitlines()]


def test_a_recorded_hold_is_found_and_its_hole_measured(tmp_path: Path) -> None:
    record = record_of()
    (found,) = replayed(written(tmp_path, record.time_s, record.pressure_kpa), "--volume-cm3", "900")
    assert found["verdict"] == "fail"
    assert found["closed_s"] == pytest.approx(record.closed_s, abs=1.0)
    hole = found["hole_mm"]
    assert isinstance(hole, dict)
    assert hole["value"] == pytest.approx(0.15, rel=0.1)
    assert hole["low"] <= 0.15 <= hole["high"]
    assert found["certain_s"] < 60.0
    assert found["flags"] == []


def test_a_trace_that_begins_closed_is_one_hold(tmp_path: Path) -> None:
    record = record_of()
    held = record.time_s > record.closed_s
    (found,) = replayed(written(tmp_path, record.time_s[held], record.pressure_kpa[held]))
    assert found["duration_s"] == pytest.approx(120.0, abs=1.0)


def test_two_holds_of_one_trace_are_two_results(tmp_path: Path) -> None:
    first, second = record_of(0.1), record_of(0.3, 60.0)
    time_s = np.concatenate([first.time_s, second.time_s + first.time_s[-1] + 1.0])
    pressure = np.concatenate([first.pressure_kpa, second.pressure_kpa])
    found = replayed(written(tmp_path, time_s, pressure))
    assert [one["decay"] for one in found] == [1, 2]
    rates = [one["leak_kpa_per_min"]["value"] for one in found]
    assert rates[1] > 4.0 * rates[0]


def test_a_trace_with_holes_and_too_much_pressure_says_so(tmp_path: Path) -> None:
    record = record_of()
    there = (record.time_s < record.closed_s + 20.0) | (record.time_s > record.closed_s + 60.0)
    (found,) = replayed(written(tmp_path, record.time_s[there], record.pressure_kpa[there]), "--highest-kpa", "40")
    assert "gaps" in found["flags"]
    assert found["over_kpa"] is None or found["over_kpa"] > 40.0


@pytest.mark.parametrize("air_kpa", [99.0, 57.7])
def test_an_absolute_gauge_is_measured_from_its_rest_and_flagged(tmp_path: Path, air_kpa: float) -> None:
    """57.7 kPa: the standard atmosphere at 4,500 m (ISO 2533)."""
    record = record_of()
    (found,) = replayed(written(tmp_path, record.time_s, record.pressure_kpa + air_kpa))
    assert "absolute" in found["flags"]
    assert found["start_kpa"] == pytest.approx(40.0, abs=0.5)


@pytest.mark.parametrize(
    ("lift_kpa", "more", "told"),
    [
        (99.0, (), "absolute pressure"),
        (-39.0, (), "nothing in it is a decay"),
    ],
)
def test_what_is_no_decay_is_refused(tmp_path: Path, lift_kpa: float, more: tuple[str, ...], told: str) -> None:
    record = record_of()
    held = record.time_s > record.closed_s
    file = written(tmp_path, record.time_s[held], record.pressure_kpa[held] + lift_kpa)
    with pytest.raises(RecordingError, match=told):
        replayed(file, *more)


@pytest.mark.parametrize(
    ("option", "value", "told"),
    [
        ("--volume-cm3", "0", "--volume-cm3: found 0"),
        ("--loss-kpa", "-1", "--loss-kpa: found -1"),
        ("--highest-kpa", "20", "40.0 kPa, is above the highest that is allowed, 20.0 kPa"),
    ],
)
def test_a_limit_that_cannot_be_is_refused(tmp_path: Path, option: str, value: str, told: str) -> None:
    record = record_of()
    with pytest.raises(SettingsError, match=told):
        replayed(written(tmp_path, record.time_s, record.pressure_kpa), option, value)


def test_a_reference_beside_the_trace_takes_out_the_weather(tmp_path: Path) -> None:
    record = record_of(0.0, 300.0)
    held = record.time_s > record.closed_s
    # The barometer rises by 1 kPa in five minutes; a gauge that reads above ambient falls by as much.
    rise = np.clip(record.time_s - record.closed_s, 0.0, None) / 300.0
    file = written(tmp_path, record.time_s[held], (record.pressure_kpa - rise)[held])
    beside = tmp_path / "beside.csv"
    beside.write_text(f"time_s,ambient_abs_kpa\n{record.closed_s},100.0\n{record.closed_s + 300.0},101.0\n")
    blind, seeing = replayed(file)[0], replayed(file, "--reference", str(beside))[0]
    assert blind["leak_kpa_per_min"]["low"] > 0.05
    assert seeing["leak_kpa_per_min"]["low"] == 0.0
    assert seeing["leak_kpa_per_min"]["value"] < 0.05
    beside.write_text("time_s,ambient_abs_kpa\n0,100.0\n1,none\n")
    with pytest.raises(RecordingError, match="line 3: ambient_abs_kpa: found 'none'"):
        replayed(file, "--reference", str(beside))
    beside.write_text(f"time_s;ambient_abs_kpa\n{record.closed_s:.3f};100,0\n400;101,3\n".replace(".", ","))
    assert replayed(file, "--reference", str(beside))[0]["leak_kpa_per_min"]["low"] == 0.0
    beside.write_text("time_s,ambient_abs_kpa\n0,100,0\n1,101,0\n")
    with pytest.raises(RecordingError, match="line 2: there are 3 cells under 2 columns"):
        replayed(file, "--reference", str(beside))


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["begin", "--test", "0"], "--test: 0 psi is too little; it must be above 0."),
        (["begin", "--test", "80"], "--test: 80 psi is above 72.5 psi, the most that is taken."),
        (["begin", "--loss", "6", "--unit", "bar"], "--loss: 6 bar is above 5 bar, the most that is taken."),
        (["begin", "--highest", "inf"], "--highest: found inf psi; expected a pressure."),
        (["differential", "MAG", "--highest", "500"], "--highest: 500 psi is above 217.5 psi, the most that is taken."),
        (["differential", "MAG", "--supply", "400"], "--supply: 400 psi is above 145 psi, the most that is taken."),
        (["differential", "MAG", "--supply", "1001", "--unit", "kPa"], "--supply: 1001 kPa is above 1000 kPa"),
        (["differential", "MAG", "--discharge", "0.2"], "--discharge: found 0.2"),
        (["differential", "MAG", "--fails-above", "100"], "--fails-above: found 100"),
        (["begin", "--volume-cm3", "0"], "--volume-cm3: found 0"),
        (["differential", "MAG", "--orifice-mm", "0"], "--orifice-mm: found 0"),
        (["volume", "60", "5", "5"], "open hose"),
        (["orifice", "1", "3", "80", "40"], "Check both diameters"),
    ],
)
def test_numbers_that_cannot_be_are_refused_before_anything_is_asked(options: list[str], told: str) -> None:
    result = RUN.invoke(app, ["decay", *options])
    assert isinstance(result.exception, SettingsError | RecordingError)
    assert told in str(result.exception)


def test_volume_and_orifice_are_found_on_the_command_line() -> None:
    # 60 cm3 at 100 kPa raise 1000 cm3 by 6 kPa (Boyle's law).
    found = RUN.invoke(app, ["decay", "volume", "60", "0", "6", "--unit", "kPa", "--ambient-kpa", "100"])
    assert found.stdout.startswith("1000 ± ")
    # Equal areas with the master choked: p2 / p1 = 0.8075 absolute (see tests/leak/test_differential.py).
    between = str(0.80746 * (101.325 + 400.0) - 101.325)
    found = RUN.invoke(app, ["decay", "orifice", "1.0001", "1.0", "400", between, "--unit", "kPa"])
    assert found.stdout.startswith("Discharge coefficient 1.000")


def test_the_table_is_a_sentence_for_a_person(tmp_path: Path) -> None:
    record = record_of()
    file = written(tmp_path, record.time_s, record.pressure_kpa)
    result = RUN.invoke(app, ["replay", "--decay", str(file), "--test-kpa", "40", "--volume-cm3", "900"])
    assert result.exit_code == 0
    assert "case.csv 1: fail. The leak is" in result.stdout
    assert "As a hole of 0.1" in result.stdout


def test_the_sentence_of_a_replayed_hold_is_in_the_unit_that_was_asked_for(tmp_path: Path) -> None:
    record = record_of()
    file = written(tmp_path, record.time_s, record.pressure_kpa)
    (psi,), (bar,) = replayed(file), replayed(file, "--unit", "bar")
    assert " psi a minute " in str(psi["reason"])
    assert " bar a minute " in str(bar["reason"])
    assert psi["leak_kpa_per_min"] == bar["leak_kpa_per_min"]


def test_frames_that_the_layout_refuses_are_told_beside_a_decay(tmp_path: Path) -> None:
    record = record_of()
    layout = tmp_path / "gauge.toml"
    layout.write_text(
        'name = "two bytes"\nunit = "kPa"\nrate_hz = 50\nlisten = { characteristic = "fff1" }\n'
        'pressure = { at = 0, format = "s16", scale = 0.01 }\n',
        encoding="utf-8",
    )
    frames = [
        json.dumps({"t_s": float(t), "hex": round(100 * p).to_bytes(2, "little", signed=True).hex()})
        for t, p in zip(record.time_s, record.pressure_kpa, strict=True)
    ]
    frames[200] = json.dumps({"t_s": float(record.time_s[200]), "hex": "00"})
    file = tmp_path / "decay.jsonl"
    file.write_text("\n".join(['{"recording": "gaugelink", "version": 1}', *frames]), encoding="utf-8")
    words = ["replay", "--decay", "--json", str(file), "--layout", str(layout), "--test-kpa", "40"]
    result = RUN.invoke(app, words, catch_exceptions=False)
    assert [json.loads(line)["verdict"] for line in result.stdout.splitlines()] == ["fail"]
    assert f"the layout refuses 1 of its {len(frames)} frames." in result.stderr


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("time_s,ambient_abs_kpa\n0,99\n60,nan\n", "line 3: ambient_abs_kpa: found 'nan'; expected a finite number"),
        (f"time_s,ambient_abs_kpa\n0,{'9' * 200_000}\n", "line 2: this is not CSV: field larger than"),
        ('time_s,ambient_abs_kpa\n0,"99\n', "this is not CSV"),
    ],
)
def test_a_reference_that_is_no_table_of_numbers_is_refused_with_its_line(tmp_path: Path, text: str, told: str) -> None:
    beside = tmp_path / "beside.csv"
    beside.write_text(text, encoding="utf-8")
    with pytest.raises(RecordingError, match=told):
        read_reference(beside)


def test_a_reference_is_read_as_a_spreadsheet_writes_it(tmp_path: Path) -> None:
    beside = tmp_path / "beside.csv"
    beside.write_text(
        "sep=;\r\nTime_s; Ambient_abs_kPa;\r\n0;99,5\r\n60;99,75\r\n;\r\n", encoding="utf-8-sig", newline=""
    )
    reference = read_reference(beside)
    assert reference.time_s.tolist() == [0.0, 60.0]
    assert reference.ambient_abs_kpa is not None
    assert reference.ambient_abs_kpa.tolist() == [99.5, 99.75]


def test_a_reference_that_cannot_be_read_is_told_in_words(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match=r"cannot be read: it is a folder\.$"):
        read_reference(tmp_path)
