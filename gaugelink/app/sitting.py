"""Who has heard the cautions of a machine, for as long as the sitting at it goes on."""

from gaugelink.bench.assign import TestBench
from gaugelink.bench.reading import Acknowledgement

SITTING_S = 1800.0
"""A test that begins so long after the last thing that was done at the same machine is of another sitting: somebody may
have made it ready to run in between. Common practice, no source."""


class Sitting:
    """The machine whose cautions were acknowledged last, by whom, and when something was last done at it."""

    def __init__(self) -> None:
        self._heard: tuple[str, Acknowledgement, float] | None = None

    def heard(self, machine: str, now_s: float) -> Acknowledgement | None:
        """Who acknowledged the cautions of this machine in the sitting that still goes on; None: they come again."""
        if self._heard is None or self._heard[0] != machine or now_s - self._heard[2] > SITTING_S:
            return None
        return self._heard[1]

    def note(self, test: TestBench | None, now_s: float) -> None:
        """Note that something was done at the machine whose test this is."""
        acknowledged = test.state.acknowledged if test is not None else None
        if test is not None and acknowledged is not None:
            self._heard = (test.plan.machine, acknowledged, now_s)
