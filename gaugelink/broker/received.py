"""Turns bytes that came over the broker, from whomever, into a message, or into the one error that says why not."""

from typing import TypeVar

import aiomqtt
from pydantic import BaseModel, ValidationError

from gaugelink.errors import BrokerError
from gaugelink.printable import printable

M = TypeVar("M", bound=BaseModel)

PAYLOAD_BYTES = 1 << 20
"""Longest message that is read; the longest of the contract, a test of 24 cylinders, has about a tenth of it."""


def read_message(model: type[M], payload: bytes) -> M:
    """Read a payload, JSON in UTF-8, as a model says.

    Raises:
        BrokerError: it is too long, not JSON, nested deeper than the parser goes, or does not fit the model. The text
            is the field and what is wrong with it, without a full stop, fit for a log; it quotes no value.
    """
    if len(payload) > PAYLOAD_BYTES:
        raise BrokerError(f"it has {len(payload)} bytes; at most {PAYLOAD_BYTES} are read")
    try:
        # Not `json.loads`, which ends with a RecursionError where a payload is nested deeply.
        return model.model_validate_json(payload)
    except ValidationError as error:
        first = error.errors(include_url=False, include_context=False, include_input=False)[0]
        # The name of a field that is not known is the sender's own.
        where = printable(".".join(str(step) for step in first["loc"]))
        said = first["msg"].removeprefix("Value error, ")
        raise BrokerError(f"{where}: {said}" if where else said) from error


def bytes_of(message: aiomqtt.Message) -> bytes:
    """The payload of a message that the broker delivered."""
    payload = message.payload
    return bytes(payload) if isinstance(payload, bytes | bytearray) else str(payload or "").encode()
