"""Which numbers of a frame may be what: counters, stamps and scales that cannot be are refused as a layout is read."""

import pytest
from pydantic import ValidationError

from gaugelink.gauge.fields import BatteryField, DeviceTimeField, SequenceField, StatusField, TextLine

COUNTERS = {"u8": 2**8, "u16": 2**16, "u24": 2**24, "u32": 2**32}
OTHERS = ("s8", "s16", "s24", "s32", "f32", "f64", "sfloat", "mfloat")


@pytest.mark.parametrize("format_", COUNTERS)
def test_a_counter_of_whole_bytes_turns_over_at_all_its_bits_and_not_beyond(format_: str) -> None:
    assert SequenceField(at=0, format=format_).period == COUNTERS[format_]
    assert SequenceField(at=0, format=format_, wrap=COUNTERS[format_]).period == COUNTERS[format_]
    assert SequenceField(at=0, format=format_, wrap=200).period == 200
    assert DeviceTimeField(at=0, format=format_, tick_s=0.001).width == StatusField(at=0, format=format_).width
    if format_ != "u32":
        with pytest.raises(ValidationError, match="is never reached"):
            SequenceField(at=0, format=format_, wrap=COUNTERS[format_] + 1)


@pytest.mark.parametrize(("mask", "period", "shift"), [(0x0F, 16, 0), (0xF0, 16, 4), (0x38, 8, 3), (0xFF, 256, 0)])
def test_a_counter_among_other_bits_turns_over_at_its_own(mask: int, period: int, shift: int) -> None:
    field = SequenceField(at=0, format="u8", mask=mask)
    assert (field.period, field.shift) == (period, shift)
    assert SequenceField(at=0, format="u8", mask=mask, wrap=period - 1).period == period - 1
    with pytest.raises(ValidationError, match=f"the counter has {period} values"):
        SequenceField(at=0, format="u8", mask=mask, wrap=period + 1)


@pytest.mark.parametrize("format_", OTHERS)
def test_what_is_no_whole_number_without_a_sign_counts_nothing(format_: str) -> None:
    with pytest.raises(ValidationError, match="a counter is one of"):
        SequenceField(at=0, format=format_)
    with pytest.raises(ValidationError, match="a device time is one of"):
        DeviceTimeField(at=0, format=format_, tick_s=0.001)
    with pytest.raises(ValidationError, match="status bits are one of"):
        StatusField(at=0, format=format_)


@pytest.mark.parametrize("number", [float("nan"), float("inf"), float("-inf")])
def test_a_scale_that_is_no_number_is_refused(number: float) -> None:
    for made in (lambda: BatteryField(at=0, format="u8", scale=number), lambda: TextLine(add=number)):
        with pytest.raises(ValidationError, match="finite"):
            made()
