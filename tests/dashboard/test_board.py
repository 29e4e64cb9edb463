"""A bench's messages, folded into what the page shows."""

import json

import pytest

from gaugelink.bench.english import ENGLISH, SENTENCES
from gaugelink.bench.plan import CrankedBy
from gaugelink.bench.prompt_keys import AIR_CAUTIONS, CAUTIONS
from gaugelink.bench.prompts import Prompter
from gaugelink.broker.leak_messages import Decay, DecayKind, DecayProgress
from gaugelink.broker.senml import live_pressure
from gaugelink.dashboard.board import MOST_SAMPLES, STALE_S, TRACE_S, BenchBoard
from gaugelink.engine.units import PressureUnit
from gaugelink.errors import BrokerError
from gaugelink.gauge.samples import LinkPhase
from tests.dashboard.said import (
    BENCH,
    EVENT,
    GAUGE,
    NOON,
    air_cautions,
    cranking,
    gauge,
    leak_progress,
    leak_state,
    live,
    prompt,
    state,
)


def test_a_repeat_tells_nothing_new() -> None:
    board, said = BenchBoard(BENCH), state()
    assert board.take("test", said, 0.0) is not None
    assert board.take("test", said, 0.1) is None


def test_an_older_revision_does_not_replace_a_newer_one() -> None:
    board = BenchBoard(BENCH)
    board.take("test", state(revision=7), 0.0)
    assert board.take("test", state(revision=6), 0.1) is None
    assert board.snapshot()["test"]["revision"] == 7


def test_the_test_before_this_one_does_not_come_back() -> None:
    board = BenchBoard(BENCH)
    board.take("test", state(revision=39, test_id="first"), 0.0)
    board.take("test", state(test_id="second", after_s=60.0), 0.0)
    for revision in (38, 39, 40):
        assert board.take("test", state(revision=revision, test_id="first"), 0.1) is None
    assert board.take("test", state(test_id="third", after_s=120.0), 0.2) is not None


def test_a_prompt_that_is_told_again_late_does_not_replace_the_one_that_stands() -> None:
    board = BenchBoard(BENCH)
    first = prompt("Put the gauge on PTO.", after_s=10.0)
    board.take("prompt", first, 0.0)
    board.take("prompt", prompt("Move the gauge to MAG.", after_s=30.0), 0.0)
    assert board.take("prompt", first, 0.1) is None
    assert board.snapshot()["prompt"]["text"] == "Move the gauge to MAG."


def test_a_bench_whose_clock_was_set_back_is_followed_all_the_same() -> None:
    board, hour_s = BenchBoard(BENCH), 3600.0
    before = [("test", state(revision=7, test_id="first")), ("prompt", prompt("Test closed."))]
    cautions = ("Stand clear.",)
    before.append(("decay/state", leak_state("ended", 0.0, decay_id="d1")))
    for suffix, said in before:
        board.take(suffix, said, 0.0)
    after = [
        ("test", state(test_id="second", after_s=-hour_s)),
        ("test", state(revision=2, test_id="second", after_s=-hour_s + 9.0)),
        ("prompt", prompt("Put the gauge on PTO.", after_s=-hour_s + 9.0)),
        ("decay/state", leak_state("cautions", -hour_s + 10.0, cautions, "d2")),
    ]
    for suffix, said in after:
        assert board.take(suffix, said, 1.0) is not None
    stands = board.snapshot()
    assert (stands["test"]["test_id"], stands["test"]["revision"]) == ("second", 2)
    assert stands["prompt"]["text"] == "Put the gauge on PTO."
    assert stands["cautions"] == list(cautions)
    # After a reconnect the bench tells its last messages again.
    for suffix, said in (*before, *after):
        assert board.take(suffix, said, 2.0) is None
    assert board.snapshot() == stands


def test_a_page_that_joins_late_follows_the_test_that_goes_on_whatever_it_is_told_again_before() -> None:
    board = BenchBoard(BENCH)
    # What the broker kept, then what the bench sends again because nobody acknowledged it.
    board.take("test", state(revision=3, test_id="second", after_s=60.0), 0.0)
    board.take("test", state(revision=40, test_id="first", after_s=30.0), 0.1)
    assert board.take("test", state(revision=2, test_id="second", after_s=50.0), 0.1) is None
    assert board.take("test", state(revision=4, test_id="second", after_s=70.0), 0.2) is not None
    assert board.take("test", state(revision=40, test_id="first", after_s=30.0), 0.3) is None
    assert board.snapshot()["test"]["revision"] == 4


