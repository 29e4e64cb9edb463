"""A chain's worth of benches on one broker: how much the archive takes, and whether anything is lost or doubled.

    python -m tests.benchmarks.archive_load [--benches 300] [--bursts 8]

Every bench is the service's own link to the broker; its journal is one in memory, so that the disk of one machine does
not stand for three hundred. In a burst all of them crank at the same moment: a cranking event, its reading, the state
of the test and a prompt each. The broker is mosquitto, which saves every 5000 changes (not every 50, as in a shop's
example: three hundred benches change more), the database a PostgreSQL that syncs every commit, each consumer a process
of its own. A consumer is killed in the middle, and the broker restarted; once it is killed too, so that it forgets what
it had not saved. Asserts nothing about time; ends with status 1 when a message is lost or doubled.
"""

import argparse
import asyncio
import json
import logging
import random
import resource
import signal
import sys
import tempfile
import time
from collections import deque
from collections.abc import AsyncIterator, Sequence
from contextlib import AsyncExitStack, asynccontextmanager
from datetime import UTC, datetime, timedelta
from enum import Enum
from pathlib import Path
from typing import cast

from sqlalchemy import func, select

from gaugelink.archive import schema
from gaugelink.archive.settings import database_url
from gaugelink.archive.store import Store
from gaugelink.broker.link import BrokerLink
from gaugelink.broker.settings import BrokerSettings
from gaugelink.journal import Journal, OutboxDepth, OutboxRow, Outgoing
from tests.archive.consuming import until
from tests.archive.postgres import Postgres
from tests.archive.published import published
from tests.broker.mosquitto import Mosquitto

ROOT = Path(__file__).parents[2]
KINDS = ("cranking", "reading", "test", "prompt")
TABLES = {"cranking": schema.EVENTS, "reading": schema.READINGS, "prompt": schema.PROMPTS}
SETTLE_S = 5.0
BROKER = (
    "allow_anonymous true",
    "persistence true",
    "autosave_on_changes true",
    "autosave_interval 5000",
    "max_queued_messages 100000",
)


class Trouble(Enum):
    """What is done in the middle of a run."""

    NONE = "undisturbed"
    RESTART = "a consumer killed, the broker restarted"
    KILL = "a consumer killed, the broker killed"


class Outbox:
    """The part of a journal that a link uses, in memory: what waits, and what was sent lately."""

    def __init__(self) -> None:
        self.outbox_grew = asyncio.Event()
        self._waiting: deque[OutboxRow] = deque()
        self._sent: deque[OutboxRow] = deque(maxlen=256)
        self._retained: dict[str, OutboxRow] = {}
        self._seq = 0

    def add(self, messages: Sequence[Outgoing]) -> None:
        """Commit messages."""
        for one in messages:
            self._seq += 1
            row = OutboxRow(
                self._seq, one.id, one.topic_suffix, one.payload_json, one.qos, one.retain, datetime.now(UTC)
            )
            self._waiting.append(row)
            if one.retain:
                self._retained[one.topic_suffix] = row
        self.outbox_grew.set()

    async def pending(self, limit: int = 100) -> list[OutboxRow]:
        """The oldest that wait."""
        return [row for row, _ in zip(self._waiting, range(limit), strict=False)]

    async def mark_sent(self, rows: Sequence[OutboxRow]) -> None:
        """Note what the broker took."""
        for row in rows:
            assert self._waiting.popleft() is row
            self._sent.append(row)

    async def outbox_depth(self) -> OutboxDepth:
        """How many wait."""
        return OutboxDepth(len(self._waiting), None)

    async def to_tell_again(self, newer_than: timedelta, limit: int = 256) -> list[OutboxRow]:
        """What a broker may have lost."""
        del newer_than, limit
        rows = [*(row for row in self._sent if not row.retain), *self._retained.values()]
        return sorted(rows, key=lambda row: row.seq)


