"""Runs recorded traces through the detector and the judge that the daemon uses."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from gaugelink.app.traces import Trace, arrival_in, over_range_in, read_trace, refused_by, remark_on, rounding_in
from gaugelink.engine.units import PressureUnit
from gaugelink.gauge.layout import GaugeLayout
from gaugelink.peak.detector import find_events
from gaugelink.peak.events import CrankingEvent, EngineHints, EventSamples, GaugeTraits
from gaugelink.peak.judge import judge


@dataclass(frozen=True, slots=True)
class ReplayedEvent:
    """One cranking event of a recorded trace."""

    trace: Trace
    number: int
    """Counting from 1 within the trace."""
    samples: EventSamples
    event: CrankingEvent


def replay(
    files: Sequence[Path],
    traits: GaugeTraits,
    hints: EngineHints,
    unit: PressureUnit = PressureUnit.KPA,
    remark: Callable[[str], None] | None = None,
    layout: GaugeLayout | None = None,
    *,
    steady: bool = False,
) -> Iterator[ReplayedEvent]:
    """Find and judge every cranking event of every file, in order.

    What is doubtful in a file goes to `remark`, a sentence each, before its events; pressures are told in `unit`.
    With a `layout` the files are recordings of frames; with `steady` their times are when the samples of a steady gauge
    arrived.

    Raises:
        RecordingError: a file cannot be read as a trace.
    """
    for path in files:
        trace = read_trace(path, layout, steady=steady)
        for said in (refused_by(trace), rounding_in(trace), arrival_in(trace), remark_on(trace, unit)):
            if said is not None and remark is not None:
                remark(said)
        over_range = over_range_in(trace, traits.range_kpa, traits.resolution_kpa)
        found = find_events(trace.time_s, trace.pressure_kpa, traits, over_range=over_range)
        for number, samples in enumerate(found, start=1):
            yield ReplayedEvent(trace, number, samples, judge(samples, traits, hints))


def as_json(replayed: ReplayedEvent) -> dict[str, object]:
    """The published JSON object of one replayed event."""
    event = replayed.event
    document: dict[str, object] = {
        "file": replayed.trace.file,
        "event": replayed.number,
        "kind": event.kind.value,
        "start_s": round(event.start_s, 6),
        "end_s": round(event.end_s, 6),
        "peak_kpa": round(event.peak_kpa, 3),
        "peak_u_kpa": round(event.peak_u_kpa, 3),
        "method": event.method.value,
        "cranking_rpm": None if event.cranking_rpm is None else round(event.cranking_rpm, 1),
        "strokes": [
            {"time_s": round(s.time_s, 6), "peak_kpa": round(s.peak_kpa, 3), "peak_u_kpa": round(s.peak_u_kpa, 3)}
            for s in event.strokes
        ],
        "flags": sorted(event.flags),
    }
    if event.projected_kpa is not None and event.projected_u_kpa is not None:
        document["projected_kpa"] = round(event.projected_kpa, 3)
        document["projected_u_kpa"] = round(event.projected_u_kpa, 3)
    return document
