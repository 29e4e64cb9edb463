"""The volume under test, from air put in."""

import GTC
import pytest

from gaugelink.engine.units import PressureUnit
from gaugelink.errors import RecordingError, SettingsError
from gaugelink.leak.volume import volume_from_injection


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


def test_pressures_that_did_not_rise_are_no_volume() -> None:
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
