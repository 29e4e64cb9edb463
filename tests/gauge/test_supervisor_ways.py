"""Every way of listening: notifications, indications, polling, advertisements, with start-up writes and keep-alive."""

import asyncio
import struct
from typing import Any

import numpy as np
import pytest

from gaugelink.gauge.config import GaugeSettings
from gaugelink.gauge.layout import GaugeLayout
from gaugelink.gauge.samples import LinkPhase
from gaugelink.gauge.standard import ENVIRONMENTAL_SENSING, PRESSURE, environmental_pressure
from gaugelink.gauge.supervisor import SupervisedLink
from simulators.gatt_gauge import SimulatedGauge
from simulators.radio import simulated_shop_radio
from simulators.radio_diary import keep_diary
from simulators.radio_time import DrivenLoop, run_driven
from tests.gauge.supervised import link_to

CONTROL = "5a5a0000-0000-4000-8000-00000000c0ff"


def layout(listen: dict[str, Any], **more: Any) -> GaugeLayout:
    base = {
        "name": "made for the test",
        "unit": "kPa",
        "listen": {"service": "ff01", "characteristic": "ff02"} | listen,
        "pressure": {"at": 0, "format": "u16", "scale": 0.1},
    }
    return GaugeLayout.model_validate(base | more)


def test_indications_are_heard() -> None:
    its = layout({"how": "indicate"}, rate_hz=20.0)

    async def main() -> None:
        gauge = SimulatedGauge(its, name="Left gauge")
        async with simulated_shop_radio([gauge]) as radio, keep_diary(link_to(radio, its)) as diary:
            await diary.until_phase(LinkPhase.STREAMING)
            await gauge.feed(np.arange(40) / 20.0, np.full(40, 512.3))
            await diary.more(2)
            assert np.count_nonzero(np.abs(diary.pressure_kpa - 512.3) < 0.051) == 40

    run_driven(main())


def test_a_gauge_that_must_be_asked_is_read_at_its_rate() -> None:
    its = layout({"how": "poll", "poll_hz": 10.0})

    async def main() -> None:
        loop = asyncio.get_running_loop()
        gauge = SimulatedGauge(its, name="Left gauge", rate_hz=50.0)
        gauge.idle_kpa = 77.7
        async with simulated_shop_radio([gauge]) as radio, keep_diary(link_to(radio, its)) as diary:
            await diary.until_phase(LinkPhase.STREAMING)
            began_s, before = loop.time(), len(diary.batches)
            await diary.more(100)
            assert (loop.time() - began_s) / (len(diary.batches) - before) == pytest.approx(0.1, rel=0.02)
            assert np.abs(diary.pressure_kpa - 77.7).max() < 0.051
            # A read that is never answered is a dead link too.
            radio.silence_connections()
            await diary.until_phase(LinkPhase.SILENT)
            await diary.until_phase(LinkPhase.STREAMING)

    run_driven(main())


@pytest.mark.parametrize(
    "source", [{"company_id": 0xFFFF, "service": None}, {"service": "ff03"}], ids=["company", "service"]
)
def test_a_gauge_that_only_advertises_is_heard_without_a_connection(source: dict[str, Any]) -> None:
    its = layout(
        {"how": "advertisement", "characteristic": None} | source,
        rate_hz=10.0,
        sequence={"at": 2, "format": "u8", "counts": "samples"},
    )

    async def main() -> None:
        gauge = SimulatedGauge(its, name="Left gauge")
        other = SimulatedGauge(its, name="Right gauge", address="F0:5A:00:00:00:02")
        other.idle_kpa = 999.0
        async with simulated_shop_radio([gauge, other]) as radio, keep_diary(link_to(radio, its)) as diary:
            await diary.until_phase(LinkPhase.STREAMING)
            await gauge.feed(np.arange(100) / 10.0, np.full(100, 345.6))
            assert not gauge.is_connected
            assert np.count_nonzero(np.abs(diary.pressure_kpa - 345.6) < 0.051) + diary.lost >= 95
            assert diary.pressure_kpa.max() < 400.0
            await gauge.switch_off()
            await diary.until_phase(LinkPhase.ASLEEP)
            await gauge.switch_on()
            await diary.until_phase(LinkPhase.STREAMING)

    run_driven(main())


def test_startup_writes_and_keepalive_keep_a_gauge_streaming() -> None:
    its = layout(
        {
            "startup": [
                {"characteristic": CONTROL, "hex": "a5 01"},
                {"characteristic": CONTROL, "hex": "10", "response": False},
            ],
            "keepalive": {"characteristic": CONTROL, "hex": "ff", "every_s": 5.0},
        },
        rate_hz=20.0,
    )

    async def main() -> None:
        gauge = SimulatedGauge(its, name="Left gauge")
        async with simulated_shop_radio([gauge]) as radio, keep_diary(link_to(radio, its)) as diary:
            await diary.until_phase(LinkPhase.STREAMING)
            assert gauge.written == [(CONTROL, b"\xa5\x01"), (CONTROL, b"\x10")]
            await asyncio.sleep(62.0)
            assert gauge.written[2:] == [(CONTROL, b"\xff")] * 12
            assert diary.state.counts.reconnects == 0
            # The writes are made again after a reconnect: the gauge has forgotten them.
            await radio.drop_connections()
            await diary.until_phase(LinkPhase.LOST)
            await diary.until_phase(LinkPhase.STREAMING)
            assert gauge.written[:2] == [(CONTROL, b"\xa5\x01"), (CONTROL, b"\x10")]

    run_driven(main())


