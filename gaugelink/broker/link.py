"""The bench's link to the broker: connects, drains the outbox in order, listens for commands, and comes back.

What "sent" means: the broker acknowledged the message (QoS 1, PUBACK). It does not mean that a subscriber has it: a
broker queues for a subscriber that is away only if that subscriber keeps a session, and drops what goes beyond its
limit (mosquitto: `max_queued_messages`, 1000) although it acknowledged. So a backlog is sent at a bounded pace and
few messages are under way at once; and because a broker that crashes forgets what it acknowledged since it last
saved, the newest messages are told again after every connect. Readers drop repeats by `id`.
"""

import asyncio
import contextlib
import logging
import random
import socket
import ssl
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta

import aiomqtt
from aiomqtt.exceptions import MqttConnectError

from gaugelink.broker.client import Client, heed_cancellation
from gaugelink.broker.commands import Command
from gaugelink.broker.late import unspoken
from gaugelink.broker.leave import ASK_S, NotAllowedError, ask_for_leave
from gaugelink.broker.listener import CommandListener
from gaugelink.broker.message import topic
from gaugelink.broker.messages import Availability, Prompt
from gaugelink.broker.reach import GOODBYE_S, enter, reach
from gaugelink.broker.settings import BrokerSettings
from gaugelink.errors import JournalError
from gaugelink.journal import Journal, OutboxRow, Outgoing
from gaugelink.reasons import reason
from gaugelink.timelimit import time_limit

_LOG = logging.getLogger(__name__)

# What the client library has to say about a lost connection, `LinkStatus.problem` says in a sentence.
_CLIENT_LOG = logging.getLogger("gaugelink.broker.client")
_CLIENT_LOG.setLevel(logging.CRITICAL)

WINDOW = 20
"""Messages under way at once: what mosquitto itself keeps in flight to one client (`max_inflight_messages`)."""

TOLD_AGAIN = timedelta(minutes=5)
"""How far back messages are told again after a connect. A broker should save its sessions more often than that."""

ACK_S = 5.0
"""A broker that does not acknowledge for this long is taken for gone."""

FIRST_WAIT_S = 0.2
LONGEST_WAIT_S = 5.0
STABLE_S = 5.0
"""A session that lasted this long makes the next wait short again."""
THROWN_OUT = 3
"""Sessions in a row that were lost sooner than that: so it goes where two benches have one name. A broker lets the
newer one in and closes the older one's connection, and MQTT 3.1.1 has no word for why (section 3.1.4)."""

JOURNAL_WAIT_S = 1.0
"""Wait before a journal that could not be read or written is asked again."""

_NOT_YET = "not connected yet"


@dataclass(frozen=True, slots=True)
class LinkStatus:
    """How the link stands."""

    connected: bool
    problem: str | None
    """Why it is not connected, one sentence; None when it is."""
    connects: int
    """Sessions since the start."""
    sent: int
    """Messages from the outbox that the broker acknowledged, repeats included."""


