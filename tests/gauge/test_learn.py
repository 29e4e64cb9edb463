"""The learner finds made-up formats from three typed readings, asks where it cannot know, and never guesses."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gaugelink.engine.units import PressureUnit
from gaugelink.gauge.decode import Frame, FrameDecoder
from gaugelink.gauge.fields import NumberFormat
from gaugelink.gauge.layout import Reference
from gaugelink.gauge.learn import learn
from gaugelink.gauge.learn_guess import Guess
from gaugelink.gauge.learn_kinds import KINDS
from gaugelink.gauge.learn_rivals import telling_pressure_kpa
from gaugelink.gauge.learn_scales import Scale
from gaugelink.gauge.learn_types import LabelledSegment, segments_of
from gaugelink.gauge.recording import parse_recording
from tests.benchmarks.learn import judge, teach
from tests.gauge.formats import FAMILIES, TRAPS, Format

PSI = PressureUnit.PSI


def hold(typed, make, frames=30, start=0, **rest):
    """A segment whose frame number k is ``make(k)``."""
    sent = [(0.1 * k, make(k)) for k in range(start, start + frames)]
    return LabelledSegment.typed(typed, PSI, sent, **rest)


@pytest.mark.parametrize("pause_s", [0.0, 8.0])
@pytest.mark.parametrize("family", FAMILIES)
def test_formats_of_every_family_are_found_exactly_and_none_wrongly_however_long_a_pressure_is_held(family, pause_s):
    exact = 0
    for seed in range(1000, 1010):
        made = Format(seed, family)
        segments, between = teach(made, made.readings(), pause_s)
        result = learn(segments, between=between)
        if result.layout is None:
            assert result.missing
            continue
        outcome = judge(made, result.layout)
        assert not outcome.startswith("wrong"), (seed, outcome)
        exact += outcome == "exact"
    assert exact >= 8


def test_frames_without_pressure_teach_nothing():
    for seed in range(12):
        made = Format(seed, TRAPS[1])
        segments, between = teach(made, made.readings())
        assert learn(segments, between=between).layout is None


def number(value, width=2, order="little"):
    return int(value).to_bytes(width, order, signed=True)


def wave(k):
    return (0, 1, 0, -1)[k % 4]


def test_a_plain_gauge_with_counter_and_checksum_is_understood_whole():
    def frame(psi):
        def make(k):
            body = bytes([0xA5, k % 256]) + number(10 * psi + wave(k)) + b"\x57"
            return body + bytes([sum(body) % 256])

        return make

    segments = [
        hold("0.0", frame(0), battery_percent=87),
        hold("20.0", frame(20), start=90),
        hold("60.0", frame(60), start=240, battery_percent=87),
    ]
    result = learn(segments)
    layout = result.layout
    assert layout is not None, result.missing
    assert (layout.pressure.at, layout.pressure.scale, layout.unit) == (2, 0.1, PSI)
    assert layout.reference is Reference.GAUGE
    assert layout.sequence.at == 1
    assert layout.battery.at == 4
    assert layout.checksum.kind == "sum"
    assert FrameDecoder(layout).decode(frame(150)(7)).pressure_kpa[0] == pytest.approx(PSI.to_kpa(149.9))
    assert "20 psi typed" in " ".join(result.candidates[0].evidence)


def test_two_byte_orders_that_agree_so_far_are_shown_with_the_pressure_that_tells_them_apart():
    # Half a psi a count keeps the upper byte at zero, so either neighbour may be the upper byte.
    segments = [hold(f"{psi}.0", lambda k, psi=psi: b"\x00" + number(2 * psi)[:1] + b"\x00") for psi in (0, 20, 60)]
    between = [b"\x00" + number(psi)[:1] + b"\x00" for psi in [*range(0, 120, 5), *range(120, 0, -5)]]
    result = learn(segments, between=between)
    assert result.layout is None
    assert "apply about" in result.missing[0]
    assert len(result.candidates) >= 2
    # 255 counts are 127.5 psi: only above that the orders part.
    assert PSI.from_kpa(result.next_pressure_kpa) > 127.5
    more = [hold("140.0", lambda k: b"\x00" + number(280))]
    settled = learn([*segments, *more], between=between)
    assert settled.layout is not None
    assert (settled.layout.pressure.at, settled.layout.pressure.byte_order) == (1, "little")


def test_two_readings_are_too_few():
    segments = [hold("0.0", lambda k: number(wave(k))), hold("60.0", lambda k: number(600 + wave(k)))]
    result = learn(segments)
    assert result.layout is None
    assert "3 different pressures are needed; there are 2." in result.missing
    assert result.candidates


def test_readings_too_close_together_ask_for_a_higher_one():
    segments = [hold(f"{psi}.0", lambda k, psi=psi: number(10 * psi + wave(k))) for psi in (0, 4, 8)]
    assert any("higher pressure" in text for text in learn(segments).missing)


def test_a_wrongly_typed_reading_is_not_explained_away():
    segments = [
        hold("0.0", lambda k: number(wave(k))),
        hold("25.0", lambda k: number(200 + wave(k))),
        hold("60.0", lambda k: number(600 + wave(k))),
    ]
    result = learn(segments)
    assert result.layout is None
    assert "check the readings" in " ".join(result.missing)


def test_an_absolute_gauge_is_told_from_one_with_a_lifted_zero():
    segments = [hold(f"{psi}.0", lambda k, psi=psi: number(6.894757 * psi + 97.4 + wave(k))) for psi in (0, 20, 60)]
    layout = learn(segments).layout
    assert layout.reference is Reference.ABSOLUTE
    lifted = [hold(f"{psi}.0", lambda k, psi=psi: number(10 * psi + 1000 + wave(k), 3)) for psi in (0, 20, 60)]
    layout = learn(lifted).layout
    assert layout.reference is Reference.GAUGE
    assert layout.pressure.add == pytest.approx(-100.0)


def test_a_held_peak_beside_the_pressure_is_not_taken_for_it():
    def make(psi):
        return lambda k: number(10 * psi + wave(k)) + number(10 * psi + 1)

    result = learn([hold(f"{psi}.0", make(psi)) for psi in (0, 20, 60)])
    assert result.layout is not None, result.missing
    assert (result.layout.pressure.at, result.layout.pressure.count) == (0, 1)


def test_a_pressure_that_never_moved_does_not_tell_samples_from_copies():
    segments = [hold(f"{psi}.0", lambda k, psi=psi: number(10 * psi) * 3) for psi in (0, 20, 60)]
    result = learn(segments)
    assert result.layout is None
    assert any("copies" in text for text in result.missing)


def test_a_recording_with_typed_readings_is_enough():
    lines = ['{"recording": "gaugelink", "version": 1}']
    now = 0.0
    for psi in (0, 20, 60):
        for k in range(30):
            now += 0.1
            lines.append(f'{{"t_s": {now:.2f}, "hex": "{number(10 * psi + wave(k)).hex()}"}}')
        lines.append(f'{{"t_s": {now:.2f}, "display": {psi}.0, "unit": "psi", "hold_s": 2.5, "step": 0.1}}')
        now += 1
    segments = segments_of(parse_recording(lines, "x"))
    assert [len(segment.frames) for segment in segments] == [26, 26, 26]
    assert learn(segments).layout.pressure.scale == 0.1


def test_a_typed_reading_keeps_its_step():
    segment = LabelledSegment.typed("20,50", PSI, [])
    assert (segment.shown, segment.step) == (20.5, 0.01)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(0, 100), st.lists(st.binary(max_size=24), min_size=1, max_size=14)), min_size=1, max_size=4
    ),
    st.lists(st.binary(max_size=24), max_size=14),
)
def test_any_frames_whatever_raise_nothing(held, between):
    segments = [
        LabelledSegment(shown, PSI, 0.1, tuple((0.1 * k, payload) for k, payload in enumerate(payloads)))
        for shown, payloads in held
    ]
    result = learn(segments, between=between)
    if result.layout is not None:
        decoder = FrameDecoder(result.layout)
        assert all(isinstance(decoder.decode(payload), Frame) for segment in segments for _, payload in segment.frames)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.text(alphabet="P=0123456789.,- \r\n", min_size=1, max_size=20), min_size=24, max_size=36))
def test_any_text_whatever_raises_nothing(lines):
    third = len(lines) // 3
    segments = [
        LabelledSegment(
            shown,
            PSI,
            0.1,
            tuple((0.1 * k, line.encode()) for k, line in enumerate(lines[j * third : (j + 1) * third])),
        )
        for j, shown in enumerate((0.0, 20.0, 60.0))
    ]
    learn(segments)


@pytest.mark.parametrize("unit", list(PressureUnit))
def test_the_pressure_that_tells_is_a_round_one_in_whatever_unit_the_display_has(unit):
    """One byte of kPa, or two: they part above 255 kPa. Ten thousand pascals are no step that a pump can be held to."""
    one, two = (next(kind for kind in KINDS if kind.format is form) for form in (NumberFormat.U8, NumberFormat.U16))
    in_kpa = Scale(PressureUnit.KPA, 1.0, 0.0)
    guess, rival = (Guess(kind, 0, in_kpa, 0.0, Reference.GAUGE, 0.0, 0.0) for kind in (two, one))
    told = telling_pressure_kpa(guess, [rival], [np.zeros(2, dtype=np.uint8)], unit, 1.0, [0.0, 138.0])
    assert told is not None
    assert told > 255.0
    assert unit.from_kpa(told) == pytest.approx(round(unit.from_kpa(told), 1))
