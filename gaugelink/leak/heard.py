"""Where the air of a cylinder's leak-down goes, as somebody at the engine hears it, and how that is said."""

from collections.abc import Sequence
from enum import StrEnum


class Heard(StrEnum):
    """Where the air of a leak-down test was heard, or seen, to go."""

    EXHAUST = "exhaust"
    INTAKE = "intake"
    CRANKCASE = "crankcase"
    COOLANT = "coolant"
    """Bubbles in it."""
    NEIGHBOUR = "neighbour"
    """The plug hole of the next cylinder."""


_PLACES = {
    Heard.EXHAUST: "at the exhaust",
    Heard.INTAKE: "at the intake",
    Heard.CRANKCASE: "in the crankcase",
    Heard.COOLANT: "in the coolant",
    Heard.NEIGHBOUR: "at the next plug hole",
}


def places_text(heard: Sequence[Heard]) -> str:
    """Where air was heard, in words: ``at the exhaust and in the crankcase``; empty of no place."""
    *first, last = [_PLACES[place] for place in heard] or [""]
    return " and ".join([", ".join(first), last]) if first else last


def found_text(heard: Sequence[Heard], note: str) -> str:
    """Where the air of a leak-down was found to go, in words; empty where nobody found it."""
    places = f"heard {places_text(heard)}" if heard else ""
    return "; ".join(part for part in (places, note) if part)
