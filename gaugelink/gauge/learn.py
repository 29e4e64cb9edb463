"""Learns a gauge's frames from recordings with a few typed readings of its own display, or says what is missing.

Every way of reading the bytes that agrees with all typed readings is kept. A layout is accepted only when no other
way is left that could read a different pressure anywhere in the range of a compression gauge; else the rivals are
shown and the pressure that would tell them apart is named. Nothing here knows any gauge.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from gaugelink.engine.units import PressureUnit
from gaugelink.gauge.decode import Frame, FrameDecoder
from gaugelink.gauge.layout import GaugeLayout, Listen
from gaugelink.gauge.learn_build import build_layout, describe
from gaugelink.gauge.learn_frame import Frames, find_battery, find_checksum, find_tickers
from gaugelink.gauge.learn_guess import LEAP_KPA, Guess, Readings, find_guesses
from gaugelink.gauge.learn_kinds import ByteArray
from gaugelink.gauge.learn_rivals import MOST_KPA, stands_for, telling_pressure_kpa
from gaugelink.gauge.learn_runs import (
    Run,
    fine_end,
    has_exponent,
    held_peak,
    roughness_kpa,
    runs_of,
    same_quantity,
    stride_kpa,
    turns,
)
from gaugelink.gauge.learn_text import is_text, learn_text
from gaugelink.gauge.learn_types import Candidate, LabelledSegment, LearnResult

LEAST_SEGMENTS = 3
LEAST_FRAMES = 8
LEAST_SPAN_KPA = 100.0
"""A bar between the least and the greatest reading, or forty steps of the display if that is more."""
MOST_CANDIDATES = 12
PLAIN_COST, PLAIN_SCALE_U, LESS_PLAIN_SCALE_U = 1.9, 0.03, 0.014
"""A power of ten in some unit is believed when the readings pin the scale within three percent, a 2, 5 or 2.5 times
that or one over a power of two within half of that: there are many of those and one is soon near any number."""
SURE_SERIES = 3
"""A series of this many samples is not crossed by a number of something else."""
UNKNOWN = Listen(characteristic="00000000-0000-0000-0000-000000000000")


@dataclass(slots=True)
class _Verdict:
    chosen: Run | None
    rivals: list[Run] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    next_kpa: float | None = None
    top_kpa: float | None = None
    """Above this another reading of the bytes is possible."""


def learn(
    segments: Sequence[LabelledSegment],
    *,
    between: Sequence[bytes] = (),
    listen: Listen | None = None,
    name: str = "learnt gauge",
) -> LearnResult:
    """Find the layout that the labelled segments leave, or what is missing. Never raises on any frames.

    `between` are frames that came while the pressure moved, up or down, in their order: they tell samples from copies
    and a live pressure from a held peak. `listen` is where the frames came from; it goes into the layouts as it is.
    """
    used = [segment for segment in segments if segment.frames]
    missing = _too_little(used)
    if not used:
        return LearnResult(None, (), tuple(missing))
    unit = used[0].unit
    heard = listen or UNKNOWN
    frames = Frames.of(used, between)
    if not frames.head.shape[1]:
        return LearnResult(None, (), (*missing, "Some frames are empty."))
    checksum, proof_at, note = find_checksum(frames)
    if is_text(used) and proof_at != -1:
        return learn_text(used, missing, heard, name)
    missing += _too_few_frames(used)
    tickers = find_tickers(frames)
    # In the shortest frames, what stands at the end is here; in longer ones these bytes are samples like others.
    shortest = frames.head.shape[1]
    claimed = {place if place >= 0 else shortest + place for ticker in tickers for place in ticker.places}
    if proof_at is not None:
        width = 1 if checksum is None else checksum.kind.width
        claimed.update(range(shortest + proof_at, shortest + proof_at + width))
    batteries, battery_typed = find_battery(frames, used)
    runs = runs_of(find_guesses(frames, used, frozenset(claimed)), frames, unit)
    runs.sort(key=lambda run: (run.guess.cost(unit), -run.guess.count, run.guess.at))
    verdict = _decide(runs, frames, used)
    notes = ([note] if note else []) + verdict.notes
    battery = batteries[0] if len(batteries) == 1 else None
    if battery_typed and battery is None:
        notes.append(f"{len(batteries) or 'No'} bytes equal the battery as typed; it is left out.")
    candidates = []
    for run in ([verdict.chosen] if verdict.chosen else []) + [run for run in runs if run is not verdict.chosen]:
        made = build_layout(run.guess, frames, tickers, checksum, battery, heard, name, verdict.top_kpa)
        evidence = describe(run.guess, frames, used, tickers, checksum)
        candidates.append(Candidate(made, run.guess.cost(unit), evidence + ((run.doubt,) if run.doubt else ())))
        if len(candidates) == MOST_CANDIDATES:
            break
    missing += verdict.missing
    layout = candidates[0].layout if verdict.chosen and not missing else None
    if layout is not None:
        fault = _proof(layout, frames, used)
        if fault is not None:
            missing.append(fault)
            layout = None
    return LearnResult(layout, tuple(candidates), tuple(missing), verdict.next_kpa, tuple(notes))


def _too_little(segments: Sequence[LabelledSegment]) -> list[str]:
    missing = []
    shown = sorted({segment.shown_kpa for segment in segments})
    step = max((segment.step_kpa for segment in segments), default=0.0)
    if len(shown) < LEAST_SEGMENTS:
        missing.append(f"{LEAST_SEGMENTS} different pressures are needed; there are {len(shown)}.")
    if shown and shown[-1] - shown[0] < max(LEAST_SPAN_KPA, 40 * step):
        unit = segments[0].unit
        missing.append(f"A higher pressure is needed: {unit.text(shown[0] + max(LEAST_SPAN_KPA, 40 * step))} or more.")
    return missing


def _too_few_frames(segments: Sequence[LabelledSegment]) -> list[str]:
    few = [segment for segment in segments if len(segment.frames) < LEAST_FRAMES]
    if not few:
        return []
    shown_text = few[0].unit.text(few[0].shown_kpa)
    return [f"Hold each pressure longer: {shown_text} has {len(few[0].frames)} frames."]


def _decide(runs: list[Run], frames: Frames, segments: Sequence[LabelledSegment]) -> _Verdict:
    if not runs:
        return _Verdict(
            None, missing=["No bytes follow the typed readings in a round scale; check the readings and the unit."]
        )
    # Near zero a number may be negative, and its upper bytes are then no pattern for others.
    low = min(segment.shown_kpa for segment in segments)
    held = [j for j in np.unique(frames.segment).tolist() if segments[j].shown_kpa > low]
    templates = [frames.head[frames.segment == j][-1] for j in held] or [frames.head[-1]]
    left, over = _reduce(_without_parts(runs, frames), templates)
    groups = _groups(left)
    settled = [group[0] for group in groups if len(group) == 1]
    contested = [group for group in groups if len(group) > 1]
    most = max((run.guess.count for run in settled), default=0)
    if contested and max(run.guess.count for run in contested[0]) > most:
        return _contested(contested[0], templates, segments)
    verdict = _between_places(settled, frames, segments)
    if verdict.chosen is not None and verdict.chosen.doubt:
        verdict.missing.append(f"{verdict.chosen.doubt} Record again while the pressure moves up and down.")
    if verdict.chosen is not None:
        _weigh_scale(verdict, verdict.chosen.guess, segments)
        others = [run.guess for run in over.get(id(verdict.chosen), [])]
        best = verdict.chosen.guess
        tops = [other.highest_kpa for other in others if other.highest_kpa < best.highest_kpa and not other.kind.signed]
        verdict.top_kpa = min(tops, default=None)
        ends = {other.at + other.kind.last_byte for other in others if not other.kind.floating}
        if any(other.kind.order is not best.kind.order and other.kind.width > 1 for other in others) or len(ends) > 1:
            verdict.notes.append(f"Above {segments[0].unit.text(MOST_KPA)} the order of the bytes is not known.")
    return verdict


def _weigh_scale(verdict: _Verdict, guess: Guess, segments: Sequence[LabelledSegment]) -> None:
    """Say how well the readings pin the scale; ask for a higher one where a less plain scale rests on too little."""
    percent = 100.0 * guess.scale_u
    verdict.notes.append(
        f"The scale is taken as round, {guess.scale.per_count:g} {guess.scale.unit.value} a count; the readings alone "
        f"pin it within {percent:.1f} %. Check it with one more reading."
    )
    if guess.scale_u > (PLAIN_SCALE_U if guess.scale.cost < PLAIN_COST else LESS_PLAIN_SCALE_U):
        unit = segments[0].unit
        top = max(segment.shown_kpa for segment in segments)
        verdict.next_kpa = min(1.9 * top, MOST_KPA)
        verdict.missing.append(f"The scale rests on too little; apply about {unit.text(verdict.next_kpa)} next.")


def _contested(rivals: list[Run], templates: Sequence[ByteArray], segments: Sequence[LabelledSegment]) -> _Verdict:
    unit, half_step = segments[0].unit, float(Readings.of(segments).half_step_kpa.max())
    others = [run.guess for run in rivals[1:]]
    typed = [segment.shown_kpa for segment in segments]
    next_kpa = telling_pressure_kpa(rivals[0].guess, others, templates, unit, half_step, typed)
    if next_kpa is None:
        text = f"{len(rivals)} readings of the same bytes agree, and no pressure tells them apart by this display."
    else:
        text = f"{len(rivals)} readings of the bytes agree so far; apply about {unit.text(next_kpa)} next."
    return _Verdict(None, rivals, [text], [], next_kpa)


def _without_parts(runs: list[Run], frames: Frames) -> list[Run]:
    """Leave out what explains less of the bytes that another explains whole.

    One sample of a series; a number across the border of two samples; the upper digits of a decimal number; a number
    with a byte of something else at its fine end; the mantissa of a float.
    """
    moving = frozenset(np.flatnonzero((frames.head != frames.head[:1]).any(axis=0)).tolist())

    def less(run: Run, other: Run) -> bool:
        return _less(run, other, moving, frames) and not _less(other, run, moving, frames)

    within = [run for run in runs if not _crosses(run, runs, moving)] or runs
    return [run for run in within if not any(less(run, other) for other in within)] or within


def _crosses(run: Run, others: Sequence[Run], moving: frozenset[int]) -> bool:
    """Whether a run lies across the border of two others that explain all its bytes and more."""
    mine = run.guess.places & moving
    near = [other for other in others if other is not run and not other.guess.places.isdisjoint(mine)]
    for k, one in enumerate(near):
        for other in near[k + 1 :]:
            both = one.guess.places | other.guess.places
            apart = one.guess.places.isdisjoint(other.guess.places)
            if apart and mine < both & moving and not (one.guess.places | other.guess.places) <= run.guess.places:
                return True
    return False


def _less(run: Run, other: Run, moving: frozenset[int], frames: Frames) -> bool:
    mine, its = run.guess, other.guess
    if run is other or mine.places.isdisjoint(its.places):
        return False
    if run.kin & moving < other.kin & moving and its.kind.width <= mine.kind.width:
        return True
    if its.count >= SURE_SERIES and len(other.kin & moving) > 2 * len(run.kin & moving):
        return True
    if mine.places < its.places and not mine.kind.floating and has_exponent(its, frames):
        return True
    if roughness_kpa(mine, frames) > 1.5 * stride_kpa(its, frames) + 3.0 * mine.count_kpa + LEAP_KPA:
        return True
    if mine.kind.floating or its.kind.floating:
        return False
    if its.count_kpa < 0.2 * mine.count_kpa:
        return fine_end(its, mine, frames) is True
    return mine.count_kpa < 0.2 * its.count_kpa and fine_end(mine, its, frames) is False


def _reduce(runs: list[Run], templates: Sequence[ByteArray]) -> tuple[list[Run], dict[int, list[Run]]]:
    """Drop each run that another of the same bytes can stand for; the cheaper of two that can stand for each other."""
    left: list[Run] = []
    over: dict[int, list[Run]] = {}
    for run in runs:
        covered = False
        for kept in list(left):
            ends = [each.guess.at + each.guess.kind.last_byte for each in (kept, run)]
            if kept.guess.places.isdisjoint(run.guess.places) or (ends[0] != ends[1] and not _alike(kept, run)):
                continue
            forth = stands_for(kept.guess, run.guess, templates)
            back = stands_for(run.guess, kept.guess, templates)
            if back and not (forth and _safer(kept.guess, run.guess)):
                left.remove(kept)
                over.setdefault(id(run), []).extend([kept, *over.pop(id(kept), [])])
            elif forth:
                covered = True
                over.setdefault(id(kept), []).append(run)
                break
        if not covered:
            left.append(run)
    return left, over


def _safer(one: Guess, other: Guess) -> bool:
    """Whether `one` is to be kept of two that read alike: bytes that were always zero may be something else.

    One byte alone is not trusted to stay one: its neighbour may be its upper half.
    """
    ranks = [(guess.kind.width < 2, guess.kind.width, not guess.kind.signed) for guess in (one, other)]
    return ranks[0] <= ranks[1]


def _alike(one: Run, other: Run) -> bool:
    return one.guess.kind.floating or other.guess.kind.floating or one.guess.scale.kpa == other.guess.scale.kpa


def _groups(runs: Sequence[Run]) -> list[list[Run]]:
    groups: list[list[Run]] = []
    for run in runs:
        touching = [group for group in groups if any(not run.guess.places.isdisjoint(r.guess.places) for r in group)]
        merged = [each for group in touching for each in group] + [run]
        groups = [group for group in groups if group not in touching] + [merged]
    return groups


def _between_places(runs: list[Run], frames: Frames, segments: Sequence[LabelledSegment]) -> _Verdict:
    """Choose between disjoint places that all follow the pressure: copies in another unit, a held peak, a mean."""
    shown = [segment.shown_kpa for segment in segments]
    fell = any(later < max(shown[: k + 1]) - segments[0].step_kpa for k, later in enumerate(shown[1:]))
    best = runs[0]
    verdict = _Verdict(best)
    for other in runs[1:]:
        if held_peak(other.guess, best.guess, frames):
            verdict.notes.append(f"{_where(other.guess)} looks like a held peak.")
        elif held_peak(best.guess, other.guess, frames):
            verdict.notes.append(f"{_where(best.guess)} looks like a held peak.")
            best = other
        elif not same_quantity(best.guess, other.guess, frames):
            verdict.missing.append(
                f"{_where(best.guess)} and {_where(other.guess)} both follow the pressure and differ; "
                "record again while the pressure moves up and down."
            )
        elif not turns(best.guess, frames) and not fell:
            verdict.next_kpa = 0.5 * shown[-1]
            verdict.missing.append(
                f"{_where(best.guess)} or {_where(other.guess)} may be a held peak; let the pressure down to about "
                f"{segments[0].unit.text(verdict.next_kpa)} and type what is shown."
            )
        else:
            verdict.notes.append(f"{_where(other.guess)} holds the same pressure again.")
            finer = (-other.guess.count, other.guess.count_kpa) < (-best.guess.count, best.guess.count_kpa)
            best = other if finer else best
    verdict.chosen = best
    return verdict


def _where(guess: Guess) -> str:
    last = guess.at + guess.kind.width - 1
    return f"byte {guess.at}" if last == guess.at else f"bytes {guess.at} to {last}"


def _proof(layout: GaugeLayout, frames: Frames, segments: Sequence[LabelledSegment]) -> str | None:
    """Read every frame with the finished layout; a sentence when one does not read as typed."""
    decoder = FrameDecoder(layout)
    seen: list[list[float]] = [[] for _ in segments]
    for payload, j in zip(frames.payloads, frames.segment.tolist(), strict=True):
        frame = decoder.decode(payload)
        if not isinstance(frame, Frame):
            return f"The layout refuses the frame {payload.hex()} as {frame.value}."
        seen[j].append(float(np.median(frame.pressure_kpa)))
    read = np.array([np.median(values) for values in seen])
    shown = np.array([segment.shown_kpa for segment in segments])
    zero = float(np.median(read - shown)) if layout.absolute else 0.0
    allowed = max(segment.step_kpa for segment in segments) + (layout.resolution_kpa or 0.0) + 3.0
    worst = int(np.abs(read - zero - shown).argmax())
    if abs(read[worst] - zero - shown[worst]) > allowed:
        unit: PressureUnit = segments[worst].unit
        return f"The layout reads {unit.text(read[worst] - zero)} where {unit.text(shown[worst])} was typed."
    return None
