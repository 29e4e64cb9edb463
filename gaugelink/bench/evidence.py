"""Which cylinder was the gauge on at each event? Every way it can have gone is weighed against what was seen.

The places of one gauge over a test are a chain: at each event it is on one of its cylinders, and between two
events it either stayed or was moved. For each chain the weight is the product of

- how likely a mechanic goes there, given where the gauge was and what the prompt asked for;
- how likely the time between the events is for staying and for moving (log-normal, learnt as the test goes);
- how likely the signs of handling (screwed in, bled, zero moved) are for staying and for moving;
- how likely the peak is beside the other peaks that the chain gives to the same cylinder, or beside the
  other cylinders and an earlier test when it is the first.

The share of the weight that puts an event on a cylinder is the probability. What a person said is certain.
Everything is worked out anew from all signs at each step, so that later pulls clear up earlier ones, and a
correction by hand reaches the events around it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from math import exp, log, pi, sqrt
from typing import Annotated, Self

from pydantic import Field, model_validator

from gaugelink.settings import Settings

# Logarithms are taken of a chance and of what is left beside it.
Chance = Annotated[float, Field(ge=1e-6, le=1 - 1e-6)]
More = Annotated[float, Field(ge=0, lt=1)]
"""A share that is added to another and may be nothing."""
RelativeSd = Annotated[float, Field(gt=0, le=0.5)]
LogSd = Annotated[float, Field(gt=0, le=5)]
Seconds = Annotated[float, Field(gt=0, le=86_400)]


class EvidenceSettings(Settings):
    """What is assumed of a mechanic and an engine. All shares are common practice, no source; times are learnt."""

    slip: Chance = 0.01
    """Chance that the gauge is neither where it was nor where the prompt asked for it."""
    extra: More = 0.03
    """Chance of one more pull on the same cylinder after the prompt asked to move."""
    ahead: More = 0.01
    """Chance of moving on although the prompt asked for one more pull."""
    slip_after_pause: More = 0.10
    """Further chance of being elsewhere after a very long pause: something else was done in between."""
    pause_s: Seconds = 600.0
    """Pause after which two thirds of `slip_after_pause` are reached, beyond the first two minutes."""
    slip_after_loss: More = 0.10
    """Further chance of being elsewhere after the radio was lost: pulls may have been missed."""
    loss_s: Seconds = 20.0
    stay_s: Seconds = 7.0
    """Median time to the next pull on the same cylinder, before it is learnt; counted from bleeding a held gauge,
    from the end of the pull before on a live one."""
    stay_log_sd: LogSd = 0.55
    move_s: Seconds = 30.0
    """Median time to move the gauge, before it is learnt."""
    move_log_sd: LogSd = 0.45
    learn_after: Annotated[float, Field(gt=0, le=1000)] = 4.0
    """How many observed times the assumed median is worth."""
    any_time: Chance = 0.08
    """Share of pulls whose time says nothing: a word with a customer, a cord that jammed."""
    screwed_when_moved: Chance = 0.6
    """Chance that the signature of screwing in is seen when the gauge was moved."""
    screwed_when_stayed: Chance = 0.03
    screwed_when_tightened: Chance = 0.4
    """The same when the pull before was low or the prompt said to look: the gauge is tightened where it is."""
    zero_when_moved: Chance = 0.2
    zero_when_stayed: Chance = 0.05
    unbled_when_moved: Chance = 0.03
    """Held gauge: chance that it was moved without being bled."""
    unbled_when_stayed: Chance = 0.10
    repeat_sd: RelativeSd = 0.015
    """Relative standard deviation between good pulls on one cylinder."""
    between_sd: RelativeSd = 0.08
    """Relative standard deviation between the cylinders of one engine."""
    history_sd: RelativeSd = 0.035
    """Relative change of one cylinder against the others since an earlier test."""
    history_common_sd: RelativeSd = 0.07
    """Relative change of all cylinders together since an earlier test: weather, warmth, the cord arm."""
    bad_pull: Annotated[float, Field(gt=0, le=0.5)] = 0.06
    """Share of pulls that read low: weak, cut short, gauge not tight."""
    bad_depth: Chance = 0.6
    """How far a bad pull may fall, as a share of the good one."""

    @model_validator(mode="after")
    def _something_is_left(self) -> Self:
        elsewhere = self.slip + self.slip_after_pause + self.slip_after_loss + max(self.extra, self.ahead)
        if elsewhere > 1:
            raise ValueError(
                "slip, slip_after_pause, slip_after_loss and the larger of extra and ahead come to more than 1 "
                "together; nothing would be left for the cylinder that was asked for"
            )
        return self


@dataclass(frozen=True, slots=True)
class Sign:
    """Everything about one event that tells where the gauge was."""

    event_id: str
    asked: str
    """Cylinder that the prompt had asked for."""
    gap_s: float | None
    """Time since the gauge was bled, or since its event before where it was not; None for the first event."""
    screwed: bool
    zero_moved: bool
    unbled: bool
    """A held gauge that was not bled since the event before."""
    lost_s: float
    """How long the gauge's radio was away since the event before."""
    peak_kpa: float
    peak_sd: float
    """Relative standard uncertainty of the peak, what the gauge's readings share left out."""
    tighten: bool
    """The prompt before said that something is wrong with the reading: the gauge may be tightened where it is."""
    partial: bool
    """The peak is short of the cylinder's pressure: cut short, over range, or struck out."""
    pinned: str | None = None
    """Cylinder that a person gave it to."""

    @property
    def tells_level(self) -> bool:
        """Whether the peak stands beside other peaks: of nothing, or less by a gauge's noise, no share can be taken."""
        return not self.partial and self.peak_kpa > 0.0


