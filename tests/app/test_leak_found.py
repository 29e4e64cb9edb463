"""Where the air of a leak-down goes is kept with it, and names the cause on the bench, in the report, on the page."""

import asyncio
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from gaugelink.app.cli import app
from gaugelink.app.daemon import Daemon
from gaugelink.app.leak_demo import leak_shop
from gaugelink.app.leak_records import leak_lines, past_decays
from gaugelink.app.leak_session import LeakSession
from gaugelink.app.records import Records
from gaugelink.app.step import Step
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.leak_messages import Decay, DecayKind, LeakRequest
from gaugelink.broker.message import new_id
from gaugelink.dashboard.board import BenchBoard
from gaugelink.engine.units import PressureUnit
from gaugelink.journal import Journal
from gaugelink.journal.entries import LeakFoundEntry
from gaugelink.leak.heard import Heard
from gaugelink.verdict.findings import Finding, RuleName, Severity, TestVerdict
from tests.app.leak_sessions import ask, begun, played
from tests.app.shops import shop_in, write_shop
from tests.app.test_leak_beside import running
from tests.app.test_leak_records import decay, differential
from tests.app.test_session import of

MAG_LEAKS = differential(1.0, "MAG", 42.0, "fail")
PTO_HOLDS = differential(2.0, "PTO", 7.0, "pass")


async def say(daemon: Daemon, *heard: Heard, **how: object) -> Step:
    return await daemon.obey(
        Command.model_validate(
            {"id": new_id(), "action": CommandAction.LEAK_FOUND, "heard": heard, "by": "Ines", **how}
        )
    )


def answer(step: Step) -> tuple[bool, str]:
    assert step.result is not None
    return step.result.ok, step.result.text


def leak_of(verdict: TestVerdict | None, cylinder: str) -> Finding:
    assert verdict is not None
    (found,) = (one for one in verdict.findings if one.rule is RuleName.LEAK_DOWN and one.cylinders == (cylinder,))
    return found


async def test_it_names_the_cause_on_the_bench_and_in_the_report(tmp_path: Path) -> None:
    async with running(tmp_path, MAG_LEAKS, PTO_HOLDS) as daemon:
        before = leak_of(daemon.session.verdict, "MAG")
        assert (before.causes, before.next_tests) == ((), ("listen where the air goes",))
        step = await say(daemon, Heard.EXHAUST, Heard.CRANKCASE, cylinder="mag", note="hisses")
        assert answer(step) == (
            True,
            "Kept with the leak test of cylinder MAG of north-7: heard at the exhaust and in the crankcase; hisses.",
        )
        told = leak_of(daemon.session.verdict, "MAG")
        assert told.severity is Severity.INVESTIGATE
        assert "heard at the exhaust and in the crankcase" in told.text
        assert told.causes[0] == "worn or stuck rings"
        assert told.next_tests == ("look at rings and piston through the exhaust port",)
    shop = shop_in(tmp_path)
    async with Journal.open(shop.journal) as journal:
        verdict = (await Records(shop, journal).report(None, "north-7")).verdict
        assert leak_of(verdict, "MAG") == told
        lines = [line for _, line in leak_lines(await past_decays(journal, "north-7"), PressureUnit.PSI)]
    assert "; heard at the exhaust and in the crankcase; hisses" in lines[0]
    assert "heard" not in lines[1]


async def test_the_page_tells_it_with_the_result_in_its_place(tmp_path: Path) -> None:
    board = BenchBoard("bay-3")
    for entry in (MAG_LEAKS, PTO_HOLDS):
        board.take("decay", entry.result_json.encode(), 0.0)
    async with running(tmp_path, MAG_LEAKS, PTO_HOLDS) as daemon:
        step = await say(daemon, Heard.NEIGHBOUR, cylinder="MAG")
    (message,) = of(step, Decay)
    first = Decay.model_validate_json(MAG_LEAKS.result_json)
    assert (message.decay_id, message.ended_at, message.leak_percent) == (first.decay_id, first.at, first.leak_percent)
    assert message.id != first.id
    board.take(message.topic_suffix, message.model_dump_json().encode(), 0.0)
    shown = board.snapshot()["decays"]
    assert [one["where"] for one in shown] == ["heard at the next plug hole", ""]


async def test_what_was_said_last_is_all_that_counts_and_nowhere_takes_it_back(tmp_path: Path) -> None:
    async with running(tmp_path, MAG_LEAKS) as daemon:
        await say(daemon, Heard.COOLANT)
        assert "gasket" in leak_of(daemon.session.verdict, "MAG").causes[0]
        await say(daemon, Heard.INTAKE)
        assert "rings" in leak_of(daemon.session.verdict, "MAG").causes[0]
        assert answer(await say(daemon))[1].endswith("its air was found nowhere.")
        assert leak_of(daemon.session.verdict, "MAG").causes == ()


