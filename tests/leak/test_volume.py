"""The volume under test, from air put in or from a hole of known size."""

import GTC
import pytest

from gaugelink.engine.units import PressureUnit
from gaugelink.errors import RecordingError, SettingsError
from gaugelink.leak.volume import volume_from_injection, volume_from_known_leak
from simulators.vessel import Vessel, watch


def test_injected_air_gives_the_volume_by_boyle_s_law() -> None:
    # 60 cm3 at 100 kPa pushed into 1000 cm3 raise it by 6 kPa.
    found = volume_from_injection(60.0, 0.0, 6.0, ambient_abs_kpa=100.0)
    assert found.cm3 == pytest.approx(1000.0)


def test_its_uncertainty_is_that_of_a_reference_library() -> None:
    # GTC propagates by JCGM 100:2008, 5.1.2.
    v, p1, p2 = GTC.ureal(60.0, 0.6), GTC.ureal(0.0, 0.05), GTC.ureal(6.0, 0.05)
    expected = v * 100.0 / (p2 - p1)
    found = volume_from_injection(60.0, 0.0, 6.0, ambient_abs_kpa=100.0, injected_u_cm3=0.6, pressure_u_kpa=0.05)
    assert found.cm3 == pytest.approx(expected.x)
    assert found.u_cm3 == pytest.approx(expected.u, rel=1e-9)
    assert found.u_percent == pytest.approx(100.0 * expected.u / expected.x)


def test_a_known_hole_gives_the_volume_of_a_simulated_case() -> None:
    record = watch(Vessel(volume_cm3=1700.0, hole_mm=0.3, heated=0.0), 40.0, 5.0)
    found = volume_from_known_leak(0.3, 40.0, record.leak_kpa_per_min)
    assert found.cm3 == pytest.approx(1700.0, rel=1e-3)


def test_a_leak_that_was_there_before_is_taken_off() -> None:
    both = volume_from_known_leak(0.3, 40.0, 60.0, 10.0, rate_u_kpa_per_min=0.5)
    alone = volume_from_known_leak(0.3, 40.0, 50.0)
    assert both.cm3 == pytest.approx(alone.cm3)
    assert both.u_percent == pytest.approx(100.0 * 2.0**0.5 * 0.5 / 50.0)


def test_a_hole_that_is_not_known_well_doubts_the_volume_by_its_square() -> None:
    # GTC propagates by JCGM 100:2008, 5.1.2: the flow goes with the area, the volume with the flow over the rate.
    hole, rate = GTC.ureal(0.3, 0.006), GTC.ureal(50.0, 0.4) - GTC.ureal(5.0, 0.4)
    expected = (hole / 0.3) ** 2 / rate
    found = volume_from_known_leak(0.3, 40.0, 50.0, 5.0, hole_u_mm=0.006, rate_u_kpa_per_min=0.4)
    assert found.u_percent == pytest.approx(100.0 * expected.u / expected.x, rel=1e-6)


def test_a_difference_that_the_rates_do_not_show_is_no_volume() -> None:
    # Twice the root of two times 1 kPa/min is 2.8.
    assert volume_from_known_leak(0.1, 40.0, 8.0, 5.0, rate_u_kpa_per_min=1.0).cm3 > 0.0
    with pytest.raises(RecordingError, match="larger hole"):
        volume_from_known_leak(0.1, 40.0, 7.7, 5.0, rate_u_kpa_per_min=1.0)
    with pytest.raises(RecordingError, match="larger hole"):
        volume_from_known_leak(0.1, 40.0, 4.0, 5.0)
    with pytest.raises(RecordingError, match="open hose"):
        volume_from_injection(10.0, 5.0, 4.0)


def test_what_cannot_be_is_refused_with_a_reason() -> None:
    with pytest.raises(SettingsError, match="injected volume"):
        volume_from_injection(0.0, 0.0, 5.0)
    with pytest.raises(SettingsError, match="ambient"):
        volume_from_injection(10.0, 0.0, 5.0, ambient_abs_kpa=-1.0)
    with pytest.raises(RecordingError, match="open hose"):
        volume_from_injection(10.0, 5.0, 5.0)
    with pytest.raises(RecordingError, match="open hose"):
        volume_from_injection(10.0, 5.0, 5.1, pressure_u_kpa=0.1)
    with pytest.raises(RecordingError, match=r"from 0\.73 psi to 0\.74 psi"):
        volume_from_injection(10.0, 5.0, 5.1, pressure_u_kpa=0.1, unit=PressureUnit.PSI)
    with pytest.raises(SettingsError, match="known hole"):
        volume_from_known_leak(-0.1, 40.0, 5.0)
    with pytest.raises(SettingsError, match="above ambient"):
        volume_from_known_leak(0.1, 0.0, 5.0)
    with pytest.raises(RecordingError, match="larger hole"):
        volume_from_known_leak(0.1, 40.0, 5.0, 5.0)
