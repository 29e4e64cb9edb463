"""A shop's notebook: hand-written readings in a CSV file, read whole or refused with every mistake by its line.

Two shapes are read. Tidy: one reading a line, in the columns ``date, machine, cylinder, pressure``. Wide: one test a
line, in the columns ``date, machine`` and one for each cylinder, named as in the fleet. Either may have
``unit, wet, counter, altitude_m, ambient_abs_kpa, gauge, job, note``. A line with a job and no pressure is a job.
"""

import csv
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from statistics import median
from typing import Final

from gaugelink.engine.air import (
    SHOP_AMBIENT_KPA,
    SHOP_M,
    Ambient,
    ambient_at_altitude,
    ambient_from_barometer,
    assumed_ambient,
)
from gaugelink.engine.fleet import EngineRecord, Fleet, MachineRecord
from gaugelink.engine.units import PressureUnit
from gaugelink.errors import SettingsError
from gaugelink.report.notebook_commas import POINTED, QUOTED, Commas, joined, no_fraction
from gaugelink.tables import Dialect, named, table_of

# Standard uncertainty of a dial that was read by eye, as a fraction. From memory.
DIAL_U_FRACTION: Final = 0.015
# A cranking pressure is hardly ever outside of this; a whole notebook never is. From memory.
PLAUSIBLE_KPA: Final = (300.0, 2500.0)
HIGHEST_KPA: Final = 4000.0
KNOWN: Final = ("unit", "wet", "counter", "altitude_m", "ambient_abs_kpa", "gauge", "job", "note")
# Nobody kept a notebook of such engines before: an earlier year is a slip of the pen.
FIRST_DAY: Final = date(1900, 1, 1)
YES: Final = ("yes", "y", "true", "1", "wet")
NO: Final = ("", "no", "n", "false", "0", "dry")


@dataclass(frozen=True, slots=True)
class NotebookTest:
    """One test out of the notebook."""

    machine: str
    """Id of the machine."""
    on: date
    wet: bool
    readings: tuple[tuple[str, float], ...]
    """Cylinder and gauge pressure in kPa, repeats one after the other."""
    ambient: Ambient
    lines: tuple[int, ...]
    """Lines of the file that it comes from."""
    counter: float | None = None
    gauge: str = ""
    note: str = ""
    air_noted: bool = False
    """Whether the notebook itself says what air it was; else `ambient` is that of the machine's place, or assumed."""


@dataclass(frozen=True, slots=True)
class NotebookJob:
    """One job out of the notebook."""

    machine: str
    on: date
    job: str
    cylinders: tuple[str, ...]
    """Empty for the whole engine."""
    line: int
    counter: float | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Notebook:
    """All of a notebook."""

    tests: tuple[NotebookTest, ...]
    jobs: tuple[NotebookJob, ...]


def parse_notebook(
    text: str, file: str, fleet: Fleet, unit: PressureUnit | None = None, last_day: date = date.max
) -> Notebook:
    """Read a notebook.

    `unit` is what its pressures are in where a line does not say; no date may be after `last_day`. Commas, semicolons
    and tabs part the columns; with semicolons and tabs a decimal comma is a decimal point. With commas a row that can
    be read with decimal commas as well is a mistake.

    Raises SettingsError, which has one line for every mistake with file and line; nothing is read then.
    """
    return _Reader(file, fleet, unit, last_day).read(text)


def _same(name: str) -> str:
    """A name as it is compared: some programs write an umlaut as a letter and a mark (Unicode UAX 15), and the case
    says nothing."""
    return unicodedata.normalize("NFC", name).casefold()


