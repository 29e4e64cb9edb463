"""What the shop file knows of a gauge and of an engine, as the peak room takes it."""

from gaugelink.engine.fleet import EngineRecord
from gaugelink.gauge.config import GaugeSettings, KindSetting
from gaugelink.gauge.layout import GaugeLayout
from gaugelink.peak.events import EngineHints, GaugeKind, GaugeTraits


def traits_of(settings: GaugeSettings, layout: GaugeLayout | None) -> GaugeTraits:
    """Gather a gauge's traits; what the shop file says of it goes before what its layout says of its kind."""
    return GaugeTraits(
        kind=None if settings.kind is KindSetting.AUTO else GaugeKind(settings.kind.value),
        resolution_kpa=settings.resolution_kpa or (layout.resolution_kpa if layout is not None else None),
        range_kpa=settings.range_kpa or (layout.range_kpa if layout is not None else None),
        lag_s=settings.lag_s,
        averaging_s=settings.averaging_s,
        accuracy_u_kpa=settings.accuracy_u_kpa,
        rate_hz=settings.rate_hz or (layout.rate_hz if layout is not None else None),
    )


def hints_of(engine: EngineRecord | None) -> EngineHints:
    """What an engine's record knows that helps the fit."""
    if engine is None:
        return EngineHints()
    rod_ratio = None
    if engine.rod_mm is not None and engine.stroke_mm is not None:
        rod_ratio = engine.rod_mm / (engine.stroke_mm / 2.0)
    return EngineHints(cycle=engine.cycle, rod_ratio=rod_ratio, compression_ratio=engine.compression_ratio_trapped)
