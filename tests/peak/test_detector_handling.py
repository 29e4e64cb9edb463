"""An hour at a simulated bench: every cranking found once, nothing invented, bleeding told."""

from dataclasses import replace

import numpy as np
import pytest

from gaugelink.peak.detector import Detector, EventClosed, Handling, HandlingKind
from gaugelink.peak.events import EventSamples
from simulators.cranking import CylinderTrace
from simulators.handling import shop_hours
from simulators.integrator import crank_many
from simulators.scenarios import random_check_valve, random_turn


@pytest.fixture(scope="module")
def cylinders() -> dict[bool, list[CylinderTrace]]:
    """Cranked cylinders by whether they were cranked against a check valve."""
    rng = np.random.default_rng(8)
    turns = [random_turn(rng) for _ in range(8)]
    held = [replace(turn, valve=random_check_valve(rng, turn.spec)) for turn in turns]
    return {False: crank_many(turns), True: crank_many(held)}


# The full count, ten hours for each of eight rates, is in tests.benchmarks.handling. At 25 samples/s a stroke every
# 80 ms can fall between the samples each time, and nothing is left to find.
@pytest.mark.parametrize(("held", "rate"), [(False, 50.0), (False, 100.0), (True, 5.0), (True, 10.0), (True, 50.0)])
def test_an_hour_of_handling_hides_no_event_and_makes_none(
    cylinders: dict[bool, list[CylinderTrace]], held: bool, rate: float
) -> None:
    detector = Detector()
    truth, found, vents = [], list[EventSamples](), 0
    rng = np.random.default_rng(round(rate))
    for chunk in shop_hours(
        rng, hours=1.0, rate_hz=rate, held=held, traces=cylinders[held], events_per_hour=30.0, busy=0.9
    ):
        truth += chunk.events
        for i in range(0, len(chunk.time_s), 10):
            part = slice(i, i + 10)
            lost = int(chunk.lost_before[part].sum())
            for notice in detector.push(chunk.time_s[part], chunk.pressure_kpa[part], chunk.over_range[part], lost):
                if isinstance(notice, EventClosed):
                    found.append(notice.samples)
                vents += isinstance(notice, Handling) and notice.what is HandlingKind.VENTED
    assert len(truth) >= 15
    for event in truth:
        mine = [s for s in found if s.time_s[0] < event.end_s and s.time_s[-1] > event.start_s]
        assert [s.kind.value for s in mine] == ["held" if held else "live"]
    assert len(found) == len(truth)
    assert vents >= 0.8 * len(truth) if held else vents == 0
