"""What is wrong with the Bluetooth adapter, and how to mend it on Debian."""

import sys
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakDBusError,
    BleakError,
    BleakGATTProtocolError,
    BleakGATTProtocolErrorCode,
)

from gaugelink.gauge.radio import RADIO_ERRORS, Radio


class AdapterFault(StrEnum):
    """Why no gauge can be heard at all."""

    ABSENT = "absent"
    """No adapter in the machine, or no driver or firmware for it."""
    NOT_LOW_ENERGY = "not_low_energy"
    """An adapter that knows classic Bluetooth only."""
    OFF = "off"
    BLOCKED = "blocked"
    """Blocked by software: the kernel's rfkill switch."""
    BLOCKED_BY_SWITCH = "blocked_by_switch"
    """Blocked by a hardware switch or key."""
    NO_PERMISSION = "no_permission"
    SERVICE_NOT_RUNNING = "service_not_running"
    """The Bluetooth service of the system does not run or is not installed."""
    BUS_NOT_RUNNING = "bus_not_running"
    """The system message bus cannot be reached."""
    BUSY = "busy"
    """Another program holds the adapter, or the adapter is in the middle of something."""


ADVICE: dict[AdapterFault, str] = {
    AdapterFault.ABSENT: "No Bluetooth adapter was found. Plug one in; for a built-in one install its firmware "
    "(`sudo apt install firmware-linux`, from the non-free-firmware section) and look at "
    "`sudo dmesg | grep -i bluetooth`.",
    AdapterFault.NOT_LOW_ENERGY: "The Bluetooth adapter does not know Bluetooth Low Energy. "
    "Plug in one of version 4.0 or later.",
    AdapterFault.OFF: "The Bluetooth adapter is switched off. Switch it on: `bluetoothctl power on`.",
    AdapterFault.BLOCKED: "The Bluetooth adapter is blocked by software. Unblock it: "
    "`sudo rfkill unblock bluetooth`, then `bluetoothctl power on`.",
    AdapterFault.BLOCKED_BY_SWITCH: "The Bluetooth adapter is blocked by a switch or key on the computer "
    "(flight mode). Move the switch or press the key.",
    AdapterFault.NO_PERMISSION: "This user may not use Bluetooth. Join the group: "
    "`sudo usermod -aG bluetooth $USER`, then log out and in; for a service unit, add "
    "`SupplementaryGroups=bluetooth`.",
    AdapterFault.SERVICE_NOT_RUNNING: "The Bluetooth service is not running. Install and start it: "
    "`sudo apt install bluez`, then `sudo systemctl enable --now bluetooth`.",
    AdapterFault.BUS_NOT_RUNNING: "The system message bus cannot be reached. Start it: `sudo apt install dbus`, "
    "then `sudo systemctl start dbus`; in a container, mount /run/dbus/system_bus_socket.",
    AdapterFault.BUSY: "The Bluetooth adapter is busy. Close other programs that scan or connect; if it stays so, "
    "`sudo systemctl restart bluetooth`.",
}
"""One or two sentences for a person, by fault: what is wrong and how to mend it on Debian."""

_DBUS_FAULTS = {
    "org.freedesktop.DBus.Error.ServiceUnknown": AdapterFault.SERVICE_NOT_RUNNING,
    "org.freedesktop.DBus.Error.NameHasNoOwner": AdapterFault.SERVICE_NOT_RUNNING,
    "org.freedesktop.DBus.Error.Spawn.ChildExited": AdapterFault.SERVICE_NOT_RUNNING,
    "org.freedesktop.DBus.Error.AccessDenied": AdapterFault.NO_PERMISSION,
    "org.bluez.Error.NotReady": AdapterFault.OFF,
    "org.bluez.Error.InProgress": AdapterFault.BUSY,
}
_PAIRING_CODES = {
    BleakGATTProtocolErrorCode.INSUFFICIENT_AUTHENTICATION,
    BleakGATTProtocolErrorCode.INSUFFICIENT_AUTHORIZATION,
    BleakGATTProtocolErrorCode.INSUFFICIENT_ENCRYPTION,
    BleakGATTProtocolErrorCode.INSUFFICIENT_ENCRYPTION_KEY_SIZE,
}
_REASONS = {
    BleakBluetoothNotAvailableReason.NO_BLUETOOTH: AdapterFault.ABSENT,
    BleakBluetoothNotAvailableReason.NO_BLE_CENTRAL_ROLE: AdapterFault.NOT_LOW_ENERGY,
    BleakBluetoothNotAvailableReason.POWERED_OFF: AdapterFault.OFF,
    BleakBluetoothNotAvailableReason.DENIED_BY_USER: AdapterFault.NO_PERMISSION,
    BleakBluetoothNotAvailableReason.DENIED_BY_SYSTEM: AdapterFault.NO_PERMISSION,
    BleakBluetoothNotAvailableReason.DENIED_BY_UNKNOWN: AdapterFault.NO_PERMISSION,
}


