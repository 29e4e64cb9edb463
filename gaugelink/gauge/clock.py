"""The sample clock: when each sample was taken, rebuilt from its number, the gauge's rate and the times of arrival.

A gauge samples steadily; the radio delivers late, in bursts, never early. So the true line "time = start + spacing *
number" lies under all arrivals. The clock keeps the lower and the upper convex hull of the arrivals of the last minute
(a few dozen points, whatever the rate) and weighs the possible spacings by two pictures of the delay: spread evenly
over a range (a radio that waits for its next connection event), whose likelihood falls with the n-th power of the
range, and exponential, whose likelihood falls with the n-th power of the mean. The data choose between them; the
posterior mean is the spacing. A prior from the stated rate keeps it sane while little has been seen.

The clock that comes out is steered to the line and never stepped back: its times always grow.
"""

import math
from collections import deque

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Points = list[tuple[float, float]]

GENERATION_S = 30.0
"""The line rests on the last one to two of these, so that the clock follows a slow drift of the gauge's oscillator."""
STATED_RATE_U = 0.01
"""Standard uncertainty of a stated rate, relative: cheap gauges run on RC oscillators. Common practice, no source."""
KNOWN_RATE_U = 2e-4
"""The same after a reconnect, for a rate that was learnt over more than ten seconds."""
LEARNT_RATE_U = 0.1
OTHER_RATE_U = 0.5
"""The same when the gauge has changed its rate. Common practice, no source: half or twice as fast is usual."""
LEARN_FRAMES = 8
LEARN_S = 0.4
"""An unknown rate is learnt from this many frames over at least this long before any sample is placed."""
DELAY_WEIGHT = 0.005
"""Share of one arrival in the running mean of the delay."""
LATE_S = 1.0
"""Frames that are late without exception for this long mean a pause or a loss, not jitter."""
YOUNG_S = 10.0
"""While younger than this the line is drawn anew every fifth of a second, then every two seconds."""
_FIRST_DELAY_S = 0.01
"""Mean delay and its mean deviation while none is known: a connection event in 20 ms. Common practice, no source."""
_HULL_POINTS = 64
_FINEST_U = 2e-5
_GRID = np.linspace(-1.0, 1.0, 25)
_GRID_STEP = float(_GRID[1] - _GRID[0])


class _Generation:
    """The arrivals since some moment: their two hulls, how many, and their mean."""

    __slots__ = ("began_s", "floor", "many", "mean_number", "mean_s", "roof")

    def __init__(self, began_s: float) -> None:
        self.began_s = began_s
        self.floor: Points = []
        self.roof: Points = []
        self.many = 0
        self.mean_number = 0.0
        self.mean_s = 0.0

    def add(self, x: float, y: float) -> None:
        self.many += 1
        self.mean_number += (x - self.mean_number) / self.many
        self.mean_s += (y - self.mean_s) / self.many
        _extend(self.floor, x, y, 1.0)
        _extend(self.roof, x, y, -1.0)


