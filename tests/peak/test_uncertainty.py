"""The arithmetic of uncertainty budgets, against the GUM's own example and a reference library."""

import math

import GTC
import pytest

from gaugelink.peak.uncertainty import (
    Component,
    budget_lines,
    combine,
    coverage_factor,
    effective_degrees,
    rectangular,
)

# JCGM 100:2008, annex H.1 (end-gauge calibration), table H.1 and clauses H.1.3 to H.1.6; lengths in nm.
END_GAUGE = (
    Component("standard", 25.0, degrees=18.0),
    Component("comparison", 9.7, degrees=25.6),
    Component("expansion difference", 0.58e-6, sensitivity=5e6, degrees=50.0),
    Component("temperature difference", 0.029, sensitivity=575.0, degrees=2.0),
)


def test_the_gums_end_gauge() -> None:
    result = combine(END_GAUGE, coverage=0.99)
    assert result.standard_u == pytest.approx(32.0, abs=0.5)
    assert math.floor(result.degrees) == 16
    assert result.coverage_factor == pytest.approx(2.92, abs=0.005)
    assert result.expanded_u == pytest.approx(93.0, abs=1.0)


def test_the_same_as_gtc() -> None:
    # Outside reference: GTC, the GUM Tree Calculator of the Measurement Standards Laboratory of New Zealand.
    inputs = [(1.3, 2.0, 9.0), (0.4, -3.0, 4.0), (2.2, 0.5, math.inf)]
    total = sum(c * GTC.ureal(0.0, u, df) for u, c, df in inputs)
    result = combine([Component("x", u, sensitivity=c, degrees=df) for u, c, df in inputs])
    assert result.standard_u == pytest.approx(GTC.uncertainty(total), rel=1e-12)
    assert result.degrees == pytest.approx(GTC.dof(total), rel=1e-9)
    # GTC interpolates the coverage factor between whole degrees; the GUM's advice (G.4.1) is to cut them.
    assert result.coverage_factor == pytest.approx(GTC.rp.k_factor(math.floor(GTC.dof(total))), rel=1e-6)


@pytest.mark.parametrize(
    ("degrees", "factor"), [(1.0, 12.71), (4.0, 2.78), (10.0, 2.23), (50.0, 2.01), (math.inf, 1.960)]
)
def test_students_t_of_the_gums_table(degrees: float, factor: float) -> None:
    # JCGM 100:2008, table G.2, column 95 %.
    assert coverage_factor(degrees) == pytest.approx(factor, abs=0.005)


def test_a_rectangle_is_its_half_width_over_root_three() -> None:
    assert rectangular(0.5) == pytest.approx(0.5 / math.sqrt(3.0))


def test_known_components_have_infinite_degrees() -> None:
    assert math.isinf(effective_degrees([Component("a", 1.0), Component("b", 2.0)]))
    assert combine([Component("a", 3.0), Component("b", 4.0)]).expanded_u == pytest.approx(1.959964 * 5.0)


def test_lines_carry_contributions_and_what_is_common() -> None:
    lines = budget_lines([Component("zero", 0.5, sensitivity=-2.0), Component("calibration", 3.0, common=True)])
    assert [(line.source, line.u_kpa, line.common) for line in lines] == [
        ("zero", 1.0, False),
        ("calibration", 3.0, True),
    ]


@pytest.mark.parametrize("part", [Component("a", -1.0), Component("a", math.nan), Component("a", 1.0, degrees=0.5)])
def test_nonsense_is_refused(part: Component) -> None:
    with pytest.raises(ValueError, match="a: "):
        combine([part])


def test_a_coverage_outside_0_to_1_is_refused() -> None:
    with pytest.raises(ValueError, match="coverage"):
        coverage_factor(5.0, 95.0)
