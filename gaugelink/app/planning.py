"""From what is asked for and what the shop file says to the plan of a test."""

from collections.abc import Sequence

from pydantic import ValidationError

from gaugelink.app.shopfile import Shop
from gaugelink.bench.plan import SIDE_PLACES, Conditions, Expected, Plan, TestKind
from gaugelink.broker.commands import Command
from gaugelink.broker.message import new_id
from gaugelink.engine.fleet import CrankedBy, Layout, MachineRecord
from gaugelink.errors import SettingsError
from gaugelink.settings import first_mistake
from gaugelink.verdict.difference import ReadingValue


def planned(shop: Shop, command: Command, dry: Sequence[ReadingValue]) -> Plan:
    """Plan a test as a command asks; what it leaves open comes from the shop file.

    `dry` are the readings of the machine's last dry test, where there is one.

    Raises:
        SettingsError: the machine, a cylinder or a gauge is not known, or the plan does not fit together.
    """
    defaults = shop.settings.test
    machine = shop.fleet.find(command.machine or "")
    engine = shop.fleet.engine_of(machine.id)
    cylinders = tuple(engine.cylinder(name).name for name in command.cylinders or engine.cylinder_names)
    named = _gauges(shop, command, cylinders)
    places = {n: SIDE_PLACES[n] for n in cylinders if engine.layout is Layout.SIDE_NAMED and n in SIDE_PLACES}
    try:
        return Plan(
            test_id=new_id(),
            machine=machine.id,
            engine=engine.id,
            cylinders=cylinders,
            gauges={name: named[name] for name in cylinders if name in named},
            repeats=command.repeats or defaults.repeats,
            agreement=defaults.agreement,
            max_tries=max(defaults.max_tries, command.repeats or defaults.repeats),
            kind=TestKind(command.kind) if command.kind is not None else defaults.kind,
            conditions=_conditions(shop, machine),
            asks_ready=True,
            note=machine.notes,
            places=places,
            expected=_expected(dry, cylinders),
        )
    except (ValidationError, ValueError) as error:
        raise SettingsError(f"The test cannot be planned: {_first_line(error)}") from error


def gauges_asked(shop: Shop, command: Command) -> frozenset[str]:
    """The gauges that the test would be done with that a command asks for; none where it cannot be begun."""
    try:
        engine = shop.fleet.engine_of(command.machine or "")
        names = [engine.cylinder(name).name for name in command.cylinders or engine.cylinder_names]
        return frozenset(gauge for name, gauge in _gauges(shop, command, names).items() if name in names)
    except SettingsError:
        return frozenset()


def _gauges(shop: Shop, command: Command, cylinders: Sequence[str]) -> dict[str, str]:
    """The gauge of each cylinder.

    Raises:
        SettingsError: a gauge is not known.
    """
    gauges = shop.settings.test.gauges
    if gauges is None:
        gauges = shop.settings.gauges[0].name
    if command.gauge is not None:
        gauges = shop.gauge(command.gauge).name
    named = dict.fromkeys(cylinders, gauges) if isinstance(gauges, str) else gauges
    for gauge in set(named.values()):
        shop.gauge(gauge)
    return dict(named)


def barometer_stated_kpa(shop: Shop) -> float | None:
    """Ambient pressure that the shop file states of a barometer, absolute; None where it states none."""
    given = shop.settings.test.conditions.barometer_kpa
    return shop.settings.bench.barometer_abs_kpa if given is None else given


def _conditions(shop: Shop, machine: MachineRecord) -> Conditions:
    bench, given = shop.settings.bench, shop.settings.test.conditions
    update: dict[str, float | CrankedBy] = {}
    if machine.cranked_by is not None:
        update["cranked_by"] = machine.cranked_by
    if given.altitude_m is None and bench.altitude_m is not None:
        update["altitude_m"] = bench.altitude_m
    if (barometer_kpa := barometer_stated_kpa(shop)) is not None:
        update["barometer_kpa"] = barometer_kpa
    return given.model_copy(update=update)


def _expected(dry: Sequence[ReadingValue], cylinders: Sequence[str]) -> dict[str, Expected]:
    """What the cylinders read in the last dry test: it tells two exchanged ones apart."""
    return {
        value.cylinder: Expected(peak_kpa=value.peak_kpa, u_kpa=value.peak_u_kpa)
        for value in dry
        if value.cylinder in cylinders and value.peak_kpa > 0.0
    }


def _first_line(error: Exception) -> str:
    return first_mistake(error, Plan) if isinstance(error, ValidationError) else str(error).splitlines()[0]
