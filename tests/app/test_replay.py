"""``gaugelink replay``: its table, its picture and the running service write an event as page and report do."""

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.figure import Figure
from typer.testing import CliRunner

from gaugelink.app.cli import app
from gaugelink.app.commands import files
from gaugelink.app.replay import ReplayedEvent, replay
from gaugelink.app.running import PlainLines
from gaugelink.app.step import Step
from gaugelink.app.traceplot import draw_events
from gaugelink.engine.units import PressureUnit
from gaugelink.errors import GaugelinkError
from gaugelink.peak.events import EngineHints, Flag, GaugeTraits
from gaugelink.report.plain import FLAG_WORDS
from tests.peak.shapes import clock, pulses, shown, stairs

GAUGES = Path(__file__).parents[2] / "config" / "gauges"


@pytest.fixture
def trace(tmp_path: Path) -> Path:
    """Four strokes of a held gauge that was on its way to 900 kPa."""
    t = clock(20.0, 100.0)
    lines = [f"{a:.3f},{b:.1f}" for a, b in zip(t, shown(stairs(t, 5.0, 4)), strict=True)]
    file = tmp_path / "cut short.csv"
    file.write_text("\n".join(["time_s,pressure_kpa", *lines]) + "\n", encoding="utf-8")
    return file


def event_of(trace: Path) -> ReplayedEvent:
    (found,) = replay([trace], GaugeTraits(), EngineHints())
    return found


def legend_and_title(found: ReplayedEvent, unit: PressureUnit, monkeypatch: pytest.MonkeyPatch) -> str:
    """What is written in the picture of an event."""
    drawn: list[Figure] = []
    monkeypatch.setattr(Figure, "savefig", lambda figure, *_, **__: drawn.append(figure))
    draw_events([found], unit, Path("unused.png"))
    (axes,) = drawn[0].axes
    legend = axes.get_legend()
    assert legend is not None
    return " | ".join([*(text.get_text() for text in legend.get_texts()), axes.get_title(loc="left")])


