"""Asks a running bench for something over its broker, and waits for the one answer."""

import logging
from collections.abc import Mapping
from typing import Final

import aiomqtt

from gaugelink.broker.client import Client
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.leak_messages import DecayState
from gaugelink.broker.message import topic
from gaugelink.broker.messages import CommandResult, TestState
from gaugelink.broker.received import bytes_of, read_message
from gaugelink.broker.settings import BrokerSettings
from gaugelink.errors import BrokerError
from gaugelink.reasons import reason
from gaugelink.timelimit import time_limit

_LOG = logging.getLogger(__name__)


_WITH_CAUTIONS: Final[Mapping[CommandAction, type[TestState | DecayState]]] = {
    CommandAction.BEGIN: TestState,
    CommandAction.BEGIN_DECAY: DecayState,
}
"""Commands after which cautions may stand, and the state that has them: a bench tells it before its answer."""


async def ask(settings: BrokerSettings, bench: str, command: Command, timeout_s: float = 5.0) -> CommandResult:
    """Send a command to a bench and give its answer.

    Raises:
        BrokerError: the broker cannot be reached, or the bench does not answer in time.
    """
    answer, _ = await ask_and_hear(settings, bench, command, timeout_s)
    return answer


async def ask_and_hear(
    settings: BrokerSettings, bench: str, command: Command, timeout_s: float = 5.0
) -> tuple[CommandResult, tuple[str, ...]]:
    """Send a command to a bench and give its answer, and the cautions that now stand where it begins something.

    Raises:
        BrokerError: the broker cannot be reached, or the bench does not answer in time.
    """
    if settings.port == 0:
        raise BrokerError(
            "The shop file gives the embedded broker any free port, so it cannot be found from here: "
            "set a port in [broker]."
        )
    password = settings.password()
    client = Client(
        settings.host,
        settings.port,
        username=settings.username,
        password=None if password is None else password.get_secret_value(),
        tls_context=settings.tls_context(),
        protocol=aiomqtt.ProtocolVersion.V311,
        timeout=timeout_s,
    )
    where, answers = f"the broker at {settings.host}:{settings.port}", topic(bench, CommandResult.TOPIC)
    model = _WITH_CAUTIONS.get(command.action)
    states, cautions = None if model is None else topic(bench, model.TOPIC), tuple[str, ...]()
    try:
        async with client, time_limit(timeout_s):
            for name in (answers, states):
                if name is not None:
                    await client.subscribe(name, qos=1)
            await client.publish(topic(bench, Command.TOPIC), command.model_dump_json(exclude_none=True), qos=1)
            async for message in client.messages:
                # Some brokers hand a new client all that is retained on what others have subscribed to.
                name = str(message.topic)
                if name not in (answers, states):
                    continue
                try:
                    if model is not None and name == states:
                        cautions = read_message(model, bytes_of(message)).cautions
                        continue
                    answer = read_message(CommandResult, bytes_of(message))
                except BrokerError as error:
                    # Whoever wrote it, it is not the answer.
                    _LOG.warning("A message on %s is not of the contract: %s.", name, error)
                    continue
                if answer.command_id == command.id:
                    return answer, cautions if answer.ok else ()
    except TimeoutError as error:
        raise BrokerError(
            f"Bench {bench} did not answer within {timeout_s:g} s through {where}: is `gaugelink run` up there "
            f"(`run --simulate` is asked with `--simulated`), and may this user read {answers}?"
        ) from error
    except (aiomqtt.MqttError, OSError) as error:
        raise BrokerError(f"Cannot reach {where}: {reason(error)}. Is `gaugelink run` up?") from error
    raise BrokerError(f"{where[0].upper()}{where[1:]} closed the connection before bench {bench} answered.")
