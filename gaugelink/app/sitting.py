"""Who has heard the cautions of a machine, for as long as the sitting at it goes on."""

from dataclasses import dataclass
from datetime import datetime

from gaugelink.bench.assign import TestBench
from gaugelink.bench.reading import Acknowledgement, Phase

SITTING_S = 1800.0
"""A test that begins, or goes on, so long after the last thing that was done at the same machine is of another sitting:
somebody may have made it ready to run in between. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class _Heard:
    machine: str
    by: Acknowledgement
    done_s: float
    """When something was last done at the machine, in monotonic seconds."""
    done_at: datetime
    """The same on the wall's clock: the monotonic one stands still while a computer sleeps."""

    def is_over(self, now_s: float, at: datetime) -> bool:
        return max(now_s - self.done_s, (at - self.done_at).total_seconds()) > SITTING_S


class Sitting:
    """The machine whose cautions were acknowledged last, by whom, and when something was last done at it."""

    def __init__(self) -> None:
        self._heard: _Heard | None = None

    def heard(self, machine: str, now_s: float, at: datetime) -> Acknowledgement | None:
        """Who acknowledged the cautions of this machine in the sitting that still goes on; None: they come again."""
        heard = self._heard
        return None if heard is None or heard.machine != machine or heard.is_over(now_s, at) else heard.by

    def has_ended(self, test: TestBench, now_s: float, at: datetime) -> bool:
        """Whether this test is in the middle, and nothing was done for so long that its sitting is over."""
        return test.state.phase is Phase.MEASURING and self._heard is not None and self._heard.is_over(now_s, at)

    def note(self, test: TestBench | None, now_s: float, at: datetime) -> None:
        """Note that something was done at the machine whose test this is. It brings no sitting back that is over."""
        by, heard = test.state.acknowledged if test is not None else None, self._heard
        if test is not None and by is not None and (heard is None or heard.by != by or not heard.is_over(now_s, at)):
            self._heard = _Heard(test.plan.machine, by, now_s, at)
