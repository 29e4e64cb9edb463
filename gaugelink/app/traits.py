"""What the shop file and the frame layout know of a gauge, as the peak room takes it."""

from gaugelink.gauge.config import GaugeSettings, KindSetting
from gaugelink.gauge.layout import GaugeLayout
from gaugelink.peak.events import GaugeKind, GaugeTraits


def traits_of(settings: GaugeSettings, layout: GaugeLayout | None) -> GaugeTraits:
    """Gather a gauge's traits; what the shop file says of it goes before what its layout says of its kind."""
    return GaugeTraits(
        kind=None if settings.kind is KindSetting.AUTO else GaugeKind(settings.kind.value),
        resolution_kpa=settings.resolution_kpa or (layout.resolution_kpa if layout is not None else None),
        range_kpa=settings.range_kpa or (layout.range_kpa if layout is not None else None),
        lag_s=settings.lag_s,
        accuracy_u_kpa=settings.accuracy_u_kpa,
        rate_hz=settings.rate_hz or (layout.rate_hz if layout is not None else None),
    )