class _Reader:
    def __init__(self, file: str, fleet: Fleet, unit: PressureUnit | None, last_day: date) -> None:
        self.file, self.fleet, self.unit, self.last_day = file, fleet, unit, last_day
        self.mistakes: list[str] = []
        self.tests: dict[tuple[str, date, bool], NotebookTest] = {}
        self.jobs: list[NotebookJob] = []
        self.dialect = Dialect(",")
        self.top = 1
        self.cylinder_columns: tuple[str, ...] = ()
        self.commas = Commas(0)

    def read(self, text: str) -> Notebook:
        table = table_of(unicodedata.normalize("NFC", text.removeprefix("\ufeff")))
        self.dialect, self.top = table.dialect, table.above + 1
        reader = csv.reader(table.lines, delimiter=self.dialect.delimiter, strict=True)
        try:
            names = [name.strip() for name in next(reader, [])]
            header, self.commas = named(names), Commas(len(names))
            if self._columns(header):
                for cells in reader:
                    if any(cell.strip() for cell in cells):
                        self._line(header, cells, table.above + reader.line_num)
                        if not QUOTED.search(table.lines[reader.line_num - 1]):
                            self._look_for_commas(header, cells, table.above + reader.line_num)
            for line, why in self.commas.unsettled():
                self._mistake(line, why)
        except csv.Error as error:
            self._mistake(table.above + reader.line_num, f"this is not CSV: {error}")
        if not self.mistakes:
            self._units_are_plausible()
        if not self.mistakes and not self.tests and not self.jobs:
            self._mistake(self.top, "there is no reading and no job in it")
        if self.mistakes:
            raise SettingsError("\n".join(self.mistakes))
        return Notebook(tuple(self.tests.values()), tuple(self.jobs))

    def _mistake(self, line: int, text: str) -> None:
        self.mistakes.append(f"{self.file}, line {line}: {text}.")

    def _columns(self, header: Sequence[str]) -> bool:
        lower = [name.casefold() for name in header]
        for name in ("date", "machine"):
            if name not in lower:
                self._mistake(self.top, f"the column {name!r} is missing; found {', '.join(header) or 'nothing'}")
        for name in set(lower):
            if lower.count(name) > 1:
                self._mistake(self.top, f"the column {name!r} is there twice")
        tidy = "cylinder" in lower
        if tidy and "pressure" not in lower:
            self._mistake(self.top, "there is a column 'cylinder' but none for 'pressure'")
        expected = {"date", "machine", *KNOWN, *(("cylinder", "pressure") if tidy else ())}
        rest = [name for name in header if name.casefold() not in expected]
        names = {_same(cylinder) for engine in self.fleet.engine for cylinder in engine.cylinder_names}
        for name in rest:
            if tidy or name.casefold() not in names:
                allowed = ", ".join(("date", "machine", "cylinder", "pressure", *KNOWN))
                self._mistake(self.top, f"the column {name!r} is neither a cylinder of the fleet nor one of {allowed}")
        self.cylinder_columns = () if tidy else tuple(rest)
        if not tidy and not rest and "job" not in lower:
            self._mistake(self.top, "there is neither a column 'cylinder' nor one named after a cylinder")
        return not self.mistakes

    def _line(self, header: Sequence[str], cells: Sequence[str], line: int) -> None:
        surplus = self.dialect.surplus(header, cells)
        if surplus is not None:
            self._mistake(line, surplus)
            return
        row = {name.casefold(): cell.strip() for name, cell in zip(header, cells, strict=False)}
        before = len(self.mistakes)
        machine, on = self._machine(row, line), self._date(row, line)
        counter = self._number(row, "counter", line, 0.0, 1e7)
        wet = self._yes(row, "wet", line)
        if machine is None or on is None or wet is None:
            return
        engine = self.fleet.engine_of(machine.id)
        ambient = self._ambient(row, machine, line)
        readings = self._readings(row, engine, line)
        cylinder = self._cylinder(row["cylinder"], engine, line) if row.get("cylinder") else None
        if len(self.mistakes) > before or ambient is None:
            return
        job = row.get("job", "")
        if job:
            named = (cylinder,) if cylinder is not None else ()
            self.jobs.append(NotebookJob(machine.id, on, job, named, line, counter, row.get("note", "")))
        if readings:
            key = (machine.id, on, wet)
            known = self.tests.get(key)
            air_noted = bool(row.get("altitude_m") or row.get("ambient_abs_kpa"))
            if known and not air_noted:
                ambient, air_noted = known.ambient, known.air_noted
            readings = [(self._cylinder(name, engine, line) or name, kpa) for name, kpa in readings]
            self.tests[key] = NotebookTest(
                machine.id,
                on,
                wet,
                (*(known.readings if known else ()), *readings),
                ambient,
                (*(known.lines if known else ()), line),
                counter if counter is not None else (known.counter if known else None),
                row.get("gauge", "") or (known.gauge if known else ""),
                row.get("note", "") or (known.note if known else ""),
                air_noted,
            )
        elif not job:
            self._mistake(line, "there is neither a pressure nor a job")

    def _look_for_commas(self, header: Sequence[str], cells: Sequence[str], line: int) -> None:
        """Note whether a row could be read with decimal commas as well, or shows that there are none."""
        lower = [name.casefold() for name in header]
        row = {name: cell.strip() for name, cell in zip(lower, cells, strict=False)}
        found = self._found(row.get("machine", ""))
        if self.dialect.decimal_comma or len(found) != 1 or self.dialect.surplus(header, cells) is not None:
            return
        own = {name.casefold() for name in self.fleet.engine_of(found[0].id).cylinder_names}
        columns = [name.casefold() for name in self.cylinder_columns] or ["pressure"]
        places = [lower.index(name) for name in columns if name in own or (name == "pressure" and name in lower)]
        count, said = len(named(cells)), _unit_named(row.get("unit", ""))
        self.commas.pointed |= any(POINTED.fullmatch(row.get(name, "")) is not None for name in columns)
        if said is not None and lower.index("unit") > max(places, default=0):
            # With decimal commas before it, it would stand further back.
            return
        unit = said or self.unit
        if unit is not None and no_fraction(cells, places, unit.fine_decimals):
            self.commas.whole.add(count)
            return
        for other, (whole, fraction) in joined(lower, cells, places, self.commas.width):
            reader = _Reader(self.file, self.fleet, self.unit, self.last_day)
            reader.cylinder_columns = self.cylinder_columns
            reader._line(header, other, line)
            unit = _unit_named(dict(zip(lower, other, strict=False)).get("unit", "")) or self.unit
            read = [kpa for test in reader.tests.values() for _, kpa in test.readings]
            if reader.mistakes or not read or unit is None or len(fraction) > unit.fine_decimals:
                continue
            if max(read) >= PLAUSIBLE_KPA[0]:
                self.commas.doubt(line, count, whole, fraction)
                return

    def _found(self, name: str) -> list[MachineRecord]:
        """The machine of this id, else all of this name."""
        by_id = [machine for machine in self.fleet.machine if _same(machine.id) == _same(name)]
        return by_id or [machine for machine in self.fleet.machine if _same(machine.name) == _same(name)]

    def _machine(self, row: Mapping[str, str], line: int) -> MachineRecord | None:
        name = row.get("machine", "")
        found = self._found(name)
        if len(found) == 1:
            return found[0]
        if found:
            ids = ", ".join(machine.id for machine in found)
            self._mistake(line, f"more than one machine is called {name!r}; write which it was: {ids}")
            return None
        listed = ", ".join(machine.id for machine in self.fleet.machine) or "none"
        self._mistake(line, f"the fleet has no machine {name!r}; it has {listed}")
        return None

    def _date(self, row: Mapping[str, str], line: int) -> date | None:
        try:
            on = date.fromisoformat(row.get("date", ""))
        except ValueError:
            self._mistake(line, f"{row.get('date', '')!r} is not a date; write year-month-day, as 2024-03-09")
            return None
        if FIRST_DAY <= on <= self.last_day:
            return on
        why = "is still to come" if on > self.last_day else f"is before {FIRST_DAY.year}"
        self._mistake(line, f"the date {on} {why}; write the day on which it was done, as 2024-03-09")
        return None

    def _unit(self, row: Mapping[str, str], line: int) -> PressureUnit | None:
        word = row.get("unit", "")
        if not word:
            if self.unit is None:
                self._mistake(line, "no unit; give the notebook's unit, as --unit psi, or a column 'unit'")
            return self.unit
        unit = _unit_named(word)
        if unit is not None:
            return unit
        self._mistake(line, f"{word!r} is not a unit; use {', '.join(unit.value for unit in PressureUnit)}")
        return None

    def _yes(self, row: Mapping[str, str], name: str, line: int) -> bool | None:
        word = row.get(name, "").casefold()
        if word in YES or word in NO:
            return word in YES
        self._mistake(line, f"{name} is {word!r}; write yes or no")
        return None

    def _number(
        self, row: Mapping[str, str], name: str, line: int, low: float, high: float, unit: str = ""
    ) -> float | None:
        text = row.get(name, "")
        if not text:
            return None
        try:
            value = self.dialect.number(text)
        except ValueError:
            self._mistake(line, f"{name} is {text!r}, which is not a number")
            return None
        if not low <= value <= high:
            asked = f" {unit}; is the unit right?" if unit else ""
            self._mistake(line, f"{name} is {text}, outside {low:g} to {high:.4g}{asked}")
            return None
        thousands = self.dialect.in_thousands(text)
        if thousands is not None and thousands <= high:
            self._mistake(line, f"{name} is {text}, which may be {thousands:g} or {value:g}; write it as one of them")
            return None
        return value

    def _ambient(self, row: Mapping[str, str], machine: MachineRecord, line: int) -> Ambient | None:
        before = len(self.mistakes)
        altitude_m = self._number(row, "altitude_m", line, *SHOP_M)
        ambient_kpa = self._number(row, "ambient_abs_kpa", line, *SHOP_AMBIENT_KPA)
        if len(self.mistakes) > before:
            return None
        if ambient_kpa is not None:
            return ambient_from_barometer(ambient_kpa)
        altitude_m = machine.altitude_m if altitude_m is None else altitude_m
        return assumed_ambient() if altitude_m is None else ambient_at_altitude(altitude_m)

    def _cylinder(self, name: str, engine: EngineRecord, line: int) -> str | None:
        for known in engine.cylinder_names:
            if _same(known) == _same(name):
                return known
        self._mistake(line, f"{engine.name} has no cylinder {name!r}; it has {', '.join(engine.cylinder_names)}")
        return None

    def _readings(self, row: Mapping[str, str], engine: EngineRecord, line: int) -> list[tuple[str, float]]:
        if self.cylinder_columns:
            cells = [(name, row.get(name.casefold(), "")) for name in self.cylinder_columns]
        else:
            cells = [(row.get("cylinder", ""), row.get("pressure", ""))]
        cells = [(name, cell) for name, cell in cells if cell]
        unit = self._unit(row, line) if cells else None
        if unit is None:
            return []
        readings = []
        for name, cell in cells:
            # In a tidy file the line's own cylinder is checked once, by whoever asks for it.
            cylinder = self._cylinder(name, engine, line) if self.cylinder_columns or not name else name
            value = self._number({name: cell}, name, line, 0.0, unit.from_kpa(HIGHEST_KPA), unit.value)
            if cylinder is not None and value is not None:
                readings.append((cylinder, unit.to_kpa(value)))
        return readings

    def _units_are_plausible(self) -> None:
        values = [kpa for test in self.tests.values() for _, kpa in test.readings if kpa > 0]
        if not values or PLAUSIBLE_KPA[0] <= median(values) <= PLAUSIBLE_KPA[1]:
            return
        line = min(line for test in self.tests.values() for line in test.lines)
        known = ", ".join(unit.value for unit in PressureUnit)
        found = f"most pressures would be about {median(values):.0f} kPa, which is no cranking pressure"
        self._mistake(line, f"{found}; is the unit right? Known units: {known}")


def _unit_named(word: str) -> PressureUnit | None:
    """The unit of this name in large or small letters."""
    return next((unit for unit in PressureUnit if unit.value.casefold() == word.casefold()), None)
