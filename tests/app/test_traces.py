"""A trace is read whole or refused with the file, the line and what was expected."""

import gzip
from pathlib import Path

import pytest

from gaugelink.app.traces import read_trace, remark_on
from gaugelink.engine.units import PressureUnit
from gaugelink.errors import RecordingError


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "pull.csv"
    path.write_text(text)
    return path


def test_more_columns_are_ignored_wherever_they_stand(tmp_path: Path) -> None:
    trace = read_trace(written(tmp_path, "note,pressure_kpa,time_s\na,1,0.0\nb,2,0.1\n\n"))
    assert trace.time_s.tolist() == [0.0, 0.1]
    assert trace.pressure_kpa.tolist() == [1.0, 2.0]


@pytest.mark.parametrize("separator", [";", "\t"])
def test_decimal_commas_are_read_where_commas_do_not_part_the_columns(tmp_path: Path, separator: str) -> None:
    rows = [("time_s", "pressure_kpa"), ("0,000", "0,123"), ("0,005", "930,25")]
    trace = read_trace(written(tmp_path, "".join(separator.join(row) + "\n" for row in rows)))
    assert trace.time_s.tolist() == [0.0, 0.005]
    assert trace.pressure_kpa.tolist() == [0.123, 930.25]


@pytest.mark.parametrize("unit", [PressureUnit.PSI, PressureUnit.BAR, PressureUnit.KPA])
def test_a_pressure_is_read_in_the_unit_that_its_column_names(tmp_path: Path, unit: PressureUnit) -> None:
    trace = read_trace(written(tmp_path, f"time_s,pressure_{unit.value}\n0,0\n0.1,{unit.from_kpa(930.0)}\n"))
    assert trace.pressure_kpa.tolist() == pytest.approx([0.0, 930.0])


@pytest.mark.parametrize(
    ("column", "times"), [("time_s", "0.5 0.75"), ("time_ms", "500 750"), ("time_us", "5e5 7.5e5")]
)
def test_a_time_is_read_in_the_unit_that_its_column_names(tmp_path: Path, column: str, times: str) -> None:
    first, second = times.split()
    trace = read_trace(written(tmp_path, f"{column},pressure_kpa\n{first},0\n{second},1\n"))
    assert trace.time_s.tolist() == pytest.approx([0.5, 0.75])


def test_the_column_in_kpa_is_read_where_there_are_several(tmp_path: Path) -> None:
    trace = read_trace(written(tmp_path, "time_s,pressure_psi,pressure_kpa\n0,0,1\n0.1,135,930\n"))
    assert trace.pressure_kpa.tolist() == [1.0, 930.0]


@pytest.mark.parametrize(
    ("column", "highest", "said"), [("kpa", 149, "22 psi, very low"), ("psi", 930, "930 psi, very high")]
)
def test_a_trace_in_another_unit_than_its_column_says_is_remarked_on(
    tmp_path: Path, column: str, highest: float, said: str
) -> None:
    trace = read_trace(written(tmp_path, f"time_s,pressure_{column}\n0,0\n0.1,{highest}\n"))
    remark = remark_on(trace, PressureUnit.PSI)
    assert remark is not None
    assert f"the highest pressure in it is {said}" in remark
    assert f"pressure_{column}" in remark


def test_a_weak_cylinder_and_a_good_one_are_not_remarked_on(tmp_path: Path) -> None:
    for highest in (330, 930):
        trace = read_trace(written(tmp_path, f"time_s,pressure_kpa\n0,0\n0.1,{highest}\n"))
        assert remark_on(trace, PressureUnit.PSI) is None


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "an empty file"),
        ("time_s,pressure_kpa\n0,000,0,123\n", "line 2: found '0,000,0,123': there are 4 cells under 2 columns"),
        ("time_s,pressure_kpa\n0,1\n\n300,930,00\n", "line 4: found '300,930,00': there are 3 cells"),
        ("time_s,pressure_kpa\n0,000,0,123\n", "part the columns by semicolons where commas are decimal"),
        ("time_s;pressure_kpa\n0,1;2;3\n", "line 2: found '0,1;2;3': there are 3 cells under 2 columns"),
        ("time_s;pressure_kpa\n0;1\n0;2\n", "line 3: time 0 s comes after 0 s"),
        ("time_s,pressure_kpa\n0,1\n\n0,2\n", "line 4: time 0 s comes after 0 s"),
        ('time_s,pressure_kpa\n0,"1\n', "line 2: this is not CSV"),
        ("time_s,pressure_torr\n0,1\n", "expected a header with time_s,pressure_kpa, or with pressure_psi"),
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
    binary.write_bytes(b"\xff\xfe\x00\xd8")
    with pytest.raises(RecordingError, match="not a text file"):
        read_trace(binary)


def test_a_comma_at_the_end_of_a_row_loses_nothing(tmp_path: Path) -> None:
    assert read_trace(written(tmp_path, "time_s,pressure_kpa\n0,1,\n0.1,2,\n")).pressure_kpa.tolist() == [1.0, 2.0]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("time_s,pressure_kpa\n0,0\n0.1,1e200\n0.2,0\n", "line 3: found 1e+200; no pressure is as far from nothing"),
        ("time_s,pressure_psi\n0,0\n0.1,-1e308\n", "line 3: found -1e+308; no pressure"),
        ("time_s,pressure_kpa\n1e-12,0\n2e-12,9\n", "line 3: time 2e-12 s comes after 1e-12 s; times must rise"),
    ],
)
def test_numbers_that_nothing_measured_are_refused_before_anything_is_made_of_them(
    tmp_path: Path, text: str, said: str
) -> None:
    with pytest.raises(RecordingError) as caught:
        read_trace(written(tmp_path, text))
    assert said in str(caught.value)


def test_times_that_have_not_the_digits_for_their_clock_are_refused_and_not_guessed(tmp_path: Path) -> None:
    """A clock of the epoch in microseconds, and thirty samples in each: the line behind them is one number for two."""
    rows = "".join(f"{1.7e9 + 3e-8 * k:.6f},{k % 3}\n" for k in range(30))
    with pytest.raises(RecordingError, match="times must rise from line to line"):
        read_trace(written(tmp_path, f"time_s,pressure_kpa\n{rows}"))


def test_a_pull_in_pascals_under_a_header_in_kpa_is_read_and_remarked_on(tmp_path: Path) -> None:
    trace = read_trace(written(tmp_path, "time_s,pressure_kpa\n0,0\n0.1,4000000\n"))
    assert "very high" in str(remark_on(trace, PressureUnit.KPA))


@pytest.mark.parametrize(
    "packed", [gzip.compress(b"time_s,pressure_kpa\n", mtime=0), "time_s,pressure_kpa\n".encode("utf-16-le")]
)
def test_what_is_packed_or_in_another_encoding_is_told_with_the_way_out(tmp_path: Path, packed: bytes) -> None:
    path = tmp_path / "pull.csv"
    path.write_bytes(packed)
    with pytest.raises(RecordingError, match="unpack it, or save it from the spreadsheet as CSV in UTF-8"):
        read_trace(path)
