"""The shop file: the bench, its broker, its gauges, its engines, and how a test is run when nothing else is said."""

import os
import re
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Annotated, Self

from pydantic import Field, field_validator, model_validator

from gaugelink.app.layouts import find_layout
from gaugelink.bench.plan import Conditions, TestKind
from gaugelink.bench.state import BenchSettings
from gaugelink.bench.voice import VoiceSettings
from gaugelink.broker.settings import BrokerSettings
from gaugelink.engine.air import SHOP_AMBIENT_KPA
from gaugelink.engine.fleet import (
    EngineRecord,
    Fleet,
    MachineRecord,
    engines_named,
    ids_named,
    parse_engine,
    parse_fleet,
    unknown_engines,
)
from gaugelink.engine.units import PressureUnit
from gaugelink.errors import SettingsError
from gaugelink.gauge.config import GaugeSettings
from gaugelink.gauge.layout import GaugeLayout
from gaugelink.paths import FilePath
from gaugelink.reasons import read_text, reason
from gaugelink.settings import Settings, parse_settings, read_toml
from gaugelink.simulated import SUFFIX, is_simulated, simulated_bench


class BenchPart(Settings):
    """The place where one mechanic works."""

    name: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,39}$")] = "bay-1"
    """Letters, digits, ``-`` and ``_``; its end is not ``-simulated``. It becomes a part of every topic."""
    display_unit: PressureUnit = PressureUnit.PSI
    """The unit that people read and hear."""
    altitude_m: Annotated[float, Field(ge=-500, le=6000)] | None = None
    """Height above sea level, for the standard atmosphere where there is no barometer."""
    barometer_abs_kpa: Annotated[float, Field(ge=SHOP_AMBIENT_KPA[0], le=SHOP_AMBIENT_KPA[1])] | None = None
    """Ambient pressure as a barometer at the bench shows it, not reduced to sea level."""
    journal: FilePath | None = None
    """Where everything is written down; beside the user's other application data when not given."""

    @field_validator("name")
    @classmethod
    def _not_simulated(cls, name: str) -> str:
        if is_simulated(name):
            raise ValueError(f"only a simulated bench has a name that ends in {SUFFIX}")
        return name

    @model_validator(mode="after")
    def _one_source_of_air(self) -> Self:
        if self.altitude_m is not None and self.barometer_abs_kpa is not None:
            raise ValueError("give altitude_m or barometer_abs_kpa, not both")
        return self


class TestDefaults(Settings):
    """How a test is run when the command that begins it says nothing else."""

    __test__ = False

    machine: str | None = None
    """A machine of the fleet whose test begins as soon as the service starts and none is open."""
    kind: TestKind = TestKind.DRY
    repeats: Annotated[int, Field(ge=1, le=10)] = 2
    """Readings of a cylinder that must agree."""
    agreement: Annotated[float, Field(gt=0, le=0.5)] = 0.03
    """Largest difference between repeats that agree, as a share of their mean."""
    max_tries: Annotated[int, Field(ge=1, le=30)] = 5
    """Pulls on one cylinder before the test goes on without agreement."""
    gauges: dict[str, str] | str | None = None
    """Which gauge measures which cylinder, or the one that is moved; the shop's first gauge when not given."""
    conditions: Conditions = Conditions()
    assignment: BenchSettings = BenchSettings()
    """How careful and how patient the bench is when it gives an event to a cylinder."""


class MetricsPart(Settings):
    """The service's own health as text that monitoring collects."""

    port: Annotated[int, Field(ge=0, le=65535)] | None = None
    """TCP port on loopback, 0 for a free one; None: no such endpoint."""


class DiscoveryPart(Settings):
    """Announces the bench's readings as entities, by the MQTT discovery convention of automation servers."""

    enabled: bool = False
    """False with a prefix takes back what was announced before."""
    prefix: Annotated[str, Field(max_length=100, pattern=r"^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$")] | None = None
    """First levels of the topics that the server listens on; its documentation says which. Letters, digits, ``-`` and
    ``_``, parted by ``/``."""

    @model_validator(mode="after")
    def _knows_where(self) -> Self:
        if self.enabled and self.prefix is None:
            raise ValueError("enabled needs a prefix: the one that the server's own settings state")
        return self


