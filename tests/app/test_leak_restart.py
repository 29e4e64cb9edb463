"""A leak-down that a restart interrupts goes on where nothing contradicts it, else it is told and cleared."""

import re
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from gaugelink.app.demo import MACHINE
from gaugelink.app.leak_demo import leak_shop
from gaugelink.app.leak_keeping import KEEP_EVERY_S
from gaugelink.app.leak_session import LeakSession
from gaugelink.bench.cautions import StandingCautions
from gaugelink.bench.prompt_keys import AIR_CAUTIONS, PromptKey
from gaugelink.broker.commands import CommandAction
from gaugelink.broker.leak_messages import DecayKind, DecayState, LeakRequest
from gaugelink.engine.units import PressureUnit
from gaugelink.journal.entries import DecayEntry, LeakDownEntry
from simulators.vessel import Vessel, VesselRecord, watch
from tests.app.leak_lives import NOON, Bench

REQUEST = LeakRequest(volume_cm3=900.0, fixed_time=True)
"""By the book, so that nothing is decided before the time is over."""


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    shop = leak_shop(tmp_path)
    return Bench(shop, LeakSession(shop), {}, [])


def case(hole_mm: float = 0.03, duration_s: float = 700.0, start_kpa: float = 41.4) -> VesselRecord:
    vessel = Vessel(volume_cm3=900.0, hole_mm=hole_mm, heated=0.006, settling_s=20.0)
    return watch(vessel, start_kpa, duration_s, rate_hz=5.0, quiet_s=5.0)


def begun(bench: Bench, request: LeakRequest = REQUEST, *, acknowledged: bool = True) -> None:
    bench.ask(CommandAction.BEGIN_DECAY, machine=MACHINE, leak=request)
    if acknowledged:
        bench.ask(CommandAction.ACKNOWLEDGE)


def cut_after(bench: Bench, record: VesselRecord, held_s: float = 120.0) -> float:
    """Begin, hold for so long, and kill the service; gives the gauge's time of the kill."""
    begun(bench)
    bench.play(record, 0.0, record.closed_s + held_s)
    return record.closed_s + held_s


def test_a_decay_that_a_restart_interrupts_goes_on_to_its_verdict_with_the_gap_flagged(bench: Bench) -> None:
    record = case()
    cut_s = cut_after(bench, record)
    (begun_id,) = bench.stored
    assert [prompt.key for prompt in bench.restart(cut_s + 12.0).prompts] == [PromptKey.LEAK_BROKEN_OFF]
    bench.play(record, cut_s + 15.0, 700.0)
    assert bench.keys[:2] == [PromptKey.LEAK_BROKEN_OFF, PromptKey.LEAK_GOES_ON]
    assert bench.keys[-1] is PromptKey.LEAK_FAIL
    (result,) = [step.decay for step in bench.steps if step.decay is not None]
    assert (result.decay_id, result.machine, result.verdict) == (begun_id, MACHINE, "fail")
    assert "gaps" in result.flags
    assert result.start_kpa == pytest.approx(41.4, abs=0.5)
    assert result.numbers["leak_low_kpa_per_min"] <= record.leak_kpa_per_min <= result.numbers["leak_high_kpa_per_min"]
    assert bench.cleared


def test_the_samples_of_both_sides_of_the_gap_are_written_down(bench: Bench) -> None:
    record = case()
    cut_s = cut_after(bench, record)
    bench.restart(cut_s + 12.0)
    bench.play(record, cut_s + 15.0, 700.0)
    (entry,) = [one for step in bench.steps for one in step.entries if isinstance(one, DecayEntry)]
    assert entry.samples is not None
    time_s = entry.samples.time_s
    assert time_s[0] == pytest.approx(record.closed_s, abs=1.0)
    widest = int(np.diff(time_s).argmax())
    assert time_s[widest] == pytest.approx(cut_s, abs=KEEP_EVERY_S + 1.0)
    assert time_s[widest + 1] == pytest.approx(cut_s + 15.0, abs=0.5)


def test_the_gap_that_is_said_is_the_time_without_samples(bench: Bench) -> None:
    record = case()
    cut_s = cut_after(bench, record)
    bench.restart(cut_s + 12.0)
    bench.play(record, cut_s + 15.0, cut_s + 20.0)
    (said,) = [one for step in bench.steps for one in step.prompts if one.key is PromptKey.LEAK_GOES_ON]
    assert 15 <= int(str(said.args["count"])) <= 15 + KEEP_EVERY_S


