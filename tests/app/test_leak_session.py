"""A bench's leak-down from request to result: prompts, record, messages. Time is driven by the samples."""

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from gaugelink.app.demo import MACHINE
from gaugelink.app.leak_demo import leak_shop
from gaugelink.app.leak_session import LeakSession
from gaugelink.app.step import Step
from gaugelink.bench.commands import CAUTIONS_FIRST
from gaugelink.bench.prompt_keys import AIR_CAUTIONS, PromptKey
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.leak_messages import Decay, DecayKind, DecayState, LeakRequest
from gaugelink.broker.message import new_id
from gaugelink.engine.units import PressureUnit
from gaugelink.gauge.samples import SampleBatch
from gaugelink.journal.entries import CommandEntry, DecayEntry, PromptEntry
from gaugelink.leak.decay import DecayVerdict
from simulators.vessel import Vessel, watch
from tests.app.leak_sessions import GAUGE, LET_OFF, NOON, ask, begun, in_unit, keys, played
from tests.broker.conformance import check_message


@pytest.fixture
def session(tmp_path: Path) -> LeakSession:
    return LeakSession(leak_shop(tmp_path))


def crankcase(session: LeakSession, hole_mm: float, request: LeakRequest | None = None) -> list[Step]:
    request = request or LeakRequest(volume_cm3=900.0)
    opening = [begun(session, request), ask(session, CommandAction.ACKNOWLEDGE)]
    record = watch(
        Vessel(volume_cm3=900.0, hole_mm=hole_mm, heated=0.006, settling_s=20.0), 41.4, 400.0, rate_hz=5.0, quiet_s=5.0
    )
    return [*opening, *played(session, record.time_s, record.pressure_kpa)]


def test_the_cautions_come_before_any_air(session: LeakSession) -> None:
    said = keys([begun(session, LeakRequest())])
    assert said == [*AIR_CAUTIONS, PromptKey.ACKNOWLEDGE]
    assert keys([ask(session, CommandAction.ACKNOWLEDGE)]) == [PromptKey.LEAK_PUMP]


def test_the_crankcase_of_a_four_stroke_is_not_pumped_up(tmp_path: Path) -> None:
    shop = leak_shop(tmp_path)
    engine = shop.fleet.engine_of(MACHINE).model_copy(update={"cycle": 4})
    others = [one for one in shop.fleet.engine if one.id != engine.id]
    session = LeakSession(replace(shop, fleet=shop.fleet.model_copy(update={"engine": (engine, *others)})))
    refused = ask(session, CommandAction.BEGIN_DECAY, machine=MACHINE, leak=LeakRequest())
    assert refused.result is not None
    assert not refused.result.ok
    assert "is a four-stroke" in refused.result.text
    assert not session.active
    begun(session, LeakRequest(part="cooling system"))


def states(steps: list[Step]) -> list[DecayState]:
    return [one for step in steps for one in step.messages if isinstance(one, DecayState)]


def test_whoever_joins_in_the_middle_is_told_which_cautions_stand(session: LeakSession) -> None:
    began = begun(session, LeakRequest(), cylinder="MAG")
    steps = [began, ask(session, CommandAction.ACKNOWLEDGE), ask(session, CommandAction.STOP_DECAY)]
    told = states(steps)
    for one in told:
        check_message(f"gaugelink/{one.bench}/decay/state", one.model_dump_json())
        assert one.outgoing().retain
    cautions = tuple(prompt.text for prompt in began.prompts if prompt.key in AIR_CAUTIONS)
    assert [(one.phase, one.cautions) for one in told] == [("cautions", cautions), ("measuring", ()), ("ended", ())]
    assert {(one.machine, one.cylinder) for one in told} == {(MACHINE, "MAG")}


def test_a_leak_down_that_is_over_by_itself_says_so_to_whoever_joins_later(session: LeakSession) -> None:
    assert [one.phase for one in states(crankcase(session, 0.3))] == ["cautions", "measuring", "ended"]


@pytest.mark.parametrize("action", [CommandAction.SKIP, CommandAction.REDO, CommandAction.FINISH, CommandAction.BEGIN])
def test_nothing_else_acts_while_the_cautions_of_air_stand(session: LeakSession, action: CommandAction) -> None:
    begun(session, LeakRequest())
    assert session.takes(Command(id=new_id(), action=action, machine=MACHINE))
    step = ask(session, action, machine=MACHINE)
    assert step.result is not None
    assert (step.result.ok, step.result.text) == (False, CAUTIONS_FIRST)
    assert step.prompts == []
    ask(session, CommandAction.ACKNOWLEDGE)
    assert not session.takes(Command(id=new_id(), action=action, machine=MACHINE))


