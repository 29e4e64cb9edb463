"""Live pressure against the examples of RFC 8428 and against a library that reads SenML."""

import json
from datetime import UTC, datetime

import pytest
import senml as reference
from hypothesis import given
from hypothesis import strategies as st

from gaugelink.broker.senml import LivePressure, Resolved, live_pressure, resolve
from gaugelink.errors import BrokerError

NOON = datetime(2026, 2, 3, 12, 0, tzinfo=UTC)

# RFC 8428, section 5.1.2, second example.
VOLTAGE_AND_CURRENT = """[
  {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09, "bu":"A","bver":5, "n":"voltage","u":"V","v":120.1},
  {"n":"current","t":-5,"v":1.2},
  {"n":"current","t":-4,"v":1.3},
  {"n":"current","t":-3,"v":1.4},
  {"n":"current","t":-2,"v":1.5},
  {"n":"current","t":-1,"v":1.6},
  {"n":"current","v":1.7}
]"""

# RFC 8428, section 5.1.3 (its first six records), and section 5.1.4, the same resolved.
MEASUREMENTS = """[
  {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09, "bu":"%RH","v":20},
  {"u":"lon","v":24.30621},
  {"u":"lat","v":60.07965},
  {"t":60,"v":20.3},
  {"u":"lon","t":60,"v":24.30622},
  {"u":"lat","t":60,"v":60.07965}
]"""
MEASUREMENTS_RESOLVED = """[
  {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067464e+09, "v":20},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067464e+09, "v":24.30621},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067464e+09, "v":60.07965},
  {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067524e+09, "v":20.3},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067524e+09, "v":24.30622},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067524e+09, "v":60.07965}
]"""

# RFC 8428, section 5.1.5.
DATA_TYPES = """[
  {"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
  {"n":"label","vs":"Machine Room"},
  {"n":"open","vb":false},
  {"n":"nfc-reader","vd":"aGkgCg"}
]"""

# RFC 8428, section 5.1.6.
COLLECTION = """[
  {"bn":"2001:db8::2/","bt":1.320078429e+09, "n":"temperature","u":"Cel","v":25.2},
  {"n":"humidity","u":"%RH","v":30},
  {"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},
  {"n":"humidity","u":"%RH","v":67}
]"""


def test_the_base_of_the_rfc_example_is_taken_in():
    found = resolve(VOLTAGE_AND_CURRENT)
    assert found[0] == Resolved("urn:dev:ow:10e2073a0108006:voltage", "V", 1.276020076001e09, 120.1)
    assert found[1] == Resolved("urn:dev:ow:10e2073a0108006:current", "A", 1.276020076001e09 - 5, 1.2)
    assert found[6] == Resolved("urn:dev:ow:10e2073a0108006:current", "A", 1.276020076001e09, 1.7)


def test_the_rfc_example_resolves_to_what_the_rfc_says():
    assert resolve(MEASUREMENTS) == resolve(MEASUREMENTS_RESOLVED)


def test_every_type_of_value_is_read():
    assert [record.value for record in resolve(DATA_TYPES)] == [23.1, "Machine Room", False, "aGkgCg"]


def test_a_second_base_name_takes_over():
    assert [record.name for record in resolve(COLLECTION)] == [
        "2001:db8::2/temperature",
        "2001:db8::2/humidity",
        "2001:db8::1/temperature",
        "2001:db8::1/humidity",
    ]


def test_a_field_that_must_be_understood_is_refused():
    # RFC 8428, section 4.4: labels that end with "_" must be understood, or the pack is not to be processed.
    with pytest.raises(BrokerError, match="must be understood"):
        resolve('[{"n": "pressure", "v": 1, "new_": 2}]')


@pytest.mark.parametrize(
    "text",
    ["", "{}", "[1]", "null", "[" * 5000]
    + [f'[{{"n": "pressure", "u": "Pa", {field}}}]' for field in ('"v": "1.5"', '"t": "now"', '"bt": []', '"vs": 7')],
)
def test_what_is_no_pack_is_refused(text):
    with pytest.raises(BrokerError, match="SenML pack"):
        resolve(text)


