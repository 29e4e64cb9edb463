"""What the broker delivered and the database has not taken yet: handed from one thread to the other, and bounded."""

import queue
from dataclasses import dataclass
from datetime import datetime

_KEPT = 20_000
"""Messages that stay when a connection begins. With the database away and a connection that comes and goes, each brings
the same messages once more."""
_LOOSE = 5000
"""Messages of QoS 0 that wait at most. The contract has none on these topics, and nothing bounds a stranger's."""


@dataclass(frozen=True, slots=True)
class Delivery:
    """A message as the broker delivered it."""

    session: int
    """The connection that it came over: it can only be acknowledged over the same one."""
    mid: int
    qos: int
    topic: str
    payload: bytes
    received_at: datetime


class Inbox:
    """First in, first out. The broker bounds what it has under way to one connection (MQTT 5, section 4.9)."""

    def __init__(self) -> None:
        self._waiting: queue.SimpleQueue[Delivery] = queue.SimpleQueue()

    def __len__(self) -> int:
        return self._waiting.qsize()

    def put(self, delivery: Delivery) -> bool:
        """Take a delivery in; False when too many wait for one that the broker does not have either."""
        if not delivery.qos and len(self) > _LOOSE:
            return False
        self._waiting.put(delivery)
        return True

    def get(self, timeout_s: float) -> Delivery | None:
        """Wait for the next one at most so long."""
        try:
            return self._waiting.get(timeout=timeout_s)
        except queue.Empty:
            return None

    def make_room(self) -> None:
        """Where too many wait, let those go that a broker that kept the session sends again (MQTT 5, section 4.4)."""
        if len(self) <= _KEPT:
            return
        kept = []
        while (delivery := self.get(0.0)) is not None:
            if not delivery.qos:
                kept.append(delivery)
        for delivery in kept:
            self._waiting.put(delivery)
