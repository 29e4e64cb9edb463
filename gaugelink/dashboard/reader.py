"""Reads the broker as any other client would, sends commands, and notices within seconds when the broker is gone."""

import asyncio
import logging
import ssl

import aiomqtt

from gaugelink.broker.client import Client, heed_cancellation
from gaugelink.broker.commands import Command
from gaugelink.broker.message import ROOT, bench_and_suffix, new_id, topic
from gaugelink.broker.messages import CommandResult
from gaugelink.broker.reach import reach
from gaugelink.broker.received import bytes_of, read_message
from gaugelink.broker.settings import BrokerSettings
from gaugelink.counting import counted
from gaugelink.dashboard.hub import Hub
from gaugelink.errors import BrokerError
from gaugelink.timelimit import time_limit

_LOG = logging.getLogger(__name__)
# A lost connection is told by the page, in a sentence.
_CLIENT_LOG = logging.getLogger("gaugelink.dashboard.client")
_CLIENT_LOG.setLevel(logging.CRITICAL)

ANSWER_S = 5.0
"""How long a bench is waited for after a command."""
CONNECT_S = 4.0
PROBE_EVERY_S = 0.9
PROBE_S = 1.4
"""A broker that does not answer for this long is taken for gone: together with the time between probes, under 3 s."""
TOLD_S = 60.0
"""Messages that are not of the contract are told of this often at most, lest whoever floods the page floods its log."""
AGAIN_S = 1.0
"""Wait before the broker is looked for again."""


class BrokerReader:
    """Feeds a hub from the broker until cancelled.

    Args:
        settings: where the broker is.
        hub: who is told; its boards say which benches are read.
        port: TCP port instead of the one in `settings`, for an embedded broker on a free port.
    """

    def __init__(self, settings: BrokerSettings, hub: Hub, *, port: int | None = None) -> None:
        self._settings = settings
        self._hub = hub
        self._port = settings.port if port is None else port
        self._password = settings.password()
        self._tls = settings.tls_context()
        self._client: Client | None = None
        self._asked: dict[str, asyncio.Future[CommandResult]] = {}
        self._refused, self._told_s = 0, float("-inf")

    async def run(self) -> None:
        """Read until cancelled; come back whenever the broker does."""
        while True:
            try:
                # A task of its own: before Python 3.13 a task group that failed leaves its parent marked as cancelled.
                await asyncio.create_task(self._session())
            except* (aiomqtt.MqttError, OSError, TimeoutError, ssl.SSLError) as group:
                error: BaseException = group
                while isinstance(error, BaseExceptionGroup):
                    error = error.exceptions[0]
                self._lost(_why(error))
            heed_cancellation()
            await asyncio.sleep(AGAIN_S)

    def _lost(self, why: str) -> None:
        self._client = None
        where = f"{self._settings.host}:{self._port}"
        self._hub.broker(False, f"The broker at {where} is away ({why}). See whether the bench runs.")

    async def _session(self) -> None:
        await reach(self._settings.host, self._port, self._tls, CONNECT_S)
        client = Client(
            self._settings.host,
            self._port,
            username=self._settings.username,
            password=None if self._password is None else self._password.get_secret_value(),
            identifier=f"gaugelink-page-{new_id()[-12:]}",
            protocol=aiomqtt.ProtocolVersion.V311,
            clean_session=True,
            timeout=CONNECT_S,
            keepalive=self._settings.keepalive_s,
            logger=_CLIENT_LOG,
            max_queued_incoming_messages=2000,
            tls_context=self._tls,
        )
        async with client, asyncio.TaskGroup() as tasks:
            for bench in self._hub.boards:
                await client.subscribe(topic(bench, "#"), qos=1)
            self._client = client
            self._hub.broker(True)
            tasks.create_task(self._listen(client), name="page: messages")
            tasks.create_task(self._probe(client), name="page: probe")

    async def _listen(self, client: Client) -> None:
        async for message in client.messages:
            # Who subscribes to all below a topic is sent what is on the topic itself, too (MQTT 3.1.1, 4.7.1.2).
            found = bench_and_suffix(str(message.topic))
            if found is None:
                continue
            bench, suffix = found
            if suffix == Command.TOPIC or bench not in self._hub.boards:
                continue
            payload = bytes_of(message)
            try:
                self._hub.take(bench, suffix, payload)
                if suffix == CommandResult.TOPIC:
                    self._answered(read_message(CommandResult, payload))
            except BrokerError as error:
                self._tell(error)

    def _tell(self, error: BrokerError) -> None:
        """Tell of a message that is not of the contract, of the first in a while."""
        self._refused += 1
        now_s = asyncio.get_running_loop().time()
        if now_s - self._told_s >= TOLD_S:
            self._told_s = now_s
            _LOG.warning("%s (%s since the start)", error, counted(self._refused, "such message"))

    async def _probe(self, client: Client) -> None:
        """Ask the broker for a sign of life. It must answer an UNSUBSCRIBE of what was never subscribed (MQTT 3.1.1,
        section 3.10.4), and nobody else hears of it; the protocol's own ping would take twice the keep-alive."""
        while True:
            try:
                await client.unsubscribe(f"{ROOT}/-/probe", timeout=PROBE_S)
            except aiomqtt.MqttError:
                # Told before the session is taken down: saying goodbye to a broker that hangs takes its time.
                self._lost("it does not answer")
                raise
            await asyncio.sleep(PROBE_EVERY_S)

    def _answered(self, result: CommandResult) -> None:
        waiting = self._asked.get(result.command_id)
        if waiting is not None and not waiting.done():
            waiting.set_result(result)

    async def ask(self, bench: str, command: Command) -> CommandResult:
        """Send a command to a bench and give its answer.

        Raises:
            BrokerError: the broker is away, or the bench does not answer in time.
        """
        client = self._client
        if client is None:
            raise BrokerError("The broker is away: nothing was sent.")
        answer = self._asked.setdefault(command.id, asyncio.get_running_loop().create_future())
        try:
            async with time_limit(ANSWER_S):
                await client.publish(topic(bench, Command.TOPIC), command.model_dump_json(exclude_none=True), qos=1)
                return await asyncio.shield(answer)
        except TimeoutError as error:
            raise BrokerError(f"Bench {bench} did not answer within {ANSWER_S:g} s: is it running?") from error
        except aiomqtt.MqttError as error:
            raise BrokerError(f"The broker did not take the command ({error}): look whether it was done.") from error
        finally:
            self._asked.pop(command.id, None)


def _why(error: BaseException) -> str:
    """Why the broker is away, in words; what an operating system calls by a number is said without it."""
    if isinstance(error, TimeoutError):
        return "it does not answer"
    if isinstance(error, ConnectionRefusedError):
        return "nothing listens there"
    if isinstance(error, OSError) and error.strerror:
        return error.strerror
    return str(error)
