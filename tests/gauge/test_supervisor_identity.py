"""Which device is the gauge that the shop file means: by name, address or service, among others that look like it."""

import pytest

from gaugelink.errors import SettingsError
from gaugelink.gauge.config import GaugeSettings
from gaugelink.gauge.samples import LinkPhase
from gaugelink.gauge.supervisor import SupervisedLink
from simulators.gatt_gauge import SimulatedGauge
from simulators.radio import VirtualRadio, simulated_shop_radio
from simulators.radio_diary import keep_diary
from simulators.radio_time import run_driven
from tests.gauge.supervised import LAYOUT, SERVICE, link_to


@pytest.mark.parametrize(
    "identity",
    [
        {"advertised_name": "Left gauge"},
        {"advertised_name": None, "address": "F0:5A:00:00:00:01"},
        {"advertised_name": None, "address": "f0:5a:00:00:00:01"},
        {"advertised_name": None, "service": SERVICE},
    ],
    ids=["name", "address", "address in small letters", "service"],
)
def test_a_gauge_is_found_by_what_the_shop_file_says(identity: dict[str, str | None]) -> None:
    async def main() -> None:
        other = SimulatedGauge(
            LAYOUT.model_copy(update={"listen": LAYOUT.listen.model_copy(update={"service": None})}),
            name="Another device",
            address="F0:5A:00:00:00:09",
        )
        gauge = SimulatedGauge(LAYOUT, name="Left gauge")
        async with simulated_shop_radio([other, gauge]) as radio, keep_diary(link_to(radio, **identity)) as diary:
            await diary.until_phase(LinkPhase.STREAMING)
            assert diary.state.address == gauge.address
            assert diary.state.advertised_name == "Left gauge"
            assert diary.state.rssi_dbm == pytest.approx(-58, abs=3)

    run_driven(main())


def test_a_gauge_that_nothing_tells_from_others_is_refused() -> None:
    layout = LAYOUT.model_copy(update={"listen": LAYOUT.listen.model_copy(update={"service": None})})
    with pytest.raises(SettingsError, match="address or advertised_name"):
        SupervisedLink(GaugeSettings(name="left"), layout, VirtualRadio().as_radio())


def test_a_gauge_that_was_never_seen_is_named_with_the_way_out() -> None:
    async def main() -> None:
        async with simulated_shop_radio([]) as radio, keep_diary(link_to(radio)) as diary:
            await diary.until(lambda: bool(diary.faults))
            (fault,) = diary.faults
            assert "'left'" in fault
            assert "'Left gauge'" in fault
            assert "gaugelink scan" in fault
            assert diary.state.phase is LinkPhase.SEARCHING

    run_driven(main())


def test_a_changed_address_is_found_by_name() -> None:
    async def main() -> None:
        gauge = SimulatedGauge(LAYOUT, name="Left gauge")
        async with simulated_shop_radio([gauge]) as radio, keep_diary(link_to(radio)) as diary:
            await diary.until_phase(LinkPhase.STREAMING)
            await gauge.switch_off()
            await gauge.switch_on(address="F0:5A:00:00:00:77")
            await diary.until(lambda: diary.state.address == "F0:5A:00:00:00:77")
            await diary.until_phase(LinkPhase.STREAMING)

    run_driven(main())


def test_a_changed_address_is_found_by_name_and_told_when_the_shop_file_has_the_old_one() -> None:
    async def main() -> None:
        gauge = SimulatedGauge(LAYOUT, name="Left gauge", address="F0:5A:00:00:00:77")
        old = "F0:5A:00:00:00:01"
        async with simulated_shop_radio([gauge]) as radio, keep_diary(link_to(radio, address=old)) as diary:
            await diary.until_phase(LinkPhase.STREAMING)
            (fault,) = diary.state.faults
            assert gauge.address in fault
            assert old in fault

    run_driven(main())


def test_two_gauges_with_one_name_are_a_fault_that_names_both_addresses() -> None:
    async def main() -> None:
        gauges = [SimulatedGauge(LAYOUT, name="Left gauge", address=f"F0:5A:00:00:00:0{number}") for number in (1, 2)]
        async with simulated_shop_radio(gauges) as radio, keep_diary(link_to(radio)) as diary:
            await diary.until(lambda: bool(diary.faults))
            (fault,) = diary.state.faults
            assert "F0:5A:00:00:00:01" in fault
            assert "F0:5A:00:00:00:02" in fault
            assert LinkPhase.CONNECTING not in diary.phases
            await gauges[1].switch_off()
            await diary.until_phase(LinkPhase.STREAMING)
            assert diary.state.address == "F0:5A:00:00:00:01"
            assert diary.state.faults == ()

    run_driven(main())


def test_of_two_gauges_with_one_name_the_one_that_was_heard_before_is_taken_again() -> None:
    async def main() -> None:
        gauge = SimulatedGauge(LAYOUT, name="Left gauge")
        twin = SimulatedGauge(LAYOUT, name="Left gauge", address="F0:5A:00:00:00:02")
        async with simulated_shop_radio([gauge]) as radio, keep_diary(link_to(radio)) as diary:
            await diary.until_phase(LinkPhase.STREAMING)
            await radio.add(twin)
            await radio.drop_connections()
            await diary.until_phase(LinkPhase.LOST)
            await diary.until_phase(LinkPhase.STREAMING)
            assert diary.state.address == gauge.address

    run_driven(main())
