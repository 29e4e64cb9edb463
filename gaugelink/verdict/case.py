"""One test laid out for the rules: readings in physical order, which of them can be trusted, and the limits."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from math import hypot
from typing import Final

import numpy as np

from gaugelink.bench.agree import SHORT_OF_THE_TOP
from gaugelink.bench.repeats import Scatter, agree_with_highest, expanded_kpa, grown_scatter
from gaugelink.engine.fleet import EngineRecord
from gaugelink.engine.geometry import LOSS_U_SHARE, polytropic_exponent
from gaugelink.engine.units import PressureUnit
from gaugelink.errors import SettingsError
from gaugelink.peak.events import Flag
from gaugelink.verdict.difference import (
    Difference,
    ReadingValue,
    difference,
    distance,
    telling_pulls,
    u_of_cranking_kpa,
    u_of_one_kpa,
)
from gaugelink.verdict.findings import FLAG_TABLE, Conditions, Rules, Severity

AT_LEAST_FLAGS = frozenset({Flag.STILL_RISING, Flag.FEW_STROKES, Flag.OVER_RANGE})
"""The true pressure is what the reading shows, or more."""
NO_PRESSURE_KPA: Final = 100.0
"""A cylinder that was cranked and holds anything shows more. From memory."""
USUAL_RATIO: Final = 6.5
"""Trapped compression ratio where the record has no dimensions. From memory."""


@dataclass(frozen=True)
class Case:
    """What every rule looks at."""

    engine: EngineRecord
    readings: Mapping[str, ReadingValue]
    """By cylinder, in physical order."""
    conditions: Conditions
    rules: Rules
    unit: PressureUnit
    too_high: frozenset[str] = frozenset()
    """Cylinders that read more than a sound one does: others are not low for being below them."""

    @cached_property
    def doubtful(self) -> frozenset[str]:
        """Cylinders whose reading is to be taken again."""
        if self.no_pressure:
            return frozenset(self.readings)
        return frozenset(
            name
            for name, reading in self.readings.items()
            if any(FLAG_TABLE[flag][0] is Severity.RETEST for flag in reading.flags) or self.unagreed(reading)
        )

    @cached_property
    def scatter(self) -> Scatter:
        """Scatter of cranking, as the pulls on all cylinders of the test tell it together."""
        readings = self.readings.values()
        return grown_scatter(
            lambda share: [telling_pulls(one.peak_kpa, one.pulls, one.repeats, share) for one in readings],
            self.rules.repeatability_fraction,
        )

    @cached_property
    def no_pressure(self) -> bool:
        """Whether no cylinder of the test shows any pressure: that is hardly ever the engine."""
        return bool(self.readings) and self.highest.peak_kpa < NO_PRESSURE_KPA

    @cached_property
    def highest(self) -> ReadingValue:
        """Highest reading of the test."""
        return max(self.readings.values(), key=lambda reading: reading.peak_kpa)

    @cached_property
    def lowest(self) -> ReadingValue:
        """Lowest reading of the test; of equal ones the last, so that it is not the highest as well."""
        return min(reversed([*self.readings.values()]), key=lambda reading: reading.peak_kpa)

    @property
    def lowest_percent(self) -> float:
        """Limit of lowest over highest: the maker's where the record has it, else the shop's rule."""
        return lowest_percent(self.engine, self.rules)

    @property
    def watch_percent(self) -> float:
        """Lowest over highest below which a real difference is worth watching; never below the limit itself."""
        two = self.engine.cycle == 2
        watch = self.rules.two_stroke_watch_percent if two else self.rules.four_stroke_watch_percent
        return max(watch, self.lowest_percent)

    @property
    def cranking_rpm(self) -> float:
        """Cranking speed for an estimate."""
        return cranking_rpm_of([reading.cranking_rpm for reading in self.readings.values()], self.engine)

    @property
    def slow_below_rpm(self) -> float:
        """Cranking speed below which cranking is slow: a share of the record's, else the shop's figure."""
        if self.engine.cranking_rpm is not None:
            return self.engine.cranking_rpm * self.rules.slow_cranking_fraction
        return self.rules.two_stroke_slow_rpm if self.engine.cycle == 2 else self.rules.four_stroke_slow_rpm

    def is_slow(self, reading: ReadingValue) -> bool:
        """Whether a cylinder was cranked slowly."""
        return reading.cranking_rpm is not None and reading.cranking_rpm < self.slow_below_rpm

    def share_by_cranking(self, reading: ReadingValue, at_rpm: float | None) -> float:
        """What slower cranking alone leaves of the pressure that the cylinder would have at a speed, 0 to 1.

        The closed form of the estimate from geometry at the two speeds. How much a slower turn loses is in doubt by
        `LOSS_U_SHARE`; that counts for the cylinder.
        """
        if reading.cranking_rpm is None or at_rpm is None or reading.cranking_rpm >= at_rpm:
            return 1.0
        geometry = self.engine.geometry(reading.cylinder)
        ratio = USUAL_RATIO if geometry is None else geometry.ratio(self.conditions.adapter_cm3)
        there, _ = polytropic_exponent(at_rpm)
        less = (1.0 + LOSS_U_SHARE) * (there - polytropic_exponent(reading.cranking_rpm)[0])
        return float((ratio ** (there - less) - 1.0) / (ratio**there - 1.0))

    def unevenly_cranked(self, high: ReadingValue, low: ReadingValue) -> bool:
        """Whether `low` was cranked so much slower than `high` that they compare badly."""
        if high.cranking_rpm is None or low.cranking_rpm is None:
            return False
        return low.cranking_rpm < (1.0 - self.rules.uneven_cranking_percent / 100.0) * high.cranking_rpm

    def floor_kpa(self, high: ReadingValue, low: ReadingValue) -> tuple[float, float]:
        """The limit that `high` sets, and the expanded uncertainty of the distance of `low` from it."""
        share = self.lowest_percent / 100.0
        return share * high.peak_kpa, distance((share, high), (-1.0, low), self.scatter).u_kpa

    def is_below_limit(self, high: ReadingValue, low: ReadingValue) -> bool:
        """Whether `low` is below the limit that `high` sets by more than the readings' uncertainty, and lower than
        alike cylinders could be."""
        floor, u_kpa = self.floor_kpa(high, low)
        return low.peak_kpa < floor - u_kpa and self.apart(high, low).is_real

    def cannot_tell(self, high: ReadingValue, low: ReadingValue) -> bool:
        """Whether `low` is so far below `high` that it would be worth watching, and yet alike cylinders could be as
        far apart, by how the pulls scatter: neither good nor bad is shown."""
        return low.peak_kpa < self.watch_percent / 100.0 * high.peak_kpa and not self.apart(high, low).is_real

    def excused_by_cranking(self, high: ReadingValue, low: ReadingValue) -> bool:
        """Whether uneven cranking by itself may put `low` as far below `high` as it is."""
        if not self.unevenly_cranked(high, low):
            return False
        floor, u_kpa = self.floor_kpa(high, low)
        return low.peak_kpa >= floor * self.share_by_cranking(low, high.cranking_rpm) - u_kpa

    def unagreed(self, reading: ReadingValue) -> bool:
        """Whether a cylinder's pulls are not one reading: what the bench found, else by the bench's own rule."""
        if reading.agreed is not None:
            return not reading.agreed
        if len(reading.counted) < 2 or reading.peak_kpa <= 0:
            return False
        return not agree_with_highest(reading.counted, self.rules.repeats_percent / 100.0)

    def firm(self, *cylinders: str) -> bool:
        """Whether none of these cylinders has a doubtful reading."""
        return not self.doubtful.intersection(cylinders)

    def firm_gap(self, high: ReadingValue, low: ReadingValue) -> bool:
        """Whether `low` is lower than `high` at the least by what they show.

        A reading cut short or past the gauge's range is at least what it shows, so on the high side it does no harm.
        One that is higher than a sound cylinder's does, and so does cranking that was slower for `low`.
        """
        if high.cylinder in self.too_high or self.excused_by_cranking(high, low):
            return False
        asking = {flag for flag in high.flags if FLAG_TABLE[flag][0] is Severity.RETEST}
        return self.firm(low.cylinder) and asking <= AT_LEAST_FLAGS and not self.unagreed(high)

    @staticmethod
    def at_least(reading: ReadingValue) -> bool:
        """Whether the top of a reading was not seen: it shows no cylinder to be low."""
        return bool(reading.flags & SHORT_OF_THE_TOP)

    def between(self, a: ReadingValue, b: ReadingValue) -> Difference:
        """Reading a less reading b, the scatter of cranking in its uncertainty."""
        return difference(a, b, self.scatter)

    def apart(self, a: ReadingValue, b: ReadingValue) -> Difference:
        """Reading a less reading b, two of this test that were picked for how they lie among all of them."""
        return difference(a, b, self.scatter, len(self.readings))

    def u_alone_kpa(self, reading: ReadingValue) -> float:
        """Standard uncertainty that a reading does not share, the scatter of cranking in it."""
        return u_of_one_kpa(reading, self.rules.repeatability_fraction)

    def expanded_u_kpa(self, reading: ReadingValue) -> float:
        """Expanded uncertainty of a reading, as far as it is known."""
        return self._expanded_kpa(reading, reading.u_common_kpa)

    def outside_u_kpa(self, reading: ReadingValue) -> float:
        """Expanded uncertainty of a reading against anything outside the test: a gauge whose accuracy nobody stated is
        as uncertain as they usually are."""
        return self._expanded_kpa(reading, reading.u_gauge_kpa)

    def _expanded_kpa(self, reading: ReadingValue, gauge_u_kpa: float) -> float:
        measured_kpa = hypot(reading.u_random_kpa, gauge_u_kpa)
        return expanded_kpa(measured_kpa, u_of_cranking_kpa(reading, self.scatter.share), self.scatter)

    def low_cylinders(self) -> tuple[str, ...]:
        """Cylinders that are really lower than the highest, and by more than is worth watching."""
        if len(self.readings) < 2:
            return ()
        floor = self.watch_percent / 100.0 * self.highest.peak_kpa
        return tuple(
            name
            for name, reading in self.readings.items()
            if reading.peak_kpa < floor and self.apart(self.highest, reading).is_real
        )

    def text(self, pressure_kpa: float) -> str:
        """A pressure in the shop's unit."""
        return self.unit.text(pressure_kpa)

    def fine_text(self, pressure_kpa: float) -> str:
        """A difference in the shop's unit."""
        return self.unit.fine_text(pressure_kpa)

    def texts_apart(self, a_kpa: float, b_kpa: float, *, fine: bool = False) -> tuple[str, str]:
        """Two pressures in the shop's unit, written so that they do not read the same unless they are; `fine` ones are
        differences or uncertainties."""
        return self.unit.texts_apart(a_kpa, b_kpa, fine=fine)


