"""What the archive is told: which broker, which database, how much at a time. Secrets never stand in a URL."""

from pathlib import Path
from typing import Annotated, Self

from pydantic import Field, model_validator
from sqlalchemy import URL, make_url
from sqlalchemy.exc import ArgumentError

from gaugelink.broker.settings import BrokerSettings
from gaugelink.errors import SettingsError
from gaugelink.password import read_password
from gaugelink.settings import Settings, parse_settings

PASSWORD_VARIABLE = "GAUGELINK_ARCHIVE_PASSWORD"
"""Environment variable that holds the database's password."""

_DRIVERS = {"sqlite": "sqlite", "postgresql": "postgresql+psycopg"}

Level = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,39}$")]


class ArchivePart(Settings):
    """The database and the pace."""

    database: str = "sqlite:///archive.db"
    """``sqlite:///FILE`` or ``postgresql://USER@HOST/NAME``, without a password."""
    password_file: Path | None = None
    """File whose first line is the database's password. The variable GAUGELINK_ARCHIVE_PASSWORD goes before it."""
    client_id: Level = "gaugelink-archive"
    """What the broker knows this consumer by: it keeps the place where the consumer stopped under this name. Consumers
    that run at the same time need different ones."""
    group: Level | None = None
    """Name of a group: letters, digits, ``-`` and ``_``. Consumers of one group share the messages between them, so
    that more can be added (MQTT 5, section 4.8.2). None: one consumer takes all. mosquitto 2.0 forgets who shares when
    it is restarted, until the consumers are back: let the benches wait for that (`settle_s` in their [broker]) before
    they tell again what is recent."""
    batch_messages: int = Field(default=500, ge=1, le=10_000)
    """Messages to a transaction at most."""
    batch_s: float = Field(default=0.25, ge=0.0, le=60.0)
    """Seconds to wait for more before a smaller batch is written."""
    session_days: float = Field(default=30.0, gt=0, le=365)
    """How long the broker is asked to keep messages for a consumer that is away."""


class ArchiveFile(Settings):
    """The whole archive file."""

    broker: BrokerSettings = BrokerSettings()
    archive: ArchivePart = ArchivePart()

    @model_validator(mode="after")
    def _broker_keeps_sessions(self) -> Self:
        if self.broker.embedded:
            raise ValueError(
                "broker.embedded: a bench's own small broker keeps no sessions and has no MQTT 5: give a shop's broker"
            )
        if self.archive.password_file is not None and self.archive.database.startswith("sqlite"):
            raise ValueError("archive.password_file: SQLite has no password: remove it")
        return self


def parse_archive(text: str, file: Path) -> ArchiveFile:
    """Read an archive file; the paths in it are taken from its folder.

    Raises:
        SettingsError: one line for each mistake.
    """
    settings = parse_settings(ArchiveFile, text, str(file))
    folder = file.resolve().parent
    broker, archive = settings.broker, settings.archive
    broker = broker.model_copy(
        update={
            "password_file": broker.password_file and folder / broker.password_file,
            "ca_file": broker.ca_file and folder / broker.ca_file,
        }
    )
    archive = archive.model_copy(update={"password_file": archive.password_file and folder / archive.password_file})
    return ArchiveFile(broker=broker, archive=archive)


def database_url(text: str, folder: Path, password_file: Path | None = None) -> URL:
    """Make the URL of the database, its driver and its password filled in; a SQLite file is taken from `folder`.

    Raises:
        SettingsError: it is not a URL, not a known database, or has a password in it.
    """
    try:
        url = make_url(text)
    except (ArgumentError, ValueError) as error:
        # Not shown: what cannot be read as a URL, or has a port that is no number, may still have a password in it.
        raise SettingsError(
            "The archive's database is not a URL: give sqlite:///FILE or postgresql://USER@HOST/NAME."
        ) from error
    if url.password is not None or any("password" in key for key in url.query):
        raise SettingsError(
            f"The archive's database URL has a password in it: take it out, and set {PASSWORD_VARIABLE} or "
            "archive.password_file."
        )
    driver = _DRIVERS.get(url.drivername)
    if driver is None:
        raise SettingsError(f"The archive's database is {url.drivername!r}: allowed: {', '.join(sorted(_DRIVERS))}.")
    if driver == "sqlite":
        if not url.database or url.database == ":memory:":
            raise SettingsError("The archive's database names no file: give sqlite:///FILE.")
        return url.set(database=str(folder / Path(url.database).expanduser()))
    password = read_password("The database's", PASSWORD_VARIABLE, password_file)
    url = url.set(drivername=driver)
    return url if password is None else url.set(password=password.get_secret_value())
