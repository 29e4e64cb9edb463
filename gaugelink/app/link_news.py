"""What the links of the gauges are up to: told to the broker and to watchers, and said where somebody has to act."""

from collections.abc import Awaitable, Callable, Sequence
from datetime import UTC, datetime

from gaugelink.app.shopfile import Shop
from gaugelink.app.watcher import Watcher
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.broker.convert import gauge_state_message
from gaugelink.gauge.config import GaugeSettings
from gaugelink.gauge.samples import LinkPhase, LinkState

_DOWN = frozenset({LinkPhase.SILENT, LinkPhase.LOST, LinkPhase.ASLEEP, LinkPhase.SEARCHING, LinkPhase.CONNECTING})
BATTERY_LOW = "The battery is low: charge the gauge."
"""What stands beside the state of a gauge for as long as its charge is below its limit."""
_CHARGED = 5.0
"""How far, in percent, a battery has to be above its limit again before it can be called low once more."""


class LinkNews:
    """The last state of every gauge's link."""

    def __init__(
        self,
        shop: Shop,
        *,
        publish: Callable[[str, str], None],
        watchers: Callable[[], Sequence[Watcher]],
        changed: Callable[[str, bool], Awaitable[object]],
        say: Callable[[PromptKey], Awaitable[object]],
    ) -> None:
        """Prepare.

        Args:
            shop: the shop file.
            publish: takes the topic's suffix and the payload of a state.
            watchers: who hears of everything.
            changed: takes a gauge that began or ceased to stream.
            say: says something that is not about the test.
        """
        self._shop = shop
        self._publish = publish
        self._watchers = watchers
        self._changed = changed
        self._say = say
        self._links: dict[str, LinkState] = {}
        self._low: set[str] = set()
        self._asleep: set[str] = set()
        self.fault = ""
        """What is wrong with the bench; it stands beside each gauge's state. Empty for nothing."""

    async def hear(self, settings: GaugeSettings, state: LinkState) -> None:
        """Take a new state of a gauge's link."""
        name = settings.name
        before, self._links[name] = self._links.get(name), state
        self._tell(state)
        for watcher in self._watchers():
            watcher.linked(state)
        was_up = before is not None and before.phase is LinkPhase.STREAMING
        is_up = state.phase is LinkPhase.STREAMING
        if was_up != is_up and (is_up or state.phase in _DOWN):
            await self._changed(name, is_up)
        if state.phase is LinkPhase.ASLEEP and name not in self._asleep:
            self._asleep.add(name)
            await self._say(PromptKey.WAKE_GAUGE)
        elif is_up:
            self._asleep.discard(name)
        battery = state.battery_percent
        if battery is not None and battery < settings.low_battery_percent and name not in self._low:
            self._low.add(name)
            await self._say(PromptKey.BATTERY_LOW)
        elif battery is not None and battery > settings.low_battery_percent + _CHARGED:
            self._low.discard(name)

    def tell_all(self) -> None:
        """Tell the state of every gauge again."""
        for state in self._links.values():
            self._tell(state)

    def _tell(self, state: LinkState) -> None:
        settings = self._shop.gauge(state.gauge)
        due = settings.calibration_due
        low = state.battery_percent is not None and state.battery_percent < settings.low_battery_percent
        message = gauge_state_message(
            state,
            bench=self._shop.name,
            last_sample_at=datetime.now(UTC) if state.phase is LinkPhase.STREAMING else None,
            calibration_due=due.isoformat() if due is not None else None,
            display_unit=self._shop.settings.bench.display_unit.value,
            faults=(*((self.fault,) if self.fault else ()), *((BATTERY_LOW,) if low else ())),
        )
        self._publish(message.topic_suffix, message.model_dump_json())
