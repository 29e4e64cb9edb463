"""The scales and offsets that makers choose: round numbers in some unit of pressure.

A typed reading pins a scale to a fraction of a percent; a round number in a unit pins it exactly. What is round is
common practice, no source: 1, 2, 5 and 2.5 times a power of ten, and in psi one over a power of two.
"""

from dataclasses import dataclass

from gaugelink.engine.units import PressureUnit

# fmt: off
ROUND_OFFSETS = (
    50, 100, 200, 250, 256, 400, 500, 512, 1000, 1024, 2000, 2048, 4096, 5000, 8192, 10000, 16384, 20000, 32768,
    50000, 65536, 100000,
)
# fmt: on
"""Counts at no pressure, for gauges whose zero is lifted off zero."""


@dataclass(frozen=True, slots=True)
class Scale:
    """One count in a unit."""

    unit: PressureUnit
    per_count: float
    cost: float
    """How far from plain it is; 0 is one unit to a count."""

    @property
    def kpa(self) -> float:
        """One count in kPa."""
        return self.per_count * self.unit.kpa


_SPLIT = {PressureUnit.PSI, PressureUnit.KPA, PressureUnit.BAR, PressureUnit.PASCAL}
"""Units that makers also count in twos and fives; the others go in powers of ten. The fewer, the fewer by chance."""


def _scales() -> tuple[Scale, ...]:
    made = []
    for unit in PressureUnit:
        leads = [("1", 0.0), ("2", 2.0), ("5", 2.0), ("2.5", 3.0)] if unit in _SPLIT else [("1", 0.0)]
        tens = [(float(f"{lead}e{power}"), cost + 0.25 * abs(power)) for power in range(-6, 5) for lead, cost in leads]
        halves = [(2.0**-power, 3.0 + 0.25 * power) for power in range(2, 9)] if unit is PressureUnit.PSI else []
        made += [Scale(unit, lead, cost) for lead, cost in tens + halves if 5e-5 <= lead * unit.kpa <= 12.0]
    return tuple(made)


SCALES = _scales()
"""For whole numbers."""
DECIMAL_SCALES = tuple(scale for scale in SCALES if f"{scale.per_count:e}".startswith("1.000000e"))
"""For decimal digits, which are a display's."""
TEXT_SCALES = tuple(Scale(unit, 10.0**-power, float(power)) for unit in PressureUnit for power in range(4))
"""For numbers in a text."""
PLAIN_SCALES = tuple(Scale(unit, 1.0, 0.0) for unit in PressureUnit)
"""For floats, which carry their own point."""
