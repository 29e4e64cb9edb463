"""The published contract as an AsyncAPI 3 document, made from the models, and the promise that it only ever grows."""

from collections.abc import Iterator
from importlib.metadata import version
from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import models_json_schema

from gaugelink.broker.commands import Command
from gaugelink.broker.examples import example_of
from gaugelink.broker.leak_messages import Decay, DecayProgress, DecayState
from gaugelink.broker.message import ROOT, SCHEMA_VERSION, Message
from gaugelink.broker.messages import (
    Availability,
    ClosedTest,
    CommandResult,
    Cranking,
    GaugeState,
    Prompt,
    Reading,
    TestState,
)
from gaugelink.broker.senml import LivePressure
from gaugelink.broker.words import ENUMERATIONS, described
from gaugelink.errors import BrokerError

Json = dict[str, Any]

PUBLISHED: tuple[type[Message], ...] = (
    GaugeState,
    Cranking,
    Reading,
    TestState,
    ClosedTest,
    Decay,
    DecayState,
    DecayProgress,
    Prompt,
    CommandResult,
)
"""The models of the topics that a bench publishes as JSON objects."""

_SCHEMA = "#/components/schemas/"
_PARAMETERS = {
    "bench": "Name of the bench: the place where one mechanic works.",
    "gauge": "Name of the gauge in the shop file.",
}
_PURPOSE = """\
What a compression-test bench publishes to its local MQTT broker, and the commands it takes. Works on MQTT 3.1.1.

- Delivery is at least once. Every JSON object has an `id`, a UUIDv7; a message whose id was seen before is a repeat,
  and comes after a lost connection. First occurrences keep the order in which the bench committed them.
- To miss nothing while away, subscribe with a fixed client id, without a clean session, at QoS 1, on a broker that
  keeps its sessions on disk.
- What is retained stays after the bench has left: where `availability` is `offline`, it is how things stood last.
- A bench whose name ends in `-simulated` is simulated: nothing that it says is of a real engine or gauge.
- Fields are only ever added, and so are the words of an enumeration: ignore fields and words that you do not know.
- Pressures are gauge pressure in kPa (absolute where a name says `abs`); `_u_` marks an expanded uncertainty of about
  95 % coverage (JCGM 100:2008). Live pressure is SenML, and in Pa.
- A number never travels without the reason it may be doubted: look at `flags`.
- A command is one JSON object of at most 4096 bytes, not retained, sent while the bench is online: one that was sent
  before is not carried out later. Its answer has its `id` as `command_id`; answers to others come on the same topic.
  There is none to what has no `id` that can be read, is too long, or comes too fast: 20 at once, 5 a second in the
  long run. Without an answer in a few seconds, send it again under the same `id`: it acts once.
"""


def asyncapi_document() -> Json:
    """Make the AsyncAPI 3.0 document of the contract."""
    channels: Json = {}
    operations: Json = {}
    messages: Json = {}
    for model in PUBLISHED:
        name = model.__name__
        _add(channels, operations, messages, name, model.TOPIC, model, qos=model.QOS, retain=model.RETAIN)
    _add(channels, operations, messages, "Availability", "availability", Availability, qos=1, retain=True)
    _add(channels, operations, messages, "LivePressure", "gauge/{gauge}/pressure", LivePressure, qos=0, retain=False)
    _add(channels, operations, messages, "Command", Command.TOPIC, Command, qos=1, retain=False)
    messages["Command"]["correlationId"] = {"location": "$message.payload#/id"}
    messages["CommandResult"]["correlationId"] = {"location": "$message.payload#/command_id"}
    operations["Command"] |= {"action": "receive", "reply": {"channel": {"$ref": "#/channels/CommandResult"}}}
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "gaugelink bench",
            "version": f"{SCHEMA_VERSION}.0.0",
            "description": _PURPOSE,
            "license": {"name": "Apache-2.0"},
            "x-made-by": f"gaugelink {version('gaugelink')}",
        },
        "defaultContentType": "application/json",
        "servers": {
            "shop": {
                "host": "127.0.0.1:1883",
                "protocol": "mqtt",
                "protocolVersion": "3.1.1",
                "description": "The shop's own broker; its address, TLS and password are the shop's.",
            }
        },
        "channels": channels,
        "operations": operations,
        "components": {"messages": messages, "schemas": _schemas()},
    }


def _add(
    channels: Json,
    operations: Json,
    messages: Json,
    name: str,
    suffix: str,
    model: type[BaseModel] | type[Availability],
    *,
    qos: int,
    retain: bool,
) -> None:
    summary = (model.__doc__ or "").strip().split("\n\n")[0].replace("\n", " ")
    address = f"{ROOT}/{{bench}}/{suffix}"
    channels[name] = {
        "address": address,
        "description": summary,
        "parameters": {key: {"description": text} for key, text in _PARAMETERS.items() if f"{{{key}}}" in address},
        "messages": {name: {"$ref": f"#/components/messages/{name}"}},
    }
    operations[name] = {
        "action": "send",
        "channel": {"$ref": f"#/channels/{name}"},
        "messages": [{"$ref": f"#/channels/{name}/messages/{name}"}],
        "bindings": {"mqtt": {"qos": qos, "retain": retain, "bindingVersion": "0.2.0"}},
    }
    messages[name] = {
        "name": name,
        "title": name,
        "summary": summary,
        "contentType": _content_type(name),
        "payload": {"$ref": f"{_SCHEMA}{name}"},
        "examples": [{"name": "example", "payload": example_of(name)}],
    }


