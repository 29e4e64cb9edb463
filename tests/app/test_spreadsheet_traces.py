"""What spreadsheets and loggers make of a table is read right, or refused with its line and the reason."""

from pathlib import Path

import pytest

from gaugelink.app.traces import read_trace
from gaugelink.errors import RecordingError
from gaugelink.gauge.samples import FloatArray

PULL = [(0.0, 0.5), (0.005, 930.25), (0.01, 12.5)]


def written(tmp_path: Path, text: str, encoding: str = "utf-8") -> Path:
    path = tmp_path / "pull.csv"
    path.write_bytes(text.encode(encoding))
    return path


def read(tmp_path: Path, text: str, encoding: str = "utf-8") -> list[tuple[float, float]]:
    trace = read_trace(written(tmp_path, text, encoding))
    pairs: FloatArray = trace.pressure_kpa
    return list(zip(trace.time_s.tolist(), pairs.tolist(), strict=True))


@pytest.mark.parametrize(
    "text",
    [
        "sep=;\ntime_s;pressure_kpa\n0,000;0,5\n0,005;930,25\n0,01;12,5\n",
        "SEP=;\r\ntime_s;pressure_kpa\r\n0.000;0.5\r\n0.005;930.25\r\n0.01;12.5\r\n",
        '"sep=,"\ntime_s,pressure_kpa\n0,0.5\n0.005,930.25\n0.01,12.5\n',
        "sep=\t\ntime_s\tpressure_kpa\n0,000\t0,5\n0,005\t930,25\n0,01\t12,5\n",
        "sep=|\ntime_s|pressure_kpa\n0|0.5\n0.005|930.25\n0.01|12.5\n",
        "time_s,pressure_kpa,,\n0,0.5,,\n0.005,930.25,,\n0.01,12.5,,\n,,,\n",
        "time_s;pressure_kpa;\n0;0,5;;;\n0,005;930,25;\n0,01;12,5\n;;;\n",
        '"time_s","pressure_kpa"\n"0","0.5"\n"0.005","930.25"\n"0.01","12.5"\n',
        '"time_s";"pressure_kpa"\n"0";"0,5"\n"0,005";"930,25"\n"0,01";"12,5"\n',
        "time_s;pressure_kpa\n0,00E+00;5,00E-01\n5,00E-03;9,3025E+02\n1,00E-02;1,25E+01\n",
        "# a logger\n# 200 Hz, \"wide\n\ntime_s,pressure_kpa\n0,0.5\n# shifted, \"here\n0.005,930.25\n0.01,12.5\n",
        "# time_s pressure_kpa\n# time_s,pressure_kpa\n0,0.5\n0.005,930.25\n0.01,12.5\n",
        "time_s,pressure_kpa\ns,kPa\n0,0.5\n0.005,930.25\n0.01,12.5\n",
        "time_s;note;pressure_kpa\n(s);;[kPa]\n0;a;0,5\n0,005;b, c;930,25\n0,01;;12,5\n",
        ",time_s,pressure_kpa\n0,0,0.5\n1,0.005,930.25\n2,0.01,12.5\n",
        "time_s,pressure_kpa\r0,0.5\r\r0.005,930.25\r0.01,12.5\r",
        "time_s;pressure_kpa\n0.000;0,5\n0.005;930,25\n0.01;12,5\n",
        "time_s,pressure_kpa\n0,0.5\n+0.005, 930.25 \n0.01,12.5",
    ],
)  # fmt: skip
def test_a_pull_is_read_as_it_was_however_it_is_written(tmp_path: Path, text: str) -> None:
    assert read(tmp_path, text) == PULL


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16"])
def test_a_pull_is_read_from_what_spreadsheets_call_unicode(tmp_path: Path, encoding: str) -> None:
    assert read(tmp_path, "time_s\tpressure_kpa\r\n0\t0,5\r\n0,005\t930,25\r\n0,01\t12,5\r\n", encoding) == PULL


