"""What a wet test is told by: its figures, the words for each kind of engine, and what is carried from another day."""

from dataclasses import replace

import pytest

from gaugelink.bench.repeats import Repeat
from gaugelink.engine.fleet import EngineRecord
from gaugelink.engine.geometry import oil_factor
from gaugelink.verdict.difference import PullValue, ReadingValue
from gaugelink.verdict.findings import Conditions, Finding, RuleName, Severity
from gaugelink.verdict.judge import judge_test
from tests.verdict.shop import FOUR, PSI, SEA_LEVEL, TRIPLE, WET, reading, readings

DRY = (135.0, 110.0, 134.0)


def of_middle(
    wet: list[ReadingValue],
    under: Conditions = WET,
    dry: list[ReadingValue] | None = None,
    dry_under: Conditions = SEA_LEVEL,
    engine: EngineRecord = TRIPLE,
) -> Finding:
    """The finding on the second cylinder of a wet test."""
    before = readings(engine, *DRY) if dry is None else dry
    found = judge_test(engine, wet, under, dry=before, dry_conditions=dry_under, unit=PSI).findings
    name = engine.cylinder_names[1]
    return next(one for one in found if one.rule is RuleName.WET_DRY and one.cylinders == (name,))


def test_a_rise_is_told_with_its_share_and_with_what_the_oil_and_the_others_did() -> None:
    """29 of 110 psi are 26.4 %; 8 of 135 and of 134 are 5.95 %; the oil's volume is half of what all of it can do."""
    found = of_middle(readings(TRIPLE, 143.0, 139.0, 142.0))
    geometry = TRIPLE.geometry("middle")
    assert geometry is not None
    by_volume = 0.5 * 110.0 * (oil_factor(geometry, 420.0, 3.0) - 1.0)
    assert found.numbers["by_volume_kpa"] == pytest.approx(PSI.to_kpa(by_volume))
    # Rectangular from none to all of it, coverage factor 2 (JCGM 100:2008, 4.3.7).
    assert found.numbers["by_volume_u_kpa"] == pytest.approx(PSI.to_kpa(2.0 * by_volume / 3.0**0.5))
    assert found.numbers["rise_percent"] == pytest.approx(100.0 * 29.0 / 110.0)
    assert found.numbers["sealing_percent"] == pytest.approx(100.0 * (29.0 - by_volume) / 110.0)
    assert found.numbers["others_rise_percent"] == pytest.approx(100.0 * (8.0 / 135.0 + 8.0 / 134.0) / 2.0)
    assert found.numbers["excess_percent"] == pytest.approx(
        found.numbers["rise_percent"] - found.numbers["others_rise_percent"]
    )
    assert found.text == (
        f"middle rose by 29.0 psi with oil, 26 %, about {by_volume:.1f} psi of it by the oil's own volume; "
        "the others rose by 6 %: that points to rings, piston or bore."
    )


@pytest.mark.parametrize(
    ("engine", "dry", "risen", "sealed", "unsealed"),
    [
        (TRIPLE, DRY, 139.0, "crankcase, and a look through the exhaust port", "head gasket, O-ring or piston crown"),
        (FOUR, (160.0, 105.0, 158.0, 159.0), 140.0, "listening at the breather", "valves, head gasket or piston crown"),
    ],
)
def test_what_oil_does_not_seal_is_looked_for_where_the_engine_has_it(
    engine: EngineRecord, dry: tuple[float, ...], risen: float, sealed: str, unsealed: str
) -> None:
    """A two-stroke has no valves, and no breather to listen at. Common practice, no source."""
    before = readings(engine, *dry)

    def wet(low_psi: float) -> Finding:
        return of_middle([before[0], reading(before[1].cylinder, low_psi), *before[2:]], WET, before, engine=engine)

    clear, none = wet(risen), wet(dry[1])
    assert (clear.severity, none.severity) == (Severity.INVESTIGATE, Severity.INVESTIGATE)
    assert sealed in clear.next_tests[0]
    assert clear.causes == ("worn or stuck rings", "scored piston or cylinder")
    assert f"too little for rings, so look to {unsealed}" in none.text
    assert none.causes[0].startswith("valve" if engine is FOUR else "head gasket")
    assert ("decompression valve leaking" in none.causes) is (engine is TRIPLE)
    assert any("valve leaking" in cause for cause in none.causes)
    assert not set(clear.causes) & set(none.causes)


