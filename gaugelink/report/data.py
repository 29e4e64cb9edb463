"""What a report is made of: plain values, from a live test or from the journal alike."""

from dataclasses import dataclass, field
from datetime import date, datetime

import numpy as np
from numpy.typing import NDArray

from gaugelink.engine.fleet import EngineRecord
from gaugelink.engine.units import PressureUnit
from gaugelink.localtime import day_of, day_of_noon, when_text
from gaugelink.peak.events import CrankingEvent, EventSamples, Flag, GaugeKind
from gaugelink.simulated import NOTICE, is_simulated
from gaugelink.verdict.findings import JudgedReading, TestVerdict, VerdictWord
from gaugelink.verdict.history import MachineHistory
from gaugelink.verdict.past import PastJob, PastTest

FloatArray = NDArray[np.float64]

GIVEN_UP = "Given up (ABANDONED): this test proves nothing of the engine."
"""What stands on whatever is made of a test that was abandoned."""
GIVEN_UP_WORD = "given up"
"""Stands in the place of the verdict's word."""


@dataclass(frozen=True, slots=True)
class Trace:
    """One cranking event as it is drawn. Times count from its first sample; pressures are gauge, zero taken off."""

    cylinder: str
    kind: GaugeKind
    time_s: FloatArray
    """Shape (n,)."""
    pressure_kpa: FloatArray
    """Shape (n,)."""
    stroke_times_s: tuple[float, ...]
    stroke_kpa: tuple[float, ...]
    peak_kpa: float
    peak_u_kpa: float
    """Expanded uncertainty, coverage about 95 %."""
    cranking_rpm: float | None = None
    flags: frozenset[Flag] = frozenset()
    fitted_time_s: FloatArray | None = None
    fitted_kpa: FloatArray | None = None
    event_id: str = ""


@dataclass(frozen=True, slots=True)
class ListedTest:
    """One test as it stands in the list of a machine's tests."""

    test_id: str
    short_id: str
    """As much of the id as tells it from those of all other tests."""
    at: datetime
    """When it was begun."""
    by_day: bool
    """Whether nothing but its day is known of that: its time is made up."""
    wet: bool
    given_up: bool
    word: VerdictWord | None
    """None when it has no reading."""
    readings_kpa: dict[str, float]
    """By cylinder."""
    noted: tuple[str, ...] = ()
    """What people noted with it, a line each."""
    odometer: float | None = None
    """The machine's own count, in the unit that its fleet entry states."""

    @property
    def on(self) -> date:
        """Its day."""
        return day_of_noon(self.at) if self.by_day else day_of(self.at)


@dataclass(frozen=True, slots=True)
class ReportData:
    """One test, ready to be put on a page."""

    machine: str
    """Name of the machine, for people."""
    engine: EngineRecord
    verdict: TestVerdict
    at: datetime
    """When the test was done."""
    unit: PressureUnit = PressureUnit.KPA
    test_id: str = ""
    bench: str = ""
    by: str = ""
    """Who did it."""
    gauge: str = ""
    """Name, serial and calibration of the gauge, in words."""
    odometer: str = ""
    """With its unit."""
    conditions: tuple[tuple[str, str], ...] = ()
    """What else was noted: name and value."""
    traces: tuple[Trace, ...] = ()
    """One a cylinder or more; one of them is drawn, see `trace_of`."""
    past: tuple[PastTest, ...] = ()
    """Dry tests of this machine, this one with them."""
    jobs: tuple[PastJob, ...] = ()
    history: MachineHistory | None = None
    version: str = ""
    """Version of the code that judged."""
    by_day: bool = False
    """Whether nothing but its day is known of when it was done: its time is made up."""
    given_up: bool = False
    """Whether the test was abandoned."""
    noted: tuple[str, ...] = ()
    """What people noted with it, a line each, oldest first."""
    notes: tuple[str, ...] = field(default_factory=tuple)
    """What else is to be known before anything on the page, a sentence each."""

    @property
    def on(self) -> date:
        """The day of the test."""
        return day_of_noon(self.at) if self.by_day else day_of(self.at)

    @property
    def when(self) -> str:
        """When the test was done, for a person."""
        return when_text(self.at, by_day=self.by_day)

    @property
    def word(self) -> str:
        """The one word at the head: a test that was given up has no verdict."""
        return GIVEN_UP_WORD if self.given_up else self.verdict.word.value

    @property
    def notices(self) -> tuple[str, ...]:
        """What stands above all else on whatever is made of this."""
        simulated = (NOTICE,) if self.simulated else ()
        return (*simulated, *((GIVEN_UP,) if self.given_up else ()), *self.notes)

    @property
    def simulated(self) -> bool:
        """Whether nothing of this test was real."""
        return is_simulated(self.bench)

    def reading_of(self, cylinder: str) -> JudgedReading | None:
        """The judged reading of a cylinder, None when it was not read."""
        return next((one for one in self.verdict.readings if one.cylinder.casefold() == cylinder.casefold()), None)

    def trace_of(self, cylinder: str) -> Trace | None:
        """The last trace of a cylinder that its reading rests on, else the last one there is."""
        own = [trace for trace in self.traces if trace.cylinder.casefold() == cylinder.casefold()]
        reading = self.reading_of(cylinder)
        counted = [trace for trace in own if reading is not None and trace.event_id in reading.event_ids]
        return next(reversed(counted or own), None)


def trace_of_event(
    cylinder: str, event: CrankingEvent, samples: EventSamples | None = None, event_id: str = ""
) -> Trace:
    """Make a trace of an event; without its samples the strokes alone are drawn."""
    if samples is not None and samples.time_s.size:
        start = float(samples.time_s[0])
        time_s, pressure = samples.time_s - start, samples.pressure_kpa - event.zero_kpa
    else:
        start = event.start_s
        time_s = np.array([stroke.time_s - start for stroke in event.strokes], dtype=np.float64)
        pressure = np.array([stroke.peak_kpa for stroke in event.strokes], dtype=np.float64)
    return Trace(
        cylinder=cylinder,
        kind=event.kind,
        time_s=time_s,
        pressure_kpa=pressure,
        stroke_times_s=tuple(stroke.time_s - start for stroke in event.strokes),
        stroke_kpa=tuple(stroke.peak_kpa for stroke in event.strokes),
        peak_kpa=event.peak_kpa,
        peak_u_kpa=event.peak_u_kpa,
        cranking_rpm=event.cranking_rpm,
        flags=event.flags,
        fitted_time_s=None if event.fitted is None else event.fitted.time_s - start,
        fitted_kpa=None if event.fitted is None else event.fitted.pressure_kpa,
        event_id=event_id,
    )
