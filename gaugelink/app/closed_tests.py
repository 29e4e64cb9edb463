"""Gives up a test of the record after it was closed, lets it count again, or judges the one that stands at the bench
beside a leak-down that came after it; nothing of it is deleted.

That a test was done on another machine than it says may be seen days later. The bench is not at it any more, so neither
its readings nor what the bench is doing now are touched: only whether it counts changes.
"""

import json
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from typing import Any

from gaugelink.app.noted import Noted, notes_in
from gaugelink.app.recorded import RecordedTest
from gaugelink.app.shopfile import Shop
from gaugelink.app.step import Step
from gaugelink.app.telling import prompt_message, result_message, test_message
from gaugelink.bench import saying
from gaugelink.bench.english import ENGLISH
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.prompts import Prompt, Prompter
from gaugelink.bench.reading import CommandResult, Phase
from gaugelink.bench.state import SNAPSHOT
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.messages import ClosedTest, TestState
from gaugelink.journal.entries import CommandEntry, PromptEntry, TestEntry
from gaugelink.verdict.findings import RuleName, TestVerdict

OF_THE_RECORD = frozenset({CommandAction.ABANDON, CommandAction.TAKE_BACK})
"""What may be asked of a test that the bench does not have any more."""
NOT_OF_THE_RECORD = (
    "The bench does not have that test any more: it can be given up, and that be taken back; its readings stay as they "
    "are."
)


def put_right(
    shop: Shop,
    command: Command,
    test: RecordedTest,
    verdict: TestVerdict | None,
    stands: bool,
    now_s: float,
    at: datetime,
) -> Step:
    """Give up a test of the record, or let it count again, as a command asks; or refuse.

    Args:
        shop: the shop file.
        command: one of `OF_THE_RECORD`.
        test: the test, which is not the one that the bench has.
        verdict: what is said of it where it counts; None where it has no reading.
        stands: whether it is what stands at the bench, for whoever looks at it: no other was begun since.
        at: wall time.
    """
    kept = json.loads(test.stored.snapshot_json)
    state = SNAPSHOT.validate_python(kept["bench"])
    given_up = command.action is CommandAction.ABANDON
    ok = given_up is not (state.phase is Phase.ABANDONED)
    result = CommandResult(command.id, ok, _answer(test, given_up, ok))
    step = Step(result=result)
    if ok:
        state.phase = Phase.ABANDONED if given_up else Phase.FINISHED
        state.target, state.pull = (), None
        snapshot = kept | {"bench": SNAPSHOT.dump_python(state, mode="json"), "revision": int(kept["revision"]) + 1}
        _keep(step, test, snapshot, at)
        # One that came from a notebook was never told.
        if int(kept["revision"]) and test.stored.bench == shop.name:
            now = replace(test, state=replace(test.state, phase=state.phase, current=()))
            _tell(step, shop, now, verdict, snapshot, stands, at)
    step.messages.append(result_message(result, bench=shop.name, test_id=test.stored.test_id, at=at))
    answer = json.dumps({"ok": result.ok, "text": result.text})
    step.entries.append(CommandEntry(command.id, at, command.model_dump_json(), answer))
    return step


def judged_beside(
    shop: Shop, test: RecordedTest, verdict: TestVerdict | None, told: Mapping[str, Any], at: datetime
) -> Step:
    """Tell the closed test that stands at the bench anew where what it says of leak-downs is no longer what was told.

    Args:
        shop: the shop file.
        test: the test, which the bench does not have any more.
        verdict: what is said of it beside the leak-downs that the journal has; None where it has no reading.
        told: what was published of it last, as the contract's `TestState` in JSON.
        at: wall time.
    """
    step = Step()
    kept = json.loads(test.stored.snapshot_json)
    snapshot = kept | {"revision": int(kept["revision"]) + 1}
    now = _message(shop, test, verdict, snapshot, None, at).model_copy(update={"prompt": told.get("prompt", "")})
    if _of_leak_downs(json.loads(now.model_dump_json())) != _of_leak_downs(told):
        _keep(step, test, snapshot, at)
        step.messages.append(now)
    return step


def _of_leak_downs(told: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """What a published test says of leak-downs."""
    return [finding for finding in told.get("findings", []) if finding["rule"] == RuleName.LEAK_DOWN.value]


def _answer(test: RecordedTest, given_up: bool, ok: bool) -> str:
    of = f"The test of {test.stored.machine}, {test.when},"
    if ok:
        return f"{of} is given up: it stays in the record and proves nothing." if given_up else f"{of} counts again."
    if given_up:
        return f"{of} was given up already."
    return f"{of} was not given up, and a test that the bench does not have any more is not gone on with."


def _keep(step: Step, test: RecordedTest, snapshot: dict[str, object], at: datetime) -> None:
    stored = test.stored
    step.entries.append(
        TestEntry(
            stored.test_id,
            stored.bench,
            stored.machine,
            json.dumps(snapshot),
            at,
            stored.engine,
            closed=True,
            odometer=stored.odometer,
        )
    )


def _tell(
    step: Step,
    shop: Shop,
    test: RecordedTest,
    verdict: TestVerdict | None,
    snapshot: dict[str, object],
    stands: bool,
    at: datetime,
) -> None:
    """Publish the test as it is now: in its place where it stands at the bench, else beside what does."""
    prompt = None
    if stands:
        given_up = test.state.phase is Phase.ABANDONED
        say = Prompter(shop.settings.bench.display_unit, ENGLISH)
        abandoned = saying.given_up(say, test.stored.machine, test.state.readings)
        prompt = abandoned if given_up else say.say(PromptKey.BACK_COUNTS)
        said = prompt_message(prompt, bench=shop.name, test_id=test.stored.test_id, at=at)
        step.prompts.append(prompt)
        step.messages.append(said)
        step.entries.append(PromptEntry(said.id, shop.name, at, prompt.text, test.stored.test_id))
    told = _message(shop, test, verdict, snapshot, prompt, at)
    step.messages.append(told if stands else ClosedTest(**dict(told)))


def _message(
    shop: Shop,
    test: RecordedTest,
    verdict: TestVerdict | None,
    snapshot: Mapping[str, object],
    prompt: Prompt | None,
    at: datetime,
) -> TestState:
    """The published form of a test of the record."""
    return test_message(
        test.state,
        verdict,
        test.events,
        bench=shop.name,
        at=at,
        began_at=test.stored.began_at,
        revision=int(str(snapshot["revision"])),
        places=test.engine.cylinder_names,
        unit=shop.settings.bench.display_unit,
        prompt=prompt,
        cautions=(),
        noted=Noted(notes_in(snapshot), test.stored.odometer),
    )
