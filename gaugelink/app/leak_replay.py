"""Runs a recorded trace through the watch and the analysis that the service uses for a leak-down."""

import csv
from collections.abc import Callable
from dataclasses import dataclass, replace
from math import isfinite
from pathlib import Path

import numpy as np

from gaugelink.app.traces import Trace, read_trace, refused_by
from gaugelink.engine.units import PressureUnit
from gaugelink.errors import RecordingError
from gaugelink.gauge.layout import GaugeLayout
from gaugelink.leak.decay import DecayFlag, DecayResult, DecayVerdict, Interval, analyse
from gaugelink.leak.hold import AIR_KPA, Evidence
from gaugelink.leak.limits import DecayLimit
from gaugelink.leak.reference import Reference, referred
from gaugelink.leak.watch import DecayWatch, NoticeKind, WatchPhase
from gaugelink.leak.wording import decay_reason
from gaugelink.reasons import reason
from gaugelink.tables import named, table_of, text_of

_AT_ONCE = 50
FIRST_LOOK_S, NEXT_LOOK = 5.0, 1.3


@dataclass(frozen=True, slots=True)
class ReplayedDecay:
    """One hold of a recorded trace."""

    trace: Trace
    number: int
    """Counting from 1 within the trace."""
    closed_s: float
    """When the valve closed, on the trace's clock."""
    certain_s: float | None
    """Seconds after which it was certain; None when it never was."""
    result: DecayResult
    """Of the whole hold."""
    over_kpa: float | None
    """The pressure that was above the limit's highest, where one was."""
    has_gap: bool


def replay_decay(
    path: Path,
    limit: DecayLimit,
    *,
    ambient_abs_kpa: float = 101.325,
    resolution_kpa: float | None = None,
    reference: Reference | None = None,
    layout: GaugeLayout | None = None,
    remark: Callable[[str], None] | None = None,
) -> list[ReplayedDecay]:
    """Find and judge every hold of a trace. A trace that begins after the valve closed is one hold as a whole.

    With a `layout` the file is a recording of frames; how many of them became no samples goes to `remark`.

    Raises:
        RecordingError: the file cannot be read as a trace, or nothing in it is a decay.
    """
    trace = read_trace(path, layout)
    refused = refused_by(trace)
    if refused is not None and remark is not None:
        remark(refused)
    watch = DecayWatch(limit, resolution_kpa=resolution_kpa)
    found: list[tuple[Evidence, float | None, bool]] = []
    over, gap = None, False
    if _begins_closed(trace, limit):
        whole = _referred(_as_it_is(trace, limit), reference, ambient_abs_kpa)
        return [_judged(trace, 1, whole, limit, ambient_abs_kpa, resolution_kpa, None, False)]
    for first in range(0, len(trace.time_s), _AT_ONCE):
        part = slice(first, first + _AT_ONCE)
        before = watch.evidence() if watch.phase is WatchPhase.HOLDING else None
        for notice in watch.push(trace.time_s[part], trace.pressure_kpa[part]):
            if notice.kind is NoticeKind.OVER_PRESSURE:
                over = notice.pressure_kpa if over is None else max(over, notice.pressure_kpa)
            gap = gap or notice.kind is NoticeKind.GAP
            if notice.kind is NoticeKind.PHASE and notice.phase is not WatchPhase.HOLDING:
                ended = watch.evidence() if notice.phase is WatchPhase.RELEASED else before
                if ended is not None:
                    found.append((ended, over, gap))
                    over, gap, before = None, False, None
    last = watch.evidence() if watch.phase is WatchPhase.HOLDING else None
    if last is not None:
        found.append((last, over, gap))
    if not found:
        found.append((_as_it_is(trace, limit), over, gap))
    return [
        _judged(
            trace,
            number,
            _referred(evidence, reference, ambient_abs_kpa),
            limit,
            ambient_abs_kpa,
            resolution_kpa,
            over_kpa,
            has_gap,
        )
        for number, (evidence, over_kpa, has_gap) in enumerate(found, start=1)
    ]