def test_what_cannot_be_told_for_another_adapter_is_laid_to_the_adapter() -> None:
    """No chamber that oil could fill by much: an adapter that nobody noted may do 15 % and more."""
    found = of_middle([reading("middle", 114.0)], replace(WET, oil_ml=0.1, adapter_noted_cm3=2.0))
    assert found.severity is Severity.WATCH
    assert found.text.endswith("that cannot be told from what another adapter does.")


def test_a_wet_test_in_thinner_air_says_the_same_as_in_that_of_the_dry_one() -> None:
    """A trapped gas: all of its pressures, the pulls too, are as much lower as the air is."""

    def pulls(reading_psi: tuple[float, ...], share: float) -> list[ReadingValue]:
        values = []
        for name, psi in zip(TRIPLE.cylinder_names, reading_psi, strict=True):
            peaks = tuple(PSI.to_kpa(share * psi * spread) for spread in (0.985, 1.015))
            one = reading(name, share * psi)
            known = tuple(PullValue(Repeat(peak, 0.004 * peak)) for peak in peaks)
            values.append(replace(one, repeats=peaks, pulls=known, agreed=True))
        return values

    sure = replace(WET, ambient_u_kpa=0.0)
    thin = replace(sure, ambient_abs_kpa=0.8 * sure.ambient_abs_kpa)
    here = of_middle(pulls((143.0, 139.0, 142.0), 1.0), sure, dry_under=replace(SEA_LEVEL, ambient_u_kpa=0.0))
    there = of_middle(pulls((143.0, 139.0, 142.0), 0.8), thin, dry_under=replace(SEA_LEVEL, ambient_u_kpa=0.0))
    assert there.numbers["rise_kpa"] == pytest.approx(here.numbers["rise_kpa"])
    assert there.u_kpa == pytest.approx(here.u_kpa, rel=1e-6)
    assert there.numbers["wet_kpa"] == pytest.approx(0.8 * here.numbers["wet_kpa"])


def test_a_reading_in_doubt_before_or_after_the_oil_makes_what_it_did_no_firm_finding() -> None:
    wet, dry = readings(TRIPLE, 143.0, 139.0, 142.0), readings(TRIPLE, *DRY)
    assert of_middle(wet, dry=dry).firm
    doubted = [replace(one, agreed=one.cylinder != "middle") for one in wet]
    assert not of_middle(doubted, dry=dry).firm
    before = [replace(one, agreed=one.cylinder != "middle") for one in dry]
    assert not of_middle(wet, dry=before).firm


def test_a_cylinder_that_was_not_read_dry_is_held_against_nothing() -> None:
    wet = readings(TRIPLE, 143.0, 139.0, 142.0)
    for dry in (readings(TRIPLE, *DRY)[:2], [*readings(TRIPLE, *DRY)[:2], reading("MAG", 0.0)]):
        found = judge_test(TRIPLE, wet, WET, dry=dry, unit=PSI).findings
        assert [one.cylinders for one in found if one.rule is RuleName.WET_DRY and one.cylinders == ("MAG",)] == []
        assert of_middle(wet, dry=dry).numbers["others_rise_percent"] == pytest.approx(100.0 * 8.0 / 135.0)


@pytest.mark.parametrize(("own", "others"), [(0.05, 0.004), (0.004, 0.05), (0.03, 0.03)])
def test_what_a_cylinder_rises_more_than_the_others_is_as_uncertain_as_both(own: float, others: float) -> None:
    """JCGM 100:2008, 5.1.2, with the largest of the others; cranking scatters by 1 %."""

    def of(middle_psi: float, rest_psi: float) -> list[ReadingValue]:
        return [
            reading(
                name, middle_psi if name == "middle" else rest_psi, random_fraction=own if name == "middle" else others
            )
            for name in TRIPLE.cylinder_names
        ]

    found = of_middle(of(139.0, 142.0), dry=of(110.0, 135.0))
    shares = [
        2.0 * (random**2 + 0.01**2) ** 0.5 * (wet**2 + dry**2) ** 0.5 / dry
        for random, wet, dry in ((own, 139.0, 110.0), (others, 142.0, 135.0))
    ]
    # Of what the gauge adds to both alike a fraction of their difference is left.
    assert found.numbers["excess_u_percent"] == pytest.approx(
        100.0 * (shares[0] ** 2 + shares[1] ** 2) ** 0.5, rel=0.03
    )
