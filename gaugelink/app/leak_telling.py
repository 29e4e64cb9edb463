"""From a leak-down's words to the published ones: limits from a request, results to messages and journal entries."""

from datetime import datetime
from math import isfinite

import numpy as np
from pydantic import ValidationError

from gaugelink.broker.leak_messages import Decay, DecayKind, LeakRequest
from gaugelink.engine.fleet import EngineRecord
from gaugelink.engine.units import PressureUnit
from gaugelink.errors import SettingsError
from gaugelink.gauge.samples import FloatArray
from gaugelink.leak.decay import DecayResult
from gaugelink.leak.differential import (
    FAA_SCALE,
    Band,
    DifferentialLimit,
    DifferentialResult,
    LossScale,
    Orifice,
    faa_orifice,
)
from gaugelink.leak.limits import DecayLimit, practice_limit
from gaugelink.leak.wording import decay_reason
from gaugelink.peak.events import EventSamples, GaugeKind
from gaugelink.settings import first_mistake


def decay_limit(request: LeakRequest, unit: PressureUnit) -> DecayLimit:
    """The limit of a request: its practice, and what it sets itself.

    Raises:
        SettingsError: the numbers do not fit together; pressures are told in `unit`.
    """
    limit = practice_limit(request.practice, fixed_time=request.fixed_time)
    own = {
        name: value
        for name in ("loss_kpa", "minutes", "test_kpa", "highest_kpa", "volume_cm3")
        if (value := getattr(request, name)) is not None
    }
    changes: dict[str, object] = dict(own)
    if "loss_kpa" in own or "minutes" in own:
        changes["source"] = "set by the shop"
    _not_above(
        "pressure to pump to",
        own.get("test_kpa", limit.test_kpa),
        own.get("highest_kpa", limit.highest_kpa),
        unit,
    )
    try:
        return DecayLimit.model_validate(limit.model_dump() | changes)
    except ValidationError as error:
        raise SettingsError(f"The leak test cannot be run so: {first_mistake(error, DecayLimit)}") from error


def differential_limit(request: LeakRequest, engine: EngineRecord, unit: PressureUnit) -> DifferentialLimit:
    """The limit of a differential request; the orifice by the aviation reference when none is named.

    Raises:
        SettingsError: there is no bore and no orifice, or the numbers do not fit together; pressures are told in
            `unit`.
    """
    bore_mm = request.bore_mm or engine.bore_mm
    if request.orifice_mm is not None:
        orifice = Orifice(diameter_mm=request.orifice_mm)
    elif bore_mm is not None:
        orifice = faa_orifice(bore_mm)
    else:
        raise SettingsError(
            f"The engine {engine.id} has no bore, and the orifice depends on it: give --orifice-mm or --bore-mm."
        )
    if request.orifice_discharge is not None:
        # What a master orifice leaves open is its own tolerance and two readings: about 2 %.
        orifice = orifice.model_copy(update={"discharge": request.orifice_discharge, "discharge_u": 0.02})
    changes: dict[str, object] = {"orifice": orifice, "bore_mm": bore_mm, "hot": request.hot}
    if request.orifice_mm is None:
        changes["scale"] = FAA_SCALE
    if request.fails_above_percent is not None:
        worst = request.fails_above_percent
        bands = (Band(upto_percent=worst, word="within the limit"), Band(upto_percent=100.0, word="over it", acts=True))
        changes["scale"] = LossScale(bands=bands, source=f"set by the shop, {worst:g} %")
    usual = DifferentialLimit()
    supply_kpa = request.supply_kpa or usual.supply_kpa
    highest_kpa = request.highest_kpa or usual.highest_kpa
    _not_above("regulated pressure", supply_kpa, highest_kpa, unit)
    changes |= {"supply_kpa": supply_kpa, "highest_kpa": highest_kpa}
    try:
        return DifferentialLimit.model_validate(changes)
    except ValidationError as error:
        raise SettingsError(f"The leak test cannot be run so: {first_mistake(error, DifferentialLimit)}") from error


def _not_above(what: str, pressure_kpa: float, highest_kpa: float, unit: PressureUnit) -> None:
    if pressure_kpa > highest_kpa:
        asked, highest = unit.texts_apart(pressure_kpa, highest_kpa, fine=True)
        raise SettingsError(
            f"The leak test cannot be run so: the {what}, {asked}, is above the highest that is allowed, {highest}."
        )