def read_reference(path: Path) -> Reference:
    """Read what was noted beside a decay: CSV with `time_s` and `ambient_abs_kpa`, `temperature_c`, or both.

    Raises:
        RecordingError: the file, the line, what was found there and what was expected.
    """
    try:
        table = table_of(text_of(path.read_bytes()))
    except (OSError, UnicodeError) as error:
        raise RecordingError(f"{path}: cannot be read: {reason(error)}.") from error
    dialect, above = table.dialect, table.above
    reader = csv.reader(table.lines, delimiter=dialect.delimiter, strict=True)
    try:
        header, *rows = [*reader] or [[]]
    except csv.Error as error:
        raise RecordingError(f"{path}: line {above + reader.line_num}: this is not CSV: {error}.") from error
    header = named([name.strip().casefold() for name in header])
    names = [name for name in ("ambient_abs_kpa", "temperature_c") if name in header]
    if not rows or "time_s" not in header or not names:
        raise RecordingError(
            f"{path}: line {above + 1}: expected the columns time_s and ambient_abs_kpa, temperature_c or both."
        )
    columns: dict[str, list[float]] = {name: [] for name in ("time_s", *names)}
    for line, cells in enumerate(rows, start=above + 2):
        surplus = dialect.surplus(header, cells)
        if surplus is not None:
            raise RecordingError(f"{path}: line {line}: {surplus}.")
        row = dict(zip(header, cells, strict=False))
        for name, values in columns.items() if any(cell.strip() for cell in cells) else ():
            found = row.get(name, "")
            try:
                number = dialect.number(found)
            except ValueError as error:
                raise RecordingError(f"{path}: line {line}: {name}: found {found!r}; expected a number.") from error
            if not isfinite(number):
                raise RecordingError(f"{path}: line {line}: {name}: found {found!r}; expected a finite number.")
            values.append(number)
    return Reference(**{name: np.array(values) for name, values in columns.items()})


def _referred(evidence: Evidence, reference: Reference | None, ambient_abs_kpa: float) -> Evidence:
    if reference is None:
        return evidence
    pressure_kpa = referred(evidence.time_s, evidence.pressure_kpa, reference, ambient_abs_kpa=ambient_abs_kpa)
    thinned = evidence.thinned
    if thinned is not None:
        # Both parts are carried to the moment at which the first block was taken.
        time_s = np.concatenate([thinned[0] + evidence.closed_s, evidence.time_s])
        whole = np.concatenate([thinned[1], evidence.pressure_kpa])
        carried = referred(time_s, whole, reference, ambient_abs_kpa=ambient_abs_kpa)
        thinned, pressure_kpa = (thinned[0], carried[: len(thinned[0])], thinned[2]), carried[len(thinned[0]) :]
    return replace(evidence, pressure_kpa=pressure_kpa, thinned=thinned)


def as_json(replayed: ReplayedDecay, unit: PressureUnit) -> dict[str, object]:
    """The JSON object of one replayed hold: its numbers in kPa, its sentence in `unit`."""
    result = replayed.result

    def part(interval: Interval | None) -> dict[str, float] | None:
        if interval is None:
            return None
        return {"value": round(interval.value, 6), "low": round(interval.low, 6), "high": round(interval.high, 6)}

    return {
        "file": replayed.trace.file,
        "decay": replayed.number,
        "verdict": result.verdict.value,
        "reason": decay_reason(result, unit),
        "probability_pass": round(result.probability_pass, 6),
        "closed_s": round(replayed.closed_s, 3),
        "duration_s": round(result.duration_s, 3),
        "certain_s": None if replayed.certain_s is None else round(replayed.certain_s, 3),
        "start_kpa": round(result.start_kpa, 4),
        "end_kpa": round(result.end_kpa, 4),
        "over_kpa": replayed.over_kpa,
        "leak_kpa_per_min": part(result.leak_kpa_per_min),
        "limit_kpa_per_min": round(result.limit_kpa_per_min, 6),
        "leak_std_cm3_per_min": part(result.leak_cm3_per_min),
        "hole_mm": part(result.hole_mm),
        "hole_share": round(result.hole_share, 4),
        "time_constant_s": _finite(result.time_constant_s),
        "time_to_limit_s": _finite(result.time_to_limit_s),
        "heated_kpa": round(result.heated_kpa, 4),
        "heated_u_kpa": round(result.heated_u_kpa, 4),
        "settling_s": round(result.settling_s, 2),
        "more_s": None if result.more_s is None else round(result.more_s, 1),
        "flags": flags_of(replayed),
    }


