"""What is said around a leak-down for the safety of who does it: the cautions, the lock, how it ends."""

from datetime import datetime

from gaugelink.app.leak_keeping import KeptLeakDown
from gaugelink.app.leak_outcome import Run
from gaugelink.bench.prompt_keys import AIR_CAUTIONS, PromptKey
from gaugelink.bench.prompts import Prompt, Prompter
from gaugelink.broker.leak_messages import CRANKCASE, Decay
from gaugelink.broker.message import new_id

_ENDS = frozenset({PromptKey.LEAK_PASS, PromptKey.LEAK_FAIL, PromptKey.LEAK_PERCENT, PromptKey.LEAK_STOPPED})
"""Prompts after which somebody takes the test apart; one that is cut says by itself to let the air off."""


_LETS_IN = frozenset({PromptKey.LEAK_REST, PromptKey.LEAK_AIR, PromptKey.LEAK_PUMP})


def air_cautions(highest_kpa: float, say: Prompter) -> list[Prompt]:
    """The cautions before any air, with the pressure that is never to be exceeded."""
    args = {PromptKey.CAUTION_AIR_LIMIT: {"limit": highest_kpa}}
    return [say.say(key, (), **args.get(key, {})) for key in AIR_CAUTIONS]


def opening(run: Run, cylinder: str | None, say: Prompter) -> Prompt:
    """What to do first: let off what is too high, wait until the gauge rests; lock the crank before air goes into a
    cylinder and turns it."""
    first = run.first()
    if first is not None:
        return first
    if cylinder is None:
        return run.opening()
    return say.led(say.say(PromptKey.LEAK_LOCK, (), cylinder=cylinder), run.opening())


def unacknowledged(prompts: list[Prompt], say: Prompter) -> list[Prompt]:
    """What is said while the cautions stand: first that they do, and nothing that lets air in or waits to."""
    rest = [prompt for prompt in prompts if prompt.key not in _LETS_IN]
    return [say.say(PromptKey.ACKNOWLEDGE_FIRST), *rest] if rest else []


def with_next(prompt: Prompt, part: str, cylinder: str | None, say: Prompter) -> Prompt:
    """A prompt that ends a leak test with what comes next: where to look for the leak, and how to be safe of it."""
    if prompt.key not in _ENDS:
        return prompt
    if prompt.key is PromptKey.LEAK_PERCENT or (prompt.key is PromptKey.LEAK_FAIL and cylinder):
        prompt = say.joined(prompt, say.say(PromptKey.LEAK_LISTEN))
    elif prompt.key is PromptKey.LEAK_FAIL:
        where = say.say(PromptKey.LEAK_SOAP_CASE if part == CRANKCASE else PromptKey.LEAK_SOAP)
        prompt = say.joined(prompt, where)
    return say.joined(prompt, say.say(PromptKey.LEAK_LET_OFF))


def clock(at: datetime) -> str:
    """The time of day at the bench."""
    return f"{at.astimezone():%H:%M}"


def before_the_cut(kept: KeptLeakDown | None, ran_at: datetime | None, at: datetime) -> Decay | None:
    """What the last look before an interruption said, as a result; None where there was none."""
    so_far = kept.so_far if kept is not None else None
    if so_far is None or ran_at is None:
        return None
    text = f"Cut by a restart at {clock(ran_at)}. Until then: {so_far.text}"
    return so_far.model_copy(update={"id": new_id(), "at": at, "text": text})
