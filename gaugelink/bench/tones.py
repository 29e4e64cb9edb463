"""Short sounds that say it without words, told apart by their melody alone: rising, repeated, falling.

Pitches lie between 400 and 1100 Hz, where a two-stroke shop and hearing protection leave most room (from memory).
Each is shorter than a quarter of a second but the last two, so that the sentence behind it does not wait.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaugelink.bench.prompt_keys import Tone

RATE_HZ = 22050
"""Samples per second of the sound."""


@dataclass(frozen=True, slots=True)
class Note:
    """One pitch for a time; a pitch of 0 is silence."""

    pitch_hz: float
    length_s: float


_GAP = Note(0.0, 0.04)

MELODIES: dict[Tone, tuple[Note, ...]] = {
    Tone.NONE: (),
    Tone.GOOD: (Note(880.0, 0.12),),
    Tone.AGAIN: (Note(660.0, 0.08), _GAP, Note(660.0, 0.08)),
    Tone.NEXT: (Note(523.0, 0.08), Note(784.0, 0.14)),
    Tone.DONE: (Note(523.0, 0.09), Note(659.0, 0.09), Note(784.0, 0.09), Note(1047.0, 0.2)),
    Tone.TROUBLE: (Note(622.0, 0.14), Note(440.0, 0.2)),
}
"""Good is one note, again the same note twice, next a step up, done a climb of four, trouble a step down."""


def length_s(tone: Tone) -> float:
    """Return how long a tone sounds, in seconds."""
    return sum(note.length_s for note in MELODIES[tone])


def sound(tone: Tone) -> NDArray[np.float64]:
    """Return the samples of a tone, shape (n,), between -1 and 1, at `RATE_HZ`."""
    parts = [_note(note) for note in MELODIES[tone]]
    return np.concatenate(parts) if parts else np.zeros(0)


def pcm(tone: Tone) -> bytes:
    """Return a tone as raw signed 16-bit little-endian samples, one channel."""
    return (sound(tone) * 0.6 * 32767).astype("<i2").tobytes()


def leak_pitch_hz(share: float) -> float:
    """Pitch by which a leak is followed: 600 Hz at its limit, an octave up for sixteen times as much; 300 to 1200 Hz.

    `share` is the leak over its limit; nothing, or less than nothing, is the lowest pitch.
    """
    return float(np.clip(600.0 * max(share, 0.0) ** 0.25, 300.0, 1200.0))


def leak_pcm(share: float) -> bytes:
    """Return a short tone for a leak (`share` of its limit) as raw signed 16-bit little-endian samples."""
    return (_note(Note(leak_pitch_hz(share), 0.25)) * 0.6 * 32767).astype("<i2").tobytes()


def _note(note: Note) -> NDArray[np.float64]:
    time_s = np.arange(round(note.length_s * RATE_HZ)) / RATE_HZ
    # A ramp of 8 ms at both ends: a tone that starts at full strength clicks.
    ramp = np.minimum(1.0, np.minimum(time_s, time_s[-1] - time_s) / 0.008)
    # A little of the third harmonic makes it carry on a small loudspeaker.
    angle = 2 * np.pi * note.pitch_hz * time_s
    out: NDArray[np.float64] = ramp * (0.85 * np.sin(angle) + 0.15 * np.sin(3 * angle))
    return out
