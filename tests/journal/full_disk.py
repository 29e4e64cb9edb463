"""Fills its own disk quota: a script that the tests run, because a limit on file size holds for a whole process.

``python -m tests.journal.full_disk JOURNAL`` prints one JSON object.
"""

import asyncio
import json
import os
import resource
import sys
from pathlib import Path

from gaugelink.journal import Journal, JournalWriteError
from tests.journal.samples_of import entry, message

TRIES = 20


def limit_file_size(limit: int) -> None:
    """Let no file of this process grow past `limit` bytes (setrlimit(2), RLIMIT_FSIZE); Python ignores SIGXFSZ."""
    _, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, hard))


def log_size(path: Path) -> int:
    """Bytes of the journal's write-ahead log."""
    return os.path.getsize(path.with_name(f"{path.name}-wal"))


async def main(path: Path) -> None:
    told: list[dict[str, object]] = []
    async with Journal.open(path) as journal:
        await journal.record([entry(0)], [message(0)])
        limit_file_size(log_size(path) + 4000)
        for number in range(1, TRIES):
            try:
                await journal.record([entry(number)], [message(number)])
            except JournalWriteError as error:
                told.append(
                    {"fault": error.fault, "kept": error.kept, "this_kept": error.this_kept, "text": str(error)}
                )
        readable = len(await journal.events())
        limit_file_size(resource.RLIM_INFINITY)
        written = await journal.retry()
        events = [stored.event_id for stored in await journal.events()]
        outbox = [row.id for row in await journal.pending(1000)]
        fault = journal.fault
    print(
        json.dumps(
            {
                "told": told,
                "readable": readable,
                "written": written,
                "events": events,
                "outbox": outbox,
                "fault": fault,
            }
        )
    )


if __name__ == "__main__":
    asyncio.run(main(Path(sys.argv[1])))