@dataclass(frozen=True, slots=True)
class KernelSwitches:
    """The kernel's rfkill switches for Bluetooth."""

    soft: bool = False
    hard: bool = False


def kernel_switches(root: Path = Path("/sys/class/rfkill")) -> KernelSwitches:
    """Read the rfkill switches (kernel documentation, ABI/stable/sysfs-class-rfkill).

    Where there are none, nothing is blocked.
    """
    soft = hard = False
    for switch in sorted(root.glob("rfkill*")):
        try:
            if (switch / "type").read_text().strip() != "bluetooth":
                continue
            soft |= (switch / "soft").read_text().strip() == "1"
            hard |= (switch / "hard").read_text().strip() == "1"
        except OSError:
            # An adapter that was just pulled out takes its switch with it.
            continue
    return KernelSwitches(soft, hard)


def adapter_fault(error: Exception, switches: KernelSwitches | None = None) -> AdapterFault | None:
    """Which fault of the adapter an error of the radio stands for; None when it is about something else.

    `switches` are the kernel's, read from the system when not given.
    """
    fault: AdapterFault | None = None
    if isinstance(error, BleakBluetoothNotAvailableError):
        fault = _REASONS.get(error.reason)
    elif isinstance(error, BleakDBusError):
        fault = _DBUS_FAULTS.get(error.dbus_error)
    elif isinstance(error, PermissionError):
        fault = AdapterFault.NO_PERMISSION
    elif isinstance(error, (FileNotFoundError, ConnectionRefusedError)):
        fault = AdapterFault.BUS_NOT_RUNNING
    elif isinstance(error, BleakError) and str(error).startswith("adapter "):
        fault = AdapterFault.ABSENT
    if fault in (AdapterFault.OFF, AdapterFault.ABSENT):
        switches = switches or kernel_switches()
        if switches.hard:
            return AdapterFault.BLOCKED_BY_SWITCH
        if switches.soft:
            return AdapterFault.BLOCKED
    return fault


def wants_pairing(error: Exception) -> bool:
    """Whether the gauge refused because it is not paired (Core 5.4, Vol 3 Part F, 3.4.1.1, or BlueZ's word for it)."""
    if isinstance(error, BleakGATTProtocolError):
        return error.code in _PAIRING_CODES
    return isinstance(error, BleakDBusError) and "Not paired" in str(error)


def explain_radio_error(error: Exception) -> str:
    """One or two sentences for a person about an error of the radio, with the way out where it is known."""
    fault = adapter_fault(error)
    if fault is not None:
        return ADVICE[fault] if sys.platform == "linux" else ADVICE[fault].split(". ")[0] + "."
    if wants_pairing(error):
        return "The gauge wants to be paired first: `bluetoothctl pair ADDRESS` with its address, once, while it is on."
    if isinstance(error, TimeoutError):
        return "The gauge did not answer in time. Bring it nearer, or switch it off and on."
    words = str(error).strip() or type(error).__name__
    return f"The radio reports: {words}"


async def check_adapter(radio: Radio) -> str | None:
    """Try to scan for a moment: None when the radio works, else what is wrong and how to mend it."""
    try:
        async with radio.scanning.listen():
            return None
    except RADIO_ERRORS as error:
        return explain_radio_error(error)
