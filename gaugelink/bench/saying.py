"""What to say next: one sentence, chosen from the state of the test."""

from collections.abc import Sequence
from math import ceil, log, log1p

from gaugelink.bench.agree import SHORT_OF_THE_TOP
from gaugelink.bench.plan import TestKind
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.prompts import Prompt, Prompter
from gaugelink.bench.reading import Phase, Reading, Status
from gaugelink.bench.repeats import tolerance_kpa
from gaugelink.bench.state import BenchState
from gaugelink.peak.events import Flag, GaugeKind
from gaugelink.peak.held import SETTLED_SHARE

WORTH_NAMING = 0.02
"""A candidate less likely than this is not named in a question. No source."""
READ_BACK = 4
"""Cylinders that an ear can follow when they are read back; of more only the highest and the lowest are said. Common
practice, no source."""
FEWEST_STROKES, MOST_STROKES, SPARE_STROKES = 8, 20, 2
"""Strokes that are asked for of a pull whose pressure still rose: common practice, no source."""

UNNAMED = "this machine"
"""What a machine is called whose name a test does not have."""

_READY_ENGINE = {
    (True, True): PromptKey.READY_ENGINE,
    (True, False): PromptKey.PLUGS_OUT,
    (False, True): PromptKey.THROTTLE_OPEN,
}


def opening(state: BenchState, say: Prompter) -> Prompt:
    """Say where to begin, or where a test goes on after a restart; nowhere before there is a gauge."""
    if state.waits_for_gauge:
        return say.say(PromptKey.NO_GAUGE)
    if state.resumed and state.target:
        one = len(state.target) == 1
        key = PromptKey.RESUMED if one else PromptKey.RESUMED_ALL
        # Whoever starts the service may have another machine at the bench.
        return say.say(key, state.target, next=state.target[0], machine=state.plan.machine or UNNAMED)
    first = go_to(state, say, PromptKey.BEGIN)
    ready = _READY_ENGINE.get(state.plan.asked_for)
    first = first if ready is None else say.led(say.say(ready), first)
    return say.led(_oil(state, say), first) if state.plan.kind is TestKind.WET else first


def _oil(state: BenchState, say: Prompter) -> Prompt:
    """Say how much oil a wet test takes: what the shop file states, else what is common practice."""
    oil_ml = state.plan.conditions.oil_ml
    much = say.say(PromptKey.OIL, (), oil=oil_ml) if oil_ml else say.say(PromptKey.OIL_TEASPOON)
    return say.joined(much, say.say(PromptKey.OIL_SPREAD))


def go_to(state: BenchState, say: Prompter, key: PromptKey = PromptKey.GO_TO) -> Prompt:
    """Say which cylinder comes next, or that the test is over."""
    if not state.target:
        return closing(state, say)
    if len(state.target) > 1:
        pairs = tuple((name, state.gauges[name]) for name in state.target)
        return say.say(
            PromptKey.READY_ALL if key is PromptKey.READY else PromptKey.BEGIN_ALL, state.target, pairs=pairs
        )
    name = state.target[0]
    if key is PromptKey.BEGIN and (place := _new_place(state, name)):
        return say.say(PromptKey.BEGIN_PLACE, state.target, next=name, place=place)
    return say.say(key, state.target, next=name)


