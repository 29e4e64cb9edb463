"""Asks whether the broker's access list lets a bench publish, before its outbox is trusted to it.

With MQTT 3.1.1 a broker acknowledges what it drops as forbidden: it has no other way but to hang up (section 3.3.5.2).
An outbox would take that for delivered, and no one would ever have it. MQTT 5 acknowledges with a reason (section
3.4.2.1), so the question is put over that, where the broker speaks it.
"""

import contextlib

import aiomqtt

from gaugelink.broker.client import Client, heed_cancellation
from gaugelink.broker.reach import GOODBYE_S, enter
from gaugelink.timelimit import time_limit

ASK_S = 2.0
"""A broker that says nothing for this long, as some do that speak no MQTT 5, is not asked further."""


class NotAllowedError(aiomqtt.MqttError):
    """The broker drops what the bench publishes."""


async def ask_for_leave(client: Client, topic: str, payload: str) -> None:
    """Publish a retained state that is true now, and see whether the broker takes it.

    Args:
        client: one of MQTT 5 that is not in a session.
        topic: where to publish.
        payload: the state.

    Raises:
        NotAllowedError: it does not.
        TimeoutError: it does not let go.
    """
    # Whatever else goes wrong does so again in the session that follows, and is told there. A broker that speaks no
    # MQTT 5 refuses the connection; whether it drops anything cannot be found out.
    with contextlib.suppress(aiomqtt.MqttError):
        await enter(client)
        try:
            await client.publish(topic, payload, qos=1, retain=True)
        finally:
            async with time_limit(GOODBYE_S):
                await client.__aexit__(None, None, None)
    heed_cancellation()
    if client.refusal is not None:
        raise NotAllowedError(client.refusal)
