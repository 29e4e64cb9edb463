"""Runs the service in front of a person: the live screen where there is a terminal, plain lines where there is none."""

import asyncio
import logging
import signal
import sys
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from contextlib import asynccontextmanager, contextmanager

from rich.console import Console
from rich.live import Live

from gaugelink.app.daemon import Daemon, Watcher
from gaugelink.app.farewell import Farewell
from gaugelink.app.keys import Pressed, terminal_keys
from gaugelink.app.presenter import ScenePresenter, question_lines
from gaugelink.app.redoing import redone
from gaugelink.app.screen import KEYS, Screen, legible
from gaugelink.app.step import Step
from gaugelink.bench.prompt_keys import QUESTIONS, PromptKey
from gaugelink.bench.reading import AGAIN_S, Phase
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.leak_messages import DecayProgress
from gaugelink.broker.message import new_id
from gaugelink.counting import counted
from gaugelink.engine.units import PressureUnit
from gaugelink.gauge.samples import LinkState
from gaugelink.leak.wording import rate_text
from gaugelink.report.plain import flags_text

REDRAWS_PER_S = 8
BROKER_LOOK_S = 1.0
"""How often it is looked whether the broker is there."""
BY_KEY = "key"
"""Who asked, when it was a key, a foot switch or a presenter."""

_LEAK_KEYS = {
    "s": CommandAction.STOP_DECAY,
    "PageUp": CommandAction.STOP_DECAY,
    "Enter": CommandAction.ACKNOWLEDGE,
    "Space": CommandAction.ACKNOWLEDGE,
    "PageDown": CommandAction.ACKNOWLEDGE,
}
_PLAIN_KEYS = {
    "r": CommandAction.REDO,
    "n": CommandAction.SKIP,
    "u": CommandAction.TAKE_BACK,
    "x": CommandAction.STRIKE,
    "f": CommandAction.FINISH,
    "Enter": CommandAction.ACKNOWLEDGE,
    "Space": CommandAction.ACKNOWLEDGE,
    "PageDown": CommandAction.ACKNOWLEDGE,
    "PageUp": CommandAction.REDO,
}


class PlainLines(Watcher):
    """Says what happens as plain lines, for a log, a pipe, or a screen reader."""

    def __init__(self, unit: PressureUnit, say: Callable[[str], None]) -> None:
        self._unit = unit
        self._say = say
        self._phases: dict[str, str] = {}
        self._faults: dict[str, tuple[str, ...]] = {}
        self._told_s = 0.0

    def listening(self, address: str) -> None:
        """Say where the broker is."""
        self._say(f"Broker at {address}.")

    def linked(self, state: LinkState) -> None:
        """Say when a link's phase changes, and what is wrong with it, each once until it is gone."""
        if self._phases.get(state.gauge) != state.phase.value:
            self._phases[state.gauge] = state.phase.value
            self._say(f"Gauge {state.gauge}: {state.phase.value}.")
        for fault in state.faults:
            if fault not in self._faults.get(state.gauge, ()):
                self._say(f"Gauge {state.gauge}: {fault}")
        self._faults[state.gauge] = state.faults

    def leaking(self, progress: DecayProgress) -> None:
        """Say how a leak-down stands, every ten seconds."""
        if progress.elapsed_s - self._told_s >= 10.0 or progress.elapsed_s < self._told_s:
            self._told_s = progress.elapsed_s
            unit, rate = self._unit, ""
            if progress.rate_kpa_per_s is not None:
                doubt = 60.0 * (progress.rate_u_kpa_per_s or 0.0)
                rate = f", losing {rate_text(60.0 * progress.rate_kpa_per_s, doubt, unit)}"
            self._say(
                f"Leak test, {progress.note}, {progress.elapsed_s:.0f} s: "
                f"{unit.from_kpa(progress.pressure_kpa):z.{unit.decimals + 2}f} {unit.value}{rate}."
            )

    def troubled(self, sentence: str) -> None:
        """Say a trouble."""
        if sentence:
            self._say(f"Trouble: {sentence}")

    def stepped(self, step: Step) -> None:
        """Say events, prompts and answers."""
        if step.event is not None:
            unit, event = self._unit, step.event
            peak = unit.doubt_text(event.peak_kpa, event.peak_u_kpa)
            flags = f" ({flags_text(event.flags)})" if event.flags else ""
            self._say(f"Cranking: {counted(len(event.strokes), 'stroke')}, {peak}{flags}.")
        for prompt in step.prompts:
            self._say(f"> {prompt.text}")
        if step.decay is not None:
            self._say(f"Leak test: {step.decay.text}")
        if step.result is not None:
            self._say(f"{'Done' if step.result.ok else 'Refused'}: {step.result.text}")