class ShopFile(Settings):
    """The whole shop file."""

    bench: BenchPart = BenchPart()
    broker: BrokerSettings = BrokerSettings(embedded=True, port=0)
    gauges: tuple[GaugeSettings, ...] = Field(min_length=1)
    fleet: FilePath | None = None
    """A file with machines and engines; engines are also the files of the folder ``engines`` beside it."""
    machines: tuple[MachineRecord, ...] = ()
    engines: tuple[EngineRecord, ...] = ()
    test: TestDefaults = TestDefaults()
    voice: VoiceSettings = VoiceSettings()
    metrics: MetricsPart = MetricsPart()
    discovery: DiscoveryPart = DiscoveryPart()

    @model_validator(mode="after")
    def _names_differ(self) -> Self:
        names = [gauge.name for gauge in self.gauges]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise ValueError(f"two gauges are called {', '.join(twice)}")
        # One device that advertises may send in two layouts; in one it is one gauge, and the second is never found.
        heard: dict[tuple[str, str], str] = {}
        for gauge in self.gauges:
            if gauge.address is not None:
                other = heard.setdefault((gauge.address.casefold(), gauge.layout), gauge.name)
                if other != gauge.name:
                    raise ValueError(f"the gauges {other} and {gauge.name} have the same address, {gauge.address}")
        return self


@dataclass(frozen=True, slots=True)
class Shop:
    """A shop file with everything that it refers to, found and validated."""

    file: Path
    settings: ShopFile
    fleet: Fleet
    layouts: dict[str, GaugeLayout | None]
    """The frame layout of each gauge by the gauge's name; None where the gauge describes itself."""
    journal: Path

    @property
    def name(self) -> str:
        """The bench's name."""
        return self.settings.bench.name

    @property
    def simulated(self) -> bool:
        """Whether this is the shop's simulated twin."""
        return is_simulated(self.name)

    def as_simulated(self) -> Self:
        """The shop's simulated twin: its bench has a name and a journal of its own beside those of the real one."""
        if self.simulated:
            return self
        bench = self.settings.bench.model_copy(update={"name": simulated_bench(self.name)})
        settings = self.settings.model_copy(update={"bench": bench})
        journal = self.journal.with_name(f"{self.journal.stem}{SUFFIX}{self.journal.suffix}")
        return replace(self, settings=settings, journal=journal)

    def gauge(self, name: str) -> GaugeSettings:
        """Find a gauge by its name.

        Raises:
            SettingsError: no gauge of the shop is called so.
        """
        for gauge in self.settings.gauges:
            if gauge.name == name:
                return gauge
        known = ", ".join(gauge.name for gauge in self.settings.gauges)
        raise SettingsError(f"{self.file}: no gauge is called {name!r}; the shop has {known}.")


def data_folder() -> Path:
    """Where a user's application data goes on this system: XDG Base Directory Specification, ``XDG_DATA_HOME``.

    Raises:
        SettingsError: the user has no home folder.
    """
    named = os.environ.get("XDG_DATA_HOME")
    try:
        return (Path(named) if named else Path.home() / ".local" / "share") / "gaugelink"
    except RuntimeError as error:
        raise SettingsError("This user has no home folder: name a file for the record, journal in [bench].") from error


