"""Tones are told apart by their melody, and are real sound."""

from itertools import pairwise

import numpy as np
import pytest

from gaugelink.bench import tones
from gaugelink.bench.prompt_keys import Tone

SOUNDS = [tone for tone in Tone if tone is not Tone.NONE]


def contour(tone: Tone) -> tuple[int, ...]:
    pitches = [note.pitch_hz for note in tones.MELODIES[tone] if note.pitch_hz]
    return tuple(int(np.sign(after - before)) for before, after in pairwise(pitches))


def test_no_two_tones_have_the_same_melody() -> None:
    assert len({contour(tone) for tone in SOUNDS}) == len(SOUNDS)


@pytest.mark.parametrize("tone", SOUNDS)
def test_a_tone_is_sound_of_its_length_that_is_heard(tone: Tone) -> None:
    samples = np.frombuffer(tones.pcm(tone), dtype="<i2")
    assert samples.size / tones.RATE_HZ == pytest.approx(tones.length_s(tone), abs=0.001)
    assert 0.3 * 32767 < np.abs(samples).max() < 32767
    assert abs(int(samples[0])) < 300
    assert abs(int(samples[-1])) < 300


@pytest.mark.parametrize("tone", SOUNDS)
def test_the_strongest_pitch_of_the_first_note_is_the_one_written(tone: Tone) -> None:
    first = tones.MELODIES[tone][0]
    count = round(first.length_s * tones.RATE_HZ)
    spectrum = np.abs(np.fft.rfft(tones.sound(tone)[:count], 1 << 16))
    found_hz = np.fft.rfftfreq(1 << 16, 1 / tones.RATE_HZ)[spectrum.argmax()]
    assert found_hz == pytest.approx(first.pitch_hz, rel=0.01)


def test_no_tone_keeps_the_sentence_waiting() -> None:
    assert max(tones.length_s(tone) for tone in Tone) < 0.5
    assert tones.sound(Tone.NONE).size == 0