def lay_out(
    engine: EngineRecord,
    readings: Sequence[ReadingValue],
    conditions: Conditions,
    rules: Rules,
    unit: PressureUnit,
) -> Case:
    """Order readings as the cylinders lie.

    Raises SettingsError for a cylinder that the engine does not have or that has two readings, and for a
    pressure that is not a number.
    """
    by_name: dict[str, ReadingValue] = {}
    for reading in readings:
        name = engine.cylinder(reading.cylinder).name
        if name in by_name:
            raise SettingsError(f"{name} has two readings in one test; join its repeats into one reading first")
        if not np.isfinite(reading.peak_kpa):
            raise SettingsError(f"the reading of {name} is not a number; read it again")
        by_name[name] = replace(reading, cylinder=name)
    ordered = {name: by_name[name] for name in engine.cylinder_names if name in by_name}
    return Case(engine, ordered, conditions, rules, unit)


def cranking_rpm_of(seen: Sequence[float | None], engine: EngineRecord) -> float:
    """Cranking speed of a test for an estimate: seen, else from the record, else a common one (from memory)."""
    known = [rpm for rpm in seen if rpm is not None]
    return float(np.median(known)) if known else engine.cranking_rpm or (400.0 if engine.cycle == 2 else 200.0)


def lowest_percent(engine: EngineRecord, rules: Rules) -> float:
    """Limit of lowest over highest in percent: the maker's where the record has it, else the shop's rule."""
    if engine.lowest_percent is not None:
        return engine.lowest_percent
    return rules.two_stroke_lowest_percent if engine.cycle == 2 else rules.four_stroke_lowest_percent


def low_causes(cycle: int) -> tuple[str, ...]:
    """Why one cylinder is low, likeliest first. Common practice, no source."""
    if cycle == 2:
        return (
            "worn or stuck rings",
            "scored piston or cylinder",
            "head gasket or head O-ring leaking",
            "decompression valve leaking",
            "hole in the piston crown",
        )
    return (
        "valve leaking or its clearance too tight",
        "worn or stuck rings",
        "head gasket leaking",
        "scored piston or cylinder",
    )


def telling_tests(cycle: int) -> tuple[str, ...]:
    """What tells the causes of a low cylinder apart. Common practice, no source."""
    where = (
        "exhaust, crankcase, coolant or the next plug hole" if cycle == 2 else "intake, exhaust, breather or coolant"
    )
    look = ("look at piston and rings through the exhaust port, the crank turned by hand",) if cycle == 2 else ()
    return (
        "read the low cylinder again, and read the highest one last with the same cranking",
        *look,
        f"leak-down test, and listen where the air goes: {where}",
        "wet test: a little oil, the same amount in each cylinder",
    )
