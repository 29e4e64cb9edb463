"""Reads a shop's machines out of an archive, through a journal that lasts as long as the question."""

import asyncio
import tempfile
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import TypeVar

from gaugelink.app.records import Records
from gaugelink.app.shopfile import Shop
from gaugelink.archive.copy import entries_of
from gaugelink.archive.settings import database_url
from gaugelink.archive.store import Store
from gaugelink.journal import Entry, Journal

T = TypeVar("T")


@asynccontextmanager
async def archived_journal(shop: Shop, archive: str, machine: str | None = None) -> AsyncIterator[Journal]:
    """Copy a machine, or all of the shop's fleet, out of the archive; the journal is gone when the block ends.

    Args:
        shop: the shop file, for its fleet.
        archive: URL of the database; a SQLite file is taken from the working folder.
        machine: only this one.

    Raises:
        GaugelinkError: the archive cannot be read.
    """
    url = database_url(archive, Path.cwd())
    machines = [record.id for record in shop.fleet.machine if machine in (None, record.id)]

    def read() -> list[Entry]:
        with Store(url, read_only=True) as store:
            store.check()
            return entries_of(store, machines, simulated=shop.simulated)

    entries = await asyncio.to_thread(read)
    with tempfile.TemporaryDirectory(prefix="gaugelink-archive-") as folder:
        async with Journal.open(Path(folder) / "copy.db") as journal:
            await journal.record(entries)
            yield journal


def read_archive(shop: Shop, archive: str, what: Callable[[Records, Journal], Awaitable[T]]) -> T:
    """Ask the archive what is otherwise asked of the journal. Only machines of the shop's fleet are read.

    Raises:
        GaugelinkError: the archive cannot be read, or has no answer.
    """

    async def reading() -> T:
        async with archived_journal(shop, archive) as journal:
            return await what(Records(shop, journal), journal)

    return asyncio.run(reading())
