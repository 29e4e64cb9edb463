"""The objects that a D-Bus service shows: a tree of paths, interfaces and properties, with their signals.

Standard interfaces: D-Bus Specification, "Standard Interfaces" (ObjectManager, Properties, Peer).
"""

from collections.abc import Callable
from typing import Any

from dbus_fast import Message, MessageType, Variant

OBJECT_MANAGER = "org.freedesktop.DBus.ObjectManager"
PROPERTIES = "org.freedesktop.DBus.Properties"
UNKNOWN_OBJECT = "org.freedesktop.DBus.Error.UnknownObject"
UNKNOWN_METHOD = "org.freedesktop.DBus.Error.UnknownMethod"
INVALID_ARGUMENTS = "org.freedesktop.DBus.Error.InvalidArgs"

Properties = dict[str, Variant]


class DBusFailure(Exception):  # noqa: N818 - it is the D-Bus word
    """An error reply: a name and a text."""

    def __init__(self, name: str, text: str) -> None:
        super().__init__(name, text)
        self.name = name
        self.text = text


class ObjectTree:
    """Paths, their interfaces, and their properties. Every change is told by the standard signals."""

    def __init__(self, send: Callable[[Message], Any]) -> None:
        self._send = send
        self._objects: dict[str, dict[str, Properties]] = {}

    def __contains__(self, path: object) -> bool:
        return path in self._objects

    def paths_below(self, path: str) -> list[str]:
        """All paths below a path, the deepest first."""
        return sorted((each for each in self._objects if each.startswith(f"{path}/")), reverse=True)

    def get(self, path: str, interface: str, name: str) -> Any:
        """The value of a property. Raises KeyError."""
        return self._objects[path][interface][name].value

    def add(self, path: str, interfaces: dict[str, Properties]) -> None:
        """Add interfaces at a path."""
        self._objects.setdefault(path, {}).update(interfaces)
        self._signal("/", OBJECT_MANAGER, "InterfacesAdded", "oa{sa{sv}}", [path, interfaces])

    def remove(self, path: str) -> None:
        """Remove a path and all below it."""
        for each in [*self.paths_below(path), path]:
            interfaces = self._objects.pop(each, None)
            if interfaces is not None:
                self._signal("/", OBJECT_MANAGER, "InterfacesRemoved", "oas", [each, list(interfaces)])

    def change(self, path: str, interface: str, changed: Properties, gone: tuple[str, ...] = ()) -> None:
        """Change properties and take others away."""
        properties = self._objects[path][interface]
        properties.update(changed)
        gone = tuple(name for name in gone if properties.pop(name, None) is not None)
        if changed or gone:
            self._signal(path, PROPERTIES, "PropertiesChanged", "sa{sv}as", [interface, changed, list(gone)])

    def _signal(self, path: str, interface: str, member: str, signature: str, body: list[Any]) -> None:
        self._send(
            Message(
                message_type=MessageType.SIGNAL,
                path=path,
                interface=interface,
                member=member,
                signature=signature,
                body=body,
            )
        )

    def answer(self, message: Message) -> Message | None:
        """Answer a call to a standard interface, or None when it is to another one. Raises DBusFailure."""
        path, body = message.path or "", message.body
        if message.interface == OBJECT_MANAGER and message.member == "GetManagedObjects":
            return Message.new_method_return(message, "a{oa{sa{sv}}}", [self._objects])
        if message.interface != PROPERTIES:
            return None
        interfaces = self._objects.get(path)
        if interfaces is None:
            raise DBusFailure(UNKNOWN_OBJECT, f"no object at {path}")
        properties = interfaces.get(body[0])
        if properties is None:
            raise DBusFailure(INVALID_ARGUMENTS, f"no interface {body[0]} at {path}")
        if message.member == "GetAll":
            return Message.new_method_return(message, "a{sv}", [properties])
        if message.member == "Get":
            value = properties.get(body[1])
            if value is None:
                raise DBusFailure(INVALID_ARGUMENTS, f"no property {body[1]}")
            return Message.new_method_return(message, "v", [value])
        return None
