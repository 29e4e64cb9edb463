"""``gaugelink demo --dashboard``: the page of the invented shop, while its test runs."""

import asyncio
import re
from io import StringIO
from pathlib import Path
from typing import Any

import httpx2
import pytest
from rich.console import Console
from typer.testing import CliRunner

from gaugelink.app.cli import app
from gaugelink.app.demo import MACHINE, run_demo
from gaugelink.app.service import SIMULATION
from gaugelink.dashboard.door import Door
from gaugelink.dashboard.serve import take_port
from gaugelink.errors import GaugelinkError


class Heard(Console):
    """A console that waits for the page's address."""

    def __init__(self) -> None:
        super().__init__(file=StringIO(), width=200)
        self.address: asyncio.Future[str] = asyncio.get_running_loop().create_future()

    def print(self, *objects: Any, **how: Any) -> None:
        """Print, and look for the address."""
        super().print(*objects, **how)
        found = re.search(r"http://127\.0\.0\.1:\d+/", " ".join(map(str, objects)))
        if found is not None and not self.address.done():
            self.address.set_result(found.group())


async def test_the_demo_shows_its_page_and_says_that_all_of_it_is_simulated(tmp_path: Path) -> None:
    console = Heard()
    demo = asyncio.create_task(run_demo(console, speed=20.0, silent=True, reports=tmp_path, dashboard=0))
    await asyncio.wait([demo, console.address], return_when=asyncio.FIRST_COMPLETED)
    address = console.address.result()
    async with httpx2.AsyncClient() as client:
        setup = (await client.get(f"{address}api/setup")).json()
    assert setup["notice"] == SIMULATION
    assert setup["benches"][0].endswith("-simulated")
    assert MACHINE in [machine["id"] for machine in setup["machines"]]
    demo.cancel()
    await asyncio.wait([demo])
    with pytest.raises(httpx2.ConnectError):
        httpx2.get(address)


def test_a_demo_whose_port_is_taken_does_not_begin(tmp_path: Path) -> None:
    door = Door(port=0)
    with take_port(door):
        given = ["demo", "--dashboard", str(door.port), "--silent", "--reports", str(tmp_path)]
        error = CliRunner().invoke(app, given).exception
    assert isinstance(error, GaugelinkError)
    assert "give another --port" in str(error)