@dataclass(frozen=True, slots=True)
class Habits:
    """What has been learnt of this mechanic's times, as sums of logarithms."""

    stays: float = 0.0
    stay_log_sum: float = 0.0
    moves: float = 0.0
    move_log_sum: float = 0.0

    def stay_median_s(self, settings: EvidenceSettings) -> float:
        """Return the median time of a repeat in seconds."""
        return _learnt(settings.stay_s, settings.learn_after, self.stays, self.stay_log_sum)

    def move_median_s(self, settings: EvidenceSettings) -> float:
        """Return the median time of a move in seconds; always well above that of a repeat."""
        learnt = _learnt(settings.move_s, settings.learn_after, self.moves, self.move_log_sum)
        return max(learnt, 1.5 * self.stay_median_s(settings))


def learn(habits: Habits, gap_s: float, moved: bool) -> Habits:
    """Return the habits with one more observed time between pulls."""
    spoken = log(max(gap_s, 0.5))
    if moved:
        return Habits(habits.stays, habits.stay_log_sum, habits.moves + 1, habits.move_log_sum + spoken)
    return Habits(habits.stays + 1, habits.stay_log_sum + spoken, habits.moves, habits.move_log_sum)


@dataclass(frozen=True, slots=True)
class _Chain:
    log_weight: float
    places: tuple[str, ...] = ()
    peaks: Mapping[str, tuple[tuple[float, float], ...]] = field(default_factory=dict)
    """Of each cylinder, its peaks and their relative standard uncertainty."""
    levels: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    """Of each cylinder, the level that its peaks show and its relative standard deviation."""


_WIDTH = 128
"""Chains that are kept at each event; the likeliest few carry nearly all of the weight."""
_LIGHTEST = -14.0
"""Chains lighter than this beside the likeliest (natural logarithm) are dropped."""