class Fingers(Watcher):
    """Turns keys into commands.

    A digit answers the question that stands, or goes back to a cylinder that was skipped, or moves the last reading.
    """

    def __init__(self, daemon: Callable[[], Daemon], *, speed: float = 1.0) -> None:
        """`speed` is seconds on the service's clock to a second of whoever presses the keys."""
        self._daemon = daemon
        self._again_s = speed * AGAIN_S
        self._asked = False

    def stepped(self, step: Step) -> None:
        """Remember whether a question stands."""
        for prompt in step.prompts:
            self._asked = prompt.key in QUESTIONS

    def command(self, key: str) -> Command | None:
        """The command of a key, or None when it has none. With air in, only the keys of the leak test act."""
        leak = self._daemon().leak
        if leak.active:
            action = _LEAK_KEYS.get(key)
            # Once they are acknowledged, the key would be one of the test that lies beside it.
            given = action is CommandAction.ACKNOWLEDGE and leak.cautioned
            return None if action is None or given else self._pressed(key, action)
        session = self._daemon().session
        test = session.test
        if key in _PLAIN_KEYS:
            again = test is not None and _PLAIN_KEYS[key] is CommandAction.REDO
            named = redone(test.state, session.verdict) if again and test is not None else None
            return self._pressed(key, _PLAIN_KEYS[key], cylinder=named)
        if not ("1" <= key <= "9"):
            return None
        if test is None:
            return self._pressed(key, CommandAction.ASSIGN, cylinder=key)
        names = self._daemon().shop.fleet.engine_of(test.plan.machine).cylinder_names
        # A digit that no cylinder has is refused by the test, which names those that there are.
        name = names[int(key) - 1] if int(key) <= len(names) else key
        if self._asked or question_lines(test.state, self._daemon().shop, {}):
            return self._pressed(key, CommandAction.ANSWER, cylinder=name)
        if any(one.skipped for one in test.state.cylinders if one.name == name):
            return self._pressed(key, CommandAction.REDO, cylinder=name, returns=True)
        return self._pressed(key, CommandAction.ASSIGN, cylinder=name)

    def _pressed(
        self, key: str, action: CommandAction, *, cylinder: str | None = None, returns: bool = False
    ) -> Pressed:
        return Pressed(
            id=new_id(),
            action=action,
            by=BY_KEY,
            cylinder=cylinder,
            key=key,
            again_s=self._again_s,
            returns=returns,
        )


@asynccontextmanager
async def in_front_of(
    daemon: Daemon, console: Console, presenter: ScenePresenter, fingers: Fingers | None
) -> AsyncIterator[asyncio.Event]:
    """Run the service, its screen and its keys until the block ends. Gives an event that is set when it was stopped."""
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, daemon.stop)
    try:
        async with asyncio.TaskGroup() as tasks:
            service = tasks.create_task(daemon.run(), name="service")
            helpers: list[asyncio.Task[None]] = []
            if console.is_terminal:
                screen = Screen(presenter.scene, keys=KEYS if fingers is not None else "")
                helpers.append(tasks.create_task(_draw(screen, console, service), name="screen"))
            helpers.append(tasks.create_task(_look_at_broker(daemon, presenter), name="broker's standing"))
            if fingers is not None:
                helpers.append(tasks.create_task(_press(fingers, daemon, presenter), name="keys"))
            yield daemon.stopped
            daemon.stop()
            await asyncio.wait([service])
            for helper in helpers:
                helper.cancel()
        # The screen is gone from the terminal; whoever pressed a key to leave it must not lose the table with it. Plain
        # lines had none, and no verdict. A demo has an end of its own.
        if fingers is not None:
            console.print(Farewell(presenter.scene), crop=False)
    finally:
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.remove_signal_handler(number)


async def _draw(screen: Screen, console: Console, service: asyncio.Task[None]) -> None:
    live = Live(screen, console=console, refresh_per_second=REDRAWS_PER_S, transient=True, auto_refresh=False)
    with log_above(live):
        while not service.done():
            live.refresh()
            await asyncio.sleep(1.0 / REDRAWS_PER_S)


async def _look_at_broker(daemon: Daemon, presenter: ScenePresenter) -> None:
    while True:
        presenter.scene.broker_trouble = await daemon.broker_trouble()
        await asyncio.sleep(BROKER_LOOK_S)


@contextmanager
def log_above(live: Live) -> Iterator[None]:
    """Draw, and let the log's lines pass above the screen for as long: one that is written into it shifts it.

    A log that goes into a file goes there as before.
    """
    errors = sys.stderr
    with live:
        moved = [
            handler
            for handler in logging.getLogger().handlers
            if isinstance(handler, logging.StreamHandler) and handler.stream is errors and errors.isatty()
        ]
        for handler in moved:
            handler.setStream(sys.stderr)
        try:
            yield
        finally:
            for handler in moved:
                handler.setStream(errors)


async def _press(fingers: Fingers, daemon: Daemon, presenter: ScenePresenter) -> None:
    async with terminal_keys() as keys:
        while True:
            key = await keys.get()
            presenter.pressed()
            if key == "q":
                daemon.stop()
                continue
            command = fingers.command(key)
            if command is not None:
                await daemon.obey(command)


class Waiter(Watcher):
    """Lets a caller wait for a moment in the service: the cautions said, the test done."""

    def __init__(self) -> None:
        self.cautions_said = asyncio.Event()
        self.done = asyncio.Event()

    def stepped(self, step: Step) -> None:
        """Look for the moments."""
        if any(prompt.key is PromptKey.ACKNOWLEDGE for prompt in step.prompts):
            self.cautions_said.set()
        # What an earlier service left was not done in this one.
        news = step.state if step.stands_since is None else None
        if news is not None and news.phase not in (Phase.CAUTIONS, Phase.MEASURING):
            self.done.set()


def _printer(console: Console) -> Callable[[str], None]:
    def say(line: str) -> None:
        console.print(legible(line, plain=console.options.ascii_only), highlight=False, soft_wrap=True)

    return say


def watchers_for(
    console: Console, presenter: ScenePresenter, unit: PressureUnit, more: Sequence[Watcher] = ()
) -> list[Watcher]:
    """The watchers of a service in front of this console."""
    plain = [] if console.is_terminal else [PlainLines(unit, _printer(console))]
    return [presenter, *plain, *more]