@pytest.mark.parametrize(
    ("kind", "cylinder", "first"),
    [
        (DecayKind.DIFFERENTIAL, "MAG", "Lock the crank, MAG at top dead centre, with the maker's locking tool"),
        (DecayKind.DECAY, "MAG", "Lock the crank, MAG at top dead centre, with the maker's locking tool"),
        (DecayKind.DECAY, None, "Seal the crankcase."),
    ],
)
def test_before_air_goes_into_a_cylinder_the_crank_is_locked_and_not_held(
    session: LeakSession, kind: DecayKind, cylinder: str | None, first: str
) -> None:
    begun(session, LeakRequest(kind=kind), cylinder=cylinder)
    (opening,) = ask(session, CommandAction.ACKNOWLEDGE).prompts
    assert opening.text.startswith(first)
    assert "Hold" not in opening.text
    if kind is DecayKind.DIFFERENTIAL:
        assert "Hands, tools and cord clear, then let air in slowly, up to" in opening.text


def test_the_cautions_of_air_name_what_can_hurt(session: LeakSession) -> None:
    words = " ".join(prompt.text for prompt in begun(session, LeakRequest()).prompts).lower()
    for danger in ("locking tool", "manual", "hands, tools and cord", "ignition off", "kill switch", "fuel vapour"):
        assert danger in words
    assert "no flame" in words


@pytest.mark.parametrize(
    ("hole_mm", "part", "word", "where"),
    [
        (0.1, "crankcase", "Failed.", "Soapy water on the seals, the base, the reeds and the cooler shows where. "),
        (0.1, "cooling system", "Failed.", "Soapy water on its seals and joints shows where. "),
        (0.0, "crankcase", "Passed.", ""),
    ],
)
def test_a_decay_that_ends_says_where_to_look_and_to_let_the_air_off(
    session: LeakSession, hole_mm: float, part: str, word: str, where: str
) -> None:
    said = [
        prompt
        for step in crankcase(session, hole_mm, LeakRequest(volume_cm3=900.0, part=part))
        for prompt in step.prompts
    ]
    assert said[-1].text.startswith(word)
    assert said[-1].text.endswith(f". {where}{LET_OFF}")
    assert said[-1].spoken.endswith(f". {where}{LET_OFF}")


def test_a_leak_test_that_is_stopped_says_to_let_the_air_off(session: LeakSession) -> None:
    begun(session, LeakRequest())
    (said,) = ask(session, CommandAction.STOP_DECAY).prompts
    assert said.text == f"The leak test is stopped. {LET_OFF}"


def test_a_leaking_case_fails_hands_free_and_is_written_down_with_its_messages(session: LeakSession) -> None:
    steps = crankcase(session, 0.1)
    assert keys(steps)[len(AIR_CAUTIONS) + 1 :] == [PromptKey.LEAK_PUMP, PromptKey.LEAK_CLOSED, PromptKey.LEAK_FAIL]
    assert not session.active
    (last,) = [step for step in steps if step.decay is not None]
    (entry,) = [one for one in last.entries if isinstance(one, DecayEntry)]
    kept = Decay.model_validate_json(entry.result_json)
    assert kept == last.decay
    assert (kept.machine, kept.part, kept.verdict, kept.kind) == (MACHINE, "crankcase", "fail", DecayKind.DECAY)
    assert kept.numbers["hole_low_mm"] <= 0.1 <= kept.numbers["hole_high_mm"]
    assert entry.samples is not None
    assert len(entry.samples.time_s) > 50
    for step in steps:
        for message in step.messages:
            check_message(f"gaugelink/{message.bench}/{message.topic_suffix}", message.model_dump_json())
        said = [one.text for one in step.entries if isinstance(one, PromptEntry)]
        assert said == [prompt.text for prompt in step.prompts]


def test_a_tight_case_passes(session: LeakSession) -> None:
    steps = crankcase(session, 0.0)
    assert keys(steps)[-1] is PromptKey.LEAK_PASS
    (result,) = [step.decay for step in steps if step.decay is not None]
    assert result.verdict == "pass"
    assert result.duration_s < 600.0


def held(
    session: LeakSession, kpa_per_min: float, *, changes: tuple[tuple[float, float, float], ...] = ()
) -> list[Step]:
    """Play a hold of 41 kPa that loses so much; changes are seconds since closing, how long, and kPa."""
    begun(session, LeakRequest())
    ask(session, CommandAction.ACKNOWLEDGE)
    time_s = np.arange(0.0, 300.0, 0.1)
    after_s = time_s - 8.0
    pressure_kpa = np.interp(time_s, [5.0, 8.0], [0.0, 41.0]) - kpa_per_min / 60.0 * np.maximum(after_s, 0.0)
    for begin_s, lasts_s, kpa in changes:
        pressure_kpa += kpa * np.clip((after_s - begin_s) / lasts_s, 0.0, 1.0)
    return played(session, time_s, pressure_kpa + np.random.default_rng(0).normal(0.0, 0.02, len(time_s)))