class BrokerLink:
    """Publishes what the journal's outbox holds, and what need not be kept, until it is cancelled.

    `run` is one task of the daemon. Everything else here may be called at any time from the same event loop.

    Args:
        settings: where the broker is; with `embedded`, pass the embedded broker's `port`.
        bench: the bench's name, a level of the topics.
        journal: an open journal.
        port: TCP port instead of the one in `settings`.
    """

    def __init__(self, settings: BrokerSettings, bench: str, journal: Journal, *, port: int | None = None) -> None:
        self._settings = settings
        self._bench = bench
        self._journal = journal
        self._port = settings.port if port is None else port
        self._password = settings.password()
        self._tls = settings.tls_context()
        self._listener = CommandListener(bench)
        self._live: asyncio.Queue[tuple[str, str]] = asyncio.Queue(maxsize=64)
        self._states: dict[str, str] = {}
        self._stale_states: set[str] = set()
        self._unrecorded: deque[Outgoing] = deque(maxlen=256)
        self._aside = asyncio.Event()
        self._unmarked: list[OutboxRow] = []
        self._connected = False
        self._problem: str | None = _NOT_YET
        self._connects = 0
        self._thrown_out = 0
        self._sent = 0
        self.changed = asyncio.Event()
        """Set whenever `status` changed. Whoever shows it clears it."""

    @property
    def commands(self) -> asyncio.Queue[Command]:
        """Commands that were received, checked and not yet taken."""
        return self._listener.commands

    @property
    def connected(self) -> bool:
        """Whether there is a session with the broker."""
        return self._connected

    @property
    def away(self) -> bool:
        """Whether the broker is known to be away. Until the first connection was made or failed, nobody knows."""
        return not self._connected and self._problem != _NOT_YET

    @property
    def has_rival(self) -> bool:
        """Whether another service may have this bench's name: one session after the other is lost at once."""
        return self._thrown_out >= THROWN_OUT

    @property
    def status(self) -> LinkStatus:
        """How the link stands."""
        return LinkStatus(self._connected, self._problem, self._connects, self._sent)

    def publish_live(self, topic_suffix: str, payload: str) -> None:
        """Publish something that is only worth having now, at QoS 0: dropped while the broker is away or behind."""
        if not self._connected:
            return
        if self._live.full():
            self._live.get_nowait()
        self._live.put_nowait((topic_suffix, payload))

    def publish_state(self, topic_suffix: str, payload: str) -> None:
        """Publish a state, retained, at QoS 1. Only the newest of each topic counts; it is told again on reconnect."""
        self.publish_retained(topic(self._bench, topic_suffix), payload)

    def publish_retained(self, name: str, payload: str) -> None:
        """Publish like `publish_state`, on a topic outside the bench's own; an empty payload takes it back."""
        self._states[name] = payload
        self._stale_states.add(name)
        self._aside.set()

    def publish_unrecorded(self, message: Outgoing) -> None:
        """Publish what cannot wait for the journal, such as the prompt that the journal's disk is full.

        It waits in memory while the broker is away; the oldest goes when more than 256 wait.
        """
        self._unrecorded.append(message)
        self._aside.set()

    async def run(self) -> None:
        """Stay connected until cancelled; then say `offline` and be gone within two seconds."""
        wait_s = FIRST_WAIT_S
        loop = asyncio.get_running_loop()
        while True:
            began, connects = loop.time(), self._connects
            try:
                # A task of its own: before Python 3.13 a task group that failed leaves its parent marked as cancelled.
                await asyncio.create_task(self._session())
            except* (aiomqtt.MqttError, OSError, TimeoutError) as group:
                stable = loop.time() - began > STABLE_S
                # A broker that is away lets nobody in: one that is there does, and then closes the connection.
                self._thrown_out = self._thrown_out + 1 if self._connects > connects and not stable else 0
                wait_s = FIRST_WAIT_S if stable else wait_s
                self._now(connected=False, problem=self._why(group))
            heed_cancellation()
            # Full jitter: benches that lost the same broker do not come back at the same moment.
            await asyncio.sleep(random.uniform(0.1, 1.0) * wait_s)
            wait_s = min(2 * wait_s, LONGEST_WAIT_S)

    def _why(self, group: ExceptionGroup[Exception]) -> str:
        error: BaseException = group
        while isinstance(error, BaseExceptionGroup):
            error = error.exceptions[0]
        where = f"{self._settings.host}:{self._port}"
        if isinstance(error, NotAllowedError):
            return (
                f"The broker at {where} drops what {self._settings.username} publishes on {topic(self._bench, '')} "
                f"({error}): let that user write there in the broker's access list."
            )
        if isinstance(error, MqttConnectError):
            return f"The broker at {where} refused the connection ({error}): check username and password."
        if isinstance(error, ssl.SSLError):
            return f"The broker at {where} failed the TLS check ({reason(error)}): check ca_file and host."
        if isinstance(error, TimeoutError):
            return f"The broker at {where} does not answer."
        if self.has_rival:
            return (
                f"The broker at {where} closes every connection of bench {self._bench} at once: another service may "
                "be connected under that name. Give each bench a name of its own in [bench]."
            )
        return f"The broker at {where} is away: {reason(error)}."

    def _now(self, *, connected: bool, problem: str | None) -> None:
        if connected != self._connected or problem != self._problem:
            level = logging.INFO if connected else logging.WARNING
            _LOG.log(level, "%s", problem or f"Connected to the broker at {self._settings.host}:{self._port}.")
            self._connected, self._problem = connected, problem
            self.changed.set()

    def _client(self, *, asking: bool = False) -> Client:
        last_will = aiomqtt.Will(topic(self._bench, "availability"), Availability.OFFLINE.value, qos=1, retain=True)
        client = Client(
            self._settings.host,
            self._port,
            username=self._settings.username,
            password=None if self._password is None else self._password.get_secret_value(),
            # A fixed name: after a lost connection the broker ends the old session, and sends its will, before the
            # new one begins. Under another name that will would come minutes later and say that we are offline.
            identifier=f"gaugelink-{self._bench}",
            protocol=aiomqtt.ProtocolVersion.V5 if asking else aiomqtt.ProtocolVersion.V311,
            will=None if asking else last_will,
            # Commands sent while the bench was away are not kept: what was asked for then must not happen later.
            # MQTT 5 has another word for it, and the library's default there is the same.
            clean_session=None if asking else True,
            timeout=ASK_S if asking else ACK_S,
            logger=_CLIENT_LOG,
            keepalive=self._settings.keepalive_s,
            max_queued_incoming_messages=256,
            max_inflight_messages=WINDOW,
            tls_context=self._tls,
            socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
        )
        client.pending_calls_threshold = 2 * WINDOW
        return client

    async def _connect(self) -> Client:
        await reach(self._settings.host, self._port, self._tls, ACK_S)
        if self._settings.username is not None:
            # An access list goes by the user. Until the session begins the bench is offline: it says what is so.
            await ask_for_leave(
                self._client(asking=True), topic(self._bench, "availability"), Availability.OFFLINE.value
            )
        client = self._client()
        await enter(client)
        return client

    async def _session(self) -> None:
        client = await self._connect()
        try:
            await self._listener.subscribe(client)
            await self._publish(client, "availability", Availability.ONLINE.value, qos=1, retain=True)
            self._connects += 1
            self._stale_states |= set(self._states)
            self._now(connected=True, problem=None)
            async with asyncio.TaskGroup() as tasks:
                # The listener is also what notices that the connection is gone; it then ends the others.
                tasks.create_task(self._listener.listen(client, self.publish_unrecorded))
                tasks.create_task(self._drain(client))
                tasks.create_task(self._send_aside(client))
                tasks.create_task(self._send_live(client))
        finally:
            self._connected = False
            while not self._live.empty():
                self._live.get_nowait()
            with contextlib.suppress(aiomqtt.MqttError, TimeoutError):
                await self._goodbye(client)

    async def _goodbye(self, client: Client) -> None:
        """Say `offline` and disconnect, if that can be done quickly."""
        async with time_limit(GOODBYE_S):
            try:
                await client.publish(topic(self._bench, "availability"), Availability.OFFLINE.value, qos=1, retain=True)
            finally:
                await client.__aexit__(None, None, None)

    async def _publish(
        self, client: Client, topic_suffix: str, payload: str, *, qos: int, retain: bool = False
    ) -> None:
        await client.publish(topic(self._bench, topic_suffix), payload, qos=qos, retain=retain)

    async def _drain(self, client: Client) -> None:
        loop = asyncio.get_running_loop()
        await asyncio.sleep(self._settings.settle)
        again = [row for row in await self._again() if row.topic_suffix != Prompt.TOPIC]
        for start in range(0, len(again), WINDOW):
            await self._send(client, again[start : start + WINDOW])
        while True:
            self._journal.outbox_grew.clear()
            # Until the note of what was sent is on disk nothing more is sent, or it would be sent over and over.
            if not await self._mark():
                await asyncio.sleep(JOURNAL_WAIT_S)
                continue
            rows = await self._pending()
            if not rows:
                await self._journal.outbox_grew.wait()
                continue
            began_s = loop.time()
            try:
                await self._send(client, rows, self._unmarked)
            finally:
                await asyncio.shield(self._mark())
            if len(rows) == WINDOW:
                await asyncio.sleep(max(0.0, began_s + WINDOW / self._settings.drain_per_s - loop.time()))

    async def _again(self) -> Sequence[OutboxRow]:
        """What a broker that crashed may have lost. A prompt is not in it: what was to be done then is done."""
        while True:
            try:
                return await self._journal.to_tell_again(TOLD_AGAIN)
            except JournalError as error:
                _LOG.error("The outbox waits: %s", error)
                await asyncio.sleep(JOURNAL_WAIT_S)

    async def _pending(self) -> Sequence[OutboxRow]:
        """What waits, of prompts whether they are still worth speaking: one that another has replaced is not."""
        while True:
            try:
                rows = await self._journal.pending(WINDOW)
                if not any(row.topic_suffix == Prompt.TOPIC for row in rows):
                    return rows
                return unspoken(rows, await self._journal.newest_pending(Prompt.TOPIC, WINDOW))
            except JournalError as error:
                _LOG.error("The outbox waits: %s", error)
                await asyncio.sleep(JOURNAL_WAIT_S)

    async def _mark(self) -> bool:
        """Note what was sent; False when the disk did not take the note."""
        rows = list(self._unmarked)
        if rows:
            try:
                await self._journal.mark_sent(rows)
            except JournalError as error:
                _LOG.error("The outbox waits: %s", error)
                return False
            del self._unmarked[: len(rows)]
        return True

    async def _send(
        self, client: Client, rows: Sequence[OutboxRow], acknowledged: list[OutboxRow] | None = None
    ) -> None:
        """Send rows in order, at most a window of them; note each one whose predecessors are acknowledged too."""
        # Tasks start in the order in which they are made, and each hands its packet over before it first waits.
        sending = [
            asyncio.create_task(
                self._publish(client, row.topic_suffix, row.payload_json, qos=row.qos, retain=row.retain)
            )
            for row in rows
        ]
        try:
            for row, sent in zip(rows, sending, strict=True):
                await sent
                self._sent += 1
                if acknowledged is not None:
                    acknowledged.append(row)
        finally:
            for sent in sending:
                sent.cancel()
            await asyncio.gather(*sending, return_exceptions=True)

    async def _send_aside(self, client: Client) -> None:
        while True:
            self._aside.clear()
            while self._unrecorded:
                message = self._unrecorded[0]
                await self._publish(
                    client, message.topic_suffix, message.payload_json, qos=message.qos, retain=message.retain
                )
                # Taken off only now, so that one whose broker went away is sent again. A full deque may have let
                # it go in the meantime.
                if self._unrecorded and self._unrecorded[0] is message:
                    self._unrecorded.popleft()
            for name in sorted(self._stale_states):
                self._stale_states.discard(name)
                await client.publish(name, self._states[name], qos=1, retain=True)
            if not self._stale_states and not self._unrecorded:
                await self._aside.wait()

    async def _send_live(self, client: Client) -> None:
        while True:
            suffix, payload = await self._live.get()
            await self._publish(client, suffix, payload, qos=0)