def test_a_kill_loses_no_more_of_a_hold_than_the_time_between_two_writings(bench: Bench) -> None:
    record = case()
    begun(bench)
    bench.play(record, 0.0, record.closed_s + 60.0)
    kept = [one for step in bench.steps for one in step.entries if isinstance(one, LeakDownEntry)]
    held = [(one.at - NOON).total_seconds() for one in kept if '"hold":{' in one.snapshot_json]
    assert held[0] < record.closed_s + KEEP_EVERY_S
    assert np.all(np.diff(held) < KEEP_EVERY_S + 1.0)
    assert len(held) >= 10


def test_a_second_restart_goes_on_as_well(bench: Bench) -> None:
    record = case()
    cut_s = cut_after(bench, record, 60.0)
    bench.restart(cut_s + 5.0)
    bench.play(record, cut_s + 6.0, cut_s + 100.0)
    bench.restart(cut_s + 110.0)
    bench.play(record, cut_s + 112.0, 700.0)
    assert bench.keys[:2] == [PromptKey.LEAK_BROKEN_OFF, PromptKey.LEAK_GOES_ON]
    (result,) = [step.decay for step in bench.steps if step.decay is not None]
    assert result.numbers["leak_low_kpa_per_min"] <= record.leak_kpa_per_min <= result.numbers["leak_high_kpa_per_min"]


def test_a_service_killed_again_before_the_gauge_is_back_still_goes_on(bench: Bench) -> None:
    record = case()
    cut_s = cut_after(bench, record)
    bench.restart(cut_s + 5.0)
    bench.restart(cut_s + 25.0)
    bench.play(record, cut_s + 30.0, cut_s + 35.0)
    assert bench.keys == [PromptKey.LEAK_BROKEN_OFF, PromptKey.LEAK_GOES_ON]


def test_a_decay_that_cannot_go_on_is_told_with_the_time_it_ran_and_what_it_had_shown(bench: Bench) -> None:
    record = case()
    cut_s = cut_after(bench, record)
    bench.restart(cut_s + 12.0)
    bench.play(record, cut_s + 15.0, cut_s + 30.0, more_kpa=-5.0)
    assert bench.keys == [PromptKey.LEAK_BROKEN_OFF, PromptKey.LEAK_CUT_PRESSURE]
    assert not bench.session.active
    assert bench.cleared
    (said,) = [one for step in bench.steps for one in step.prompts if one.key is PromptKey.LEAK_CUT_PRESSURE]
    ran = NOON + timedelta(seconds=cut_s - 0.5 * KEEP_EVERY_S)
    assert f"{ran.astimezone():%H:%M}" in said.text
    assert said.urgent
    (last,) = [step for step in bench.steps if step.decay is not None]
    assert last.decay is not None
    assert last.decay.verdict == "open"
    assert last.decay.text.startswith(f"Cut by a restart at {ran.astimezone():%H:%M}. Until then: ")
    assert last.decay in last.messages
    (entry,) = [one for one in last.entries if isinstance(one, DecayEntry)]
    assert entry.samples is not None
    assert entry.samples.time_s[-1] == pytest.approx(cut_s, abs=2.0 * KEEP_EVERY_S)


@pytest.mark.parametrize(
    ("away_s", "how", "told"),
    [
        (15.0, {"more_kpa": 3.0}, PromptKey.LEAK_CUT_PRESSURE),
        (15.0, {"more_kpa": -41.0}, PromptKey.LEAK_CUT_PRESSURE),
        (450.0, {}, PromptKey.LEAK_CUT_AWAY),
        (15.0, {"service_off_s": -9000.0}, PromptKey.LEAK_CUT_CLOCK),
        (15.0, {"wall_off_s": 3600.0}, PromptKey.LEAK_CUT_CLOCK),
        (15.0, {"wall_off_s": -3600.0, "service_off_s": -3600.0}, PromptKey.LEAK_CUT_CLOCK),
    ],
)
def test_what_speaks_against_going_on_is_told_and_nothing_is_invented(
    bench: Bench, away_s: float, how: dict[str, float], told: PromptKey
) -> None:
    record = case(hole_mm=0.05)
    cut_s = cut_after(bench, record, 60.0)
    bench.restart(cut_s + 10.0)
    bench.play(record, cut_s + away_s, cut_s + away_s + 30.0, **how)
    assert bench.keys == [PromptKey.LEAK_BROKEN_OFF, told]
    assert bench.cleared
    assert not bench.session.active


