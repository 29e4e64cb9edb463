"""A leak-down under way is kept as it stands, until it has ended."""

from datetime import timedelta
from pathlib import Path

from gaugelink.journal import Journal, LeakDownEntry
from tests.journal.samples_of import NOON

LATER = NOON + timedelta(seconds=70)


async def test_the_last_word_on_a_leak_down_under_way_is_read_back_after_a_restart(tmp_path: Path) -> None:
    async with Journal.open(tmp_path / "journal.db") as journal:
        assert await journal.current_leak_down("bay-3") is None
        await journal.record([LeakDownEntry("one", "bay-3", '{"n": 1}', NOON)])
        await journal.record([LeakDownEntry("one", "bay-3", '{"n": 2}', LATER)])
        await journal.record([LeakDownEntry("other", "bay-4", '{"n": 9}', LATER)])
    async with Journal.open(tmp_path / "journal.db") as journal:
        stored = await journal.current_leak_down("bay-3")
        assert stored is not None
        assert (stored.decay_id, stored.snapshot_json) == ("one", '{"n": 2}')
        assert (stored.began_at, stored.updated_at) == (NOON, LATER)


async def test_a_leak_down_that_has_ended_is_not_gone_on_with(tmp_path: Path) -> None:
    async with Journal.open(tmp_path / "journal.db") as journal:
        await journal.record([LeakDownEntry("one", "bay-3", "{}", NOON)])
        await journal.record([LeakDownEntry("one", "bay-3", "{}", LATER, closed=True)])
        assert await journal.current_leak_down("bay-3") is None
        await journal.record([LeakDownEntry("two", "bay-3", "{}", LATER)])
        stored = await journal.current_leak_down("bay-3")
        assert stored is not None
        assert stored.decay_id == "two"


async def test_the_leak_down_that_was_begun_last_goes_on_also_after_the_clock_was_set_back(tmp_path: Path) -> None:
    async with Journal.open(tmp_path / "journal.db") as journal:
        await journal.record([LeakDownEntry("cut off", "bay-3", "{}", LATER)])
        await journal.record([LeakDownEntry("under way", "bay-3", "{}", NOON)])
        stored = await journal.current_leak_down("bay-3")
        assert stored is not None
        assert stored.decay_id == "under way"