@pytest.mark.parametrize("changes", [((15.0, 3.0, 2.0),), ((20.0, 2.0, 1.5), (40.0, 2.0, 1.5)), ((14.0, 1.5, 1.5),)])
def test_a_leak_that_is_topped_up_slowly_is_measured_anew(
    session: LeakSession, changes: tuple[tuple[float, float, float], ...]
) -> None:
    steps = held(session, 2.0, changes=changes)
    assert PromptKey.LEAK_ANEW in keys(steps)
    assert keys(steps)[-1] is PromptKey.LEAK_FAIL


def test_a_fall_that_is_none_of_a_leak_has_no_verdict_and_is_told_with_what_to_do(session: LeakSession) -> None:
    # A leak of three times the limit that somebody shuts with a finger after 35 seconds.
    steps = held(session, 2.0, changes=((35.0, 260.0, 2.0 / 60.0 * 260.0),))
    assert keys(steps) == [PromptKey.LEAK_CLOSED, PromptKey.LEAK_UNLIKE]
    (result,) = [step.decay for step in steps if step.decay is not None]
    assert (result.verdict, result.flags) == ("open", ("poor_fit",))
    assert not session.active


def pumped_twice(hold_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Seconds and kPa: a hold that loses much and is pumped again, then four seconds of a tight one."""
    time_s = np.arange(0.0, hold_s + 14.0, 0.1)
    again_s = hold_s + 8.0
    return time_s, np.interp(time_s, [5.0, 8.0, again_s, again_s + 1.0], [0.0, 41.0, 41.0 - 0.2 * hold_s, 45.0])


def test_a_hold_that_was_pumped_again_leaves_no_result_behind(session: LeakSession) -> None:
    begun(session, LeakRequest())
    ask(session, CommandAction.ACKNOWLEDGE)
    steps = played(session, *pumped_twice(12.0))
    assert keys(steps) == [PromptKey.LEAK_CLOSED, PromptKey.LEAK_ANEW, PromptKey.LEAK_CLOSED]
    stopped = ask(session, CommandAction.STOP_DECAY)
    assert stopped.decay is None
    assert not [one for one in stopped.entries if isinstance(one, DecayEntry)]


def test_a_look_that_is_over_when_the_next_hold_runs_says_nothing_of_it(session: LeakSession) -> None:
    begun(session, LeakRequest())
    ask(session, CommandAction.ACKNOWLEDGE)
    time_s, pressure_kpa = pumped_twice(40.0)
    look = None
    for first in range(0, len(time_s), 5):
        part = slice(first, first + 5)
        session.hear(SampleBatch(GAUGE, time_s[part], pressure_kpa[part], np.zeros(5, dtype=np.bool_)), 0.0, NOON)
        if time_s[first] < 48.0:
            look = session.due() or look
    assert look is not None
    late = look()
    assert late.verdict is DecayVerdict.FAIL
    assert keys([session.judged(session.decay_id, late, 0.0, NOON)]) == []
    assert session.active
    assert ask(session, CommandAction.STOP_DECAY).decay is None


def test_a_fixed_time_test_ends_with_the_book_s_time(session: LeakSession) -> None:
    steps = [begun(session, LeakRequest(fixed_time=True)), ask(session, CommandAction.ACKNOWLEDGE)]
    time_s = np.arange(0.0, 800.0, 0.2)
    # 97 % of 1 psi is lost in the book's ten minutes, and all of it half a minute later.
    fall = 0.97 * 6.894757 / 600.0
    closed_s, test_kpa = 10.0, 6.0 * 6.894757
    pumped = np.interp(time_s, [5.0, closed_s], [0.0, test_kpa])
    steps += played(session, time_s, np.where(time_s < closed_s, pumped, test_kpa - fall * (time_s - closed_s)))
    (result,) = [step.decay for step in steps if step.decay is not None]
    assert (result.verdict, result.duration_s) == ("pass", 600.0)
    last_s = max(step.progress.elapsed_s for step in steps if step.progress is not None)
    assert last_s == pytest.approx(600.0, abs=2.5)


@pytest.mark.parametrize("unit", PressureUnit)
def test_the_published_sentence_is_in_the_shop_s_unit_and_the_numbers_stay_in_kpa(
    tmp_path: Path, unit: PressureUnit
) -> None:
    shop = leak_shop(tmp_path)
    bench = shop.settings.bench.model_copy(update={"display_unit": unit})
    session = LeakSession(replace(shop, settings=shop.settings.model_copy(update={"bench": bench})))
    (result,) = [step.decay for step in crankcase(session, 0.1) if step.decay is not None]
    found = re.match(r"The leak is ([\d.]+) (\S+) a minute", result.text)
    assert found is not None
    assert found[2] == unit.value
    assert unit.to_kpa(float(found[1])) == pytest.approx(result.numbers["leak_kpa_per_min"], rel=0.005)
    others = {other.value for other in PressureUnit} - {unit.value}
    assert not others & set(re.findall(r"[\w/]+", result.text))
    assert result.start_kpa == pytest.approx(41.4, abs=1.0)


def test_progress_is_told_while_it_runs(session: LeakSession) -> None:
    told = [step.progress for step in crankcase(session, 0.1) if step.progress is not None]
    assert {progress.note for progress in told} >= {"idle", "pumping", "holding"}
    for progress in told:
        check_message(f"gaugelink/{progress.bench}/decay/progress", progress.model_dump_json())
    rates = [progress.rate_kpa_per_s for progress in told if progress.rate_kpa_per_s is not None]
    assert rates
    assert 0.0 < rates[-1] < 1.0


def test_too_much_pressure_is_said_at_once(session: LeakSession) -> None:
    begun(session, LeakRequest(highest_kpa=42.0, test_kpa=40.0))
    ask(session, CommandAction.ACKNOWLEDGE)
    record = watch(Vessel(hole_mm=0.0), 50.0, 2.0, rate_hz=5.0, quiet_s=5.0)
    assert PromptKey.LEAK_OVER in keys(played(session, record.time_s, record.pressure_kpa))


def test_a_leak_that_is_followed_goes_on_after_its_verdict_until_it_is_stopped(session: LeakSession) -> None:
    steps = crankcase(session, 0.05, LeakRequest(follow=True))
    assert keys(steps).count(PromptKey.LEAK_FAIL) == 1
    assert session.active
    assert session.following
    rate = session.live_rate()
    assert rate is not None
    assert rate.kpa_per_min > 0.0
    stopped = ask(session, CommandAction.STOP_DECAY)
    assert stopped.decay is not None
    assert not session.active


@pytest.mark.parametrize(
    ("request_", "told"),
    [
        (
            LeakRequest(test_kpa=60.0),
            "the pressure to pump to, 0.60 bar, is above the highest that is allowed, 0.48 bar.",
        ),
        (
            LeakRequest(kind=DecayKind.DIFFERENTIAL, supply_kpa=800.0),
            "the regulated pressure, 8.00 bar, is above the highest that is allowed, 6.89 bar.",
        ),
    ],
)
def test_a_pressure_above_the_highest_is_refused_in_the_shop_s_unit(
    tmp_path: Path, request_: LeakRequest, told: str
) -> None:
    session = in_unit(tmp_path, PressureUnit.BAR)
    step = ask(session, CommandAction.BEGIN_DECAY, machine=MACHINE, leak=request_, cylinder="PTO")
    assert step.result is not None
    assert step.result.text == f"The leak test cannot be run so: {told}"


@pytest.mark.parametrize(
    ("request_", "cylinder", "told"),
    [
        (LeakRequest(kind=DecayKind.DIFFERENTIAL), None, "name it"),
        (LeakRequest(kind=DecayKind.DIFFERENTIAL, supply_gauge=GAUGE), "MAG", "both sides"),
        (LeakRequest(kind=DecayKind.DIFFERENTIAL, orifice_mm=9.0, bore_mm=8.0), "MAG", "larger than the bore"),
        (LeakRequest(test_kpa=60.0), None, "above the highest"),
        (LeakRequest(highest_kpa=1000.0), None, "highest_kpa: found 1000.0"),
    ],
)
def test_what_cannot_be_run_is_refused_with_a_reason(
    session: LeakSession, request_: LeakRequest, cylinder: str | None, told: str
) -> None:
    step = ask(session, CommandAction.BEGIN_DECAY, machine=MACHINE, leak=request_, cylinder=cylinder)
    assert step.result is not None
    assert not step.result.ok
    assert told in step.result.text
    assert not session.active
    assert [type(entry) for entry in step.entries] == [CommandEntry]


def test_one_leak_down_at_a_time_and_none_to_stop(session: LeakSession) -> None:
    refused = ask(session, CommandAction.STOP_DECAY)
    assert refused.result is not None
    assert "No leak test" in refused.result.text
    begun(session, LeakRequest())
    again = ask(session, CommandAction.BEGIN_DECAY, machine=MACHINE)
    assert again.result is not None
    assert "under way" in again.result.text
