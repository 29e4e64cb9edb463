"""The fleet file: machines and their engines, as a shop writes them down. Text in, validated records out."""

from collections.abc import Iterable, Mapping, Sequence
from enum import StrEnum
from itertools import pairwise
from typing import Annotated, Any, Final, Literal, Self

from pydantic import AfterValidator, Field, field_validator, model_validator

from gaugelink.engine.air import SEA_LEVEL_KPA, standard_pressure_kpa
from gaugelink.engine.geometry import CylinderGeometry, clearance_from_ratio_cm3
from gaugelink.engine.units import PressureUnit
from gaugelink.errors import SettingsError
from gaugelink.settings import Settings, parse_settings, read_toml, validate_settings


class Layout(StrEnum):
    """How the cylinders lie, and so how they are named when the record does not name them."""

    SIDE_NAMED = "side_named"
    """By side of the crankshaft: PTO (power take-off), middle, MAG (magneto)."""
    INLINE_FRONT = "inline_front"
    """Numbered from the front."""
    INLINE_TOP = "inline_top"
    """Numbered from the top."""
    TWO_BANKS = "two_banks"
    """Two banks, left and right, each numbered from its front."""
    LISTED = "listed"
    """The record names each cylinder."""


class Counter(StrEnum):
    """What the machine counts its use in."""

    HOURS = "h"
    KILOMETRES = "km"
    MILES = "mi"


class CrankedBy(StrEnum):
    """What turns the crank."""

    CORD = "cord"
    STARTER = "starter"


def _plain_name(name: str) -> str:
    if not name.strip() or name != name.strip() or any(character in name for character in "/+#\n\t"):
        raise ValueError(f"found {name!r}; a name is not empty, has no spaces around it and none of / + # in it")
    return name


Name = Annotated[str, Field(max_length=64), AfterValidator(_plain_name)]


class CylinderRecord(Settings):
    """One cylinder. Only its name is needed; the rest is where it differs from the engine."""

    name: Name
    """What the mechanic calls it."""
    bank: str | None = None
    """Cylinders of one bank share a head; the first and the last of two banks are no neighbours."""
    bore_mm: float | None = Field(default=None, gt=20, lt=400)
    """Bore where it is oversize."""
    clearance_cm3: float | None = Field(default=None, gt=0, lt=2000)
    """Chamber volume at top dead centre, measured."""


# No maker's range begins or ends outside of this; a figure in another unit than is said does. From memory.
BAND_KPA: Final = (200.0, 4000.0)


USUAL_CLOSING_DEG_BTDC: Final = {2: 90.0, 4: 130.0}
"""Where the last port or valve closes, by cycle, in a record that does not say: an exhaust port that is open for 180
degrees, an inlet valve that closes 50 after bottom dead centre. From memory: 165 to 200, and 30 to 70."""


class BandRecord(Settings):
    """The range that the engine's maker accepts, and the conditions it is stated for."""

    low: float = Field(gt=0)
    high: float | None = Field(default=None, gt=0)
    unit: PressureUnit = PressureUnit.KPA
    altitude_m: float | None = Field(default=None, ge=-500, le=6000)
    """Altitude that the range is stated for; sea level when nothing is said."""
    ambient_abs_kpa: float | None = Field(default=None, gt=40, lt=120)
    """Or the ambient pressure that it is stated for."""
    warm: bool | None = None
    """True for a warm engine, False for a cold one, absent when the manual does not say."""
    source: str = ""
    """Where it stands: manual, page."""

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.high == self.low:
            raise ValueError(
                f"the upper end {self.high:g} is the lower end too; where a manual states one pressure, "
                f"write low alone: low = {self.low:g}"
            )
        if self.high is not None and self.high < self.low:
            raise ValueError(f"the upper end {self.high:g} is not above the lower end {self.low:g}")
        if self.altitude_m is not None and self.ambient_abs_kpa is not None:
            raise ValueError("give altitude_m or ambient_abs_kpa, not both")
        for end in (self.low, self.high):
            if end is not None and not BAND_KPA[0] <= self.unit.to_kpa(end) <= BAND_KPA[1]:
                known = ", ".join(unit.value for unit in PressureUnit)
                raise ValueError(
                    f"{end:g} {self.unit.value} is no cranking pressure; is the unit right? Known units: {known}"
                )
        return self

    @property
    def low_kpa(self) -> float:
        """Lower end, gauge pressure, at the stated conditions."""
        return self.unit.to_kpa(self.low)

    @property
    def high_kpa(self) -> float | None:
        """Upper end, gauge pressure, at the stated conditions."""
        return None if self.high is None else self.unit.to_kpa(self.high)

    @property
    def reference_abs_kpa(self) -> float:
        """Ambient pressure that the range is stated for."""
        if self.ambient_abs_kpa is not None:
            return self.ambient_abs_kpa
        return SEA_LEVEL_KPA if self.altitude_m is None else standard_pressure_kpa(self.altitude_m)


