"""Whoever begins a test or a leak-down from another terminal sees the cautions there, and what to type once heard."""

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from typer.testing import CliRunner

from gaugelink.app.cli import app
from gaugelink.app.daemon import Daemon
from gaugelink.bench.english import SENTENCES
from gaugelink.bench.prompt_keys import AIR_CAUTIONS, CAUTIONS, PromptKey
from tests.app.shops import SHOP, shop_in
from tests.app.test_handing_over import Quiet
from tests.broker.mosquitto import free_port

BEGINNINGS = {
    "test": (["test", "begin", "north-7"], CAUTIONS, "Before anybody cranks:", "`gaugelink test acknowledge`"),
    "decay": (["decay", "begin", "north-7"], AIR_CAUTIONS, "Before any air goes in:", "`gaugelink decay acknowledge`"),
}


@asynccontextmanager
async def service(folder: Path) -> AsyncIterator[None]:
    """A service whose broker the command line finds; its gauge sends nothing."""
    shop = shop_in(folder, f"{SHOP}\n[broker]\nembedded = true\nport = {free_port()}\n")
    daemon = Daemon(shop, silent=True, link=lambda _: Quiet())
    running = asyncio.create_task(daemon.run())
    await daemon.ready.wait()
    try:
        yield
    finally:
        daemon.stop()
        await running


async def typed(folder: Path, *words: str) -> tuple[int, str]:
    """What a command of another terminal ends with and says."""
    call = [*words, "--config", str(folder / "shop.toml")]
    result = await asyncio.to_thread(CliRunner().invoke, app, call)
    return result.exit_code, result.output


@pytest.mark.parametrize("what", ["test", "decay"])
async def test_who_begins_from_another_terminal_sees_every_caution_there(tmp_path: Path, what: str) -> None:
    words, keys, before, then = BEGINNINGS[what]
    async with service(tmp_path):
        code, said = await typed(tmp_path, *words)
        assert code == 0
        assert before in said
        for key in keys:
            # The one that names the limit has a number in it.
            assert SENTENCES[key].partition("{")[0] in said
        assert then in said


async def test_a_program_that_begins_a_test_gets_the_cautions_as_a_list(tmp_path: Path) -> None:
    async with service(tmp_path):
        _, said = await typed(tmp_path, "test", "begin", "north-7", "--json")
    answer = json.loads(said)
    assert answer["ok"]
    assert answer["cautions"] == [SENTENCES[key] for key in CAUTIONS]


async def test_cautions_that_do_not_stand_are_not_shown(tmp_path: Path) -> None:
    belt = SENTENCES[PromptKey.CAUTION_BELT]
    async with service(tmp_path):
        await typed(tmp_path, "test", "begin", "north-7")
        refused = await typed(tmp_path, "test", "begin", "north-7")
        assert (refused[0], belt in refused[1]) == (1, False)
        for words in (["acknowledge"], ["finish"]):
            assert belt not in (await typed(tmp_path, "test", *words))[1]
        same_sitting = await typed(tmp_path, "test", "begin", "north-7")
        assert (same_sitting[0], belt in same_sitting[1]) == (0, False)
