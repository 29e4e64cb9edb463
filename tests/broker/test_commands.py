"""Commands are bounded in size and rate, checked, and cannot name a file or run anything."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from gaugelink.broker.commands import COMMAND_BYTES, CommandAction, parse_command
from gaugelink.broker.listener import BURST, QUEUE, RATE_PER_S, Allowance, CommandListener
from gaugelink.broker.message import new_id
from gaugelink.errors import BrokerError

ID = "01a20fb0-7686-7033-a341-c04d278849e8"


def payload(**fields: object) -> bytes:
    return json.dumps({"id": ID, **fields}).encode()


def test_a_command_is_read():
    command = parse_command(payload(action="assign", cylinder="MAG", by="Ada"))
    assert (command.action, command.cylinder, command.by) == (CommandAction.ASSIGN, "MAG", "Ada")


@pytest.mark.parametrize(
    ("fields", "told"),
    [
        ({"action": "format"}, "action"),
        ({}, "action"),
        ({"action": "assign"}, "assign needs cylinder"),
        ({"action": "begin"}, "begin needs machine"),
        ({"action": "exchange"}, "exchange needs cylinder and other"),
        ({"action": "exchange", "cylinder": "PTO"}, "exchange needs other"),
        ({"action": "redo", "shell": "reboot"}, "shell"),
        ({"action": "begin", "machine": "../../etc/passwd"}, "machine"),
        ({"action": "begin", "machine": "C:\\shop"}, "machine"),
        ({"action": "begin", "machine": "sled\n7"}, "machine"),
        ({"action": "begin", "machine": "x" * 65}, "machine"),
        ({"action": "begin", "machine": ""}, "machine"),
        ({"action": "begin", "machine": "sled-7", "repeats": 0}, "repeats"),
        ({"action": "begin", "machine": "sled-7", "repeats": 1000}, "repeats"),
        ({"action": "begin", "machine": "sled-7", "cylinders": ["1"] * 33}, "cylinders"),
        ({"action": "begin_decay", "duration_s": 1e9}, "duration_s"),
        ({"action": "redo", "id": "7"}, "id"),
        ({"action": "note", "note": "x" * 501}, "note"),
    ],
)
def test_a_command_that_cannot_be_is_refused_with_what_is_wrong(fields, told):
    with pytest.raises(BrokerError, match=told):
        parse_command(payload(**fields))


def test_a_command_that_is_too_long_is_not_looked_at():
    with pytest.raises(BrokerError, match=f"at most {COMMAND_BYTES}"):
        parse_command(payload(action="redo", by="x" * COMMAND_BYTES))


@given(st.binary(max_size=200))
def test_any_bytes_are_a_command_or_a_clear_refusal(data):
    with pytest.raises(BrokerError):
        parse_command(data)


@given(st.recursive(st.none() | st.booleans() | st.floats() | st.text(max_size=20), lambda x: st.lists(x, max_size=4)))
def test_any_json_is_a_command_or_a_clear_refusal(value):
    with pytest.raises(BrokerError):
        parse_command(json.dumps({"id": ID, "action": value}).encode())


def test_a_listener_queues_good_commands_in_order():
    listener = CommandListener("north")
    assert listener.receive(payload(action="redo"), 0.0) is None
    assert listener.receive(payload(action="skip"), 0.0) is None
    assert [listener.commands.get_nowait().action for _ in range(2)] == ["redo", "skip"]


def test_a_refused_command_is_answered_under_its_id():
    result = CommandListener("north").receive(payload(action="format"), 0.0)
    assert result is not None
    assert (result.command_id, result.ok, result.topic_suffix) == (ID, False, "command/result")


# Within the length that is looked at, and deeper than the interpreter recurses.
DEEP = b'{"id":' + b"[" * 4000


@pytest.mark.parametrize("retained", [False, True])
@pytest.mark.parametrize(
    "data", [b"", b"redo", b"[]", b'{"action": "redo"}', b'{"id": 7}', b'{"id": "a b"}', b"\xff", DEEP, DEEP[6:]]
)
def test_what_has_no_id_gets_no_answer_but_is_counted(data, retained):
    listener = CommandListener("north")
    assert listener.receive(data, 0.0, retained=retained) is None
    assert listener.refused == 1
    assert listener.commands.empty()


def test_a_retained_command_is_refused():
    result = CommandListener("north").receive(payload(action="finish"), 0.0, retained=True)
    assert result is not None
    assert "at every start" in result.text


def test_commands_that_come_too_fast_are_dropped_and_later_ones_taken():
    listener = CommandListener("north")
    for _ in range(BURST + 50):
        listener.receive(payload(action="redo"), 10.0)
    assert listener.commands.qsize() == BURST
    assert listener.refused == 50
    listener.receive(payload(action="redo"), 10.0 + 1.01 / RATE_PER_S)
    assert listener.commands.qsize() == BURST + 1


def test_a_flood_of_commands_is_told_once_a_minute(caplog):
    listener = CommandListener("north")
    for number in range(1, 12_001):
        listener.receive(payload(action="redo"), number / 100)
    told = [record for record in caplog.records if "too fast" in record.getMessage()]
    assert len(told) == 2
    assert listener.refused > 11_000


@pytest.mark.parametrize(("answer", "warnings"), [("Granted QoS 1", 0), ("Not authorized", 1)])
async def test_a_broker_that_gives_the_bench_no_commands_is_told_of(caplog, answer, warnings):
    class Broker:
        async def subscribe(self, topic: str, qos: int) -> list[ReasonCode]:
            assert (topic, qos) == ("gaugelink/north/command", 1)
            return [ReasonCode(PacketTypes.SUBACK, answer)]

    await CommandListener("north").subscribe(Broker())  # type: ignore[arg-type]
    assert [record.getMessage() for record in caplog.records] == [
        "The broker refuses commands: let the bench's user read gaugelink/north/command in its access list."
    ] * warnings


def test_commands_that_nobody_carries_out_do_not_pile_up():
    listener = CommandListener("north")
    answers = [listener.receive(payload(action="redo"), float(second)) for second in range(QUEUE + 3)]
    assert listener.commands.qsize() == QUEUE
    assert [answer is not None and "wait already" in answer.text for answer in answers[QUEUE:]] == [True] * 3


@given(st.lists(st.floats(0, 3), min_size=1, max_size=200))
def test_no_more_is_allowed_than_the_burst_and_the_rate(gaps_s):
    allowance = Allowance(2.0, 5)
    now_s, taken = 0.0, 0
    for gap_s in gaps_s:
        now_s += gap_s
        taken += allowance.take(now_s)
    assert taken <= 5 + 2.0 * (now_s - gaps_s[0]) + 1e-6


def test_ids_are_uuid_version_7_and_in_order():
    # RFC 9562, section 5.7: version 7 in bits 48 to 51, variant 0b10 in bits 64 and 65, milliseconds first.
    ids = [new_id() for _ in range(1000)]
    assert ids == sorted(ids)
    assert {id_[14] for id_ in ids} == {"7"}
    assert {id_[19] for id_ in ids} <= set("89ab")
    assert len(set(ids)) == 1000
