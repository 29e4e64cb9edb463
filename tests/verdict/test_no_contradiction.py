"""Over many made-up tests no verdict contradicts itself: seeded, so that a failure is the same each time."""

import re
from dataclasses import replace

import numpy as np
import pytest

from gaugelink.engine.air import ambient_at_altitude, assumed_ambient
from gaugelink.engine.fleet import EngineRecord
from gaugelink.leak.heard import Heard
from gaugelink.peak.events import Flag
from gaugelink.verdict.difference import ReadingValue
from gaugelink.verdict.findings import Conditions, Finding, RuleName, Severity, TestVerdict, TopEnd, VerdictWord
from gaugelink.verdict.judge import judge_test
from gaugelink.verdict.leakdown import LeakDownValue
from tests.verdict.shop import FOUR, PSI, TRIPLE, judge, only, reading, readings

ENGINES = (
    TRIPLE,
    FOUR,
    TRIPLE.model_copy(update={"band": None}),
    EngineRecord.model_validate(
        {"id": "o", "name": "O", "cycle": 2, "layout": "side_named", "cylinders": 1, "band": TRIPLE.band}
    ),
    EngineRecord.model_validate(
        {
            "id": "v",
            "name": "V",
            "cycle": 4,
            "layout": "two_banks",
            "cylinders": 8,
            "band": {"low": 9.0, "high": 11.0, "unit": "bar", "altitude_m": 1500, "warm": True},
            "cranking_rpm": 220,
        }
    ),
)


def _readings(rng: np.random.Generator, engine: EngineRecord) -> list[ReadingValue]:
    count, usual = len(engine.cylinders), engine.cranking_rpm or 300.0
    psi = rng.normal(140.0, rng.choice([2.0, 8.0, 30.0]), count).clip(0.0, 400.0)
    if rng.random() < 0.4:
        psi[rng.integers(count)] *= rng.uniform(0.5, 1.4)
    flags = [frozenset({Flag(rng.choice(list(Flag)))}) if rng.random() < 0.08 else frozenset() for _ in psi]
    made = [
        reading(
            name,
            float(value),
            flags=flag,
            rpm=float(rng.normal(usual, 40.0)) if rng.random() < 0.8 else None,
            first_psi=float(value * rng.uniform(0.4, 0.95)) if rng.random() < 0.5 else None,
        )
        for name, value, flag in zip(engine.cylinder_names, psi, flags, strict=True)
    ]
    return made[1:] if count > 1 and rng.random() < 0.1 else made


def _made_up(rng: np.random.Generator, engine: EngineRecord) -> tuple[TestVerdict, bool]:
    """A verdict, and whether its test was wet."""
    values = _readings(rng, engine)
    air = assumed_ambient() if rng.random() < 0.3 else ambient_at_altitude(float(rng.uniform(0.0, 3000.0)))
    stated = ([None, True, False][rng.integers(3)] for _ in range(2))
    under = replace(Conditions.of_ambient(air), throttle_open=next(stated), warm=next(stated))
    dry = None
    if rng.random() < 0.3:
        under = replace(under, wet=True, oil_ml=3.0 if rng.random() < 0.5 else None)
        dry = [
            replace(one, peak_kpa=one.peak_kpa * float(rng.uniform(0.75, 1.02)), flags=frozenset()) for one in values
        ]
    leaks = [
        LeakDownValue(one.cylinder, float(rng.uniform(2.0, 60.0)), float(rng.uniform(1.0, 6.0)), _heard(rng))
        for one in values
        if rng.random() < 0.1
    ]
    return judge_test(engine, values, under, dry=dry, leak_down=leaks, unit=PSI), under.wet


def _heard(rng: np.random.Generator) -> tuple[Heard, ...]:
    return tuple(place for place in Heard if rng.random() < 0.3)


def _of(verdict: TestVerdict, rule: RuleName, severity: Severity | None = None) -> list[Finding]:
    return [f for f in verdict.findings if f.rule is rule and severity in (None, f.severity)]


@pytest.mark.parametrize("engine", ENGINES, ids=lambda engine: f"{len(engine.cylinders)}-{engine.cycle}")
def test_no_verdict_contradicts_itself(engine: EngineRecord) -> None:
    rng = np.random.default_rng(len(engine.cylinders))
    words = set()
    for _ in range(150):
        verdict, wet = _made_up(rng, engine)
        peaks = {one.cylinder: one.peak_kpa for one in verdict.readings}
        said = "\n".join([verdict.summary, *(f.text for f in verdict.findings)])
        top = only(verdict, RuleName.TOP_END)
        words.add(verdict.word)
        assert not re.search(r"\bnan\b|\binf\b|-0[ .](?![\d])|-0\.0\b", said), said
        assert verdict.word is not VerdictWord.RETEST or any(f.severity is Severity.RETEST for f in verdict.findings), (
            said
        )
        assert verdict.word is not VerdictWord.CONSISTENT or all(f.severity is Severity.NOTE for f in verdict.findings)
        assert verdict.top_end is not TopEnd.LEAVE or not any(
            f.severity is Severity.INVESTIGATE and f.firm for f in verdict.findings
        ), said
        if verdict.top_end is TopEnd.LIKELY:
            told = [*_of(verdict, RuleName.WET_DRY), *_of(verdict, RuleName.LEAK_DOWN)]
            asked = {name for f in told if f.severity is Severity.INVESTIGATE for name in f.cylinders}
            assert asked.issuperset(top.cylinders), said
        if verdict.top_end is TopEnd.TEST_FIRST and wet:
            assert "wet test" not in top.text, said
        for band in _of(verdict, RuleName.BAND):
            if band.severity is not Severity.NOTE:
                assert verdict.band is not None
                assert all(peaks[name] < verdict.band.low_kpa for name in band.cylinders), said
        for finding in _of(verdict, RuleName.EXPECTED):
            below = {name for name in finding.cylinders if peaks[name] < verdict.expected_kpa[name][0]}
            assert below == (set(finding.cylinders) if " below " in finding.text else set()), said
        for finding in _of(verdict, RuleName.LOWEST_OF_HIGHEST):
            assert finding.cylinders[0] != finding.cylinders[1], said
    assert len(words) > 2


def test_neighbours_are_not_held_lower_than_the_readings_can_tell() -> None:
    """The lower of two is below the limit by less than its uncertainty: watched, as by itself."""
    verdict = judge_test(FOUR, readings(FOUR, 160.0, 118.6, 119.0, 160.0), judge([]).conditions)
    assert only(verdict, RuleName.LOWEST_OF_HIGHEST).severity is Severity.WATCH
    assert only(verdict, RuleName.NEIGHBOURS_LOW).severity is Severity.WATCH
