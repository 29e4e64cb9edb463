"""The contract's document: complete, with examples that fit, and only ever growing."""

import copy
import json
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gaugelink.broker.commands import COMMAND_BYTES
from gaugelink.broker.contract import PUBLISHED, asyncapi_document, broken_promises, schema_name
from gaugelink.broker.convert import cranking_message, finding_part, gauge_state_message
from gaugelink.broker.leak_messages import DecayProgress
from gaugelink.broker.listener import BURST, RATE_PER_S
from gaugelink.broker.message import SCHEMA_VERSION
from gaugelink.broker.messages import Prompt
from gaugelink.broker.words import ENUMERATIONS
from gaugelink.errors import BrokerError
from gaugelink.gauge.samples import FrameCounts, LinkPhase, LinkState
from gaugelink.peak.events import Flag
from gaugelink.simulated import SUFFIX
from gaugelink.verdict.findings import Finding, RuleName, Severity
from tests.broker.conformance import check_message, check_named
from tests.journal.samples_of import NOON, cranking

RELEASED = json.loads(Path(__file__).with_name("contract-1.json").read_text(encoding="utf-8"))
"""The contract as version 1 was released."""

DOCUMENT = asyncapi_document()
TOPICS = {
    "gaugelink/{bench}/availability": (1, True),
    "gaugelink/{bench}/gauge/{gauge}/state": (1, True),
    "gaugelink/{bench}/gauge/{gauge}/pressure": (0, False),
    "gaugelink/{bench}/cranking": (1, False),
    "gaugelink/{bench}/reading": (1, False),
    "gaugelink/{bench}/test": (1, True),
    "gaugelink/{bench}/test/closed": (1, False),
    "gaugelink/{bench}/decay": (1, False),
    "gaugelink/{bench}/decay/state": (1, True),
    "gaugelink/{bench}/decay/progress": (0, False),
    "gaugelink/{bench}/prompt": (1, False),
    "gaugelink/{bench}/command": (1, False),
    "gaugelink/{bench}/command/result": (1, False),
}
"""The design's table of topics, with QoS and retention."""
ANSWERED = ("Command", "CommandResult")


def test_every_topic_of_the_design_is_there_with_its_qos_and_retention():
    found = {
        DOCUMENT["channels"][name]["address"]: (
            operation["bindings"]["mqtt"]["qos"],
            operation["bindings"]["mqtt"]["retain"],
        )
        for name, operation in DOCUMENT["operations"].items()
    }
    assert found == TOPICS


def test_the_document_says_what_becomes_of_a_command_and_what_is_simulated():
    said = " ".join(DOCUMENT["info"]["description"].split())
    assert f"at most {COMMAND_BYTES} bytes" in said
    assert f"{BURST} at once, {RATE_PER_S:g} a second" in said
    assert f"ends in `{SUFFIX}` is simulated" in said


def test_a_command_and_its_answer_are_matched_by_what_the_document_says():
    locations = [DOCUMENT["components"]["messages"][name]["correlationId"]["location"] for name in ANSWERED]
    fields = [location.removeprefix("$message.payload#/") for location in locations]
    examples = [DOCUMENT["components"]["messages"][name]["examples"][0]["payload"] for name in ANSWERED]
    first, second = (example[field] for example, field in zip(examples, fields, strict=True))
    assert first == second


@pytest.mark.parametrize("name", DOCUMENT["components"]["messages"])
def test_the_example_of_every_message_fits_its_schema(name):
    (example,) = DOCUMENT["components"]["messages"][name]["examples"]
    check_named(name, example["payload"])


@pytest.mark.parametrize("name", DOCUMENT["components"]["schemas"])
def test_every_schema_is_a_schema(name):
    jsonschema.Draft202012Validator.check_schema(DOCUMENT["components"]["schemas"][name])


@pytest.mark.parametrize("model", PUBLISHED)
def test_every_message_has_an_id_a_time_a_version_and_a_bench(model):
    assert {"id", "at", "schema_version", "bench"} <= set(DOCUMENT["components"]["schemas"][model.__name__]["required"])


