"""Reads a shop's machines out of an archive, through a journal that lasts as long as the question."""

import asyncio
import tempfile
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import TypeVar

from gaugelink.app.records import Records
from gaugelink.app.shopfile import Shop
from gaugelink.archive.copy import entries_of
from gaugelink.archive.settings import database_url
from gaugelink.archive.store import Store
from gaugelink.journal import Journal

T = TypeVar("T")


def read_archive(shop: Shop, archive: str, what: Callable[[Records, Journal], Awaitable[T]]) -> T:
    """Ask the archive what is otherwise asked of the journal. Only machines of the shop's fleet are read.

    Args:
        shop: the shop file, for its fleet and its unit.
        archive: URL of the database; a SQLite file is taken from the working folder.
        what: the question.

    Raises:
        GaugelinkError: the archive cannot be read, or has no answer.
    """
    with Store(database_url(archive, Path.cwd())) as store:
        store.check()
        entries = entries_of(store, [machine.id for machine in shop.fleet.machine])

    async def reading(file: Path) -> T:
        async with Journal.open(file) as journal:
            await journal.record(entries)
            return await what(Records(shop, journal), journal)

    with tempfile.TemporaryDirectory(prefix="gaugelink-archive-") as folder:
        return asyncio.run(reading(Path(folder) / "copy.db"))
