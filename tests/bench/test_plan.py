"""The plan: names and orders of cylinders, gauges, and what is refused."""

import pytest
from pydantic import ValidationError

from gaugelink.bench.plan import SIDE_PLACES, Plan, stations


def test_pto_is_the_clutch_side_and_mag_the_ignition_side() -> None:
    # Common practice, no source: PTO is the power take-off (clutch), MAG the magneto (ignition).
    assert SIDE_PLACES["PTO"] == "clutch side"
    assert SIDE_PLACES["MAG"] == "ignition side"


def test_one_gauge_is_moved_and_several_are_cranked_together() -> None:
    moved = Plan(test_id="t", cylinders=("1", "2", "3"), gauges="red")  # type: ignore[arg-type]
    assert stations(moved.gauges, moved.cylinders) == (("1",), ("2",), ("3",))
    together = Plan(test_id="t", cylinders=("1", "2", "3"), gauges={"1": "red", "2": "blue", "3": "green"})
    assert stations(together.gauges, together.cylinders) == (("1", "2", "3"),)
    mixed = Plan(test_id="t", cylinders=("1", "2", "3"), gauges={"1": "red", "2": "blue", "3": "red"})
    assert stations(mixed.gauges, mixed.cylinders) == (("1", "2"), ("3",))


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"cylinders": ("1", "1")}, "each cylinder comes once"),
        ({"gauges": {"1": "red"}}, "no gauge for 2"),
        ({"gauges": {"1": "red", "2": "red", "9": "red"}}, "no cylinder is called 9"),
        ({"places": {"PTO": "clutch side"}}, "no cylinder is called PTO"),
        ({"repeats": 4, "max_tries": 3}, "cannot hold 4 repeats"),
        ({"repeat": 2}, "Extra inputs"),
    ],
)
def test_a_plan_that_does_not_fit_together_is_refused(change: dict[str, object], says: str) -> None:
    with pytest.raises(ValidationError, match=says):
        Plan.model_validate({"test_id": "t", "cylinders": ("1", "2"), "gauges": "red", **change})
