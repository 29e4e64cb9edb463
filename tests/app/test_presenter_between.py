"""The screen between tests: one after another, a leak test beside one, and one that somebody comes back to."""

from pathlib import Path

from gaugelink.app.leak_session import LeakSession
from gaugelink.app.livefeed import LivePack
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.message import new_id
from gaugelink.gauge.samples import LinkPhase, LinkState
from gaugelink.journal.entries import TestEntry
from gaugelink.journal.rows import StoredTest
from gaugelink.peak.events import Flag
from tests.app.shops import SHOP
from tests.app.test_presenter import NOON, Watched, drawn, left, sentences
from tests.app.test_session import Bench, of

SECOND = """
[[engines]]
id = "twin"
name = "Twin"
cycle = 2
layout = "side_named"
cylinders = 2

[[machines]]
id = "south-2"
name = "South 2"
engine = "twin"
"""


def two_machines() -> str:
    head, test, rest = SHOP.partition("[test]")
    return head + SECOND + test + rest


def test_the_last_pull_of_another_test_is_not_shown_with_this_one(tmp_path: Path) -> None:
    bench = Watched(tmp_path, two_machines())
    bench.begin()
    bench.crank(930.0)
    assert "last pull, PTO: 135" in sentences(drawn(bench.presenter))
    bench.command(CommandAction.FINISH)
    bench.command(CommandAction.BEGIN, machine="south-2")
    bench.command(CommandAction.ACKNOWLEDGE)
    assert "last pull" not in sentences(drawn(bench.presenter))


def test_the_last_pull_goes_with_its_reading_to_another_cylinder(tmp_path: Path) -> None:
    bench = Watched(tmp_path)
    bench.begin()
    bench.crank(930.0)
    bench.command(CommandAction.ASSIGN, cylinder="MAG")
    assert "last pull, MAG: 135" in sentences(drawn(bench.presenter))


def test_the_machine_under_air_is_named_and_nothing_of_the_test_of_another_one_is_shown(tmp_path: Path) -> None:
    bench = Watched(tmp_path, two_machines())
    bench.begin()
    bench.crank(930.0)
    bench.command(CommandAction.ABANDON)
    leak = LeakSession(bench.session.shop)

    def ask(action: CommandAction, **how: object) -> None:
        bench.take(leak.command(Command(id=new_id(), action=action, **how), None, bench.now_s, bench.at))

    ask(CommandAction.BEGIN_DECAY, machine="south-2", cylinder="MAG")
    ask(CommandAction.ACKNOWLEDGE)
    shown = sentences(drawn(bench.presenter))
    assert shown.startswith("bay-3 South 2, leak test of MAG")
    assert "North 7" not in shown
    assert "last pull" not in shown
    assert "pulls" not in shown
    ask(CommandAction.STOP_DECAY)
    shown = sentences(drawn(bench.presenter))
    assert shown.startswith("bay-3 South 2, leak test ended")
    assert "last pull" not in shown
    assert "North 7" not in left(bench.presenter)


def test_a_test_that_is_open_is_back_on_the_screen_after_a_leak_test(tmp_path: Path) -> None:
    bench = Watched(tmp_path)
    bench.begin()
    bench.crank(930.0)
    leak = LeakSession(bench.session.shop)
    for action in (CommandAction.BEGIN_DECAY, CommandAction.STOP_DECAY):
        bench.take(leak.command(Command(id=new_id(), action=action, machine="north-7"), None, bench.now_s, bench.at))
    shown = sentences(drawn(bench.presenter))
    assert shown.startswith("bay-3 North 7, dry test")
    assert "last pull, PTO: 135" in shown


def test_before_it_is_known_what_is_open_nothing_is_said_of_it_and_no_empty_frame_is_drawn(tmp_path: Path) -> None:
    bench = Watched(tmp_path)
    assert "no test open" not in sentences(drawn(bench.presenter))
    assert not any(line.startswith("╭") for line in drawn(bench.presenter))
    bench.take(bench.session.tick(bench.now_s, bench.at))
    assert "no test open" in sentences(drawn(bench.presenter))


def test_who_comes_back_to_a_done_test_reads_how_it_ended(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.begin()
    (entry,) = of(bench.whole_test(930.0, 925.0, 935.0), TestEntry)
    stored = StoredTest(entry.test_id, "bay-3", "north-7", "triple", entry.snapshot_json, NOON, bench.at, False)
    back = Watched(tmp_path)
    back.take(back.session.resume(stored, [], 5.0, bench.at))
    assert "Test done. In order: PTO 135 psi, middle 134 psi, MAG 136 psi." in sentences(drawn(back.presenter))


def test_a_gauge_that_is_lost_shows_no_pressure_as_that_of_now(tmp_path: Path) -> None:
    bench = Watched(tmp_path)
    presenter = bench.presenter
    for gauge in ("amber", "blue"):
        presenter.linked(LinkState(gauge, LinkPhase.STREAMING))
    presenter.sampled("amber", LivePack(NOON, [1.0, 1.2], [600.0, 610.0], False))
    presenter.linked(LinkState("blue", LinkPhase.LOST))
    assert "now 88 psi" in sentences(drawn(presenter))
    presenter.linked(LinkState("amber", LinkPhase.LOST))
    shown = sentences(drawn(presenter))
    assert "now" not in shown
    assert "waiting for the gauge" in shown


def test_the_line_of_the_spread_says_where_it_is_only_at_most_so_large(tmp_path: Path) -> None:
    bench = Watched(tmp_path)
    bench.begin(repeats=1)
    for number, peak_kpa in enumerate((780.0, 925.0, 930.0)):
        rising = frozenset({Flag.STILL_RISING} if peak_kpa < 900.0 else ())
        bench.crank(peak_kpa, 40.0 if number else 6.0, flags=rising)
        if rising:
            for _ in range(4):
                bench.crank(peak_kpa, flags=rising)
    assert bench.presenter.scene.spread.startswith("spread at most 21.8 ± ")
