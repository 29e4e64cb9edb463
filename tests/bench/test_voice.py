"""The voice: a subprocess that never blocks, the latest prompt wins, silence where it is missing."""

import asyncio
import io
import os
import stat
import sys
from pathlib import Path

import pytest

from gaugelink.bench.english import ENGLISH
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.prompts import Prompt, Prompter
from gaugelink.bench.voice import Voice, VoiceSettings, faults
from gaugelink.engine.units import PressureUnit

SAY = Prompter(PressureUnit.PSI, ENGLISH)


def again(name: str) -> Prompt:
    return SAY.say(PromptKey.AGAIN, cylinder=name, value=924.0)


def speaker(folder: Path, body: str) -> str:
    """Write a speech program: it puts what it is given into a pipe, then does `body`."""
    os.mkfifo(folder / "said")
    program = folder / "speaker"
    program.write_text(
        f"#!{sys.executable}\n"
        "import signal, sys, time\n"
        "text = sys.stdin.read()\n"
        f"with open({str(folder / 'said')!r}, 'w') as said:\n"
        "    said.write(' '.join(sys.argv[1:]) + '|' + text)\n"
        f"{body}\n"
    )
    program.chmod(program.stat().st_mode | stat.S_IXUSR)
    return str(program)


async def heard(folder: Path) -> str:
    """Wait for the speech program and return its options and text."""
    return await asyncio.to_thread((folder / "said").read_text)


async def test_a_prompt_is_spoken_with_the_voice_and_rate_of_the_shop_file(tmp_path: Path) -> None:
    program = speaker(tmp_path, "")
    settings = VoiceSettings(program=program, voice="en+f3", words_per_minute=140, tones=False)
    async with Voice(settings) as voice:
        voice.say([again("MAG")])
        said = await heard(tmp_path)
    assert said == "-m -v en+f3 -s 140 -a 120 --stdin|Mag, one hundred and thirty-four. Once more."


async def test_the_latest_prompt_wins(tmp_path: Path) -> None:
    program = speaker(tmp_path, "time.sleep(600)")
    async with Voice(VoiceSettings(program=program, tones=False)) as voice:
        voice.say([again("PTO")])
        assert "P T O" in await heard(tmp_path)
        for name in ("middle", "2", "MAG"):
            voice.say([again(name)])
        assert "Mag" in await heard(tmp_path)
    assert voice.started == 2
    assert voice.fault is None


async def test_saying_never_waits_and_closing_is_quick_while_it_speaks(tmp_path: Path) -> None:
    program = speaker(tmp_path, "signal.signal(signal.SIGTERM, signal.SIG_IGN)\ntime.sleep(600)")
    async with Voice(VoiceSettings(program=program, tones=False)) as voice:
        voice.say([again("MAG")])
        assert voice.started == 0
        await heard(tmp_path)
    assert voice.started == 1


async def test_several_sentences_are_one_breath(tmp_path: Path) -> None:
    program = speaker(tmp_path, "")
    async with Voice(VoiceSettings(program=program, tones=False)) as voice:
        voice.say(SAY.cautions())
        said = await heard(tmp_path)
    assert said.count(".") >= 6


async def test_a_missing_program_is_silence_and_said_so(tmp_path: Path) -> None:
    settings = VoiceSettings(program=str(tmp_path / "nothing-here"), tones=False)
    assert "not installed" in faults(settings)[0]
    async with Voice(settings) as voice:
        voice.say([again("MAG")])
        await voice.quiet()
    assert voice.fault is not None
    assert "cannot be started" in voice.fault


@pytest.mark.parametrize(
    ("body", "why"),
    [
        ("sys.exit('no such voice')", "no such voice"),
        ("print('error: No such file or directory', file=sys.stderr)", "No such file"),
    ],
)
async def test_a_program_that_fails_says_why(tmp_path: Path, body: str, why: str) -> None:
    async with Voice(VoiceSettings(program=speaker(tmp_path, body), tones=False)) as voice:
        voice.say([again("MAG")])
        await heard(tmp_path)
        await voice.quiet()
    assert voice.fault is not None
    assert why in voice.fault


async def test_without_a_player_the_terminal_bell_rings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setenv("PATH", str(tmp_path))
    bell = Terminal()
    assert "terminal bell" in faults(VoiceSettings(speech=False))[0]
    async with Voice(VoiceSettings(speech=False), bell) as voice:
        voice.say([again("MAG")])
        await voice.quiet()
    assert bell.getvalue() == "\a"


async def test_a_player_gets_the_tone_and_the_voice_waits_for_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    player = tmp_path / "aplay"
    player.write_text(f"#!/bin/sh\n/bin/cat > {tmp_path}/tone\n")
    player.chmod(0o755)
    program = speaker(tmp_path, "")
    monkeypatch.setenv("PATH", str(tmp_path))
    async with Voice(VoiceSettings(program=program)) as voice:
        voice.say([again("MAG")])
        said = await heard(tmp_path)
        await voice.quiet()
    assert '|<break time="200ms"/>Mag' in said
    assert len((tmp_path / "tone").read_bytes()) > 5000