def test_much_progress_does_not_make_a_repeat_of_the_prompt_before_look_new() -> None:
    board, first = BenchBoard(BENCH), prompt("Seal the crankcase.")
    board.take("prompt", first, 0.0)
    board.take("prompt", prompt("Pump.", after_s=5.0), 0.0)
    for number in range(2000):
        progress = DecayProgress(bench=BENCH, decay_id="d", gauge=GAUGE, elapsed_s=0.1 * number, pressure_kpa=40.0)
        board.take("decay/progress", progress.model_dump_json().encode(), 0.0)
    assert board.take("prompt", first, 1.0) is None


def test_the_result_of_a_leak_down_that_is_told_again_leaves_the_cautions_of_the_next_one_standing() -> None:
    board, cautions = BenchBoard(BENCH), ("Never more than 7.0 psi.", "Stand clear.")
    board.take("decay/state", leak_state("cautions", 30.0, cautions, "d2"), 0.0)
    decay = Decay(
        bench=BENCH, decay_id="d1", gauge=GAUGE, kind=DecayKind.DECAY, duration_s=60.0, start_kpa=40.0, end_kpa=39.0
    )
    board.take("decay", decay.model_dump_json().encode(), 0.1)
    assert board.snapshot()["cautions"] == list(cautions)


def test_a_prompt_that_asks_is_marked_as_a_question() -> None:
    board = BenchBoard(BENCH)
    asked = board.take("prompt", prompt("Was that PTO or MAG?", key="ask_which"), 0.0)
    told = board.take("prompt", prompt("PTO, 131 psi. Once more.", after_s=1.0, key="again"), 0.0)
    assert asked is not None
    assert told is not None
    assert (asked.data["asks"], told.data["asks"]) == (True, False)


def test_the_cautions_of_a_test_stand_for_as_long_as_its_phase_says_so_whatever_was_heard_of_them() -> None:
    board = BenchBoard(BENCH)
    told = board.take("test", state(phase="cautions"), 0.0)
    assert told is not None
    assert told.data["cautions"] == [SENTENCES[key] for key in CAUTIONS]
    board.take("prompt", prompt("The gauge is asleep. Switch it on.", after_s=1.0, key="wake_gauge"), 0.0)
    assert board.snapshot()["cautions"] == [SENTENCES[key] for key in CAUTIONS]
    board.take("test", state(revision=2), 0.0)
    assert board.snapshot()["cautions"] == []


def test_the_cautions_of_a_test_that_were_said_are_those_that_stand_with_what_is_noted_of_the_machine() -> None:
    board = BenchBoard(BENCH)
    said = Prompter(PressureUnit.PSI, ENGLISH).cautions(CrankedBy.CORD, "Check the belt guard.")
    for number, one in enumerate(said):
        board.take("prompt", prompt(one.text, float(number), one.key.value), 0.0)
    board.take("test", state(revision=1, phase="cautions"), 0.0)
    assert board.snapshot()["cautions"] == [one.text for one in said]
    board.take("prompt", prompt("Stop.", 20.0, "acknowledge_first"), 0.0)
    board.take("test", state(revision=2, phase="cautions"), 0.0)
    assert board.snapshot()["cautions"] == [one.text for one in said]
    board.take("test", state(revision=3), 0.0)
    assert board.snapshot()["cautions"] == []


def test_the_cautions_of_a_leak_down_stand_with_its_limit_until_they_are_acknowledged() -> None:
    board = BenchBoard(BENCH)
    board.take("test", state(), 0.0)
    for said in air_cautions():
        board.take("prompt", said, 0.0)
    standing = board.snapshot()["cautions"]
    assert len(standing) == len(AIR_CAUTIONS)
    assert "Never more than 7.0 psi: seals blow out. Let the air in slowly." in standing
    stop = board.take("prompt", prompt("Stop.", after_s=31.0, key="acknowledge_first"), 0.0)
    assert stop is not None
    assert stop.data["cautions"] == standing
    board.take("prompt", prompt("Seal the crankcase.", after_s=32.0, key="leak_pump"), 0.0)
    assert board.snapshot()["cautions"] == []


def test_a_leak_down_that_was_stopped_without_a_result_is_no_longer_under_way() -> None:
    board = BenchBoard(BENCH)
    board.take("decay/state", leak_state("measuring", 30.0), 0.0)
    board.take("decay/progress", leak_progress(9.0), 0.0)
    assert board.snapshot()["progress"] is not None
    board.take("decay/state", leak_state("ended", 40.0), 0.0)
    assert (board.snapshot()["progress"], board.snapshot()["leak"]["phase"]) == (None, "ended")
    assert board.take("decay/progress", leak_progress(10.0), 0.0) is None
    assert board.snapshot()["progress"] is None


