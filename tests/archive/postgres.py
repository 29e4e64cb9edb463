"""A private PostgreSQL server in a folder of its own, for the tests and benchmarks of the archive."""

import os
import pwd
import shutil
import signal
import subprocess
import tempfile
from pathlib import Path
from types import TracebackType
from typing import Self

import psycopg

PROGRAMS = Path("/usr/lib/postgresql")
"""Where Debian has the programs of each version."""


def programs() -> Path:
    """The folder of the newest version.

    Raises:
        FileNotFoundError: there is none.
    """
    found = sorted(PROGRAMS.glob("*/bin/initdb"), key=lambda path: int(path.parts[-3]))
    if not found:
        raise FileNotFoundError(
            f"{PROGRAMS}/*/bin/initdb is missing: install Debian's postgresql (apt-get install postgresql); "
            "these tests need a real server."
        )
    return found[-1].parent


def _as_somebody() -> list[str]:
    """The server refuses to run as root: then it is run as the user that Debian made for it."""
    if os.geteuid() != 0:
        return []
    return ["setpriv", "--reuid=postgres", "--regid=postgres", "--clear-groups"]


class Postgres:
    """``with Postgres() as server``: a fresh cluster on a Unix socket; nothing else can reach it."""

    def __init__(self, *, settings: tuple[str, ...] = ("fsync=off",)) -> None:
        self._programs = programs()
        self._settings = settings
        self.folder = Path(tempfile.mkdtemp(prefix="gaugelink-pg-"))
        self._process: subprocess.Popen[bytes] | None = None
        self._databases = 0

    def __enter__(self) -> Self:
        try:
            if os.geteuid() == 0:
                owner = pwd.getpwnam("postgres")
                os.chown(self.folder, owner.pw_uid, owner.pw_gid)
            subprocess.run(
                [
                    *_as_somebody(),
                    self._programs / "initdb",
                    *("--pgdata", self.folder / "data", "--username", "postgres", "--auth", "trust"),
                    *("--encoding", "UTF8", "--locale", "C.UTF-8", "--no-sync"),
                ],
                check=True,
                stdout=subprocess.DEVNULL,
                cwd="/",
            )
            self.start()
        except BaseException:
            shutil.rmtree(self.folder)
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop(signal.SIGINT)
        shutil.rmtree(self.folder)

    def start(self) -> None:
        """Start and wait until it takes connections."""
        settings = [word for setting in self._settings for word in ("-c", setting)]
        with (self.folder / "log").open("ab") as log:
            self._process = subprocess.Popen(
                [
                    *_as_somebody(),
                    self._programs / "postgres",
                    *("-D", self.folder / "data", "-k", self.folder, "-c", "listen_addresses=", *settings),
                ],
                cwd="/",
                stdout=log,
                stderr=log,
            )
        ready = [self._programs / "pg_isready", "-q", "-h", self.folder]
        while subprocess.run(ready, check=False).returncode != 0:
            if self._process.poll() is not None:
                raise RuntimeError(f"postgres ended at once:\n{(self.folder / 'log').read_text()}")

    def stop(self, how: signal.Signals = signal.SIGQUIT) -> None:
        """End it, by default at once, as if it had crashed, and wait for that."""
        if self._process is not None and self._process.poll() is None:
            self._process.send_signal(how)
            self._process.wait()

    def database(self) -> str:
        """Make an empty database and give its URL."""
        self._databases += 1
        name = f"archive_{self._databases}"
        with psycopg.connect(host=str(self.folder), user="postgres", autocommit=True) as connection:
            connection.execute(f"CREATE DATABASE {name}")
        return f"postgresql://postgres@/{name}?host={self.folder}"
