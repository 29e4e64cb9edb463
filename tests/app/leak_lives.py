"""One bench over several lives of its service: only what was committed outlasts a kill.

Gauge, service and wall each have their own clock here, and all are driven by the samples.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from gaugelink.app.leak_session import LeakSession
from gaugelink.app.shopfile import Shop
from gaugelink.app.step import Step
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.message import new_id
from gaugelink.gauge.samples import SampleBatch
from gaugelink.journal.entries import LeakDownEntry
from gaugelink.journal.rows import StoredLeakDown
from simulators.vessel import VesselRecord
from tests.broker.conformance import check_message

NOON = datetime(2026, 2, 3, 12, 0, tzinfo=UTC)
GAUGE = "amber"


@dataclass(slots=True)
class Bench:
    """One bench over several lives of its service."""

    shop: Shop
    session: LeakSession
    stored: dict[str, LeakDownEntry]
    """What the journal holds of leak-downs, by id."""
    steps: list[Step]
    """Of this life of the service."""

    def do(self, step: Step) -> Step:
        """Commit a step."""
        for entry in step.entries:
            if isinstance(entry, LeakDownEntry):
                self.stored[entry.decay_id] = entry
        for message in step.messages:
            check_message(f"gaugelink/{message.bench}/{message.topic_suffix}", message.model_dump_json())
        self.steps.append(step)
        return step

    def ask(self, action: CommandAction, second: float = 0.0, **how: object) -> Step:
        at = NOON + timedelta(seconds=second)
        return self.do(self.session.command(Command(id=new_id(), action=action, **how), None, second, at))

    def restart(self, second: float) -> Step:
        """Kill the service and start it again: only what was committed is left."""
        self.session, self.steps = LeakSession(self.shop), []
        (entry,) = [entry for entry in self.stored.values() if not entry.closed]
        stored = StoredLeakDown(entry.decay_id, entry.bench, entry.snapshot_json, NOON, entry.at)
        return self.do(self.session.resume(stored, second, NOON + timedelta(seconds=second)))

    def play(
        self,
        record: VesselRecord,
        begin_s: float,
        end_s: float,
        *,
        more_kpa: float = 0.0,
        service_off_s: float = 0.0,
        wall_off_s: float = 0.0,
    ) -> None:
        """Let the gauge send what it shows between two times."""
        there = (record.time_s >= begin_s) & (record.time_s < end_s)
        time_s, pressure_kpa = record.time_s[there], record.pressure_kpa[there] + more_kpa
        for first in range(0, len(time_s), 3):
            part = slice(first, first + 3)
            if not self.session.active:
                return
            last_s = float(time_s[part][-1])
            over = np.zeros(len(time_s[part]), dtype=np.bool_)
            now_s, at = last_s + service_off_s, NOON + timedelta(seconds=last_s + wall_off_s)
            self.do(self.session.hear(SampleBatch(GAUGE, time_s[part], pressure_kpa[part], over), now_s, at))
            look = self.session.due()
            if look is not None:
                self.do(self.session.judged(self.session.decay_id, look(), now_s, at))

    @property
    def keys(self) -> list[PromptKey]:
        """What this life of the service has said."""
        return [prompt.key for step in self.steps for prompt in step.prompts]

    @property
    def cleared(self) -> bool:
        """Whether the next service would find nothing to go on with."""
        return all(entry.closed for entry in self.stored.values())
