"""Which of the levels at which a gauge rested is its zero.

A live gauge rests at what the cylinder holds, too: on the way down from a top with closed valves or ports the piston
draws in, a crank that was turned slowly until it felt the compression stands on a little of it, and either takes
seconds to leak away. What lies between the strokes tells which it was: there the cylinder is open once in every turn or
two, and its pressure passes through ambient.
"""

from gaugelink.peak.events import FloatArray
from gaugelink.peak.order import percentile_of
from gaugelink.peak.zero import Zero, between_pulses

DEEPEST_KPA = 110.0
"""No cylinder draws in more than all of the air's pressure: what is more at sea level, in no weather."""
_FEWEST = 8
"""Samples between the strokes below which they say nothing of a zero."""
_BETWEEN = 5.0, 50.0, 75.0
"""Percentiles of what lies between the strokes: the zero is beyond neither the first nor the last, flanks on the upper
side. Of 250 events of one-zone engines it was above the lower one in all, but for cranks that rocked, and above the
upper one in every twentieth: a valve that is held open into the compression leaves a vacuum for half of the time."""
_DOUBT_KPA, _DOUBT_NOISE = 6.0, 3.0
"""How far beyond, at least and in standard deviations of a sample, a level is no zero."""
_LEAKED_S = 15.0
"""Quiet for longer than this is no pressure that a cylinder still holds."""
_SLIGHT_KPA = 2.0
"""Change of the level across a movement, in the seconds after which it is that of the cylinder if what lies between the
strokes is nearer to the level before."""
_BELOW = 0.02
"""Share of the highest below the gauge's own zero from which a level that nothing between the strokes comes down to is
no zero, whatever rested before: hoses that empty slowly keep all of that above the zero as well."""
_MOST = 4


class Zeros:
    """Levels at which one gauge rested, as far as they may be its zero."""

    __slots__ = ("_limit_kpa", "_rested", "before")

    def __init__(self, limit_kpa: float) -> None:
        """Begin with nothing known; `limit_kpa` is the most that a zero is off."""
        self._limit_kpa = limit_kpa
        self.before: Zero | None = None
        """That of the event before."""
        self._rested: list[Zero] = []

    @property
    def expected_kpa(self) -> float:
        """Where the zero should be: where it was at the event before, or at the gauge's own."""
        return self.before.level_kpa if self.before else 0.0

    def rested(self, zero: Zero | None) -> None:
        """Note the quiet before a movement that was no event."""
        if zero is not None:
            self._rested = [*self._rested[1 - _MOST :], zero]

    def used(self, zero: Zero | None) -> None:
        """Note the zero of an event; what rested before it is of no use any more."""
        self.before = zero or self.before
        self._rested = []

    def drew_in(self, rest_kpa: float, fell_kpa: float) -> bool:
        """Whether a level fell because the cylinder drew in before its first stroke: the zero is what was before then.

        What was let off instead, and is more than any zero is off, leaves the zero behind it.

        Args:
            rest_kpa: level after the fall.
            fell_kpa: how far it fell.
        """
        if not 0.0 < fell_kpa < DEEPEST_KPA:
            return False
        nearer = abs(rest_kpa + fell_kpa - self.expected_kpa) < abs(rest_kpa - self.expected_kpa)
        return fell_kpa < self._limit_kpa or nearer

    def believed(self, zero: Zero | None, quiet_s: float, pressure_kpa: FloatArray) -> Zero | None:
        """The zero of a live gauge's event: the quiet before it, unless what lies between the strokes contradicts that.

        Then it is the last of those before that is not contradicted; None where nothing is known that can be it.

        Args:
            zero: from the quiet before the event.
            quiet_s: how long that was.
            pressure_kpa: shape (n,), from its first stroke to its last.
        """
        if zero is None:
            return None
        between = between_pulses(pressure_kpa)
        if len(between) < _FEWEST:
            return zero
        low, middle, high = (percentile_of(between, q) for q in _BETWEEN)
        doubt = max(_DOUBT_KPA, _DOUBT_NOISE * zero.noise_kpa)
        low, high = low - doubt, high + doubt
        level_kpa = zero.level_kpa
        slight = max(_SLIGHT_KPA, zero.noise_kpa, zero.resolution_kpa)
        for former in [*reversed(self._rested), *([self.before] if self.before else [])]:
            moved_kpa = abs(former.level_kpa - level_kpa)
            may_leak = quiet_s < _LEAKED_S and moved_kpa > slight
            nearer = abs(former.level_kpa - middle) < abs(level_kpa - middle)
            if low < former.level_kpa < high and (not low < level_kpa < high or (may_leak and nearer)):
                return former
        drawn_in = level_kpa <= low and level_kpa < -_BELOW * float(pressure_kpa.max())
        return None if drawn_in else zero
