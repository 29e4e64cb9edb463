"""Pressure units at the edges. Inside, every pressure is a float64 in kPa."""

from enum import StrEnum


class PressureUnit(StrEnum):
    """A unit that a person reads or a gauge sends."""

    PASCAL = "Pa"
    KPA = "kPa"
    BAR = "bar"
    PSI = "psi"
    KGF_CM2 = "kgf/cm2"
    MMHG = "mmHg"

    @property
    def kpa(self) -> float:
        """How many kPa one of this unit is."""
        return _KPA[self]

    @property
    def decimals(self) -> int:
        """Digits after the point that suit a compression reading."""
        return _DECIMALS[self]

    def from_kpa(self, pressure_kpa: float) -> float:
        """Convert a pressure in kPa to this unit."""
        return pressure_kpa / _KPA[self]

    def to_kpa(self, pressure: float) -> float:
        """Convert a pressure in this unit to kPa."""
        return pressure * _KPA[self]

    def text(self, pressure_kpa: float) -> str:
        """Write a pressure in this unit with its name, for a person: ``134 psi``; never ``-0 psi``."""
        return self._written(pressure_kpa, self.decimals)

    @property
    def fine_decimals(self) -> int:
        """Digits after the point of a small difference or uncertainty: one more than a reading's that has none.

        An expanded uncertainty of a compression reading then has two significant digits in most units and cases
        (JCGM 100:2008, 7.2.6), and a difference says more than the rounded readings beside it.
        """
        return max(self.decimals, 1)

    def fine_text(self, pressure_kpa: float) -> str:
        """Write a difference with its unit, for a person: ``6.4 psi``, ``109 psi``; never ``-0.0 psi``."""
        return self._written(pressure_kpa, self._decimals_of_difference(pressure_kpa))

    def with_doubt(self, pressure_kpa: float, u_kpa: float, *, fine: bool = False) -> tuple[str, str]:
        """Write a pressure and its expanded uncertainty without their unit: ``("134", "3.3")``, ``("930", "120")``.

        The uncertainty has at most two significant digits and the pressure none beyond its place (JCGM 100:2008,
        7.2.6). A pressure that is a difference is `fine`.
        """
        place = self._doubt_decimals(u_kpa, self.fine_decimals)
        finest = self.fine_decimals if fine else self.decimals
        return _number(self.from_kpa(pressure_kpa), min(place, finest)), _number(self.from_kpa(u_kpa), place)

    def small_with_doubt(self, pressure_kpa: float, u_kpa: float) -> tuple[str, str]:
        """Write what is far smaller than a reading, a loss a minute for example, as `with_doubt` does, but with as many
        digits as the uncertainty asks for: ``("0.0041", "0.0012")``."""
        place = self._doubt_decimals(u_kpa, _FINEST_DECIMALS)
        return _number(self.from_kpa(pressure_kpa), place), _number(self.from_kpa(u_kpa), place)

    def doubt_text(self, pressure_kpa: float, u_kpa: float, *, fine: bool = False) -> str:
        """Write what `with_doubt` gives, with the unit, for a person: ``134 ± 3.3 psi``."""
        value, doubt = self.with_doubt(pressure_kpa, u_kpa, fine=fine)
        return f"{value} ± {doubt} {self.value}"

    def texts_apart(self, a_kpa: float, b_kpa: float, *, fine: bool = False) -> tuple[str, str]:
        """Write two pressures that are compared: with up to two more digits where both would read the same.

        Where they are differences they are `fine`.
        """
        return self._apart(a_kpa, b_kpa, self.fine_decimals if fine else self.decimals)

    def difference_texts(self, difference_kpa: float, u_kpa: float) -> tuple[str, str]:
        """Write a difference and its expanded uncertainty, which are compared: as `with_doubt` does, but with up to
        two more digits where both would read the same."""
        return self._apart(difference_kpa, u_kpa, self._doubt_decimals(u_kpa, self.fine_decimals))

    def shown_difference_kpa(self, a_kpa: float, b_kpa: float) -> float:
        """The distance of two pressures as `text` shows them, in kPa: a person who subtracts them finds it again."""
        a, b = (round(self.from_kpa(pressure_kpa), self.decimals) for pressure_kpa in (a_kpa, b_kpa))
        return self.to_kpa(abs(a - b))

    def _decimals_of_difference(self, pressure_kpa: float) -> int:
        """Three digits of a difference say enough: from 100 on it is as whole as the readings."""
        return self.decimals if abs(self.from_kpa(pressure_kpa)) >= 99.95 else self.fine_decimals

    def _doubt_decimals(self, u_kpa: float, finest: int) -> int:
        """The place to which an uncertainty is written, below zero for tens: no more than two of its digits count."""
        number, place = abs(self.from_kpa(u_kpa)), finest
        while number * 10.0**place >= 99.5:
            place -= 1
        return place

    def _apart(self, a_kpa: float, b_kpa: float, least: int) -> tuple[str, str]:
        texts = [(self._written(a_kpa, d), self._written(b_kpa, d)) for d in range(least, least + 3)]
        return next((pair for pair in texts if pair[0] != pair[1]), texts[0])

    def _written(self, pressure_kpa: float, decimals: int) -> str:
        return f"{_number(self.from_kpa(pressure_kpa), decimals)} {self.value}"


def _number(number: float, decimals: int) -> str:
    return f"{round(number, decimals):z.{max(decimals, 0)}f}"


def barometer_text(ambient_abs_kpa: float) -> str:
    """Write the pressure of the air as barometers and weather reports do: ``982 hPa``."""
    return f"{10.0 * ambient_abs_kpa:.0f} hPa"


_FINEST_DECIMALS = 6
"""Below a millionth of a unit there is nothing to read, and no gauge that could tell."""

# NIST SP 811 (2008), appendix B.8: pound-force per square inch 6.894 757 kPa (exact value from
# 0.453 592 37 kg, 9.806 65 m/s2, 0.0254 m), kilogram-force per square centimetre 98.0665 kPa,
# bar 100 kPa, conventional millimetre of mercury 0.133 322 4 kPa.
_KPA: dict[PressureUnit, float] = {
    PressureUnit.PASCAL: 0.001,
    PressureUnit.KPA: 1.0,
    PressureUnit.BAR: 100.0,
    PressureUnit.PSI: 0.45359237 * 9.80665 / 0.0254**2 / 1000.0,
    PressureUnit.KGF_CM2: 98.0665,
    PressureUnit.MMHG: 0.133322387415,
}

_DECIMALS: dict[PressureUnit, int] = {
    PressureUnit.PASCAL: 0,
    PressureUnit.KPA: 0,
    PressureUnit.BAR: 2,
    PressureUnit.PSI: 0,
    PressureUnit.KGF_CM2: 2,
    PressureUnit.MMHG: 0,
}
