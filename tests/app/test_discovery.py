"""The announcement for automation servers: its templates give the contract's own numbers, and it can be taken back."""

import json

import jinja2
import pytest

from gaugelink.app.discovery import announce, announcements, entities
from gaugelink.broker.examples import example_of
from gaugelink.broker.link import BrokerLink
from gaugelink.broker.settings import BrokerSettings
from gaugelink.errors import SettingsError
from gaugelink.journal import Journal
from tests.app.shops import SHOP, shop_in
from tests.broker.bench import running
from tests.broker.mosquitto import Mosquitto
from tests.broker.subscriber import Subscriber

ON = f'{SHOP}\n[discovery]\nenabled = true\nprefix = "autodiscovery"\n'
STATES = {"cranking": "Cranking", "test": "TestState", "prompt": "Prompt", "gauge/amber/state": "GaugeState"}


def test_each_template_gives_the_value_of_the_contracts_own_example(tmp_path):
    # Jinja2 itself renders them, as the servers of this convention do.
    shown = {}
    for entity in entities(shop_in(tmp_path)):
        template = jinja2.Environment(autoescape=False).from_string(entity.template)
        shown[entity.key] = template.render(value_json=example_of(STATES[entity.suffix]))
    assert shown["peak"] == "931.2"
    assert shown["cylinder_1"] == "931.2"
    assert shown["cylinder_2"] == "None", "the middle cylinder has no reading yet"
    assert shown["cylinder_3"] == "896.0"
    assert shown["next_cylinder"] == "middle"
    assert shown["verdict"] == "watch"
    assert shown["spread"] == "3.8"
    assert shown["gauge_amber_link"] == "streaming"
    assert shown["gauge_amber_battery"] == "84.0"
    assert shown["prompt"].startswith("Screw the gauge")


@pytest.mark.parametrize("phase", ["measuring", "finished", "abandoned"])
def test_a_test_that_was_given_up_proves_nothing_here_either(tmp_path, phase):
    told = example_of("TestState") | {"phase": phase}
    shown = {
        entity.key: jinja2.Environment(autoescape=False).from_string(entity.template).render(value_json=told)
        for entity in entities(shop_in(tmp_path))
        if entity.suffix == "test"
    }
    given_up = phase == "abandoned"
    assert (shown["verdict"], shown["summary"]) == (("None", "None") if given_up else ("watch", told["summary"]))
    # What was read was read.
    assert (shown["machine"], shown["spread"], shown["cylinder_1"]) == (told["machine"], "3.8", "931.2")


def test_a_cylinder_that_the_test_does_not_have_is_shown_as_unknown(tmp_path):
    odd = SHOP.replace('layout = "side_named"\ncylinders = 3', 'layout = "inline_front"\ncylinders = 4')
    found = [one for one in entities(shop_in(tmp_path, odd)) if one.key.startswith("cylinder_")]
    assert len(found) == 4
    template = jinja2.Environment(autoescape=False).from_string(found[3].template)
    assert template.render(value_json=example_of("TestState")) == "None"


def test_every_announcement_has_what_the_convention_asks_for(tmp_path):
    told = announcements(shop_in(tmp_path), "autodiscovery")
    assert len({content["unique_id"] for content in told.values()}) == len(told)
    for name, content in told.items():
        assert name.startswith("autodiscovery/sensor/gaugelink_bay-3/")
        assert name.endswith("/config")
        assert content["state_topic"].startswith("gaugelink/bay-3/")
        assert content["availability_topic"] == "gaugelink/bay-3/availability"
        assert ("unit_of_measurement" in content) == ("state_class" in content)


async def test_it_is_retained_told_again_to_a_broker_that_forgot_and_can_be_taken_back(tmp_path):
    wanted = set(announcements(shop_in(tmp_path, ON), "autodiscovery"))
    async with Mosquitto(tmp_path) as broker, Journal.open(tmp_path / "j.db") as journal:
        for _ in range(2):
            link = BrokerLink(BrokerSettings(port=broker.port), "bay-3", journal)
            announce(shop_in(tmp_path, ON), link)
            async with running(link), Subscriber(broker.port, "autodiscovery/#", strict=False) as server:
                await server.wait_for(lambda: {one.topic for one in server.received} >= wanted)
            assert all(json.loads(one.payload)["device"] for one in server.received)
            await broker.stop()
            broker.restore({})
            await broker.start()
        link = BrokerLink(BrokerSettings(port=broker.port), "bay-3", journal)
        announce(shop_in(tmp_path, ON), link)
        async with running(link), Subscriber(broker.port, "autodiscovery/#", strict=False) as server:
            await server.wait_for(lambda: {one.topic for one in server.received} >= wanted)
        off = BrokerLink(BrokerSettings(port=broker.port), "bay-3", journal)
        announce(shop_in(tmp_path, ON.replace("enabled = true", "enabled = false")), off)
        async with Subscriber(broker.port, "autodiscovery/#", name="late", strict=False) as server, running(off):
            await server.wait_for(lambda: {one.topic for one in server.received if not one.payload} >= wanted)


async def test_nothing_is_announced_unless_asked_for(tmp_path):
    async with Journal.open(tmp_path / "j.db") as journal:
        link = BrokerLink(BrokerSettings(port=1), "bay-3", journal)
        told = []
        link.publish_retained = lambda name, payload: told.append(name)  # type: ignore[method-assign]
        announce(shop_in(tmp_path), link)
    assert told == []


@pytest.mark.parametrize("prefix", ["", 'prefix = "a/#"', 'prefix = "/a"'])
def test_a_prefix_that_is_missing_or_no_topic_is_refused(tmp_path, prefix):
    with pytest.raises(SettingsError, match="prefix"):
        shop_in(tmp_path, f"{SHOP}\n[discovery]\nenabled = true\n{prefix}\n")
