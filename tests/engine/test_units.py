"""Units of pressure agree with NIST SP 811 and with pint."""

import pint
import pytest

from gaugelink.engine.units import PressureUnit

# NIST Special Publication 811 (2008 edition), appendix B.8, factors to pascal as printed.
NIST_PA = {
    PressureUnit.PASCAL: "1",
    PressureUnit.KPA: "1.0E+03",
    PressureUnit.BAR: "1.0E+05",
    PressureUnit.PSI: "6.894757E+03",
    PressureUnit.KGF_CM2: "9.80665E+04",
    PressureUnit.MMHG: "1.333224E+02",
}
PINT = {
    PressureUnit.PASCAL: "pascal",
    PressureUnit.KPA: "kilopascal",
    PressureUnit.BAR: "bar",
    PressureUnit.PSI: "psi",
    PressureUnit.KGF_CM2: "kilogram_force / centimeter**2",
    PressureUnit.MMHG: "millimeter_Hg",
}


@pytest.mark.parametrize("unit", PressureUnit)
def test_a_unit_agrees_with_nist_to_every_printed_digit(unit):
    printed = NIST_PA[unit]
    digits = len(printed.partition("E")[0].replace(".", ""))
    # The factors with two digits are exact; the others are rounded to the last printed one.
    assert unit.to_kpa(1.0) * 1000 == pytest.approx(
        float(printed), rel=1e-12 if digits <= 2 else 0.5 * 10 ** (1 - digits)
    )


@pytest.mark.parametrize("unit", PressureUnit)
def test_a_unit_agrees_with_pint(unit):
    factor = pint.UnitRegistry().Quantity(1, PINT[unit]).to("kPa").magnitude
    assert unit.kpa == pytest.approx(factor, rel=1e-9)
    assert unit.from_kpa(unit.to_kpa(123.4)) == pytest.approx(123.4)


def test_a_pressure_is_written_with_its_unit():
    assert PressureUnit.PSI.text(923.9) == "134 psi"
    assert PressureUnit.BAR.text(923.9) == "9.24 bar"
    assert PressureUnit.PSI.text(-1.0) == "0 psi"
    assert PressureUnit.PSI.text(-7.0) == "-1 psi"


@pytest.mark.parametrize(
    ("unit", "written"),
    [
        (PressureUnit.PASCAL, "923900 Pa"),
        (PressureUnit.KPA, "924 kPa"),
        (PressureUnit.BAR, "9.24 bar"),
        (PressureUnit.PSI, "134 psi"),
        (PressureUnit.KGF_CM2, "9.42 kgf/cm2"),
        (PressureUnit.MMHG, "6930 mmHg"),
    ],
)
def test_a_reading_has_as_many_digits_as_a_gauge_of_its_unit_shows(unit: PressureUnit, written: str) -> None:
    """Three or four: 923.9 kPa are 134.00 psi, 9.421 kgf/cm2 and 6,929.8 mmHg (NIST SP 811, appendix B.8)."""
    assert unit.text(923.9) == written


def test_two_pressures_that_are_compared_read_differently_unless_they_are_the_same() -> None:
    assert PressureUnit.PSI.texts_apart(41.0, 35.0) == ("6 psi", "5 psi")
    assert PressureUnit.PSI.texts_apart(41.0, 39.0) == ("5.9 psi", "5.7 psi")
    assert PressureUnit.PSI.texts_apart(41.0, 40.8) == ("5.95 psi", "5.92 psi")
    assert PressureUnit.PSI.texts_apart(41.0, 41.0) == ("6 psi", "6 psi")
    # A thousandth of a psi apart: nobody can read that, and no more than two digits are added for it.
    assert PressureUnit.PSI.texts_apart(41.0, 41.01) == ("6 psi", "6 psi")
    assert PressureUnit.BAR.texts_apart(923.9, 924.1) == ("9.239 bar", "9.241 bar")


def test_a_difference_has_a_digit_that_whole_readings_have_not() -> None:
    assert PressureUnit.PSI.fine_text(PressureUnit.PSI.to_kpa(8.4)) == "8.4 psi"
    assert PressureUnit.KPA.fine_text(22.83) == "22.8 kPa"
    assert PressureUnit.KPA.fine_text(99.96) == "100 kPa"
    assert PressureUnit.KPA.fine_text(109.3) == "109 kPa"
    assert PressureUnit.KPA.fine_text(-109.3) == "-109 kPa"
    assert PressureUnit.KPA.fine_text(-94.6) == "-94.6 kPa"
    assert PressureUnit.BAR.fine_text(109.3) == "1.09 bar"
    assert PressureUnit.BAR.fine_text(22.83) == "0.23 bar"
    assert PressureUnit.PSI.fine_text(-0.01) == "0.0 psi"
    assert PressureUnit.PSI.texts_apart(41.0, 35.0, fine=True) == ("5.9 psi", "5.1 psi")
    assert PressureUnit.PSI.texts_apart(41.0, 40.8, fine=True) == ("5.95 psi", "5.92 psi")


