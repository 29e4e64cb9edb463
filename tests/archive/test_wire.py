"""What is filed, and what is kept aside."""

import json
from datetime import UTC, datetime

import pytest
from paho.mqtt.client import topic_matches_sub

from gaugelink.archive.wire import STATES, TOPICS, Filed, Quarantined, sort_message
from gaugelink.broker.contract import PUBLISHED
from tests.archive.published import KINDS, published

NOW = datetime(2026, 2, 3, 14, 6, tzinfo=UTC)


@pytest.mark.parametrize("suffix", KINDS)
def test_every_message_of_the_contract_is_filed_byte_for_byte(suffix):
    topic, payload = published(suffix)
    filed = sort_message(topic, payload, NOW)
    assert isinstance(filed, Filed)
    assert filed.row["document"].encode() == payload
    assert filed.row["message_id"] == json.loads(payload)["id"]


def test_no_message_of_the_contract_is_forgotten():
    # Progress and state of a leak-down are worth having only while it runs.
    assert {model.__name__ for model in PUBLISHED} - {"DecayProgress", "DecayState"} == set(KINDS.values())


@pytest.mark.parametrize("suffix", KINDS)
def test_what_can_be_filed_is_subscribed_to_once(suffix):
    topic, _ = published(suffix)
    assert [topic_matches_sub(asked, topic) for asked in (*TOPICS, *STATES)].count(True) == 1


def test_words_and_fields_of_a_newer_bench_are_filed():
    topic, payload = published("cranking", flags=["a_flag_of_next_year"], kind="spring", method="new", phase_of_moon=3)
    filed = sort_message(topic, payload, NOW)
    assert isinstance(filed, Filed)
    assert "phase_of_moon" in filed.row["document"]


@pytest.mark.parametrize(
    ("topic", "payload", "reason"),
    [
        ("gaugelink/north/cranking", b"{", "EOF"),
        ("gaugelink/north/cranking", b"\xff\xfe", "expected value"),
        ("gaugelink/north/cranking", b"[]", "object"),
        ("gaugelink/north/reading", b"{}", "id: Field required"),
        ("gaugelink/north/unheard", b"{}", "not known"),
        ("other/north/cranking", b"{}", "not of a bench"),
        ("gaugelink/north/availability", b"perhaps", "neither online nor offline"),
        ("gaugelink/north/cranking", b'"' + b"x" * (1 << 20) + b'"', "at most"),
        ("gaugelink/south/cranking", published("cranking", "north")[1], "another bench"),
        ("gaugelink/north/gauge/red/state", published("gauge/blue/state")[1], "another gauge"),
        ("gaugelink/north/cranking", published("cranking", peak_kpa="high")[1], "peak_kpa"),
        ("gaugelink/north/cranking", published("cranking", at="2026-02-03T14:05:12")[1], "timezone"),
        ("gaugelink/north/test", published("test", revision=2**63)[1], "revision"),
        ("gaugelink/north/test", published("test", revision=-1)[1], "revision"),
    ],
)
def test_what_cannot_be_filed_is_kept_whole_with_the_reason(topic, payload, reason):
    kept = sort_message(topic, payload, NOW)
    assert isinstance(kept, Quarantined)
    assert reason in kept.reason
    assert (kept.row["topic"], kept.row["payload"]) == (topic.encode(), payload)


def test_the_empty_message_that_clears_a_retained_one_is_nothing_to_file():
    assert sort_message("gaugelink/north/test", b"", NOW) is None
