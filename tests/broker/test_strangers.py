"""Subscribers that know the contract and nothing of gaugelink: the examples in ``config/``."""

import asyncio
import os
import signal
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from gaugelink.broker.client import Client
from gaugelink.broker.messages import Reading
from gaugelink.broker.settings import BrokerSettings
from gaugelink.journal import Action
from gaugelink.peak.events import Flag
from tests.broker.bench import BENCH, bench, crank, prompt, until_connected
from tests.broker.mosquitto import Mosquitto
from tests.journal.samples_of import cranking

CONFIG = Path(__file__).parents[2] / "config"


@asynccontextmanager
async def following(
    mosquitto: Mosquitto, program: list[object], name: str
) -> AsyncIterator[asyncio.subprocess.Process]:
    """Run a subscriber, from the moment on at which the broker knows what it asks for."""
    process = await asyncio.create_subprocess_exec(*program, stdout=asyncio.subprocess.PIPE, start_new_session=True)
    try:
        await mosquitto.logged(f"Sending SUBACK to {name}")
        yield process
    finally:
        # The shell's own children are in its group.
        os.killpg(process.pid, signal.SIGKILL)
        await process.communicate()


async def lines(process: asyncio.subprocess.Process, count: int) -> list[str]:
    assert process.stdout is not None
    async with asyncio.timeout(30):
        return [(await process.stdout.readline()).decode().rstrip() for _ in range(count)]


async def test_the_shell_line_prints_every_event_once(tmp_path, mosquitto):
    program = [CONFIG / "subscribe.sh", "-p", str(mosquitto.port)]
    async with (
        following(mosquitto, program, "subscribe-sh") as process,
        bench(tmp_path / "j.db", BrokerSettings(port=mosquitto.port)) as (journal, link),
    ):
        await crank(journal, 1)
        await until_connected(link)
        found = await lines(process, 1)
        # A lost connection: what was sent lately is told again.
        await mosquitto.stop()
        await until_connected(link, connected=False)
        await mosquitto.start()
        await crank(journal, 20)
        found += await lines(process, 1)
    psi = [round(cranking(number).peak_kpa / 6.894757, 1) for number in (1, 20)]
    assert found == [f"north blue: {value:g} ± 1.2 psi (few_strokes, lost_samples)" for value in psi]


async def test_the_python_script_follows_a_test(tmp_path, mosquitto):
    program = [sys.executable, CONFIG / "subscribe.py", "127.0.0.1", str(mosquitto.port)]
    async with (
        following(mosquitto, program, "subscribe-py") as process,
        Client("127.0.0.1", mosquitto.port) as person,
        bench(tmp_path / "j.db", BrokerSettings(port=mosquitto.port)) as (journal, _),
    ):
        await person.publish("gaugelink/gone/test", b"", qos=1, retain=True)
        reading = Reading(
            bench=BENCH, test_id="test-1", cylinder="PTO", action=Action.GIVEN, peak_kpa=900.0, peak_u_kpa=8.0,
            flags=(Flag.FEW_STROKES,),
        )  # fmt: skip
        await journal.record([], [prompt("Crank the PTO cylinder."), reading.outgoing()])
        await crank(journal, 1)
        found = await lines(process, 4)
    assert found == [
        "# connected: Success",
        "north: Crank the PTO cylinder.",
        "north: PTO given 130.5 ± 1.2 psi, few_strokes",
        "north: sled-7, read: none; no verdict yet",
    ]


@pytest.mark.parametrize("name", ["subscribe.py", "subscribe.sh"])
def test_the_examples_use_nothing_of_gaugelink(name):
    text = (CONFIG / name).read_text(encoding="utf-8")
    assert "import gaugelink" not in text
    assert "from gaugelink" not in text
