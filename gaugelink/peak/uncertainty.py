"""Uncertainty budgets: components with sensitivities and degrees of freedom into one expanded uncertainty.

JCGM 100:2008 (GUM): combined standard uncertainty eq. 10 (uncorrelated inputs), effective degrees of freedom eq. G.2b
(Welch-Satterthwaite), expanded uncertainty clause 6.2 and G.3 with Student's t.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from scipy.special import stdtrit

from gaugelink.peak.events import BudgetLine

COVERAGE = 0.95
"""Share of cases in which an expanded uncertainty is to hold the truth."""


@dataclass(frozen=True, slots=True)
class Component:
    """One input of a measurement."""

    source: str
    """What it comes from, as in `BudgetLine.source`."""
    standard_u: float
    """Standard uncertainty of the input, in the input's own unit."""
    sensitivity: float = 1.0
    """Change of the result for a change of the input by one of its units."""
    degrees: float = math.inf
    """Degrees of freedom of `standard_u`; infinite where it is known, not estimated."""
    common: bool = False
    """True when all readings of the gauge share this error."""

    @property
    def contribution(self) -> float:
        """Standard uncertainty of the result from this input, in the result's unit."""
        return abs(self.sensitivity) * self.standard_u


@dataclass(frozen=True, slots=True)
class Combined:
    """What a budget comes to."""

    standard_u: float
    degrees: float
    """Effective degrees of freedom; infinite when every component's are."""
    coverage_factor: float
    expanded_u: float
    """`coverage_factor` times `standard_u`."""


def rectangular(half_width: float) -> float:
    """Standard uncertainty of a value that lies anywhere within ± `half_width` (GUM 4.3.7)."""
    return abs(half_width) / math.sqrt(3.0)


def coverage_factor(degrees: float, coverage: float = COVERAGE) -> float:
    """Student's t for a two-sided interval (GUM G.3.4). `degrees` is cut to a whole number as G.4.1 advises."""
    if not 0.0 < coverage < 1.0:
        raise ValueError(f"coverage must lie between 0 and 1, found {coverage}")
    if degrees < 1.0:
        raise ValueError(f"an expanded uncertainty needs at least 1 degree of freedom, found {degrees}")
    whole = math.inf if math.isinf(degrees) else float(math.floor(degrees))
    return float(stdtrit(whole, 0.5 * (1.0 + coverage)))


def effective_degrees(components: Iterable[Component]) -> float:
    """Effective degrees of freedom (GUM eq. G.2b); infinite when nothing is uncertain or all is known."""
    parts = list(components)
    total = math.fsum(part.contribution**2 for part in parts)
    below = math.fsum(part.contribution**4 / part.degrees for part in parts if not math.isinf(part.degrees))
    return total**2 / below if below > 0.0 else math.inf


def combine(components: Sequence[Component], coverage: float = COVERAGE) -> Combined:
    """Combined and expanded uncertainty of uncorrelated components.

    Raises ValueError for a negative or non-finite standard uncertainty or fewer than one degree of freedom.
    """
    for part in components:
        if not math.isfinite(part.contribution) or part.standard_u < 0.0:
            raise ValueError(f"{part.source}: a standard uncertainty must be finite and not negative")
        if part.degrees < 1.0:
            raise ValueError(f"{part.source}: at least 1 degree of freedom is needed, found {part.degrees}")
    standard = math.sqrt(math.fsum(part.contribution**2 for part in components))
    degrees = max(effective_degrees(components), 1.0)
    factor = coverage_factor(degrees, coverage)
    return Combined(standard, degrees, factor, factor * standard)


def budget_lines(components: Sequence[Component]) -> tuple[BudgetLine, ...]:
    """The budget as an event carries it."""
    return tuple(BudgetLine(part.source, part.contribution, part.common) for part in components)
