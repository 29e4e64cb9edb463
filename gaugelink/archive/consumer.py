"""The archive's consumer: takes messages from the broker in batches and acknowledges each once it is committed.

The broker keeps a session for every consumer (MQTT 5, section 4.1): what was not acknowledged is sent again, to the
same consumer, when it or the broker is back. What comes twice is filed once. Consumers of one group share what the
benches publish (section 4.8.2); one without a group takes all. The network runs on the client library's thread, the
database on the caller's.
"""

import logging
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from gaugelink.archive.inbox import Delivery, Inbox
from gaugelink.archive.settings import ArchivePart
from gaugelink.archive.store import Store
from gaugelink.archive.wire import STATES, TOPICS, Filed, Quarantined, sort_message
from gaugelink.broker.message import ROOT
from gaugelink.broker.messages import TestState
from gaugelink.broker.settings import BrokerSettings
from gaugelink.errors import ArchiveError, BrokerError

_LOG = logging.getLogger(__name__)

_WRITE_S = 0.02
"""How long an acknowledgement may wait to be written while nothing comes."""
_LOOK_S = 0.2
"""How often a consumer with nothing to do looks whether it is to end."""
_FIRST_WAIT_S = 0.25
_LONGEST_WAIT_S = 15.0
_TAKEN_OVER = 0x8E
"""Reason code of a DISCONNECT: another client has come with the same client id (MQTT 5, section 4.13)."""
_TOO_NEW = 0x84
"""Reason code of a CONNACK: the broker does not speak this version of MQTT (section 3.2.2.2)."""
_ANSWER_S = 5.0
"""A broker that took the connection and says nothing for this long is told of."""
_SOON_S = 5.0
"""A connection that is lost sooner than this is odd."""
_RETAINED = (f"{ROOT}/+/{TestState.TOPIC}",)


@dataclass(slots=True)
class Tally:
    """What a consumer did since it started."""

    received: int = 0
    filed: int = 0
    quarantined: int = 0
    batches: int = 0
    database_s: float = 0.0
    """Seconds in which a batch was being written."""
    busy_s: float = 0.0
    """Seconds in which a batch was read, written and acknowledged."""
    connects: int = 0


