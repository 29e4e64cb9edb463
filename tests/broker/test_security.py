"""Password, TLS and access control against a real broker; secrets never show."""

import asyncio
import contextlib
import json
import logging
import os
import ssl
import subprocess
from pathlib import Path

import aiomqtt
import pytest
from pydantic import ValidationError

from gaugelink.app.asking import ask
from gaugelink.broker.client import Client
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.embedded import EmbeddedBroker
from gaugelink.broker.link import BrokerLink
from gaugelink.broker.message import new_id
from gaugelink.broker.messages import CommandResult
from gaugelink.broker.settings import PASSWORD_VARIABLE, BrokerSettings
from gaugelink.errors import SettingsError
from gaugelink.journal import Journal
from gaugelink.simulated import simulated_bench
from tests.broker.bench import BENCH, EVENTS, STATE, bench, crank, running, until_connected
from tests.broker.certificates import make_certificates
from tests.broker.mosquitto import Mosquitto
from tests.broker.subscriber import Subscriber

SECRET = "copper-plug-17"
ACCESS = Path(__file__).parents[2] / "config" / "mosquitto-acl.example"
SHOP_BROKER = ACCESS.with_name("mosquitto.conf.example")
USERS = ("bench-north", "bench-south", "dashboard-north", "gauge-bridge", "archive")


def passwords(folder: Path) -> Path:
    """A password file of mosquitto's, the same secret for every user."""
    file = folder / "passwords"
    file.write_text("".join(f"{user}:{SECRET}\n" for user in USERS), encoding="utf-8")
    file.chmod(0o600)
    subprocess.run(["mosquitto_passwd", "-U", file], check=True)
    return file


@pytest.fixture
def certificates(tmp_path):
    return make_certificates(tmp_path / "certificates")


@pytest.fixture
async def guarded(tmp_path, certificates):
    """A broker as the examples in ``config/`` set it up, with paths and a port of its own."""
    access = tmp_path / "acl"
    access.write_bytes(ACCESS.read_bytes())
    paths = {
        "cafile": certificates.authority,
        "certfile": certificates.certificate,
        "keyfile": certificates.key,
        "password_file": passwords(tmp_path),
        "acl_file": access,
    }
    lines = [line for line in SHOP_BROKER.read_text(encoding="utf-8").splitlines() if line and line[0] != "#"]
    assert lines.pop(0) == "listener 8883"
    words = [line.split(maxsplit=1) for line in lines]
    config = [f"{key} {paths.pop(key, value)}" for key, value in words]
    assert not paths, "the example names every file"
    async with Mosquitto(tmp_path, config=config) as broker:
        yield broker


def secret_file(folder: Path, content: str = f"{SECRET}\n") -> Path:
    file = folder / "secret"
    file.write_text(content, encoding="utf-8")
    return file


def settings(port: int, folder: Path, **changes: object) -> BrokerSettings:
    known = {
        "host": "localhost",
        "port": port,
        "tls": True,
        "ca_file": folder / "certificates" / "ca.pem",
        "username": "bench-north",
        "password_file": secret_file(folder),
    }
    return BrokerSettings.model_validate(known | changes)


def trusting(certificates) -> ssl.SSLContext:
    return ssl.create_default_context(cafile=certificates.authority)


def client(port: int, user: str, certificates) -> Client:
    return Client(
        "localhost", port, username=user, password=SECRET, tls_context=trusting(certificates), identifier=new_id()
    )


async def test_events_arrive_over_tls_with_a_password(tmp_path, guarded, certificates):
    async with (
        Subscriber(guarded.port, username="archive", password=SECRET, tls=trusting(certificates)) as subscriber,
        bench(tmp_path / "j.db", settings(guarded.port, tmp_path)) as (journal, _),
    ):
        expected = [await crank(journal, number) for number in range(5)]
        await subscriber.wait_for(lambda: len(subscriber.payloads(EVENTS)) == 5)
        assert subscriber.payloads(EVENTS) == expected


async def test_a_wrong_password_is_told_and_not_shown(tmp_path, guarded, caplog):
    caplog.set_level(logging.DEBUG)
    (tmp_path / "other").mkdir()
    wrong = settings(guarded.port, tmp_path, password_file=secret_file(tmp_path / "other", "rusty-ring-3"))
    async with Journal.open(tmp_path / "j.db") as journal, running(BrokerLink(wrong, BENCH, journal)) as link:
        await link.changed.wait()
        assert link.status.problem is not None
        assert "refused the connection" in link.status.problem
        assert "check username and password" in link.status.problem
        assert "rusty-ring-3" not in caplog.text + link.status.problem + repr(link) + repr(wrong)


async def test_a_certificate_of_a_stranger_is_refused(tmp_path, guarded):
    stranger = make_certificates(tmp_path / "stranger")
    async with bench(tmp_path / "j.db", settings(guarded.port, tmp_path, ca_file=stranger.authority)) as (_, link):
        await link.changed.wait()
        assert link.status.problem is not None
        assert "failed the TLS check" in link.status.problem


