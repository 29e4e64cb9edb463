"""What is remembered of a gauge at rest: its last seconds, and how far it may move before that means something."""

from gaugelink.peak.events import BoolArray, FloatArray
from gaugelink.peak.evidence import Losses, spacing
from gaugelink.peak.quiet import FEW, Quiet
from gaugelink.peak.recent import Recent

CHUNK = 512
"""Samples looked at together, at most."""
GLANCE_S = 10.0
"""Quiet looked at together, at most, when a whole record comes at once: a slow drift stays within the threshold."""


class Resting:
    """Keeps quiet samples for the zero and the lead of the event that may follow, and lets go of older ones."""

    __slots__ = ("_keep", "_losses", "_quiet", "_quiet_s", "_recent", "_since_estimate", "_tidy_at")

    def __init__(self, recent: Recent, quiet: Quiet, losses: Losses, quiet_s: float) -> None:
        """Share `recent`, `quiet` and `losses` with a detector; `quiet_s` of quiet is kept."""
        self._recent = recent
        self._quiet = quiet
        self._losses = losses
        self._quiet_s = quiet_s
        self._tidy_at = CHUNK
        self._since_estimate = 0
        self._keep = 0

    def store(self, t: FloatArray, p: FloatArray, o: BoolArray | bool, n: int, since_s: float) -> None:
        """Take `n` quiet samples; it has been quiet since `since_s`."""
        if self._recent.count + n > self._tidy_at:
            self.tidy(since_s)
        self._recent.append(t, p, o)

    @property
    def room(self) -> int:
        """Samples that can be stored, one at least, before it is time to tidy up."""
        return max(1, self._tidy_at - self._recent.count)

    def tidy(self, since_s: float) -> None:
        """Make room for quiet samples and, now and then, look at rate, noise and resolution again."""
        recent = self._recent
        count = recent.count
        if not self._keep or self._since_estimate >= 8 * CHUNK:
            dt = spacing(recent.time_s[max(0, count - CHUNK) : count]) or self._quiet.dt_s or 0.01
            self._quiet.dt_s = dt
            self._keep = min(int(self._quiet_s / dt) + 8, recent.capacity // 4)
            first = max(int(recent.time_s[:count].searchsorted(since_s)), count - CHUNK)
            if count - first >= 64 and self._quiet.known:
                self._since_estimate = 0
                self._quiet.settle(recent.pressure_kpa[first:count], keep_rest=True)
        recent.keep_last(self._keep)
        self._tidy_at = min(self._keep + max(self._keep, 2 * CHUNK), recent.capacity)
        self._since_estimate += count - recent.count
        self._losses.clear()

    def learn_noise(self, now_s: float, since_s: float) -> None:
        """Learn a slow gauge's noise from the quiet before a movement: where it settled it gave too few samples."""
        recent = self._recent
        quiet_s = recent.time_s[: recent.count]
        first = min(int(quiet_s.searchsorted(now_s - self._quiet_s)), max(0, recent.count - FEW))
        first = max(first, int(quiet_s.searchsorted(since_s)))
        if recent.count - first >= FEW:
            self._quiet.settle(recent.pressure_kpa[first : recent.count], keep_rest=True)

    def glance(self) -> int:
        """Samples of a record that are looked at together."""
        return max(64, min(2 * CHUNK, int(GLANCE_S / self._quiet.dt_s)))

    def skim(self, t: FloatArray, p: FloatArray, o: BoolArray | bool, i: int, since_s: float) -> int:
        """Take the glances of a record from place `i` on that are quiet, and give the place where they end.

        What would be let go of again is counted and not stored.
        """
        quiet, recent, n = self._quiet, self._recent, len(t)
        first, count = i, recent.count
        step = self.glance()
        while i + step <= n and quiet.stays(p[i : i + step], step, float(t[i + step - 1] - t[i])):
            if count + step > self._tidy_at:
                if not self._keep or self._since_estimate >= 8 * CHUNK:
                    self._catch_up(t, p, o, first, i, count)
                    self.tidy(since_s)
                    first, count = i, recent.count
                else:
                    self._since_estimate += max(0, count - self._keep)
                    count = min(count, self._keep)
                    self._losses.clear()
            count += step
            i += step
            step = self.glance()
        self._catch_up(t, p, o, first, i, count)
        return i

    def _catch_up(self, t: FloatArray, p: FloatArray, o: BoolArray | bool, first: int, last: int, count: int) -> None:
        """Hold the newest `count` samples, the record's from `first` to `last` among them."""
        if last > first:
            self._recent.keep_last(max(0, count - (last - first)))
            first = max(first, last - count)
            self._recent.append(t[first:last], p[first:last], o if isinstance(o, bool) else o[first:last])
