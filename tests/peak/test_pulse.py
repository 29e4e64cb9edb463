"""The shape of a pulse: its physics and its derivatives."""

import CoolProp.CoolProp
import numpy as np
import pytest

from gaugelink.peak.pulse import SHAPE_NAMES, SHAPE_PRIOR_MEAN, half_angle, pulse

BARE = np.array([np.log(7.0), 1.39, 0.06, 0.0, 0.0, 0.0, 0.0])
ROD = 3.5


def slider_crank_volume(angle: np.ndarray, ratio: float, rod: float) -> np.ndarray:
    """Volume over clearance volume (Heywood, Internal Combustion Engine Fundamentals, eq. 2.4 to 2.6)."""
    return 1.0 + 0.5 * (ratio - 1.0) * (rod + 1.0 - np.cos(angle) - np.sqrt(rod**2 - np.sin(angle) ** 2))


def test_the_peak_is_one_and_flat() -> None:
    seen = pulse(np.array([-1e-4, 0.0, 1e-4]), SHAPE_PRIOR_MEAN, ROD)
    assert seen.value[1] == pytest.approx(1.0, abs=1e-5)
    assert abs(seen.d_angle[1]) < 1e-4
    assert seen.value.argmax() == 1


def test_the_pulse_is_an_isentropic_compression_of_real_air() -> None:
    # Outside reference: CoolProp's equation of state of air, compressed at constant entropy from 1 atm and 300 K.
    ratio = 8.0
    angle = np.radians([-70.0, -50.0, -30.0, -15.0, 0.0])
    density = CoolProp.CoolProp.PropsSI("D", "P", 101325.0, "T", 300.0, "Air")
    entropy = CoolProp.CoolProp.PropsSI("S", "P", 101325.0, "T", 300.0, "Air")
    volume = slider_crank_volume(angle, ratio, ROD)
    absolute = np.array([CoolProp.CoolProp.PropsSI("P", "D", density * ratio / v, "S", entropy, "Air") for v in volume])
    gauge = (absolute - 101325.0) / (absolute[-1] - 101325.0)
    shape = BARE.copy()
    shape[2] = 101325.0 / absolute[-1]
    assert pulse(angle, shape, ROD).value == pytest.approx(gauge, abs=0.004)


def test_half_angle_is_where_the_pulse_is_half() -> None:
    angle = half_angle(BARE, ROD)
    assert pulse(np.array([angle, -angle]), BARE, ROD).value == pytest.approx([0.5, 0.5], abs=1e-3)


@pytest.mark.parametrize("bent", [0.0, 1.0, 12.0])
@pytest.mark.parametrize("name", SHAPE_NAMES)
def test_derivatives_by_shape(name: str, bent: float) -> None:
    angle = np.linspace(-2.8, 2.8, 201)
    column = SHAPE_NAMES.index(name)
    step = np.zeros(len(SHAPE_NAMES))
    step[column] = 1e-6
    # Events of many samples bend the shape: its corrections become many times those of the usual engine.
    base = SHAPE_PRIOR_MEAN * np.array([1, 1, 1, bent, bent, bent, bent])
    wanted = (pulse(angle, base + step, ROD).value - pulse(angle, base - step, ROD).value) / 2e-6
    assert pulse(angle, base, ROD).d_shape[column] == pytest.approx(wanted, abs=2e-5)


def test_derivative_by_angle() -> None:
    angle = np.linspace(-2.8, 2.8, 300)
    wanted = (
        pulse(angle + 1e-6, SHAPE_PRIOR_MEAN, ROD).value - pulse(angle - 1e-6, SHAPE_PRIOR_MEAN, ROD).value
    ) / 2e-6
    assert pulse(angle, SHAPE_PRIOR_MEAN, ROD).d_angle == pytest.approx(wanted, abs=1e-5)


def test_half_a_turn_from_the_peak_nothing_changes_any_more() -> None:
    assert np.all(pulse(np.array([-40.0, -3.2, 3.2, 40.0]), SHAPE_PRIOR_MEAN, ROD).d_angle == 0.0)


def test_the_foot_is_zero_once_the_cylinder_is_open() -> None:
    assert np.all(np.abs(pulse(np.array([-3.1, 3.1, 9.0]), SHAPE_PRIOR_MEAN, ROD).value) < 1e-3)
