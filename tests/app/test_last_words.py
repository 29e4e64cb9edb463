"""The last words of a service say what is known, what is missing and what to type next; its exit status says which."""

import io
from collections.abc import AsyncIterator, Sequence
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from rich.console import Console

from gaugelink.app import service
from gaugelink.app.farewell import Farewell
from gaugelink.app.presenter import ScenePresenter
from gaugelink.app.service import run_service
from gaugelink.app.step import Step
from gaugelink.app.watcher import Watcher
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.reading import Phase
from gaugelink.broker.commands import CommandAction
from gaugelink.errors import GaugelinkError
from gaugelink.gauge.samples import LinkPhase, LinkState
from gaugelink.localtime import day_of
from simulators import shop
from tests.app.shops import SHOP, shop_in
from tests.app.test_leaving import Idle
from tests.app.test_presenter import Watched
from tests.app.test_session import Bench


def last_words(presenter: ScenePresenter, width: int = 60) -> list[str]:
    file = io.StringIO()
    Console(file=file, width=width).print(Farewell(presenter.scene), crop=False)
    return file.getvalue().splitlines()


def test_a_gauge_that_never_came_is_named_with_what_is_wrong(tmp_path: Path) -> None:
    presenter = ScenePresenter(shop_in(tmp_path))
    searching = LinkState("amber", LinkPhase.SEARCHING)
    stopped = LinkState("amber", LinkPhase.STOPPED)
    for state in (searching, stopped):
        presenter.linked(state)
    assert last_words(presenter) == ["Gauge amber was not heard: searching; what is near: gaugelink scan"]
    presenter.linked(replace(searching, faults=("Bluetooth is off: switch it on.",)))
    assert last_words(presenter) == ["Gauge amber was not heard: searching, Bluetooth is off: switch it on."]
    for state in (LinkState("amber", LinkPhase.STREAMING), searching, stopped):
        presenter.linked(state)
    assert last_words(presenter) == []


def test_a_test_that_is_done_is_told_with_its_report_and_how_it_is_closed(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    presenter = ScenePresenter(bench.session.shop)
    presenter.stepped(bench.command(CommandAction.BEGIN, machine="north-7"))
    assert not any("report" in line for line in last_words(presenter))
    bench.command(CommandAction.ACKNOWLEDGE)
    step = bench.whole_test(930.0, 931.0, 929.0)
    presenter.stepped(step)
    assert step.state is not None
    assert step.state.phase is Phase.DONE
    *_, opened, report = last_words(presenter)
    assert opened.startswith("The test of North 7 stays open until it is finished, with key f in: ")
    assert opened.endswith(f"gaugelink run --config {tmp_path / 'shop.toml'}")
    assert report == f"Its report: gaugelink report --config {tmp_path / 'shop.toml'}"
    presenter.stepped(bench.command(CommandAction.FINISH))
    assert last_words(presenter)[-1] == report
    assert not any("stays open" in line for line in last_words(presenter))


@pytest.mark.parametrize("done", [True, False])
async def test_a_service_that_ends_before_the_test_is_done_has_failed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, done: bool
) -> None:
    state = Bench(tmp_path).command(CommandAction.BEGIN, machine="north-7").state
    assert state is not None

    class Ending(Idle):
        """A service in which a test is done, or which somebody stops."""

        def __init__(self, *_: object, watchers: Sequence[Watcher], **__: object) -> None:
            super().__init__()
            self._watchers = watchers

        async def run(self) -> None:
            if done:
                for watcher in self._watchers:
                    watcher.stepped(Step(state=replace(state, phase=Phase.DONE)))
            self.stop()

    monkeypatch.setattr(service, "Daemon", Ending)
    console = Console(file=io.StringIO(), width=80)
    await run_service(shop_in(tmp_path), console, silent=True)
    if done:
        await run_service(shop_in(tmp_path), console, until_done=True, silent=True)
    else:
        with pytest.raises(GaugelinkError, match="ended before the test was done"):
            await run_service(shop_in(tmp_path), console, until_done=True, silent=True)


async def test_a_simulation_says_first_how_its_report_is_read_with_the_shop_file_that_was_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    @asynccontextmanager
    async def nothing(*_: object, **__: object) -> AsyncIterator[None]:
        yield

    monkeypatch.setattr(shop, "simulated_shop", nothing)
    file = io.StringIO()
    named = shop_in(tmp_path, SHOP.replace("[test]", '[test]\nmachine = "north-7"'))
    async with AsyncExitStack() as stack:
        await service._simulated(named.as_simulated(), Console(file=file, width=80), stack, 1.0, 0)
    assert f"`gaugelink report --config {tmp_path / 'shop.toml'} --simulated` reads it." in file.getvalue()


def test_a_test_of_another_day_is_shown_with_its_day(tmp_path: Path) -> None:
    bench = Watched(tmp_path)
    bench.begin()
    began = bench.at
    bench.crank(930.0)
    assert bench.presenter.scene.title == "North 7, dry test"
    bench.crank(931.0, wait_s=20 * 3600.0)
    assert bench.presenter.scene.title == f"North 7, dry test, begun {day_of(began)}"
    bench.command(CommandAction.FINISH)
    bench.begin()
    assert bench.presenter.scene.title == "North 7, dry test"


def test_a_low_battery_leaves_in_sight_what_is_to_be_done(tmp_path: Path) -> None:
    bench = Watched(tmp_path)
    bench.begin()
    bench.crank(930.0)
    asked, large = bench.presenter.scene.prompt, bench.presenter.scene.large
    bench.take(bench.session.say(PromptKey.BATTERY_LOW, bench.at))
    assert bench.presenter.scene.prompt == f"{asked} The battery of the gauge is low."
    assert bench.presenter.scene.large == large
    bench.crank(931.0)
    assert "battery" not in bench.presenter.scene.prompt