class Consumer:
    """One consumer of the archive. `run` works until `stop`.

    Args:
        broker: where the broker is.
        archive: client id, group and pace.
        store: a prepared store.
        leave: take what waits, then give up the place in the group for good, and end.
    """

    def __init__(self, broker: BrokerSettings, archive: ArchivePart, store: Store, *, leave: bool = False) -> None:
        self._broker = broker
        self._archive = archive
        self._store = store
        self._leave = leave
        self._stop = threading.Event()
        self._inbox = Inbox()
        # Held while the connection's number changes and while messages of that number are acknowledged.
        self._connection = threading.Lock()
        self._session = 0
        self._subscribing: dict[int, Sequence[str]] = {}
        self._problem: str | None = None
        self.fatal: str | None = None
        """Why the consumer can never work here, or None."""
        self._said: str | None = None
        self._connected_s = 0.0
        self._asked_s: float | None = None
        self._settled = threading.Event()
        self.tally = Tally()
        self.subscribed = threading.Event()
        """Set when the broker has taken the subscriptions of the first connection."""
        self._client = self._make_client()

    def stop(self) -> None:
        """Ask the consumer to end after the batch it is in. May be called from any thread and from a signal."""
        self._stop.set()

    def run(self) -> Tally:
        """Consume until `stop`.

        Raises:
            BrokerError: the broker will never do: it refuses the subscription, has no shared subscriptions, or another
                consumer runs under the same client id.
        """
        client = self._client
        client.connect_async(
            self._broker.host,
            self._broker.port,
            keepalive=self._broker.keepalive_s,
            clean_start=False,
            properties=self._session_properties(),
        )
        network = threading.Thread(target=self._network, name="archive: network", daemon=True)
        network.start()
        try:
            while not self._stop.is_set() and self.fatal is None:
                batch = self._next_batch()
                self._tell_of_silence()
                if not batch and not network.is_alive():
                    # It comes back from everything but a fault of its own; without it the consumer only looks alive.
                    self.fatal = f"The connection to the broker at {self._where} ended by a fault; it is told above."
                elif batch:
                    began = time.monotonic()
                    self._file(batch)
                    self.tally.busy_s += time.monotonic() - began
                elif self._leave and self._settled.is_set():
                    break
        finally:
            self._stop.set()
            # More than once: the client library forgets a wish to disconnect that comes while it begins to reconnect.
            while network.is_alive():
                self._end()
                network.join(_LOOK_S)
        if self.fatal is not None:
            raise BrokerError(self.fatal)
        return self.tally

    def _end(self) -> None:
        if self._leave and self._settled.is_set():
            # Nothing is left in the session; the broker need not keep it.
            forget = Properties(PacketTypes.DISCONNECT)  # type: ignore[no-untyped-call]
            forget.SessionExpiryInterval = 0
            self._client.disconnect(properties=forget)
        else:
            self._client.disconnect()

    def _tell_of_silence(self) -> None:
        asked_s = self._asked_s
        if asked_s is not None and time.monotonic() - asked_s > _ANSWER_S:
            self._say(
                f"The broker at {self._where} does not answer. Does it speak MQTT 5? An embedded broker does not."
            )

    def _network(self) -> None:
        """Keep the connection until it is ended."""
        self._client.loop_forever(timeout=_WRITE_S, retry_first_connection=True)

    # The database's side

    def _next_batch(self) -> list[Delivery]:
        """Wait for a message, then for more until the batch is full or old enough."""
        first = self._inbox.get(1.0 if self._leave else _LOOK_S)
        if first is None:
            return []
        batch = [first]
        until = time.monotonic() + self._archive.batch_s
        while len(batch) < self._archive.batch_messages:
            another = self._inbox.get(max(0.0, until - time.monotonic()))
            if another is None:
                break
            batch.append(another)
        return batch

    def _file(self, batch: Sequence[Delivery]) -> None:
        """Commit a batch, however long that takes, then acknowledge it."""
        self.tally.received += len(batch)
        sorted_out: list[Filed | Quarantined] = []
        for delivery in batch:
            message = sort_message(delivery.topic, delivery.payload, delivery.received_at)
            if message is not None:
                sorted_out.append(message)
        if sorted_out and not self._commit(sorted_out):
            return
        with self._connection:
            for delivery in batch:
                if delivery.qos and delivery.session == self._session:
                    self._client.ack(delivery.mid, delivery.qos)

    def _commit(self, messages: Sequence[Filed | Quarantined]) -> bool:
        """Write until it is written; False when the consumer is to end before. The broker has the messages still."""
        wait_s = _FIRST_WAIT_S
        while True:
            began = time.monotonic()
            try:
                written = self._store.write(messages)
            except ArchiveError as error:
                if self._problem != str(error):
                    self._problem = str(error)
                    _LOG.error("%s The broker keeps what comes until it is back.", error)
                if self._stop.wait(wait_s):
                    return False
                wait_s = min(2 * wait_s, _LONGEST_WAIT_S)
                continue
            self.tally.database_s += time.monotonic() - began
            self.tally.batches += 1
            self.tally.filed += written.filed
            self.tally.quarantined += written.quarantined
            if written.quarantined:
                _LOG.warning("%d messages could not be filed; they are in quarantine.", written.quarantined)
            if self._problem is not None:
                self._problem = None
                _LOG.warning("The archive's database %s is back.", self._store.where)
            return True

    # The broker's side, on the client library's thread

    def _make_client(self) -> mqtt.Client:
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._archive.client_id,
            protocol=mqtt.MQTTv5,
            manual_ack=True,
        )
        password = self._broker.password()
        if self._broker.username is not None:
            client.username_pw_set(self._broker.username, None if password is None else password.get_secret_value())
        tls = self._broker.tls_context()
        if tls is not None:
            client.tls_set_context(tls)
        # Often: a broker that forgot a group drops what is published until one of the group is back.
        client.reconnect_delay_set(min_delay=1, max_delay=2)
        client.connect_timeout = 2.0
        client.on_socket_open = self._on_socket_open
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_unsubscribe = self._on_unsubscribe
        client.on_message = self._on_message
        # With any function here the client library leaves writing to the network's thread. Else `ack` writes at once,
        # and where that fails calls `_on_disconnect` in the thread that holds `_connection`: neither would go on.
        client.on_socket_register_write = _left_to_the_network
        return client

    def _session_properties(self) -> Properties:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = int(self._archive.session_days * 86_400)
        # One batch on its way to the disk, the next on its way here; the rest stays with the broker.
        properties.ReceiveMaximum = min(65_535, max(20, 2 * self._archive.batch_messages))
        return properties

    @property
    def _where(self) -> str:
        return f"{self._broker.host}:{self._broker.port}"

    def _topics(self) -> list[str]:
        group = self._archive.group
        return list(TOPICS) if group is None else [f"$share/{group}/{topic}" for topic in TOPICS]

    def _on_socket_open(self, *_: object) -> None:
        self._asked_s = time.monotonic()

    def _on_connect(
        self, client: mqtt.Client, _: Any, flags: mqtt.ConnectFlags, reason: ReasonCode, given: Properties | None
    ) -> None:
        self._asked_s = None
        if reason.value == _TOO_NEW:
            self.fatal = f"The broker at {self._where} speaks no MQTT 5, which the archive needs: give a shop's broker."
            return
        if reason.is_failure:
            self._say(f"The broker at {self._where} refused the archive ({reason}): check username and password.")
            return
        grouped = self._archive.group is not None
        if grouped and getattr(given, "SharedSubscriptionAvailable", 1) == 0:
            self.fatal = f"The broker at {self._where} has no shared subscriptions: run one consumer, without a group."
            return
        with self._connection:
            self._session += 1
        if flags.session_present:
            self._inbox.make_room()
        self._connected_s = time.monotonic()
        self.tally.connects += 1
        self._say(None)
        expiry_s = getattr(given, "SessionExpiryInterval", None)
        if expiry_s is not None and expiry_s < self._archive.session_days * 86_400:
            _LOG.warning("The broker keeps messages for an archive that is away for %d s only.", expiry_s)
        if self._leave:
            client.unsubscribe([*self._topics(), *STATES])
            return
        # Every time, in a kept session too: a new version may know topics that the session does not, and mosquitto 2.0
        # forgets shared subscriptions when it is restarted.
        self._subscribe(client, self._topics())
        self._subscribe(client, STATES)
        if grouped and not flags.session_present:
            # A shared subscription does not get what is retained (section 4.8.2); a first start asks for it once.
            self._subscribe(client, _RETAINED)
        elif grouped:
            # What the session has of a time without a group.
            client.unsubscribe(list(TOPICS))

    def _subscribe(self, client: mqtt.Client, topics: Sequence[str]) -> None:
        _, mid = client.subscribe([(topic, SubscribeOptions(qos=1)) for topic in topics])
        if mid is not None:
            self._subscribing[mid] = topics

    def _on_subscribe(
        self, client: mqtt.Client, _: Any, mid: int, reasons: list[ReasonCode], __: Properties | None
    ) -> None:
        topics = self._subscribing.pop(mid, ())
        for topic, reason in zip(topics, reasons, strict=False):
            if reason.is_failure:
                self.fatal = f"The broker at {self._where} refused the subscription to {topic} ({reason})."
                return
        if topics is _RETAINED:
            client.unsubscribe(list(_RETAINED))
        if not self._subscribing:
            self.subscribed.set()

    def _on_unsubscribe(self, *_: object) -> None:
        if self._leave:
            self._settled.set()

    def _on_message(self, _: mqtt.Client, __: Any, message: mqtt.MQTTMessage) -> None:
        delivery = Delivery(
            self._session, message.mid, message.qos, message.topic, bytes(message.payload), datetime.now(UTC)
        )
        if not self._inbox.put(delivery):
            _LOG.warning("A message of QoS 0 on %s is dropped: too many wait.", message.topic)

    def _on_disconnect(
        self, _: mqtt.Client, __: Any, flags: mqtt.DisconnectFlags, reason: ReasonCode, ___: Properties | None
    ) -> None:
        self._asked_s = None
        self._subscribing.clear()
        with self._connection:
            self._session += 1
        if flags.is_disconnect_packet_from_server and reason.value == _TAKEN_OVER:
            self.fatal = (
                f"Another archive consumer came to {self._where} under the client id {self._archive.client_id!r}: "
                "give each consumer one of its own (--consumer)."
            )
        elif not self._stop.is_set():
            hint = ""
            if time.monotonic() - self._connected_s < _SOON_S:
                # mosquitto 2.0 does not say that another client took over; each then throws the other out.
                hint = f" Does another consumer use the client id {self._archive.client_id!r}?"
            self._say(f"The broker at {self._where} is away ({reason}).{hint}")

    def _on_connect_fail(self, *_: object) -> None:
        self._say(f"The broker at {self._where} cannot be reached.")

    def _say(self, problem: str | None) -> None:
        if problem is not None and problem == self._said:
            return
        self._said = problem
        if problem is None:
            _LOG.info("Connected to the broker at %s.", self._where)
        else:
            _LOG.warning("%s", problem)


def _left_to_the_network(*_: object) -> None:
    """Nothing is to be done: the network's thread looks for what is to be written itself."""