def test_what_a_leak_down_said_last_is_kept_beside_what_the_test_says() -> None:
    board = BenchBoard(BENCH)
    pump = "Seal the crankcase. Pump slowly to 6.0 psi."
    for text, after_s, key in ((pump, 30.0, "leak_pump"), ("Test done.", 40.0, "last_done")):
        told = board.take("prompt", prompt(text, after_s, key), 0.0)
        assert told is not None
        assert told.data["of_leak"] is (key == "leak_pump")
    everything = board.snapshot()
    assert (everything["prompt"]["text"], everything["leak_prompt"]["text"]) == ("Test done.", pump)


def test_a_page_that_joins_later_shows_the_cautions_of_the_leak_down_that_stand() -> None:
    board = BenchBoard(BENCH)
    board.take("test", state(), 0.0)
    cautions = ("Never more than 7.0 psi.", "Stand clear.")
    told = board.take("decay/state", leak_state("cautions", 30.0, cautions), 0.0)
    assert told is not None
    assert (told.kind, told.data["cautions"]) == ("decay_state", list(cautions))
    again = board.take("test", state(revision=2), 0.0)
    assert again is not None
    assert again.data["cautions"] == list(cautions)
    board.take("decay/state", leak_state("measuring", 40.0), 0.0)
    assert board.snapshot()["cautions"] == []
    # A bench whose broker was away tells its last messages again, the older ones first.
    assert board.take("decay/state", leak_state("cautions", 30.0, cautions), 0.0) is None
    assert board.snapshot()["cautions"] == []


def test_the_state_of_a_leak_down_and_what_was_said_do_not_double_its_cautions() -> None:
    board = BenchBoard(BENCH)
    for said in air_cautions():
        board.take("prompt", said, 0.0)
    standing = tuple(board.snapshot()["cautions"])
    board.take("decay/state", leak_state("cautions", 31.0, standing), 0.0)
    board.take("prompt", prompt("Stop.", after_s=32.0, key="acknowledge_first"), 0.0)
    assert tuple(board.snapshot()["cautions"]) == standing


def test_strokes_and_live_samples_are_on_one_clock_and_in_kpa() -> None:
    board = BenchBoard(BENCH)
    pack = board.take(f"gauge/{GAUGE}/pressure", live(10.0, [0.0, 640.5]), 0.0)
    event = board.take("cranking", cranking(), 0.0)
    assert pack is not None
    assert event is not None
    assert pack.data == {"gauge": GAUGE, "over": False, "t": [10.0, 10.01], "kpa": [0.0, 640.5]}
    assert event.data["strokes"][0]["time_s"] == 10.0
    assert "budget" not in event.data


def test_a_pack_over_the_gauges_range_says_so() -> None:
    change = BenchBoard(BENCH).take(f"gauge/{GAUGE}/pressure", live(0.0, [2000.0], over_range=True), 0.0)
    assert change is not None
    assert change.data["over"] is True


def test_whoever_comes_late_gets_the_last_seconds_of_the_trace_and_no_more() -> None:
    board = BenchBoard(BENCH)
    for number in range(40):
        board.take(f"gauge/{GAUGE}/pressure", live(float(number), [1.0] * 100), float(number))
    times = board.snapshot()["live"][GAUGE]["t"]
    assert times[-1] == pytest.approx(39.99)
    assert times[0] == pytest.approx(39.99 - TRACE_S, abs=0.02)
    assert len(times) == pytest.approx(100 * TRACE_S, abs=2)


def test_a_gauge_whose_clock_begins_anew_begins_a_new_trace() -> None:
    board = BenchBoard(BENCH)
    board.take(f"gauge/{GAUGE}/pressure", live(500.0, [1.0] * 10), 0.0)
    board.take(f"gauge/{GAUGE}/pressure", live(0.0, [2.0] * 10), 1.0)
    assert board.snapshot()["live"][GAUGE]["kpa"] == [2.0] * 10


def test_a_gauge_that_streams_and_is_not_heard_is_named_within_three_seconds() -> None:
    board = BenchBoard(BENCH)
    board.take(f"gauge/{GAUGE}/state", gauge(), 100.0)
    board.take(f"gauge/{GAUGE}/pressure", live(0.0, [0.0]), 100.0)
    assert STALE_S < 3.0
    assert board.silent_gauges(100.0 + STALE_S) == []
    assert board.silent_gauges(100.0 + STALE_S + 0.01) == [GAUGE]
    board.take(f"gauge/{GAUGE}/pressure", live(3.0, [0.0]), 103.0)
    assert board.silent_gauges(103.1) == []