async def test_a_certificate_of_another_name_is_refused(tmp_path):
    other = make_certificates(tmp_path / "certificates", host="other.example")
    async with (
        Mosquitto(
            tmp_path, listener=[f"cafile {other.authority}", f"certfile {other.certificate}", f"keyfile {other.key}"]
        ) as broker,
        bench(tmp_path / "j.db", settings(broker.port, tmp_path)) as (_, link),
    ):
        await link.changed.wait()
        assert link.status.problem is not None
        assert "failed the TLS check" in link.status.problem


async def arrives(guarded, certificates, sender: str, topic: str) -> bool:
    """Whether what a user publishes on a topic comes through to the archive, which may read everything."""
    async with (
        Subscriber(
            guarded.port,
            "gaugelink/#",
            name=new_id(),
            username="archive",
            password=SECRET,
            tls=trusting(certificates),
            strict=False,
        ) as subscriber,
        client(guarded.port, sender, certificates) as publisher,
        client(guarded.port, "bench-north", certificates) as bench_north,
    ):
        mark = new_id()
        await publisher.publish(topic, mark, qos=1)
        # The broker handles this one later, so when it is here the other one is here or was refused.
        await bench_north.publish(f"gaugelink/{BENCH}/prompt", mark, qos=1)
        await subscriber.wait_for(lambda: mark in subscriber.payloads(f"gaugelink/{BENCH}/prompt"))
        return mark in subscriber.payloads(topic)


@pytest.mark.parametrize(
    ("sender", "topic", "allowed"),
    [
        ("bench-north", "gaugelink/north/cranking", True),
        ("bench-north", "gaugelink/south/cranking", False),
        ("bench-north", f"gaugelink/{simulated_bench('north')}/cranking", True),
        ("bench-north", f"gaugelink/{simulated_bench('south')}/cranking", False),
        ("dashboard-north", "gaugelink/north/command", True),
        ("dashboard-north", f"gaugelink/{simulated_bench('north')}/command", True),
        ("dashboard-north", "gaugelink/south/command", False),
        ("dashboard-north", "gaugelink/north/cranking", False),
        ("gauge-bridge", "gaugelink/north/gauge/blue/pressure", True),
        ("gauge-bridge", "gaugelink/north/gauge/blue/state", True),
        ("gauge-bridge", "gaugelink/north/command", False),
        ("archive", "gaugelink/north/command", False),
    ],
)
async def test_the_example_of_access_control_keeps_everyone_in_place(guarded, certificates, sender, topic, allowed):
    assert await arrives(guarded, certificates, sender, topic) is allowed


@pytest.mark.parametrize(("length", "allowed"), [(200_000, True), (2_000_000, False)])
async def test_the_example_of_a_broker_takes_no_message_that_no_bench_has(
    tmp_path, guarded, certificates, length, allowed
):
    gauge = "gaugelink/north/gauge/blue/state"
    async with (
        Subscriber(
            guarded.port, username="archive", password=SECRET, tls=trusting(certificates), strict=False
        ) as subscriber,
        client(guarded.port, "bench-north", certificates) as bench_north,
    ):
        async with client(guarded.port, "gauge-bridge", certificates) as stranger:
            with contextlib.suppress(aiomqtt.MqttError):
                await stranger.publish(gauge, b"x" * length, qos=1)
        await bench_north.publish(EVENTS, "mark", qos=1)
        await subscriber.wait_for(lambda: bool(subscriber.payloads(EVENTS)))
        assert bool(subscriber.payloads(gauge)) is allowed


async def test_a_dashboard_reads_everything_and_commands_reach_their_bench(tmp_path, guarded, certificates):
    async with (
        bench(tmp_path / "j.db", settings(guarded.port, tmp_path)) as (journal, link),
        Subscriber(
            guarded.port, name="page", username="dashboard-north", password=SECRET, tls=trusting(certificates)
        ) as page,
        client(guarded.port, "dashboard-north", certificates) as buttons,
    ):
        await until_connected(link)
        event = await crank(journal, 1)
        await page.wait_for(lambda: event in page.payloads(EVENTS))
        command = json.dumps({"id": new_id(), "action": "redo"})
        await buttons.publish(f"gaugelink/{BENCH}/command", command, qos=1)
        assert (await link.commands.get()).action == "redo"


async def test_the_commands_of_a_terminal_are_answered_under_the_name_of_the_bench(tmp_path, guarded, certificates):
    given, command = settings(guarded.port, tmp_path), Command(id=new_id(), action=CommandAction.REDO)
    async with bench(tmp_path / "j.db", given) as (_, link), asyncio.timeout(30):
        await until_connected(link)
        asking = asyncio.create_task(ask(given, BENCH, command, 20.0))
        assert (await link.commands.get()).id == command.id
        link.publish_unrecorded(CommandResult(bench=BENCH, command_id=command.id, ok=True, text="Done.").outgoing())
        assert (await asking).text == "Done."


