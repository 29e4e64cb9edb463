"""Tests of one machine that were done under other conditions, set beside each other: its air noted or assumed, warm or
cold.

Where nothing was noted of the air a reading is carried to sea level as if it was taken there. A shop in the mountains
that writes its altitude down one day has readings a fifth higher from then on, of the same engine. And who builds an
engine measures it cold before and, run in, warm after.
"""

from collections.abc import Sequence
from math import log
from statistics import median
from typing import Final

from gaugelink.engine.air import assumed_ambient
from gaugelink.verdict.past import PastTest

NOTED_OR_NOT: Final = "air noted or not"
"""Name of the error that tests share whose air was not noted, or was, unlike that of the last."""

WARM_OR_COLD_U: Final = 0.05
"""Standard uncertainty, as a fraction, of what a warm engine reads beside a cold one: its walls take less heat from the
air, by 3 to 6 % on the simulated engine, and clearances and oil change too. From memory: some percent, either way."""
_WARMTH: Final = {True: "warm", False: "cold", None: "not noted"}


def noted_or_not_u(noted_abs_kpa: float) -> float:
    """Standard uncertainty, as a fraction, of what the air does between a test whose air was assumed and one that was
    done in `noted_abs_kpa`.

    As much as is assumed of any shop; where the noted air is further off than that, all of it, because both were most
    likely done in the same.
    """
    assumed = assumed_ambient()
    return max(assumed.u_kpa / assumed.abs_kpa, abs(log(noted_abs_kpa / assumed.abs_kpa)))


def air_errors(tests: Sequence[PastTest]) -> list[dict[str, float]]:
    """For each test, by name, the errors that its readings share for the air's sake: standard uncertainties of a
    logarithm.

    How the last test was done is what the others are held against.
    """
    noted = [test.ambient_abs_kpa for test in tests if test.ambient_abs_kpa is not None]
    if len(noted) in (0, len(tests)):
        return [{} for _ in tests]
    u = noted_or_not_u(median(noted))
    last_is_noted = tests[-1].ambient_abs_kpa is not None
    return [{} if (test.ambient_abs_kpa is not None) is last_is_noted else {NOTED_OR_NOT: u} for test in tests]


def warmth_errors(tests: Sequence[PastTest]) -> list[dict[str, float]]:
    """As `air_errors`, for tests of a warm engine beside those of a cold one, or of one of which it was not noted."""
    now = tests[-1].warm
    return [{} if test.warm is now else {f"{_WARMTH[test.warm]} engine": WARM_OR_COLD_U} for test in tests]
