"""Any bytes that come over the broker are a message, or one error that says why not."""

import json
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gaugelink.broker.commands import Command
from gaugelink.broker.message import new_id
from gaugelink.broker.messages import CommandResult, Prompt
from gaugelink.broker.received import read_message
from gaugelink.errors import BrokerError

HEAD = {"id": new_id(), "at": "2026-02-03T12:00:00Z", "bench": "north"}


def prompt(**fields: object) -> bytes:
    return json.dumps({**HEAD, "text": "Pull.", **fields}).encode()


def test_a_message_is_read_and_what_it_has_besides_is_ignored():
    read = read_message(Prompt, prompt(phase_of_moon=3))
    assert (read.text, read.at) == ("Pull.", datetime(2026, 2, 3, 12, tzinfo=UTC))


@pytest.mark.parametrize(
    ("payload", "told"),
    [
        (b"", "EOF"),
        (b"\xff\xfe", "expected value"),
        (b"[" * 100_000, "recursion limit"),
        (prompt(extra=0)[:-1] + b',"deep":' + b"[" * 100_000, "recursion limit"),
        (prompt(text="x" * (1 << 20)), "at most 1048576 are read"),
        (prompt(text=7), "text: Input should be a valid string"),
        (prompt(at="noon"), "^at: "),
        # RFC 3339, section 1: years 0000 to 9999. In UTC these two are outside of that.
        (prompt(at="0001-01-01T00:00:00+23:00"), "^at: the time is outside of the calendar"),
        (prompt(at="9999-12-31T23:00:00-23:00"), "^at: the time is outside of the calendar"),
        (prompt()[:-1] + b',"key":"\\ud800"}', "hex escape"),
        (prompt()[:-1] + b',"schema_version":' + b"9" * 5000 + b"}", "out of range"),
    ],
    ids=lambda value: value[:24] if isinstance(value, str) else "",
)
def test_what_is_none_is_refused_in_a_line_that_says_where(payload, told):
    with pytest.raises(BrokerError, match=told):
        read_message(Prompt, payload)


def test_a_name_that_a_stranger_chose_makes_no_line_of_its_own_and_moves_no_terminal():
    forged = json.dumps({"id": HEAD["id"], "action": "redo", "\x1b[2J\nERROR gaugelink: forged": 1}).encode()
    with pytest.raises(BrokerError, match=r"^\\x1b\[2J\\nERROR gaugelink: forged: Extra") as caught:
        read_message(Command, forged)
    assert str(caught.value).isprintable()
    with pytest.raises(BrokerError) as caught:
        read_message(Command, json.dumps({"id": HEAD["id"], "action": "redo", "x" * 4000: 1}).encode())
    assert len(str(caught.value)) < 300


@given(st.binary(max_size=200) | st.text(max_size=200).map(str.encode))
def test_any_bytes_are_no_message_and_nothing_worse(data):
    with pytest.raises(BrokerError):
        read_message(CommandResult, data)


@given(st.datetimes(timezones=st.timezones()))
def test_what_was_read_can_be_written_again(at):
    try:
        read = read_message(Prompt, prompt(at=at.isoformat()))
    except BrokerError:
        return
    assert read_message(Prompt, read.model_dump_json().encode()) == read
