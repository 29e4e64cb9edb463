"""Messages as benches publish them, each with an id of its own."""

import json
from typing import Any

from gaugelink.broker.examples import example_of
from gaugelink.broker.message import new_id

KINDS = {
    "cranking": "Cranking",
    "reading": "Reading",
    "decay": "Decay",
    "prompt": "Prompt",
    "command/result": "CommandResult",
    "test": "TestState",
    "test/closed": "ClosedTest",
    "gauge/blue/state": "GaugeState",
}
"""The contract's name of what is published on each topic of a bench."""


def published(suffix: str, bench: str = "north", **changes: Any) -> tuple[str, bytes]:
    """Topic and payload of the contract's own example, with a new id."""
    document = example_of(KINDS[suffix]) | {"id": new_id(), "bench": bench} | changes
    return f"gaugelink/{bench}/{suffix}", json.dumps(document).encode()


def crank(bench: str = "north", **changes: Any) -> tuple[str, bytes]:
    """A cranking event."""
    return published("cranking", bench, event_id=new_id(), **changes)
