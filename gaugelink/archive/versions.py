"""Brings the tables of an older archive up to date, in the transaction that looked at them."""

from sqlalchemy import Connection, text, update

from gaugelink.archive import schema

_PARTS = ((1, 8), (9, 4), (13, 4), (17, 4), (21, 12))
"""Beginning and length of the parts of a UUID that has no hyphens (RFC 9562, section 4)."""


def bring_up_to_date(connection: Connection, found: int) -> None:
    """Change what version `found` made into what this version makes, and note it."""
    if found < 2:
        _ids_that_match(connection)
    connection.execute(update(schema.VERSIONS).values(version=schema.VERSION))


def _ids_that_match(connection: Connection) -> None:
    """Version 2: an event's id is text in `events` as it is in `readings`, and both are joined by it.

    It was a UUID of the database's own: PostgreSQL compares that to no text, and in SQLite it had no hyphens.
    """
    if connection.dialect.name == "postgresql":
        connection.execute(text("ALTER TABLE events ALTER COLUMN event_id TYPE text USING event_id::text"))
        return
    for table in schema.METADATA.sorted_tables:
        ids = ["message_id"] if "message_id" in table.c else []
        for name in [*ids, "event_id"] if table is schema.EVENTS else ids:
            hyphenated = " || '-' || ".join(f"substr({name}, {first}, {length})" for first, length in _PARTS)
            connection.execute(text(f"UPDATE {table.name} SET {name} = {hyphenated} WHERE length({name}) = 32"))
