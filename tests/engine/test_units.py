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


def test_two_pressures_that_are_compared_read_differently_unless_they_are_the_same() -> None:
    assert PressureUnit.PSI.texts_apart(41.0, 35.0) == ("6 psi", "5 psi")
    assert PressureUnit.PSI.texts_apart(41.0, 39.0) == ("5.9 psi", "5.7 psi")
    assert PressureUnit.PSI.texts_apart(41.0, 40.8) == ("5.95 psi", "5.92 psi")
    assert PressureUnit.PSI.texts_apart(41.0, 41.0) == ("6 psi", "6 psi")
    assert PressureUnit.BAR.texts_apart(923.9, 924.1) == ("9.239 bar", "9.241 bar")


def test_a_difference_or_an_uncertainty_has_a_digit_that_whole_readings_have_not() -> None:
    assert PressureUnit.PSI.fine_text(PressureUnit.PSI.to_kpa(8.4)) == "8.4 psi"
    assert PressureUnit.KPA.fine(22.83) == "22.8"
    assert PressureUnit.BAR.fine_text(22.83) == "0.23 bar"
    assert PressureUnit.PSI.fine(-0.01) == "0.0"
    assert PressureUnit.PSI.texts_apart(41.0, 35.0, fine=True) == ("5.9 psi", "5.1 psi")
    assert PressureUnit.PSI.texts_apart(41.0, 40.8, fine=True) == ("5.95 psi", "5.92 psi")


@pytest.mark.parametrize("unit", PressureUnit)
def test_the_difference_that_is_told_is_that_of_the_figures_that_are_shown(unit: PressureUnit) -> None:
    for a_kpa, b_kpa in ((1006.6, 944.6), (951.4, 937.7), (700.0, 703.3)):
        told = unit.from_kpa(unit.shown_difference_kpa(a_kpa, b_kpa))
        shown = [float(unit.text(kpa).split()[0]) for kpa in (a_kpa, b_kpa)]
        assert told == pytest.approx(abs(shown[0] - shown[1]), abs=1e-9)