@pytest.mark.parametrize("fields", ['"bv": 1e308, "v": 1e308', '"v": 1, "bt": 1e308, "t": 1e308'])
def test_what_no_number_holds_once_its_base_is_taken_in_is_refused(fields):
    with pytest.raises(BrokerError, match="beyond what a number holds"):
        resolve(f'[{{"n": "pressure", {fields}}}]')


def test_a_field_that_is_null_is_one_that_is_not_there():
    # The contract's own schema of a record allows it.
    pack = '[{"bn": "x/", "bt": 5, "n": "pressure", "u": "Pa", "v": 1}, {"bn": null, "bt": null, "n": null, "v": 2}]'
    assert LivePressure.model_validate_json(pack).root[1].bt is None
    assert resolve(pack) == [Resolved("x/pressure", "Pa", 5.0, 1.0), Resolved("x/", None, 5.0, 2.0)]


samples = st.lists(
    st.tuples(
        st.floats(-5, 5).map(lambda t: round(t, 6)),
        st.floats(-100, 5000).map(lambda kpa: round(kpa, 4)),
    ),
    min_size=1,
    max_size=40,
)


@given(samples, st.booleans())
def test_live_pressure_comes_back_in_pascal_at_its_time(points, over_range):
    times, pressures = zip(*points, strict=True)
    pack = live_pressure("north", "blue", NOON, times, pressures, over_range=over_range)
    found = resolve(pack)
    assert len(found) == len(points) + over_range
    for record, time_s, kpa in zip(found, times, pressures, strict=False):
        assert record.name == "gaugelink/north/gauge/blue/pressure"
        assert record.unit == "Pa"
        assert record.value == pytest.approx(1000.0 * kpa, abs=0.051)
        assert record.time_s == pytest.approx(NOON.timestamp() + time_s, abs=1e-5)
    assert LivePressure.model_validate_json(pack).root[0].bt == NOON.timestamp()


@given(samples)
def test_a_senml_library_reads_the_same(points):
    # senml 0.1.0 on PyPI, an implementation that knows nothing of this one.
    times, pressures = zip(*points, strict=True)
    pack = live_pressure("north", "blue", NOON, times, pressures, over_range=True)
    document = reference.SenMLDocument.from_json(json.loads(pack))
    theirs = [measurement.to_absolute(document.base) for measurement in document.measurements]
    assert [(m.name, m.unit, m.time, m.value) for m in theirs] == [
        (record.name, record.unit, record.time_s, record.value) for record in resolve(pack)
    ]


def test_the_library_and_we_agree_on_the_rfc_example():
    document = reference.SenMLDocument.from_json(json.loads(VOLTAGE_AND_CURRENT))
    theirs = [measurement.to_absolute(document.base) for measurement in document.measurements]
    assert [(m.name, m.unit, m.time, m.value) for m in theirs] == [
        (record.name, record.unit, record.time_s, record.value) for record in resolve(VOLTAGE_AND_CURRENT)
    ]


def test_a_pack_needs_as_many_pressures_as_times():
    with pytest.raises(BrokerError, match="as many pressures as times"):
        live_pressure("north", "blue", NOON, [0.0], [])
    with pytest.raises(BrokerError, match="as many pressures as times"):
        live_pressure("north", "blue", NOON, [], [])


def test_names_keep_to_the_characters_of_the_rfc():
    # RFC 8428, section 4.5.1: A to Z, a to z, 0 to 9, and - : . / _, beginning with a letter or digit.
    (record,) = resolve(live_pressure("north-2", "blue.1", NOON, [0.0], [1.0]))
    assert all(character.isalnum() or character in "-:./_" for character in record.name)
    assert record.name[0].isalnum()