def test_a_line_is_counted_in_the_file_and_not_from_the_header(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match=r"line 7: found '0,1;high'"):
        read(tmp_path, "sep=;\n# a logger\n\ntime_s;pressure_kpa\n0;1\n# here\n0,1;high\n")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        # Thousands that are parted, in numbers that would be read as others.
        ("time_s;pressure_kpa\n0,000;930\n0,005;1.034\n", "line 3: in 1.034 the point may part the thousands"),
        ("time_ms;pressure_kpa\n0;930\n5;985\n10;1.034\n", "line 4: in 1.034 the point may part the thousands"),
        ("time_ms\tpressure_kpa\n0\t930\n5\t1,034\n", "line 3: in 1,034 the comma may part the thousands"),
        ("time_ms;pressure_bar\n999;9,3\n1.004;9,4\n", "line 3: in 1.004 the point may part the thousands"),
        ("time_s;pressure_kpa\n0,005;930,5\n0,010;1.034,5\n", "line 3: found '0,010;1.034,5'; expected two numbers"),
        ('time_s,pressure_kpa\n0.005,"1,034.5"\n', "line 2: found '0.005,1,034.5'; expected two numbers"),
        ('time_s,pressure_kpa\n0.005,"1,034"\n', "line 2: found '0.005,1,034'; expected two numbers"),
        ("time_s;pressure_kpa\n0,005;1 034\n", "line 2: found '0,005;1 034'; expected two numbers"),
        ("time_s;pressure_kpa\n0,005;1\u00a0034\n", "expected two numbers"),
        ("time_s;pressure_kpa\n0,005;1'034\n", "expected two numbers"),
        # Decimal commas between commas, with room for them in the header.
        ("time_s,pressure_kpa,,\n0,000,0,123\n", "line 2: found '0,000,0,123': there are 4 cells under 2 columns"),
        ("time_s,pressure_kpa\n0,005,1,23E+02\n", "line 2: found '0,005,1,23E+02': there are 4 cells"),
        (
            "time_s,pressure_kpa,mark,note\n0,000,0,123\n0,005,930,25\n",
            "line 2: found '0,000,0,123': its commas seem to be decimal: part the columns by semicolons",
        ),
        ("time_s,pressure_kpa,mark,note\n0,5,0,25,,\n", "line 2: found '0,5,0,25,,': its commas seem to be decimal"),
        # Cells that are no number.
        ("time_s,pressure_kpa\n0,1\n0.1,#N/A\n", "line 3: found '0.1,#N/A'; expected two numbers"),
        ("time_s,pressure_kpa\n0,1\n0.1,NaN\n", "line 3: found '0.1,NaN'; expected finite numbers"),
        ("time_s,pressure_kpa\n0,1\n0.1,\n", "line 3: found '0.1,'; expected two numbers"),
        ("time_s,pressure_kpa\n0,930 kPa\n", "line 2: found '0,930 kPa'; expected two numbers"),
        # Units that are not those of the header, or in the wrong place.
        ("time_s,pressure_kpa\ns,psi\n0,1\n", "line 2: found 's,psi'; expected two numbers"),
        ("time_ms,pressure_kpa\ns,kPa\n0,1\n", "line 2: found 's,kPa'; expected two numbers"),
        ("time_s,pressure_kpa\n0,1\ns,kPa\n", "line 3: found 's,kPa'; expected two numbers"),
        # Dates and times of the day.
        ("time_s,pressure_kpa\n2026-01-15T10:00:00.005+01:00,1\n", "counts seconds from any moment, and is no date"),
        ("time_s;pressure_kpa\n15.01.2026 10:00:00,005;1\n", "line 2: found '15.01.2026 10:00:00,005;1'"),
        ("time_ms;pressure_kpa\n15/01/2026;1\n", "time_ms counts milliseconds from any moment, and is no date"),
        ("time_s,pressure_kpa\n10:00:00.005,1\n", "is no date"),
        # A time in another unit than its column's name.
        ("time_s,pressure_kpa\n1769000000000,1\n1769000000005,2\n", "line 2: found 1.769e+12; no clock counts as far."),
        ("time_s,pressure_kpa\n0,1\n1e300,1\n", "line 3: found 1e+300; no clock counts as far"),
        # Headers.
        ("Device: bench 2\nRate: 200\ntime_s,pressure_kpa\n0,1\n", "that is line 3: begin every line above it with #"),
        ("sep=;\ntime_s,pressure_kpa\n0,1\n0.1,2\n", "line 2: found time_s,pressure_kpa; expected a header"),
        ("time_s,pressure_kpa,pressure_kpa\n0,1,2\n", "line 1: the column pressure_kpa is there twice"),
        ("Time (s),Pressure (kPa)\n0,1\n", "line 1: found time (s), pressure (kpa); expected a header"),
        ("# nothing\n\n", "line 1: found an empty file"),
        ("sep=;\n", "line 1: found an empty file"),
    ],
)  # fmt: skip
def test_what_could_be_read_wrong_is_refused_with_its_line(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(RecordingError) as caught:
        read(tmp_path, text)
    assert said in str(caught.value)
    assert str(caught.value).endswith((".", "?"))


@pytest.mark.parametrize(
    ("text", "pressures"),
    [
        # As many decimals everywhere, a number below one, or another count of decimals: no thousands.
        ("time_ms;pressure_bar\n0;1.013\n5;9.302\n", [101.3, 930.2]),
        ("time_ms;pressure_bar\n0;0.013\n5;9.302\n10;9\n", [1.3, 930.2, 900.0]),
        ("time_ms;pressure_bar\n0;1.5\n5;9.302\n10;9\n", [150.0, 930.2, 900.0]),
        ("time_s,pressure_kpa\n1,930\n1.125,1.034\n", [930.0, 1.034]),
        ("time_s;pressure_kpa\n0,998;5\n1;6\n1,002;7\n", [5.0, 6.0, 7.0]),
    ],
)
def test_numbers_that_can_only_be_decimal_are_read(tmp_path: Path, text: str, pressures: list[float]) -> None:
    assert [pressure for _, pressure in read(tmp_path, text)] == pytest.approx(pressures)
