"""Which test, or leak-down, of a bench stands: the one that came last. Whose clock says what is not asked.

A bench tells its states in the order in which they came about, and the broker keeps that order. What is told again is
the newest state, or the newest few that were not acknowledged. So what comes is new, but for a state of something that
another one has replaced, and for one that is behind what was heard of the same test already.
"""

from collections import OrderedDict
from datetime import UTC, datetime

_MOST_REMEMBERED = 64


class Succession:
    """States of one kind, in the order in which they come. Repeats of one message are kept away by its id before."""

    def __init__(self) -> None:
        self._stages: OrderedDict[str, int] = OrderedDict()
        """The furthest stage of each, in the order in which they took over; the last one stands."""
        self._at = datetime.min.replace(tzinfo=UTC)

    def admits(self, name: str, stage: int, at: datetime) -> bool:
        """Take a state; False when it is behind what stands, and nothing was taken.

        Args:
            name: id of the test or the leak-down.
            stage: how far it is; never goes back within one test.
            at: the bench's stamp on the state.
        """
        known = self._stages.get(name)
        if known is not None:
            replaced = name != next(reversed(self._stages))
            # A page that joined in the middle may have been told last what was before: then what seemed to be replaced
            # goes on. It is believed where the clock says so too.
            if stage < known or (replaced and (stage == known or at <= self._at)):
                return False
        self._stages[name] = stage
        self._stages.move_to_end(name)
        self._at = at
        if len(self._stages) > _MOST_REMEMBERED:
            self._stages.popitem(last=False)
        return True
