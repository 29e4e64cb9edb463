"""How certain pulls are together: Welch and Satterthwaite by GTC, Student's t, and which pulls tell of cranking."""

from math import hypot, inf

import GTC
import pytest

from gaugelink.bench.repeats import (
    CRANKING_SCATTER,
    Repeat,
    Scatter,
    agree_with_highest,
    cranking_u_kpa,
    effective_freedom,
    expanded_kpa,
    grown_scatter,
    pooled_scatter,
    telling,
    tolerance_kpa,
    u_of_mean_kpa,
)


@pytest.mark.parametrize("freedom", [1.0, 3.0, 8.0])
@pytest.mark.parametrize(("measured_kpa", "cranking_kpa"), [(0.0, 10.0), (6.0, 10.0), (10.0, 10.0), (14.0, 10.0)])
def test_the_freedom_of_a_reading_is_gtc_s(freedom: float, measured_kpa: float, cranking_kpa: float) -> None:
    """JCGM 100:2008, G.4.1, cut to a whole number as G.4.1's note asks."""
    both = GTC.ureal(0.0, measured_kpa) + GTC.ureal(0.0, cranking_kpa, freedom)
    u_kpa = hypot(measured_kpa, cranking_kpa)
    found = effective_freedom(Scatter(0.02, freedom), u_kpa, cranking_kpa)
    assert found == int(GTC.dof(both) + 1e-9)


def test_what_is_known_beforehand_and_what_cranking_hardly_adds_to_has_many_degrees_of_freedom() -> None:
    assert effective_freedom(Scatter(0.02), 10.0, 10.0) == inf
    assert effective_freedom(Scatter(0.02, 2.0), 10.0, 0.0) == inf
    assert effective_freedom(Scatter(0.02, 2.0), 40.0, 10.0) == inf  # 512, and Student's factor is 1.96


@pytest.mark.parametrize(
    ("freedom", "factor"),
    # Student's t for 95 %: JCGM 100:2008, table G.2. Three degrees are counted for what is usual of all engines.
    [(1.0, 2.78), (2.0, 2.57), (5.0, 2.31), (inf, 2.0)],
)
def test_a_reading_of_few_pulls_that_scatter_has_student_s_factor(freedom: float, factor: float) -> None:
    assert expanded_kpa(0.0, 10.0, Scatter(0.02, freedom)) == pytest.approx(10.0 * factor, abs=0.06)
    # A poor gauge is known beforehand: beside it cranking counts for little.
    assert expanded_kpa(40.0, 10.0, Scatter(0.02, freedom)) == pytest.approx(2.0 * hypot(40.0, 10.0))
    assert expanded_kpa(40.0, 0.0, Scatter(0.02, freedom)) == 80.0


def test_the_scatter_of_the_mean_is_what_was_seen_or_what_is_usual() -> None:
    """JCGM 100:2008, 4.2.3: the standard deviation over the root of the count."""
    assert cranking_u_kpa((900.0, 940.0, 980.0)) == pytest.approx(40.0 / 3.0**0.5)
    assert cranking_u_kpa((939.0, 940.0, 941.0)) == pytest.approx(CRANKING_SCATTER * 940.0 / 3.0**0.5)
    assert cranking_u_kpa((940.0,)) == pytest.approx(9.4)
    assert cranking_u_kpa((0.0, 0.0)) == 0.0
    assert u_of_mean_kpa([Repeat(900.0, 3.0), Repeat(910.0, 4.0)]) == pytest.approx(2.5)


def test_a_cylinder_with_one_pull_or_no_pressure_tells_nothing_of_the_scatter() -> None:
    """JCGM 100:2008, 4.2.4: pooled, each cylinder's as a share of its own mean."""
    assert pooled_scatter([(1000.0,), (0.0, 0.0), (960.0, 1040.0)]) == Scatter(pytest.approx(0.04 * 2.0**0.5), 1)
    assert pooled_scatter([(960.0, 1040.0), (485.0, 500.0, 515.0)]) == Scatter(
        pytest.approx(((2 * 0.04**2 + 2 * 0.03**2) / 3.0) ** 0.5), 3
    )


def test_a_pull_far_off_is_a_mistake_and_tells_nothing_of_cranking() -> None:
    """7 % where cranking scatters by the usual 1 %, 12 % at most."""
    peaks = (1000.0, 1069.0, 931.0, 1071.0, 929.0, 1119.0, 881.0, 1121.0, 879.0)
    pulls = [Repeat(peak, 1.0) for peak in peaks]
    assert telling(1000.0, pulls, 0.0) == telling(1000.0, pulls, 0.01) == peaks[:3]
    assert telling(1000.0, pulls, 0.03) == telling(1000.0, pulls, 0.1) == peaks[:7]
    assert telling(1000.0, [Repeat(1000.0, 29.0), Repeat(1000.0, 31.0)], 0.01) == (1000.0,)


def test_the_scatter_grows_as_long_as_that_lets_more_pulls_in() -> None:
    """Pulls 5 % to either side let one in that is 9 % off; one alone that far does not make itself usual."""
    wild, alone = [950.0, 1050.0, 945.0, 1055.0, 1090.0], [999.0, 1001.0, 1000.0, 1000.0, 1090.0]

    def grown(peaks: list[float]) -> Scatter:
        pulls = [Repeat(peak, 1.0) for peak in peaks]
        return grown_scatter(lambda share: [telling(1000.0, pulls, share)])

    assert grown(wild) == pooled_scatter([wild])
    assert grown(alone) == Scatter(CRANKING_SCATTER)


def test_pulls_agree_within_a_share_or_within_what_is_uncertain_of_both() -> None:
    high, low = Repeat(1000.0, 1.0), Repeat(971.0, 1.0)
    assert tolerance_kpa(high, low, 0.03) == pytest.approx(0.03 * 985.5)
    assert agree_with_highest([low, high], 0.03)
    assert not agree_with_highest([low, high, Repeat(969.0, 1.0)], 0.03)
    # Twice the root of 12 and 9 squared is 30.
    vague = (Repeat(1000.0, 12.0), Repeat(971.0, 9.0))
    assert tolerance_kpa(*vague, 0.01) == pytest.approx(30.0)
    assert agree_with_highest(vague, 0.01)