class EngineRecord(Settings):
    """One kind of engine."""

    id: Name
    name: str
    """Shown to people."""
    cycle: Literal[2, 4]
    """Strokes of the working cycle."""
    layout: Layout = Layout.LISTED
    cylinders: tuple[CylinderRecord, ...] = Field(min_length=1, max_length=24)
    """In physical order. In the file: a count, a list of names, or a list of tables."""
    bore_mm: float | None = Field(default=None, gt=20, lt=400)
    stroke_mm: float | None = Field(default=None, gt=20, lt=500)
    rod_mm: float | None = Field(default=None, gt=30, lt=1200)
    """Connecting-rod length; twice the stroke is taken when it is not known."""
    compression_ratio_geometric: float | None = Field(default=None, gt=2, lt=30)
    """Full stroke over the chamber."""
    compression_ratio_trapped: float | None = Field(default=None, gt=2, lt=30)
    """From port closing or valve closing."""
    exhaust_duration_deg: float | None = Field(default=None, gt=100, lt=240)
    """Two-stroke: crank degrees for which the exhaust port is open, half of them on each side of bottom dead centre."""
    intake_closes_deg_abdc: float | None = Field(default=None, gt=-60, lt=120)
    """Four-stroke: crank degrees after bottom dead centre at which the intake valve closes."""
    cranking_rpm: float | None = Field(default=None, gt=20, lt=2000)
    """Cranking speed of a healthy machine."""
    band: BandRecord | None = None
    lowest_percent: float | None = Field(default=None, gt=30, lt=100)
    """Lowest cylinder over highest, in percent, that this engine's maker accepts; the shop's rule when absent."""
    notes: str = ""

    @model_validator(mode="before")
    @classmethod
    def _name_cylinders(cls, data: Any) -> Any:
        if not isinstance(data, Mapping):
            return data
        given = data.get("cylinders")
        if isinstance(given, int) and not isinstance(given, bool):
            layout = data.get("layout", Layout.LISTED)
            if layout not in list(Layout):
                # The layout's own mistake is told; what the cylinders would be called is of no matter then.
                layout, given = Layout.INLINE_FRONT, min(max(given, 1), 24)
            named = preset_names(Layout(layout), given)
            return {**data, "cylinders": [{"name": name, "bank": bank} for name, bank in named]}
        if isinstance(given, list | tuple):
            return {**data, "cylinders": [{"name": item} if isinstance(item, str) else item for item in given]}
        return data

    @field_validator("cylinders")
    @classmethod
    def _no_twins(cls, cylinders: tuple[CylinderRecord, ...]) -> tuple[CylinderRecord, ...]:
        names = [cylinder.name.casefold() for cylinder in cylinders]
        for name in names:
            if names.count(name) > 1:
                raise ValueError(f"two cylinders are named {name!r}")
        return cylinders

    @model_validator(mode="after")
    def _hangs_together(self) -> Self:
        if self.cycle == 2 and self.intake_closes_deg_abdc is not None:
            raise ValueError("intake_closes_deg_abdc belongs to a four-stroke; give exhaust_duration_deg")
        if self.cycle == 4 and self.exhaust_duration_deg is not None:
            raise ValueError("exhaust_duration_deg belongs to a two-stroke; give intake_closes_deg_abdc")
        geometric, trapped = self.compression_ratio_geometric, self.compression_ratio_trapped
        if geometric is not None and trapped is not None and trapped > geometric:
            raise ValueError(f"the trapped ratio {trapped:g} cannot be above the geometric ratio {geometric:g}")
        if self.rod_mm is not None and self.stroke_mm is not None and self.rod_mm <= self.stroke_mm / 2:
            raise ValueError(f"a rod of {self.rod_mm:g} mm is too short for a stroke of {self.stroke_mm:g} mm")
        return self

    @property
    def cylinder_names(self) -> tuple[str, ...]:
        """Names in physical order."""
        return tuple(cylinder.name for cylinder in self.cylinders)

    def cylinder(self, name: str) -> CylinderRecord:
        """Find a cylinder by its name, upper and lower case alike. Raises SettingsError when there is none."""
        for cylinder in self.cylinders:
            if cylinder.name.casefold() == name.casefold():
                return cylinder
        raise SettingsError(f"{self.name} has no cylinder {name!r}; it has {', '.join(self.cylinder_names)}.")

    def neighbours(self) -> tuple[tuple[str, str], ...]:
        """Pairs of cylinders that lie side by side under one head."""
        return tuple((a.name, b.name) for a, b in pairwise(self.cylinders) if a.bank == b.bank)

    def geometry(self, cylinder: str) -> CylinderGeometry | None:
        """Dimensions of a cylinder, or None when the record has too little for an estimate.

        An oversize bore keeps the chamber of the standard bore: boring out does not reshape the head.
        """
        record = self.cylinder(cylinder)
        if self.bore_mm is None or self.stroke_mm is None:
            return None
        rod = self.rod_mm if self.rod_mm is not None else 2.0 * self.stroke_mm
        bore = record.bore_mm if record.bore_mm is not None else self.bore_mm
        closing = self._closing_deg_btdc()
        trapped, geometric = self.compression_ratio_trapped, self.compression_ratio_geometric
        if record.clearance_cm3 is not None:
            clearance = record.clearance_cm3
        elif trapped is not None and closing is not None:
            standard = CylinderGeometry(self.bore_mm, self.stroke_mm, rod, 1.0, closing)
            clearance = standard.swept_above_cm3(closing) / (trapped - 1.0)
        elif geometric is not None:
            clearance = clearance_from_ratio_cm3(self.bore_mm, self.stroke_mm, geometric)
        elif trapped is not None:
            # No port closes at bottom dead centre: a chamber from the whole stroke would be too large by half, and what
            # an adapter or oil does to it too little.
            closing = USUAL_CLOSING_DEG_BTDC[self.cycle]
            usual = CylinderGeometry(self.bore_mm, self.stroke_mm, rod, 1.0, closing)
            clearance = usual.swept_above_cm3(closing) / (trapped - 1.0)
        else:
            return None
        if closing is None:
            return None
        return CylinderGeometry(bore, self.stroke_mm, rod, clearance, closing)

    def _closing_deg_btdc(self) -> float | None:
        if self.exhaust_duration_deg is not None:
            return 180.0 - self.exhaust_duration_deg / 2.0
        if self.intake_closes_deg_abdc is not None:
            return 180.0 - self.intake_closes_deg_abdc
        return None


