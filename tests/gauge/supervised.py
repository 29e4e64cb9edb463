"""A supervised link to a gauge on the virtual radio."""

import asyncio
import random
from typing import Any

from gaugelink.gauge.config import GaugeSettings
from gaugelink.gauge.layout import GaugeLayout
from gaugelink.gauge.supervisor import SupervisedLink
from simulators.radio import VirtualRadio

SERVICE = "5a5a0000-0000-4000-8000-00000000c001"
FRAMES = "5a5a0000-0000-4000-8000-00000000c002"
LAYOUT = GaugeLayout.model_validate(
    {
        "name": "counted u16",
        "unit": "kPa",
        "rate_hz": 100.0,
        "listen": {"service": SERVICE, "characteristic": FRAMES},
        "sequence": {"at": 0, "format": "u16"},
        "pressure": {"at": 2, "format": "u16", "scale": 0.1, "count": "fit"},
    }
)


def link_to(radio: VirtualRadio, layout: GaugeLayout | None = LAYOUT, **settings: Any) -> SupervisedLink:
    told = {"name": "left", "advertised_name": "Left gauge"} | settings
    loop = asyncio.get_running_loop()
    return SupervisedLink(
        GaugeSettings.model_validate(told), layout, radio.as_radio(), clock=loop.time, rng=random.Random(1)
    )
