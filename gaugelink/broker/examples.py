"""One example of every message, from an invented shop, for the contract's document."""

import json
from datetime import UTC, date, datetime, timedelta
from typing import Any

from pydantic import BaseModel

from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.leak_messages import Decay, DecayKind, DecayProgress, DecayState
from gaugelink.broker.messages import (
    BudgetPart,
    CommandResult,
    Cranking,
    CylinderPart,
    CylinderStatus,
    FindingPart,
    FrameCounts,
    GaugeState,
    Prompt,
    Reading,
    ReadingPart,
    StrokePart,
    TestState,
    Urgency,
)
from gaugelink.broker.senml import live_pressure
from gaugelink.gauge.samples import LinkPhase
from gaugelink.journal.entries import Action
from gaugelink.peak.events import Flag, GaugeKind, Method
from gaugelink.verdict.findings import Severity, VerdictWord

_AT = datetime(2026, 2, 3, 14, 5, 12, 250000, tzinfo=UTC)
_BENCH = "north"
_GAUGE = "blue"
_TEST = "019c23f0-0000-7000-8000-000000000001"
_EVENT = "019c23f0-0000-7000-8000-000000000002"


def _head(number: int) -> dict[str, Any]:
    """The head of a message with an id of its own."""
    return {"id": f"019c23f0-0000-7000-8000-{number:012x}", "at": _AT, "bench": _BENCH}


