"""A trace is read whole or refused with the file, the line and what was expected."""

from pathlib import Path

import pytest

from gaugelink.app.traces import read_trace
from gaugelink.errors import RecordingError


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "pull.csv"
    path.write_text(text)
    return path


def test_more_columns_are_ignored_wherever_they_stand(tmp_path: Path) -> None:
    trace = read_trace(written(tmp_path, "note,pressure_kpa,time_s\na,1,0.0\nb,2,0.1\n\n"))
    assert trace.time_s.tolist() == [0.0, 0.1]
    assert trace.pressure_kpa.tolist() == [1.0, 2.0]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "an empty file"),
        ("time,pressure\n0,1\n", "line 1: found time, pressure"),
        ("time_s,pressure_kpa\n0,1\n0.1,high\n", "line 3: found '0.1,high'"),
        ("time_s,pressure_kpa\n0,1\n0.1\n", "line 3: found '0.1'"),
        ("time_s,pressure_kpa\n0,1\n0.1,nan\n", "line 3: found '0.1,nan'; expected finite"),
        ("time_s,pressure_kpa\n0,1\n0.2,1\n0.1,1\n", "line 4: time 0.1 s comes after 0.2 s"),
        ("time_s,pressure_kpa\n0,1\n", "found 1 sample;"),
    ],
)
def test_a_bad_trace_is_refused_with_its_line(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(RecordingError) as caught:
        read_trace(written(tmp_path, text))
    assert said in str(caught.value)
    assert "pull.csv" in str(caught.value)


def test_a_file_that_is_not_there_or_not_text_is_told(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="cannot be read"):
        read_trace(tmp_path / "none.csv")
    binary = tmp_path / "binary.csv"
    binary.write_bytes(b"\xff\xfe\x00\x81")
    with pytest.raises(RecordingError, match="not a text file"):
        read_trace(binary)
