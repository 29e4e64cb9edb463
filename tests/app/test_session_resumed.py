"""A test goes on where it was after its service was started again, or is told that it cannot."""

import json
from datetime import timedelta
from pathlib import Path

import pytest

from gaugelink.app.recorded import state_of
from gaugelink.bench.prompt_keys import CAUTIONS, PromptKey
from gaugelink.bench.reading import Phase
from gaugelink.broker import messages as published
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.message import new_id
from gaugelink.errors import JournalError, SettingsError
from gaugelink.journal.entries import TestEntry
from gaugelink.journal.rows import StoredEvent, StoredTest
from tests.app.shops import SHOP
from tests.app.test_session import AT, Bench, of, pull


@pytest.mark.parametrize("barometer_abs_kpa", [30.0, 110.0])
def test_a_test_begun_at_the_ends_of_what_a_barometer_may_say_can_be_resumed(
    tmp_path: Path, barometer_abs_kpa: float
) -> None:
    text = SHOP.replace("altitude_m = 200", f"barometer_abs_kpa = {barometer_abs_kpa}")
    bench = Bench(tmp_path, text)
    entry = of(bench.command(CommandAction.BEGIN, machine="north-7"), TestEntry)[-1]
    stored = StoredTest(
        entry.test_id, entry.bench, entry.machine, entry.engine, entry.snapshot_json, bench.at, bench.at, False
    )
    bench.session.resume(stored, [], bench.now_s, bench.at)
    beyond = barometer_abs_kpa + (1.3 if barometer_abs_kpa > 100.0 else -1.3)
    with pytest.raises(SettingsError, match="barometer_abs_kpa"):
        Bench(tmp_path, SHOP.replace("altitude_m = 200", f"barometer_abs_kpa = {beyond}"))


def test_a_test_goes_on_at_the_same_cylinder_after_a_restart(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.begin()
    bench.crank(930.0)
    step = bench.crank(932.0)
    (entry,) = of(step, TestEntry)
    assert step.state is not None
    assert step.state.current == ("middle",)
    stored = StoredTest(entry.test_id, "bay-3", "north-7", "triple", entry.snapshot_json, AT, bench.at, False)
    events = [
        StoredEvent(reading.event_id, "bay-3", "amber", entry.test_id, AT, pull(reading.peak_kpa), None, "0")
        for reading in step.state.readings
    ]
    again = Bench(tmp_path)
    resumed = again.session.resume(stored, events, again.now_s, bench.at + timedelta(seconds=30))
    assert resumed.state is not None
    assert resumed.state.current == ("middle",)
    assert resumed.state.plan.test_id == entry.test_id
    assert resumed.state.phase is Phase.CAUTIONS
    assert [prompt.key for prompt in resumed.prompts] == [*CAUTIONS, PromptKey.ACKNOWLEDGE]
    heard = again.command(CommandAction.ACKNOWLEDGE)
    assert heard.prompts[-1].key is PromptKey.RESUMED
    assert heard.prompts[-1].text == "The test of north-7 goes on. Next pull: middle."
    assert heard.prompts[-1].cylinders == ("middle",)


@pytest.mark.parametrize(
    "damage", ["{", "[]", '{"bench": null, "revision": 1}', "without a revision", "of another version"]
)
def test_an_open_test_that_this_version_cannot_read_is_told_with_the_way_out(tmp_path: Path, damage: str) -> None:
    bench = Bench(tmp_path)
    bench.begin()
    (entry,) = of(bench.crank(930.0), TestEntry)
    snapshot = json.loads(entry.snapshot_json)
    if damage == "without a revision":
        damage = json.dumps({"bench": snapshot["bench"]})
    elif damage == "of another version":
        damage = json.dumps(snapshot | {"bench": snapshot["bench"] | {"plan": {}}})
    stored = StoredTest(entry.test_id, "bay-3", "north-7", "triple", damage, AT, bench.at, False)
    with pytest.raises(JournalError, match="It is open: finish it with the version that began it"):
        Bench(tmp_path).session.resume(stored, [], 5.0, bench.at)
    with pytest.raises(JournalError, match="Update gaugelink, or the journal was damaged"):
        state_of(stored)


def test_a_test_that_is_done_is_told_again_after_a_restart(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.begin()
    (entry,) = of(bench.whole_test(930.0, 925.0, 935.0), TestEntry)
    stored = StoredTest(entry.test_id, "bay-3", "north-7", "triple", entry.snapshot_json, AT, bench.at, False)
    resumed = Bench(tmp_path).session.resume(stored, [], 5.0, bench.at)
    assert resumed.state is not None
    assert resumed.state.phase is Phase.DONE
    assert [message.topic_suffix for message in resumed.messages] == ["prompt", "test"]


def test_a_clock_that_is_put_right_does_not_move_when_a_test_began(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    (begun,) = of(bench.command(CommandAction.BEGIN, machine="north-7"), published.TestState)
    assert begun.began_at == bench.at
    began = bench.at
    an_hour_earlier = began - timedelta(hours=1)
    command = Command.model_validate({"id": new_id(), "action": CommandAction.ACKNOWLEDGE, "by": "test"})
    step = bench.session.command(command, bench.now_s + 20.0, an_hour_earlier)
    (told,) = of(step, published.TestState)
    assert told.began_at == began
    (entry,) = of(step, TestEntry)
    stored = StoredTest(entry.test_id, "bay-3", "north-7", "triple", entry.snapshot_json, began, an_hour_earlier, False)
    (resumed,) = of(Bench(tmp_path).session.resume(stored, [], 5.0, an_hour_earlier), published.TestState)
    assert resumed.began_at == began
