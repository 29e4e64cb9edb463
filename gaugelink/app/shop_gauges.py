"""The gauges of a shop, as a test out of the journal needs them: in words, and as they were calibrated then."""

from gaugelink.app.shopfile import Shop
from gaugelink.engine.calibration import CalibrationRecord
from gaugelink.journal import Journal
from gaugelink.journal.rows import StoredEvent
from gaugelink.peak.events import CrankingEvent
from gaugelink.verdict.corrected import calibrated_event


def gauge_words(shop: Shop, name: str) -> str:
    """A gauge with its serial and its calibration, or its name alone where the shop does not have it any more."""
    for gauge in shop.settings.gauges:
        if gauge.name == name:
            serial = f", serial {gauge.serial}" if gauge.serial else ""
            due = f", calibration due {gauge.calibration_due}" if gauge.calibration_due else ""
            return f"{name}{serial}{due}"
    return name


async def calibrated_then(shop: Shop, journal: Journal, stored: StoredEvent, event: CrankingEvent) -> CrankingEvent:
    """An event that was judged anew, corrected as its gauge was calibrated on the day."""
    on = stored.at.astimezone().date()
    record = None
    for calibration in await journal.calibrations(stored.gauge):
        if calibration.done_on <= on:
            record = CalibrationRecord.model_validate_json(calibration.record_json)
    due_on = next((one.calibration_due for one in shop.settings.gauges if one.name == stored.gauge), None)
    return calibrated_event(event, record, due_on, on)
