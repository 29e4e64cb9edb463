"""From what is asked for to the leak-down that is run, or the reason why it cannot be."""

from dataclasses import dataclass

from gaugelink.app.leak_outcome import Run
from gaugelink.app.leak_runs import DecayRun, DifferentialRun
from gaugelink.app.leak_telling import decay_limit, differential_limit
from gaugelink.app.shopfile import Shop
from gaugelink.bench.prompts import Prompter
from gaugelink.broker.commands import Command
from gaugelink.broker.leak_messages import CRANKCASE, DecayKind, LeakRequest
from gaugelink.engine.air import standard_pressure_kpa
from gaugelink.engine.fleet import MachineRecord
from gaugelink.errors import SettingsError


@dataclass(frozen=True, slots=True)
class Asked:
    """A leak-down that can be run."""

    run: Run
    machine: MachineRecord
    cylinder: str | None


def asked_for(shop: Shop, command: Command, say: Prompter) -> Asked:
    """Make the leak-down that a command asks for; what it leaves open comes from the shop file.

    Raises:
        SettingsError: the machine, a cylinder or a gauge is not known, or the test would tell nothing of it.
    """
    request = command.leak or LeakRequest()
    name = command.machine or shop.settings.test.machine
    if name is None:
        raise SettingsError("No machine was named, and the shop file has no test.machine: name one.")
    machine = shop.fleet.find(name)
    engine = shop.fleet.engine_of(machine.id)
    cylinder = engine.cylinder(command.cylinder).name if command.cylinder is not None else None
    if request.kind is DecayKind.DECAY and cylinder is None and request.part == CRANKCASE and engine.cycle == 4:
        raise SettingsError(
            f"{machine.name} is a four-stroke: its crankcase breathes and holds no pressure. Name a cylinder, "
            "or the part that is tested."
        )
    gauge = shop.gauge(command.gauge or shop.settings.gauges[0].name).name
    ambient = ambient_abs_kpa(shop)
    if request.kind is DecayKind.DIFFERENTIAL:
        if cylinder is None:
            raise SettingsError("A differential test is of one cylinder: name it with --cylinder.")
        if request.supply_gauge is not None and shop.gauge(request.supply_gauge).name == gauge:
            raise SettingsError(f"The gauge {gauge} cannot read both sides of the orifice: name another.")
        limit = differential_limit(request, engine, say.unit)
        return Asked(DifferentialRun(request, limit, gauge, cylinder, say, ambient), machine, cylinder)
    if cylinder is not None:
        request = request.model_copy(update={"part": f"cylinder {cylinder}"})
    return Asked(DecayRun(request, decay_limit(request, say.unit), gauge, say, ambient), machine, cylinder)


def ambient_abs_kpa(shop: Shop) -> float:
    """Ambient pressure at the bench, absolute: its barometer, or the standard atmosphere's at its height."""
    bench = shop.settings.bench
    return bench.barometer_abs_kpa or standard_pressure_kpa(bench.altitude_m or 0.0)
