"""What the page tells of a leak-down before it begins one, from the same limits that the bench goes by."""

from collections.abc import Sequence
from typing import Any

from gaugelink.dashboard.record import Machine
from gaugelink.leak.differential import DifferentialLimit, faa_orifice
from gaugelink.leak.heard import Heard, places_text
from gaugelink.leak.limits import Practice, practice_limit

PRACTICES = (Practice.USUAL, Practice.STRICT, Practice.LOOSE)
"""What a bench takes where nothing is asked for comes first."""


def leak_tests(machines: Sequence[Machine]) -> dict[str, Any]:
    """Limits of both kinds of leak-down in kPa, the orifice for each machine's bore, and where air may go, as JSON.

    A machine without a bore has no orifice here: then it is asked for.
    """
    differential = DifferentialLimit()
    return {
        "decay": [
            {
                "practice": practice.value,
                "loss_kpa": limit.loss_kpa,
                "minutes": limit.minutes,
                "test_kpa": limit.test_kpa,
                "highest_kpa": limit.highest_kpa,
            }
            for practice in PRACTICES
            for limit in (practice_limit(practice),)
        ],
        "places": [{"place": place.value, "words": places_text((place,))} for place in Heard],
        "supply_kpa": differential.supply_kpa,
        "highest_kpa": differential.highest_kpa,
        "orifice_mm": {
            machine.id: round(faa_orifice(machine.bore_mm).diameter_mm, 3)
            for machine in machines
            if machine.bore_mm is not None
        },
    }
