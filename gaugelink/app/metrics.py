"""The service's own health for monitoring: a Prometheus text endpoint on loopback, off unless the shop file has a port.

Every scrape asks anew; nothing is counted twice here. Names follow Prometheus's own rules: base units, ``_total`` for
what only counts up.
"""

import asyncio
import logging
from collections import Counter
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime

from prometheus_client import CollectorRegistry, ProcessCollector, start_http_server
from prometheus_client.metrics_core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    InfoMetricFamily,
    Metric,
    StateSetMetricFamily,
)
from prometheus_client.registry import Collector

from gaugelink import __version__
from gaugelink.app.step import Step
from gaugelink.app.watcher import Watcher
from gaugelink.broker.link import BrokerLink
from gaugelink.errors import JournalError, SettingsError
from gaugelink.gauge.samples import LinkPhase, LinkState
from gaugelink.journal import Journal
from gaugelink.journal.entries import CommandEntry, EventEntry, ReadingEntry
from gaugelink.journal.rows import OutboxDepth
from gaugelink.reasons import reason

_LOG = logging.getLogger(__name__)

ASK_S = 2.0
"""How long a scrape waits for the service's event loop and its disk."""
_HOST = "127.0.0.1"


class Health(Watcher, Collector):
    """Watches the service, and answers scrapes, which come on threads of their own.

    Args:
        bench: the bench's name.
        journal: the service's open journal.
        broker: its link to the broker.
    """

    def __init__(self, bench: str, journal: Journal, broker: BrokerLink) -> None:
        self._bench = bench
        self._journal = journal
        self._broker = broker
        self._loop = asyncio.get_running_loop()
        self._links: dict[str, LinkState] = {}
        self._events: Counter[str] = Counter()
        self._readings: Counter[str] = Counter()
        self._commands = 0

    def linked(self, state: LinkState) -> None:
        """Keep a gauge's state."""
        self._links[state.gauge] = state
        self._events.setdefault(state.gauge, 0)

    def stepped(self, step: Step) -> None:
        """Count what was written down."""
        for entry in step.entries:
            if isinstance(entry, EventEntry):
                self._events[entry.gauge] += 1
            elif isinstance(entry, ReadingEntry):
                self._readings[entry.action.value] += 1
            elif isinstance(entry, CommandEntry):
                self._commands += 1

    def describe(self) -> list[Metric]:
        """Nothing: the service is not asked before the first scrape."""
        return []

    def collect(self) -> Iterator[Metric]:
        """Everything that is known now."""
        yield InfoMetricFamily("gaugelink", "The service", {"version": __version__, "bench": self._bench})
        yield from self._of_gauges()
        yield from self._of_work()
        yield from self._of_broker()

    def _of_gauges(self) -> Iterator[Metric]:
        phase = StateSetMetricFamily("gaugelink_link_phase", "Where each gauge's link stands", labels=["gauge"])
        battery = GaugeMetricFamily("gaugelink_battery_ratio", "Charge of the gauge's battery", labels=["gauge"])
        signal = GaugeMetricFamily("gaugelink_rssi_dbm", "Received signal strength", labels=["gauge"])
        rate = GaugeMetricFamily("gaugelink_sample_rate_hertz", "Samples per second, as measured", labels=["gauge"])
        faults = GaugeMetricFamily("gaugelink_link_faults", "What is wrong with the gauge, counted", labels=["gauge"])
        frames = CounterMetricFamily("gaugelink_frames", "Frames by what they were", labels=["gauge", "result"])
        lost = CounterMetricFamily("gaugelink_samples_lost", "Samples that never came", labels=["gauge"])
        again = CounterMetricFamily("gaugelink_reconnects", "Links lost and found again", labels=["gauge"])
        for name, state in sorted(dict(self._links).items()):
            counts = state.counts
            phase.add_metric([name], {one.value: one is state.phase for one in LinkPhase})
            if state.battery_percent is not None:
                battery.add_metric([name], state.battery_percent / 100.0)
            if state.rssi_dbm is not None:
                signal.add_metric([name], state.rssi_dbm)
            if state.rate_hz is not None:
                rate.add_metric([name], state.rate_hz)
            faults.add_metric([name], len(state.faults))
            for result in ("good", "malformed", "short", "long", "duplicated", "out_of_order"):
                frames.add_metric([name, result], getattr(counts, result))
            lost.add_metric([name], counts.lost_samples)
            again.add_metric([name], counts.reconnects)
        yield from (phase, battery, signal, rate, faults, frames, lost, again)

    def _of_work(self) -> Iterator[Metric]:
        events = CounterMetricFamily("gaugelink_cranking_events", "Cranking events", labels=["gauge"])
        for name, count in sorted(dict(self._events).items()):
            events.add_metric([name], count)
        readings = CounterMetricFamily("gaugelink_readings", "Readings by what was done", labels=["action"])
        for action, count in sorted(dict(self._readings).items()):
            readings.add_metric([action], count)
        yield from (events, readings)
        yield CounterMetricFamily("gaugelink_commands", "Commands that were answered", value=self._commands)
        writable = self._journal.fault is None
        yield GaugeMetricFamily("gaugelink_journal_writable", "1 while the disk takes results", value=writable)
        yield GaugeMetricFamily("gaugelink_journal_in_memory", "Results that wait for the disk", self._journal.kept)

    def _of_broker(self) -> Iterator[Metric]:
        status = self._broker.status
        yield GaugeMetricFamily("gaugelink_broker_connected", "1 while there is a session", value=status.connected)
        yield CounterMetricFamily("gaugelink_broker_connects", "Sessions with the broker", value=status.connects)
        yield CounterMetricFamily("gaugelink_messages_sent", "Messages that the broker took", value=status.sent)
        depth = self._depth()
        if depth is not None:
            oldest = depth.oldest_at
            age_s = 0.0 if oldest is None else max(0.0, (datetime.now(UTC) - oldest).total_seconds())
            yield GaugeMetricFamily("gaugelink_outbox_messages", "Messages that wait for the broker", depth.count)
            yield GaugeMetricFamily("gaugelink_outbox_oldest_age_seconds", "Since when the oldest waits", age_s)

    def _depth(self) -> OutboxDepth | None:
        """The outbox, asked on the service's loop; None when it cannot be told, which monitoring sees as absent."""
        asked = asyncio.run_coroutine_threadsafe(self._journal.outbox_depth(), self._loop)
        try:
            return asked.result(ASK_S)
        except TimeoutError:
            asked.cancel()
            _LOG.warning("The journal did not answer a scrape within %g s.", ASK_S)
        except JournalError as error:
            _LOG.warning("The outbox could not be counted for a scrape: %s", error)
        return None


@asynccontextmanager
async def health_endpoint(port: int, health: Health) -> AsyncIterator[int]:
    """Answer scrapes on loopback until the block ends; gives the port.

    Raises:
        SettingsError: the port is taken.
    """
    registry = CollectorRegistry(auto_describe=False)
    registry.register(health)
    ProcessCollector(registry=registry)
    try:
        server, thread = start_http_server(port, _HOST, registry)
    except OSError as error:
        raise SettingsError(
            f"The port {port} for [metrics] cannot be used ({reason(error)}): give another, or 0 for a free one."
        ) from error
    _LOG.info("Health for monitoring is at http://%s:%d/metrics.", _HOST, server.server_port)
    try:
        yield server.server_port
    finally:
        await asyncio.to_thread(server.shutdown)
        server.server_close()
        thread.join()
