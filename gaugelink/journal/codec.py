"""Cranking events as JSON and raw samples as compressed bytes, both without loss.

A blob of samples is a JSON header, length first, then the arrays. The bytes of each float array are
transposed before they are compressed, so that the nearly constant sign and exponent bytes lie together.
"""

import json
import struct
import zlib
from typing import Any

import numpy as np

from gaugelink.errors import EntryError
from gaugelink.peak.events import (
    BoolArray,
    BudgetLine,
    CrankingEvent,
    EventSamples,
    FittedCurve,
    Flag,
    FloatArray,
    GaugeKind,
    Method,
    Stroke,
)

_MAGIC = b"GLS1"
_LENGTHS = struct.Struct("<4sII")
"""Magic, bytes of the header, number of samples."""


def event_to_json(event: CrankingEvent) -> str:
    """Write an event as one JSON object. Floats keep every bit."""
    fitted = event.fitted
    document: dict[str, Any] = {
        "kind": event.kind,
        "start_s": event.start_s,
        "end_s": event.end_s,
        "peak_kpa": event.peak_kpa,
        "peak_u_kpa": event.peak_u_kpa,
        "method": event.method,
        "cranking_rpm": event.cranking_rpm,
        "strokes": [[s.time_s, s.peak_kpa, s.peak_u_kpa] for s in event.strokes],
        "flags": sorted(event.flags),
        "budget": [[line.source, line.u_kpa, line.common] for line in event.budget],
        "zero_kpa": event.zero_kpa,
        "zero_drift_kpa": event.zero_drift_kpa,
        "first_stroke_kpa": event.first_stroke_kpa,
        "climb_per_stroke": event.climb_per_stroke,
        "projected_kpa": event.projected_kpa,
        "projected_u_kpa": event.projected_u_kpa,
        "fitted": None if fitted is None else [fitted.time_s.tolist(), fitted.pressure_kpa.tolist()],
    }
    return json.dumps(document)


def event_from_json(text: str) -> CrankingEvent:
    """Read back what `event_to_json` wrote; what an older version did not write takes its default.

    Raises:
        EntryError: the text is not an event.
    """
    try:
        document = json.loads(text)
        fitted = document.pop("fitted", None)
        return CrankingEvent(
            **{
                **document,
                "kind": GaugeKind(document["kind"]),
                "method": Method(document["method"]),
                "strokes": tuple(Stroke(*stroke) for stroke in document["strokes"]),
                "flags": frozenset(Flag(flag) for flag in document["flags"]),
                "budget": tuple(BudgetLine(*line) for line in document.get("budget", [])),
                "fitted": None if fitted is None else FittedCurve(_floats(fitted[0]), _floats(fitted[1])),
            }
        )
    except (ValueError, TypeError, KeyError) as error:
        raise EntryError(f"A stored cranking event cannot be read ({error}); the journal may be damaged.") from error


def _floats(values: list[float]) -> FloatArray:
    return np.asarray(values, dtype=np.float64)


def samples_to_blob(samples: EventSamples) -> bytes:
    """Pack the raw samples of an event, every bit of them."""
    header = json.dumps(
        {
            "lost_samples": samples.lost_samples,
            "kind": samples.kind,
            "zero_kpa": samples.zero_kpa,
            "zero_u_kpa": samples.zero_u_kpa,
            "noise_kpa": samples.noise_kpa,
            "zero_drift_kpa": samples.zero_drift_kpa,
            "flags": sorted(samples.flags),
        }
    ).encode()
    body = b"".join(
        (
            _shuffled(samples.time_s),
            _shuffled(samples.pressure_kpa),
            np.packbits(samples.over_range).tobytes(),
        )
    )
    return _LENGTHS.pack(_MAGIC, len(header), samples.time_s.size) + header + zlib.compress(body, 6)


def samples_from_blob(blob: bytes) -> EventSamples:
    """Unpack what `samples_to_blob` packed.

    Raises:
        EntryError: the bytes are not packed samples.
    """
    try:
        magic, header_bytes, count = _LENGTHS.unpack_from(blob)
        if magic != _MAGIC:
            raise EntryError(f"Stored samples begin with {magic!r}, not {_MAGIC!r}: a newer version wrote them.")
        start = _LENGTHS.size
        header = json.loads(blob[start : start + header_bytes])
        body = zlib.decompress(blob[start + header_bytes :])
        return EventSamples(
            time_s=_unshuffled(body[: 8 * count], count),
            pressure_kpa=_unshuffled(body[8 * count : 16 * count], count),
            over_range=_bits(body[16 * count :], count),
            lost_samples=header["lost_samples"],
            kind=GaugeKind(header["kind"]),
            zero_kpa=header["zero_kpa"],
            zero_u_kpa=header["zero_u_kpa"],
            noise_kpa=header["noise_kpa"],
            zero_drift_kpa=header["zero_drift_kpa"],
            flags=frozenset(Flag(flag) for flag in header["flags"]),
        )
    except (struct.error, zlib.error, ValueError, KeyError) as error:
        raise EntryError(f"Stored samples cannot be unpacked ({error}); the journal may be damaged.") from error


def _shuffled(values: FloatArray) -> bytes:
    raw = np.ascontiguousarray(values, dtype="<f8").view(np.uint8)
    return raw.reshape(-1, 8).T.tobytes()


def _unshuffled(raw: bytes, count: int) -> FloatArray:
    lanes = np.frombuffer(raw, dtype=np.uint8).reshape(8, count)
    return np.ascontiguousarray(lanes.T).view("<f8").reshape(count).astype(np.float64)


def _bits(raw: bytes, count: int) -> BoolArray:
    return np.unpackbits(np.frombuffer(raw, dtype=np.uint8), count=count).astype(np.bool_)
