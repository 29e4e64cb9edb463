"""Calibration: correction by points, what is left of the error, and the limits of the standard classes."""

from datetime import date
from pathlib import Path

import pytest
from pydantic import ValidationError

from gaugelink.engine.calibration import AccuracyClass, CalibrationPoint, CalibrationRecord
from gaugelink.engine.units import PressureUnit
from gaugelink.settings import parse_settings

POINTS = (
    CalibrationPoint(reference=0.0, indicated=0.0, u=2.0),
    CalibrationPoint(reference=500.0, indicated=505.0, u=2.0),
    CalibrationPoint(reference=1000.0, indicated=1020.0, u=4.0),
)
RECORD = CalibrationRecord(
    gauge="bench-1", span=2000.0, point=POINTS, done_on=date(2026, 1, 10), due_on=date(2027, 1, 10)
)


def test_the_error_is_exact_at_the_points_and_straight_between_them() -> None:
    for point in POINTS:
        assert RECORD.error_kpa(point.indicated) == pytest.approx(point.indicated - point.reference)
    assert RECORD.error_kpa((505.0 + 1020.0) / 2.0) == pytest.approx(12.5)
    assert RECORD.error_kpa(1500.0) == pytest.approx(20.0)


def test_the_uncertainty_of_the_points_stays_in_the_budget() -> None:
    # Expanded 4 kPa at the worse point, and half of the 15 kPa change of the error, rectangular.
    assert RECORD.u_kpa(900.0) == pytest.approx((2.0**2 + (7.5 / 3**0.5) ** 2) ** 0.5)


def test_a_comparison_whose_uncertainty_nobody_stated_is_no_perfect_one() -> None:
    """A reference of class 0.25 (EN 837-1, from memory) of 2,000 kPa, rectangular (JCGM 100:2008, 4.3.7)."""
    points = [CalibrationPoint(reference=kpa, indicated=kpa + 5.0) for kpa in (0.0, 1000.0)]
    silent = RECORD.model_copy(update={"point": tuple(points)})
    assert silent.u_kpa(900.0) == pytest.approx(5.0 / 3**0.5)
    half = RECORD.model_copy(update={"point": (points[0], points[1].model_copy(update={"u": 20.0}))})
    assert half.u_kpa(900.0) == pytest.approx(10.0)


def test_far_beyond_the_points_the_class_counts() -> None:
    """Rectangular (JCGM 100:2008, 4.3.7) over 1.6 % of 2,000 kPa."""
    graded = RECORD.model_copy(update={"accuracy_class": AccuracyClass.EN_16})
    at_the_end = RECORD.u_kpa(1020.0)
    assert graded.u_kpa(1020.0) == pytest.approx(at_the_end)
    assert graded.u_kpa(1900.0) == pytest.approx((at_the_end**2 + (32.0 / 3**0.5) ** 2) ** 0.5)


def test_points_that_begin_above_the_zero_say_less_of_what_is_below_them() -> None:
    """The largest error, 20 kPa over points from 510 to 1,020, over 410 kPa more."""
    high = RECORD.model_copy(update={"point": (CalibrationPoint(reference=500.0, indicated=510.0, u=6.0), POINTS[2])})
    # The larger of both comparisons, and half of the 10 kPa change.
    at_the_first = (3.0**2 + (5.0 / 3**0.5) ** 2) ** 0.5
    assert [high.u_kpa(kpa) for kpa in (510.0, 480.0, 900.0)] == pytest.approx([at_the_first] * 3)
    grown = 20.0 * 410.0 / 510.0 / 3**0.5
    assert high.u_kpa(100.0) == pytest.approx((at_the_first**2 + grown**2) ** 0.5)


def test_between_points_that_are_many_the_nearest_two_count() -> None:
    """505 kPa is 5 over the reference and 0 is none: 1 kPa of comparison, half of that change."""
    first = (1.0**2 + (2.5 / 3**0.5) ** 2) ** 0.5
    assert [RECORD.u_kpa(kpa) for kpa in (0.0, 250.0, 505.0)] == pytest.approx([first] * 3)


def test_a_class_alone_corrects_nothing_and_falls_due_on_no_day_that_nobody_set() -> None:
    graded = CalibrationRecord(
        gauge="g", span=1600.0, accuracy_class=AccuracyClass.EN_16, done_on=date(2026, 1, 1), due_on=None
    )
    assert graded.error_kpa(900.0) == 0.0
    assert graded.u_kpa(900.0) == pytest.approx(16.0 * 1.6 / 3**0.5)
    assert not graded.is_overdue(date(2126, 1, 1))


