"""Judges a test as the bench has it: its readings, its conditions, its engine."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from gaugelink.app.telling import reading_values
from gaugelink.bench.plan import Conditions, TestKind
from gaugelink.bench.reading import TestState
from gaugelink.engine.air import Ambient, ambient_at_altitude, ambient_from_barometer, assumed_ambient
from gaugelink.engine.fleet import EngineRecord
from gaugelink.engine.units import PressureUnit
from gaugelink.peak.events import CrankingEvent
from gaugelink.verdict.difference import ReadingValue
from gaugelink.verdict.findings import Conditions as VerdictConditions
from gaugelink.verdict.findings import Rules, TestVerdict
from gaugelink.verdict.judge import judge_test
from gaugelink.verdict.leakdown import LeakDownValue


def ambient_of(conditions: Conditions) -> Ambient:
    """The air that a test was done in."""
    if conditions.barometer_kpa is not None:
        return ambient_from_barometer(conditions.barometer_kpa)
    if conditions.altitude_m is not None:
        return ambient_at_altitude(conditions.altitude_m)
    return assumed_ambient()


def verdict_conditions(state: TestState) -> VerdictConditions:
    """The conditions of a test as the verdict takes them."""
    given = state.plan.conditions
    return replace(
        VerdictConditions.of_ambient(ambient_of(given)),
        wet=state.plan.kind is TestKind.WET,
        oil_ml=given.oil_ml,
        warm=given.engine_warm,
        throttle_open=given.throttle_open,
        adapter_noted_cm3=given.adapter_cm3,
    )


def verdict_of(
    state: TestState,
    events: Mapping[str, CrankingEvent],
    engine: EngineRecord,
    unit: PressureUnit,
    dry: tuple[Sequence[ReadingValue], VerdictConditions] | None = None,
    leak_down: Sequence[LeakDownValue] = (),
) -> TestVerdict | None:
    """Judge a test; None when it has no reading yet. `dry` is the dry test that a wet one is held against, `leak_down`
    what differential leak-downs of the same engine came to."""
    values = reading_values(state, events)
    if not values:
        return None
    conditions = verdict_conditions(state)
    rules = Rules(repeats_percent=100.0 * state.plan.agreement)
    if dry is not None and conditions.wet:
        return judge_test(
            engine, values, conditions, rules, dry[0], dry_conditions=dry[1], leak_down=leak_down, unit=unit
        )
    return judge_test(engine, values, conditions, rules, leak_down=leak_down, unit=unit)
