"""Any bytes whatever into any layout: nothing is raised, nothing grows, no time runs back, no number is not finite."""

import sys

import numpy as np
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from gaugelink.gauge.frames import FrameReader
from gaugelink.gauge.layout import load_layout
from gaugelink.gauge.untimed import MOST
from tests.gauge.anylayout import make_layout

PAYLOADS = st.one_of(
    st.binary(max_size=40),
    st.binary(min_size=200, max_size=512),
    st.text(alphabet="P0123456789.,-+eE \r\n", max_size=40).map(str.encode),
)
STEPS = st.lists(
    st.tuples(PAYLOADS, st.sampled_from([0.0, 1e-4, 0.01, 0.1, 3.0, 1e5, -1.0]), st.integers(0, 9)), max_size=60
)


def check(reader, steps):
    now, last = 0.0, -np.inf
    given_out = 0
    for payload, wait_s, event in steps:
        now += wait_s
        if event == 9:
            reader.link_lost(now)
            reader.reconnected()
        batch = reader.feed(payload, now)
        if batch is None:
            continue
        assert len(batch.time_s) == len(batch.pressure_kpa) == len(batch.over_range) > 0
        assert np.isfinite(batch.pressure_kpa).all()
        assert np.isfinite(batch.time_s).all()
        assert batch.time_s[0] >= last
        assert (np.diff(batch.time_s) >= 0).all()
        assert batch.lost_before >= 0
        last = batch.time_s[-1]
        given_out += len(batch.time_s)
    counts = reader.counts
    assert min(counts.good, counts.malformed, counts.short, counts.long, counts.lost_samples) >= 0
    assert len(reader._untimed) <= MOST
    return given_out


@settings(max_examples=400, deadline=None)
@given(st.data(), STEPS)
def test_any_bytes_into_any_layout(data, steps):
    layout = make_layout(lambda low, high: data.draw(st.integers(low, high)))
    assume(layout is not None)
    check(FrameReader("g", layout), steps)


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 255), st.sampled_from([0.0, 0.01, 0.1, 30.0])), min_size=1, max_size=80))
def test_any_order_of_the_counter(steps):
    layout = load_layout(
        {
            "name": "x",
            "unit": "kPa",
            "listen": {"characteristic": "fff1"},
            "rate_hz": 100,
            "sequence": {"at": 0, "format": "u8"},
            "pressure": {"at": 1, "format": "u8", "count": "fit"},
        }
    )
    reader = FrameReader("g", layout)
    given_out = check(reader, [(bytes([number, 1, 2, 3]), wait, 0) for number, wait in steps])
    counts = reader.counts
    assert counts.good + counts.duplicated + counts.out_of_order == len(steps)
    assert given_out == 3 * counts.good


def size_of(thing, seen):
    if id(thing) in seen:
        return 0
    seen.add(id(thing))
    size = sys.getsizeof(thing)
    if isinstance(thing, dict):
        size += sum(size_of(k, seen) + size_of(v, seen) for k, v in thing.items())
    elif isinstance(thing, list | tuple | set | frozenset) or type(thing).__name__ == "deque":
        size += sum(size_of(each, seen) for each in thing)
    elif hasattr(thing, "__dict__"):
        size += size_of(vars(thing), seen)
    for name in getattr(type(thing), "__slots__", ()):
        size += size_of(getattr(thing, name, None), seen)
    return size


def test_no_memory_grows_over_many_frames():
    rng = np.random.default_rng(1)
    for seed in range(12):
        picks = np.random.default_rng(seed)
        layout = None
        while layout is None:
            layout = make_layout(lambda low, high, picks=picks: int(picks.integers(low, high + 1)))
        reader = FrameReader("g", layout)
        sizes = []
        for k in range(4000):
            payload = (
                rng.bytes(int(rng.integers(0, 40))) if k % 3 else b"P" + rng.integers(48, 58, 12).astype("u1").tobytes()
            )
            reader.feed(payload, 0.01 * k)
            if k in (1999, 3999):
                sizes.append(size_of(reader, set()))
        assert sizes[1] < sizes[0] + 60_000
