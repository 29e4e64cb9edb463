"""A layout file is validated, and what is wrong in it is said in words a person can act on."""

import pytest

from gaugelink.engine.units import PressureUnit
from gaugelink.errors import SettingsError
from gaugelink.gauge.fields import Counts, NumberFormat
from gaugelink.gauge.layout import How, load_layout

GOOD = """
name = "A gauge"
unit = "psi"

[listen]
service = "fff0"
characteristic = "FFF1"

[pressure]
at = 1
format = "u16"
scale = 0.1
"""


def test_a_short_layout_is_enough_and_uuids_are_made_whole():
    layout = load_layout(GOOD)
    assert layout.listen.how is How.NOTIFY
    assert layout.listen.characteristic == "0000fff1-0000-1000-8000-00805f9b34fb"
    assert layout.unit is PressureUnit.PSI
    assert layout.pressure.format is NumberFormat.U16
    assert not layout.absolute
    assert not layout.steady
    assert layout.resolution_kpa == pytest.approx(0.6894757, rel=1e-6)


def test_one_sample_may_have_its_place_from_the_end_of_the_frame():
    assert load_layout(GOOD.replace("at = 1", "at = -2")).pressure.at == -2


def test_a_counter_masked_to_a_nibble_wraps_at_16():
    layout = load_layout(GOOD + '[sequence]\nat = 0\nformat = "u8"\nmask = 0xF0\n')
    assert (layout.sequence.period, layout.sequence.shift) == (16, 4)
    assert layout.sequence.counts is Counts.FRAMES
    assert layout.steady


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("scale = 0.1", "scal = 0.1", ["pressure.scal", "Did you mean 'scale'?", "allowed:"]),
        ('unit = "psi"', 'unit = "psy"', ["unit", "'psy'", "'kgf/cm2'"]),
        ('name = "A gauge"', "", ["name: this key is missing"]),
        ('format = "u16"', 'format = "u17"', ["pressure.format", "'u17'", "'u16'"]),
        ("scale = 0.1", "scale = 0", ["scale = 0 would make every pressure the same"]),
        ("scale = 0.1", "scale = inf", ["finite"]),
        ("scale = 0.1", "count = 0", ["pressure.count"]),
        ("at = 1", "at = -1", ["leaves no room"]),
        ("at = 1", "at = -8\ncount = 2", ["several samples need a position from the start"]),
        ("at = 1", "at = 1\nstride = 1\ncount = 2", ["stride = 1 is less than the 2 bytes"]),
        ('format = "u16"', 'format = "bcd"', ["bytes goes with"]),
        ('characteristic = "FFF1"', 'characteristic = "pressure"', ["listen.characteristic", "'pressure'"]),
        ('characteristic = "FFF1"', "", ["characteristic is missing"]),
        ('service = "fff0"', 'how = "poll"', ["poll_hz"]),
        ('service = "fff0"', 'how = "advertisement"', ["company_id or service"]),
        ("[pressure]", "[text]\nnumber = 0\n[pressure]", ["either [pressure] or [text]"]),
        ("[pressure]", '[sequence]\nat = 0\nformat = "f32"\n[pressure]', ["a counter is one of"]),
        ("[pressure]", '[device_time]\nat = 0\nformat = "u32"\ntick_s = 1e-320\n[pressure]', ["tick_s", "0.000000001"]),
        ("[pressure]", '[sequence]\nat = 0\nformat = "u8"\nmask = 5\n[pressure]', ["not one run of bits"]),
        (
            'service = "fff0"',
            'startup = [{characteristic = "fff2", hex = "0g"}]',
            ["listen.startup[0].hex", "'0g'", "hexadecimal"],
        ),
        ("[listen]", "[listen", ["not valid TOML"]),
        ("scale = 0.1", "scale = 1e10", ["pressure.scale", "1000000000"]),
        ("[pressure]", '[sequence]\nat = 0\nformat = "u8"\nmask = 0xF00\n[pressure]', ["0xf00", "u8 does not have"]),
        ("[pressure]", '[sequence]\nat = 0\nformat = "u8"\nwrap = 1000\n[pressure]', ["never reached", "256 values"]),
        ("[pressure]", '[status]\nat = 0\nformat = "u8"\nfault = 0x100\n[pressure]', ["0x100", "u8 does not have"]),
        ("[listen]", "length = 2\n[listen]", ["length = 2", "needs 3 bytes"]),
        ("[listen]", 'header = "a5 5a"\n[listen]', ["header and pressure share bytes 1 of"]),
        ("[pressure]", '[sequence]\nat = 0\nformat = "u16"\n[pressure]', ["sequence and pressure share bytes 1 of"]),
        ("[pressure]", '[battery]\nat = 9\nformat = "u8"\n[pressure]\ncount = "fit"', ["battery and pressure share"]),
        (
            "[pressure]\nat = 1",
            '[checksum]\nkind = "sum"\n[pressure]\nat = -2',
            ["checksum and pressure share bytes 1"],
        ),
    ],
)
def test_a_mistake_is_named_with_file_key_found_and_allowed(old, new, words):
    assert old in GOOD
    with pytest.raises(SettingsError) as caught:
        load_layout(GOOD.replace(old, new, 1), "my-gauge.toml")
    text = str(caught.value)
    assert "my-gauge.toml" in text
    for word in words:
        assert word in text


@pytest.mark.parametrize(
    "more",
    [
        # A counter in the gap behind each sample, and a battery behind all of them.
        'stride = 3\ncount = "fit"\n[sequence]\nat = 3\nformat = "u8"\n[battery]\nat = -1\nformat = "u8"\n',
        '[sequence]\nat = 0\nformat = "u8"\nmask = 0x0F\n[status]\nat = 0\nformat = "u8"\nfault = 0x80\n',
        "[checksum]\nkind = 'crc16_modbus'\nat = -2\n",
    ],
)
def test_what_shares_no_byte_with_a_sample_may_be_anywhere(more):
    assert load_layout(GOOD + more).pressure.at == 1


@pytest.mark.parametrize("text", ["scale = 0", 'prefix = "P=µ"', 'prefix = "P\\n"'])
def test_a_text_that_gives_no_pressure_is_refused(text):
    start = GOOD.split("[pressure]")[0]
    with pytest.raises(SettingsError, match=r"no line starts with|would make every pressure the same"):
        load_layout(f"{start}[text]\n{text}\n")


def test_every_mistake_is_said_at_once():
    with pytest.raises(SettingsError) as caught:
        load_layout('unit = "psy"\nbyte_ordr = "big"\n[listen]\ncharacteristic = "fff1"\n', "x.toml")
    assert len(str(caught.value).splitlines()) == 3
    assert "Did you mean 'byte_order'?" in str(caught.value)


def test_a_table_does_as_well_as_text():
    table = {"name": "x", "unit": "bar", "listen": {"characteristic": "fff1"}, "text": {"number": 1}}
    assert load_layout(table).text.number == 1
