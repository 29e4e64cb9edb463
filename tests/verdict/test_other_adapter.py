"""Seasons that were read through adapters of different volume: the adapter is no wear, no job and no gauge."""

from dataclasses import replace

import pytest

from gaugelink.engine.fleet import EngineRecord
from gaugelink.engine.geometry import adapter_factor
from gaugelink.report.words import history_sentences
from gaugelink.verdict.adapters import carried
from gaugelink.verdict.fleet import MachineTests, fleet_steps
from gaugelink.verdict.history import MachineHistory, read_history
from gaugelink.verdict.past import PastJob, PastReading, PastTest
from tests.verdict.test_adapter import TRIPLE
from tests.verdict.test_history import BEGIN, SEASON, past

SEASONS = (0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5)
RPM = 400.0
NO_DIMENSIONS = TRIPLE.model_copy(update={"bore_mm": None})


def share(cm3: float) -> float:
    geometry = TRIPLE.geometry("PTO")
    assert geometry is not None
    return adapter_factor(geometry, RPM, cm3)


def through(
    *volumes: float, engine: EngineRecord = TRIPLE, noted: bool | tuple[bool, ...] = True, worn: float = 0.0
) -> list[PastTest]:
    """A machine's tests every half season through adapters of these volumes, `worn` off the middle in a season."""
    said = noted if isinstance(noted, tuple) else (noted,) * len(volumes)
    tests = []
    for place, (season, cm3) in enumerate(zip(SEASONS, volumes, strict=False)):
        day = 930.0 * share(cm3) * (1.0 + 0.002 * ((7 * place) % 5 - 2))
        one = past(season, day, day * (1.0 - worn) ** season, day)
        tests.append(replace(one, adapter_cm3=cm3 if said[place] else None))
    now_cm3 = [cm3 for cm3, told in zip(volumes, said, strict=True) if told][-1:]
    return [carried(one, engine, RPM, now_cm3[0]) if now_cm3 else one for one in tests]


def sentences(history: MachineHistory) -> str:
    return " ".join(history_sentences(history, len(SEASONS)))


def nothing_is_told(history: MachineHistory) -> bool:
    return not (history.engine_is_falling or history.steps or any(trend.is_wearing for trend in history.trends))


GROWING = (1.0, 1.0, 2.0, 2.0, 3.0, 3.0, 4.0, 4.0)
ONE_OTHER = (2.0, 2.0, 2.0, 2.0, 6.0, 6.0, 6.0, 6.0)


@pytest.mark.parametrize("volumes", [GROWING, ONE_OTHER])
def test_an_adapter_that_takes_more_off_is_no_wear(volumes: tuple[float, ...]) -> None:
    as_read = [replace(test, adapter_cm3=None) for test in through(*volumes, noted=False)]
    assert not nothing_is_told(read_history(as_read)), "as it was read it looks like wear or like a gauge"
    history = read_history(through(*volumes))
    assert nothing_is_told(history)
    assert history.trends[0].level_kpa.value == pytest.approx(930.0 * share(volumes[-1]), rel=0.005)


def test_the_other_adapter_is_told_with_what_it_does_alone() -> None:
    history = read_history(through(*ONE_OTHER))
    alone = 100.0 * (share(2.0) / share(6.0) - 1.0)
    assert 20.0 < alone < 25.0
    assert (
        f"4 tests were read through an adapter of 2 cm3 and not 6 cm3, which alone reads {alone:.1f} % higher: "
        "the seasons are compared as if all were read through 6 cm3."
    ) in sentences(history)


def test_one_adapter_throughout_and_one_that_was_never_noted_are_not_spoken_of() -> None:
    plain = read_history(through(*(2.0,) * 8, noted=False))
    same = read_history(through(*(2.0,) * 8))
    assert same == plain
    assert "adapter" not in sentences(plain)


@pytest.mark.parametrize(
    ("noted", "engine", "said"),
    [
        ((False,) * 4 + (True,) * 4, TRIPLE, "Through which adapter 4 tests were read is not noted"),
        ((True,) * 4 + (False,) * 4, TRIPLE, "Through which adapter 4 tests were read is not noted"),
        ((True,) * 8, NO_DIMENSIONS, "cannot be told without the engine's dimensions"),
    ],
)
def test_what_may_be_the_adapter_is_told_once_and_as_nothing_else(
    noted: tuple[bool, ...], engine: EngineRecord, said: str
) -> None:
    tests = through(*ONE_OTHER, noted=noted, engine=engine)
    history = read_history(tests)
    assert nothing_is_told(history)
    assert sentences(history).count(said) == 1
    assert history.trends[0].level_kpa.value == pytest.approx(930.0 * share(6.0), rel=0.01)
    job = PastJob(BEGIN + 1.75 * SEASON, "pistons")
    assert not any(effect.is_real for effect in read_history(tests, [job]).jobs)
    assert not fleet_steps([MachineTests(name, tuple(tests)) for name in ("a", "b", "c")])


@pytest.mark.parametrize("noted", [(True,) * 8, (False,) * 4 + (True,) * 4])
def test_a_cylinder_that_wears_is_found_over_another_adapter(noted: tuple[bool, ...]) -> None:
    history = read_history(through(*ONE_OTHER, noted=noted, worn=0.02))
    assert [trend.cylinder for trend in history.trends if trend.is_wearing] == ["middle"]
    (worn,) = (trend.judged.value for trend in history.trends if trend.is_wearing)
    assert worn == pytest.approx(-2.0, abs=0.2)


def test_all_pressures_of_a_reading_are_carried_alike() -> None:
    reading = PastReading("PTO", 900.0, 4.0, pulls=(890.0, 910.0), behind=2, u_own_kpa=2.0)
    test = replace(through(6.0)[0], readings=(reading,), adapter_cm3=6.0)
    (after,) = carried(test, TRIPLE, RPM, 2.0).readings
    factor = share(2.0) / share(6.0)
    assert after.sea_level_kpa == pytest.approx(factor * 900.0)
    assert after.pulls == pytest.approx((factor * 890.0, factor * 910.0))
    assert (after.u_random_kpa, after.u_own_kpa) == pytest.approx((factor * 4.0, factor * 2.0))
