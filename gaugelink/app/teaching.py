"""Teaches the bench a gauge: a few pressures applied, what its display shows typed in, and its bytes are understood.

The person and the radio are both behind small edges, so that a terminal, a recording and the demo teach alike.
"""

import asyncio
import math
from abc import ABC, abstractmethod
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from decimal import InvalidOperation

from gaugelink.engine.units import PressureUnit
from gaugelink.errors import GaugeError
from gaugelink.gauge.ambient import HIGHEST_KPA, LOWEST_KPA
from gaugelink.gauge.inspect import Inspector, LiveValue
from gaugelink.gauge.intake import Intake
from gaugelink.gauge.layout import GaugeLayout, How, Listen
from gaugelink.gauge.learn import learn
from gaugelink.gauge.learn_types import LabelledSegment, LearnResult

HOLD_S = 2.5
"""How long the pressure is held after its reading was typed."""
WATCH_S = 3600.0
MOST_ROUNDS = 8
FIRST_STEPS_PSI = (0.0, 20.0, 60.0)
"""Open to the air, and what a bicycle pump gives without effort."""
FAR = 3.0
"""Times what was asked: nobody misses it by more, and units are further apart. Common practice, no source."""
AGREES = 0.02
"""The taught gauge must show the typed reading within this share, or within its display's step."""


class Hand(ABC):
    """Who applies the pressures and reads the display: a person at a terminal, or a simulated one."""

    unit: PressureUnit
    """The unit of the gauge's own display."""

    @abstractmethod
    async def reading(self, wanted_kpa: float) -> str:
        """Ask for a pressure near `wanted_kpa` to be applied and held; give what the display shows, as typed.

        An empty answer gives up.
        """

    @abstractmethod
    def say(self, sentence: str) -> None:
        """Tell something."""


@dataclass(frozen=True, slots=True)
class Taught:
    """What came of the teaching."""

    result: LearnResult
    segments: tuple[LabelledSegment, ...]
    checked_kpa: float | None
    """What the new layout makes of the frames at the end, or None when there is no layout."""


class _Ear:
    """Collects what the device sends, all the time."""

    def __init__(self) -> None:
        self.heard: list[LiveValue] = []

    async def listen(self, inspector: Inspector) -> None:
        """Listen until cancelled."""
        async for value in inspector.watch(WATCH_S):
            self.heard.append(value)

    def characteristic(self) -> str:
        """The characteristic that sends most.

        Raises:
            GaugeError: nothing sends.
        """
        uuids = [value.characteristic for value in self.heard]
        if not uuids:
            raise GaugeError(
                "The device sends nothing by itself. Look into it with `gaugelink inspect`: it may have to be written "
                "to before it streams, or be read."
            )
        return max(set(uuids), key=uuids.count)

    def since(self, index: int, characteristic: str) -> list[tuple[float, bytes]]:
        """Frames of a characteristic after so many were heard in all."""
        return [(v.time_s, v.payload) for v in self.heard[index:] if v.characteristic == characteristic]


async def teach(inspector: Inspector, hand: Hand, name: str = "taught gauge") -> Taught:
    """Teach the gauge that is connected.

    Raises:
        GaugeError: the device sends nothing, or goes away.
    """
    ear = _Ear()
    listening = asyncio.create_task(ear.listen(inspector), name="teaching")
    try:
        return await _rounds(ear, inspector, hand, name)
    finally:
        listening.cancel()
        with suppress(asyncio.CancelledError):
            await listening


async def _rounds(ear: _Ear, inspector: Inspector, hand: Hand, name: str) -> Taught:
    segments: list[LabelledSegment] = []
    between: list[bytes] = []
    result = LearnResult(None, (), ("No reading was typed.",))
    wanted = [PressureUnit.PSI.to_kpa(psi) for psi in FIRST_STEPS_PSI]
    characteristic, doubted_kpa = "", math.nan
    while wanted and len(segments) < MOST_ROUNDS:
        moved_from = len(ear.heard)
        asked_kpa = wanted.pop(0)
        typed = await hand.reading(asked_kpa)
        if not typed.strip():
            break
        characteristic = characteristic or ear.characteristic()
        held_from = len(ear.heard)
        between += [payload for _, payload in ear.since(moved_from, characteristic)[:-5]]
        await asyncio.sleep(HOLD_S)
        frames = ear.since(held_from, characteristic)
        try:
            segment = LabelledSegment.typed(typed, hand.unit, frames, open_to_air=asked_kpa <= 0)
        except InvalidOperation:
            hand.say(f"{typed!r} is not a number; the reading was left out.")
            wanted.insert(0, asked_kpa)
            continue
        if _is_far(segment.shown_kpa, asked_kpa) and not math.isclose(segment.shown_kpa, doubted_kpa, rel_tol=AGREES):
            hand.say(_far_words(segment, asked_kpa))
            wanted.insert(0, asked_kpa)
            doubted_kpa = segment.shown_kpa
            continue
        segments.append(segment)
        if wanted:
            continue
        listen = _where(inspector, characteristic)
        result = await asyncio.to_thread(learn, segments, between=between, listen=listen, name=name)
        if result.layout is not None:
            break
        for sentence in result.missing:
            hand.say(sentence)
        if result.next_pressure_kpa is not None:
            wanted.append(result.next_pressure_kpa)
    checked = None
    if result.layout is not None:
        checked = _last_pressure(result.layout, segments[-1].frames)
    return Taught(result, tuple(segments), checked)


def _is_far(shown_kpa: float, asked_kpa: float) -> bool:
    """Whether a reading is further from what was asked than anybody pumps: in another unit, or mistyped."""
    if asked_kpa <= 0:
        return not -LOWEST_KPA <= shown_kpa <= HIGHEST_KPA
    return not asked_kpa / FAR <= shown_kpa <= asked_kpa * FAR


def _far_words(segment: LabelledSegment, asked_kpa: float) -> str:
    unit = segment.unit
    asked = f"about {unit.text(asked_kpa)}" if asked_kpa > 0 else "no pressure, or the ambient one"
    return (
        f"{segment.shown:g} {unit.value} is far from {asked}; the reading was left out. If the display shows that, "
        f"type it again. If it shows another unit than {unit.value}, give up and begin again with --unit."
    )


def _where(inspector: Inspector, characteristic: str) -> Listen:
    for one in inspector.notifying():
        if one.uuid == characteristic:
            how = How.NOTIFY if "notify" in one.properties else How.INDICATE
            return Listen(how=how, service=one.service_uuid, characteristic=characteristic)
    return Listen(characteristic=characteristic)


def _last_pressure(layout: GaugeLayout, frames: Sequence[tuple[float, bytes]]) -> float | None:
    intake = Intake(layout)
    read = [frame for _, payload in frames for frame in intake.decode(payload) if frame is not None]
    return float(read[-1].pressure_kpa[-1]) if read else None


def proven(taught: Taught) -> bool:
    """Whether the new layout shows what the display showed last."""
    if taught.result.layout is None or taught.checked_kpa is None:
        return False
    last = taught.segments[-1]
    return abs(taught.checked_kpa - last.shown_kpa) <= max(AGREES * abs(last.shown_kpa), 1.5 * last.step_kpa)
