"""A bench's session: what happens becomes entries and messages that are committed together."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from math import hypot
from pathlib import Path

import numpy as np
import pytest

from gaugelink.app.dry_behind import DryBehind
from gaugelink.app.session import Session
from gaugelink.app.sitting import SITTING_S
from gaugelink.app.step import Step
from gaugelink.app.telling import cylinder_status
from gaugelink.bench.english_large import large_words
from gaugelink.bench.prompt_keys import CAUTIONS, PromptKey
from gaugelink.bench.reading import Phase
from gaugelink.broker import messages as published
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.message import new_id
from gaugelink.journal.entries import CommandEntry, EventEntry, ReadingEntry, TestEntry
from gaugelink.journal.rows import StoredTest
from gaugelink.peak.events import BudgetLine, CrankingEvent, EventSamples, Flag, GaugeKind, Method, Stroke
from gaugelink.verdict.findings import Finding, RuleName, Severity, VerdictWord
from tests.app.shops import SHOP, shop_in

AT = datetime(2026, 3, 1, 9, 0, tzinfo=UTC)
NOTHING = EventSamples(np.zeros(0), np.zeros(0), np.zeros(0, dtype=np.bool_), 0, GaugeKind.HELD, 0.0, 0.1, 0.5)


def pull(
    peak_kpa: float, flags: frozenset[Flag] = frozenset(), common_kpa: float = 1.0, own_kpa: float = 1.5
) -> CrankingEvent:
    strokes = tuple(Stroke(0.15 * n, peak_kpa * (1 - 0.5**n), 4.0) for n in range(1, 8))
    budget = (BudgetLine("sampling and noise", own_kpa), BudgetLine("calibration", common_kpa, common=True))
    return CrankingEvent(
        GaugeKind.HELD, 0.0, 1.05, peak_kpa, 2 * hypot(own_kpa, common_kpa),
        Method.SETTLED, 400.0, strokes, flags, budget,
        first_stroke_kpa=peak_kpa / 2, climb_per_stroke=0.5,
    )  # fmt: skip


class Bench:
    """A session with a clock of its own."""

    def __init__(self, folder: Path, text: str = SHOP, common_kpa: float = 1.0) -> None:
        self.common_kpa = common_kpa
        self.session = Session(shop_in(folder, text))
        self.now_s = 100.0
        self.session.link("amber", True, self.now_s, self.at)

    def command(self, action: CommandAction, **details: object) -> Step:
        command = Command.model_validate({"id": new_id(), "action": action, "by": "test", **details})
        return self.session.command(command, self.now_s, self.at)

    @property
    def at(self) -> datetime:
        return AT + timedelta(seconds=self.now_s)

    def begin(self, **details: object) -> None:
        self.command(CommandAction.BEGIN, machine="north-7", **details)
        self.command(CommandAction.ACKNOWLEDGE)

    def crank(
        self, peak_kpa: float, wait_s: float = 6.0, flags: frozenset[Flag] = frozenset(), own_kpa: float = 1.5
    ) -> Step:
        self.now_s += wait_s
        event = pull(peak_kpa, flags, self.common_kpa, own_kpa)
        return self.session.judged(new_id(), "amber", event, NOTHING, self.now_s, self.now_s, self.at)

    def whole_test(self, *peaks_kpa: float) -> Step:
        for number, peak_kpa in enumerate(peaks_kpa):
            self.crank(peak_kpa, 40.0 if number else 6.0)
            step = self.crank(peak_kpa + 2.0)
        return step


def of(step: Step, kind: type) -> list:
    return [one for one in (*step.entries, *step.messages) if isinstance(one, kind)]


def test_a_three_cylinder_test_runs_to_its_verdict_without_a_touch(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.begin()
    step = bench.whole_test(930.0, 925.0, 935.0)
    assert step.state is not None
    assert step.state.phase is Phase.DONE
    assert step.state.touches == 0
    (told,) = of(step, published.TestState)
    assert [cylinder.name for cylinder in told.cylinders] == ["PTO", "middle", "MAG"]
    assert {cylinder.status for cylinder in told.cylinders} == {published.CylinderStatus.AGREED}
    assert told.verdict is VerdictWord.CONSISTENT
    assert told.spread_kpa == pytest.approx(10.0)


@pytest.mark.parametrize(
    ("conditions", "asked"),
    [
        ("", "All plugs out, throttle wide open. Put the gauge on PTO"),
        ("[test.conditions]\nplugs_out = true", "All plugs out, throttle wide open. Put the gauge on PTO"),
        ("[test.conditions]\nplugs_out = false", "Throttle wide open. Put the gauge on PTO"),
        ("[test.conditions]\nthrottle_open = false", "All plugs out. Put the gauge on PTO"),
        ("[test.conditions]\nthrottle_open = false\nplugs_out = false", "Put the gauge on PTO"),
    ],
)
def test_the_first_prompt_asks_for_plugs_and_throttle(tmp_path: Path, conditions: str, asked: str) -> None:
    bench = Bench(tmp_path, f"{SHOP}\n{conditions}\n")
    bench.command(CommandAction.BEGIN, machine="north-7")
    step = bench.command(CommandAction.ACKNOWLEDGE)
    assert step.prompts[-1].key is PromptKey.BEGIN_PLACE
    assert step.prompts[-1].text.startswith(asked)
    assert step.prompts[-1].spoken.startswith(asked.removesuffix("PTO"))
    assert "throttle wide open" not in bench.crank(930.0).prompts[-1].text


@pytest.mark.parametrize(
    ("conditions", "much", "spoken"),
    [
        ("oil_ml = 8", "Wet test: 8 millilitres of oil into each cylinder, the same in each.", "Wet test: eight milli"),
        ("oil_ml = 7.5", "Wet test: 7.5 millilitres of oil", "Wet test: seven point five millilitres"),
        ("", "Wet test: a teaspoon of oil, five millilitres, into each cylinder, or what the maker's manual", "Wet"),
    ],
)
def test_a_wet_test_begins_with_how_much_oil_and_how_it_is_spread(
    tmp_path: Path, conditions: str, much: str, spoken: str
) -> None:
    bench = Bench(tmp_path, f"{SHOP}\n[test.conditions]\n{conditions}\n")
    bench.command(CommandAction.BEGIN, machine="north-7", kind="wet")
    first = bench.command(CommandAction.ACKNOWLEDGE).prompts[-1]
    assert first.text.startswith(much)
    assert first.spoken.startswith(spoken)
    assert "the same in each. Do not flood it. Crank once without the gauge to spread it. All plugs out" in first.text
    assert first.text.endswith("Pull when ready.")
    bench.command(CommandAction.FINISH)
    dry = bench.command(CommandAction.BEGIN, machine="north-7", kind="dry").prompts[-1]
    assert "oil" not in dry.text


def test_no_pull_is_asked_for_before_the_gauge_streams(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.session.link("amber", False, bench.now_s, bench.at)
    bench.command(CommandAction.BEGIN, machine="north-7")
    (waits,) = bench.command(CommandAction.ACKNOWLEDGE).prompts
    assert (waits.key, waits.text, large_words(waits)) == (PromptKey.NO_GAUGE, "No gauge yet: switch it on.", "WAIT")
    assert [prompt.key for prompt in bench.command(CommandAction.SKIP, cylinder="PTO").prompts] == [
        PromptKey.SKIPPED,
        PromptKey.NO_GAUGE,
    ]
    for _ in range(600):
        bench.now_s += 1.0
        assert {prompt.key for prompt in bench.session.tick(bench.now_s, bench.at).prompts} <= {PromptKey.NO_GAUGE}
    (first,) = bench.session.link("amber", True, bench.now_s, bench.at).prompts
    assert first.text.startswith("All plugs out, throttle wide open. Put the gauge on middle")
    bench.crank(930.0)
    lost = bench.session.link("amber", False, bench.now_s, bench.at)
    assert lost.prompts == []


def test_a_test_that_goes_on_without_its_gauge_waits_for_it(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.begin()
    (entry,) = of(bench.crank(930.0), TestEntry)
    stored = StoredTest(entry.test_id, "bay-3", "north-7", "triple", entry.snapshot_json, AT, bench.at, False)
    again = Bench(tmp_path)
    again.session.link("amber", False, again.now_s, again.at)
    again.session.resume(stored, [], again.now_s, bench.at)
    assert [prompt.key for prompt in again.command(CommandAction.ACKNOWLEDGE).prompts] == [PromptKey.NO_GAUGE]
    (back,) = again.session.link("amber", True, again.now_s, again.at).prompts
    assert back.text == "Gauge is back. Pull on PTO."


def test_what_the_gauge_adds_to_every_reading_is_not_in_the_spread(tmp_path: Path) -> None:
    # JCGM 100:2008, F.1.2.3: an error that two readings share cancels in their difference.
    spreads = []
    for common_kpa in (1.0, 30.0):
        bench = Bench(tmp_path, common_kpa=common_kpa)
        bench.begin()
        (told,) = of(bench.whole_test(930.0, 925.0, 935.0), published.TestState)
        assert told.cylinders[0].pressure_u_kpa is not None
        assert told.cylinders[0].pressure_u_kpa > 2 * common_kpa
        spreads.append(told.spread_u_kpa)
    assert spreads[1] == pytest.approx(spreads[0], rel=0.05)


def test_an_event_its_reading_and_the_test_are_one_unit_with_their_messages(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.begin()
    step = bench.crank(930.0)
    (event,) = of(step, EventEntry)
    (reading,) = of(step, ReadingEntry)
    assert reading.event_id == event.event_id
    assert reading.cylinder == "PTO"
    assert len(of(step, TestEntry)) == 1
    topics = [message.topic_suffix for message in step.messages]
    assert topics == ["cranking", "reading", "prompt", "test"]
    assert len({message.id for message in step.messages}) == 4


TWO_MACHINES = SHOP.replace("[test]", '[[machines]]\nid = "yard-2"\nname = "Yard 2"\nengine = "triple"\n\n[test]')


def _begun_again(bench: Bench, machine: str) -> bool:
    """Close the test that is open and begin one; whether its cautions are to be acknowledged first."""
    bench.command(CommandAction.FINISH)
    step = bench.command(CommandAction.BEGIN, machine=machine)
    assert step.state is not None
    asked = step.state.phase is Phase.CAUTIONS
    assert [prompt.key for prompt in step.prompts][:-1] == ([*CAUTIONS] if asked else [])
    assert (step.prompts[-1].key is PromptKey.ACKNOWLEDGE) is asked
    refused = bench.command(CommandAction.SKIP)
    assert refused.result is not None
    assert refused.result.ok is not asked
    bench.command(CommandAction.ACKNOWLEDGE)
    return asked


def test_the_cautions_come_again_with_every_other_machine(tmp_path: Path) -> None:
    bench = Bench(tmp_path, TWO_MACHINES)
    bench.begin()
    assert _begun_again(bench, "yard-2")
    assert _begun_again(bench, "north-7")


def test_the_cautions_of_one_machine_come_once_in_a_sitting(tmp_path: Path) -> None:
    bench = Bench(tmp_path, TWO_MACHINES)
    bench.begin()
    bench.now_s += 0.9 * SITTING_S
    bench.crank(930.0)
    bench.now_s += 0.9 * SITTING_S
    assert not _begun_again(bench, "north-7")
    bench.command(CommandAction.FINISH)
    bench.now_s += 1.1 * SITTING_S
    assert _begun_again(bench, "north-7")


@pytest.mark.parametrize("slept", [True, False])
def test_a_test_that_lay_open_for_longer_than_a_sitting_goes_on_after_its_cautions(tmp_path: Path, slept: bool) -> None:
    bench = Bench(tmp_path)
    bench.begin()
    bench.crank(930.0)
    bench.now_s += 0.9 * SITTING_S
    assert cautions_in(bench.session.tick(bench.now_s, bench.at)) == []
    night_s = 14 * 3600.0
    now_s, at = bench.now_s + (0.0 if slept else night_s), bench.at + timedelta(seconds=night_s)
    morning = bench.session.tick(now_s, at)
    assert cautions_in(morning) == [*CAUTIONS]
    assert morning.prompts[-1].key is PromptKey.ACKNOWLEDGE
    assert morning.state is not None
    assert morning.state.phase is Phase.CAUTIONS
    assert cautions_in(bench.session.tick(now_s + 1.0, at + timedelta(seconds=1.0))) == []
    acknowledge = Command(id=new_id(), action=CommandAction.ACKNOWLEDGE)
    goes_on = bench.session.command(acknowledge, now_s + 9.0, at + timedelta(seconds=9.0))
    assert goes_on.state is not None
    assert goes_on.state.phase is Phase.MEASURING
    assert len(goes_on.state.readings) == 1
    assert cautions_in(bench.session.tick(now_s + 10.0, at + timedelta(seconds=10.0))) == []


def cautions_in(step: Step) -> list[PromptKey]:
    return [prompt.key for prompt in step.prompts if prompt.key in CAUTIONS]


@pytest.mark.parametrize("begins_s", [0.9 * SITTING_S, 1.1 * SITTING_S])
def test_cranking_that_begins_in_a_sitting_goes_on_with_it_and_brings_none_back(
    tmp_path: Path, begins_s: float
) -> None:
    bench = Bench(tmp_path)
    bench.begin()
    bench.crank(930.0)
    bench.now_s += begins_s
    bench.session.opened("amber", bench.now_s, bench.at)
    bench.now_s += 0.2 * SITTING_S
    assert bool(cautions_in(bench.session.tick(bench.now_s, bench.at))) is (begins_s > SITTING_S)


def test_cautions_do_not_come_again_with_air_in_the_engine(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.begin()
    bench.crank(930.0)
    bench.session.leak_down(True)
    bench.now_s += 1.1 * SITTING_S
    assert cautions_in(bench.session.tick(bench.now_s, bench.at)) == []
    bench.session.leak_down(False)
    assert cautions_in(bench.session.tick(bench.now_s, bench.at)) == [*CAUTIONS]


def test_a_computer_that_slept_in_between_ends_the_sitting_though_its_monotonic_clock_stood_still(
    tmp_path: Path,
) -> None:
    bench = Bench(tmp_path, TWO_MACHINES)
    bench.begin()
    bench.command(CommandAction.FINISH)
    begin = Command(id=new_id(), action=CommandAction.BEGIN, machine="north-7")
    step = bench.session.command(begin, bench.now_s + 5.0, bench.at + timedelta(hours=14))
    assert step.state is not None
    assert step.state.phase is Phase.CAUTIONS


def test_a_command_gets_one_result_and_a_repeat_the_same_one(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.begin()
    bench.crank(930.0)
    command = Command(id=new_id(), action=CommandAction.STRIKE)
    first = bench.session.command(command, bench.now_s, bench.at)
    second = bench.session.command(command, bench.now_s, bench.at)
    assert first.result is not None
    assert first.result.ok
    assert second.result is not None
    assert second.result.repeated
    assert (len(of(first, CommandEntry)), len(of(second, CommandEntry))) == (1, 0)
    assert [m.text for m in of(first, published.CommandResult)] == [m.text for m in of(second, published.CommandResult)]


@pytest.mark.parametrize(
    ("action", "details", "said"),
    [
        (CommandAction.BEGIN, {"machine": "north-8"}, "no machine 'north-8'"),
        (CommandAction.BEGIN, {"machine": "north-7", "cylinders": ["left"]}, "no cylinder 'left'"),
        (CommandAction.BEGIN, {"machine": "north-7", "kind": "damp"}, "damp"),
        (CommandAction.BEGIN, {"machine": "north-7", "gauge": "blue"}, "no gauge is called 'blue'"),
        (CommandAction.REDO, {}, "No test is open"),
    ],
)
def test_a_command_that_cannot_be_done_is_refused_with_the_reason(
    tmp_path: Path, action: CommandAction, details: dict, said: str
) -> None:
    step = Bench(tmp_path).command(action, **details)
    assert step.result is not None
    assert not step.result.ok
    assert said in step.result.text


def test_an_open_test_is_not_swept_away_by_another_begin(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.begin()
    step = bench.command(CommandAction.BEGIN, machine="north-7")
    assert step.result is not None
    assert "A test of north-7 is open: finish or abandon it" in step.result.text


def test_a_wet_test_is_held_against_the_dry_one(tmp_path: Path) -> None:
    dry = Bench(tmp_path)
    dry.begin()
    dry.whole_test(930.0, 700.0, 935.0)
    wet = Bench(tmp_path)
    assert dry.session.test is not None
    from gaugelink.app.judging import verdict_conditions
    from gaugelink.app.telling import reading_values

    state = dry.session.test.state
    events = {reading.event_id: pull(reading.peak_kpa) for reading in state.readings}
    wet.session.hold_against(
        DryBehind("north-7", (reading_values(state, events), verdict_conditions(state)), stands=True)
    )
    wet.begin(kind="wet")
    wet.whole_test(960.0, 920.0, 960.0)
    assert wet.session.verdict is not None
    rises = [finding for finding in wet.session.verdict.findings if finding.rule == "wet_dry"]
    assert any("middle" in finding.cylinders and "ring" in " ".join(finding.causes) for finding in rises)


def test_a_gauge_past_its_calibration_is_flagged_on_every_reading(tmp_path: Path) -> None:
    bench = Bench(tmp_path, SHOP.replace('kind = "held"', 'kind = "held"\ncalibration_due = 2026-01-31'))
    event = bench.session.corrected("amber", pull(930.0), AT.date())
    assert Flag.CALIBRATION_OVERDUE in event.flags
    assert (
        Flag.CALIBRATION_OVERDUE not in bench.session.corrected("amber", pull(930.0), AT.date().replace(month=1)).flags
    )


@pytest.mark.parametrize(
    ("rule", "firm", "odd"),
    [
        (RuleName.BAND, True, {"PTO", "MAG"}),
        (RuleName.BAND, False, set()),
        (RuleName.LOWEST_OF_HIGHEST, True, {"PTO"}),
        (RuleName.LOWEST_OF_HIGHEST, False, set()),
        (RuleName.REPEATABILITY, False, {"PTO", "MAG"}),
    ],
)
def test_a_cylinder_is_odd_by_what_is_firm_or_by_its_own_pulls(
    tmp_path: Path, rule: RuleName, firm: bool, odd: set[str]
) -> None:
    bench = Bench(tmp_path)
    bench.begin()
    step = bench.whole_test(930.0, 925.0, 935.0)
    assert step.state is not None
    assert step.verdict is not None
    finding = Finding(rule, Severity.INVESTIGATE, "", cylinders=("PTO", "MAG"), firm=firm)
    verdict = replace(step.verdict, findings=(finding,))
    status = {one.name: cylinder_status(one, step.state, verdict) for one in step.state.cylinders}
    assert {name for name, said in status.items() if said is published.CylinderStatus.ODD} == odd
