"""From a message on the wire to a row of the archive, or to the quarantine with the reason.

The models here are not the contract's own: a reader keeps what it needs and takes words and fields that it does not
know, so that an older archive files what a newer bench publishes.
"""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field
from sqlalchemy import Table

from gaugelink.archive import schema
from gaugelink.broker.message import ROOT, Uuid, bench_and_suffix
from gaugelink.broker.messages import Availability
from gaugelink.broker.received import read_message
from gaugelink.errors import BrokerError

TOPICS = (
    f"{ROOT}/+/cranking",
    f"{ROOT}/+/reading",
    f"{ROOT}/+/test",
    f"{ROOT}/+/test/closed",
    f"{ROOT}/+/decay",
    f"{ROOT}/+/prompt",
    f"{ROOT}/+/command/result",
)
"""What happened: each message is for one consumer of the group. Live pressure and progress are not kept."""

STATES = (f"{ROOT}/+/availability", f"{ROOT}/+/gauge/+/state")
"""What stands: few, and every consumer hears them, so that the order in which they came is kept."""


@dataclass(frozen=True, slots=True)
class Filed:
    """A message that goes into a table."""

    table: Table
    row: Mapping[str, Any]
    topic: str
    payload: bytes


@dataclass(frozen=True, slots=True)
class Quarantined:
    """A message that cannot be filed."""

    topic: str
    payload: bytes
    reason: str
    received_at: datetime

    @property
    def row(self) -> Mapping[str, Any]:
        """The row of the quarantine. A broker's topic may hold what a database's text may not, so it is bytes."""
        topic = self.topic.encode("utf-8", "surrogatepass")
        return {
            "digest": hashlib.sha256(topic + b"\n" + self.payload).digest(),
            "received_at": self.received_at,
            "topic": topic,
            "payload": self.payload,
            "reason": self.reason,
        }


class _Wire(BaseModel):
    model_config = ConfigDict(extra="ignore", frozen=True, allow_inf_nan=False, strict=True, hide_input_in_errors=True)

    id: Uuid
    at: AwareDatetime
    bench: str


_Int = Annotated[int, Field(ge=0, lt=2**63)]


class _Cranking(_Wire):
    event_id: Uuid
    gauge: str
    test_id: str | None = None
    peak_kpa: float
    peak_u_kpa: float
    cranking_rpm: float | None = None


class _Reading(_Wire):
    test_id: str
    event_id: str | None = None
    cylinder: str
    action: str
    by: str = ""
    peak_kpa: float | None = None
    peak_u_kpa: float | None = None
    note: str = ""


class _Decay(_Wire):
    decay_id: str
    test_id: str | None = None
    gauge: str
    machine: str | None = None
    cylinder: str | None = None


class _Prompt(_Wire):
    test_id: str | None = None
    text: str


class _Result(_Wire):
    command_id: str
    ok: bool
    text: str


class _Test(_Wire):
    test_id: str
    revision: _Int = 0
    machine: str
    engine: str = ""
    kind: str = "dry"
    began_at: AwareDatetime
    closed: bool = False
    verdict: str | None = None


class _Gauge(_Wire):
    gauge: str
    phase: str
    battery_percent: float | None = None


_KINDS: dict[str, tuple[type[_Wire], Table]] = {
    "cranking": (_Cranking, schema.EVENTS),
    "reading": (_Reading, schema.READINGS),
    "decay": (_Decay, schema.DECAYS),
    "prompt": (_Prompt, schema.PROMPTS),
    "command/result": (_Result, schema.RESULTS),
    "test": (_Test, schema.TESTS),
    "test/closed": (_Test, schema.TESTS),
}


def sort_message(topic: str, payload: bytes, received_at: datetime) -> Filed | Quarantined | None:
    """Tell where a message goes; None for the empty one that clears what a topic retained."""

    def refused(reason: str) -> Quarantined:
        return Quarantined(topic, payload, reason, received_at)

    if not payload:
        return None
    found = bench_and_suffix(topic)
    if found is None:
        return refused("the topic is not of a bench")
    bench, suffix = found
    if suffix == "availability":
        try:
            word = Availability(payload.decode("ascii"))
        except ValueError:
            return refused("availability is neither online nor offline")
        row = {"bench": bench, "availability": word.value, "received_at": received_at}
        return Filed(schema.BENCHES, row, topic, payload)
    levels = suffix.split("/")
    is_gauge = len(levels) == 3 and levels[0] == "gauge" and levels[2] == "state"
    kind = (_Gauge, schema.GAUGES) if is_gauge else _KINDS.get(suffix)
    if kind is None:
        return refused("the topic is not known to this version")
    model, table = kind
    try:
        message = read_message(model, payload)
    except BrokerError as error:
        return refused(str(error))
    if message.bench != bench:
        return refused("the message names another bench than its topic")
    if isinstance(message, _Gauge) and message.gauge != levels[1]:
        return refused("the message names another gauge than its topic")
    row = message.model_dump()
    row["message_id"] = row.pop("id")
    return Filed(table, row | {"received_at": received_at, "document": payload.decode()}, topic, payload)
