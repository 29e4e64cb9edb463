"""Commands on the radio: ``scan``, ``inspect`` and ``learn``."""

import asyncio
import json
import os
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.console import Console
from rich.live import Live
from rich.table import Table
from rich.text import Text
from rich.tree import Tree

from gaugelink.app.layouts import layout_text
from gaugelink.app.lines import TypedLines
from gaugelink.app.simulating import simulators_needed
from gaugelink.app.teaching import Hand, proven, teach
from gaugelink.app.terminal import Terminal, tell
from gaugelink.counting import counted
from gaugelink.engine.units import PressureUnit
from gaugelink.errors import GaugeError, GaugelinkError
from gaugelink.gauge.adapter import check_adapter, explain_radio_error
from gaugelink.gauge.inspect import Inspector, LiveValue, ServiceFound
from gaugelink.gauge.learn import learn
from gaugelink.gauge.learn_types import LearnResult, segments_of
from gaugelink.gauge.radio import RADIO_ERRORS, Radio
from gaugelink.gauge.recording import read_recording
from gaugelink.gauge.scan import FoundDevice, scan, scan_live
from gaugelink.printable import printable
from gaugelink.reasons import why_unwritten

if TYPE_CHECKING:
    from simulators.gatt_gauge import SimulatedGauge

Simulate = Annotated[bool, typer.Option("--simulate", help="Look at a virtual radio with made-up gauges instead.")]
AsJson = Annotated[bool, typer.Option("--json", help="The result as JSON.")]


_PUMPED_S = 0.5
"""A simulated gauge has sent its new pressure by then."""


def register(app: typer.Typer) -> None:
    """Add these commands to the command line."""
    app.command("scan")(scan_command)
    app.command("inspect")(inspect_command)
    app.command("learn")(learn_command)


@asynccontextmanager
async def _radio(simulate: bool) -> AsyncIterator[Radio]:
    """The radio of this machine, or a virtual one. Its known errors become a sentence with the way out."""
    async with _radio_and_gauges(simulate) as (radio, _):
        yield radio


@asynccontextmanager
async def _radio_and_gauges(simulate: bool) -> AsyncIterator[tuple[Radio, "Sequence[SimulatedGauge]"]]:
    """The radio with the simulated gauges on it, of which a real one has none."""
    try:
        if not simulate:
            yield Radio(), ()
            return
        with simulators_needed("--simulate"):
            from simulators.shop import made_up_radio

        async with made_up_radio() as made_up:
            yield made_up
    except RADIO_ERRORS as error:
        raise GaugeError(explain_radio_error(error)) from error


def scan_command(
    seconds: Annotated[float, typer.Option(min=0.5, max=600, help="How long to listen.")] = 8.0,
    simulate: Simulate = False,
    as_json: AsJson = False,
) -> None:
    """List the Bluetooth devices near, those that look like a pressure gauge first."""
    found = asyncio.run(_scan(seconds, simulate, Terminal(), as_json))
    if as_json:
        typer.echo(json.dumps([asdict(device) for device in found]))
    if not found:
        typer.echo("Nothing was heard. Switch the gauge on, wake it, and bring it near.", err=True)
        raise typer.Exit(1)


async def _scan(seconds: float, simulate: bool, console: Console, as_json: bool) -> list[FoundDevice]:
    async with _radio(simulate) as radio:
        if as_json or not console.is_terminal:
            found = await scan(radio, seconds)
            if not as_json:
                console.print(_device_table(found))
        else:
            found = []
            with Live(console=console, refresh_per_second=4) as live:
                async for found in scan_live(radio, seconds):
                    live.update(_device_table(found))
        if not found and not simulate:
            fault = await check_adapter(radio)
            if fault is not None:
                raise GaugeError(fault)
    return found


def _device_table(found: list[FoundDevice]) -> Table:
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    for name in ("", "name", "address", "dBm", "services", "why"):
        table.add_column(name, justify="right" if name == "dBm" else "left")
    for device in found:
        table.add_row(
            "●" if device.looks_like_pressure else "",
            printable(device.name or "(no name)"),
            device.address,
            str(device.rssi_dbm),
            ", ".join(device.service_names),
            "; ".join(device.why),
            style="bold" if device.looks_like_pressure else "",
        )
    return table


