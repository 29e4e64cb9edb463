"""Gives up a test of the record after it was closed, or lets it count again; nothing of it is deleted.

That a test was done on another machine than it says may be seen days later. The bench is not at it any more, so neither
its readings nor what the bench is doing now are touched: only whether it counts changes.
"""

import json
from dataclasses import replace
from datetime import datetime

from gaugelink.app.noted import Noted, notes_in
from gaugelink.app.recorded import RecordedTest
from gaugelink.app.shopfile import Shop
from gaugelink.app.step import Step
from gaugelink.app.telling import prompt_message, result_message, test_message
from gaugelink.bench.english import ENGLISH
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.prompts import Prompter
from gaugelink.bench.reading import CommandResult, Phase
from gaugelink.bench.state import SNAPSHOT
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.messages import ClosedTest
from gaugelink.journal.entries import CommandEntry, PromptEntry, TestEntry
from gaugelink.localtime import minute_text
from gaugelink.verdict.findings import TestVerdict

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
        now_s: not used, nothing here takes time.
        at: wall time.
    """
    del now_s
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


def _answer(test: RecordedTest, given_up: bool, ok: bool) -> str:
    of = f"The test of {test.stored.machine}, {minute_text(test.stored.began_at)},"
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
    unit = shop.settings.bench.display_unit
    prompt = None
    if stands:
        given_up = test.state.phase is Phase.ABANDONED
        prompt = Prompter(unit, ENGLISH).say(PromptKey.ABANDONED if given_up else PromptKey.BACK_COUNTS)
        said = prompt_message(prompt, bench=shop.name, test_id=test.stored.test_id, at=at)
        step.prompts.append(prompt)
        step.messages.append(said)
        step.entries.append(PromptEntry(said.id, shop.name, at, prompt.text, test.stored.test_id))
    told = test_message(
        test.state,
        verdict,
        test.events,
        bench=shop.name,
        at=at,
        began_at=test.stored.began_at,
        revision=int(str(snapshot["revision"])),
        places=test.engine.cylinder_names,
        unit=unit,
        prompt=prompt,
        cautions=(),
        noted=Noted(notes_in(snapshot), test.stored.odometer),
    )
    step.messages.append(told if stands else ClosedTest(**dict(told)))
