"""Reads a wireless pressure gauge, finds the peak of every cranking event and publishes it to MQTT."""

from importlib.metadata import version

__version__ = version("gaugelink")
