"""Whatever stands in a recorded trace: events of finite numbers, or one clear refusal."""

import json
import tempfile
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from gaugelink.app.replay import as_json, replay
from gaugelink.errors import RecordingError
from gaugelink.peak.events import EngineHints, GaugeKind, GaugeTraits

APART = st.one_of(st.sampled_from([0.0005, 0.005, 0.1, 2.0]), st.floats(1e-9, 10.0))
PRESSURE = st.one_of(st.sampled_from([0.0, 0.0, 5.0, 300.0, 900.0, 5e-324, -1e-310]), st.floats(-200.0, 2000.0))
WRONG = st.sampled_from([0.0, -1.0, 1e12, -9.99e6, 1e7, 1e308, float("nan"), float("inf")])


def refusal_of(text: str, kind: GaugeKind | None = None) -> str | None:
    """Replay a trace; what it was refused with, or None when its events are numbers throughout."""
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "pull.csv"
        path.write_text(text, encoding="utf-8")
        try:
            for each in replay([path], GaugeTraits(kind=kind), EngineHints(), remark=lambda said: None):
                json.dumps(as_json(each), allow_nan=False)
        except RecordingError as refused:
            return str(refused)
    return None


@settings(max_examples=80, deadline=None)
@given(
    st.lists(st.tuples(APART, PRESSURE), min_size=1, max_size=60),
    st.booleans(),
    st.sampled_from([None, GaugeKind.LIVE, GaugeKind.HELD]),
    st.one_of(st.none(), st.tuples(st.integers(0, 59), WRONG, WRONG)),
)
def test_any_numbers_are_events_of_finite_numbers_or_refused_with_their_line(
    rows: list[tuple[float, float]], steady: bool, kind: GaugeKind | None, wrong: tuple[int, float, float] | None
) -> None:
    if wrong is not None:
        rows[wrong[0] % len(rows)] = wrong[1:]
    now_s, lines = 0.0, ["time_s,pressure_kpa"]
    for apart, pressure in rows:
        now_s += abs(rows[0][0]) if steady else apart
        lines.append(f"{now_s!r},{pressure!r}")
    said = refusal_of("\n".join(lines), kind)
    assert said is None or "pull.csv: line " in said or "a trace needs two or more" in said


@settings(max_examples=150, deadline=None)
@given(st.text(alphabet='time_spressure_kpa,;\t"#0123456789.e+-\n\r\x85\u2028', max_size=200), st.booleans())
def test_any_text_is_a_trace_or_refused(text: str, headed: bool) -> None:
    said = refusal_of(f"time_s,pressure_kpa\n{text}" if headed else text)
    assert said is None or "pull.csv: " in said
