"""The rest of a gauge before air comes in: its zero, and when to say that air may come. No clock of its own."""

from enum import Enum, auto

from gaugelink.gauge.samples import SampleBatch
from gaugelink.leak.before_air import REST_SHARE, BeforeAir

PATIENCE_S = 20.0
"""Nobody waits longer for a gauge to come to rest: one that drifts never does, and air that leaves for minutes is in
the uncertainty of the zero. No source."""


_DRIFT_SHARE = 0.001
"""Share of the supply in a second that a gauge may drift up by. Air is let in faster, however slowly. No source."""


class Word(Enum):
    """What is to be said now."""

    WAIT = auto()
    LET_IN = auto()


class RestBeforeAir:
    """Looks at one gauge until the first air comes in. Times are the gauge's own."""

    def __init__(self, supply_kpa: float, rest_kpa: float) -> None:
        """`rest_kpa`: above this over the zero a gauge shows air."""
        self._supply_kpa = supply_kpa
        self._rest_kpa = rest_kpa
        self._before = BeforeAir(supply_kpa)
        self._waits_s: float | None = None
        """Since when rest is waited for."""
        self._waited_for_long = self._air_came = False
        self.u_kpa = 0.0
        """Standard uncertainty of the zero, because the gauge was not at rest when it was taken."""

    @property
    def is_doubtful(self) -> bool:
        """Whether the zero was taken from a gauge that was not at rest."""
        return self.u_kpa > REST_SHARE * self._supply_kpa

    @property
    def waits(self) -> bool:
        """Whether rest is waited for."""
        return self._waits_s is not None

    def take(self, batch: SampleBatch) -> None:
        """Take samples of before the air."""
        self._before.take(batch.time_s, batch.pressure_kpa)

    def zero_kpa(self, zero_kpa: float) -> float:
        """The zero as it is to be taken now: the level of the last rest.

        Some of another cylinder's air may still have been leaving when the first samples came. Where it leaves so
        slowly that there was no rest, the last level is as near as can be, and less certain.
        """
        level, stands = self._before.level_kpa, self._before.rest()
        # Whatever rises faster is the air that comes in, and the zero is that of before it.
        rises = stands is not None and stands.pace_kpa_per_s > _DRIFT_SHARE * self._supply_kpa
        if stands is None or rises or not -2.0 * self._rest_kpa < level - zero_kpa < self._rest_kpa:
            return zero_kpa
        self.u_kpa = min(stands.left_kpa, self._rest_kpa)
        return level

    def wait(self, now_s: float) -> None:
        """Wait for rest from now on, where it is not waited for already."""
        self._waits_s = now_s if self._waits_s is None else self._waits_s

    def first(self, now_s: float) -> Word:
        """What is to be said to who is there from now on: nobody was told to wait before."""
        stands = self._before.rest()
        moves = stands is not None and not stands.rests
        self._waited_for_long = False
        self._waits_s = now_s if (moves or self.waits) and not self._air_came else None
        return Word.WAIT if self.waits else Word.LET_IN

    def news(self, now_s: float) -> Word | None:
        """What is to be said while there is no air as yet: that it falls, that it rests; None where that is nothing."""
        if self._air_came:
            return None
        stands = self._before.rest()
        if self._waits_s is None:
            if self._waited_for_long or stands is None or not stands.falls:
                return None
            self.wait(now_s)
            return Word.WAIT
        self._waited_for_long = now_s - self._waits_s >= PATIENCE_S
        if not self._waited_for_long and not (stands is not None and stands.rests and stands.is_sure):
            return None
        self._waits_s = None
        return Word.LET_IN

    def air_came(self) -> None:
        """Note that air is in: nothing is to be said of rest any more."""
        self._air_came, self._waits_s = True, None