def _examples() -> dict[str, BaseModel]:
    pto = ReadingPart(event_id=_EVENT, peak_kpa=931.2, peak_u_kpa=9.4, cranking_rpm=412.0)
    mag = ReadingPart(peak_kpa=896.0, peak_u_kpa=9.8, cranking_rpm=398.0, flags=(Flag.FEW_STROKES,))
    return {
        "GaugeState": GaugeState(
            **_head(16),
            gauge=_GAUGE,
            phase=LinkPhase.STREAMING,
            address="02:00:00:00:00:17",
            advertised_name="PG-17",
            rssi_dbm=-61,
            battery_percent=84.0,
            rate_hz=99.8,
            last_sample_at=_AT - timedelta(milliseconds=40),
            last_sample_s=812.34,
            zero_kpa=0.4,
            zero_u_kpa=0.05,
            calibration_due=date(2026, 11, 1).isoformat(),
            counts=FrameCounts(good=81230, malformed=1, lost_samples=12, reconnects=1),
            faults=("The battery is nearly empty: charge the gauge.",),
        ),
        "Cranking": Cranking(
            **_head(17),
            event_id=_EVENT,
            gauge=_GAUGE,
            test_id=_TEST,
            kind=GaugeKind.LIVE,
            start_s=810.11,
            end_s=811.02,
            peak_kpa=931.2,
            peak_u_kpa=9.4,
            method=Method.FITTED,
            cranking_rpm=412.0,
            strokes=(
                StrokePart(time_s=810.19, peak_kpa=742.0, peak_u_kpa=11.0),
                StrokePart(time_s=810.34, peak_kpa=885.5, peak_u_kpa=9.9),
                StrokePart(time_s=810.48, peak_kpa=931.2, peak_u_kpa=9.4),
            ),
            flags=(Flag.FEW_STROKES,),
            budget=(
                BudgetPart(source="sampling and noise", u_kpa=3.1),
                BudgetPart(source="calibration", u_kpa=2.5, common=True),
            ),
            zero_kpa=0.4,
            first_stroke_kpa=742.0,
            climb_per_stroke=0.76,
        ),
        "Reading": Reading(
            **_head(18),
            test_id=_TEST,
            event_id=_EVENT,
            cylinder="PTO",
            action=Action.GIVEN,
            by="rule",
            confidence=0.97,
            peak_kpa=931.2,
            peak_u_kpa=9.4,
            flags=(Flag.FEW_STROKES,),
        ),
        "TestState": TestState(
            **_head(19),
            test_id=_TEST,
            revision=7,
            machine="sled-7",
            engine="triple-600",
            kind="dry",
            began_at=_AT - timedelta(minutes=4),
            phase="measuring",
            repeats=1,
            cylinders=(
                CylinderPart(
                    name="PTO",
                    place=1,
                    status=CylinderStatus.AGREED,
                    pressure_kpa=931.2,
                    pressure_u_kpa=9.4,
                    readings=(pto,),
                ),
                CylinderPart(name="middle", place=2, status=CylinderStatus.IN_PROGRESS),
                CylinderPart(
                    name="MAG",
                    place=3,
                    status=CylinderStatus.ODD,
                    pressure_kpa=896.0,
                    pressure_u_kpa=9.8,
                    readings=(mag,),
                ),
            ),
            next_cylinder="middle",
            spread_kpa=35.2,
            spread_u_kpa=10.1,
            spread_percent=3.8,
            band_low_kpa=876.0,
            band_high_kpa=1011.0,
            ambient_abs_kpa=98.9,
            conditions={"throttle": "open", "engine": "cold"},
            verdict=VerdictWord.WATCH,
            summary="MAG is lower than PTO by more than the readings can hide. Read it again before anything else.",
            prompt="Screw the gauge into the middle cylinder and crank with the throttle open.",
            findings=(
                FindingPart(
                    rule="spread",
                    severity=Severity.WATCH,
                    text="MAG reads 35 kPa below PTO; more than the uncertainty of a difference.",
                    numbers={"spread_kpa": 35.2, "spread_percent": 3.8},
                    cylinders=("PTO", "MAG"),
                    next_tests=("Read MAG again.",),
                ),
            ),
        ),
        "Decay": Decay(
            **_head(20),
            decay_id="019c23f0-0000-7000-8000-000000000003",
            test_id=_TEST,
            gauge=_GAUGE,
            cylinder="MAG",
            kind=DecayKind.DIFFERENTIAL,
            duration_s=30.0,
            start_kpa=689.5,
            end_kpa=620.1,
            leak_percent=10.1,
            leak_u_percent=0.9,
            text="Ten percent is lost; listen at exhaust, intake and crankcase for where it goes.",
        ),
        "DecayState": DecayState(
            **_head(24),
            decay_id="019c23f0-0000-7000-8000-000000000003",
            test_id=_TEST,
            machine="sled-7",
            cylinder="MAG",
            phase="cautions",
            cautions=("Never more than 7.0 psi: seals blow out. Let the air in slowly.",),
        ),
        "DecayProgress": DecayProgress(
            **_head(21),
            decay_id="019c23f0-0000-7000-8000-000000000003",
            gauge=_GAUGE,
            cylinder="MAG",
            elapsed_s=12.0,
            remaining_s=18.0,
            pressure_kpa=640.2,
            rate_kpa_per_s=1.1,
            rate_u_kpa_per_s=0.3,
        ),
        "Prompt": Prompt(
            **_head(22),
            text="Screw the gauge into the middle cylinder and crank with the throttle open.",
            key="swap",
            spoken="Screw the gauge into the middle cylinder and crank with the throttle open.",
            tone="next",
            urgency=Urgency.DO,
            test_id=_TEST,
            cylinder="middle",
        ),
        "CommandResult": CommandResult(
            **_head(23),
            command_id="5f0c9a52-3f0e-4d53-9d5e-3f6f5b1d7a10",
            ok=True,
            text="The last reading of MAG is struck; crank MAG again.",
            test_id=_TEST,
        ),
        "Command": Command(
            id="5f0c9a52-3f0e-4d53-9d5e-3f6f5b1d7a10", action=CommandAction.REDO, cylinder="MAG", by="Ada"
        ),
    }


def example_of(name: str) -> Any:
    """The example of one message of the contract, as JSON has it.

    Raises:
        KeyError: there is none of that name.
    """
    if name == "Availability":
        return "online"
    if name == "LivePressure":
        return json.loads(live_pressure(_BENCH, _GAUGE, _AT, [0.0, 0.05, 0.1], [0.2, 412.7, 931.2]))
    if name == "ClosedTest":
        given_up = {"revision": 12, "phase": "abandoned", "closed": True, "next_cylinder": None, "prompt": ""}
        state = _examples()["TestState"].model_copy(update={**_head(25), **given_up})
        return state.model_dump(mode="json")
    return _examples()[name].model_dump(mode="json", exclude_unset=name == "Command")