class SampleClock:
    """Places samples in time. Numbers may be sample numbers or ticks of the gauge's own clock; they only ever grow."""

    def __init__(self, spacing_s: float | None, spacing_u: float = STATED_RATE_U) -> None:
        """`spacing_s` is the stated time from one number to the next, or None to learn it; `spacing_u` is relative."""
        self._out_s: float | None = None
        self.renumbered(spacing_s, spacing_u)

    def renumbered(self, spacing_s: float | None, spacing_u: float = STATED_RATE_U) -> None:
        """The numbers mean something else from now on; only the times already given stay."""
        self._prior_s = self._spacing_s = spacing_s or 0.0
        self._prior_u = spacing_u
        self._seen_s = 0.0
        self._restart()

    def _restart(self) -> None:
        self._old = _Generation(0.0)
        self._young: _Generation | None = None
        self._arrivals = 0
        self._base_number = self._base_s = 0.0
        self._began_s = self._last_s = self._recent_since_s = 0.0
        self._delay_s = self._delay_dev_s = _FIRST_DELAY_S
        self._start_s = 0.0
        self._fitted_s = -math.inf
        self._spacing_u_s: float | None = None
        self._out_number: float | None = None
        self._recent: deque[tuple[float, float]] = deque()

    @property
    def ready(self) -> bool:
        """Whether the spacing is stated or learnt, so that samples can be placed."""
        return self._spacing_s > 0

    @property
    def mature(self) -> bool:
        """Whether the line is no longer young: nothing but another rate comes early any more."""
        return self._last_s - self._began_s >= YOUNG_S

    @property
    def spacing_s(self) -> float | None:
        """Seconds from one number to the next, as now believed."""
        return self._spacing_s or None

    @property
    def measured_spacing_s(self) -> float | None:
        """The spacing once it rests on at least two seconds of arrivals, else None."""
        return self._spacing_s if self._seen_s >= 2.0 and self.ready else None

    @property
    def least_recent_delay_s(self) -> float:
        """The least delay of the last `LATE_S` seconds; 0 until that much was seen since a restart or shift."""
        return self._recent[0][1] if self._recent and self._last_s - self._recent_since_s >= LATE_S else 0.0

    @property
    def usual_delay_s(self) -> float:
        """Mean delay of the arrivals over the line."""
        return self._delay_s

    @property
    def long_delay_s(self) -> float:
        """A delay that is not usual: the mean and five mean deviations. Before a second was seen, not for any radio."""
        long = self._delay_s + 5.0 * self._delay_dev_s
        return long if self._last_s - self._began_s >= LATE_S else max(long, 6.0 * _FIRST_DELAY_S)

    def delay_s(self, number: float, arrival_s: float) -> float | None:
        """How much later than the line `number` arrived; negative when it came early. None before a first arrival."""
        if not self._arrivals or not self.ready:
            return None
        return (arrival_s - self._base_s) - self._start_s - self._spacing_s * (number - self._base_number)

    def begin_after(self, time_s: float) -> None:
        """Give no time that is not after this one."""
        self._out_s = time_s

    def new_epoch(self) -> None:
        """Forget how numbers relate to time (a reconnect, a pause); keep the rate and the times already given."""
        if self._seen_s >= 10.0:
            self._prior_s, self._prior_u = self._spacing_s, min(self._prior_u, KNOWN_RATE_U)
        self._restart()

    def other_rate(self) -> None:
        """The gauge samples at another rate than before; which one, the arrivals will tell."""
        self._prior_s, self._prior_u = self._spacing_s, OTHER_RATE_U
        self._seen_s = 0.0
        self._restart()

    def shifted(self, since_s: float | None = None) -> None:
        """What was late no longer counts: the caller moved the numbers to make up for a loss, or nothing arrived."""
        self._recent.clear()
        self._recent_since_s = self._last_s if since_s is None else since_s

    def observe(self, number: float, arrival_s: float) -> None:
        """Learn from the arrival of the sample `number`, the last of its frame."""
        if not self._arrivals:
            self._base_number, self._base_s = number, arrival_s
            self._began_s = self._last_s = self._recent_since_s = arrival_s
        x, y = number - self._base_number, arrival_s - self._base_s
        if arrival_s - self._last_s > max(LATE_S, 3.0 * y / self._arrivals if self._arrivals else 0.0):
            # After a silence one late frame says nothing yet: what the radio held back may come behind it in a burst.
            self.shifted(arrival_s)
        self._arrivals += 1
        self._last_s = arrival_s
        self._seen_s = max(self._seen_s, y)
        self._old.add(x, y)
        if self._young is not None:
            self._young.add(x, y)
            if y - self._young.began_s >= GENERATION_S:
                self._old, self._young = self._young, _Generation(y)
        elif y >= GENERATION_S:
            self._young = _Generation(y)
        if not self.ready:
            if self._arrivals < LEARN_FRAMES or y < LEARN_S or x <= 0:
                return
            self._spacing_s = self._prior_s = y / x
            self._prior_u = LEARNT_RATE_U
        if y - self._fitted_s >= (0.2 if y < YOUNG_S else 2.0):
            self._fit(y)
        late = y - self._start_s - self._spacing_s * x
        weight = max(1.0 / self._arrivals, DELAY_WEIGHT)
        self._delay_s += weight * (late - self._delay_s)
        self._delay_dev_s += weight * (abs(late - self._delay_s) - self._delay_dev_s)
        recent = self._recent
        while recent and recent[-1][1] >= late:
            recent.pop()
        recent.append((arrival_s, late))
        while recent[0][0] < arrival_s - LATE_S:
            recent.popleft()

    def _fit(self, y: float) -> None:
        prior_u_s = self._prior_u * self._prior_s
        old = self._old
        floor, roof, many = np.array(old.floor), np.array(old.roof), old.many
        if self._spacing_u_s is None:
            spacing, reach = self._prior_s, 4.0 * prior_u_s
        else:
            spacing, reach = self._spacing_s, 6.0 * self._spacing_u_s
        early = deviation = 0.0
        for _ in range(2):
            grid = spacing + reach * _GRID
            lowest = (floor[:, 1:] - floor[:, :1] * grid).min(axis=0)
            span = (roof[:, 1:] - roof[:, :1] * grid).max(axis=0) - lowest + 1e-6
            mean = np.maximum(old.mean_s - old.mean_number * grid - lowest, 0.0) + 1e-6
            doubt = (
                many * np.stack((np.log(span), np.log(mean) + 1.0)) + 0.5 * ((grid - self._prior_s) / prior_u_s) ** 2
            )
            weight = np.exp(doubt.min() - doubt)
            weight /= weight.sum()
            each = weight.sum(axis=0)
            spacing = float(each @ grid)
            deviation = math.sqrt(float(each @ (grid - spacing) ** 2))
            reach = 4.0 * max(deviation, 0.25 * reach * _GRID_STEP)
            # The lowest of n delays still lies the range, or the mean, over n above the line.
            early = float(weight[0] @ span + weight[1] @ mean) / many
        # A spacing outside a factor of four of the prior is no rate but a fault of the numbers.
        self._spacing_s = min(max(spacing, 0.25 * self._prior_s), 4.0 * self._prior_s)
        self._spacing_u_s = max(deviation, _FINEST_U * self._spacing_s)
        self._start_s = min([py - self._spacing_s * px for px, py in old.floor]) - early
        self._fitted_s = y

    def place(self, first: float, step: float, count: int, arrival_s: float) -> FloatArray:
        """Give the times of the `count` samples of a frame, `step` numbers apart. Shape (count,), always growing.

        Call `observe` with the frame's last sample before. Needs `ready`.
        """
        spacing = self._spacing_s
        last = first + step * (count - 1)
        line = self._base_s + self._start_s + spacing * (last - self._base_number)
        pace = spacing * step
        if self._out_number is None or self._out_s is None or last <= self._out_number:
            end = line
            if self._out_s is not None:
                end = max(end, self._out_s + pace * count)
        else:
            numbers = last - self._out_number
            free = spacing * numbers
            # Steered hard while the line is young, gently later, so that spacing inside an event stays true.
            reach = (0.2 if arrival_s - self._began_s < 4.0 else 0.02) * free
            error = line - self._out_s - free
            error = min(max(error * min(1.0, free / 0.3), -reach), reach)
            # Stamps that crowd the samples of a frame into the time of the frame before must not fold time back.
            pace = min((free + error) / numbers * step, (free + error) / (count - 0.5))
            end = self._out_s + free + error
        self._out_number, self._out_s = last, end
        times: FloatArray = end - pace * np.arange(count - 1.0, -1.0, -1.0)
        return times


def _extend(hull: Points, x: float, y: float, side: float) -> None:
    while hull and hull[-1][0] >= x:
        # The caller took back a loss that was none: these numbers were too high.
        hull.pop()
    while len(hull) >= 2:
        (ax, ay), (bx, by) = hull[-2], hull[-1]
        if side * ((by - ay) * (x - bx) - (y - by) * (bx - ax)) < 0:
            break
        hull.pop()
    hull.append((x, y))
    if len(hull) > _HULL_POINTS:
        del hull[0]
