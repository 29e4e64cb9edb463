"""Takes commands from the broker: bounded in size, in number and in rate, checked before anyone acts on them."""

import asyncio
import logging
from collections.abc import Callable
from typing import Annotated

import aiomqtt
from paho.mqtt.reasoncodes import ReasonCode
from pydantic import Field

from gaugelink.broker.client import Client
from gaugelink.broker.commands import COMMAND_BYTES, Command, parse_command
from gaugelink.broker.message import Part, topic
from gaugelink.broker.messages import CommandResult
from gaugelink.broker.received import bytes_of, read_message
from gaugelink.errors import BrokerError
from gaugelink.journal import Outgoing

_LOG = logging.getLogger(__name__)

RATE_PER_S = 5.0
"""Commands a second that are taken in the long run; a person presses a button far less often."""
BURST = 20
"""Commands that are taken at once."""
QUEUE = 32
"""Commands that may wait to be carried out."""
TOLD_S = 60.0
"""That commands come too fast is told this often at most: whoever floods the bench does not flood its log."""


class _Identified(Part):
    """Of a command that is refused, its id."""

    id: Annotated[str, Field(pattern=r"^[\x21-\x7e]{1,64}$")]


class Allowance:
    """A token bucket: `burst` at once, `rate_per_s` in the long run."""

    def __init__(self, rate_per_s: float, burst: int) -> None:
        self._rate_per_s = rate_per_s
        self._burst = float(burst)
        self._left = float(burst)
        self._last_s: float | None = None

    def take(self, now_s: float) -> bool:
        """Take one at the monotonic time `now_s`; False when there is none left."""
        if self._last_s is not None:
            self._left = min(self._burst, self._left + (now_s - self._last_s) * self._rate_per_s)
        self._last_s = now_s
        if self._left < 1.0:
            return False
        self._left -= 1.0
        return True


class CommandListener:
    """Puts checked commands in `commands`; answers those that cannot be carried out."""

    def __init__(self, bench: str) -> None:
        self._bench = bench
        self._topic = topic(bench, Command.TOPIC)
        self._allowance = Allowance(RATE_PER_S, BURST)
        self._told_s: float | None = None
        self.commands: asyncio.Queue[Command] = asyncio.Queue(maxsize=QUEUE)
        """Commands that were received, checked and not yet taken."""
        self.refused = 0
        """Messages on the command topic that were not taken."""

    async def subscribe(self, client: Client) -> None:
        """Ask the broker for commands. One that lets the bench hear none takes its messages all the same."""
        granted = await client.subscribe(self._topic, qos=1)
        if any(isinstance(reason, ReasonCode) and reason.is_failure for reason in granted):
            _LOG.warning("The broker refuses commands: let the bench's user read %s in its access list.", self._topic)

    async def listen(self, client: Client, answer: Callable[[Outgoing], None]) -> None:
        """Take commands until the connection is gone.

        Raises:
            aiomqtt.MqttError: the connection is gone.
        """
        loop = asyncio.get_running_loop()
        try:
            async for message in client.messages:
                # There are brokers that hand a new client what is retained on what others have subscribed to.
                if str(message.topic) != self._topic:
                    continue
                result = self.receive(bytes_of(message), loop.time(), retained=message.retain)
                if result is not None:
                    answer(result.outgoing())
        except aiomqtt.MqttError as error:
            # The library's own words are for programmers; a mechanic reads these.
            raise aiomqtt.MqttError("the connection was lost") from error

    def receive(self, payload: bytes, now_s: float, *, retained: bool = False) -> CommandResult | None:
        """Check one payload at the monotonic time `now_s`; queue the command, or return why it was refused.

        What has no id to answer to, and what comes too fast, gets no answer.
        """
        if not self._allowance.take(now_s):
            self.refused += 1
            if self._told_s is None or now_s - self._told_s >= TOLD_S:
                self._told_s = now_s
                _LOG.warning("Commands come too fast: beyond %g a second they are dropped unanswered.", RATE_PER_S)
            return None
        if retained:
            return self._refuse(payload, "A retained command is refused: it would be carried out at every start.")
        try:
            command = parse_command(payload)
            self.commands.put_nowait(command)
        except BrokerError as error:
            return self._refuse(payload, str(error))
        except asyncio.QueueFull:
            return self._refuse(payload, f"{QUEUE} commands wait already: send it again later.")
        return None

    def _refuse(self, payload: bytes, why: str) -> CommandResult | None:
        self.refused += 1
        _LOG.warning("A command was refused: %s", why)
        command_id = _id_of(payload)
        if command_id is None:
            return None
        return CommandResult(bench=self._bench, command_id=command_id, ok=False, text=why)


def _id_of(payload: bytes) -> str | None:
    """Find the id of a command that cannot be read otherwise."""
    if len(payload) > COMMAND_BYTES:
        return None
    try:
        return read_message(_Identified, payload).id
    except BrokerError:
        return None