# JCGM 100:2008, 7.2.6: at most two significant digits of an uncertainty, and the value rounded to fit it.
@pytest.mark.parametrize(
    ("unit", "kpa", "u_kpa", "shown"),
    [
        (PressureUnit.PSI, 923.9, 22.8, ("134", "3.3")),
        (PressureUnit.PSI, 923.9, 84.8, ("134", "12")),
        (PressureUnit.PSI, 923.9, 68.7, ("134", "10")),
        (PressureUnit.KPA, 929.4, 9.94, ("929", "9.9")),
        (PressureUnit.KPA, 929.4, 9.96, ("929", "10")),
        (PressureUnit.KPA, 929.4, 12.3, ("929", "12")),
        (PressureUnit.KPA, 929.4, 99.7, ("930", "100")),
        (PressureUnit.KPA, 929.4, 123.0, ("930", "120")),
        (PressureUnit.BAR, 929.4, 12.3, ("9.29", "0.12")),
        (PressureUnit.BAR, 929.4, 123.0, ("9.3", "1.2")),
        (PressureUnit.MMHG, 929.4, 12.3, ("6971", "92")),
        (PressureUnit.MMHG, 929.4, 22.3, ("6970", "170")),
        (PressureUnit.PASCAL, 929.44, 12.3, ("929000", "12000")),
        (PressureUnit.PSI, -1.0, 0.0, ("0", "0.0")),
    ],
)
def test_an_uncertainty_has_two_digits_that_count_and_its_pressure_none_beyond_them(
    unit: PressureUnit, kpa: float, u_kpa: float, shown: tuple[str, str]
) -> None:
    assert unit.with_doubt(kpa, u_kpa) == shown
    assert unit.doubt_text(kpa, u_kpa) == f"{shown[0]} ± {shown[1]} {unit.value}"


def test_a_difference_ends_at_the_place_of_its_uncertainty_unless_both_would_read_the_same() -> None:
    assert PressureUnit.KPA.with_doubt(62.34, 8.51, fine=True) == ("62.3", "8.5")
    assert PressureUnit.KPA.with_doubt(62.34, 12.31, fine=True) == ("62", "12")
    assert PressureUnit.KPA.difference_texts(62.34, 12.31) == ("62 kPa", "12 kPa")
    assert PressureUnit.KPA.difference_texts(12.44, 12.31) == ("12.4 kPa", "12.3 kPa")
    assert PressureUnit.KPA.difference_texts(124.4, 123.1) == ("124 kPa", "123 kPa")
    assert PressureUnit.PSI.difference_texts(12.0, 12.0) == ("1.7 psi", "1.7 psi")


def test_a_difference_with_its_doubt_keeps_the_digit_that_a_reading_has_not() -> None:
    assert PressureUnit.KPA.doubt_text(62.34, 8.51) == "62 ± 8.5 kPa"
    assert PressureUnit.KPA.doubt_text(62.34, 8.51, fine=True) == "62.3 ± 8.5 kPa"


def test_what_is_far_smaller_than_a_reading_has_as_many_digits_as_its_doubt_asks_for() -> None:
    """A loss a minute: two significant digits of its uncertainty and the value to the same place (JCGM 100:2008,
    7.2.6)."""
    assert PressureUnit.KPA.small_with_doubt(0.00412, 0.00118) == ("0.0041", "0.0012")
    assert PressureUnit.PSI.small_with_doubt(PressureUnit.PSI.to_kpa(1.234), PressureUnit.PSI.to_kpa(0.21)) == (
        "1.23",
        "0.21",
    )
    assert PressureUnit.KPA.small_with_doubt(12.3, 2.4) == ("12.3", "2.4")


@pytest.mark.parametrize("unit", PressureUnit)
def test_the_difference_that_is_told_is_that_of_the_figures_that_are_shown(unit: PressureUnit) -> None:
    for a_kpa, b_kpa in ((1006.6, 944.6), (951.4, 937.7), (700.0, 703.3)):
        told = unit.from_kpa(unit.shown_difference_kpa(a_kpa, b_kpa))
        shown = [float(unit.text(kpa).split()[0]) for kpa in (a_kpa, b_kpa)]
        assert told == pytest.approx(abs(shown[0] - shown[1]), abs=1e-9)
