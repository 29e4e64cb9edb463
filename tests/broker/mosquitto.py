"""Debian's mosquitto on a port of its own, to be started, stopped, restarted and killed by the tests."""

import asyncio
import signal
import socket
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

PROGRAM = Path("/usr/sbin/mosquitto")


def free_port() -> int:
    """Find a TCP port on loopback that is free now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Mosquitto:
    """One mosquitto with its folder; ``async with Mosquitto(folder) as broker``.

    It keeps its sessions on disk and saves them after `save_every` changes; or does all of what `config` says.
    """

    def __init__(
        self,
        folder: Path,
        *,
        extra: Sequence[str] = (),
        listener: Sequence[str] = (),
        save_every: int = 1,
        config: Sequence[str] = (),
    ) -> None:
        if not PROGRAM.exists():
            raise FileNotFoundError(
                f"{PROGRAM} is missing: install Debian's mosquitto (apt-get install mosquitto); "
                "these tests need a real broker."
            )
        self.port = free_port()
        self._config = folder / "mosquitto.conf"
        self._log = folder / "mosquitto.log"
        self._store = folder / "store"
        self._store.mkdir(mode=0o777)
        lines = [
            f"listener {self.port} 127.0.0.1",
            *listener,
            f"persistence_location {self._store}/",
            *(() if config else ("persistence true", "autosave_on_changes true", f"autosave_interval {save_every}")),
            "log_dest stderr",
            "log_type all",
            "user root",
            *(config or extra or ["allow_anonymous true"]),
        ]
        self._config.write_text("\n".join(lines) + "\n", encoding="utf-8")
        self._process: asyncio.subprocess.Process | None = None

    async def start(self) -> None:
        """Start and wait until it listens."""
        with self._log.open("ab") as log:
            self._process = await asyncio.create_subprocess_exec(
                PROGRAM, "-c", self._config, stdout=log, stderr=log, stdin=asyncio.subprocess.DEVNULL
            )
        while True:
            if self._process.returncode is not None:
                raise RuntimeError(f"mosquitto ended at once:\n{self._log.read_text(errors='replace')}")
            try:
                _, writer = await asyncio.open_connection("127.0.0.1", self.port)
            except OSError:
                await asyncio.sleep(0.01)
            else:
                writer.close()
                return

    async def stop(self, how: signal.Signals = signal.SIGTERM) -> None:
        """End it, politely unless told otherwise, and wait for that."""
        if self._process is not None and self._process.returncode is None:
            self._process.send_signal(how)
            await self._process.wait()

    async def kill(self) -> None:
        """End it at once: it saves nothing."""
        await self.stop(signal.SIGKILL)

    async def read_again(self) -> None:
        """Let it read its configuration again, the access list with it."""
        if self._process is None:
            raise RuntimeError("mosquitto was not started")
        # It listens before it heeds signals: one that comes earlier ends it.
        await self.logged("running")
        before = self.count("Reloading config")
        self._process.send_signal(signal.SIGHUP)
        read = False
        while not read:
            await asyncio.sleep(0.01)
            read = self.count("Reloading config") > before

    def freeze(self) -> None:
        """Let it hang: it keeps its port and answers nothing."""
        if self._process is None:
            raise RuntimeError("mosquitto was not started")
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Let it go on."""
        if self._process is None:
            raise RuntimeError("mosquitto was not started")
        self._process.send_signal(signal.SIGCONT)

    def count(self, *words: str) -> int:
        """How many lines of its log hold all of the words."""
        log = self._log.read_text(errors="replace")
        return sum(all(word in line for word in words) for line in log.splitlines())

    async def logged(self, text: str) -> None:
        """Wait until its log says so."""
        said = False
        while not said:
            await asyncio.sleep(0.01)
            said = text in self._log.read_text(errors="replace")

    def saved(self) -> dict[str, bytes]:
        """What it has on disk now. A file under way ends in .new and takes the other's place when it is whole."""
        return {file.name: file.read_bytes() for file in self._store.iterdir() if file.suffix != ".new"}

    def restore(self, saved: dict[str, bytes]) -> None:
        """Put an older save back, as if it had not saved since; nothing at all with an empty one."""
        for file in self._store.iterdir():
            file.unlink()
        for name, content in saved.items():
            (self._store / name).write_bytes(content)

    async def __aenter__(self) -> Self:
        await self.start()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._process is not None and self._process.returncode is None:
            self._process.send_signal(signal.SIGCONT)
            await self.kill()
