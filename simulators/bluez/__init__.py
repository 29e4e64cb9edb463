"""A stand-in for the ``org.bluez`` service on a private bus: bleak's own Linux code, without a radio.

What bleak sees on the bus is what BlueZ would show it; behind the bus is the virtual radio with its simulated gauges.
``python -m simulators.bluez -- COMMAND`` runs a command on such a bus.
"""