class Bench:
    """One bench: it cranks when told, and publishes as the service does."""

    def __init__(self, number: int, port: int) -> None:
        self.name = f"bench-{number:03}"
        self.outbox = Outbox()
        settings = BrokerSettings(port=port, settle_s=SETTLE_S, keepalive_s=30)
        self.link = BrokerLink(settings, self.name, cast(Journal, self.outbox))
        self.ids: dict[str, list[str]] = {kind: [] for kind in KINDS}
        self.revision = 0

    def crank(self) -> None:
        """One cranking event and what follows from it."""
        messages = []
        self.revision += 1
        for kind in KINDS:
            changes = {"revision": self.revision, "test_id": f"test-of-{self.name}"} if kind == "test" else {}
            _, payload = published(kind, self.name, **changes)
            message_id = json.loads(payload)["id"]
            self.ids[kind].append(message_id)
            messages.append(Outgoing(kind, payload.decode(), 1, kind == "test", message_id))
        self.outbox.add(messages)


@asynccontextmanager
async def shop(count: int, port: int) -> AsyncIterator[list[Bench]]:
    """So many benches, connected."""
    benches = [Bench(number, port) for number in range(count)]
    tasks = [asyncio.create_task(bench.link.run()) for bench in benches]
    try:
        await until(lambda: all(bench.link.connected for bench in benches))
        yield benches
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


class Consumers:
    """``gaugelink archive`` in processes of their own."""

    def __init__(self, file: Path) -> None:
        self._file = file
        self._running: dict[str, asyncio.subprocess.Process] = {}
        self.reports: list[dict[str, float]] = []

    async def start(self, name: str) -> None:
        """Start one and wait until it has subscribed."""
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-c", "from gaugelink.app.cli import main; main()"),
            *("archive", "-c", self._file, "--json", *(["--consumer", name] if name else [])),
            cwd=ROOT,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.DEVNULL,
        )
        self._running[name] = process

    async def kill(self, name: str) -> None:
        """End one at once."""
        process = self._running.pop(name)
        process.kill()
        await process.communicate()

    async def stop(self) -> None:
        """End all as a service is ended, and keep what they report."""
        for process in self._running.values():
            process.send_signal(signal.SIGTERM)
        for process in self._running.values():
            out, _ = await process.communicate()
            self.reports.append(json.loads(out))
        self._running.clear()


async def _filed(store: Store, kinds: Sequence[str]) -> int:
    def count() -> int:
        with store.engine.connect() as connection:
            return sum(connection.scalar(select(func.count()).select_from(TABLES[kind])) or 0 for kind in kinds)

    return await asyncio.to_thread(count)


async def _until_filed(store: Store, kinds: Sequence[str], wanted: int, limit_s: float) -> bool:
    until_s, filed = time.monotonic() + limit_s, await _filed(store, kinds)
    while filed < wanted and time.monotonic() < until_s:
        await asyncio.sleep(0.1)
        filed = await _filed(store, kinds)
    return filed >= wanted


def _lost_and_doubled(store: Store, benches: Sequence[Bench], kinds: Sequence[str]) -> tuple[int, int]:
    """Messages that are missing, of `kinds`, and those that are there twice, of all."""
    lost = doubled = 0
    with store.engine.connect() as connection:
        for kind, table in TABLES.items():
            filed = list(connection.scalars(select(table.c.message_id)))
            sent = {message_id for bench in benches for message_id in bench.ids[kind]}
            lost += len(sent - set(filed)) if kind in kinds else 0
            doubled += len(filed) - len(set(filed)) + len(set(filed) - sent)
        rows = connection.execute(select(schema.TESTS.c.bench, schema.TESTS.c.revision)).all()
    states = {row.bench: row.revision for row in rows}
    lost += sum(states.get(bench.name) != bench.revision for bench in benches)
    return lost, doubled


async def _until_subscribed(broker: Mosquitto, consumers: Sequence[str]) -> None:
    clients = [f"gaugelink-archive{f'-{name}' if name else ''}" for name in consumers]
    await until(lambda: all(broker.count(f"Sending SUBACK to {client}") >= 2 for client in clients))