class MachineRecord(Settings):
    """One machine of the fleet."""

    id: Name
    name: str
    """Shown to people."""
    engine: Name
    """Id of its engine."""
    counter: Counter = Counter.HOURS
    """Unit of its odometer or hour meter."""
    altitude_m: float | None = Field(default=None, ge=-500, le=6000)
    """Where it is usually tested."""
    cranked_by: CrankedBy | None = None
    """What turns its crank; what the shop file says when absent."""
    notes: str = ""


class Fleet(Settings):
    """All machines of a shop, and their engines."""

    machine: tuple[MachineRecord, ...] = ()
    engine: tuple[EngineRecord, ...] = ()

    @model_validator(mode="after")
    def _hangs_together(self) -> Self:
        for what, ids in (("machines", [m.id for m in self.machine]), ("engines", [e.id for e in self.engine])):
            for identity in ids:
                if ids.count(identity) > 1:
                    raise ValueError(f"two {what} have the id {identity!r}")
        unknown = unknown_engines({m.id: m.engine for m in self.machine}, [engine.id for engine in self.engine])
        if unknown:
            raise ValueError(unknown)
        return self

    def find(self, machine_id: str) -> MachineRecord:
        """Find a machine by its id. Raises SettingsError when there is none."""
        for machine in self.machine:
            if machine.id == machine_id:
                return machine
        listed = ", ".join(machine.id for machine in self.machine) or "none"
        raise SettingsError(f"The fleet has no machine {machine_id!r}; it has {listed}.")

    def engine_of(self, machine_id: str) -> EngineRecord:
        """Engine of a machine. Raises SettingsError when the machine is unknown."""
        machine = self.find(machine_id)
        return next(engine for engine in self.engine if engine.id == machine.engine)


