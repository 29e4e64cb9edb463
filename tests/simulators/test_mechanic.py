"""The simulated mechanic does what the prompts say, and makes the mistake that was asked for."""

from random import Random

import pytest

from gaugelink.bench.assign import TestBench
from gaugelink.bench.plan import Plan
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.reading import Phase
from gaugelink.peak.events import CrankingEvent, Flag, GaugeKind, Method
from gaugelink.peak.notices import HandlingKind
from simulators.mechanic import Manner, Mechanic, Mistake, Pull, Radio, Say, ScrewIn
from simulators.rehearsal import DrawnPeak, GaugeManner, Rehearsal, Rehearsed

LEVELS = {"PTO": 930.0, "middle": 890.0, "MAG": 905.0}


def event(peak: DrawnPeak) -> CrankingEvent:
    return CrankingEvent(
        GaugeKind.HELD if peak.held else GaugeKind.LIVE,
        peak.start_s,
        peak.end_s,
        peak.peak_kpa,
        peak.peak_u_kpa,
        Method.FITTED,
        None,
        (),
        frozenset({Flag.STILL_RISING} if peak.still_rising else ()),
    )


def rehearse(mistake: Mistake | None = None, seed: int = 1, several: bool = False, notice: float = 1.0) -> Rehearsed:
    names = ("PTO", "middle", "MAG")
    gauges = dict(zip(names, ("red", "blue", "green"), strict=True)) if several else dict.fromkeys(names, "red")
    rng = Random(seed)
    mechanic = Mechanic(gauges, Manner(notice=notice, held=seed % 2 == 1), rng, mistake, 1)
    plan = Plan(test_id="t", cylinders=names, gauges=gauges)
    return Rehearsal(lambda number: TestBench(plan), mechanic, LEVELS, GaugeManner(), rng, event, HandlingKind).run()


def placed_wrong(happened: Rehearsed) -> int:
    wrong = 0
    for truth in happened.truths:
        for reading in happened.benches[truth.test].state.readings:
            wrong += reading.event_id == truth.event_id and reading.in_cylinder and reading.cylinder != truth.hole
    return wrong


@pytest.mark.parametrize("several", [False, True])
@pytest.mark.parametrize("seed", range(6))
def test_one_who_follows_the_prompts_needs_no_touch(seed: int, several: bool) -> None:
    happened = rehearse(seed=seed, several=several)
    assert happened.done
    assert happened.touches == 0
    assert placed_wrong(happened) == 0


@pytest.mark.parametrize("mistake", Mistake)
def test_every_mistake_is_made_and_the_test_still_comes_to_its_end(mistake: Mistake) -> None:
    wrong = events = 0
    for seed in range(6):
        happened = rehearse(mistake, seed)
        assert happened.done, (mistake, seed)
        wrong += placed_wrong(happened)
        events += len(happened.truths)
    # The benchmark measures the share over thousands; here only that it is not a habit.
    assert wrong <= 0.05 * events


def test_a_mechanic_who_never_listens_swaps_without_anyone_knowing() -> None:
    # Nothing in the pressure tells two healthy cylinders apart: this is what the spoken names are for.
    assert sum(placed_wrong(rehearse(Mistake.SWAPPED, seed, notice=0.0)) for seed in range(6)) > 0


def test_the_same_seed_gives_the_same_test() -> None:
    one, other = rehearse(Mistake.EXTRA_PULL, 4), rehearse(Mistake.EXTRA_PULL, 4)
    assert one.prompts == other.prompts
    assert one.benches[-1].snapshot() == other.benches[-1].snapshot()


def test_a_mechanic_moves_the_gauge_then_pulls() -> None:
    mechanic = Mechanic({"PTO": "red", "MAG": "red"}, Manner(), Random(1))
    mechanic.hear(PromptKey.BEGIN, ("PTO",), {"next": "PTO"}, 0.0)
    first, second = mechanic.act(), mechanic.act()
    assert isinstance(first, ScrewIn)
    assert isinstance(second, Pull)
    assert mechanic.hole["red"] == "PTO"
    assert mechanic.due_s is None


def test_a_wrong_name_is_answered_with_where_the_gauge_is() -> None:
    mechanic = Mechanic({"PTO": "red", "MAG": "red"}, Manner(notice=1.0), Random(1))
    mechanic.hear(PromptKey.BEGIN, ("PTO",), {"next": "PTO"}, 0.0)
    mechanic.act()
    mechanic.act()
    mechanic.hear(PromptKey.AGAIN, ("MAG",), {"cylinder": "MAG", "value": 900.0}, 60.0)
    said = mechanic.act()
    assert isinstance(said, Say)
    assert (said.kind, said.cylinder) == ("assign", "PTO")


def test_a_lost_radio_comes_back() -> None:
    mechanic = Mechanic({"PTO": "red", "MAG": "red"}, Manner(), Random(1), Mistake.RADIO_LOST, 0)
    mechanic.hear(PromptKey.BEGIN, ("PTO",), {"next": "PTO"}, 0.0)
    radio = []
    while mechanic.due_s is not None:
        action = mechanic.act()
        if isinstance(action, Radio):
            radio.append(action)
    assert [one.up for one in radio] == [False, True]
    assert radio[1].at_s - radio[0].at_s == pytest.approx(30.0)


def test_an_abandoned_test_is_followed_by_another() -> None:
    counts = [len(rehearse(Mistake.BEGUN_AGAIN, seed).benches) for seed in range(8)]
    assert set(counts) == {1, 2}
    happened = next(one for one in (rehearse(Mistake.BEGUN_AGAIN, seed) for seed in range(8)) if len(one.benches) == 2)
    assert happened.benches[0].state.phase is Phase.ABANDONED