async def run(names: Sequence[str], count: int, bursts: int, trouble: Trouble) -> bool:
    """One run; prints what it found and says whether nothing was lost or doubled. An unnamed consumer has no group."""
    # A bench does not tell a prompt again that a killed broker had not saved: what was to be done then is done.
    kinds = [kind for kind in TABLES if trouble is not Trouble.KILL or kind != "prompt"]
    async with AsyncExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        server = stack.enter_context(Postgres(settings=("max_connections=30",)))
        broker = await stack.enter_async_context(Mosquitto(folder, config=BROKER))
        database = server.database()
        store = stack.enter_context(Store(database_url(database, folder)))
        file = folder / "archive.toml"
        group = 'group = "chain"\n' if all(names) else ""
        file.write_text(
            f'[broker]\nport = {broker.port}\n[archive]\ndatabase = "{database}"\n{group}', encoding="utf-8"
        )
        consumers = Consumers(file)
        for name in names:
            await consumers.start(name)
        await _until_subscribed(broker, names)
        benches = await stack.enter_async_context(shop(count, broker.port))
        # The links wait for the settling time before they send anything.
        await asyncio.sleep(SETTLE_S + 1)
        began_s = time.monotonic()
        for burst in range(bursts):
            for bench in benches:
                bench.crank()
            wanted = len(kinds) * count * (burst + 1)
            if trouble is not Trouble.NONE and burst == bursts // 3:
                await until(lambda: any(bench.link.status.sent >= len(KINDS) * (bursts // 3) + 2 for bench in benches))
                await consumers.kill(names[-1])
                await asyncio.sleep(1.0)
                await consumers.start(names[-1])
            elif trouble is not Trouble.NONE and burst == 2 * bursts // 3:
                await asyncio.sleep(0.2)
                await broker.stop(signal.SIGKILL if trouble is Trouble.KILL else signal.SIGTERM)
                await asyncio.sleep(0.5)
                await broker.start()
            elif trouble is Trouble.NONE:
                await _until_filed(store, kinds, wanted, 60)
            else:
                await asyncio.sleep(random.Random(burst).uniform(0.3, 1.0))
        complete = await _until_filed(store, kinds, len(kinds) * count * bursts, 90)
        took_s = time.monotonic() - began_s
        sent = len(KINDS) * count * bursts
        lost, doubled = _lost_and_doubled(store, benches, kinds)
        if lost and complete:
            # The last states of the tests may still be on their way.
            await asyncio.sleep(3)
            lost, doubled = _lost_and_doubled(store, benches, kinds)
        await consumers.stop()
        with store.engine.connect() as connection:
            size_b = {
                name: connection.scalar(select(func.pg_total_relation_size(table.name)))
                / max(connection.scalar(select(func.count()).select_from(table)), 1)
                for name, table in TABLES.items()
            }
    who = "1 consumer without a group" if not all(names) else f"{len(names)} consumer(s)"
    print(f"\n{count} benches, {bursts} bursts, {who}, {trouble.value}")
    print(f"  messages published once each       {sent:8d}")
    print(f"  lost {lost}, doubled {doubled} ({', '.join(kinds)})")
    filed = sum(report["filed"] for report in consumers.reports)
    database_s = sum(report["database_s"] for report in consumers.reports)
    busy_s = sum(report["busy_s"] for report in consumers.reports)
    print(f"  messages/s from the first crank    {sent / took_s:8.0f}")
    if trouble is Trouble.NONE:
        print(f"  messages/s while a consumer works  {filed / busy_s * len(names):8.0f}  (all consumers together)")
        print(f"  share of that time in the database {database_s / busy_s:8.2f}")
        print(f"  messages to a transaction          {filed / sum(r['batches'] for r in consumers.reports):8.0f}")
    else:
        print(f"  deliveries filed, repeats included {filed:8.0f}  (by the consumers that lived to the end)")
    rows = ", ".join(f"{name} {size:.0f}" for name, size in size_b.items())
    print(f"  bytes a row, its indexes included  {rows}")
    return not lost and not doubled


def main() -> None:
    """Run all of it."""
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--benches", type=int, default=300)
    arguments.add_argument("--bursts", type=int, default=9)
    given = arguments.parse_args()
    # Every link says that the broker is away; here that is meant.
    logging.disable(logging.WARNING)
    _, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(65_536, hard), hard))
    good = True
    for trouble in (Trouble.NONE, Trouble.RESTART):
        for names in (["1"], ["1", "2"]):
            good &= asyncio.run(run(names, given.benches, given.bursts, trouble))
    good &= asyncio.run(run([""], given.benches, given.bursts, Trouble.KILL))
    sys.exit(0 if good else 1)


if __name__ == "__main__":
    main()