class Mistakes:
    """Gathers mistakes, so that all are told at once."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        """A sentence for each, the line of the file that it is about may stand below it."""

    @contextmanager
    def noted(self) -> Iterator[None]:
        """Note the mistakes that end this block, and go on after it."""
        try:
            yield
        except SettingsError as error:
            # What is indented belongs to the mistake above it.
            self.lines += re.split(r"\n(?! )", str(error))

    def as_error(self) -> SettingsError:
        """All of them as one error, a line for each."""
        return SettingsError("\n".join(dict.fromkeys(self.lines)))


def load_shop(path: Path) -> Shop:
    """Read a shop file and the files that it names; their paths are taken from the shop file's folder.

    Raises:
        SettingsError: a line for each mistake with file, key, what was found and what is allowed.
    """
    text = read_text(path, "shop file")
    folder = path.resolve().parent
    mistakes = Mistakes()
    settings: ShopFile | None = None
    with mistakes.noted():
        settings = parse_settings(ShopFile, text, str(path))
    fleet: Fleet | None = None
    layouts = {}
    if settings is not None:
        with mistakes.noted():
            fleet = _fleet(path, settings, folder)
        for gauge in settings.gauges:
            with mistakes.noted():
                layouts[gauge.name] = find_layout(gauge.layout, folder)
    if settings is None or fleet is None or mistakes.lines:
        _look_further(path, text, mistakes)
        raise mistakes.as_error()
    journal = settings.bench.journal
    place = _journal_at(folder, journal) if journal is not None else data_folder() / f"{settings.bench.name}.db"
    _look_at(path, place)
    broker = settings.broker
    if broker.password_file is not None or broker.ca_file is not None:
        broker = broker.model_copy(
            update={
                "password_file": broker.password_file and folder / broker.password_file,
                "ca_file": broker.ca_file and folder / broker.ca_file,
            }
        )
        settings = settings.model_copy(update={"broker": broker})
    return Shop(path, settings, fleet, layouts, place)


def _look_at(path: Path, journal: Path) -> None:
    """Raise SettingsError when a journal's place cannot even be looked at; whether one is there does not matter."""
    try:
        os.stat(journal)
    except (FileNotFoundError, NotADirectoryError):
        return
    except OSError as error:
        why = ", where this user may not write" if isinstance(error, PermissionError) else f": {reason(error)}"
        raise SettingsError(f"{path}: bench.journal: found {journal}{why}; give another place.") from error


def _journal_at(folder: Path, journal: Path) -> Path:
    return folder / journal.expanduser()


def named_journal(path: Path) -> Path | None:
    """Where a shop file says its journal is, whatever else is wrong in it; None when it does not say so."""
    try:
        bench = read_toml(path.read_text(encoding="utf-8"), str(path)).get("bench")
        journal = bench.get("journal") if isinstance(bench, dict) else None
        return _journal_at(path.resolve().parent, Path(journal)) if isinstance(journal, str) else None
    except (OSError, UnicodeDecodeError, SettingsError, RuntimeError):
        # `load_shop` tells that, a home folder that is not known too; there is nothing to look at.
        return None


def _look_further(path: Path, text: str, mistakes: Mistakes) -> None:
    """Look at all that a shop file with mistakes names, as far as it can be read, so that all is told together."""
    try:
        data = read_toml(text, str(path))
    except SettingsError:
        # Told already, and nothing can be read past it.
        return
    folder = path.resolve().parent
    fleet, gauges, test, own_machines = (data.get(key) for key in ("fleet", "gauges", "test", "machines"))
    file = folder / fleet if isinstance(fleet, str) else None
    named = _named_in(file, mistakes) if file is not None else _Named()
    engines = [*named.engines, *ids_named(data.get("engines"))]
    if named.fleet is not None:
        # Machines there may have engines of the shop file, which may have mistakes of their own.
        ids = dict.fromkeys(engines)
        stand_ins = [EngineRecord.model_construct(id=one, name=one, cycle=2, cylinders=()) for one in ids]
        with mistakes.noted():
            parse_fleet(named.fleet, str(file), stand_ins)
    if named.whole:
        with mistakes.noted():
            _know_engines(path, engines_named(own_machines), engines)
        machine = test.get("machine") if isinstance(test, dict) else None
        if isinstance(machine, str):
            with mistakes.noted():
                _know_machine(path, machine, [*named.machines, *ids_named(own_machines)])
    for gauge in gauges if isinstance(gauges, list) else ():
        layout = gauge.get("layout") if isinstance(gauge, dict) else None
        if isinstance(layout, str):
            with mistakes.noted():
                find_layout(layout, folder)


