"""Which cautions stand: the whole list, until a person has acknowledged it.

A test's cautions stand for as long as its phase says so. They are the sentences that were said, for some are of the
machine alone; whoever joins in the middle, and did not hear the first, sees those of any machine. Those of a leak-down
carry its own pressure limit, so they are taken from what was said, and from what its state says to whoever joins later.
"""

from collections.abc import Iterable

from gaugelink.bench.english import SENTENCES
from gaugelink.bench.prompt_keys import AIR_CAUTIONS, CAUTIONS, PromptKey
from gaugelink.bench.reading import Phase

_ACKNOWLEDGED = frozenset(
    {PromptKey.LEAK_PUMP, PromptKey.LEAK_AIR, PromptKey.LEAK_STOPPED, PromptKey.LEAK_BROKEN_OFF, PromptKey.LEAK_CUT}
    | {PromptKey.LEAK_REST, PromptKey.LEAK_CUT_AWAY, PromptKey.LEAK_CUT_CLOCK, PromptKey.LEAK_CUT_PRESSURE}
)
"""A leak-down says one of these when its cautions were acknowledged, or when it is stopped or cut before."""
_OF_AIR: frozenset[str] = frozenset(AIR_CAUTIONS)
_OF_TEST: frozenset[str] = frozenset({*CAUTIONS, PromptKey.CAUTION_NOTE})


class StandingCautions:
    """The cautions of one bench that were not acknowledged yet."""

    def __init__(self) -> None:
        self._heard: tuple[str, ...] = ()
        """What was said of a test's cautions, from the first one on."""
        self._cautious = False
        self._air: tuple[str, ...] = ()
        self._listing: frozenset[str] = frozenset()
        """The list that is being said: what else is said ends it."""

    @property
    def sentences(self) -> tuple[str, ...]:
        """Every caution that stands, in order; those of a leak-down first, for they are acknowledged first."""
        test = (self._heard or tuple(SENTENCES[key] for key in CAUTIONS)) if self._cautious else ()
        return self._air or test

    def phase(self, phase: str) -> None:
        """Take the phase of the bench's test, a word of `Phase`."""
        self._cautious = phase == Phase.CAUTIONS
        if not self._cautious:
            self._heard = ()

    def heard(self, key: str, text: str) -> None:
        """Take a prompt: its key, a word of `PromptKey`, and its sentence."""
        if key == AIR_CAUTIONS[0]:
            self._air, self._listing = (text,), _OF_AIR
        elif key == CAUTIONS[0]:
            self._heard, self._listing = (text,), _OF_TEST
        elif key not in self._listing:
            self._listing = frozenset()
            self._air = () if key in _ACKNOWLEDGED else self._air
        elif self._listing is _OF_AIR:
            self._air = (*self._air, text) if self._air else ()
        else:
            self._heard = (*self._heard, text)

    def leak(self, cautions: Iterable[str]) -> None:
        """Take what the state of a leak-down says: its cautions as they stand, none once they are acknowledged."""
        self._air, self._listing = tuple(cautions), frozenset()

    def leak_ended(self) -> None:
        """Note that a leak-down is over: there is nothing left to acknowledge."""
        self._air = ()