def test_every_field_says_what_it_means():
    for name, schema in DOCUMENT["components"]["schemas"].items():
        assert schema.get("description"), name
        for field, meaning in schema.get("properties", {}).items():
            # A field that is of a described kind and nothing more needs no words of its own.
            assert meaning.get("description") or set(meaning) <= {"$ref", "default"}, f"{name}.{field}"


def test_every_reason_to_doubt_is_explained():
    text = DOCUMENT["components"]["schemas"]["Flag"]["description"]
    for flag in Flag:
        assert f"- `{flag}`: " in text
    assert "- `still_rising`: Cranking stopped before the pressure stopped climbing." in text


def test_every_set_of_words_has_its_meanings():
    sets = {name for name, schema in DOCUMENT["components"]["schemas"].items() if "enum" in schema}
    assert sets == {words.__name__ for words in ENUMERATIONS}


def test_every_reference_points_to_something():
    text = json.dumps(DOCUMENT)
    references = {part.split('"')[0] for part in text.split('"$ref": "')[1:]}
    assert references
    for reference in references:
        place = DOCUMENT
        for step in reference.removeprefix("#/").split("/"):
            place = place[step]


def test_every_number_with_an_uncertainty_says_so():
    """A field in kPa that a tool could act on has its uncertainty beside it, or is one of the few that need none."""
    without = {
        "end_kpa", "start_kpa", "pressure_kpa", "zero_drift_kpa", "first_stroke_kpa", "ambient_abs_kpa",
        "band_low_kpa", "band_high_kpa", "zero_kpa", "u_kpa",
        "loss_kpa", "test_kpa", "highest_kpa", "supply_kpa",
    }  # fmt: skip
    for name, schema in DOCUMENT["components"]["schemas"].items():
        fields = set(schema.get("properties", {}))
        for field in fields:
            if field.endswith("_kpa") and not field.endswith("_u_kpa") and field not in without:
                assert f"{field.removesuffix('_kpa')}_u_kpa" in fields, f"{name}.{field}"


def test_a_converted_event_fits_the_contract():
    message = cranking_message(cranking(1), event_id=DOCUMENT_ID, bench="north", gauge="blue", at=NOON)
    check_message("gaugelink/north/cranking", message.model_dump_json())
    assert (message.peak_kpa, message.flags) == (cranking(1).peak_kpa, (Flag.FEW_STROKES, Flag.LOST_SAMPLES))
    assert json.loads(message.model_dump_json())["at"] == "2026-02-03T12:00:00.000000Z"


def test_a_converted_state_fits_the_contract():
    state = LinkState("blue", LinkPhase.SILENT, rssi_dbm=-70, counts=FrameCounts(good=3, short=1), faults=("Silent.",))
    message = gauge_state_message(state, bench="north", last_sample_at=NOON, faults=("The zero moved.",))
    check_message(f"gaugelink/north/{message.topic_suffix}", message.model_dump_json())
    assert message.topic_suffix == "gauge/blue/state"
    assert message.faults == ("Silent.", "The zero moved.")
    assert (message.counts.good, message.counts.short) == (3, 1)


def test_a_converted_finding_keeps_its_numbers():
    finding = Finding(RuleName.SPREAD, Severity.WATCH, "A spread.", {"spread_kpa": 35.0}, cylinders=("PTO",))
    part = finding_part(finding)
    assert (part.rule, part.severity, part.numbers) == ("spread", "watch", {"spread_kpa": 35.0})


DOCUMENT_ID = "01a20fb0-7686-7033-a341-c04d278849e8"


@pytest.mark.parametrize("bad", [float("nan"), float("inf")])
def test_a_number_that_json_has_not_is_refused(bad):
    with pytest.raises(ValueError, match="finite number"):
        DecayProgress(bench="north", decay_id="d", gauge="blue", elapsed_s=1.0, pressure_kpa=bad)


