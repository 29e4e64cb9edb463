"""Prompts that waited for the broker: all are told, and only what stands is worth speaking."""

import json

from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.broker.link import WINDOW
from gaugelink.broker.messages import Prompt
from gaugelink.journal import Journal, Outgoing
from tests.broker.bench import BENCH, bench, crank, has_all, settings
from tests.broker.subscriber import Subscriber

PROMPTS = f"gaugelink/{BENCH}/prompt"


def said(key: PromptKey) -> Outgoing:
    """A prompt to publish."""
    return Prompt(bench=BENCH, key=key.value, text=f"{key.value}: 134 ± 3 psi").outgoing()


async def waited(journal: Journal) -> list[str]:
    """A test's prompts, those of a step together, with more events between than go out at once; their keys."""
    steps = (
        (PromptKey.CAUTION_EYES, PromptKey.ACKNOWLEDGE),
        (PromptKey.BEGIN,),
        (PromptKey.BATTERY_LOW,),
        (PromptKey.AGAIN,),
        (PromptKey.READY_ENGINE, PromptKey.MOVE),
        (PromptKey.BATTERY_LOW,),
    )
    for step in steps:
        await journal.record([], [said(key) for key in step])
        for number in range(WINDOW):
            await crank(journal, number)
    return [key.value for step in steps for key in step]


async def test_what_another_prompt_has_replaced_while_the_broker_was_away_is_told_and_not_spoken(tmp_path, mosquitto):
    async with Subscriber(mosquitto.port) as subscriber:
        await mosquitto.stop()
        async with bench(tmp_path / "j.db", settings(mosquitto.port)) as (journal, _):
            keys = await waited(journal)
            await mosquitto.start()
            await subscriber.wait_for(lambda: len(subscriber.payloads(PROMPTS)) == len(keys))
            told = [Prompt.model_validate_json(payload) for payload in subscriber.payloads(PROMPTS)]
            assert [one.key for one in told] == keys
            # A low battery takes nothing away from what is to be done, and is said behind it.
            assert [one.key for one in told if one.say] == ["ready_engine", "move", "battery_low"]
            # From here on each is of now.
            await journal.record([], [said(PromptKey.READY)])
            last = await crank(journal, 1)
            await subscriber.wait_for(lambda: has_all(subscriber, [last]))
            assert json.loads(subscriber.payloads(PROMPTS)[-1])["say"] is True


async def test_a_caution_with_nothing_behind_it_is_spoken_when_the_broker_is_back(tmp_path, mosquitto):
    async with Subscriber(mosquitto.port) as subscriber:
        await mosquitto.stop()
        async with bench(tmp_path / "j.db", settings(mosquitto.port)) as (journal, _):
            await journal.record([], [said(PromptKey.BATTERY_LOW)])
            await journal.record([], [said(PromptKey.CAUTION_EYES), said(PromptKey.ACKNOWLEDGE)])
            await mosquitto.start()
            await subscriber.wait_for(lambda: len(subscriber.payloads(PROMPTS)) == 3)
            flags = [json.loads(payload)["say"] for payload in subscriber.payloads(PROMPTS)]
            assert flags == [False, True, True]
