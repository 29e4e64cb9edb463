"""Announces a bench to automation servers by the MQTT discovery convention that they share; off unless asked for.

For every entity there is one retained message on ``PREFIX/sensor/BENCH/ENTITY/config``: a JSON object that says on
which topic the entity's state is, and a template that takes the value out of it. The states themselves are the
published contract as it is. The templates are Jinja's, as the convention has them.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from gaugelink import __version__
from gaugelink.app.shopfile import Shop
from gaugelink.bench.reading import Phase
from gaugelink.broker.link import BrokerLink
from gaugelink.broker.message import topic
from gaugelink.broker.messages import Availability, Cranking, GaugeState, Prompt, TestState

_STATE_CHARACTERS = 255
"""Longest state that such a server keeps (from memory)."""


@dataclass(frozen=True, slots=True)
class Entity:
    """One value of the bench, as a server shows it."""

    key: str
    """Unique within the bench; letters, digits, ``_`` and ``-``."""
    name: str
    """For people."""
    suffix: str
    """Topic of the state, below ``gaugelink/<bench>/``."""
    template: str
    """Takes the value out of a message of that topic."""
    unit: str | None = None
    kind: str | None = None
    """The convention's device class, where there is one."""


def entities(shop: Shop) -> Iterator[Entity]:
    """What there is to know of a bench: its last peak, its test with each cylinder of the fleet, its gauges."""
    test = TestState.TOPIC
    yield Entity("peak", "last peak", Cranking.TOPIC, _field("peak_kpa"), "kPa", "pressure")
    yield Entity("cranking_speed", "cranking speed", Cranking.TOPIC, _field("cranking_rpm"), "rpm")
    yield Entity("prompt", "prompt", Prompt.TOPIC, _text("text"))
    yield Entity("machine", "machine", test, _field("machine"))
    yield Entity("next_cylinder", "next cylinder", test, _field("next_cylinder"))
    yield Entity("verdict", "verdict", test, _proven(_field("verdict")))
    yield Entity("summary", "summary", test, _proven(_text("summary")))
    yield Entity("spread", "spread", test, _field("spread_percent"), "%")
    names = dict.fromkeys(name for engine in shop.fleet.engine for name in engine.cylinder_names)
    for number, name in enumerate(names, start=1):
        yield Entity(f"cylinder_{number}", f"cylinder {name}", test, _of_cylinder(name), "kPa", "pressure")
    for gauge in shop.settings.gauges:
        state = GaugeState.TOPIC.format(gauge=gauge.name)
        key = f"gauge_{gauge.name.replace('.', '_')}"
        yield Entity(f"{key}_link", f"{gauge.name} link", state, _field("phase"))
        yield Entity(f"{key}_battery", f"{gauge.name} battery", state, _field("battery_percent"), "%", "battery")


def _field(name: str) -> str:
    # Null is shown as unknown: the convention's word for it is ``None``, which is how the template writes a null.
    return f"{{{{ value_json.{name} }}}}"


def _text(name: str) -> str:
    return f"{{{{ value_json.{name}[:{_STATE_CHARACTERS}] }}}}"


def _proven(template: str) -> str:
    """A template of what is said of the engine: unknown of a test that was given up, which proves nothing."""
    given_up = f"value_json.phase == {json.dumps(Phase.ABANDONED.value)}"
    return f"{{% if {given_up} %}}{{{{ none }}}}{{% else %}}{template}{{% endif %}}"


def _of_cylinder(name: str) -> str:
    chosen = f"value_json.cylinders | selectattr('name', 'eq', {json.dumps(name)}) | map(attribute='pressure_kpa')"
    return f"{{{{ {chosen} | first | default(none) }}}}"


def announcements(shop: Shop, prefix: str) -> dict[str, dict[str, Any]]:
    """The retained messages: topic to content."""
    bench = shop.name
    node = f"gaugelink_{bench}"
    device = {
        "identifiers": [node],
        "name": f"gaugelink {bench}",
        "model": "compression test bench",
        "sw_version": __version__,
    }
    told: dict[str, dict[str, Any]] = {}
    for entity in entities(shop):
        content: dict[str, Any] = {
            "name": entity.name,
            "unique_id": f"{node}_{entity.key}",
            "state_topic": topic(bench, entity.suffix),
            "value_template": entity.template,
            "availability_topic": topic(bench, "availability"),
            "payload_available": Availability.ONLINE.value,
            "payload_not_available": Availability.OFFLINE.value,
            "device": device,
        }
        if entity.unit is not None:
            content |= {"unit_of_measurement": entity.unit, "state_class": "measurement"}
        if entity.kind is not None:
            content["device_class"] = entity.kind
        told[f"{prefix}/sensor/{node}/{entity.key}/config"] = content
    return told


def announce(shop: Shop, broker: BrokerLink) -> None:
    """Announce the bench, or take an announcement back, as the shop file says; told again on every connect."""
    wanted = shop.settings.discovery
    if wanted.prefix is None:
        return
    for name, content in announcements(shop, wanted.prefix).items():
        broker.publish_retained(name, json.dumps(content) if wanted.enabled else "")
