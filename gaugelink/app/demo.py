"""``gaugelink demo``: a whole hands-free test in an invented shop, from the radio to the broker, with one mistake."""

import asyncio
import tempfile
from contextlib import AsyncExitStack
from dataclasses import dataclass, replace
from importlib.resources import files
from pathlib import Path

from rich.console import Console
from rich.text import Text

from gaugelink.app.daemon import Daemon
from gaugelink.app.mechanic import SIMULATED_MECHANIC, MechanicsEar
from gaugelink.app.pages import write_report
from gaugelink.app.presenter import ScenePresenter, spread_line
from gaugelink.app.records import Records
from gaugelink.app.running import Waiter, in_front_of, watchers_for
from gaugelink.app.screen import cylinder_table, legible
from gaugelink.app.service import SIMULATION, Clock, acknowledgement
from gaugelink.app.shopfile import Shop, load_shop
from gaugelink.app.watcher import Watcher
from gaugelink.gauge.config import KindSetting
from gaugelink.gauge.layout import GaugeLayout
from gaugelink.journal import Journal
from gaugelink.report.data import ReportData
from gaugelink.verdict.findings import Severity
from simulators.bench import Manner, Slip
from simulators.shop import engine_under, simulated_shop

MACHINE = "ridge-7"
MISTAKE = {"middle": Slip.LOOSE_GAUGE}
"""The simulated mechanic leaves the gauge loose once, on this cylinder."""
REPORTS = Path(tempfile.gettempdir()) / "gaugelink-demo"
"""Where the report of the demo's test goes when nothing else is said."""
LISTEN_S = 4.0
"""How long the simulated mechanic takes to read and acknowledge the cautions, in simulated seconds."""
LONGEST_S = 240.0
"""The demo is given up after this, in simulated seconds."""


@dataclass(frozen=True, slots=True)
class TaughtGauge:
    """A gauge that was taught before the test."""

    sends: GaugeLayout
    """What it really sends."""
    learnt: GaugeLayout
    """What was made of it."""


def demo_shop(folder: Path, *, held: bool) -> Shop:
    """Set up the invented shop in a folder."""
    source = files("gaugelink.app") / "demo_shop"
    for name in ("shop.toml", "gauge.toml"):
        (folder / name).write_text((source / name).read_text(encoding="utf-8"), encoding="utf-8")
    shop = load_shop(folder / "shop.toml")
    settings = shop.settings
    gauge = settings.gauges[0]
    if held:
        gauge = gauge.model_copy(update={"kind": KindSetting.HELD})
    bench = settings.bench.model_copy(update={"journal": folder / "journal.db"})
    settings = settings.model_copy(update={"gauges": (gauge,), "bench": bench})
    return Shop(shop.file, settings, shop.fleet, shop.layouts, folder / "journal.db")


async def run_demo(
    console: Console,
    *,
    held: bool = False,
    speed: float = 5.0,
    silent: bool = False,
    seed: int = 7,
    reports: Path | None = None,
    taught: TaughtGauge | None = None,
    dashboard: int | None = None,
) -> None:
    """Run the demo in front of a person; it ends by itself. The report goes to the folder `reports`.

    `taught` is a gauge whose layout was learnt, to be used instead of the shop's own. `dashboard` is a port of loopback
    on which the shop page is served while it runs; None for no page.

    Raises:
        GaugelinkError: the port is taken.
    """
    console.print(Text(SIMULATION, style="bold"))
    with tempfile.TemporaryDirectory(prefix="gaugelink-demo-") as folder:
        shop = demo_shop(Path(folder), held=held).as_simulated()
        sends = dict(shop.layouts)
        if taught is not None:
            name = shop.settings.gauges[0].name
            sends[name] = taught.sends
            shop = replace(shop, layouts={name: taught.learnt})
        presenter, waiter = ScenePresenter(shop), Waiter()
        engine = engine_under(shop.fleet.engine_of(MACHINE))
        gauges = {gauge.name: (gauge, sends[gauge.name]) for gauge in shop.settings.gauges}
        manner = Manner(slips=MISTAKE, move_s=22.0, react_s=1.5)
        async with AsyncExitStack() as stack:
            simulated = await stack.enter_async_context(
                simulated_shop(gauges, engine, held=held, speed=speed, manner=manner, seed=seed)
            )
            ears: list[Watcher] = [MechanicsEar(simulated), waiter]
            if dashboard is not None:
                # A demo without a page need not load a web server.
                from gaugelink.app.shoppage import page_beside

                told, door = await stack.enter_async_context(page_beside(shop, dashboard, SIMULATION))
                ears.append(told)
                console.print(door.sentence(), soft_wrap=True)
            unit = shop.settings.bench.display_unit
            watchers = watchers_for(console, presenter, unit, ears)
            daemon = Daemon(shop, simulated.radio, clock=Clock(speed), watchers=watchers, silent=silent)
            async with in_front_of(daemon, console, presenter, None) as stopped:
                acting = asyncio.create_task(_act(daemon, waiter, speed))
                ending = asyncio.ensure_future(stopped.wait())
                await asyncio.wait([acting, ending], timeout=LONGEST_S / speed, return_when=asyncio.FIRST_COMPLETED)
                acting.cancel()
                ending.cancel()
        _finale(console, shop, presenter, daemon, waiter)
        if waiter.done.is_set():
            async with Journal.open(shop.journal, read_only=True) as journal:
                data = await Records(shop, journal).report(None)
            pages = await asyncio.to_thread(_write_reports, data, reports or REPORTS)
            console.print(Text(f"The report of this test: {' and '.join(str(page) for page in pages)}"))
        console.print(Text(SIMULATION, style="dim"))


def _write_reports(data: ReportData, folder: Path) -> tuple[Path, Path]:
    folder.mkdir(parents=True, exist_ok=True)
    pages = (folder / "report.html", folder / "report.pdf")
    for page in pages:
        write_report(data, page)
    return pages


async def _act(daemon: Daemon, waiter: Waiter, speed: float) -> None:
    await waiter.cautions_said.wait()
    await asyncio.sleep(LISTEN_S / speed)
    await daemon.obey(acknowledgement(SIMULATED_MECHANIC))
    await waiter.done.wait()
    # The last prompt stays in sight for a moment.
    await asyncio.sleep(1.5)


def _finale(console: Console, shop: Shop, presenter: ScenePresenter, daemon: Daemon, waiter: Waiter) -> None:
    scene = presenter.scene
    unit = shop.settings.bench.display_unit
    plain = console.options.ascii_only
    console.print()
    console.print(Text(f"{scene.bench}  {scene.title}", style="bold"))
    console.print(cylinder_table(scene.cylinders, unit, plain=plain))
    verdict = daemon.session.verdict
    console.print(Text(legible(spread_line(verdict, shop), plain=plain), style="bold"))
    if verdict is not None:
        console.print(Text(verdict.summary))
        for finding in verdict.findings:
            if finding.severity is not Severity.NOTE:
                console.print(Text(f"- {finding.text}"))
    if not waiter.done.is_set():
        console.print(Text("The test was not finished.", style="bold red"))