def inspect_command(
    address: Annotated[str, typer.Argument(help="Address, or advertised name, of a device.")],
    watch: Annotated[float, typer.Option(min=0, max=3600, help="Show what it sends for so many seconds.")] = 5.0,
    write: Annotated[
        list[str] | None, typer.Option(help="First write these bytes: CHARACTERISTIC=HEX, as its maker states them.")
    ] = None,
    save: Annotated[Path | None, typer.Option(help="Save what it sends as a recording (JSON lines).")] = None,
    note: Annotated[str, typer.Option(help="A note in the recording.")] = "",
    simulate: Simulate = False,
    as_json: AsJson = False,
) -> None:
    """Look into a device: services, values, and what it sends, in hex and as candidate numbers."""
    asyncio.run(_inspect(address, watch, write or [], save, note, simulate, as_json, Terminal()))


async def _inspect(
    address: str,
    watch_s: float,
    writes: list[str],
    save: Path | None,
    note: str,
    simulate: bool,
    as_json: bool,
    console: Console,
) -> None:
    asked = [_write_of(text) for text in writes]
    async with _radio(simulate) as radio, Inspector(address, radio) as inspector:
        services = await inspector.tree()
        if as_json:
            tell(json.dumps({"address": inspector.address, "services": [_as_json(one) for one in services]}))
        else:
            console.print(_tree(inspector.address, services))
        for characteristic, octets in asked:
            await inspector.write(characteristic, octets)
        if save is not None:
            saved: dict[Path, int] = {}
            try:
                await inspector.record(save, watch_s or 5.0, note, saved)
            finally:
                # Also after Ctrl-C, or when the device went away: every frame was written as it came.
                for path, count in saved.items():
                    tell(f"{counted(count, 'frame')} saved in {path}.")
        elif watch_s > 0:
            async for value in inspector.watch(watch_s):
                _show(value, as_json, console)


def _write_of(text: str) -> tuple[str, bytes]:
    characteristic, _, digits = text.partition("=")
    try:
        return characteristic, bytes.fromhex(digits)
    except ValueError as error:
        raise GaugelinkError(f"--write: found {text!r}; expected CHARACTERISTIC=HEX, as fff2=a501.") from error


def _show(value: LiveValue, as_json: bool, console: Console) -> None:
    if as_json:
        tell(json.dumps({"t_s": value.time_s, "characteristic": value.characteristic, "hex": value.payload.hex()}))
        return
    numbers = "  ".join(
        f"{c.format}{'' if c.byte_order != 'big' else ' be'}@{c.at}={c.number:g}" for c in value.candidates[:6]
    )
    console.print(Text(f"{value.characteristic[4:8]}  {value.hex}   {numbers}"), overflow="crop", no_wrap=True)


def _tree(address: str, services: tuple[ServiceFound, ...]) -> Tree:
    tree = Tree(Text(address, style="bold"))
    for service in services:
        branch = tree.add(Text(f"{service.name}  {service.uuid}"))
        for characteristic in service.characteristics:
            value = characteristic.value
            shown = value.error or (value.value.hex(" ") if value.value is not None else "")
            leaf = branch.add(Text(f"{value.name}  {value.uuid}  [{', '.join(characteristic.properties)}]  {shown}"))
            for descriptor in characteristic.descriptors:
                text = descriptor.error or (descriptor.value.hex(" ") if descriptor.value is not None else "")
                leaf.add(Text(f"{descriptor.name}  {text}", style="dim"))
    return tree


def _as_json(service: ServiceFound) -> dict[str, object]:
    return {
        "uuid": service.uuid,
        "name": service.name,
        "characteristics": [
            {
                "uuid": one.value.uuid,
                "name": one.value.name,
                "properties": list(one.properties),
                "hex": one.value.value.hex() if one.value.value is not None else None,
            }
            for one in service.characteristics
        ],
    }