async def test_it_is_said_of_a_leak_test_that_is_there(tmp_path: Path) -> None:
    async with running(tmp_path) as daemon:
        assert answer(await say(daemon, Heard.EXHAUST)) == (
            False,
            "No leak test here has come to a result yet: there is nothing to say it of.",
        )


async def test_a_cylinder_that_no_leak_test_was_of_is_named(tmp_path: Path) -> None:
    async with running(tmp_path, MAG_LEAKS) as daemon:
        assert answer(await say(daemon, Heard.EXHAUST, cylinder="PTO")) == (
            False,
            "No leak test of cylinder PTO here has come to a result yet: there is nothing to say it of.",
        )


async def test_a_part_is_told_in_words_and_another_machine_is_refused(tmp_path: Path) -> None:
    async with running(tmp_path, MAG_LEAKS, decay(9.0, 2.0, "fail")) as daemon:
        refused, why = answer(await say(daemon, Heard.EXHAUST))
        assert not refused
        assert why == "The leak test was of the crankcase: say in words where it leaks, in a note."
        assert answer(await say(daemon, machine="south-2")) == (
            False, "The last leak test was of north-7, not of south-2.",
        )  # fmt: skip
        assert answer(await say(daemon, note=" left crank seal ")) == (
            True, "Kept with the leak test of the crankcase of north-7: left crank seal.",
        )  # fmt: skip
        assert leak_of(daemon.session.verdict, "MAG").causes == ()


@pytest.fixture
def session(tmp_path: Path) -> LeakSession:
    return LeakSession(leak_shop(tmp_path))


def leaking(session: LeakSession, *, follow: bool) -> list[Step]:
    """A differential leak-down of a cylinder that comes to rest at 50 of 80 psi."""
    begun(session, LeakRequest(kind=DecayKind.DIFFERENTIAL, follow=follow), cylinder="MAG")
    early = ask(session, CommandAction.LEAK_FOUND, heard=(Heard.EXHAUST,))
    assert answer(early)[0] is False
    ask(session, CommandAction.ACKNOWLEDGE)
    waiting = ask(session, CommandAction.LEAK_FOUND, heard=(Heard.EXHAUST,))
    assert answer(waiting) == (False, "The leak test has no result yet: say where its air goes when it has.")
    time_s = np.arange(300) / 10.0
    return played(session, time_s, np.where(time_s < 3.0, 0.0, 50.0 * 6.894757 * (1.0 - np.exp(3.0 - time_s))))


def test_while_a_leak_is_followed_it_is_kept_at_once_and_told_with_the_result(session: LeakSession) -> None:
    leaking(session, follow=True)
    step = ask(session, CommandAction.LEAK_FOUND, heard=(Heard.EXHAUST, Heard.EXHAUST))
    assert answer(step)[0]
    (kept,) = of_entries(step)
    assert kept.heard == ("exhaust",)
    result = ask(session, CommandAction.STOP_DECAY).decay
    assert result is not None
    assert (result.decay_id, result.heard) == (kept.decay_id, (Heard.EXHAUST,))


def test_one_of_before_is_told_beside_one_that_is_followed(session: LeakSession) -> None:
    leaking(session, follow=True)
    (own, other, last) = (
        Command(id=new_id(), action=CommandAction.LEAK_FOUND, heard=(), decay_id=decay_id)
        for decay_id in (session.decay_id, new_id(), None)
    )
    assert [session.takes(one) for one in (own, other, last)] == [True, False, True]


def of_entries(step: Step) -> list[LeakFoundEntry]:
    return [entry for entry in step.entries if isinstance(entry, LeakFoundEntry)]


def test_the_next_leak_test_does_not_inherit_it(session: LeakSession) -> None:
    leaking(session, follow=True)
    ask(session, CommandAction.LEAK_FOUND, heard=(Heard.EXHAUST,))
    ask(session, CommandAction.STOP_DECAY)
    (result,) = [step.decay for step in leaking(session, follow=False) if step.decay is not None]
    assert result.heard == ()


@pytest.mark.parametrize(
    ("words", "why"),
    [
        ([], "Say where the air goes: exhaust, intake, crankcase, coolant, neighbour, nowhere, or --note in words."),
        (["carburettor"], "carburettor: no such place; expected exhaust"),
        (["nowhere", "exhaust"], "nowhere stands alone"),
    ],
)
async def test_words_that_are_no_place_are_refused_before_anything_is_sent(
    tmp_path: Path, words: list[str], why: str
) -> None:
    shop = write_shop(tmp_path)
    call = ["decay", "found", *words, "--config", str(shop)]
    result = await asyncio.to_thread(CliRunner().invoke, app, call)
    assert result.exit_code != 0
    assert why in f"{result.output} {result.exception}"
