"""The battery of a gauge on Linux: BlueZ hides the Battery Service and shows ``org.bluez.Battery1`` in its place."""

import sys

from bleak.backends.device import BLEDevice


async def battery_of_device(device: BLEDevice) -> float | None:
    """Battery in percent as the Linux Bluetooth service knows it; None where it does not, or on another platform.

    Since version 5.48 BlueZ keeps the Battery Service (0x180F) to itself; its characteristics are not shown.
    Raises OSError and the D-Bus library's errors when the system bus cannot be reached.
    """
    if sys.platform != "linux" or not isinstance(device.details, dict) or "path" not in device.details:
        return None
    from dbus_fast import BusType, Message, MessageType
    from dbus_fast.aio import MessageBus

    bus = MessageBus(bus_type=BusType.SYSTEM)
    try:
        await bus.connect()
        reply = await bus.call(
            Message(
                destination="org.bluez",
                path=device.details["path"],
                interface="org.freedesktop.DBus.Properties",
                member="Get",
                signature="ss",
                body=["org.bluez.Battery1", "Percentage"],
            )
        )
    finally:
        bus.disconnect()
    if reply.message_type is MessageType.ERROR:
        return None
    return float(reply.body[0].value)
