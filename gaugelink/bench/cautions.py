"""Which cautions stand: the whole list, until a person has acknowledged it.

A test's cautions stand for as long as its phase says so, whatever was heard of them: whoever joins in the middle must
see them too. Those of a leak-down carry its own pressure limit, so they are taken from what was said, and from what its
state says to whoever joins later.
"""

from collections.abc import Iterable

from gaugelink.bench.english import SENTENCES
from gaugelink.bench.prompts import AIR_CAUTIONS, CAUTIONS, PromptKey
from gaugelink.bench.reading import Phase

_ACKNOWLEDGED = frozenset(
    {PromptKey.LEAK_PUMP, PromptKey.LEAK_AIR, PromptKey.LEAK_STOPPED, PromptKey.LEAK_BROKEN_OFF, PromptKey.LEAK_CUT}
    | {PromptKey.LEAK_CUT_AWAY, PromptKey.LEAK_CUT_CLOCK, PromptKey.LEAK_CUT_PRESSURE}
)
"""A leak-down says one of these when its cautions were acknowledged, or when it is stopped or cut before."""


class StandingCautions:
    """The cautions of one bench that were not acknowledged yet."""

    def __init__(self) -> None:
        self._test: tuple[str, ...] = ()
        self._air: tuple[str, ...] = ()
        self._listed = False

    @property
    def sentences(self) -> tuple[str, ...]:
        """Every caution that stands, in order; those of a leak-down first, for they are acknowledged first."""
        return self._air or self._test

    def phase(self, phase: str) -> None:
        """Take the phase of the bench's test, a word of `Phase`."""
        self._test = tuple(SENTENCES[key] for key in CAUTIONS) if phase == Phase.CAUTIONS else ()

    def heard(self, key: str, text: str) -> None:
        """Take a prompt: its key, a word of `PromptKey`, and its sentence."""
        if key == AIR_CAUTIONS[0]:
            self._air, self._listed = (text,), False
        elif key in AIR_CAUTIONS and self._air and not self._listed:
            self._air = (*self._air, text)
        elif key in _ACKNOWLEDGED:
            self._air = ()
        else:
            self._listed = True

    def leak(self, cautions: Iterable[str]) -> None:
        """Take what the state of a leak-down says: its cautions as they stand, none once they are acknowledged."""
        self._air, self._listed = tuple(cautions), True

    def leak_ended(self) -> None:
        """Note that a leak-down is over: there is nothing left to acknowledge."""
        self._air = ()