class TerminalHand(Hand):
    """A person at the terminal."""

    def __init__(self, unit: PressureUnit, simulated: "Sequence[SimulatedGauge]" = ()) -> None:
        """`simulated` gauges have no pump and no display but this."""
        self.unit = unit
        self._simulated = simulated
        self._lines = TypedLines()

    async def reading(self, wanted_kpa: float) -> str:
        """Ask for a pressure and what the display shows."""
        if wanted_kpa <= 0:
            ask = "Open the gauge to the air."
        else:
            ask = f"Pump it to about {self.unit.text(wanted_kpa)} and hold it there."
        if self._simulated:
            ask += f" (Simulated: done; it shows {await self._pump(wanted_kpa)}.)"
        question = f"{ask} What does its display show, in {self.unit.value}? (Enter alone gives up) "
        tell(question, nl=False)
        return await self._lines.next()

    async def _pump(self, wanted_kpa: float) -> str:
        # Nobody hits a round number.
        reached_kpa = 1.03 * wanted_kpa
        for gauge in self._simulated:
            gauge.idle_kpa = reached_kpa
        await asyncio.sleep(_PUMPED_S)
        return f"{self.unit.from_kpa(reached_kpa):.{self.unit.fine_decimals}f}"

    def say(self, sentence: str) -> None:
        """Print a sentence."""
        tell(sentence)


def learn_command(
    source: Annotated[str, typer.Argument(help="Address or name of a gauge, or a recording with typed readings.")],
    out: Annotated[Path, typer.Option(help="Write the layout here.")] = Path("gauge.toml"),
    unit: Annotated[PressureUnit, typer.Option(help="Unit of the gauge's own display.")] = PressureUnit.PSI,
    name: Annotated[str, typer.Option(help="What the kind of gauge is called.")] = "taught gauge",
    simulate: Simulate = False,
) -> None:
    """Teach a gauge whose bytes nobody has described: apply a few pressures, type what its display shows."""
    # Asked so, what cannot be looked at is not there, instead of an error of the system.
    if os.path.exists(out):
        raise GaugelinkError(f"{out} exists already: give another name with --out.")
    if not os.path.isdir(out.parent):
        raise GaugelinkError(f"{out}: the folder is not there: make it, or give another name with --out.")
    if not os.access(out.parent, os.W_OK | os.X_OK):
        raise GaugelinkError(f"{out}: this user may not write in that folder: give another name with --out.")
    path = Path(source)
    if path.suffix == ".jsonl" or os.path.exists(path):
        segments = segments_of(read_recording(path))
        if not segments:
            raise GaugelinkError(
                f"{path}: no reading of the display is in it. Behind the frames of each pressure that was held add "
                'what was shown, as {"t_s": 12.5, "display": 20.6, "unit": "psi"}, with the time of the last of them.'
            )
        result = learn(segments, name=name)
        proof = "checked against every typed reading of the recording"
    else:
        result, proof = asyncio.run(_learn_live(source, unit, name, simulate))
    _show_candidates(result, Terminal())
    if result.layout is None:
        raise GaugelinkError("No layout was written. " + " ".join(result.missing or ("More readings are needed.",)))
    text = layout_text(result.layout, f"Taught by typed readings; {proof}.")
    try:
        out.write_text(text, encoding="utf-8")
    except OSError as error:
        # The gauge need not be taught again for that.
        tell(text)
        why = why_unwritten(error)
        raise GaugelinkError(f"{out}: cannot be written: {why}. The layout is above; put it in a file.") from error
    typer.echo(f"Written to {out}; {proof}. Name it in the shop file, under [[gauges]]:")
    # A shop file takes paths from its own folder, which need not be the one that this was typed in.
    typer.echo(f"layout = {json.dumps(out.absolute().as_posix(), ensure_ascii=False)}")


async def _learn_live(source: str, unit: PressureUnit, name: str, simulate: bool) -> tuple[LearnResult, str]:
    async with _radio_and_gauges(simulate) as (radio, simulated), Inspector(source, radio) as inspector:
        taught = await teach(inspector, TerminalHand(unit, simulated), name)
    if taught.result.layout is not None and not proven(taught):
        raise GaugeError("The layout that was found does not show what the display showed last; nothing was written.")
    return taught.result, "checked live against the last typed reading"


def _show_candidates(result: LearnResult, console: Console) -> None:
    for number, candidate in enumerate(result.candidates[:5], start=1):
        chosen = result.layout is not None and candidate.layout == result.layout
        console.print(Text(f"{'●' if chosen else ' '} {number}. {'; '.join(candidate.evidence)}"))
    for sentence in result.notes:
        console.print(Text(f"  {sentence}", style="dim"))
