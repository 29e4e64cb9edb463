"""What a leak-down is judged by: the shop's limit, or a fixed-time test by the book, each marked with its source."""

from enum import StrEnum
from typing import Annotated, Self

from pydantic import Field, model_validator

from gaugelink.engine.units import PressureUnit
from gaugelink.settings import Settings

PRACTICE = "common practice, no source"
"""As the record says it, for whoever checks a limit; `source_words` says it to a mechanic."""


def source_words(source: str) -> str:
    """Where a limit or a scale comes from, in words for a mechanic."""
    return "shop practice" if source == PRACTICE else source


_PSI = PressureUnit.PSI.kpa


class Practice(StrEnum):
    """Ready limits for a two-stroke's sealed crankcase. They vary from shop to shop; the maker's figure goes first."""

    LOOSE = "loose"
    """No more than 1 psi a minute."""
    USUAL = "usual"
    """No more than 1 psi in 10 minutes."""
    STRICT = "strict"
    """No more than half a psi in 10 minutes."""


class DecayLimit(Settings):
    """How much pressure may be lost, and how it is tested. Pressures are gauge pressures."""

    loss_kpa: Annotated[float, Field(gt=0, le=500)] = _PSI
    """Largest loss within `minutes`."""
    minutes: Annotated[float, Field(gt=0, le=24 * 60)] = 10.0
    test_kpa: Annotated[float, Field(gt=0, le=500)] = 6.0 * _PSI
    """Pressure to pump to; the leak rate is told at this pressure."""
    highest_kpa: Annotated[float, Field(gt=0, le=700)] = 48.0
    """Never more than this: seals blow out. A two-stroke case takes 7 psi, 48 kPa (common practice, no source)."""
    fixed_time: bool = False
    """Wait the whole time and compare the pressures, as the book says, instead of stopping when it is certain."""
    certainty: Annotated[float, Field(gt=0.5, lt=1)] = 0.95
    """Probability at which the test stops early."""
    volume_cm3: Annotated[float, Field(gt=0, le=1e6)] | None = None
    """Volume under test; needed for the leak in cubic centimetres and for the size of the hole."""
    volume_u_percent: Annotated[float, Field(ge=0, le=50)] = 10.0
    """Standard uncertainty of the volume."""
    drift_k_per_h: Annotated[float, Field(ge=0, le=30)] = 2.0
    """Standard uncertainty of how fast the metal warms or cools; more in the sun."""
    source: str = PRACTICE

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.test_kpa > self.highest_kpa:
            raise ValueError(f"test_kpa {self.test_kpa:g} is above highest_kpa {self.highest_kpa:g}")
        return self

    @property
    def book_s(self) -> float:
        """The time within which no more than `loss_kpa` may be lost, in seconds."""
        return 60.0 * self.minutes

    @property
    def rate_kpa_per_min(self) -> float:
        """The limit as a rate at the test pressure."""
        return self.loss_kpa / self.minutes


def practice_limit(practice: Practice, *, fixed_time: bool = False) -> DecayLimit:
    """The limit of a practice."""
    loss, minutes = {
        Practice.LOOSE: (5.0 * _PSI, 5.0),
        Practice.USUAL: (1.0 * _PSI, 10.0),
        Practice.STRICT: (0.5 * _PSI, 10.0),
    }[practice]
    return DecayLimit(loss_kpa=loss, minutes=minutes, fixed_time=fixed_time)
