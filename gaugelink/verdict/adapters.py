"""Tests of one machine that were read through adapters of different volume, set beside each other.

The adapter's volume lowers every reading. Where both volumes were noted and the engine's dimensions are known, a
reading is carried from one adapter to the other; where not, what all cylinders moved by together may be the adapter.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import log1p

from gaugelink.engine.fleet import EngineRecord
from gaugelink.engine.geometry import CylinderGeometry, adapter_factor
from gaugelink.verdict.past import PastTest

CARRIED_U_SHARE = 0.2
"""Standard uncertainty of what is carried, as a share of it: `adapter_factor` is within 3 % of the simulated engine
where an adapter takes off 15 %."""


OTHER_ADAPTER_U = 0.15
"""Standard uncertainty, as a fraction, of what another adapter alone does to all readings where that cannot be told: a
few cm3 take 5 to 25 % off a small cylinder (`adapter_factor`)."""


@dataclass(frozen=True, slots=True)
class OtherAdapter:
    """Tests that were not read through the adapter of the last test of which it was noted."""

    cm3: float | None
    """Volume of theirs; None where it was not noted."""
    tests: int
    now_cm3: float
    """Volume of the last that was noted."""
    percent: float | None
    """What was added to their readings to compare them; None where that cannot be told."""


def carrying_factor(geometry: CylinderGeometry, cranking_rpm: float, from_cm3: float, to_cm3: float) -> float:
    """What a reading through one adapter is times to be as through another, by `adapter_factor` for both."""
    return adapter_factor(geometry, cranking_rpm, to_cm3) / adapter_factor(geometry, cranking_rpm, from_cm3)


def carried(test: PastTest, engine: EngineRecord, cranking_rpm: float, to_cm3: float) -> PastTest:
    """A test with its readings as through an adapter of another volume, as they are where that cannot be told.

    The estimate is that of `adapter_factor` for both volumes at the test's cranking speed.
    """
    own = test.adapter_cm3
    if own is None or own == to_cm3:
        return test
    shares = []
    for reading in test.readings:
        geometry = engine.geometry(reading.cylinder)
        if geometry is None:
            return replace(test, adapter_percent=None)
        shares.append(carrying_factor(geometry, cranking_rpm, own, to_cm3))
    return replace(
        test,
        readings=tuple(reading.times(share) for reading, share in zip(test.readings, shares, strict=True)),
        adapter_percent=100.0 * (sum(shares) / len(shares) - 1.0),
    )


def last_noted_cm3(tests: Sequence[PastTest]) -> float | None:
    """Volume of the adapter of the last test of which it was noted."""
    noted = [test for test in sorted(tests, key=lambda test: test.at) if test.adapter_cm3 is not None]
    return noted[-1].adapter_cm3 if noted else None


def other_adapters(tests: Sequence[PastTest]) -> tuple[OtherAdapter, ...]:
    """Which tests were not read through the adapter of the last test of which it was noted, by volume."""
    now_cm3 = last_noted_cm3(tests)
    if now_cm3 is None:
        return ()
    found = []
    for cm3 in dict.fromkeys(test.adapter_cm3 for test in tests if test.adapter_cm3 != now_cm3):
        own = [test for test in tests if test.adapter_cm3 == cm3]
        percents = [test.adapter_percent for test in own if test.adapter_percent is not None]
        known = cm3 is not None and len(percents) == len(own)
        found.append(OtherAdapter(cm3, len(own), now_cm3, sum(percents) / len(percents) if known else None))
    return tuple(found)


def adapter_errors(tests: Sequence[PastTest]) -> list[dict[str, float]]:
    """For each test, by name, the errors that its readings share for the adapter's sake: standard uncertainties of a
    logarithm. What the last test was read through is what the others are held against.
    """
    last_is_noted = tests[-1].adapter_cm3 is not None
    errors = []
    for test in tests:
        own: dict[str, float] = {}
        if (test.adapter_cm3 is not None) is not last_is_noted:
            own["adapter noted or not"] = OTHER_ADAPTER_U
        if test.adapter_percent is None:
            own[f"adapter {test.adapter_cm3:g}"] = OTHER_ADAPTER_U
        elif test.adapter_percent:
            own[f"adapter {test.adapter_cm3:g}"] = CARRIED_U_SHARE * abs(log1p(test.adapter_percent / 100.0))
        errors.append(own)
    return errors
