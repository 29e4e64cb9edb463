"""Learns a text protocol: which number of an ASCII line is the pressure."""

import re
from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from gaugelink.gauge.decode import numbers_in
from gaugelink.gauge.fields import TextLine
from gaugelink.gauge.layout import GaugeLayout, Listen, Reference
from gaugelink.gauge.learn_guess import WANDER_KPA, Readings, fit_scales
from gaugelink.gauge.learn_scales import TEXT_SCALES
from gaugelink.gauge.learn_types import Candidate, LabelledSegment, LearnResult

PRINTABLE = frozenset(range(32, 127)) | {9, 10, 13}
LEAST_LINES = 5


def is_text(segments: Sequence[LabelledSegment]) -> bool:
    """Whether every frame is printable ASCII."""
    payloads = [payload for segment in segments for _, payload in segment.frames]
    digits = sum(48 <= byte <= 57 for payload in payloads for byte in payload)
    return (
        bool(payloads)
        and digits > len(payloads)
        and all(PRINTABLE.issuperset(payload.rstrip(b"\x00")) for payload in payloads)
    )


def learn_text(segments: Sequence[LabelledSegment], missing: list[str], listen: Listen, name: str) -> LearnResult:
    """Find the number that is the pressure."""
    across = _cut(segments)
    lines = [_lines(segment, across) for segment in segments]
    candidates: list[Candidate] = []
    for prefix in _prefixes(lines):
        for comma in (False, True):
            candidates += _candidates(segments, lines, prefix, comma, across, listen, name)
    candidates = [c for c in candidates if not _cut_at_comma(c, candidates, lines)]
    candidates.sort(key=lambda candidate: candidate.cost)
    missing = list(missing)
    notes: list[str] = []
    if not candidates:
        missing.append("No number of the text follows the typed readings; check the readings and the unit.")
        return LearnResult(None, (), tuple(missing))
    same = [c for c in candidates[1:] if not _agree(candidates[0].layout, c.layout, segments, lines)]
    if same:
        missing.append("Several numbers of the line agree with the readings; apply another pressure.")
        top = max(segment.shown_kpa for segment in segments)
        return LearnResult(None, tuple(candidates), tuple(missing), 1.6 * top)
    notes += [f"{c.evidence[0]} holds the same pressure again." for c in candidates[1:]]
    return LearnResult(None if missing else candidates[0].layout, tuple(candidates), tuple(missing), None, tuple(notes))


def _cut_at_comma(one: Candidate, candidates: Sequence[Candidate], lines: Sequence[Sequence[bytes]]) -> bool:
    """Whether a candidate is but the part before a decimal comma: all that follow have as many digits, some a zero."""
    mine = one.layout.text
    if mine is None or mine.decimal_comma or not any(c.layout.text and c.layout.text.decimal_comma for c in candidates):
        return False
    parts = [found for segment in lines for line in segment for found in re.findall(rb"\d,(\d+)", line)]
    digits = {len(part) for part in parts}
    return len(digits) == 1 and (digits == {1} or any(part.startswith(b"0") for part in parts))


def _cut(segments: Sequence[LabelledSegment]) -> bool:
    """Whether frames cut lines: some frame ends inside a line or holds more than one."""
    whole = re.compile(rb"[^\r\n]+[\r\n\x00]*")
    payloads = [payload for segment in segments for _, payload in segment.frames]
    ended = [payload.rstrip(b"\x00").endswith((b"\n", b"\r")) for payload in payloads]
    if not any(ended) and not any(b"\n" in payload or b"\r" in payload for payload in payloads):
        return False
    return not (all(ended) and all(whole.fullmatch(payload) for payload in payloads))


def _lines(segment: LabelledSegment, across: bool) -> list[bytes]:
    if not across:
        return [payload.strip(b"\x00\r\n") for _, payload in segment.frames]
    text = b"".join(payload for _, payload in segment.frames)
    # The first piece may have begun before the segment did.
    return [line for line in re.split(rb"[\r\n]+", text)[1:-1] if line]


def _prefixes(lines: Sequence[Sequence[bytes]]) -> list[str]:
    """Beginnings of lines, up to the first number, that every segment has enough of."""
    heads: dict[bytes, list[int]] = defaultdict(lambda: [0] * len(lines))
    for j, segment in enumerate(lines):
        for line in segment:
            heads[re.split(rb"[-+.]?\d", line, maxsplit=1)[0]][j] += 1
    good = [head for head, counts in heads.items() if min(counts) >= LEAST_LINES]
    if len(heads) == len(good) == 1:
        return [good[0].decode()]
    return [head.decode() for head in good if head]


def _values(lines: Sequence[bytes], prefix: str, comma: bool) -> np.ndarray | None:
    found = [numbers_in(line, comma) for line in lines if line.startswith(prefix.encode())]
    widths = {len(numbers) for numbers in found}
    return np.array(found) if len(widths) == 1 and found and found[0] else None