def weigh(
    signs: Sequence[Sign],
    cylinders: Sequence[str],
    expected_kpa: Mapping[str, float],
    habits: Habits,
    settings: EvidenceSettings,
) -> list[dict[str, float]]:
    """Return for each event the probability of each cylinder, summing to 1.

    `cylinders` are those of this gauge in the order of the plan; `expected_kpa` are earlier readings, for some
    or none of them.
    """
    chains = [_Chain(0.0)]
    for index, sign in enumerate(signs):
        rose = index > 0 and signs[index - 1].peak_kpa < (1 - 5 * settings.repeat_sd) * sign.peak_kpa
        stayed = _handled(False, sign, habits, settings, sign.tighten or rose) if index else 0.0
        moved = _handled(True, sign, habits, settings, False) if index else 0.0
        places = cylinders if sign.pinned is None else (sign.pinned,)
        goes: dict[str | None, dict[str, float]] = {}
        grown: list[tuple[float, _Chain, str]] = []
        for chain in chains:
            previous = chain.places[-1] if chain.places else None
            if previous not in goes:
                goes[previous] = _goes(previous, sign, cylinders, settings)
            for cylinder in places:
                weight = chain.log_weight + goes[previous][cylinder] + (stayed if cylinder == previous else moved)
                if sign.tells_level:
                    weight += _reads(cylinder, sign, chain, expected_kpa, settings)
                grown.append((weight, chain, cylinder))
        grown.sort(key=lambda one: one[0], reverse=True)
        lightest = grown[0][0] + _LIGHTEST
        chains = [_longer(*one, sign, settings) for one in grown[:_WIDTH] if one[0] > lightest]
    return _marginals(chains, len(signs), cylinders)


def exchanged(
    values_kpa: Mapping[str, float], expected_kpa: Mapping[str, float], settings: EvidenceSettings
) -> tuple[str, str] | None:
    """Return the two cylinders whose readings, changed places, fit an earlier test much better; None when none do.

    Each cylinder's change since then is taken against the mean change of all, in standard deviations; an exchange
    is suspected when the sum of squares falls by more than the odds against one (`slip`) ask for.
    """
    both = [name for name in values_kpa if name in expected_kpa]
    if len(both) < 2:
        return None

    def misfit(values: Mapping[str, float]) -> float:
        ratios = [values[name] / expected_kpa[name] for name in both]
        mean = sum(ratios) / len(ratios)
        sd = sqrt(settings.history_sd**2 + settings.repeat_sd**2)
        return sum(((ratio / mean - 1) / sd) ** 2 for ratio in ratios)

    as_read = misfit(values_kpa)
    gains = {
        (one, other): as_read - misfit({**values_kpa, one: values_kpa[other], other: values_kpa[one]})
        for one, other in combinations(both, 2)
    }
    best = max(gains, key=lambda pair: gains[pair])
    return best if gains[best] > -2 * log(settings.slip) else None


def _longer(log_weight: float, chain: _Chain, cylinder: str, sign: Sign, s: EvidenceSettings) -> _Chain:
    places = (*chain.places, cylinder)
    if not sign.tells_level:
        return _Chain(log_weight, places, chain.peaks, chain.levels)
    peaks = (*chain.peaks.get(cylinder, ()), (sign.peak_kpa, sign.peak_sd))
    return _Chain(log_weight, places, {**chain.peaks, cylinder: peaks}, {**chain.levels, cylinder: _level(peaks, s)})


def _marginals(chains: Sequence[_Chain], events: int, cylinders: Sequence[str]) -> list[dict[str, float]]:
    best = max(chain.log_weight for chain in chains)
    shares = [dict.fromkeys(cylinders, 0.0) for _ in range(events)]
    weights = [exp(chain.log_weight - best) for chain in chains]
    total = sum(weights)
    for chain, weight in zip(chains, weights, strict=True):
        for share, place in zip(shares, chain.places, strict=True):
            share[place] += weight / total
    return shares


def _goes(previous: str | None, sign: Sign, cylinders: Sequence[str], s: EvidenceSettings) -> dict[str, float]:
    """Logarithm of the probability that the gauge goes to each cylinder, given where it was and where it was asked."""
    if sign.pinned is not None or len(cylinders) == 1:
        return dict.fromkeys(cylinders, 0.0)
    pause = max(0.0, (sign.gap_s or 0.0) - 120.0)
    slip = s.slip + s.slip_after_pause * (1 - exp(-pause / s.pause_s))
    slip += s.slip_after_loss * (1 - exp(-sign.lost_s / s.loss_s))
    shares = dict.fromkeys(cylinders, slip / len(cylinders))
    if previous is not None and previous != sign.asked:
        shares[previous] += s.extra
    if previous == sign.asked:
        after = cylinders[(cylinders.index(previous) + 1) % len(cylinders)]
        shares[after] += s.ahead
    shares[sign.asked] += 1 - sum(shares.values())
    return {cylinder: log(share) for cylinder, share in shares.items()}