def test_what_was_done_in_the_gap_is_told_from_what_comes_after_it(bench: Bench) -> None:
    record = case(0.05)
    cut_s = cut_after(bench, record, 40.0)
    bench.restart(cut_s + 50.0)
    bench.play(record, cut_s + 60.0, 300.0, more_kpa=-1.7)
    assert bench.keys == [PromptKey.LEAK_BROKEN_OFF, PromptKey.LEAK_GOES_ON, PromptKey.LEAK_CUT_MOVED]
    (result,) = [step.decay for step in bench.steps if step.decay is not None]
    assert result.verdict == "open"
    assert {"gaps", "poor_fit"} <= set(result.flags)
    assert bench.cleared


def test_after_a_cut_the_next_leak_down_begins_and_owes_nothing_to_the_one_before(bench: Bench) -> None:
    record = case()
    cut_s = cut_after(bench, record)
    bench.restart(cut_s + 10.0)
    bench.play(record, cut_s + 15.0, cut_s + 30.0, more_kpa=-5.0)
    begun(bench)
    stopped = bench.ask(CommandAction.STOP_DECAY)
    assert stopped.decay is None
    assert bench.cleared


def test_a_leak_down_that_was_not_holding_yet_starts_over_after_a_restart(bench: Bench) -> None:
    record = case(0.1)
    begun(bench, LeakRequest(volume_cm3=900.0))
    bench.play(record, 0.0, record.closed_s - 1.0)
    bench.restart(20.0)
    assert bench.keys == [PromptKey.LEAK_FROM_START, *AIR_CAUTIONS, PromptKey.ACKNOWLEDGE]
    bench.ask(CommandAction.ACKNOWLEDGE)
    assert bench.keys[-1] is PromptKey.LEAK_PUMP
    again = replace(record, time_s=record.time_s + 30.0)
    bench.play(again, 0.0, 700.0)
    assert bench.keys[-1] is PromptKey.LEAK_FAIL
    (result,) = [step.decay for step in bench.steps if step.decay is not None]
    assert "gaps" not in result.flags
    assert bench.cleared


@pytest.mark.parametrize("held_s", [-2.0, 60.0])
def test_cautions_that_were_not_acknowledged_come_again_after_a_restart(bench: Bench, held_s: float) -> None:
    record = case()
    begun(bench, acknowledged=False)
    bench.play(record, 0.0, record.closed_s + held_s)
    bench.restart(record.closed_s + held_s + 5.0)
    first = PromptKey.LEAK_BROKEN_OFF if held_s > 0.0 else PromptKey.LEAK_FROM_START
    assert bench.keys == [first, *AIR_CAUTIONS, PromptKey.ACKNOWLEDGE]
    told = {prompt.text for prompt in bench.steps[-1].prompts if prompt.key in AIR_CAUTIONS}
    (state,) = [one for one in bench.steps[-1].messages if isinstance(one, DecayState)]
    assert (state.phase, set(state.cautions)) == ("cautions", told)
    after = bench.ask(CommandAction.ACKNOWLEDGE, record.closed_s + held_s + 8.0)
    assert [one.key for one in after.prompts] == [PromptKey.LEAK_BROKEN_OFF if held_s > 0.0 else PromptKey.LEAK_PUMP]
    bench.restart(record.closed_s + held_s + 10.0)
    assert bool(set(bench.keys) & set(AIR_CAUTIONS)) is (held_s < 0.0)
    if held_s > 0.0:
        bench.play(record, record.closed_s + held_s + 12.0, record.closed_s + held_s + 15.0)
        assert bench.keys[-1] is PromptKey.LEAK_GOES_ON


def test_cautions_that_nobody_acknowledged_stand_no_longer_when_the_leak_down_is_cut(bench: Bench) -> None:
    record, standing = case(), StandingCautions()
    begun(bench, acknowledged=False)
    bench.play(record, 0.0, record.closed_s + 4.0)
    bench.restart(record.closed_s + 10.0)
    for prompt in bench.steps[-1].prompts:
        standing.heard(prompt.key, prompt.text)
    assert len(standing.sentences) == len(AIR_CAUTIONS)
    bench.play(record, record.closed_s + 12.0, record.closed_s + 20.0, more_kpa=6.0)
    for step in bench.steps[1:]:
        for prompt in step.prompts:
            standing.heard(prompt.key, prompt.text)
    assert bench.keys[-1] is PromptKey.LEAK_CUT_PRESSURE
    assert standing.sentences == ()


