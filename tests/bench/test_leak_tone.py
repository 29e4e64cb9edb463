"""A leak is followed by the pitch of a tone."""

import asyncio
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from gaugelink.bench import tones
from gaugelink.bench.voice import Voice, VoiceSettings


def test_the_pitch_rises_and_falls_with_the_leak_and_stays_where_it_is_heard() -> None:
    shares = [-1.0, 0.0, 0.1, 0.5, 1.0, 4.0, 16.0, 1e6]
    pitches = [tones.leak_pitch_hz(share) for share in shares]
    assert all(after >= before for before, after in pairwise(pitches))
    assert (pitches[0], pitches[-1]) == (300.0, 1200.0)
    assert tones.leak_pitch_hz(1.0) == 600.0
    assert tones.leak_pitch_hz(16.0) == pytest.approx(1200.0)


@pytest.mark.parametrize("share", [0.2, 1.0, 5.0])
def test_the_tone_that_is_played_has_the_pitch_of_its_leak(share: float) -> None:
    samples = np.frombuffer(tones.leak_pcm(share), dtype="<i2").astype(np.float64)
    spectrum = np.abs(np.fft.rfft(samples, 1 << 17))
    strongest = float(np.fft.rfftfreq(1 << 17, 1.0 / tones.RATE_HZ)[int(spectrum.argmax())])
    assert strongest == pytest.approx(tones.leak_pitch_hz(share), abs=3.0)


async def test_the_tone_reaches_the_player(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    player = tmp_path / "aplay"
    player.write_text(f"#!/bin/sh\ncat > {tmp_path}/played\n")
    player.chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path}:/usr/bin:/bin")
    async with Voice(VoiceSettings(speech=False)) as voice, asyncio.timeout(20.0):
        await voice.play(tones.leak_pcm(1.0))
        await voice.quiet()
    assert (tmp_path / "played").read_bytes() == tones.leak_pcm(1.0)
    async with Voice(VoiceSettings(speech=False, tones=False)) as voice:
        await voice.play(b"nothing")
        assert voice.fault is None
