"""A note stays with its test: through a restart, into the report, the history, what is published, and the archive's."""

import asyncio
import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from gaugelink.app.cli import app
from gaugelink.app.noted import MOST_NOTES
from gaugelink.app.step import Step
from gaugelink.archive.copy import _test_entry
from gaugelink.broker import messages as published
from gaugelink.broker.commands import CommandAction
from gaugelink.errors import GaugelinkError
from gaugelink.journal import Journal
from gaugelink.journal.entries import TestEntry
from gaugelink.journal.rows import StoredTest
from tests.app.shops import shop_in
from tests.app.test_session import Bench, of

BEFORE, AFTER = "Before the new rings,\nstill on old fuel.", "MAG: blue deposit on the plug"


def run(folder: Path, *words: str) -> str:
    result = CliRunner().invoke(app, [*words, "--config", str(folder / "shop.toml")], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return " ".join(result.output.split())


def noted_test(bench: Bench) -> list[Step]:
    """A whole test with a note at its begin and one after it was closed."""
    return [
        bench.command(CommandAction.BEGIN, machine="north-7", note=BEFORE),
        bench.command(CommandAction.ACKNOWLEDGE),
        *(bench.crank(kpa, wait_s) for kpa in (930.0, 925.0, 935.0) for wait_s in (40.0, 6.0)),
        bench.command(CommandAction.FINISH),
        bench.command(CommandAction.NOTE, note=AFTER, by="Kim"),
    ]


def written(folder: Path) -> list[Step]:
    """The steps of that test, in the shop's journal."""
    steps = noted_test(Bench(folder))

    async def write() -> None:
        async with Journal.open(shop_in(folder).journal) as journal:
            for step in steps:
                await journal.record(step.entries, step.outgoing())

    asyncio.run(write())
    return steps


def test_report_and_history_show_what_was_noted(tmp_path: Path) -> None:
    written(tmp_path)
    said = run(tmp_path, "report")
    assert "Note: Before the new rings, still on old fuel. (test)" in said
    assert "Note: MAG: blue deposit on the plug (Kim)" in said
    history = run(tmp_path, "history", "north-7")
    assert "MAG: blue deposit on the plug (Kim)" in history
    (listed,) = json.loads(run(tmp_path, "history", "north-7", "--json"))["list"]
    assert listed["notes"][1] == "MAG: blue deposit on the plug (Kim)"
    run(tmp_path, "report", "--out", str(tmp_path / "page.html"))
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert "<dt>note</dt><dd>MAG: blue deposit on the plug (Kim)</dd>" in page


def test_notes_are_published_and_outlast_a_restart(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.begin(note=BEFORE)
    step = bench.command(CommandAction.NOTE, note=AFTER, by="Kim")
    (told,) = of(step, published.TestState)
    assert [(note.text, note.by, note.at) for note in told.notes] == [
        (BEFORE, "test", bench.at),
        (AFTER, "Kim", bench.at),
    ]
    (entry,) = of(step, TestEntry)
    stored = StoredTest(
        entry.test_id, "bay-3", "north-7", "triple", entry.snapshot_json, bench.at, bench.at, closed=False
    )
    again = Bench(tmp_path)
    (resumed,) = of(again.session.resume(stored, [], again.now_s, again.at), published.TestState)
    assert resumed.notes == told.notes
    again.command(CommandAction.ABANDON)
    begun = again.command(CommandAction.BEGIN, machine="north-7")
    assert of(begun, published.TestState)[-1].notes == ()


def test_the_archive_s_copy_of_a_test_has_its_notes(tmp_path: Path) -> None:
    told = of(noted_test(Bench(tmp_path))[-1], published.TestState)[-1]
    kept = json.loads(_test_entry(told, {}).snapshot_json)["notes"]
    assert [note["text"] for note in kept] == [BEFORE, AFTER]


def test_a_note_that_cannot_be_kept_is_refused(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    for note in ("soot", " \n"):
        if note != "soot":
            bench.begin()
        step = bench.command(CommandAction.NOTE, note=note)
        assert step.result is not None
        assert not step.result.ok
    for _ in range(MOST_NOTES + 1):
        step = bench.command(CommandAction.NOTE, note="soot")
    assert step.result is not None
    assert step.result.text == f"A test keeps {MOST_NOTES} notes, and has them."


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["test", "begin", "north/7"], "machine: found 'north/7'"),
        (["test", "skip", "x" * 80], "cylinder: "),
        (["test", "note", "x" * 501], "note: "),
        (["decay", "begin", "north/7"], "machine: found 'north/7'"),
    ],
)
def test_what_can_be_no_part_of_a_command_is_refused_in_a_sentence(tmp_path: Path, words: list[str], said: str) -> None:
    shop_in(tmp_path)
    with pytest.raises(GaugelinkError) as caught:
        run(tmp_path, *words)
    assert str(caught.value).startswith(said)
