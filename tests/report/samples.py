"""An invented test on an invented machine, with its seasons, for the reports to be made of."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np

from gaugelink.bench.repeats import Repeat
from gaugelink.engine.air import ambient_at_altitude
from gaugelink.engine.fleet import EngineRecord, parse_engine
from gaugelink.engine.units import PressureUnit
from gaugelink.peak.events import Flag, GaugeKind
from gaugelink.report.data import ReportData, Trace
from gaugelink.verdict.difference import PullValue, ReadingValue
from gaugelink.verdict.findings import Conditions, JudgedReading
from gaugelink.verdict.history import read_history
from gaugelink.verdict.judge import judge_test
from gaugelink.verdict.past import PastJob, PastReading, PastTest

PSI = PressureUnit.PSI
AT = datetime(2026, 11, 20, 9, 40, tzinfo=UTC)

TRIPLE = parse_engine(
    """
id = "triple-598"
name = "Two-stroke triple, 598 cm3"
cycle = 2
layout = "side_named"
cylinders = 3
bore_mm = 69.0
stroke_mm = 53.3
rod_mm = 110.0
compression_ratio_trapped = 6.5
exhaust_duration_deg = 188
cranking_rpm = 420
band = { low = 130, high = 150, unit = "psi", source = "invented service manual, section 5" }
""",
    "triple.toml",
)


def trace(cylinder: str, peak_kpa: float, kind: GaugeKind, seed: int, flags: frozenset[Flag] = frozenset()) -> Trace:
    """A cranking event drawn with simple shapes: it only has to look like one."""
    rng = np.random.default_rng(seed)
    rpm = 405.0 + 15.0 * float(rng.uniform(-1, 1))
    every = 60.0 / rpm
    tops = 0.12 + every * np.arange(8)
    levels = peak_kpa * (1.0 - 0.42 * 0.45 ** np.arange(8))
    levels[-1] = peak_kpa
    if kind is GaugeKind.HELD:
        time_s = np.arange(0.0, 2.2, 0.05)
        pressure = np.array([float(np.max(levels[tops <= t], initial=0.0)) for t in time_s])
    else:
        time_s = np.arange(0.0, 1.5, 0.004)
        pressure = sum(
            level * np.exp(-0.5 * ((time_s - top) / 0.013) ** 2) for top, level in zip(tops, levels, strict=True)
        )
    pressure = np.asarray(pressure, dtype=np.float64) + rng.normal(0.0, 1.5, time_s.size)
    return Trace(cylinder, kind, time_s, pressure, tuple(tops), tuple(levels), peak_kpa, 0.02 * peak_kpa, rpm, flags)


def reading(cylinder: str, psi: float, made: Trace, repeats: tuple[float, ...] = ()) -> ReadingValue:
    """A reading of a gauge with 1 % of common and 0.4 % of random standard uncertainty."""
    kpa = PSI.to_kpa(psi)
    return ReadingValue(
        cylinder,
        kpa,
        2.0 * kpa * 0.0108,
        0.004 * kpa,
        flags=made.flags,
        event_ids=(f"event-{cylinder}",),
        repeats=tuple(PSI.to_kpa(value) for value in repeats),
        cranking_rpm=made.cranking_rpm,
        first_stroke_kpa=made.stroke_kpa[0],
    )


def seasons(worn: str = "middle") -> tuple[tuple[PastTest, ...], tuple[PastJob, ...]]:
    """Three seasons at sea level: one cylinder wears, and new rings brought it back once before."""
    rng = np.random.default_rng(4)
    tests = []
    for i, season in enumerate((0.0, 0.25, 1.0, 1.25, 2.0, 2.25, 3.1)):
        lost = 1.0 - 0.06 * season if season < 1.1 else 1.0 - 0.045 * (season - 1.1)
        shared = 1.0 + float(rng.normal(0.0, 0.008))
        readings = tuple(
            PastReading(
                name,
                PSI.to_kpa(146.0) * shared * (lost if name == worn else 1.0) * (1.0 + float(rng.normal(0.0, 0.006))),
                5.0,
            )
            for name in TRIPLE.cylinder_names
        )
        at = AT - timedelta(days=365.25 * (3.1 - season))
        tests.append(PastTest(f"t{i}", at, readings, "bench-1", 4200.0 + 2100.0 * season))
    return tuple(tests), (PastJob(AT - timedelta(days=365.25 * 2.0), "rings", (worn,), 6400.0),)


def sample_report(
    psi: tuple[float, ...] = (134.0, 113.0, 133.0),
    *,
    engine: EngineRecord = TRIPLE,
    kind: GaugeKind = GaugeKind.HELD,
    with_history: bool = True,
) -> ReportData:
    """One test at 640 m, ready to be put on a page."""
    traces = tuple(
        trace(name, PSI.to_kpa(value), kind, i, frozenset({Flag.LOST_SAMPLES}) if i == 2 else frozenset())
        for i, (name, value) in enumerate(zip(engine.cylinder_names, psi, strict=True))
    )
    items = [
        reading(name, value, made, (value - 0.5, value + 0.5))
        for name, value, made in zip(engine.cylinder_names, psi, traces, strict=True)
    ]
    conditions = Conditions.of_ambient(ambient_at_altitude(640.0))
    past, jobs = seasons() if with_history else ((), ())
    return ReportData(
        machine="North 7, groomer's scout",
        engine=engine,
        verdict=judge_test(engine, items, conditions, unit=PSI),
        at=AT,
        unit=PSI,
        test_id="0193f2aa-7c1e-7d00-9a52-5b7f00c0ffee",
        bench="bench 1",
        by="the day shift",
        gauge="bench-1, serial 0417, calibrated 2026-03-02",
        odometer="12,310 km",
        conditions=(("throttle", "wide open"), ("plugs", "all out, grounded")),
        traces=traces,
        past=past,
        jobs=jobs,
        history=read_history(past, jobs) if past else None,
        version="0.1.0",
    )


def value_of(reading: JudgedReading, flags: frozenset[Flag]) -> ReadingValue:
    """A judged reading as it was before it was judged."""
    return ReadingValue(reading.cylinder, reading.peak_kpa, reading.peak_u_kpa, reading.u_random_kpa, flags)


def with_three_pulls() -> ReportData:
    """A report whose MAG took three pulls, the first of them left out, with a trace of each."""
    data = sample_report((134.0, 133.0, 137.5), with_history=False)
    made = [
        replace(data.traces[2], peak_kpa=PSI.to_kpa(psi), event_id=event_id)
        for event_id, psi in (("a", 122.0), ("b", 138.0), ("c", 137.0))
    ]
    pulls = tuple(PullValue(Repeat(one.peak_kpa, 3.0), one.event_id != "a", one.event_id) for one in made)
    values = [value_of(reading, frozenset()) for reading in data.verdict.readings]
    values[2] = replace(
        values[2], event_ids=("b", "c"), repeats=(PSI.to_kpa(138.0), PSI.to_kpa(137.0)), pulls=pulls, agreed=True
    )
    verdict = judge_test(TRIPLE, values, data.verdict.conditions, unit=PSI)
    return replace(data, verdict=verdict, traces=(*data.traces[:2], made[1], made[2], made[0]))
