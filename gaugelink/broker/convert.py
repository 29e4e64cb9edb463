"""From what the rooms before this one know to what is published."""

from datetime import datetime

from gaugelink.broker.message import new_id, now
from gaugelink.broker.messages import (
    BudgetPart,
    Cranking,
    FindingPart,
    FrameCounts,
    GaugeState,
    StrokePart,
)
from gaugelink.gauge.samples import LinkState
from gaugelink.peak.events import CrankingEvent
from gaugelink.verdict.findings import Finding


def cranking_message(
    event: CrankingEvent,
    *,
    event_id: str,
    bench: str,
    gauge: str,
    test_id: str | None = None,
    at: datetime | None = None,
    message_id: str | None = None,
) -> Cranking:
    """Make the message of a cranking event. The fitted curve stays in the journal."""
    return Cranking(
        id=message_id or new_id(),
        at=at or now(),
        bench=bench,
        event_id=event_id,
        gauge=gauge,
        test_id=test_id,
        kind=event.kind,
        start_s=event.start_s,
        end_s=event.end_s,
        peak_kpa=event.peak_kpa,
        peak_u_kpa=event.peak_u_kpa,
        method=event.method,
        cranking_rpm=event.cranking_rpm,
        strokes=tuple(
            StrokePart(time_s=stroke.time_s, peak_kpa=stroke.peak_kpa, peak_u_kpa=stroke.peak_u_kpa)
            for stroke in event.strokes
        ),
        flags=tuple(sorted(event.flags)),
        budget=tuple(BudgetPart(source=line.source, u_kpa=line.u_kpa, common=line.common) for line in event.budget),
        zero_kpa=event.zero_kpa,
        zero_drift_kpa=event.zero_drift_kpa,
        first_stroke_kpa=event.first_stroke_kpa,
        climb_per_stroke=event.climb_per_stroke,
        projected_kpa=event.projected_kpa,
        projected_u_kpa=event.projected_u_kpa,
    )


def gauge_state_message(
    state: LinkState,
    *,
    bench: str,
    last_sample_at: datetime | None = None,
    zero_kpa: float | None = None,
    zero_u_kpa: float | None = None,
    calibration_due: str | None = None,
    display_unit: str | None = None,
    faults: tuple[str, ...] = (),
) -> GaugeState:
    """Make the message of a gauge's state; `faults` are added to those of the link."""
    counts = state.counts
    return GaugeState(
        bench=bench,
        gauge=state.gauge,
        phase=state.phase,
        address=state.address,
        advertised_name=state.advertised_name,
        rssi_dbm=state.rssi_dbm,
        battery_percent=state.battery_percent,
        rate_hz=state.rate_hz,
        last_sample_at=last_sample_at,
        last_sample_s=state.last_sample_s,
        zero_kpa=zero_kpa,
        zero_u_kpa=zero_u_kpa,
        calibration_due=calibration_due,
        display_unit=display_unit,
        counts=FrameCounts(
            good=counts.good,
            malformed=counts.malformed,
            short=counts.short,
            long=counts.long,
            duplicated=counts.duplicated,
            out_of_order=counts.out_of_order,
            lost_samples=counts.lost_samples,
            reconnects=counts.reconnects,
        ),
        faults=(*state.faults, *faults),
    )


def finding_part(finding: Finding) -> FindingPart:
    """Make the published form of a finding."""
    return FindingPart(
        rule=finding.rule,
        severity=finding.severity,
        text=finding.text,
        numbers=dict(finding.numbers),
        u_kpa=finding.u_kpa,
        cylinders=finding.cylinders,
        causes=finding.causes,
        next_tests=finding.next_tests,
        source=finding.source,
    )
