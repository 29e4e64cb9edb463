"""A gauge of which nothing is stated, and which streams all the same, is placed on its own clock once that shows."""

import numpy as np
import pytest

from gaugelink.gauge.frames import FrameReader
from gaugelink.gauge.layout import load_layout
from gaugelink.gauge.pace import Pace
from tests.gauge.links import Radio, simulate

ONE = {"name": "x", "unit": "kPa", "listen": {"characteristic": "2a6d"}, "pressure": {"at": 0, "format": "u8"}}
"""A value, and nothing that counts: what a standard characteristic gives."""


def heard(
    arrival_s: np.ndarray, reader: FrameReader | None = None, **more: object
) -> tuple[FrameReader, np.ndarray, int]:
    """The reader, the time of every sample, and how many it tells as lost."""
    reader = reader or FrameReader("g", load_layout(ONE | more))
    batches = [batch for at in arrival_s if (batch := reader.feed(bytes(1), float(at))) is not None]
    return reader, np.concatenate([batch.time_s for batch in batches]), sum(batch.lost_before for batch in batches)


@pytest.mark.parametrize("rate_hz", [50.0, 100.0, 200.0])
@pytest.mark.parametrize("radio", [Radio(0.0075, "slots", 0.0), Radio(0.03, "slots", 0.0), Radio(0.045, "slots", 0.01)])
def test_samples_of_a_radio_s_connection_events_come_to_lie_where_they_were_taken(rate_hz: float, radio: Radio) -> None:
    link = simulate(3, rate_hz=rate_hz, samples=1, seconds=40.0, radio=radio)
    reader, time_s, _ = heard(link.arrival_s)
    assert (np.diff(time_s) > 0.0).all()
    true_s = link.true_s[:, 0][: len(time_s)]
    late = true_s > 30.0
    # What comes together was at one time; 20 ms of a stroke need it within a few.
    spacing = np.diff(time_s[late]) / np.diff(true_s[late])
    assert np.percentile(np.abs(spacing - 1.0), 95) < 0.05
    assert reader.rate_hz == pytest.approx(1.005 * rate_hz, rel=0.02)


def test_nothing_is_told_as_lost_and_time_goes_on_where_the_clock_takes_over() -> None:
    link = simulate(4, rate_hz=100.0, samples=1, seconds=40.0, radio=Radio(0.03, "slots", 0.0))
    _, time_s, lost = heard(link.arrival_s)
    assert lost == 0
    assert len(time_s) == len(link.arrival_s)
    assert np.diff(time_s).min() > 0.0
    assert np.diff(time_s).max() < 0.05


@pytest.mark.parametrize("seed", range(5))
def test_a_gauge_that_sends_when_it_likes_keeps_its_times_of_arrival(seed: int) -> None:
    arrival_s = np.cumsum(np.random.default_rng(seed).exponential(0.01, 6000))
    _, time_s, lost = heard(arrival_s)
    assert time_s == pytest.approx(arrival_s, abs=1e-6)
    assert lost == 0


def test_a_gauge_that_sends_what_changes_keeps_its_times_of_arrival() -> None:
    # It samples 100 times a second, and sends nine pulls of two seconds.
    pulls = [20.0 * k + np.arange(200) / 100.0 for k in range(9)]
    arrival_s = np.ceil(np.concatenate(pulls) / 0.03) * 0.03
    _, time_s, lost = heard(arrival_s)
    assert time_s == pytest.approx(arrival_s, abs=0.001)
    assert lost == 0


@pytest.mark.parametrize("seed", range(5))
def test_a_held_gauge_that_sends_what_has_changed_keeps_its_times_of_arrival(seed: int) -> None:
    # Twenty samples a second, of which a third are as the one before and are not sent.
    arrival_s = np.flatnonzero(np.random.default_rng(seed).random(6000) < 0.67) / 20.0
    _, time_s, lost = heard(arrival_s)
    assert time_s == pytest.approx(arrival_s, abs=0.001)
    assert lost == 0


@pytest.mark.parametrize(
    "more",
    [
        {"timing": "arrival"},
        {"listen": {"characteristic": "2a6d", "how": "poll", "poll_hz": 100.0}},
    ],
)
def test_what_is_stated_is_kept_to(more: dict[str, object]) -> None:
    link = simulate(4, rate_hz=100.0, samples=1, seconds=40.0, radio=Radio(0.03, "slots", 0.0))
    _, time_s, _ = heard(link.arrival_s, **more)
    assert time_s == pytest.approx(link.arrival_s, abs=0.002)


def test_even_arrivals_are_as_good_as_a_clock() -> None:
    pace = Pace()
    assert [pace.see(1, 0.01 * number) for number in range(3000)] == [None] * 3000


def test_frames_of_changing_length_tell_no_pace() -> None:
    pace = Pace()
    link = simulate(4, rate_hz=100.0, samples=1, seconds=40.0, radio=Radio(0.03, "slots", 0.0))
    assert not any(pace.see(1 + number % 2, at) for number, at in enumerate(link.arrival_s.tolist()))


def test_a_pause_of_the_gauge_and_a_lost_link_leave_time_rising() -> None:
    link = simulate(4, rate_hz=100.0, samples=1, seconds=30.0, radio=Radio(0.03, "slots", 0.0))
    reader, before, _ = heard(link.arrival_s)
    _, after, _ = heard(link.arrival_s + 60.0, reader)
    assert after[0] > before[-1]
    assert (np.diff(after) > 0.0).all()
    assert after[-1] == pytest.approx(link.arrival_s[-1] + 60.0, abs=0.05)
    reader.link_lost(100.0)
    reader.reconnected()
    _, again, _ = heard(link.arrival_s + 120.0, reader)
    assert again[0] == pytest.approx(link.arrival_s[0] + 120.0, abs=0.05)