def table_of(trace: Path, *more: str) -> str:
    result = CliRunner().invoke(app, ["replay", str(trace), *more], env={"COLUMNS": "400"}, catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return " ".join(result.stdout.split())


def line_of(found: ReplayedEvent, unit: PressureUnit) -> str:
    lines: list[str] = []
    PlainLines(unit, lines.append).stepped(Step(event=found.event))
    (line,) = lines
    return line


@pytest.mark.parametrize("unit", [PressureUnit.PSI, PressureUnit.KPA, PressureUnit.BAR])
def test_an_event_has_one_peak_and_uncertainty_in_table_picture_and_line(
    trace: Path, unit: PressureUnit, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = event_of(trace)
    value, doubt = unit.with_doubt(found.event.peak_kpa, found.event.peak_u_kpa)
    assert np.isclose(unit.to_kpa(float(value)), found.event.peak_kpa, rtol=0.01)
    assert f"{len(found.event.strokes)} {value} {doubt} " in table_of(trace, "--unit", unit.value)
    assert f"peak {value} ± {doubt} {unit.value} |" in legend_and_title(found, unit, monkeypatch)
    assert f" {value} ± {doubt} {unit.value} " in line_of(found, unit)


def test_why_an_event_is_doubted_is_told_in_the_words_of_the_report(
    trace: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = event_of(trace)
    flags = frozenset(Flag)
    words = ", ".join(FLAG_WORDS[flag] for flag in Flag)
    doubted = replace(found, event=replace(found.event, flags=flags))
    assert line_of(doubted, PressureUnit.PSI).endswith(f" ({words}).")
    assert f"({words})" in legend_and_title(doubted, PressureUnit.PSI, monkeypatch)
    monkeypatch.setattr(files, "replay", lambda *_, **__: iter([doubted]))
    assert f" {words}, was going to " in table_of(trace)
    assert json.loads(CliRunner().invoke(app, ["replay", str(trace), "--json"]).stdout)["flags"] == sorted(flags)


def test_a_file_in_psi_under_a_header_in_kpa_is_remarked_on_and_read_right_under_its_own(
    trace: Path, tmp_path: Path
) -> None:
    rows = [line.split(",") for line in trace.read_text(encoding="utf-8").splitlines()[1:]]
    in_psi = [f"{time};{PressureUnit.PSI.from_kpa(float(kpa)):.2f}".replace(".", ",") for time, kpa in rows]
    file = tmp_path / "psi.csv"
    for column in ("pressure_kpa", "pressure_psi"):
        file.write_text("\n".join([f"time_s;{column}", *in_psi]) + "\n", encoding="utf-8")
        result = CliRunner().invoke(app, ["replay", str(file), "--json"], catch_exceptions=False)
        assert ("very low for a compression pull" in result.stderr) is (column == "pressure_kpa")
    assert json.loads(result.stdout)["peak_kpa"] == pytest.approx(event_of(trace).event.peak_kpa, rel=1e-3)


def test_a_recording_of_frames_is_replayed_through_its_layout() -> None:
    recording, layout, expected = (
        GAUGES / f"streaming-u16.{end}" for end in ("recording.jsonl", "toml", "expected.json")
    )
    words = ["replay", str(recording), "--layout", str(layout), "--json"]
    result = CliRunner().invoke(app, words, catch_exceptions=False)
    assert result.exit_code == 0, result.output
    (event,) = (json.loads(line) for line in result.stdout.splitlines())
    sent = json.loads(expected.read_text(encoding="utf-8"))
    highest_kpa = PressureUnit(sent["unit"]).to_kpa(max(max(frame) for frame in sent["frames"] if frame is not None))
    assert event["peak_kpa"] == pytest.approx(highest_kpa, rel=0.01)
    assert len(event["strokes"]) > 10
    # Two frames give no pressure: one fails its checksum, the other is a repeat.
    assert sum(frame is None for frame in sent["frames"]) == 2
    assert "the layout refuses 1 of its 60 frames." in result.stderr


@pytest.mark.parametrize("kind", ["live", "held"])
def test_a_trace_that_reaches_the_full_scale_of_its_gauge_is_flagged(kind: str, tmp_path: Path) -> None:
    t = clock(6.0, 200.0)
    pressure = np.clip(pulses(t, 3.0, 8) if kind == "live" else stairs(t, 3.0, 8), 0.0, 600.0)
    file = tmp_path / "clipped.csv"
    lines = [f"{a:.3f},{b:.1f}" for a, b in zip(t, pressure, strict=True)]
    file.write_text("\n".join(["time_s,pressure_kpa", *lines]), encoding="utf-8")
    for full_scale, flagged in (
        ((), False),
        (("--range-kpa", "600"), True),
        (("--range-kpa", "600.05", "--resolution-kpa", "0.1"), True),
        (("--range-kpa", "600.1", "--resolution-kpa", "0.1"), False),
        (("--range-kpa", "2000"), False),
    ):
        words = ["replay", str(file), "--json", "--kind", kind, *full_scale]
        result = CliRunner().invoke(app, words, catch_exceptions=False)
        (event,) = (json.loads(line) for line in result.stdout.splitlines())
        assert ("over_range" in event["flags"]) is flagged


def test_a_trace_shows_the_steps_in_which_its_gauge_comes_short_of_its_full_scale(tmp_path: Path) -> None:
    """300 psi are 2068.43 kPa: whole kPa end at 2068."""
    t = clock(6.0, 200.0)
    pressure = np.clip(shown(pulses(t, 3.0, 8, top_kpa=2500.0), zero_kpa=0.0), 0.0, 2068.0)
    file = tmp_path / "clipped.csv"
    lines = [f"{a:.3f},{b:.0f}" for a, b in zip(t, pressure, strict=True)]
    file.write_text("\n".join(["time_s,pressure_kpa", *lines]), encoding="utf-8")
    words = ["replay", str(file), "--json", "--kind", "live", "--range-kpa", "2068.43"]
    result = CliRunner().invoke(app, words, catch_exceptions=False)
    (event,) = (json.loads(line) for line in result.stdout.splitlines())
    assert "over_range" in event["flags"]
    assert max(stroke["peak_kpa"] for stroke in event["strokes"]) > 2300.0


def test_frames_that_say_they_are_over_range_are_flagged_as_in_the_service(tmp_path: Path) -> None:
    """The gauge sends the highest that it can show, and a status bit that says so."""
    layout = tmp_path / "gauge.toml"
    layout.write_text(
        'name = "with status"\nunit = "kPa"\nrate_hz = 200\nlisten = { characteristic = "fff1" }\n'
        'pressure = { at = 0, format = "u16", scale = 0.1 }\nstatus = { at = 2, format = "u8", over_range = 1 }\n',
        encoding="utf-8",
    )
    t = clock(6.0, 200.0)
    lines = ['{"recording": "gaugelink", "version": 1}']
    for time, kpa in zip(t.tolist(), pulses(t, 3.0, 8).tolist(), strict=True):
        frame = round(10 * min(kpa, 600.0)).to_bytes(2, "little") + bytes([kpa > 600.0])
        lines.append(json.dumps({"t_s": time, "hex": frame.hex()}))
    file = tmp_path / "gauge.jsonl"
    file.write_text("\n".join(lines), encoding="utf-8")
    result = CliRunner().invoke(app, ["replay", str(file), "--json", "--layout", str(layout)], catch_exceptions=False)
    (event,) = (json.loads(line) for line in result.stdout.splitlines())
    assert "over_range" in event["flags"]


@pytest.mark.parametrize(("frames", "every_s"), [(7, 0.5), (40, 0.005)])
def test_a_recording_too_short_to_learn_its_rate_from_says_what_the_layout_lacks(
    frames: int, every_s: float, tmp_path: Path
) -> None:
    table = 'name = "x"\nunit = "kPa"\nlisten = { characteristic = "fff1" }\n'
    table += 'sequence = { at = 0, format = "u8" }\npressure = { at = 1, format = "u8", count = 10 }\n'
    lines = ['{"recording": "gaugelink", "version": 1}']
    lines += [json.dumps({"t_s": every_s * n, "hex": bytes([n] * 11).hex()}) for n in range(frames)]
    file, layout = tmp_path / "gauge.jsonl", tmp_path / "gauge.toml"
    file.write_text("\n".join(lines), encoding="utf-8")
    layout.write_text(table, encoding="utf-8")
    with pytest.raises(GaugelinkError, match=f"states no rate_hz, and {frames} frames are too few"):
        CliRunner().invoke(app, ["replay", str(file), "--layout", str(layout)], catch_exceptions=False)
    layout.write_text(f"{table}rate_hz = {10 / every_s}\n", encoding="utf-8")
    result = CliRunner().invoke(app, ["replay", str(file), "--layout", str(layout)], catch_exceptions=False)
    assert result.exit_code == 0, result.output


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ([], "give the file of their layout with --layout"),
        (["--layout", "auto"], "a recording does not describe itself"),
        (["--layout", str(GAUGES / "text-line.toml")], "found 0 samples; .* the layout refuses .* of its 60 frames"),
        (["--decay"], "give the file of their layout with --layout"),
    ],
)
def test_a_recording_without_the_layout_that_fits_is_refused(more: list[str], said: str) -> None:
    with pytest.raises(GaugelinkError, match=said):
        CliRunner().invoke(
            app, ["replay", str(GAUGES / "streaming-u16.recording.jsonl"), *more], catch_exceptions=False
        )


def test_a_recording_without_typed_readings_says_how_they_are_added(tmp_path: Path) -> None:
    """The line that is shown is taken as it is shown."""
    copy = tmp_path / "gauge.jsonl"
    copy.write_text((GAUGES / "streaming-u16.recording.jsonl").read_text(encoding="utf-8"), encoding="utf-8")
    words = ["learn", str(copy), "--out", str(tmp_path / "gauge.toml")]
    with pytest.raises(GaugelinkError, match="no reading of the display is in it") as caught:
        CliRunner().invoke(app, words, catch_exceptions=False)
    line = json.loads(re.findall(r"\{.*\}", str(caught.value))[0])
    with copy.open("a", encoding="utf-8") as file:
        file.write(json.dumps(line) + "\n")
    with pytest.raises(GaugelinkError, match="3 different pressures are needed; there are"):
        CliRunner().invoke(app, words, catch_exceptions=False)


def test_a_lag_that_cannot_be_taken_out_is_refused_for_a_trace_too(trace: Path) -> None:
    def said(*more: str) -> tuple[int, str]:
        result = CliRunner().invoke(app, ["replay", str(trace), *more])
        return result.exit_code, str(result.exception or result.output)

    code, words = said("--lag-s", "2")
    assert code != 0
    assert "--lag-s: a lag of 2 s is more than any pressure gauge has." in words
    code, words = said("--lag-s", "0.05")
    assert code != 0
    assert "state kind as held" in words
    assert said("--lag-s", "0.05", "--kind", "held")[0] == 0
