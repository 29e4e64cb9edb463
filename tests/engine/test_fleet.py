"""The fleet file: presets of names, geometry from what is known, and mistakes told by place."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gaugelink.engine.fleet import Layout, parse_engine, parse_fleet, preset_names
from gaugelink.engine.geometry import adapter_factor, expected_pressure
from gaugelink.errors import SettingsError

TRIPLE = """
id = "triple-598"
name = "Three-cylinder two-stroke, 598 cm3"
cycle = 2
layout = "side_named"
cylinders = 3
bore_mm = 69.0
stroke_mm = 53.5
rod_mm = 107.0
compression_ratio_trapped = 6.6
exhaust_duration_deg = 188
cranking_rpm = 420
[band]
low = 130
high = 150
unit = "psi"
"""

FOUR = """
id = "four"
name = "Four-stroke four"
cycle = 4
layout = "inline_front"
cylinders = 4
bore_mm = 78.0
stroke_mm = 80.0
compression_ratio_geometric = 9.5
intake_closes_deg_abdc = 45
"""

FLEET = """
[[machine]]
id = "north-7"
name = "North 7"
engine = "four"
"""


def test_a_triple_is_named_by_side() -> None:
    engine = parse_engine(TRIPLE, "triple.toml")
    assert engine.cylinder_names == ("PTO", "middle", "MAG")
    assert engine.neighbours() == (("PTO", "middle"), ("middle", "MAG"))
    assert engine.cylinder("pto").name == "PTO"


@pytest.mark.parametrize(
    ("layout", "count", "names"),
    [
        (Layout.SIDE_NAMED, 1, ["single"]),
        (Layout.SIDE_NAMED, 2, ["PTO", "MAG"]),
        (Layout.SIDE_NAMED, 3, ["PTO", "middle", "MAG"]),
        (Layout.INLINE_FRONT, 4, ["1", "2", "3", "4"]),
        (Layout.INLINE_TOP, 3, ["1", "2", "3"]),
        (Layout.TWO_BANKS, 4, ["L1", "L2", "R1", "R2"]),
    ],
)
def test_layouts_have_the_trade_s_names(layout: Layout, count: int, names: list[str]) -> None:
    assert [name for name, _ in preset_names(layout, count)] == names


@pytest.mark.parametrize(
    ("layout", "count"),
    [(Layout.SIDE_NAMED, 4), (Layout.TWO_BANKS, 3), (Layout.INLINE_FRONT, 0), (Layout.LISTED, 3)],
)
def test_a_layout_without_names_for_so_many_cylinders_asks_for_them(layout: Layout, count: int) -> None:
    with pytest.raises(ValueError, match=rf"'{layout.value}' has no names for {count} cylinders; list the names"):
        preset_names(layout, count)


def test_cylinders_of_two_banks_are_no_neighbours() -> None:
    engine = parse_engine('id="v"\nname="V four"\ncycle=4\nlayout="two_banks"\ncylinders=4\n', "v.toml")
    assert engine.neighbours() == (("L1", "L2"), ("R1", "R2"))


def test_listed_names_are_kept_in_their_order() -> None:
    engine = parse_engine('id="x"\nname="x"\ncycle=2\ncylinders=["upper", "lower"]\n', "x.toml")
    assert engine.cylinder_names == ("upper", "lower")


def test_the_band_is_carried_to_kpa() -> None:
    band = parse_engine(TRIPLE, "t").band
    assert band is not None
    assert band.low_kpa == pytest.approx(896.3, abs=0.1)  # 130 psi, NIST SP 811
    assert band.reference_abs_kpa == 101.325


def test_the_trapped_ratio_comes_back_from_the_geometry() -> None:
    geometry = parse_engine(TRIPLE, "t").geometry("MAG")
    assert geometry is not None
    assert geometry.ratio() == pytest.approx(6.6)
    assert geometry.closing_deg_btdc == 86.0


@pytest.mark.parametrize(
    ("cycle", "line"),
    [(2, f"exhaust_duration_deg = {deg}") for deg in (165, 180, 200)]
    + [(4, f"intake_closes_deg_abdc = {deg}") for deg in (30, 50, 70)],
)
def test_an_adapter_takes_off_about_as_much_where_the_record_has_the_trapped_ratio_alone(cycle: int, line: str) -> None:
    """Openings from memory: what sled and outboard engines, and what cars have."""
    text = f'id="x"\nname="x"\ncycle={cycle}\ncylinders=["a"]\nbore_mm=69\nstroke_mm=53.5\n'
    text += "compression_ratio_trapped=7\n"
    alone, known = (parse_engine(more, "x").geometry("a") for more in (text, f"{text}{line}\n"))
    assert alone is not None
    assert known is not None
    assert alone.ratio() == pytest.approx(7.0)
    taken, really = (1.0 - adapter_factor(one, 400.0, 2.0) for one in (alone, known))
    assert taken == pytest.approx(really, rel=0.2)


def test_a_four_stroke_traps_less_than_its_geometric_ratio() -> None:
    geometry = parse_engine(FOUR, "f").geometry("1")
    assert geometry is not None
    assert 7.5 < geometry.ratio() < 9.0


def test_an_oversize_cylinder_has_its_own_bore() -> None:
    text = TRIPLE.replace("cylinders = 3", 'cylinders = [{name="PTO"}, {name="middle", bore_mm=69.5}, {name="MAG"}]')
    engine = parse_engine(text.replace('layout = "side_named"\n', ""), "t")
    standard, bored = engine.geometry("PTO"), engine.geometry("middle")
    assert standard is not None
    assert bored is not None
    assert bored.ratio() > standard.ratio()
    assert bored.clearance_cm3 == standard.clearance_cm3


def test_without_dimensions_there_is_no_geometry() -> None:
    assert parse_engine('id="x"\nname="x"\ncycle=2\ncylinders=["a"]\n', "x").geometry("a") is None


def test_a_fleet_finds_its_engines_in_other_files() -> None:
    fleet = parse_fleet(FLEET, "fleet.toml", engines=(parse_engine(FOUR, "four.toml"),))
    assert fleet.engine_of("north-7").cycle == 4
    with pytest.raises(SettingsError, match="north-7"):
        fleet.find("south-1")


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("bore_mm = 69.0", "bore_mm = 690.0"), ["triple.toml", "bore_mm", "690"]),
        (("bore_mm = 69.0", "boremm = 69.0"), ["triple.toml", "boremm", "bore_mm"]),
        (("cycle = 2", "cycle = 3"), ["triple.toml", "cycle", "3"]),
        (("high = 150", "high = 120"), ["triple.toml", "band", "120"]),
        (("high = 150", "high = 130"), ["triple.toml", "band", "one pressure", "write low alone: low = 130"]),
        (('unit = "psi"', ""), ["triple.toml", "band", "130 kPa", "is the unit right", "psi"]),
        (('unit = "psi"', 'unit = "bar"'), ["triple.toml", "band", "130 bar", "is the unit right"]),
        (("cylinders = 3", "cylinders = 5"), ["triple.toml", "side_named", "5"]),
        (("rod_mm = 107.0", "rod_mm = 30.5\nintake_closes_deg_abdc = 40"), ["triple.toml", "four-stroke"]),
        (("cycle = 2", "cycle = "), ["triple.toml", "TOML", "line 4"]),
        (('id = "triple-598"', 'id = "sled/7"'), ["triple.toml", "id", "sled/7"]),
        (
            ("compression_ratio_trapped = 6.6", "compression_ratio_trapped = 6.6\ncompression_ratio_geometric = 6"),
            ["6.6"],
        ),
    ],
)
def test_a_wrong_engine_file_is_refused_with_where_and_why(change: tuple[str, str], says: list[str]) -> None:
    with pytest.raises(SettingsError) as caught:
        parse_engine(TRIPLE.replace(*change), "triple.toml")
    for word in says:
        assert word in str(caught.value)


def test_a_machine_with_an_unknown_engine_is_refused() -> None:
    with pytest.raises(SettingsError, match=r"north-7.*four.*none"):
        parse_fleet(FLEET, "fleet.toml")


def test_two_machines_of_one_id_are_refused() -> None:
    with pytest.raises(SettingsError, match=r"fleet\.toml.*north-7"):
        parse_fleet(FLEET + FLEET, "fleet.toml", engines=(parse_engine(FOUR, "four.toml"),))


@pytest.mark.parametrize(
    ("stated", "reference_kpa"),
    # ICAO Doc 7488/3: 1,013.25 hPa at the sea, 845.56 at 1,500 m.
    [("", 101.325), ("altitude_m = 1500", 84.556), ("ambient_abs_kpa = 95", 95.0), ("altitude_m = 0", 101.325)],
)
def test_a_range_holds_at_the_sea_unless_it_says_where(stated: str, reference_kpa: float) -> None:
    band = parse_engine(TRIPLE + stated, "triple.toml").band
    assert band is not None
    assert band.reference_abs_kpa == pytest.approx(reference_kpa, rel=1e-4)
    assert band.high_kpa == pytest.approx(150.0 * 6.894757, rel=1e-6)


@pytest.mark.parametrize(
    ("band", "says"),
    [
        ("low = 130\nhigh = 150\nunit = 'psi'\naltitude_m = 900\nambient_abs_kpa = 90", "not both"),
        ("low = 130\nhigh = 700\nunit = 'psi'", "700 psi is no cranking pressure"),
        ("low = 9\nunit = 'psi'", "9 psi is no cranking pressure"),
        ("low = 150\nhigh = 130\nunit = 'psi'", "not above the lower end"),
    ],
)
def test_a_range_that_no_maker_gives_is_refused(band: str, says: str) -> None:
    with pytest.raises(SettingsError, match=says):
        parse_engine(TRIPLE.partition("[band]")[0] + "[band]\n" + band, "triple.toml")


def test_a_rod_that_nobody_measured_is_taken_as_twice_the_stroke() -> None:
    known = parse_engine(TRIPLE.replace("rod_mm = 107.0", "rod_mm = 98.0"), "triple.toml").geometry("PTO")
    unknown = parse_engine(TRIPLE.replace("rod_mm = 107.0\n", ""), "triple.toml").geometry("PTO")
    assert known is not None
    assert unknown is not None
    assert (known.rod_mm, unknown.rod_mm) == (98.0, 107.0)


@pytest.mark.parametrize("dimension", ["bore_mm = 69.0\n", "stroke_mm = 53.5\n"])
def test_half_of_the_dimensions_are_none(dimension: str) -> None:
    assert parse_engine(TRIPLE.replace(dimension, ""), "triple.toml").geometry("PTO") is None


@pytest.mark.parametrize("name", ["", " ", " a", "a/b", "a+b", "a#b"])
def test_a_name_that_no_topic_can_carry_is_refused(name: str) -> None:
    with pytest.raises(SettingsError, match="a name is not empty"):
        parse_engine(TRIPLE.replace('"triple-598"', f'"{name}"'), "triple.toml")


MACHINE = '[[machine]]\nid = "yard-1"\nname = "Yard one"\nengine = "triple-598"\n'


def own_engine(name: str) -> str:
    plain = TRIPLE.partition("[band]")[0].replace("Three-cylinder two-stroke, 598 cm3", name)
    return f"[[engine]]\n{plain}"


def test_a_fleet_s_own_engine_goes_before_one_of_that_id_from_another_file() -> None:
    other = parse_engine(TRIPLE, "triple.toml")
    fleet = parse_fleet(MACHINE + own_engine("Bored out"), "fleet.toml", [other])
    assert fleet.engine_of("yard-1").name == "Bored out"
    assert parse_fleet(MACHINE, "fleet.toml", [other]).engine_of("yard-1").name.startswith("Three-cylinder")


def test_two_engines_of_one_id_are_refused() -> None:
    with pytest.raises(SettingsError, match="two engines have the id 'triple-598'"):
        parse_fleet(MACHINE + own_engine("One") + own_engine("Another"), "fleet.toml")


def test_two_cylinders_of_one_name_are_refused() -> None:
    with pytest.raises(SettingsError, match="two cylinders"):
        parse_engine('id="x"\nname="x"\ncycle=2\ncylinders=["PTO", "pto"]\n', "x.toml")


def test_the_example_files_can_be_used_as_they_are() -> None:
    config = Path(__file__).parents[2] / "config"
    engines = [parse_engine(path.read_text(), path.name) for path in sorted((config / "engines").glob("*.toml"))]
    fleet = parse_fleet((config / "fleet.example.toml").read_text(), "fleet.example.toml", engines)
    assert len(engines) >= 5
    for machine in fleet.machine:
        engine = fleet.engine_of(machine.id)
        geometry = engine.geometry(engine.cylinder_names[0])
        assert geometry is not None
        estimate = expected_pressure(geometry, engine.cranking_rpm or 300.0, 101.325)
        if engine.band is not None and engine.band.high_kpa is not None:
            middle = (engine.band.low_kpa + engine.band.high_kpa) / 2.0
            assert abs(estimate.kpa - middle) < estimate.u_kpa


@given(text=st.text(max_size=120) | st.text(alphabet='[]machine"= id\n1.2,{}engine', max_size=120))
def test_whatever_is_in_a_fleet_file_is_read_or_refused_with_its_name(text: str) -> None:
    refusal = ""
    try:
        assert parse_fleet(text, "fleet.toml").machine == ()
    except SettingsError as error:
        refusal = str(error)
    assert not refusal or refusal.startswith("fleet.toml")
