"""How a gauge's link stands: its phase, what was seen of it, and its faults, told whenever something changed."""

import asyncio
from dataclasses import replace
from enum import StrEnum

from gaugelink.gauge.frames import FrameReader
from gaugelink.gauge.outflow import Outflow
from gaugelink.gauge.samples import FrameCounts, LinkPhase, LinkState
from gaugelink.gauge.scanning import UNKNOWN_DBM, Sighting

_STATE_EVERY_S = 1.0
"""A state that differs only in counters, rate or last sample goes out at most this often."""


class About(StrEnum):
    """What a fault is about. Of each there is one at a time."""

    FINDING = "finding"
    ADDRESS = "address"
    RADIO = "radio"
    GAUGE = "gauge"
    FRAMES = "frames"
    BATTERY = "battery"


class Standing:
    """Keeps the state of one link and puts it into the outflow when it changed."""

    def __init__(self, gauge: str, outflow: Outflow, low_battery_percent: float) -> None:
        """`low_battery_percent`: below this the battery is a fault."""
        self.state = LinkState(gauge, LinkPhase.SEARCHING)
        """How the link stands now."""
        self.reader: FrameReader | None = None
        """Whose counts and rate are told."""
        self._outflow = outflow
        self._low_battery_percent = low_battery_percent
        self._faults: dict[About, str] = {}
        self._told: LinkState | None = None
        self._told_s = 0.0

    @property
    def phase(self) -> LinkPhase:
        """The phase now."""
        return self.state.phase

    def enter(self, phase: LinkPhase) -> None:
        """The link is in this phase from now on. Faults that were set or cleared before are told with it."""
        self.state = replace(self.state, phase=phase)
        self.tell()

    def fault(self, about: About, text: str) -> None:
        """Something is wrong: one sentence or two for a person. Told with the next state."""
        self._faults[about] = text

    def clear(self, *abouts: About) -> None:
        """Nothing is wrong with these any more; with none named, with anything."""
        for about in abouts or tuple(About):
            self._faults.pop(about, None)

    def seen(self, sighting: Sighting) -> None:
        """The gauge was seen on the air."""
        self.state = replace(
            self.state,
            address=sighting.address,
            advertised_name=sighting.name,
            rssi_dbm=None if sighting.advertisement.rssi == UNKNOWN_DBM else sighting.advertisement.rssi,
        )

    def battery(self, percent: float) -> None:
        """The battery is at so many percent."""
        if percent == self.state.battery_percent:
            return
        self.state = replace(self.state, battery_percent=percent)
        if percent < self._low_battery_percent:
            words = f"The battery of gauge {self.state.gauge!r} is at {percent:.0f} %. Change or charge it."
            self.fault(About.BATTERY, words)
        else:
            self.clear(About.BATTERY)
        self.tell()

    def sampled(self, arrival_s: float) -> None:
        """Samples arrived; the state is told when it has not been for a while."""
        self.state = replace(self.state, last_sample_s=arrival_s)

    def tell_now_and_again(self) -> None:
        """Tell the state when it has not been told for a while."""
        if asyncio.get_running_loop().time() - self._told_s >= _STATE_EVERY_S:
            self.tell()

    def tell(self) -> None:
        """Tell the state when anything in it changed."""
        reader = self.reader
        counts = FrameCounts() if reader is None else reader.counts
        if self._outflow.dropped_samples:
            counts = replace(counts, lost_samples=counts.lost_samples + self._outflow.dropped_samples)
        self.state = replace(
            self.state,
            rate_hz=None if reader is None else reader.rate_hz,
            counts=counts,
            faults=tuple(sorted(self._faults.values())),
        )
        self._told_s = asyncio.get_running_loop().time()
        if self.state != self._told:
            self._told = self.state
            self._outflow.put(self.state)