def decay_message(
    result: DecayResult,
    *,
    unit: PressureUnit,
    bench: str,
    decay_id: str,
    machine: str,
    part: str,
    gauge: str,
    at: datetime,
    cylinder: str | None = None,
    test_id: str | None = None,
    flags: tuple[str, ...] = (),
) -> Decay:
    """The published form of a decay: its numbers in kPa, its text in `unit`, which is the shop's."""
    rate = result.leak_kpa_per_min
    numbers = {
        "leak_kpa_per_min": rate.value,
        "leak_low_kpa_per_min": rate.low,
        "leak_high_kpa_per_min": rate.high,
        "limit_kpa_per_min": result.limit_kpa_per_min,
        "probability_pass": result.probability_pass,
        "time_to_limit_s": result.time_to_limit_s,
        "heated_kpa": result.heated_kpa,
        "heated_u_kpa": result.heated_u_kpa,
        "settling_s": result.settling_s,
        "hole_share": result.hole_share,
    }
    for name, interval, of in (("hole", result.hole_mm, "mm"), ("flow", result.leak_cm3_per_min, "std_cm3_per_min")):
        if interval is not None:
            numbers |= {
                f"{name}_{of}": interval.value,
                f"{name}_low_{of}": interval.low,
                f"{name}_high_{of}": interval.high,
            }
    return Decay(
        at=at,
        bench=bench,
        decay_id=decay_id,
        test_id=test_id,
        machine=machine,
        part=part,
        gauge=gauge,
        cylinder=cylinder,
        kind=DecayKind.DECAY,
        verdict=result.verdict.value,
        duration_s=result.duration_s,
        start_kpa=result.start_kpa,
        end_kpa=result.end_kpa,
        rate_kpa_per_s=rate.value / 60.0,
        rate_u_kpa_per_s=max(rate.high - rate.value, rate.value - rate.low) / 60.0,
        time_constant_s=result.time_constant_s if result.time_constant_s < 1e7 else None,
        numbers={name: round(value, 6) for name, value in numbers.items() if isfinite(value)},
        flags=tuple(sorted({*result.flags, *flags})),
        text=decay_reason(result, unit),
    )


def differential_message(
    result: DifferentialResult,
    *,
    bench: str,
    decay_id: str,
    machine: str,
    gauge: str,
    cylinder: str,
    duration_s: float,
    at: datetime,
    test_id: str | None = None,
) -> Decay:
    """The published form of a differential leak-down."""
    numbers = {
        "supply_kpa": result.supply_kpa,
        "cylinder_kpa": result.cylinder_kpa,
        "leak_mm2": result.leak_mm2.value,
        "leak_low_mm2": result.leak_mm2.low,
        "leak_high_mm2": result.leak_mm2.high,
        "hole_mm": result.leak_mm.value,
        "hole_low_mm": result.leak_mm.low,
        "hole_high_mm": result.leak_mm.high,
    }
    return Decay(
        at=at,
        bench=bench,
        decay_id=decay_id,
        test_id=test_id,
        machine=machine,
        gauge=gauge,
        cylinder=cylinder,
        kind=DecayKind.DIFFERENTIAL,
        verdict=result.verdict.value,
        duration_s=duration_s,
        start_kpa=result.supply_kpa,
        end_kpa=result.cylinder_kpa,
        leak_percent=result.loss_percent.value,
        leak_u_percent=result.loss_percent.u,
        numbers={name: round(value, 6) for name, value in numbers.items()},
        flags=tuple(sorted(result.flags)),
        text=result.reason,
    )


def samples_of(time_s: FloatArray, pressure_kpa: FloatArray, zero_kpa: float) -> EventSamples:
    """The samples of a leak-down as the journal keeps them; `pressure_kpa` has the zero taken off, shape (n,)."""
    return EventSamples(
        time_s=time_s,
        pressure_kpa=pressure_kpa + zero_kpa,
        over_range=np.zeros(len(time_s), dtype=np.bool_),
        lost_samples=0,
        kind=GaugeKind.LIVE,
        zero_kpa=zero_kpa,
        zero_u_kpa=0.0,
        noise_kpa=0.0,
    )