async def test_a_bench_that_the_access_list_keeps_out_says_so_and_keeps_what_it_has(tmp_path, guarded, certificates):
    access = tmp_path / "acl"
    access.write_text(access.read_text(encoding="utf-8").replace("/north/", "/nord/"), encoding="utf-8")
    await guarded.read_again()
    async with (
        Subscriber(guarded.port, username="archive", password=SECRET, tls=trusting(certificates)) as subscriber,
        bench(tmp_path / "j.db", settings(guarded.port, tmp_path)) as (journal, link),
    ):
        event = await crank(journal, 1)
        await link.changed.wait()
        assert link.status.problem == (
            f"The broker at localhost:{guarded.port} drops what bench-north publishes on gaugelink/north/ "
            "(Not authorized): let that user write there in the broker's access list."
        )
        assert (await journal.outbox_depth()).count == 2
        assert subscriber.received == []
        access.write_bytes(ACCESS.read_bytes())
        await guarded.read_again()
        await until_connected(link)
        await subscriber.wait_for(lambda: event in subscriber.payloads(EVENTS))


async def test_a_broker_that_tells_no_reason_is_worked_with(tmp_path):
    """A broker of MQTT 3.1.1 alone refuses MQTT 5 (MQTT 3.1.1, section 3.1.2.2), as a bench with a password finds."""
    async with EmbeddedBroker() as broker:
        given = BrokerSettings(port=broker.port, username="bench-north", password_file=secret_file(tmp_path))
        async with bench(tmp_path / "j.db", given) as (journal, link):
            await crank(journal, 1)
            async with Subscriber(broker.port) as subscriber:
                await subscriber.wait_for(lambda: bool(subscriber.payloads(STATE)))
            assert link.connected


def test_the_environment_goes_before_the_file(tmp_path, monkeypatch):
    known = BrokerSettings(username="bench-north", password_file=secret_file(tmp_path, "from-file\nsecond line\n"))
    monkeypatch.delenv(PASSWORD_VARIABLE, raising=False)
    assert known.password().get_secret_value() == "from-file"
    monkeypatch.setenv(PASSWORD_VARIABLE, "from-environment")
    assert known.password().get_secret_value() == "from-environment"
    assert "from-environment" not in repr(known.password())


def test_no_user_has_no_password(monkeypatch):
    monkeypatch.setenv(PASSWORD_VARIABLE, "unused")
    assert BrokerSettings().password() is None


@pytest.mark.skipif(os.name != "posix", reason="permissions of another kind")
@pytest.mark.parametrize(("mode", "told"), [(0o600, False), (0o640, False), (0o644, True)])
def test_a_password_file_that_anybody_can_read_is_told(tmp_path, monkeypatch, caplog, mode, told):
    monkeypatch.delenv(PASSWORD_VARIABLE, raising=False)
    file = secret_file(tmp_path)
    file.chmod(mode)
    assert BrokerSettings(username="bench-north", password_file=file).password() is not None
    assert (f"can be read by anybody on this machine: chmod o-r {file}" in caplog.text) is told


@pytest.mark.parametrize(("content", "reason"), [("", "is empty"), (" \n", "is empty"), (None, "cannot be read")])
def test_a_password_file_that_cannot_be_used_is_told(tmp_path, monkeypatch, content, reason):
    monkeypatch.delenv(PASSWORD_VARIABLE, raising=False)
    file = tmp_path / "none" if content is None else secret_file(tmp_path, content)
    with pytest.raises(SettingsError, match=reason):
        BrokerSettings(username="bench-north", password_file=file).password()


def test_a_certificate_authority_that_cannot_be_read_is_told(tmp_path):
    file = secret_file(tmp_path, "no certificate")
    with pytest.raises(SettingsError, match="give a PEM file"):
        BrokerSettings(tls=True, ca_file=file).tls_context()


def test_a_password_in_the_clear_over_the_network_is_warned_of(caplog):
    assert BrokerSettings(host="broker.shop.example", username="bench-north").tls_context() is None
    assert "set tls = true" in caplog.text


@pytest.mark.parametrize(
    ("changes", "way_out"),
    [
        ({"ca_file": "ca.pem"}, "set tls = true"),
        ({"password_file": "secret"}, "add username"),
        ({"embedded": True, "host": "0.0.0.0"}, "remove host"),
        ({"embedded": True, "tls": True}, "set embedded = false"),
        ({"port": 0}, "commonly 1883"),
        ({"password": "x"}, "Extra inputs are not permitted"),
    ],
)
def test_settings_that_do_not_fit_together_are_refused_with_the_way_out(changes, way_out):
    with pytest.raises(ValidationError, match=way_out):
        BrokerSettings.model_validate(changes)