def test_a_gauge_that_sends_on_a_change_alone_may_be_silent_and_is_asked_whether_it_lives() -> None:
    its = layout({}, rate_hz=20.0)

    async def main() -> None:
        gauge = SimulatedGauge(its, name="Left gauge")
        link = None
        async with simulated_shop_radio([gauge]) as radio:
            link = link_to(radio, its, sends="on_change")
            async with keep_diary(link) as diary:
                await diary.until_phase(LinkPhase.STREAMING)
                gauge.hung = True
                await asyncio.sleep(600.0)
                assert diary.phases[-1] is LinkPhase.STREAMING
                assert diary.state.counts.reconnects == 0
                radio.silence_connections()
                await diary.until_phase(LinkPhase.SILENT)

    run_driven(main())


def test_a_self_describing_gauge_that_dies_while_it_streams_is_missed_in_seconds() -> None:
    async def main() -> None:
        loop = asyncio.get_running_loop()
        gauge = SimulatedGauge(environmental_pressure(), name="Left gauge", rate_hz=10.0)
        async with simulated_shop_radio([gauge]) as radio, keep_diary(link_to(radio, None)) as diary:
            await diary.until_phase(LinkPhase.STREAMING)
            await diary.more(30)
            radio.silence_connections()
            silent_s = loop.time()
            await diary.until_phase(LinkPhase.SILENT)
            # Twenty frames of 0.1 s, and the 3 s that an answer may take.
            assert loop.time() - silent_s == pytest.approx(5.0, abs=0.3)
            await diary.until_phase(LinkPhase.STREAMING)

    run_driven(main())


def test_the_shop_file_may_state_how_long_a_silence_means_a_dead_link() -> None:
    its = layout({}, rate_hz=20.0)

    async def main() -> None:
        loop = asyncio.get_running_loop()
        gauge = SimulatedGauge(its, name="Left gauge")
        async with simulated_shop_radio([gauge]) as radio, keep_diary(link_to(radio, its, silence_s=30.0)) as diary:
            await diary.until_phase(LinkPhase.STREAMING)
            await diary.more(5)
            gauge.hung = True
            hung_s = loop.time()
            await diary.until_phase(LinkPhase.SILENT)
            assert loop.time() - hung_s == pytest.approx(30.0, abs=0.3)

    run_driven(main())


def test_environmental_sensing_needs_no_layout_and_is_zeroed_against_ambient() -> None:
    # Service 0x181A, characteristic 0x2A6D, unit 0.1 Pa, absolute: Bluetooth assigned numbers and GATT
    # Specification Supplement. 101325 Pa: the standard atmosphere, ISO 2533.
    async def main() -> None:
        gauge = SimulatedGauge(environmental_pressure(), name="Left gauge", rate_hz=10.0, ambient_abs_kpa=98.2)
        async with simulated_shop_radio([gauge]) as radio, keep_diary(link_to(radio, None)) as diary:
            await diary.until_phase(LinkPhase.STREAMING)
            await asyncio.sleep(5.0)
            await gauge.feed(np.arange(30) / 10.0, np.full(30, 250.0))
            await diary.more(2)
            assert np.median(diary.pressure_kpa[diary.pressure_kpa > 100.0]) == pytest.approx(250.0, abs=0.01)
            assert diary.pressure_kpa[20] == pytest.approx(0.0, abs=0.01)
        assert ENVIRONMENTAL_SENSING.startswith("0000181a")
        assert PRESSURE.startswith("00002a6d")

    run_driven(main())


@pytest.mark.parametrize(
    ("unit", "unit_number", "kpa_per_unit"),
    # Unit numbers: Bluetooth assigned numbers. psi: NIST SP 811, B.8. bar: SI brochure, table 8 (8th edition).
    [("psi", 0x27A5, 6.894757), ("bar", 0x2780, 100.0), ("Pa", 0x2724, 0.001)],
)
def test_a_presentation_format_is_enough(unit: str, unit_number: int, kpa_per_unit: float) -> None:
    scale = 0.01 if unit != "Pa" else 100.0
    its = layout({}, unit=unit, rate_hz=20.0, pressure={"at": 0, "format": "s16", "scale": scale})
    # Format 0x0E: signed 16-bit; exponent; unit; namespace 1; description 0 (Core 5.4, Vol 3 Part G, 3.3.3.5).
    presentation = struct.pack("<BbHBH", 0x0E, -2 if unit != "Pa" else 2, unit_number, 1, 0)

    async def main() -> None:
        gauge = SimulatedGauge(its, name="Left gauge", presentation=presentation)
        async with simulated_shop_radio([gauge]) as radio, keep_diary(link_to(radio, None)) as diary:
            await diary.until_phase(LinkPhase.STREAMING)
            await gauge.feed(np.arange(20) / 20.0, np.full(20, 100.0 * kpa_per_unit))
            await diary.more(2)
            assert diary.pressure_kpa.max() == pytest.approx(100.0 * kpa_per_unit, abs=scale * kpa_per_unit)

    run_driven(main())