def closing(state: BenchState, say: Prompter, last: Reading | None = None) -> Prompt:
    """Say how the test ended: the `last` reading if it has just come, then all cylinders, or the extremes of many.

    Reading all of them back in order is one more chance to notice that two were mixed up. Those that do not agree
    and those that were skipped or never settled are named. A test with an open question has not ended: that is said.
    """
    if state.phase is Phase.ABANDONED:
        return given_up(say, state.plan.machine, state.readings)
    left = len(state.questions)
    if left and state.phase is not Phase.FINISHED:
        asked = questions_left(say, left)
        if last is None:
            return asked
        return say.joined(say.say(PromptKey.AGREED, cylinder=last.cylinder, value=last.peak_kpa), asked)
    ending = _read_back(state, say, last)
    if left:
        ending = say.joined(ending, say.say(PromptKey.UNGIVEN, count=left))
    ended = tuple(name for name in state.plan.cylinders if _ended_unagreed(state, name))
    rising = tuple(name for name in ended if _at_least(state, name))
    if rising:
        ending = say.joined(ending, say.say(PromptKey.RISING_ONES, (), targets=rising))
    unagreed = tuple(name for name in ended if name not in rising)
    if unagreed:
        ending = say.joined(ending, say.say(PromptKey.UNAGREED_ONES, (), targets=unagreed))
    # Of a test that was finished early: a list of some does not say that others are missing from it.
    unread = tuple(name for name in state.plan.cylinders if name not in ended and not state.settled(name))
    if unread and state.phase is Phase.FINISHED and ending.key is not PromptKey.DONE_NOTHING:
        ending = say.joined(ending, say.say(PromptKey.UNSETTLED_ONES, (), targets=unread))
    return _with_skipped(state, say, ending)


def given_up(say: Prompter, machine: str, readings: Sequence[Reading]) -> Prompt:
    """Say which machine's test was given up, and that what was pulled is kept: a shop may have several under way."""
    return say.say(PromptKey.ABANDONED, machine=machine or UNNAMED, count=pulls_of(readings))


def pulls_of(readings: Sequence[Reading]) -> int:
    """How many pulls the readings came from; several gauges read one pull together."""
    return len({reading.pull for reading in readings})


def questions_left(say: Prompter, count: int) -> Prompt:
    """Say how many readings wait for an answer."""
    return say.say(PromptKey.QUESTION_LEFT) if count == 1 else say.say(PromptKey.QUESTIONS_LEFT, count=count)


def _ended_unagreed(state: BenchState, name: str) -> bool:
    """Whether a cylinder has as many readings as were asked for, and they do not agree."""
    enough = state.tries(name) >= state.plan.repeats
    return enough and name not in state.skipped and not state.agreement(name).agreed


def _at_least(state: BenchState, name: str) -> bool:
    """Whether what is known of a cylinder is only that its pressure is at least so high: it rose to the end."""
    behind = state.agreement(name).behind
    return bool(behind) and all(Flag.STILL_RISING in reading.flags for reading in behind)


def strokes_to_settle(reading: Reading) -> int:
    """Strokes after which a climb that was broken off will have settled, from what each of its strokes took.

    Each stroke takes the same share k of what is left (see `peak.held`), so after n of them (1 - k)^n is left.
    """
    share, needed = reading.climb_per_stroke, FEWEST_STROKES
    if share is not None and 0.0 < share < 1.0:
        needed = ceil(log(SETTLED_SHARE) / log1p(-share))
    return max(FEWEST_STROKES, min(needed, MOST_STROKES), min(reading.strokes + 1, MOST_STROKES))


def _with_skipped(state: BenchState, say: Prompter, ending: Prompt) -> Prompt:
    skipped = tuple(name for name in state.plan.cylinders if name in state.skipped)
    return say.joined(ending, say.say(PromptKey.SKIPPED_ONES, (), targets=skipped)) if skipped else ending


def _read_back(state: BenchState, say: Prompter, last: Reading | None) -> Prompt:
    values = [(name, value) for name in state.plan.cylinders if (value := state.agreement(name).value_kpa) is not None]
    if not values:
        return say.say(PromptKey.DONE_NOTHING)
    if len(values) == 1:
        return say.say(PromptKey.DONE_ONE, cylinder=values[0][0], value=values[0][1])
    lowest, highest = min(values, key=lambda one: one[1]), max(values, key=lambda one: one[1])
    read: dict[str, object] = {} if last is None else {"cylinder": last.cylinder, "value": last.peak_kpa}
    if len(values) <= READ_BACK and len(set(state.gauges.values())) > 1:
        named = tuple((name, state.gauges[name], value) for name, value in values)
        return say.say(PromptKey.DONE_NAMED, (), named=named)
    if len(values) <= READ_BACK:
        key = PromptKey.DONE if last is None else PromptKey.LAST_DONE
        return say.say(key, (), list=tuple(values), **read)
    key = PromptKey.DONE_MANY if last is None else PromptKey.LAST_DONE_MANY
    return say.say(key, (), first=highest[0], high=highest[1], second=lowest[0], low=lowest[1], **read)


