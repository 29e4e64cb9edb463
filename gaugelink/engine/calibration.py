"""A gauge's calibration: its class, its points against a reference gauge, and the day on which it ends."""

from datetime import date
from enum import StrEnum
from itertools import pairwise
from math import hypot, sqrt
from typing import Final, Self

import numpy as np
from pydantic import Field, model_validator

from gaugelink.engine.units import PressureUnit
from gaugelink.settings import Settings


class AccuracyClass(StrEnum):
    """Limits of error as a standard names them."""

    ASME_4A = "ASME B40.100 4A"
    ASME_3A = "ASME B40.100 3A"
    ASME_2A = "ASME B40.100 2A"
    ASME_1A = "ASME B40.100 1A"
    ASME_A = "ASME B40.100 A"
    ASME_B = "ASME B40.100 B"
    ASME_C = "ASME B40.100 C"
    ASME_D = "ASME B40.100 D"
    EN_01 = "EN 837-1 0.1"
    EN_025 = "EN 837-1 0.25"
    EN_06 = "EN 837-1 0.6"
    EN_1 = "EN 837-1 1"
    EN_16 = "EN 837-1 1.6"
    EN_25 = "EN 837-1 2.5"
    EN_4 = "EN 837-1 4"


# Limits of error in percent of the span: in the middle half of the scale, and in its first and last quarter.
# ASME B40.100, table of accuracy grades, and EN 837-1, clause 6 (classes); both from memory.
_LIMITS: Final[dict[AccuracyClass, tuple[float, float]]] = {
    AccuracyClass.ASME_4A: (0.1, 0.1),
    AccuracyClass.ASME_3A: (0.25, 0.25),
    AccuracyClass.ASME_2A: (0.5, 0.5),
    AccuracyClass.ASME_1A: (1.0, 1.0),
    AccuracyClass.ASME_A: (1.0, 2.0),
    AccuracyClass.ASME_B: (2.0, 3.0),
    AccuracyClass.ASME_C: (3.0, 4.0),
    AccuracyClass.ASME_D: (5.0, 5.0),
    AccuracyClass.EN_01: (0.1, 0.1),
    AccuracyClass.EN_025: (0.25, 0.25),
    AccuracyClass.EN_06: (0.6, 0.6),
    AccuracyClass.EN_1: (1.0, 1.0),
    AccuracyClass.EN_16: (1.6, 1.6),
    AccuracyClass.EN_25: (2.5, 2.5),
    AccuracyClass.EN_4: (4.0, 4.0),
}


# A test gauge as reference, of class 0.25, where a certificate says nothing of its comparisons. From memory.
UNSTATED_SHARE: Final = 0.0025


class CalibrationPoint(Settings):
    """One comparison with the reference gauge."""

    reference: float
    """What the reference gauge showed, in the record's unit."""
    indicated: float
    """What this gauge showed."""
    u: float = Field(default=0.0, ge=0)
    """Expanded uncertainty of the comparison, coverage about 95 %, in the record's unit; 0 where it is not stated."""


class CalibrationRecord(Settings):
    """What is known of a gauge's errors."""

    gauge: str = Field(min_length=1)
    """The gauge's name in the shop file."""
    serial: str = ""
    span: float = Field(gt=0)
    """Full scale less the lowest of the scale, in `unit`."""
    unit: PressureUnit = PressureUnit.KPA
    accuracy_class: AccuracyClass | None = None
    point: tuple[CalibrationPoint, ...] = ()
    """Points against a reference gauge, rising."""
    done_on: date
    due_on: date | None = None
    """The day after which it is overdue."""
    reference: str = ""
    """Which reference gauge, with its own certificate."""

    @model_validator(mode="after")
    def _hangs_together(self) -> Self:
        indicated = [point.indicated for point in self.point]
        if any(b <= a for a, b in pairwise(indicated)):
            raise ValueError("the calibration points do not rise; give each indicated pressure once, lowest first")
        if len(self.point) == 1:
            raise ValueError("one calibration point is not enough to correct by; give two or more, or none")
        if not self.point and self.accuracy_class is None:
            raise ValueError("give calibration points, or the accuracy class, or both")
        if self.due_on is not None and self.due_on < self.done_on:
            raise ValueError(f"it falls due on {self.due_on}, before it was done on {self.done_on}")
        return self

    def is_overdue(self, on: date) -> bool:
        """Whether the calibration has ended by a day."""
        return self.due_on is not None and on > self.due_on

    def limit_kpa(self, indicated_kpa: float) -> float | None:
        """Limits of error of the class at a point of the scale, plus or minus; None without a class."""
        if self.accuracy_class is None:
            return None
        middle, ends = _LIMITS[self.accuracy_class]
        share = self.unit.from_kpa(indicated_kpa) / self.span
        percent = middle if 0.25 <= share <= 0.75 else ends
        return self.unit.to_kpa(self.span) * percent / 100.0

    def error_kpa(self, indicated_kpa: float) -> float:
        """Error of the gauge (indicated less reference), interpolated between the points; 0 without points.

        Beyond the first and the last point the error is taken as it is there.
        """
        if not self.point:
            return 0.0
        shown = [point.indicated for point in self.point]
        errors = [point.indicated - point.reference for point in self.point]
        return self.unit.to_kpa(float(np.interp(self.unit.from_kpa(indicated_kpa), shown, errors)))

    def u_kpa(self, indicated_kpa: float) -> float:
        """Standard uncertainty that is left after the correction.

        With points: the comparison's own (a quarter percent of the span where it is not stated, rectangular), and what
        the error may do between two points, a rectangular distribution over half of its change (JCGM 100:2008, 4.3.7).
        Far beyond the points also the limits of the class; where it is not known, the largest error that was found,
        grown with the distance. Without points the limits of the class.
        """
        limit = self.limit_kpa(indicated_kpa)
        by_class = limit / sqrt(3.0) if limit is not None else None
        if not self.point:
            return 0.0 if by_class is None else by_class
        value = self.unit.from_kpa(indicated_kpa)
        shown = [point.indicated for point in self.point]
        errors = [point.indicated - point.reference for point in self.point]
        place = min(max(int(np.searchsorted(shown, value)), 1), len(shown) - 1)
        stated = [point.u / 2.0 or UNSTATED_SHARE * self.span / sqrt(3.0) for point in self.point]
        compared = max(stated[place - 1], stated[place])
        change = abs(errors[place] - errors[place - 1]) / 2.0 / sqrt(3.0)
        beyond = max(0.0, shown[0] - value, value - shown[-1])
        u = self.unit.to_kpa(hypot(compared, change))
        if beyond <= 0.05 * self.span:
            return u
        if by_class is None:
            by_class = self.unit.to_kpa(max(map(abs, errors)) * beyond / (shown[-1] - shown[0])) / sqrt(3.0)
        return hypot(u, by_class)
