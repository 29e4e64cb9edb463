"""Databases for the tests: a SQLite file, and PostgreSQL on a server of their own."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from gaugelink.archive.settings import database_url
from gaugelink.archive.store import Store
from tests.archive.postgres import Postgres


@pytest.fixture(scope="session")
def postgres() -> Iterator[Postgres]:
    """A PostgreSQL server."""
    with Postgres() as server:
        yield server


@pytest.fixture(params=["sqlite", "postgresql"])
def database(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The URL of an empty database, of each kind in turn."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'archive.db'}"
    server: Postgres = request.getfixturevalue("postgres")
    return server.database()


@pytest.fixture
def open_store() -> Iterator[Callable[[str], Store]]:
    """Opens prepared stores, and closes them after the test."""
    stores: list[Store] = []

    def open_one(url: str) -> Store:
        store = Store(database_url(url, Path("/")))
        stores.append(store)
        store.prepare()
        return store

    yield open_one
    for store in stores:
        store.engine.dispose()