@dataclass(slots=True)
class _Named:
    """What a fleet file and the engine files beside it name, mistakes or not."""

    fleet: str | None = None
    """The fleet file's text, when it is TOML."""
    engines: list[str] = field(default_factory=list)
    machines: list[str] = field(default_factory=list)
    whole: bool = True
    """Whether all of them could be read: else there may be more machines and engines than these."""


def _named_in(file: Path, mistakes: Mistakes) -> _Named:
    """Look into a fleet file and the engine files beside it; note what cannot be read."""
    named = _Named(whole=False)
    read = 0
    with mistakes.noted():
        text = read_text(file, "fleet file")
        data = read_toml(text, str(file))
        named.fleet = text
        named.engines += ids_named(data.get("engine"))
        named.machines += ids_named(data.get("machine"))
    beside = _engine_files(file)
    for one in beside:
        with mistakes.noted():
            text = read_text(one, "engine file")
            named.engines += ids_named([read_toml(text, str(one))])
            read += 1
            parse_engine(text, str(one))
    named.whole = named.fleet is not None and read == len(beside)
    return named


def _know_engines(path: Path, engine_of: Mapping[str, str], known: Iterable[str]) -> None:
    unknown = unknown_engines(engine_of, known)
    if unknown:
        raise SettingsError(f"{path}: {unknown}.")


def _know_machine(path: Path, machine: str, known: Iterable[str]) -> None:
    machines = dict.fromkeys(known)
    if machine not in machines:
        listed = ", ".join(machines) or "none"
        raise SettingsError(f"{path}: test.machine: found {machine!r}; machines of the fleet: {listed}.")


def _fleet(path: Path, settings: ShopFile, folder: Path) -> Fleet:
    fleet = Fleet(machine=(), engine=())
    if settings.fleet is not None:
        file = folder / settings.fleet
        fleet = parse_fleet(read_text(file, "fleet file"), str(file), (*settings.engines, *_engines(file)))
    own = Fleet.model_construct(machine=settings.machines, engine=settings.engines)
    fleet = _joined(path, fleet, own)
    if settings.test.machine is not None:
        _know_machine(path, settings.test.machine, [record.id for record in fleet.machine])
    return fleet


def _engines(fleet_path: Path) -> list[EngineRecord]:
    """The engines that lie as files in ``engines`` beside the fleet file."""
    engines: dict[str, tuple[Path, EngineRecord]] = {}
    for path in _engine_files(fleet_path):
        engine = parse_engine(read_text(path, "engine file"), str(path))
        if engine.id in engines:
            other = engines[engine.id][0].name
            raise SettingsError(f"{path}: id: found {engine.id!r}, which {other} has too; give each engine its own.")
        engines[engine.id] = path, engine
    return [engine for _, engine in engines.values()]


def _engine_files(fleet_path: Path) -> list[Path]:
    return sorted((fleet_path.parent / "engines").glob("*.toml"))


def _joined(path: Path, first: Fleet, second: Fleet) -> Fleet:
    engines = {engine.id: engine for engine in (*first.engine, *second.engine)}
    machines = (*first.machine, *second.machine)
    for engine in second.engine:
        if [other.id for other in second.engine].count(engine.id) > 1:
            raise SettingsError(f"{path}: engines: two engines have the id {engine.id!r}.")
    for machine in machines:
        if [other.id for other in machines].count(machine.id) > 1:
            raise SettingsError(f"{path}: machines: two machines have the id {machine.id!r}.")
    _know_engines(path, {machine.id: machine.engine for machine in second.machine}, engines)
    return Fleet(machine=machines, engine=tuple(engines.values()))