@pytest.mark.parametrize("idle_kpa", [98.2, 0.4], ids=["from vacuum", "from the air"])
def test_a_self_described_gauge_that_is_open_to_the_air_when_it_connects_says_from_where_it_reads(
    idle_kpa: float,
) -> None:
    its = layout({}, unit="bar", rate_hz=20.0, pressure={"at": 0, "format": "s16", "scale": 0.001})
    # Signed 16-bit, thousandths of a bar, as above.
    presentation = struct.pack("<BbHBH", 0x0E, -3, 0x2780, 1, 0)

    async def main() -> None:
        gauge = SimulatedGauge(its, name="Left gauge", presentation=presentation)
        gauge.idle_kpa = idle_kpa
        async with simulated_shop_radio([gauge]) as radio, keep_diary(link_to(radio, None)) as diary:
            await diary.until_phase(LinkPhase.STREAMING)
            await asyncio.sleep(5.0)
            await gauge.feed(np.arange(20) / 20.0, np.full(20, 350.0))
            await diary.more(2)
            from_vacuum = idle_kpa > 50.0
            assert diary.pressure_kpa.max() == pytest.approx(350.0 - from_vacuum * idle_kpa, abs=0.11)
            assert np.median(diary.pressure_kpa) == pytest.approx(0.0 if from_vacuum else idle_kpa, abs=0.11)

    run_driven(main())


def test_a_self_described_gauge_under_pressure_when_it_connects_is_taken_to_read_from_the_air() -> None:
    its = layout({}, unit="bar", rate_hz=20.0, pressure={"at": 0, "format": "s16", "scale": 0.001})
    presentation = struct.pack("<BbHBH", 0x0E, -3, 0x2780, 1, 0)

    async def main() -> None:
        gauge = SimulatedGauge(its, name="Left gauge", presentation=presentation)
        gauge.idle_kpa = 800.0
        async with simulated_shop_radio([gauge]) as radio, keep_diary(link_to(radio, None)) as diary:
            await diary.until_phase(LinkPhase.STREAMING)
            await diary.more(20)
            assert diary.pressure_kpa == pytest.approx(800.0, abs=0.11)

    run_driven(main())


def test_a_gauge_that_does_not_describe_itself_is_told_to_be_taught() -> None:
    its = layout({}, rate_hz=20.0)

    async def main() -> None:
        gauge = SimulatedGauge(its, name="Left gauge")
        async with simulated_shop_radio([gauge]) as radio, keep_diary(link_to(radio, None)) as diary:
            await diary.until(lambda: bool(diary.faults))
            (fault,) = diary.faults
            assert f"gaugelink learn {gauge.address}" in fault

    run_driven(main())


@pytest.mark.parametrize(("speed", "stands_still_s"), [(1.0, 1.5), (10.0, 0.2), (10.0, 0.5)])
@pytest.mark.parametrize("tells", ["sequence", "device_time"])
def test_a_machine_that_stands_still_in_a_pull_leaves_no_gap_in_it(
    tells: str, speed: float, stands_still_s: float
) -> None:
    counter: dict[str, Any] = {"at": 0, "format": "u32"} | ({"tick_s": 0.001} if tells == "device_time" else {})
    its = layout({}, rate_hz=100.0, **{tells: counter}, pressure={"at": 4, "format": "u16", "scale": 0.1, "count": 10})

    async def main() -> None:
        loop = asyncio.get_running_loop()
        assert isinstance(loop, DrivenLoop)
        gauge = SimulatedGauge(its, name="Left gauge", speed=speed)
        async with simulated_shop_radio([gauge]) as radio:
            told = GaugeSettings(name="left", advertised_name="Left gauge")
            link = SupervisedLink(told, its, radio.as_radio(), clock=lambda: speed * loop.time())
            async with keep_diary(link) as diary:
                await diary.more()
                await asyncio.sleep(20.0 / speed)
                rise_kpa = 100.0 + np.arange(400)
                pulling = asyncio.create_task(gauge.feed(np.arange(400) / 100.0, rise_kpa))
                await asyncio.sleep(1.5 / speed)
                loop.stand_still(stands_still_s)
                await pulling
                await asyncio.sleep(5.0 / speed)
                pulled = diary.pressure_kpa > 99.0
                assert diary.pressure_kpa[pulled] == pytest.approx(rise_kpa, abs=0.051)
                assert np.diff(diary.time_s[pulled]) == pytest.approx(0.01, abs=2e-4)
                assert diary.lost == 0

    run_driven(main())