def _content_type(name: str) -> str:
    return {"Availability": "text/plain", "LivePressure": "application/senml+json"}.get(name, "application/json")


def _schemas() -> Json:
    # What a field may be when it is read: a field with a default may be missing, so that a message of an older bench
    # fits a newer contract.
    models: list[type[BaseModel]] = [*PUBLISHED, LivePressure, Command]
    _, generated = models_json_schema([(model, "validation") for model in models], ref_template=f"{_SCHEMA}{{model}}")
    schemas: Json = generated["$defs"]
    for model in PUBLISHED:
        required = set(schemas[model.__name__].get("required", [])) | set(Message.model_fields)
        schemas[model.__name__]["required"] = sorted(required)
    schemas["Availability"] = {"type": "string", "enum": [word.value for word in Availability]}
    for words in ENUMERATIONS:
        schemas[words.__name__]["description"] = described(words)
    return schemas


def schema_name(topic: str) -> str:
    """Find which schema of the contract describes what is published on a topic.

    Raises:
        BrokerError: the topic is not in the contract.
    """
    root, _, rest = topic.partition("/")
    _, _, suffix = rest.partition("/")
    levels = suffix.split("/")
    known = {model.__name__: model.TOPIC for model in PUBLISHED}
    known |= {"Availability": "availability", "LivePressure": "gauge/{gauge}/pressure", "Command": Command.TOPIC}
    for name, template in known.items():
        pattern = template.split("/")
        if root == ROOT and len(pattern) == len(levels):
            fits = (step.startswith("{") or step == level for step, level in zip(pattern, levels, strict=True))
            if all(fits):
                return name
    raise BrokerError(f"The topic {topic!r} is not in the contract; it has {', '.join(sorted(known.values()))}.")


def broken_promises(released: Json, today: Json) -> list[str]:
    """Compare a contract with an older one; return what a tool that was written for the older one would trip over.

    A contract keeps its promises when it only adds: channels, fields, words of an enumeration. What a bench takes may
    become wider, never narrower.
    """
    return list(_broken(released, today))


def _broken(released: Json, today: Json) -> Iterator[str]:
    for name, channel in released["channels"].items():
        now = today["channels"].get(name)
        if now is None:
            yield f"channel {name} is gone"
        elif now["address"] != channel["address"]:
            yield f"channel {name} moved from {channel['address']} to {now['address']}"
    for name, operation in released["operations"].items():
        now = today["operations"].get(name)
        if now is None:
            yield f"operation {name} is gone"
        elif (now["action"], now["bindings"]) != (operation["action"], operation["bindings"]):
            yield f"operation {name} changed its direction, QoS or retention"
    old_schemas, new_schemas = released["components"]["schemas"], today["components"]["schemas"]
    for name, schema in old_schemas.items():
        if name not in new_schemas:
            yield f"{name} is gone"
        else:
            yield from _schema_broken(name, schema, new_schemas[name], taken=name == "Command")


_FREE_TO_CHANGE = {"description", "title", "default", "examples", "x-made-by"}
_MAY_GROW = {"maximum", "exclusiveMaximum", "maxLength", "maxItems"}
_MAY_SHRINK = {"minimum", "exclusiveMinimum", "minLength", "minItems"}


def _schema_broken(where: str, old: Json, new: Json, *, taken: bool) -> Iterator[str]:
    if taken:
        added = set(new.get("required", [])) - set(old.get("required", []))
        yield from (f"{where}: {field} is now required" for field in sorted(added))
    else:
        missing = set(old.get("required", [])) - set(new.get("required", []))
        yield from (f"{where}: {field} may now be missing" for field in sorted(missing))
    for keyword, value in old.items():
        if keyword in _FREE_TO_CHANGE or keyword == "required":
            continue
        now = new.get(keyword)
        place = f"{where}.{keyword}" if keyword not in {"properties", "items"} else where
        if keyword == "properties":
            fields: Json = now or {}
            for field, schema in value.items():
                if field not in fields:
                    yield f"{where}: field {field} is gone"
                else:
                    yield from _schema_broken(f"{where}.{field}", schema, fields[field], taken=taken)
        elif keyword == "enum":
            gone = [word for word in value if word not in (now or [])]
            yield from (f"{where}: the word {word} is gone" for word in gone)
        elif isinstance(value, dict) and isinstance(now, dict):
            yield from _schema_broken(place, value, now, taken=taken)
        elif keyword == "anyOf" and isinstance(now, list):
            yield from (f"{where}: {kind} is no longer among what it may be" for kind in value if kind not in now)
        elif taken and _is_wider(keyword, value, now):
            continue
        elif now != value:
            yield f"{place} changed from {value!r} to {now!r}"
    if taken:
        tighter = set(new) - set(old) - _FREE_TO_CHANGE - {"required", "properties"}
        yield from (f"{where}: {keyword} is a new limit" for keyword in sorted(tighter))


def _is_wider(keyword: str, old: Any, new: Any) -> bool:
    if keyword in _MAY_GROW:
        return new is None or bool(new >= old)
    if keyword in _MAY_SHRINK:
        return new is None or bool(new <= old)
    return False