def test_a_gauge_that_says_that_it_sleeps_is_not_called_silent() -> None:
    board = BenchBoard(BENCH)
    board.take(f"gauge/{GAUGE}/pressure", live(0.0, [0.0]), 0.0)
    board.take(f"gauge/{GAUGE}/state", gauge(LinkPhase.ASLEEP), 0.0)
    assert board.silent_gauges(60.0) == []


@pytest.mark.parametrize(
    ("suffix", "payload"),
    [
        ("test", b"{}"),
        ("test", b"\xff\xfe"),
        ("cranking", b"[1, 2]"),
        ("availability", b"maybe"),
        ("gauge/blue/pressure", b"{}"),
        ("gauge/blue/pressure", b"[]"),
        ("gauge/blue/pressure", b'[{"n":"x/pressure","u":"Pa","v":"high"}]'),
        ("gauge/blue/pressure", b'[{"n":"x/pressure","u":"Pa","v":"1.5","t":0}]'),
        ("gauge/blue/pressure", b'[{"n":"x/pressure","u":"Pa","vs":"inf","t":0}]'),
        ("gauge/blue/pressure", b'[{"n":"x/pressure","u":"Pa","t":0}]'),
        ("gauge/blue/pressure", b'[{"n":"x/pressure","u":"Pa","bv":1e308,"v":1e308,"t":0}]'),
        ("gauge/blue/pressure", b'[{"n":"x/pressure","u":"Pa","v":1,"bt":1e308,"t":1e308}]'),
        ("gauge/blue/pressure", b'[{"n":"x","bt":1e308},{"n":"x/pressure","u":"Pa","v":1,"bt":-1e308}]'),
        ("gauge/blue/pressure", b"[" * 5000),
        ("test", b"[" * 5000),
        ("availability", b"\xff"),
        ("prompt", b'{"text": 1}'),
    ],
)
def test_what_is_not_of_the_contract_is_refused_and_changes_nothing(suffix: str, payload: bytes) -> None:
    board = BenchBoard(BENCH)
    before = json.dumps(board.snapshot())
    with pytest.raises(BrokerError, match="not of the contract"):
        board.take(suffix, payload, 0.0)
    assert board.refused == 1
    assert json.dumps(board.snapshot()) == before


def test_a_topic_that_a_stranger_chose_makes_no_line_of_its_own_in_the_log() -> None:
    with pytest.raises(BrokerError) as caught:
        BenchBoard(BENCH).take("gauge/x\x1b[2J\nERROR forged/state", b"{}", 0.0)
    assert str(caught.value).isprintable()


def test_topics_that_the_page_does_not_know_are_left_alone() -> None:
    assert BenchBoard(BENCH).take("weather", b"sunny", 0.0) is None


def test_memory_is_bounded_whatever_a_broker_sends() -> None:
    board = BenchBoard(BENCH)
    for number in range(200):
        board.take("cranking", cranking(f"019c23f0-0000-7000-8000-{number:012x}"), 0.0)
        board.take(f"gauge/gauge-{number}/pressure", live(0.0, [0.0]), 0.0)
    still = live_pressure(BENCH, "gauge-0", NOON, [0.0] * 100, [0.0] * 100).encode()
    for _ in range(MOST_SAMPLES // 100 + 10):
        board.take("gauge/gauge-0/pressure", still, 0.0)
    snapshot = board.snapshot()
    assert len(snapshot["live"]["gauge-0"]["t"]) == MOST_SAMPLES
    assert len(snapshot["events"]) == 64
    assert snapshot["events"][-1]["event_id"].endswith(f"{199:012x}")
    assert len(snapshot["live"]) == 24
    assert EVENT not in {event["event_id"] for event in snapshot["events"]}


def test_a_low_battery_leaves_in_sight_what_is_to_be_done_and_is_spoken_alone() -> None:
    board = BenchBoard(BENCH)
    board.take("prompt", prompt("Move the gauge to MAG.", key="move"), 0.0)
    told = board.take("prompt", prompt("The battery is low.", after_s=1.0, key="battery_low"), 0.0)
    assert told is not None
    assert (told.data["text"], told.data["spoken"]) == (
        "Move the gauge to MAG. The battery is low.",
        "The battery is low.",
    )
    assert board.snapshot()["prompt"]["key"] == "move"
    late = json.loads(prompt("The battery is low.", after_s=1.5, key="battery_low")) | {"say": False}
    board.take("prompt", json.dumps(late).encode(), 0.0)
    assert board.snapshot()["prompt"]["say"] is False
    board.take("prompt", prompt("MAG, 131 psi. Once more.", after_s=2.0, key="again"), 0.0)
    assert board.snapshot()["prompt"]["text"] == "MAG, 131 psi. Once more."