def _candidates(
    segments: Sequence[LabelledSegment],
    lines: Sequence[Sequence[bytes]],
    prefix: str,
    comma: bool,
    across: bool,
    listen: Listen,
    name: str,
) -> list[Candidate]:
    if comma and not any(re.search(rb"\d,\d", line) for segment in lines for line in segment):
        return []
    tables = [_values(segment, prefix, comma) for segment in lines]
    blocks = [table for table in tables if table is not None]
    if len(blocks) != len(lines) or len({block.shape[1] for block in blocks}) != 1:
        return []
    readings = Readings.of(segments)
    limit = max(WANDER_KPA, 0.01 * readings.span_kpa, 3 * max(segment.step_kpa for segment in segments))
    unit = segments[0].unit
    sequence, wrap = _counter(blocks)
    battery = _battery(blocks, segments)
    made = []
    for k in range(blocks[0].shape[1]):
        middle = np.array([np.median(block[:, k]) for block in blocks])
        spread = np.array([np.ptp(np.quantile(block[:, k], (0.1, 0.9))) for block in blocks])
        for scale, add, reference, offset, misfit in fit_scales(
            middle, spread, readings, TEXT_SCALES, limit, floating=True
        ):
            layout = GaugeLayout(
                name=name, note="learnt from typed readings", listen=listen, unit=scale.unit, reference=reference,
                text=TextLine(
                    number=k, prefix=prefix, scale=scale.per_count, across_frames=across, decimal_comma=comma,
                    sequence=None if sequence == k else sequence, battery=None if battery == k else battery,
                    **({"sequence_wrap": wrap} if wrap else {}),
                ),
            )  # fmt: skip
            zero = f", absolute (ambient {-add:.1f} kPa)" if reference is Reference.ABSOLUTE else ""
            what = f"number {k} of the line, {scale.per_count:g} {scale.unit.value}{zero}"
            cost = (
                scale.cost + (0.0 if scale.unit is unit else 1.0) + misfit + offset + (1.0 if comma else 0.0) + 0.1 * k
            )
            shown = [f"{s.shown:g} {s.unit.value} typed, {m:g} sent" for s, m in zip(segments, middle, strict=True)]
            made.append(Candidate(layout, cost, (what, *shown)))
    return made


def _counter(blocks: Sequence[np.ndarray]) -> tuple[int | None, int | None]:
    for k in range(blocks[0].shape[1]):
        moved = np.concatenate([np.diff(block[:, k]) for block in blocks])
        up = moved[moved > 0]
        top = max(block[:, k].max() for block in blocks)
        falls = moved[moved < 0]
        if len(up) >= LEAST_LINES and (up == 1).mean() > 0.7 and len(falls) <= 0.1 * len(moved) and (moved != 0).all():
            return k, int(top) + 1 if len(falls) else None
    return None, None


def _battery(blocks: Sequence[np.ndarray], segments: Sequence[LabelledSegment]) -> int | None:
    typed = [(j, segment.battery_percent) for j, segment in enumerate(segments) if segment.battery_percent is not None]
    found = [
        k
        for k in range(blocks[0].shape[1])
        if typed and all(np.abs(blocks[j][:, k] - percent).max() <= 1 for j, percent in typed)
    ]
    return found[0] if len(found) == 1 else None


def _agree(
    one: GaugeLayout, other: GaugeLayout, segments: Sequence[LabelledSegment], lines: Sequence[Sequence[bytes]]
) -> bool:
    """Whether two layouts read every line as the same pressure, as closely as their last digits allow."""
    a, b = (_read(layout, lines) for layout in (one, other))
    if a is None or b is None or len(a) != len(b):
        return False
    off = a - b
    off = off - np.median(off)
    grain = sum(
        layout.unit.kpa * (layout.text.scale if layout.text else 1.0) * _grain(layout, lines) for layout in (one, other)
    )
    return bool(np.ptp(a) > 0 and (np.abs(off) <= 0.6 * grain + 1e-6).all())


def _read(layout: GaugeLayout, lines: Sequence[Sequence[bytes]]) -> np.ndarray | None:
    text = layout.text
    if text is None:
        return None
    table = _values([line for segment in lines for line in segment], text.prefix, text.decimal_comma)
    return None if table is None else table[:, text.number] * text.scale * layout.unit.kpa


def _grain(layout: GaugeLayout, lines: Sequence[Sequence[bytes]]) -> float:
    text = layout.text
    table = (
        None
        if text is None
        else _values([line for segment in lines for line in segment], text.prefix, text.decimal_comma)
    )
    if table is None or text is None:
        return 0.0
    column = table[:, text.number]
    for power in range(6):
        if np.allclose(column * 10**power, np.rint(column * 10**power), atol=1e-6):
            return 10.0**-power
    return 0.0