@pytest.mark.parametrize("bench", ["", "a/b", "a#", "+", "a b", "ä"])
def test_a_name_that_would_break_a_topic_is_refused(bench):
    with pytest.raises(ValueError, match="bench"):
        Prompt(bench=bench, text="Crank.")


def test_a_topic_that_is_not_in_the_contract_is_told():
    assert schema_name("gaugelink/north/gauge/blue/state") == "GaugeState"
    for topic in ("gaugelink/north/other", "other/north/test", "gaugelink/north", "gaugelink/north/gauge/a/b/state"):
        with pytest.raises(BrokerError, match="not in the contract"):
            schema_name(topic)


def test_a_message_from_a_newer_bench_is_read():
    newer = Prompt(bench="north", text="Crank.").model_dump(mode="json") | {"smell": "two-stroke oil"}
    assert Prompt.model_validate(newer).text == "Crank."
    check_named("Prompt", newer)


def test_today_keeps_every_promise_of_the_released_contract():
    assert broken_promises(RELEASED, DOCUMENT) == []
    assert RELEASED["info"]["version"] == f"{SCHEMA_VERSION}.0.0"


def changed(path: str, value: object) -> dict[str, object]:
    """The document with one place changed; a value of `...` takes it away."""
    document = copy.deepcopy(DOCUMENT)
    *steps, last = path.split("/")
    place = document
    for step in steps:
        place = place[step]
    if value is ...:
        del place[last]
    else:
        place[last] = value
    return document


SCHEMAS = "components/schemas"


@pytest.mark.parametrize(
    ("path", "value", "told"),
    [
        ("channels/Prompt", ..., "channel Prompt is gone"),
        ("channels/Prompt/address", "gaugelink/{bench}/say", "moved"),
        ("operations/Prompt", ..., "operation Prompt is gone"),
        ("operations/TestState/bindings/mqtt/retain", False, "QoS or retention"),
        (f"{SCHEMAS}/Prompt", ..., "Prompt is gone"),
        (f"{SCHEMAS}/Prompt/properties/text", ..., "field text is gone"),
        (f"{SCHEMAS}/Cranking/properties/peak_kpa/type", "string", "changed from 'number' to 'string'"),
        (f"{SCHEMAS}/Cranking/required", ["id"], "peak_kpa may now be missing"),
        (f"{SCHEMAS}/Flag/enum", ["few_strokes"], "the word still_rising is gone"),
        (f"{SCHEMAS}/Cranking/properties/cranking_rpm/anyOf", [{"type": "number"}], "no longer among"),
        (f"{SCHEMAS}/Command/required", ["id", "action", "by"], "by is now required"),
        (f"{SCHEMAS}/Command/properties/by/maxLength", 8, "maxLength changed from 64 to 8"),
        (f"{SCHEMAS}/Command/properties/by/minLength", 1, "minLength is a new limit"),
    ],
)
def test_a_broken_promise_is_named(path, value, told):
    assert any(told in line for line in broken_promises(DOCUMENT, changed(path, value)))


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (f"{SCHEMAS}/Prompt/properties/smell", {"type": "string"}),
        (f"{SCHEMAS}/Prompt/description", "Another wording."),
        (f"{SCHEMAS}/Command/properties/by/maxLength", 128),
        (f"{SCHEMAS}/Flag/enum", [*DOCUMENT["components"]["schemas"]["Flag"]["enum"], "new_flag"]),
        ("channels/Weather", {"address": "gaugelink/{bench}/weather"}),
    ],
)
def test_what_is_added_breaks_no_promise(path, value):
    assert broken_promises(DOCUMENT, changed(path, value)) == []


@settings(max_examples=50)
@given(st.text(max_size=80), st.booleans())
def test_any_text_fits_the_contract(text, say):
    check_message("gaugelink/north/prompt", Prompt(bench="north", text=text, say=say).model_dump_json())
