"""Carries readings of another day to the air that was noted when their test began, so that weather makes no difference.

What a pull read stays as it was read; only what is judged is carried.
"""

from dataclasses import replace
from math import hypot

from gaugelink.bench.plan import Plan
from gaugelink.bench.reading import Reading, TestState
from gaugelink.engine.air import BAROMETER_U_KPA, ambient_factor


def factor_of(reading: Reading, plan: Plan) -> float:
    """What a reading's gauge pressure is multiplied by to be one in the air of its test: see `ambient_factor`."""
    noted_kpa = plan.conditions.barometer_kpa
    return 1.0 if reading.air_abs_kpa is None or noted_kpa is None else ambient_factor(noted_kpa, reading.air_abs_kpa)


def in_one_air(state: TestState) -> TestState:
    """A test whose readings are all as in the air that was noted when it began; the cylinders' values follow."""
    if all(reading.air_abs_kpa is None for reading in state.readings):
        return state
    readings = tuple(_carried(reading, state.plan) for reading in state.readings)
    by_id = {reading.event_id: reading for reading in readings}
    cylinders = tuple(
        replace(cylinder, value_kpa=sum(by_id[one].peak_kpa for one in cylinder.repeats) / len(cylinder.repeats))
        if cylinder.repeats
        else cylinder
        for cylinder in state.cylinders
    )
    return replace(state, readings=readings, cylinders=cylinders)


def _carried(reading: Reading, plan: Plan) -> Reading:
    """A reading in the air of its test; what both barometer readings are uncertain by is its own."""
    noted_kpa = plan.conditions.barometer_kpa
    if reading.air_abs_kpa is None or noted_kpa is None:
        return reading
    factor = factor_of(reading, plan)
    peak_kpa = factor * reading.peak_kpa
    barometers_kpa = peak_kpa * hypot(BAROMETER_U_KPA / noted_kpa, BAROMETER_U_KPA / reading.air_abs_kpa)
    return replace(
        reading,
        peak_kpa=peak_kpa,
        peak_u_kpa=factor * reading.peak_u_kpa,
        common_u_kpa=factor * reading.common_u_kpa,
        own_u_kpa=hypot(factor * reading.repeat.u_own_kpa, barometers_kpa),
    )
