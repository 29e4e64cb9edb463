"""Events to write down in the tests."""

from datetime import UTC, datetime, timedelta

import numpy as np

from gaugelink.journal import EventEntry, Outgoing
from gaugelink.peak.events import (
    BudgetLine,
    CrankingEvent,
    EventSamples,
    FittedCurve,
    Flag,
    GaugeKind,
    Method,
    Stroke,
)

NOON = datetime(2026, 2, 3, 12, 0, tzinfo=UTC)


def cranking(number: int = 0, *, fitted: bool = False) -> CrankingEvent:
    """An event that differs with its number in every bit of its peak."""
    peak_kpa = 900.1 + number / 7.0
    curve = FittedCurve(np.linspace(0.0, 1.0, 11), np.linspace(0.0, peak_kpa, 11)) if fitted else None
    return CrankingEvent(
        kind=GaugeKind.LIVE,
        start_s=0.1,
        end_s=0.7,
        peak_kpa=peak_kpa,
        peak_u_kpa=8.3,
        method=Method.FITTED,
        cranking_rpm=412.0,
        strokes=(Stroke(0.2, 700.0, 9.0), Stroke(0.35, peak_kpa, 8.3)),
        flags=frozenset({Flag.FEW_STROKES, Flag.LOST_SAMPLES}),
        budget=(BudgetLine("zero", 0.2, common=True), BudgetLine("model", 3.0)),
        zero_kpa=0.4,
        zero_drift_kpa=-0.1,
        first_stroke_kpa=700.0,
        climb_per_stroke=0.45,
        fitted=curve,
    )


def samples(count: int = 300, seed: int = 1) -> EventSamples:
    """Raw samples as a gauge with 0.1 kPa steps gives them."""
    generator = np.random.default_rng(seed)
    time_s = np.cumsum(np.full(count, 0.01)) + generator.normal(0.0, 1e-4, count)
    return EventSamples(
        time_s=time_s,
        pressure_kpa=np.round(450.0 * (1.0 + np.sin(40.0 * time_s)) + generator.normal(0.0, 0.3, count), 1),
        over_range=generator.random(count) > 0.9,
        lost_samples=2,
        kind=GaugeKind.LIVE,
        zero_kpa=0.4,
        zero_u_kpa=0.05,
        noise_kpa=0.3,
        zero_drift_kpa=-0.1,
        flags=frozenset({Flag.LOST_SAMPLES}),
    )


def entry(number: int, test_id: str | None = "test-1") -> EventEntry:
    """An event to write down."""
    return EventEntry(
        event_id=f"event-{number}",
        bench="north",
        gauge="blue",
        at=NOON + timedelta(seconds=number),
        event=cranking(number),
        samples=samples(40, number),
        test_id=test_id,
    )


def message(number: int, topic: str = "cranking", *, retain: bool = False) -> Outgoing:
    """A message to send."""
    return Outgoing(topic, f'{{"number": {number}}}', 1, retain, f"{topic}-{number}")
