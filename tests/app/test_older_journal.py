"""History, report and export read a journal of each older version, before any service has brought it up to date."""

import json
import sqlite3
from datetime import UTC, datetime
from pathlib import Path

import pytest

from gaugelink.app import notebooks
from gaugelink.app.commands import record
from gaugelink.journal.schema import CURRENT
from tests.app.test_record_commands import NOTEBOOK, Shop

CAME_WITH = {
    2: ("DROP TABLE judgements", "ALTER TABLE tests DROP COLUMN odometer"),
    3: ("ALTER TABLE jobs DROP COLUMN cylinders",),
    4: ("DROP TABLE leak_downs",),
    5: ("DROP TABLE struck_jobs",),
    6: ("DROP TABLE leaks_found",),
}
"""What a journal of the version before did not have."""


def made_older(path: Path, version: int) -> None:
    """Take away what a journal of an older version did not have."""
    connection = sqlite3.connect(path, isolation_level=None)
    for later in range(CURRENT, version, -1):
        for statement in CAME_WITH[later]:
            connection.execute(statement)
    connection.execute(f"PRAGMA user_version = {version}")
    connection.execute("PRAGMA journal_mode = DELETE")
    connection.close()


@pytest.mark.parametrize("version", range(1, CURRENT))
def test_an_older_journal_is_read_as_it_is_and_stays_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, version: int
) -> None:
    for module in (record, notebooks):
        monkeypatch.setattr(module, "now", lambda: datetime(2026, 11, 28, 12, tzinfo=UTC))
    shop = Shop(tmp_path)
    shop.run("import", shop.write("old.csv", NOTEBOOK))
    questions = [("history", "north-7", "--json"), ("history", "--fleet", "--json"), ("report", "--machine", "north-7")]
    said = [shop.run(*words) for words in questions]
    journal = tmp_path / "bay-3.db"
    made_older(journal, version)
    kept = journal.read_bytes()
    if version == 1:
        # It did not keep the machine's own count with a test.
        document = json.loads(said[0])
        document["list"] = [one | {"odometer": None} for one in document["list"]]
        said[0] = json.dumps(document) + "\n"
    assert [shop.run(*words) for words in questions] == said
    assert "12 readings" in shop.run("export", str(tmp_path / "readings.csv"))
    assert journal.read_bytes() == kept
