#!/usr/bin/env python3
"""Follows the shop's benches from their published contract alone; needs paho-mqtt 2, and nothing of gaugelink.

Usage: subscribe.py [HOST [PORT]]
"""

import json
import sys
from collections import OrderedDict

import paho.mqtt.client as mqtt

KPA_PER_PSI = 6.894757  # NIST SP 811, appendix B.8
REMEMBERED = 10_000
"""Ids that are kept, to know a repeat."""

seen: OrderedDict[str, None] = OrderedDict()


def is_repeat(message_id: str) -> bool:
    """Whether the message was here before: delivery is at least once."""
    if message_id in seen:
        return True
    seen[message_id] = None
    if len(seen) > REMEMBERED:
        seen.popitem(last=False)
    return False


def subscribe(client: mqtt.Client, _userdata: object, _flags: object, reason: object, _properties: object) -> None:
    """Ask for readings, states of tests and prompts, once the broker is there."""
    print(f"# connected: {reason}", flush=True)
    client.subscribe([(f"gaugelink/+/{topic}", 1) for topic in ("reading", "test", "prompt")])


def show(_client: mqtt.Client, _userdata: object, packet: mqtt.MQTTMessage) -> None:
    """Print one message in a line. Fields that are not known are left alone: the contract may have grown."""
    if not packet.payload:
        return  # What was retained there was taken back.
    message = json.loads(packet.payload)
    if is_repeat(message["id"]):
        return
    _, bench, topic = packet.topic.split("/", 2)
    if topic == "reading" and message.get("peak_kpa") is not None:
        psi, u_psi = message["peak_kpa"] / KPA_PER_PSI, message["peak_u_kpa"] / KPA_PER_PSI
        doubts = ", ".join(message.get("flags", [])) or "nothing to doubt"
        print(f"{bench}: {message['cylinder']} {message['action']} {psi:.1f} ± {u_psi:.1f} psi, {doubts}", flush=True)
    elif topic == "test":
        done = [cylinder["name"] for cylinder in message["cylinders"] if cylinder.get("pressure_kpa") is not None]
        verdict = message.get("verdict") or "no verdict yet"
        print(f"{bench}: {message['machine']}, read: {', '.join(done) or 'none'}; {verdict}", flush=True)
    elif topic == "prompt":
        print(f"{bench}: {message['text']}", flush=True)


def main() -> None:
    """Follow the benches until interrupted."""
    host = sys.argv[1] if len(sys.argv) > 1 else "127.0.0.1"
    port = int(sys.argv[2]) if len(sys.argv) > 2 else 1883
    # A fixed name and a kept session: the broker keeps what comes while this is away.
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="subscribe-py", clean_session=False)
    client.on_connect = subscribe
    client.on_message = show
    client.connect(host, port)
    client.loop_forever()


if __name__ == "__main__":
    main()