def test_a_leak_that_is_followed_is_followed_on_and_its_verdict_is_said_once(bench: Bench) -> None:
    record = case(0.05)
    begun(bench, LeakRequest(volume_cm3=900.0, follow=True))
    bench.play(record, 0.0, record.closed_s + 60.0)
    assert bench.keys.count(PromptKey.LEAK_FAIL) == 1
    bench.restart(record.closed_s + 65.0)
    bench.play(record, record.closed_s + 67.0, record.closed_s + 100.0)
    assert bench.session.following
    assert bench.session.live_rate() is not None
    assert bench.keys == [PromptKey.LEAK_BROKEN_OFF, PromptKey.LEAK_GOES_ON]
    assert bench.ask(CommandAction.STOP_DECAY).decay is not None
    assert bench.cleared


def test_stopping_before_the_gauge_is_back_gives_what_was_known(bench: Bench) -> None:
    cut_s = cut_after(bench, case())
    bench.restart(cut_s + 5.0)
    stopped = bench.ask(CommandAction.STOP_DECAY, cut_s + 20.0)
    assert stopped.decay is not None
    assert stopped.decay.text.startswith("Cut by a restart at ")
    assert bench.cleared


def test_pumping_again_after_a_restart_puts_aside_what_was_known_before_it(bench: Bench) -> None:
    record = case()
    cut_s = cut_after(bench, record)
    bench.restart(cut_s + 5.0)
    bench.play(record, cut_s + 6.0, cut_s + 8.0)
    bench.play(record, cut_s + 8.0, cut_s + 15.0, more_kpa=5.0)
    assert bench.keys[-2:] == [PromptKey.LEAK_ANEW, PromptKey.LEAK_CLOSED]
    bench.restart(cut_s + 16.0)
    assert bench.ask(CommandAction.STOP_DECAY, cut_s + 17.0).decay is None


def test_another_leak_down_is_refused_while_one_waits_for_its_gauge(bench: Bench) -> None:
    cut_s = cut_after(bench, case())
    bench.restart(cut_s + 5.0)
    refused = bench.ask(CommandAction.BEGIN_DECAY, machine=MACHINE)
    assert refused.result is not None
    assert not refused.result.ok
    assert "under way" in refused.result.text


def test_a_differential_test_that_a_restart_interrupts_is_told_and_cleared(bench: Bench) -> None:
    request = LeakRequest(kind=DecayKind.DIFFERENTIAL)
    bench.ask(CommandAction.BEGIN_DECAY, machine=MACHINE, leak=request, cylinder="MAG")
    bench.restart(60.0)
    assert bench.keys == [PromptKey.LEAK_CUT]
    assert not bench.session.active
    assert bench.cleared


@pytest.mark.parametrize("spoilt", ["{}", "not json", '{"gauge": 5}'])
def test_a_kept_leak_down_that_cannot_be_read_is_told_and_cleared(
    bench: Bench, spoilt: str, caplog: pytest.LogCaptureFixture
) -> None:
    cut_after(bench, case())
    (decay_id,) = bench.stored
    bench.stored[decay_id] = replace(bench.stored[decay_id], snapshot_json=spoilt)
    bench.restart(200.0)
    assert bench.keys == [PromptKey.LEAK_CUT]
    assert bench.cleared
    assert decay_id in caplog.text


def test_a_leak_down_whose_gauge_is_no_longer_the_shop_s_is_told_and_cleared(bench: Bench) -> None:
    cut_after(bench, case())
    (amber,) = bench.shop.settings.gauges
    other = bench.shop.settings.model_copy(update={"gauges": (amber.model_copy(update={"name": "blue"}),)})
    bench.shop = replace(bench.shop, settings=other)
    bench.restart(200.0)
    assert bench.keys == [PromptKey.LEAK_CUT]
    assert bench.cleared


def test_the_pressures_of_a_cut_are_told_in_the_shop_s_unit(bench: Bench) -> None:
    assert bench.shop.settings.bench.display_unit is PressureUnit.PSI
    cut_s = cut_after(bench, case())
    bench.restart(cut_s + 5.0)
    bench.play(case(), cut_s + 8.0, cut_s + 15.0, more_kpa=5.0)
    (said,) = [one for step in bench.steps for one in step.prompts if one.key is PromptKey.LEAK_CUT_PRESSURE]
    before, now = (float(one) for one in re.findall(r"([\d.]+) psi", said.text))
    assert now - before == pytest.approx(5.0 / PressureUnit.PSI.kpa, abs=0.2)