def named_in_question(reading: Reading) -> tuple[str, ...]:
    """The one or two cylinders that a held reading may belong to: first the one that it had, or is likeliest to get."""
    before = next((change.cylinder for change in reversed(reading.changes) if change.status is Status.GIVEN), None)
    if before is not None:
        return before, next((name for name, _ in reading.candidates if name != before), before)
    likely = tuple(name for name, share in reading.candidates[:2] if share >= WORTH_NAMING)
    return likely or (reading.candidates[0][0],)


def question(state: BenchState, say: Prompter, reading: Reading) -> Prompt:
    """Ask which cylinder a held reading belongs to; one that is not of the last pull is named by its number."""
    named = named_in_question(reading)
    if any(change.status is Status.GIVEN for change in reading.changes):
        return say.say(
            PromptKey.ASK_LATER,
            state.target,
            pull=reading.pull,
            value=reading.peak_kpa,
            first=named[0],
            second=named[1],
        )
    if state.settings.confirm_moves and reading.confidence >= state.settings.confidence_limit:
        return say.say(PromptKey.CONFIRM, state.target, value=reading.peak_kpa, first=named[0])
    if not state.target or reading.pull < state.readings[-1].pull:
        second = {"second": named[1]} if len(named) > 1 else {}
        key = PromptKey.ASK_PULL if second else PromptKey.ASK_PULL_ONE
        return say.say(key, state.target, pull=reading.pull, value=reading.peak_kpa, first=named[0], **second)
    comes_next = _own_target(state, reading)
    if len(named) == 1:
        return say.say(PromptKey.ASK_ONE, state.target, value=reading.peak_kpa, first=named[0], next=comes_next)
    return say.say(
        PromptKey.ASK_WHICH, state.target, value=reading.peak_kpa, first=named[0], second=named[1], next=comes_next
    )


def after_pull(state: BenchState, say: Prompter, pull: Sequence[Reading], before: tuple[str, ...]) -> Prompt:
    """Say what came of a pull: its readings, all given to cylinders. `before` is what was asked for."""
    if not before and not state.target:
        return _extra_done(state, say, pull[0])
    over = next((reading for reading in pull if Flag.OVER_RANGE in reading.flags), None)
    if over is not None:
        return say.say(PromptKey.OVER_RANGE, state.target, cylinder=over.cylinder)
    reported = {reading.cylinder for reading in pull}
    if len(before) > 1:
        missing = [name for name in before if name not in reported and not state.settled(name)]
        if missing:
            return say.say(PromptKey.MISSING, state.target, cylinder=missing[0])
    unsettled = [reading for reading in pull if reading.cylinder is not None and not state.settled(reading.cylinder)]
    for reading in unsettled:
        trouble = _trouble(state, say, reading)
        if trouble is not None:
            # A check valve keeps the last pull: whatever else there is to say, the next one needs an empty gauge.
            held = any(one.kind is GaugeKind.HELD for one in pull)
            return say.led(say.say(PromptKey.BLEED), trouble) if held else trouble
    if len(before) <= 1 and len(pull) == 1:
        return _after_one(state, say, pull[0], before)
    values = tuple((str(reading.cylinder), reading.peak_kpa) for reading in pull)
    if unsettled or state.target == before:
        if not state.named:
            state.named = True
            named = tuple((str(reading.cylinder), reading.gauge, reading.peak_kpa) for reading in pull)
            return say.say(PromptKey.ALL_NAMED, state.target, named=named)
        bleed = any(reading.kind is GaugeKind.HELD for reading in pull)
        return say.say(PromptKey.ALL_AGAIN_BLEED if bleed else PromptKey.ALL_AGAIN, state.target, list=values)
    if not state.target:
        return closing(state, say)
    return say.say(PromptKey.MOVE_ALL, state.target, list=values, targets=state.target)