def flags_of(replayed: ReplayedDecay) -> list[str]:
    """Why a replayed leak-down may be doubted, in the words of the contract, sorted."""
    return sorted(replayed.result.flags | ({DecayFlag.GAPS} if replayed.has_gap else set()))


def _finite(value: float) -> float | None:
    return round(value, 3) if isfinite(value) and value < 1e9 else None


def _start_kpa(trace: Trace) -> float:
    return float(np.median(trace.pressure_kpa[:5]))


def _begins_closed(trace: Trace, limit: DecayLimit) -> bool:
    """Whether there is pressure from the first sample on; an absolute gauge at rest shows about one atmosphere."""
    start = _start_kpa(trace)
    at_rest = AIR_KPA[0] < start < AIR_KPA[1] and start > limit.highest_kpa
    return start > 0.3 * limit.test_kpa and not at_rest


def _as_it_is(trace: Trace, limit: DecayLimit) -> Evidence:
    """Take the trace for a hold from its first sample on, where pumping was not recorded."""
    start = _start_kpa(trace)
    if start < 0.3 * limit.test_kpa or len(trace.time_s) < 5:
        raise RecordingError(
            f"{trace.file}: nothing in it is a decay: it begins at {start:.1f} kPa, never stays near the test pressure "
            f"of {limit.test_kpa:.1f} kPa, or has fewer than five samples. Give --test-kpa, and gauge pressures."
        )
    if start > max(AIR_KPA[0], 1.5 * limit.highest_kpa):
        raise RecordingError(
            f"{trace.file}: it begins at {start:.1f} kPa, far above the highest of {limit.highest_kpa:.1f} kPa: this "
            "looks like absolute pressure. Record some seconds at rest before pumping, or take the ambient off."
        )
    return Evidence(trace.time_s, trace.pressure_kpa, float(trace.time_s[0]), None, None)


def _judged(
    trace: Trace,
    number: int,
    evidence: Evidence,
    limit: DecayLimit,
    ambient_abs_kpa: float,
    resolution_kpa: float | None,
    over_kpa: float | None,
    has_gap: bool,
) -> ReplayedDecay:
    def look(until_s: float) -> DecayResult:
        keep = evidence.time_s <= evidence.closed_s + until_s
        return analyse(
            evidence.time_s[keep],
            evidence.pressure_kpa[keep],
            limit,
            ambient_abs_kpa=ambient_abs_kpa,
            resolution_kpa=resolution_kpa,
            rest_kpa=evidence.rest_kpa,
            thinned=evidence.thinned,
            closed_s=evidence.closed_s,
        )

    length_s = float(evidence.time_s[-1]) - evidence.closed_s
    certain_s, until_s = None, FIRST_LOOK_S
    while until_s < length_s and evidence.thinned is None:
        if np.count_nonzero(evidence.time_s <= evidence.closed_s + until_s) >= 5:
            early = look(until_s)
            if early.verdict is not DecayVerdict.OPEN:
                certain_s = until_s
                break
        until_s *= NEXT_LOOK
    whole = look(length_s + 1.0)
    if certain_s is None and whole.verdict is not DecayVerdict.OPEN:
        certain_s = length_s
    return ReplayedDecay(trace, number, evidence.closed_s, certain_s, whole, over_kpa, has_gap)
