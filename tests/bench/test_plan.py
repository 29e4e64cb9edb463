"""The plan: names and orders of cylinders, gauges, and what is refused."""

import pytest
from pydantic import ValidationError

from gaugelink.bench.plan import SIDE_PLACES, Order, Plan, order_for
from gaugelink.errors import SettingsError


def test_pto_is_the_clutch_side_and_mag_the_ignition_side() -> None:
    # Common practice, no source: PTO is the power take-off (clutch), MAG the magneto (ignition).
    assert SIDE_PLACES["PTO"] == "clutch side"
    assert SIDE_PLACES["MAG"] == "ignition side"


def test_a_twin_has_no_middle() -> None:
    # Common practice, no source.
    assert order_for(Order.SIDE_NAMED, 2) == ("PTO", "MAG")
    assert order_for(Order.SIDE_NAMED, 3) == ("PTO", "middle", "MAG")


def test_orders_from_either_end_and_in_two_banks() -> None:
    assert order_for(Order.IN_LINE, 4) == ("1", "2", "3", "4")
    assert order_for(Order.IN_LINE_REVERSED, 4) == ("4", "3", "2", "1")
    assert order_for(Order.TWO_BANKS, 4) == ("left 1", "left 2", "right 1", "right 2")
    assert order_for(Order.LISTED, 0, ("upper", "lower")) == ("upper", "lower")


@pytest.mark.parametrize(
    ("order", "count", "names", "says"),
    [
        (Order.SIDE_NAMED, 4, (), "1 to 3 cylinders, found 4"),
        (Order.TWO_BANKS, 3, (), "even number"),
        (Order.LISTED, 3, ("a", "b"), "3 cylinder names, found 2"),
        (Order.IN_LINE, 2, ("a", "b"), "names its cylinders itself"),
        (Order.IN_LINE, 0, (), "at least one"),
    ],
)
def test_an_order_that_cannot_be_says_why(order: Order, count: int, names: tuple[str, ...], says: str) -> None:
    with pytest.raises(SettingsError, match=says):
        order_for(order, count, names)


def test_one_gauge_is_moved_and_several_are_cranked_together() -> None:
    moved = Plan(test_id="t", cylinders=("1", "2", "3"), gauges="red")  # type: ignore[arg-type]
    assert moved.stations == (("1",), ("2",), ("3",))
    together = Plan(test_id="t", cylinders=("1", "2", "3"), gauges={"1": "red", "2": "blue", "3": "green"})
    assert together.stations == (("1", "2", "3"),)
    mixed = Plan(test_id="t", cylinders=("1", "2", "3"), gauges={"1": "red", "2": "blue", "3": "red"})
    assert mixed.stations == (("1", "2"), ("3",))


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