def _after_one(state: BenchState, say: Prompter, reading: Reading, before: tuple[str, ...]) -> Prompt:
    name = str(reading.cylinder)
    value = reading.peak_kpa
    if not state.settled(name):
        bleed = reading.kind is GaugeKind.HELD
        return say.say(PromptKey.AGAIN_BLEED if bleed else PromptKey.AGAIN, state.target, cylinder=name, value=value)
    if name not in before:
        if not state.target:
            return _extra_done(state, say, reading)
        return say.say(PromptKey.EXTRA, state.target, cylinder=name, value=value, next=state.target[0])
    tries, agreed = state.tries(name), state.agreement(name).agreed
    if not state.target:
        if agreed:
            return closing(state, say, reading)
        if state.questions:
            unagreed = say.say(PromptKey.UNAGREED_ONES, targets=(name,))
            return say.joined(unagreed, questions_left(say, len(state.questions)))
        if _at_least(state, name):
            last = say.say(PromptKey.LAST_RISING, cylinder=name, count=tries, value=state.agreement(name).value_kpa)
        else:
            last = say.say(PromptKey.LAST_UNAGREED, cylinder=name, count=tries)
        return _with_skipped(state, say, last)
    comes_next = state.target[0]
    if not agreed and _at_least(state, name):
        least = state.agreement(name).value_kpa
        said = {"cylinder": name, "count": tries, "value": least, "next": comes_next}
        return say.say(PromptKey.MOVE_RISING, state.target, **said)
    if not agreed:
        return say.say(PromptKey.MOVE_UNAGREED, state.target, cylinder=name, count=tries, next=comes_next)
    place = _new_place(state, comes_next)
    if place:
        return say.say(PromptKey.MOVE_PLACE, state.target, cylinder=name, value=value, next=comes_next, place=place)
    return say.say(PromptKey.MOVE, state.target, cylinder=name, value=value, next=comes_next)


def _extra_done(state: BenchState, say: Prompter, extra: Reading) -> Prompt:
    if state.questions:
        said = say.say(PromptKey.EXTRA_READ, cylinder=extra.cylinder, value=extra.peak_kpa)
        return say.joined(said, questions_left(say, len(state.questions)))
    said = say.say(PromptKey.EXTRA_DONE, cylinder=extra.cylinder, value=extra.peak_kpa)
    return _with_skipped(state, say, said)


def _trouble(state: BenchState, say: Prompter, reading: Reading) -> Prompt | None:
    """Say what is wrong with a reading of a cylinder that is not settled."""
    name, value = str(reading.cylinder), reading.peak_kpa
    if reading.flags & SHORT_OF_THE_TOP:
        least = strokes_to_settle(reading)
        more = least + SPARE_STROKES
        return say.say(PromptKey.STILL_RISING, state.target, cylinder=name, value=value, count=least, more=more)
    if reading.repeat.is_poor and state.plan.repeats > 1:
        return say.say(PromptKey.UNSURE, state.target, cylinder=name, value=value)
    others = [
        other
        for other in state.of_cylinder(name)
        if other.event_id != reading.event_id and not other.flags & SHORT_OF_THE_TOP and not other.repeat.is_poor
    ]
    if not others:
        return None
    best = max(others, key=lambda other: other.peak_kpa)
    difference = value - best.peak_kpa
    if abs(difference) <= tolerance_kpa(reading.repeat, best.repeat, state.plan.agreement):
        return None
    key = PromptKey.UNDER if difference < 0 else PromptKey.OVER
    told = say.unit.shown_difference_kpa(value, best.peak_kpa)
    return say.say(key, state.target, cylinder=name, value=value, difference=told)


def _new_place(state: BenchState, name: str) -> str | None:
    """Return where a cylinder is, the first time it comes up."""
    if name in state.placed or name not in state.plan.places:
        return None
    state.placed.append(name)
    return state.plan.places[name]


def _own_target(state: BenchState, reading: Reading) -> str:
    """Return the cylinder that this reading's gauge was to be on."""
    lane = state.lane(reading.gauge)
    return next((name for name in state.target if name in lane), reading.candidates[0][0])