def test_far_beyond_the_points_of_a_gauge_without_class_its_error_may_have_grown() -> None:
    """Rectangular (JCGM 100:2008, 4.3.7): the largest error, 20 of 1,020 kPa, over 880 kPa more."""
    at_the_end = RECORD.u_kpa(1020.0)
    assert RECORD.u_kpa(1100.0) == pytest.approx(at_the_end)
    grown = 20.0 * 880.0 / 1020.0 / 3**0.5
    assert RECORD.u_kpa(1900.0) == pytest.approx((at_the_end**2 + grown**2) ** 0.5)


@pytest.mark.parametrize(
    ("accuracy_class", "share", "limit_percent"),
    [
        # From memory: ASME B40.100 grade A is 2-1-2 % of span, grade B 3-2-3 %; EN 837-1 class 1.6 is 1.6 %.
        (AccuracyClass.ASME_A, 0.5, 1.0),
        (AccuracyClass.ASME_A, 0.1, 2.0),
        (AccuracyClass.ASME_B, 0.9, 3.0),
        (AccuracyClass.ASME_2A, 0.9, 0.5),
        (AccuracyClass.EN_16, 0.2, 1.6),
    ],
)
def test_classes_limit_the_error_in_percent_of_span(
    accuracy_class: AccuracyClass, share: float, limit_percent: float
) -> None:
    record = CalibrationRecord(
        gauge="g", span=300.0, unit=PressureUnit.PSI, accuracy_class=accuracy_class, done_on=date(2026, 1, 1)
    )
    span_kpa = PressureUnit.PSI.to_kpa(300.0)
    assert record.limit_kpa(share * span_kpa) == pytest.approx(span_kpa * limit_percent / 100.0)
    assert record.u_kpa(share * span_kpa) == pytest.approx(span_kpa * limit_percent / 100.0 / 3**0.5)


@pytest.mark.parametrize("accuracy_class", [one for one in AccuracyClass if one.value.startswith("EN 837-1")])
def test_a_class_of_en_837_is_its_limit_in_percent_of_the_span(accuracy_class: AccuracyClass) -> None:
    """EN 837-1: the class number is the limit of error in percent of the span, over the whole scale."""
    record = CalibrationRecord(gauge="g", span=1600.0, accuracy_class=accuracy_class, done_on=date(2026, 1, 1))
    percent = float(accuracy_class.value.removeprefix("EN 837-1 "))
    limits = [record.limit_kpa(share * 1600.0) for share in (0.0, 0.2, 0.5, 0.8, 1.0)]
    assert limits == pytest.approx([16.0 * percent] * 5)


# ASME B40.100, table of accuracy grades, from memory: percent of span in the first quarter, the middle half and the
# last quarter of the scale.
@pytest.mark.parametrize(
    ("grade", "percent"),
    [
        ("4A", (0.1, 0.1, 0.1)),
        ("3A", (0.25, 0.25, 0.25)),
        ("2A", (0.5, 0.5, 0.5)),
        ("1A", (1.0, 1.0, 1.0)),
        ("A", (2.0, 1.0, 2.0)),
        ("B", (3.0, 2.0, 3.0)),
        ("C", (4.0, 3.0, 4.0)),
        ("D", (5.0, 5.0, 5.0)),
    ],
)
def test_a_grade_of_asme_limits_the_error_by_the_part_of_the_scale(
    grade: str, percent: tuple[float, float, float]
) -> None:
    accuracy_class = AccuracyClass(f"ASME B40.100 {grade}")
    record = CalibrationRecord(gauge="g", span=1000.0, accuracy_class=accuracy_class, done_on=date(2026, 1, 1))
    for shares, limit in zip(((0.0, 0.24), (0.25, 0.5, 0.75), (0.76, 1.0)), percent, strict=True):
        assert [record.limit_kpa(1000.0 * share) for share in shares] == pytest.approx([10.0 * limit] * len(shares))


def test_a_calibration_is_overdue_the_day_after_it_falls_due() -> None:
    assert not RECORD.is_overdue(date(2027, 1, 10))
    assert RECORD.is_overdue(date(2027, 1, 11))


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"point": POINTS[:1]}, "two or more"),
        ({"point": POINTS[::-1]}, "rise"),
        ({"point": ()}, "class"),
        ({"due_on": date(2025, 1, 1)}, "before"),
    ],
)
def test_a_record_that_cannot_be_is_refused(change: dict[str, object], says: str) -> None:
    with pytest.raises(ValidationError, match=says):
        CalibrationRecord.model_validate({**RECORD.model_dump(), **change})


def test_the_example_file_can_be_used_as_it_is() -> None:
    path = Path(__file__).parents[2] / "config" / "calibration.example.toml"
    record = parse_settings(CalibrationRecord, path.read_text(encoding="utf-8"), path.name)
    # 1.1 psi at 151.1 psi on its scale.
    assert record.error_kpa(PressureUnit.PSI.to_kpa(151.1)) == pytest.approx(PressureUnit.PSI.to_kpa(1.1))
