"""Events and samples come back from the journal bit for bit."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from gaugelink.errors import JournalError
from gaugelink.journal.codec import event_from_json, event_to_json, samples_from_blob, samples_to_blob
from gaugelink.peak.events import EventSamples
from tests.journal.samples_of import cranking, samples


def assert_same_samples(found: EventSamples, expected: EventSamples) -> None:
    for field in dataclasses.fields(EventSamples):
        one, other = getattr(found, field.name), getattr(expected, field.name)
        if isinstance(other, np.ndarray):
            assert one.dtype == other.dtype
            assert one.tobytes() == other.tobytes(), field.name
        else:
            assert one == other, field.name


def test_an_event_comes_back_equal():
    event = cranking(3)
    assert event_from_json(event_to_json(event)) == event


def test_the_fitted_curve_comes_back_equal():
    event = cranking(3, fitted=True)
    found = event_from_json(event_to_json(event)).fitted
    assert found is not None
    assert event.fitted is not None
    np.testing.assert_array_equal(found.time_s, event.fitted.time_s)
    np.testing.assert_array_equal(found.pressure_kpa, event.fitted.pressure_kpa)


def test_an_event_of_an_older_version_takes_the_defaults_of_what_it_lacked():
    old = (
        '{"kind": "held", "start_s": 0.0, "end_s": 1.0, "peak_kpa": 900.0, "peak_u_kpa": 5.0,'
        ' "method": "settled", "cranking_rpm": null, "strokes": [], "flags": []}'
    )
    assert event_from_json(old).budget == ()


@pytest.mark.parametrize("text", ["", "{}", "[]", '{"kind": "neither"}', '{"kind": "held"}'])
def test_damaged_events_are_told(text):
    with pytest.raises(JournalError, match="cannot be read"):
        event_from_json(text)


@given(hnp.arrays(np.float64, st.integers(0, 50), elements=st.floats(allow_nan=False)), st.integers(0, 2**16))
def test_any_samples_come_back_bit_for_bit(pressure_kpa, seed):
    generator = np.random.default_rng(seed)
    original = dataclasses.replace(
        samples(5),
        time_s=generator.normal(size=pressure_kpa.size),
        pressure_kpa=pressure_kpa,
        over_range=generator.random(pressure_kpa.size) > 0.5,
        zero_kpa=None,
    )
    assert_same_samples(samples_from_blob(samples_to_blob(original)), original)


def test_samples_of_half_a_minute_take_under_half_their_size():
    original = samples(3000)
    assert len(samples_to_blob(original)) < 0.5 * (original.time_s.nbytes + original.pressure_kpa.nbytes)


@given(st.binary(max_size=60))
def test_bytes_that_are_no_samples_are_told(blob):
    with pytest.raises(JournalError):
        samples_from_blob(blob)


@given(st.integers(0, 10_000))
def test_samples_cut_short_are_told(cut):
    blob = samples_to_blob(samples(50))
    with pytest.raises(JournalError):
        samples_from_blob(blob[: cut % len(blob)])
