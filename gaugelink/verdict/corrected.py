"""A cranking event corrected by the gauge's calibration, what is left of the error put into its budget."""

from dataclasses import replace
from datetime import date
from math import hypot

from gaugelink.bench.repeats import COVERAGE_FACTOR, own_u_kpa
from gaugelink.engine.calibration import CalibrationRecord
from gaugelink.peak.events import BudgetLine, CrankingEvent, Flag

CALIBRATION = "calibration"


def calibrated_event(
    event: CrankingEvent, record: CalibrationRecord | None, due_on: date | None, on: date
) -> CrankingEvent:
    """An event on a gauge with its calibration record, or with nothing but the day that its calibration is due.

    Corrected by the record; without one the event is flagged when `on` is after `due_on`. None is no day.
    """
    if record is not None:
        return corrected_event(event, record, on)
    if due_on is not None and on > due_on:
        return replace(event, flags=event.flags | {Flag.CALIBRATION_OVERDUE})
    return event


def corrected_event(event: CrankingEvent, record: CalibrationRecord, on: date) -> CrankingEvent:
    """Take the gauge's known error off an event's pressures.

    The zero is already off them, so only the error beyond the one at the zero is taken off. The budget's line for
    calibration is replaced; it stays common to all readings of the gauge. An overdue calibration corrects too, and
    is flagged.
    """

    def off(pressure_kpa: float) -> float:
        return pressure_kpa - (record.error_kpa(pressure_kpa + event.zero_kpa) - record.error_kpa(event.zero_kpa))

    u_new = record.u_kpa(event.peak_kpa + event.zero_kpa)
    budget = (
        *(line for line in event.budget if line.source != CALIBRATION),
        BudgetLine(CALIBRATION, u_new, common=True),
    )
    common = (line.u_kpa for line in budget if line.common)
    return replace(
        event,
        peak_kpa=off(event.peak_kpa),
        peak_u_kpa=COVERAGE_FACTOR * hypot(own_u_kpa(event), *common),
        strokes=tuple(replace(stroke, peak_kpa=off(stroke.peak_kpa)) for stroke in event.strokes),
        first_stroke_kpa=None if event.first_stroke_kpa is None else off(event.first_stroke_kpa),
        projected_kpa=None if event.projected_kpa is None else off(event.projected_kpa),
        budget=budget,
        flags=event.flags | {Flag.CALIBRATION_OVERDUE} if record.is_overdue(on) else event.flags,
    )
