"""Prompts made audible: a speech program and a player as subprocesses, never waited for.

The latest prompt wins: what is being said is cut off. Without a speech program there is silence, and `faults`
says why.
"""

import asyncio
import shutil
import sys
from collections.abc import Sequence
from types import TracebackType
from typing import Annotated, Self, TextIO
from xml.sax.saxutils import escape

from pydantic import Field

from gaugelink.bench import tones
from gaugelink.bench.prompt_keys import Tone
from gaugelink.bench.prompts import Prompt
from gaugelink.settings import Settings
from gaugelink.timelimit import time_limit

_PLAYERS: dict[str, tuple[str, ...]] = {
    "aplay": ("-q", "-t", "raw", "-f", "S16_LE", "-c", "1", "-r", str(tones.RATE_HZ), "-"),
    "paplay": ("--raw", "--format=s16le", "--channels=1", f"--rate={tones.RATE_HZ}"),
}
"""Players that take raw samples on their standard input (ALSA's and PulseAudio's)."""

_PATIENCE_S = 0.5


class VoiceSettings(Settings):
    """How prompts sound on this machine."""

    speech: bool = True
    """Say every prompt."""
    tones: bool = True
    """Play the tone of every prompt."""
    program: Annotated[str, Field(min_length=1)] = "espeak-ng"
    """The speech program; it must take the options of espeak-ng."""
    voice: Annotated[str, Field(pattern=r"^[A-Za-z0-9+_-]+$")] = "en"
    """Name of the voice, ``en``, ``en-us`` or ``en+f3``: see ``espeak-ng --voices``."""
    words_per_minute: Annotated[int, Field(ge=80, le=450)] = 160
    volume: Annotated[int, Field(ge=0, le=200)] = 120
    """100 is the program's own; more is louder and may distort."""


def faults(settings: VoiceSettings) -> list[str]:
    """Return what will not be heard on this machine and why, one sentence each; empty when all is well."""
    found = []
    if settings.speech and shutil.which(settings.program) is None:
        found.append(
            f"Prompts are not spoken: the program {settings.program} is not installed. "
            "Install it (Debian: espeak-ng) or set speech = false."
        )
    if settings.tones and _player() is None:
        found.append(
            "Tones are one terminal bell, the same for all: no player is installed. "
            f"Install one of {', '.join(_PLAYERS)} (Debian: alsa-utils) or set tones = false."
        )
    return found


class Voice:
    """Says prompts. Used as ``async with Voice(settings) as voice: voice.say(prompts)``."""

    def __init__(self, settings: VoiceSettings, bell: TextIO | None = None) -> None:
        """Prepare; `bell` is where the terminal bell is written when there is no player, by default standard error."""
        self.settings = settings
        self.fault: str | None = None
        """Why the last prompt was not heard, one sentence, or None."""
        self.started = 0
        """Speech programs started so far."""
        self._bell = bell
        self._waiting: tuple[Prompt, ...] = ()
        self._wake = asyncio.Event()
        self._taken = asyncio.Event()
        self._taken.set()
        self._task: asyncio.Task[None] | None = None
        self._running: list[asyncio.subprocess.Process] = []
        self._watchers: set[asyncio.Task[None]] = set()

    async def __aenter__(self) -> Self:
        """Start listening for prompts."""
        self._task = asyncio.create_task(self._speak_on(), name="voice")
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Fall silent at once."""
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)
        await self._hush()
        if self._watchers:
            await asyncio.gather(*self._watchers)

    def say(self, prompts: Sequence[Prompt]) -> None:
        """Say these prompts in one breath, in place of what is being said or waiting. Returns at once."""
        if prompts:
            self._waiting = tuple(prompts)
            self._taken.clear()
            self._wake.set()

    async def play(self, samples: bytes) -> None:
        """Play raw samples beside what is being said; nothing is heard where tones are off or there is no player."""
        player = _player()
        if self.settings.tones and player is not None:
            await self._run((player, *_PLAYERS[player]), samples)

    async def underway(self) -> None:
        """Wait until the latest prompt is being said, or could not be."""
        await self._taken.wait()

    async def quiet(self) -> None:
        """Wait until everything has been said, or could not be."""
        await self.underway()
        while self._watchers:
            await asyncio.wait(self._watchers)

    async def _speak_on(self) -> None:
        while True:
            await self._wake.wait()
            self._wake.clear()
            prompts, self._waiting = self._waiting, ()
            await self._hush()
            await self._start(prompts)
            if not self._wake.is_set():
                self._taken.set()

    async def _start(self, prompts: tuple[Prompt, ...]) -> None:
        tone = next((prompt.tone for prompt in reversed(prompts) if prompt.tone is not Tone.NONE), Tone.NONE)
        if not self.settings.tones:
            tone = Tone.NONE
        player = _player()
        if tone is not Tone.NONE and player is None:
            self._ring()
            tone = Tone.NONE
        if self.settings.speech:
            # The speech program starts at once and stays silent for as long as the tone sounds.
            pause_ms = round(1000 * tones.length_s(tone))
            lead = f'<break time="{pause_ms}ms"/>' if pause_ms else ""
            text = lead + escape(" ".join(prompt.spoken for prompt in prompts))
            settings = self.settings
            options = ("-m", "-v", settings.voice, "-s", str(settings.words_per_minute), "-a", str(settings.volume))
            if await self._run((settings.program, *options, "--stdin"), text.encode()):
                self.started += 1
        if tone is not Tone.NONE and player is not None:
            await self._run((player, *_PLAYERS[player]), tones.pcm(tone))

    async def _run(self, command: tuple[str, ...], data: bytes) -> bool:
        try:
            process = await asyncio.create_subprocess_exec(
                *command,
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.DEVNULL,
                stderr=asyncio.subprocess.PIPE,
            )
        except OSError as error:
            self.fault = f"{command[0]} cannot be started: {error.strerror}."
            return False
        self._running.append(process)
        watcher = asyncio.create_task(self._watch(process, command[0], data), name=f"voice {command[0]}")
        self._watchers.add(watcher)
        watcher.add_done_callback(self._watchers.discard)
        return True

    async def _watch(self, process: asyncio.subprocess.Process, program: str, data: bytes) -> None:
        _, complaint = await process.communicate(data)
        if process in self._running:
            self._running.remove(process)
            lines = complaint.decode(errors="replace").strip().splitlines()
            # espeak-ng ends with 0 although it found no sound device: its last line tells.
            failed = process.returncode or (lines and lines[-1].lower().startswith("error"))
            why = lines[-1].rstrip(".") if lines else f"it ended with {process.returncode}"
            self.fault = f"{program} is not heard: {why}." if failed else None

    async def _hush(self) -> None:
        """End what is being said. A program that was cut off is not at fault."""
        running, self._running = self._running, []
        for process in running:
            if process.returncode is None:
                process.terminate()
        for process in running:
            try:
                async with time_limit(_PATIENCE_S):
                    await process.wait()
            except TimeoutError:
                process.kill()
                await process.wait()

    def _ring(self) -> None:
        bell = self._bell or sys.stderr
        if bell.isatty():
            bell.write("\a")
            bell.flush()


def _player() -> str | None:
    return next((player for player in _PLAYERS if shutil.which(player) is not None), None)
