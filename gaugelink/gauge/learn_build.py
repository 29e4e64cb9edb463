"""From a guess to a layout, and to sentences that say why."""

from collections.abc import Sequence

import numpy as np

from gaugelink.engine.units import PressureUnit
from gaugelink.gauge.fields import BatteryField, Checksum, Counts, PressureField
from gaugelink.gauge.layout import GaugeLayout, Listen, Reference
from gaugelink.gauge.learn_frame import Frames, Ticker
from gaugelink.gauge.learn_guess import Guess
from gaugelink.gauge.learn_rivals import samples_of
from gaugelink.gauge.learn_types import LabelledSegment


def build_layout(
    guess: Guess,
    frames: Frames,
    tickers: Sequence[Ticker],
    checksum: Checksum | None,
    battery: BatteryField | None,
    listen: Listen,
    name: str,
    top_kpa: float | None,
) -> GaugeLayout:
    """Write a guess as a layout. `top_kpa` is where another reading of the bytes becomes possible."""
    unit = guess.scale.unit
    shortest = frames.head.shape[1]
    fit = not frames.fixed and guess.step > 0
    free = [ticker for ticker in tickers if _clear(ticker, guess, shortest, fit)]
    sequence = next((t.sequence(Counts.FRAMES) for t in free if t.step == 1), None)
    if sequence is None and guess.count > 1:
        sequence = next((t.sequence(Counts.SAMPLES) for t in free if t.step == guess.count), None)
    stamps = [t.device_time() for t in free if t.step not in (1, guess.count)]
    device_time = next((stamp for stamp in stamps if stamp is not None), None)
    end = guess.at + (guess.count - 1) * guess.step + guess.kind.width
    pressure = PressureField(
        at=guess.at,
        format=guess.kind.format,
        bytes=guess.kind.width if guess.kind.decimal else None,
        byte_order=guess.kind.order,
        scale=guess.scale.per_count,
        add=0.0 if guess.reference is Reference.ABSOLUTE else -guess.offset_counts * guess.scale.per_count,
        count="fit" if fit else guess.count,
        stride=guess.step if guess.step > guess.kind.width else None,
        tail=shortest - end if fit else 0,
    )
    return GaugeLayout(
        name=name,
        note="learnt from typed readings",
        listen=listen,
        unit=unit,
        reference=guess.reference,
        length=shortest if frames.fixed else None,
        pressure=pressure,
        sequence=sequence,
        device_time=device_time,
        battery=battery if battery is None or _clear(battery, guess, shortest, fit) else None,
        checksum=checksum,
        range=unit.from_kpa(top_kpa) if top_kpa is not None and top_kpa > 0 else None,
    )


def _clear(other: Ticker | BatteryField, guess: Guess, shortest: int, fit: bool) -> bool:
    """Whether something shares no byte with a sample; in longer frames than the shortest there may be more of them."""
    places = range(other.at, other.at + other.width)
    if not guess.places.isdisjoint(place if place >= 0 else shortest + place for place in places):
        return False
    behind = [place - guess.at for place in places if fit and place >= guess.at]
    return all(place % guess.step >= guess.kind.width for place in behind)


def describe(
    guess: Guess,
    frames: Frames,
    segments: Sequence[LabelledSegment],
    tickers: Sequence[Ticker],
    checksum: Checksum | None,
) -> tuple[str, ...]:
    """Say what speaks for a guess."""
    kind = guess.kind
    order = "" if kind.width == 1 else f", {'low' if kind.order.value == 'little' else 'high'} byte first"
    many = "" if guess.count == 1 else f", {guess.count} samples {guess.step} bytes apart"
    zero = {
        Reference.ABSOLUTE: f", absolute (ambient {-guess.add_kpa:.1f} kPa)",
        Reference.GAUGE: f", {guess.offset_counts:.0f} counts at no pressure" if guess.offset_counts else "",
    }[guess.reference]
    lines = [
        f"byte {guess.at}, {kind.width} wide, {kind.format.value}{order}{many}: "
        f"{guess.scale.per_count:g} {guess.scale.unit.value} a count{zero}"
    ]
    seen = samples_of(guess, frames).mean(axis=1)
    for j, segment in enumerate(segments):
        unit: PressureUnit = segment.unit
        read = unit.from_kpa(float(np.median(seen[frames.segment == j])))
        lines.append(f"{segment.shown:g} {unit.value} typed, {read:.2f} {unit.value} read")
    lines += [f"byte {ticker.at} counts: {ticker.step:g} a frame" for ticker in tickers]
    if checksum is not None:
        what = "is a checksum" if checksum.kind.width == 1 else "and the next are a checksum"
        lines.append(f"byte {checksum.at} from the end {what} ({checksum.kind.value}) of all frames seen")
    return tuple(lines)
