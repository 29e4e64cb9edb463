"""Leaving the screen leaves the table: once the service has ended, behind the screen that was drawn."""

import asyncio
import io
import logging
import sys
from pathlib import Path
from typing import cast

import pytest
from rich.console import Console
from rich.live import Live

from gaugelink.app.daemon import Daemon
from gaugelink.app.presenter import ScenePresenter
from gaugelink.app.running import Fingers, in_front_of, log_above
from gaugelink.broker.commands import CommandAction
from tests.app.test_session import Bench


class Idle:
    """A service that does nothing until it is stopped."""

    def __init__(self) -> None:
        self.stopped = asyncio.Event()

    def stop(self) -> None:
        self.stopped.set()

    async def broker_trouble(self) -> str:
        """None."""
        return ""

    async def run(self) -> None:
        await self.stopped.wait()


async def test_plain_lines_end_with_the_table_too(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    presenter, idle = ScenePresenter(bench.session.shop), Idle()
    presenter.stepped(bench.command(CommandAction.BEGIN, machine="north-7"))
    file = io.StringIO()
    daemon = cast("Daemon", idle)
    async with in_front_of(daemon, Console(file=file, width=80), presenter, Fingers(lambda: daemon)):
        idle.stop()
    *table, last = file.getvalue().splitlines()
    assert [line.split()[-1] for line in table[-3:]] == ["now", "waiting", "waiting"]
    assert last.startswith("Not settled: PTO, middle, MAG. The test of North 7 stays open; go on with it: gaugelink ")


@pytest.mark.parametrize("mine", [True, False], ids=["with keys", "without"])
async def test_the_table_and_the_way_on_stay_behind_a_screen_that_was_left_by_a_person(
    tmp_path: Path, mine: bool
) -> None:
    bench = Bench(tmp_path)
    presenter, idle = ScenePresenter(bench.session.shop), Idle()
    presenter.stepped(bench.command(CommandAction.BEGIN, machine="north-7"))
    file = io.StringIO()
    console = Console(file=file, width=100, height=40, force_terminal=True, legacy_windows=False)
    daemon = cast("Daemon", idle)
    fingers = Fingers(lambda: daemon) if mine else None
    async with in_front_of(daemon, console, presenter, fingers):
        idle.stop()
    # The screen shows its cursor again when it goes (DECTCEM); what comes after that stays.
    after = file.getvalue().rpartition("\x1b[?25h")[2]
    assert ("The test of North 7 stays open" in after) is mine
    assert ("waiting" in after) is mine


class Terminal(io.StringIO):
    """A stream that says that a person looks at it."""

    def isatty(self) -> bool:
        return True


def test_a_line_of_the_log_passes_above_the_screen_instead_of_shifting_it(monkeypatch: pytest.MonkeyPatch) -> None:
    errors, drawn = Terminal(), io.StringIO()
    monkeypatch.setattr(sys, "stderr", errors)
    console = Console(file=drawn, width=80, height=24, force_terminal=True, legacy_windows=False)
    handler = logging.StreamHandler()
    logging.getLogger().addHandler(handler)
    try:
        with log_above(Live("the frame", console=console, auto_refresh=False)):
            logging.getLogger("gaugelink").warning("The broker is away.")
            assert errors.getvalue() == ""
            # The line takes the place of the frame, which is drawn anew beneath it.
            assert drawn.getvalue().rpartition("The broker is away.")[2].strip().endswith("the frame")
        logging.getLogger("gaugelink").warning("Once more.")
        assert errors.getvalue() == "Once more.\n"
    finally:
        logging.getLogger().removeHandler(handler)


def test_a_log_that_goes_into_a_file_still_does(monkeypatch: pytest.MonkeyPatch) -> None:
    errors = io.StringIO()
    monkeypatch.setattr(sys, "stderr", errors)
    console = Console(file=io.StringIO(), width=80, height=24, force_terminal=True, legacy_windows=False)
    handler = logging.StreamHandler()
    logging.getLogger().addHandler(handler)
    try:
        with log_above(Live("the frame", console=console, auto_refresh=False)):
            logging.getLogger("gaugelink").warning("The broker is away.")
        assert errors.getvalue() == "The broker is away.\n"
    finally:
        logging.getLogger().removeHandler(handler)