def _handled(moved: bool, sign: Sign, habits: Habits, s: EvidenceSettings, tightened: bool) -> float:
    """Log-likelihood of the time and of the signs of handling."""
    total = 0.0
    if sign.gap_s is not None:
        median, sd = (habits.move_median_s(s), s.move_log_sd) if moved else (habits.stay_median_s(s), s.stay_log_sd)
        z = (log(max(sign.gap_s, 0.5)) - log(median)) / sd
        # The flat part runs over eight natural logarithms, from half a second to most of an hour.
        total += log((1 - s.any_time) * exp(-0.5 * z * z) / (sd * sqrt(2 * pi)) + s.any_time / 8.0)
    still = s.screwed_when_tightened if tightened else s.screwed_when_stayed
    total += _chance(sign.screwed, s.screwed_when_moved if moved else still)
    total += _chance(sign.zero_moved, s.zero_when_moved if moved else s.zero_when_stayed)
    total += _chance(sign.unbled, s.unbled_when_moved if moved else s.unbled_when_stayed)
    return total


def _reads(cylinder: str, sign: Sign, chain: _Chain, expected_kpa: Mapping[str, float], s: EvidenceSettings) -> float:
    """Log-likelihood of the peak in relative terms, given the other peaks of the chain."""
    mean, sd, known = _foretold(cylinder, chain, expected_kpa, s)
    if mean is None:
        return 0.0
    sd = sqrt(sd**2 + sign.peak_sd**2)
    ratio = sign.peak_kpa / mean
    good = exp(-0.5 * ((ratio - 1) / sd) ** 2) / (sd * sqrt(2 * pi))
    # A bad pull reads low; where this one is the good one, the earlier was low. Both ways are flat.
    bad = 1 / s.bad_depth if 1 - s.bad_depth <= ratio <= 1 + s.bad_depth else 0.1
    share = s.bad_pull * (1.5 if known else 1.0)
    return log((1 - share) * good + share * bad + 1e-6)


def _foretold(
    cylinder: str, chain: _Chain, expected_kpa: Mapping[str, float], s: EvidenceSettings
) -> tuple[float | None, float, bool]:
    """What the chain foretells of the cylinder: its mean, relative standard deviation, and whether it was read."""
    if cylinder in chain.levels:
        level, sd = chain.levels[cylinder]
        return level, sqrt(sd**2 + s.repeat_sd**2), True
    levels = {name: level for name, (level, _) in chain.levels.items()}
    if cylinder in expected_kpa:
        ratios = [level / expected_kpa[name] for name, level in levels.items() if name in expected_kpa]
        if ratios:
            spread = s.history_sd * sqrt(1 + 1 / len(ratios))
            return expected_kpa[cylinder] * sum(ratios) / len(ratios), sqrt(spread**2 + s.repeat_sd**2), False
        return expected_kpa[cylinder], sqrt(s.history_common_sd**2 + s.history_sd**2), False
    if levels:
        return sum(levels.values()) / len(levels), s.between_sd * sqrt(1 + 1 / len(levels)), False
    return None, 0.0, False


def _level(peaks: Sequence[tuple[float, float]], s: EvidenceSettings) -> tuple[float, float]:
    """Level of a cylinder from its peaks (those near the highest) and its relative standard deviation."""
    highest = max(peak for peak, _ in peaks)
    near = [(peak, sd) for peak, sd in peaks if peak > highest * (1 - 3 * s.repeat_sd - sd)]
    sd = sqrt(sum(s.repeat_sd**2 + one**2 for _, one in near)) / len(near)
    return sum(peak for peak, _ in near) / len(near), sd


def _chance(seen: bool, probability: float) -> float:
    return log(probability if seen else 1 - probability)


def _learnt(assumed_s: float, worth: float, count: float, log_sum: float) -> float:
    return exp((worth * log(assumed_s) + log_sum) / (worth + count))
