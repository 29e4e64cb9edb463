"""Checks what is on the broker against the contract's document, with a JSON Schema library that knows no models."""

import json
from functools import cache

import jsonschema

from gaugelink.broker.contract import asyncapi_document, schema_name


@cache
def _validator(name: str) -> jsonschema.Draft202012Validator:
    document = asyncapi_document()
    schema = {"$ref": f"#/components/schemas/{name}", "components": document["components"]}
    return jsonschema.Draft202012Validator(schema, format_checker=jsonschema.FormatChecker())


def check_message(topic: str, payload: str) -> None:
    """Fail when a message is not what the contract says of its topic.

    Raises:
        jsonschema.ValidationError: it is not.
        BrokerError: the topic is not in the contract.
    """
    name = schema_name(topic)
    _validator(name).validate(payload if name == "Availability" else json.loads(payload))


def check_named(name: str, document: object) -> None:
    """Fail when a JSON document does not fit a schema of the contract."""
    _validator(name).validate(document)
