"""Several places that read the same pressure: samples in a row, a copy, a peak that is held, a smoothed value."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from gaugelink.engine.units import PressureUnit
from gaugelink.gauge.fields import ByteOrder, NumberFormat
from gaugelink.gauge.learn_frame import Frames
from gaugelink.gauge.learn_guess import Guess
from gaugelink.gauge.learn_kinds import FloatArray
from gaugelink.gauge.learn_rivals import read, samples_of

COPY_KPA = 5.0
"""Copies are compared above this."""
MOVE_FRAMES = 2
"""Frames before and after one between which the pressure has gone further than it wanders when it is held."""


@dataclass(frozen=True, slots=True)
class Run:
    """A guess with all its samples, and what is doubtful about them."""

    guess: Guess
    kin: frozenset[int]
    """Its bytes, and those of all other places that read alike in the same kind and scale."""
    doubt: str | None = None


def runs_of(guesses: Sequence[Guess], frames: Frames, unit: PressureUnit) -> list[Run]:
    """Put guesses that differ in place alone together into runs of samples."""
    plainest: dict[tuple[object, ...], Guess] = {}
    for guess in guesses:
        if not follows(guess, frames):
            continue
        key: tuple[object, ...] = (guess.kind, guess.at, f"{guess.scale.kpa:.9g}", guess.reference, guess.offset_counts)
        if key not in plainest or guess.cost(unit) < plainest[key].cost(unit):
            plainest[key] = guess
    alike: dict[tuple[object, ...], list[Guess]] = defaultdict(list)
    for key, guess in plainest.items():
        alike[key[0], *key[2:]].append(guess)
    runs: list[Run] = []
    for group in alike.values():
        kin = frozenset(place for guess in group for place in guess.places)
        runs += _split(sorted(group, key=lambda guess: guess.at), frames, kin)
    return runs


def _split(group: list[Guess], frames: Frames, kin: frozenset[int]) -> list[Run]:
    runs = []
    while group:
        chosen = _longest(group)
        group = [guess for guess in group if guess not in chosen]
        live, doubt = _judge(chosen, frames)
        guess = live[0] if len(live) == 1 else _join(live)
        runs.append(Run(guess, kin, doubt))
    return runs


def _longest(group: list[Guess]) -> list[Guess]:
    places = {guess.at: guess for guess in group}
    best = [group[0]]
    for first in group:
        for second in group:
            step = second.at - first.at
            if step < first.kind.width:
                continue
            run = [first]
            while run[-1].at + step in places:
                run.append(places[run[-1].at + step])
            if len(run) > len(best):
                best = run
    return best


def _judge(chosen: list[Guess], frames: Frames) -> tuple[list[Guess], str | None]:
    """Which places of a series are samples, and what is doubtful about that."""
    if len(chosen) == 1:
        return chosen, None
    seen = np.concatenate([_all_of(guess, frames) for guess in chosen], axis=1)
    if np.ptp(seen, axis=1).max() == 0.0:
        if _turns(seen[:, 0]):
            return chosen[:1], None
        return (
            chosen,
            "The pressure never moved within a frame, so equal numbers may be samples, copies or a held peak.",
        )
    copies = [k for k in range(1, len(chosen)) if any(_copy(seen[:, k], seen[:, j]) for j in range(k))]
    if copies:
        kept = [guess for k, guess in enumerate(chosen) if k not in copies]
        if len(_longest(kept)) == len(kept):
            return _judge(kept, frames)
        return chosen, "Some of these numbers are copies of others."
    falling = [_turns(seen[:, k]) for k in range(len(chosen))]
    if any(falling) and not all(falling):
        live = [guess for guess, falls in zip(chosen, falling, strict=True) if falls]
        if len(live) == len(chosen) - 1 and len(_longest(live)) == len(live):
            return _judge(live, frames)
        return chosen, "Some of these numbers never fall and may be a held peak."
    noise = np.array([_noise(samples_of(guess, frames)[:, 0], frames) for guess in chosen])
    if noise.min() < noise.max() / 3.0 and noise.max() > 0.8 * chosen[0].count_kpa:
        return chosen, "Some of these numbers are much calmer than others and may be smoothed."
    return chosen, None


def _copy(one: FloatArray, other: FloatArray) -> bool:
    """Whether two places hold one number, the other rounded at most. Near zero a copy may be cut at zero."""
    under = (one > COPY_KPA) | (other > COPY_KPA)
    a, b = one[under], other[under]
    if len(a) < 2 or (np.diff(a) != 0).sum() < 10:
        return False
    grains = [_grain(column) for column in (a, b)]
    rounded = 0.51 * max(grains) if max(grains) >= 5.0 * min(grains) else 0.0
    return bool((np.abs(a - b) <= rounded + 1e-9).all())


def _grain(column: FloatArray) -> float:
    return float(np.diff(np.unique(column)).min(initial=np.inf))


def _join(chosen: list[Guess]) -> Guess:
    first = chosen[0]
    add = float(np.mean([guess.add_kpa for guess in chosen]))
    return replace(first, count=len(chosen), step=chosen[1].at - first.at, add_kpa=add)


def _all_of(guess: Guess, frames: Frames) -> FloatArray:
    """What a guess reads in all frames, those while the pressure moved too. Shape (frames, samples)."""
    return np.concatenate([samples_of(guess, frames), read(guess, frames.between)])


def _turns(column: FloatArray) -> bool:
    """Whether a reading falls at least twice in the order of the frames."""
    return int((np.diff(column) < 0).sum()) >= 2


def _noise(column: FloatArray, frames: Frames) -> float:
    return float(np.mean([column[frames.segment == j].std() for j in np.unique(frames.segment)]))


def turns(guess: Guess, frames: Frames) -> bool:
    """Whether what `guess` reads falls anywhere: a held peak does not."""
    return _turns(_all_of(guess, frames)[:, -1])


def same_quantity(one: Guess, other: Guess, frames: Frames) -> bool:
    """Whether two places tell the same pressure frame by frame, as closely as their steps allow."""
    a, b = (_all_of(guess, frames)[:, -1] for guess in (one, other))
    mean_a, mean_b = (_all_of(guess, frames).mean(axis=1) for guess in (one, other))
    allowed = 1.1 * (one.count_kpa + other.count_kpa) + 1e-3
    coarse = 4.4 * (one.kind.coarse + other.kind.coarse)

    def close(x: FloatArray, y: FloatArray) -> bool:
        # Near zero one of them may be cut at zero.
        above = np.maximum(x, y) > COPY_KPA
        x, y = x[above], y[above]
        if not len(x):
            return True
        off = x - y
        return bool((np.abs(off - 0.5 * (off.max() + off.min())) <= 0.5 * (allowed + coarse * np.abs(x))).all())

    return any(close(x, y) for x in (a, mean_a) for y in (b, mean_b))


def held_peak(one: Guess, other: Guess, frames: Frames) -> bool:
    """Whether `one` looks like the held peak of `other`: it never falls where the other does."""
    return not turns(one, frames) and turns(other, frames)


def fine_end(fine: Guess, coarse: Guess, frames: Frames) -> bool | None:
    """Whether the part of `fine` below one count of `coarse` belongs to the same number; None when nothing shows it.

    Where the coarse number steps while the pressure is held, the fine end of one number carries. Where the pressure
    moves, the fine end of one number turns over and over; something else stays as it is.
    """
    ratio = coarse.scale.kpa / fine.scale.kpa
    slots = range(coarse.at, coarse.at + max(1, coarse.count * coarse.step), coarse.step or 1)
    slot = next(
        (k for k, at in enumerate(slots) if fine.at <= at + coarse.kind.last_byte < fine.at + fine.kind.width), 0
    )
    columns = ((fine, 0), (coarse, slot))
    held = [_counts(guess, samples_of(guess, frames)[:, k]) for guess, k in columns]
    same = np.diff(frames.segment) == 0
    steps = [np.diff(counts)[same] for counts in held]
    stepped = steps[1] != 0
    if stepped.sum() >= 3:
        return bool(np.median(np.abs(steps[0][stepped])) < 0.5 * ratio)
    moved = [_counts(guess, read(guess, frames.between)[:, k]) for guess, k in columns]
    turned = np.abs(np.diff(moved[0] % ratio)) / ratio
    turned = np.minimum(turned, 1.0 - turned)[np.diff(moved[1]) != 0]
    if len(turned) < 5:
        return None
    middle = float(np.median(turned))
    return True if middle > 0.06 else False if middle < 0.03 else None


def follows(guess: Guess, frames: Frames) -> bool:
    """Whether a guess takes as many values while the pressure moves as its step allows.

    Whoever pumps holds the pressure before it is read off and typed. Those frames are left out: a held pressure takes
    few values, the same ones over and over.
    """
    seen = read(guess, frames.between)[:, 0]
    held = samples_of(guess, frames)[:, 0]
    still = max(float(np.ptp(held[frames.segment == j])) for j in np.unique(frames.segment))
    ahead = np.abs(seen[2 * MOVE_FRAMES :] - seen[: -2 * MOVE_FRAMES])
    seen = seen[MOVE_FRAMES:-MOVE_FRAMES][ahead > still]
    if len(seen) < 10 or guess.kind.floating:
        return True
    possible = min(float(len(seen)), np.ptp(seen) / guess.scale.kpa)
    return len(np.unique(seen)) >= 0.4 * possible


def has_exponent(guess: Guess, frames: Frames) -> bool:
    """Whether a guess is an IEEE 11073 float whose exponent was seen to be other than zero."""
    kind = guess.kind
    if kind.format not in (NumberFormat.SFLOAT, NumberFormat.MFLOAT):
        return False
    cells = frames.head[:, guess.at : guess.at + kind.width]
    cells = cells if kind.order is ByteOrder.BIG else cells[:, ::-1]
    exponent = cells[:, 0] >> 4 if kind.format is NumberFormat.SFLOAT else cells[:, 0]
    upper = cells[:, 0] << 4 if kind.format is NumberFormat.SFLOAT else cells[:, 1]
    # A small negative whole number looks like an exponent of minus one with a negative mantissa.
    return bool(((exponent != 0) & (upper < 0x80)).any())


def roughness_kpa(guess: Guess, frames: Frames) -> float:
    """How far a reading leaps away and back while the pressure moves: more than its neighbours lie apart."""
    seen = read(guess, frames.between)
    if len(seen) < 3:
        return 0.0
    before, here, after = seen[:-2], seen[1:-1], seen[2:]
    leap = np.minimum(np.abs(here - before), np.abs(here - after)) - np.abs(after - before)
    return float(leap.max(initial=0.0))


def stride_kpa(guess: Guess, frames: Frames) -> float:
    """The longest step of a reading from one frame to the next while the pressure moves."""
    return float(np.abs(np.diff(read(guess, frames.between), axis=0)).max(initial=0.0))


def _counts(guess: Guess, pressure_kpa: FloatArray) -> FloatArray:
    return np.rint((pressure_kpa - guess.add_kpa) / guess.scale.kpa)