def unknown_engines(engine_of: Mapping[str, str], known: Iterable[str]) -> str:
    """Say which machines have an engine that nobody wrote down; empty when none has. `engine_of` is by machine."""
    engines = set(known)
    wrong = [f"{name!r} has the engine {engine!r}" for name, engine in engine_of.items() if engine not in engines]
    return f"machine {', '.join(wrong)}; known engines: {', '.join(sorted(engines)) or 'none'}" if wrong else ""


def engines_named(machines: object) -> dict[str, str]:
    """The engine of each machine in tables that were read but may have mistakes; those without are left out."""
    return {
        one["id"]: one["engine"]
        for one in (machines if isinstance(machines, list | tuple) else ())
        if isinstance(one, dict) and isinstance(one.get("id"), str) and isinstance(one.get("engine"), str)
    }


def ids_named(tables: object) -> list[str]:
    """The ids in tables that were read but may have mistakes."""
    return [
        one["id"]
        for one in (tables if isinstance(tables, list | tuple) else ())
        if isinstance(one, dict) and isinstance(one.get("id"), str)
    ]


def preset_names(layout: Layout, count: int) -> tuple[tuple[str, str | None], ...]:
    """Names and banks of a layout's cylinders in physical order. Raises ValueError when the layout has no preset."""
    sides = {1: ("single",), 2: ("PTO", "MAG"), 3: ("PTO", "middle", "MAG")}
    if layout is Layout.SIDE_NAMED and count in sides:
        return tuple((name, None) for name in sides[count])
    if layout in (Layout.INLINE_FRONT, Layout.INLINE_TOP) and 1 <= count <= 24:
        return tuple((str(number), None) for number in range(1, count + 1))
    if layout is Layout.TWO_BANKS and 2 <= count <= 24 and count % 2 == 0:
        banks = (("L", "left"), ("R", "right"))
        return tuple((f"{letter}{n}", bank) for letter, bank in banks for n in range(1, count // 2 + 1))
    raise ValueError(f"layout {layout.value!r} has no names for {count} cylinders; list the names in cylinders")


def parse_engine(text: str, file: str) -> EngineRecord:
    """Read one engine from TOML text. Raises SettingsError with one line for each mistake, which begin with `file`."""
    return parse_settings(EngineRecord, text, file)


def parse_fleet(text: str, file: str, engines: Sequence[EngineRecord] = ()) -> Fleet:
    """Read a fleet from TOML text: tables ``[[machine]]`` and ``[[engine]]``.

    `engines` are engines from other files that machines may refer to; the fleet file's own go first. Raises
    SettingsError with one line for each mistake, which begin with `file`.
    """
    data = read_toml(text, file)
    own = data.get("engine", [])
    taken = set(ids_named(own))
    if isinstance(own, list):
        data["engine"] = [*own, *(engine for engine in engines if engine.id not in taken)]
    try:
        return validate_settings(Fleet, data, file)
    except SettingsError as error:
        # The engines of machines are looked at where all else is right; here they are told with the other mistakes.
        unknown = unknown_engines(engines_named(data.get("machine")), [*taken, *(engine.id for engine in engines)])
        if not unknown or "known engines:" in str(error):
            raise
        raise SettingsError(f"{error}\n{file}: {unknown}.") from error
