"""Prompts that waited while the broker was away: what was to be done then may be done, and is not to be heard now."""

import json
from collections.abc import Sequence
from dataclasses import replace

from gaugelink.bench.prompt_keys import ASIDE
from gaugelink.broker.messages import Prompt
from gaugelink.journal.rows import OutboxRow


def unspoken(rows: Sequence[OutboxRow], newest: Sequence[OutboxRow]) -> list[OutboxRow]:
    """Mark the prompts among these rows that are not worth speaking any more, because a later one waits behind them.

    What was committed together is said in one breath, and stands together.

    Args:
        rows: what is to be sent next.
        newest: the newest prompts that wait, the newest first.
    """
    stands = next((row for row in newest if json.loads(row.payload_json).get("key") not in ASIDE), None)
    if stands is None:
        return list(rows)
    return [
        replace(row, payload_json=json.dumps(json.loads(row.payload_json) | {"say": False}, separators=(",", ":")))
        if row.topic_suffix == Prompt.TOPIC and row.seq < stands.seq and row.queued_at != stands.queued_at
        else row
        for row in rows
    ]
