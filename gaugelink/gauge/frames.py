"""Frames in, samples out: order, losses, time and zero of one gauge. Pure; the times of arrival are given to it."""

import logging
import math

import numpy as np

from gaugelink.gauge.ambient import AmbientZero
from gaugelink.gauge.clock import SampleClock
from gaugelink.gauge.decode import Frame
from gaugelink.gauge.fields import Counts
from gaugelink.gauge.intake import Intake
from gaugelink.gauge.layout import GaugeLayout
from gaugelink.gauge.order import Counter, Verdict, counter_of
from gaugelink.gauge.pace import pace_of
from gaugelink.gauge.samples import FloatArray, FrameCounts, SampleBatch, joined, over_range_beyond
from gaugelink.gauge.stamps import StampLine
from gaugelink.gauge.uncounted import Arrivals, Arrived
from gaugelink.gauge.unsteady import Unsteady
from gaugelink.gauge.untimed import Placed, Untimed

logger = logging.getLogger(__name__)

DEVICE_CLOCK_U = 2e-3
"""Relative standard uncertainty of a gauge's own time stamps. Common practice, no source."""
PAUSE_S = 0.15
"""Frames that are all late by more than this, while the counter missed none, mean that the gauge paused."""
OTHER_RATE_S = 5.0
"""A second pause within this is none: the gauge samples more slowly than before."""


class FrameReader:
    """Turns the frames of one gauge into batches of samples. It never raises, whatever the bytes are.

    With a sequence counter or a device time, losses are counted. Without either, they are told by when frames come
    (`Arrivals`): a late frame is given out once those behind it tell whether it was held back. What is lost together
    is told; of frames that are shorter than the radio's jitter, single lost ones are not, and times are off by them.
    """

    def __init__(self, gauge: str, layout: GaugeLayout, *, ambient_abs_kpa: float | None = None) -> None:
        """`ambient_abs_kpa` is the ambient pressure for an absolute gauge, where it is known."""
        self.gauge = gauge
        self.layout = layout
        self.absolute = layout.absolute
        """Whether the gauge reads from vacuum; what comes out is gauge pressure in any case."""
        self.battery_percent: float | None = None
        self._zero = AmbientZero(ambient_abs_kpa, layout.resolution_kpa) if layout.absolute else None
        self._intake = Intake(layout)
        full_kpa, step_kpa = layout.range_kpa, layout.resolution_kpa
        self._beyond_kpa = None if full_kpa is None else over_range_beyond(full_kpa, step_kpa)
        self._good = self._duplicated = self._out_of_order = self._lost = self._reconnects = 0
        stated = None if layout.rate_hz is None else 1.0 / layout.rate_hz
        self._ticks: Counter | None = None
        self._counter = counter_of(layout)
        self._count_frames = layout.sequence is None or layout.sequence.counts is Counts.FRAMES
        self._stamps: StampLine | None = None
        if layout.device_time is not None:
            self._tick_s = layout.device_time.tick_s
            self._ticks = Counter(1 << (8 * layout.device_time.width))
            self._stamp_last = layout.device_time.of == "last"
            self._stamps = StampLine(0.0 if stated is None else stated / self._tick_s)
            self._clock = SampleClock(self._tick_s, DEVICE_CLOCK_U)
        else:
            self._clock = SampleClock(stated)
        self._arrivals = Arrivals(self._clock)
        self._pressure = np.empty(0)
        """Pressures of the frame before, as they came."""
        self._steady = layout.steady
        self._number = 0.0
        """Number of the next sample on the clock's scale."""
        self._size = 1
        """Samples of the frame before."""
        self._arrival_s: float | None = None
        self._time_s: float | None = None
        """Time of the last sample that was given out."""
        self._unsteady = Unsteady()
        self._pace = pace_of(layout)
        self._owed = 0
        """Samples lost since the last batch."""
        self._guessed = 0
        """Samples counted as lost by a gap alone, which can turn out to have been a delay."""
        self._gap_pending = False
        self._paused_s = -math.inf
        self._untimed = Untimed()

    @property
    def _step(self) -> float:
        """Numbers from one sample to the next on the clock's scale; 0 while it is not known."""
        return 1.0 if self._stamps is None else self._stamps.step

    @property
    def counts(self) -> FrameCounts:
        """Frames so far."""
        return FrameCounts(
            good=self._good, malformed=self._intake.malformed, short=self._intake.short, long=self._intake.long,
            duplicated=self._duplicated, out_of_order=self._out_of_order, lost_samples=self._lost,
            reconnects=self._reconnects,
        )  # fmt: skip

    @property
    def tally(self) -> tuple[int, int]:
        """Frames so far that were good, and that do not fit the layout."""
        return self._good, self._intake.refused

    @property
    def rate_hz(self) -> float | None:
        """Samples per second as measured; None before two seconds have been seen."""
        if not self._steady:
            return None if not self._unsteady.interval_s else 1.0 / self._unsteady.interval_s
        spacing = self._clock.measured_spacing_s
        return None if spacing is None or not self._step else 1.0 / (spacing * self._step)

    @property
    def zero_kpa(self) -> float:
        """What is taken off an absolute gauge's reading; 0 for a gauge that reads from ambient."""
        return 0.0 if self._zero is None else self._zero.zero_kpa

    def link_lost(self, now_s: float) -> None:
        """The link went away: counters start again, an unfinished line is dropped, time goes on."""
        del now_s
        self._skip(self._arrivals.forget())
        self._give_up_untimed()
        self._intake.restart()
        if self._pace is not None:
            self._pace.forget()
        self._start_again()
        self._gap_pending = self._time_s is not None

    def rest(self) -> SampleBatch | None:
        """At the end of a recording: frames that wait for what comes behind them, as if nothing had been lost.

        Those of which it is still not known how far apart their samples are, are lost.
        """
        self._give_up_untimed()
        return self._place_all(self._arrivals.rest())

    def reconnected(self) -> None:
        """The link is back; the next frame is the first of a new count."""
        self._reconnects += 1

    def feed(self, payload: bytes, arrival_s: float) -> SampleBatch | None:
        """Take one frame with its monotonic time of arrival. None when it gave no pressure, or none yet."""
        batches = []
        for frame in self._intake.decode(payload):
            if frame is not None:
                batches.append(self._take(frame, arrival_s))
            elif self._steady and self._counter is None and self._ticks is None and self._arrival_s is not None:
                # It was refused, and its samples are lost; where the gauge counts, the next frame tells that.
                self._skip(self._size)
        return joined([batch for batch in batches if batch is not None])

    def _skip(self, samples: int) -> None:
        self._number += samples
        self._owed += samples
        self._lost += samples

    def _give_up_untimed(self) -> None:
        samples, lost_between = self._untimed.forget()
        self._skip(samples)
        self._owed += lost_between

    def _guess(self, samples: int) -> None:
        self._skip(samples)
        self._guessed += samples
        self._clock.shifted()

    def _start_again(self) -> None:
        self._clock.new_epoch()
        for counter in (self._counter, self._ticks):
            if counter is not None:
                counter.restart()
        self._number = 0.0
        self._guessed = 0
        self._arrival_s = None

    def _take(self, frame: Frame, arrival_s: float) -> SampleBatch | None:
        if self._arrival_s is not None and arrival_s < self._arrival_s:
            arrival_s = self._arrival_s
        if frame.battery_percent is not None:
            self.battery_percent = frame.battery_percent
        if not self._steady:
            return self._take_unsteady(frame, arrival_s)
        spacing = self._clock.spacing_s
        if self._counter is not None or self._ticks is not None or self._arrival_s is None or spacing is None:
            return self._place(frame, arrival_s)
        arrived = self._arrivals.see(frame, arrival_s, self._number, spacing)
        return None if arrived is None else self._place_all(arrived)

    def _place_all(self, arrived: Arrived) -> SampleBatch | None:
        if arrived.lost:
            self._guess(arrived.lost)
        # Others can have been lost between those that waited.
        sure = 1 if arrived.lost else len(arrived.frames)
        batches = [self._place(*each) for each in arrived.frames[:sure]]
        batches += [self._take(*each) for each in arrived.frames[sure:]]
        return joined([batch for batch in batches if batch is not None])

    def _place(self, frame: Frame, arrival_s: float) -> SampleBatch | None:
        size = len(frame.pressure_kpa)
        first = self._order(frame, size, arrival_s)
        if first is None:
            return None
        self._good += 1
        clock = self._clock
        last = first + self._step * (size - 1)
        if self._step:
            clock.observe(last, arrival_s)
        self._number = last + self._step
        self._size = size
        self._arrival_s = arrival_s
        placed = Placed(first, frame.pressure_kpa, frame.over_range, arrival_s, self._owed)
        self._owed = 0
        if not clock.ready or not self._step:
            self._lost += self._untimed.keep(placed)
            return None
        return joined([self._emit(each) for each in (*self._untimed.take(), placed)])

    def _order(self, frame: Frame, size: int, arrival_s: float) -> float | None:
        """Number of the frame's first sample, or None when the frame is a repeat or came late."""
        elapsed = None if self._arrival_s is None else arrival_s - self._arrival_s
        spacing = self._clock.spacing_s
        counted, lost = False, 0
        if self._counter is not None and frame.sequence is not None:
            unit_s = None if spacing is None or not self._step else spacing * self._step
            if unit_s is not None and self._count_frames:
                unit_s *= self._size
            verdict, moved = self._counter.see(frame.sequence, elapsed, unit_s)
            if not self._accept(verdict):
                return None
            counted = verdict is Verdict.NEXT
            if counted:
                lost = self._lost_by(self._counter, moved, size)
                if lost < 0:
                    return None
                if lost:
                    self._skip(lost)
                    if self._ticks is None:
                        turns = (moved - 1) // self._counter.period * self._counter.period
                        self._guessed = turns * size if self._count_frames else turns
        if self._ticks is not None and self._stamps is not None and frame.device_ticks is not None:
            verdict, moved = self._ticks.see(frame.device_ticks, elapsed, self._tick_s)
            before, self._pressure = self._pressure, frame.pressure_kpa
            coarse = verdict is Verdict.REPEAT and (counted or not np.array_equal(frame.pressure_kpa, before))
            if coarse or 0 < self._step * size < 1:
                return self._without_stamps()
            if not self._accept(verdict):
                return None
            if verdict is Verdict.NEXT:
                return self._by_stamp(self._stamps, moved, size, lost if counted else None)
            self._stamps.restart()
            return -self._step * (size - 1) if self._stamp_last else 0.0
        if self._counter is None and elapsed is not None and spacing is not None:
            self._estimate_loss(size, spacing, arrival_s)
        else:
            self._take_turns_back(size, arrival_s)
        self._look_at_pace((spacing or 0.0) * size, arrival_s)
        return self._number

    def _lost_by(self, counter: Counter, moved: int, size: int) -> int:
        """Samples lost as a counter says; negative for a frame that begins before the end of the one before it."""
        lost = (moved - 1) * size if self._count_frames else moved - self._size
        if lost < 0:
            counter.back(moved)
            self._out_of_order += 1
        return lost

    def _look_at_pace(self, frame_s: float, arrival_s: float) -> None:
        """Frames that are late from now on mean a pause. Soon again, or too early, they mean another rate."""
        clock = self._clock
        late = clock.delay_s(self._number + self._size - 1, arrival_s)
        early = late is not None and late < -max(PAUSE_S, 1.5 * frame_s) and clock.mature and not self._guessed
        paused = clock.least_recent_delay_s > max(PAUSE_S, frame_s)
        if early or (paused and arrival_s - self._paused_s < OTHER_RATE_S):
            clock.other_rate()
        elif paused:
            clock.new_epoch()
        if paused:
            self._paused_s, self._guessed = arrival_s, 0

    def _take_turns_back(self, size: int, arrival_s: float) -> None:
        """Whole turns of the counter that seemed to be missed were none when the frames behind them come too early."""
        late = self._clock.delay_s(self._number + size - 1, arrival_s)
        spacing = self._clock.spacing_s
        if self._guessed and late is not None and spacing is not None and late < -0.5 * spacing * self._guessed:
            self._take_back(self._guessed)

    def _take_back(self, samples: int) -> None:
        self._guessed -= samples
        self._number -= samples
        self._lost -= samples
        self._owed = max(0, self._owed - samples)
        self._clock.shifted()

    def _accept(self, verdict: Verdict) -> bool:
        if verdict is Verdict.REPEAT:
            self._duplicated += 1
        elif verdict is Verdict.LATE:
            self._out_of_order += 1
        elif verdict is Verdict.RESTART and self._arrival_s is not None:
            self._give_up_untimed()
            self._clock.new_epoch()
            self._number, self._guessed, self._gap_pending = 0.0, 0, True
            for counter in (self._counter, self._ticks):
                if counter is not None:
                    counter.forget_order()
        return verdict in (Verdict.NEXT, Verdict.RESTART)

    def _by_stamp(self, stamps: StampLine, moved: int, size: int, lost: int | None) -> float:
        known = stamps.step
        gone = stamps.follow(moved, size if self._stamp_last else self._size, lost)
        if gone:
            self._untimed.lost(gone[:-1])
            self._owed += gone[-1]
            self._lost += sum(gone)
        if stamps.step and not known:
            for frame in self._untimed:
                frame.first -= stamps.step * (len(frame.pressure) - 1) if self._stamp_last else 0.0
                self._clock.observe(frame.first + stamps.step * (len(frame.pressure) - 1), frame.arrival_s)
        return stamps.at - (stamps.step * (size - 1) if self._stamp_last else 0.0)

    def _without_stamps(self) -> float:
        """Go by the count of the samples: a stamp that stands still over whole frames does not tell them apart."""
        logger.warning("gauge %s: its time stamps are coarser than its frames, and are not used", self.gauge)
        self._ticks = self._stamps = None
        stated = self.layout.rate_hz
        self._clock.renumbered(None if stated is None else 1.0 / stated)
        self._number = 0.0
        for frame in self._untimed:
            frame.first = self._number + frame.lost
            self._number = frame.first + len(frame.pressure)
            self._clock.observe(self._number - 1, frame.arrival_s)
        return self._number + self._owed

    def _estimate_loss(self, size: int, spacing: float, arrival_s: float) -> None:
        astray = self._arrivals.astray(self._number + size - 1, size, spacing, arrival_s)
        if astray > 0:
            self._guess(astray)
        elif astray < 0 and self._guessed:
            # What looked like a loss was a delay.
            self._take_back(min(self._guessed, -astray))

    def _emit(self, placed: Placed) -> SampleBatch:
        time_s = self._clock.place(placed.first, self._step, len(placed.pressure), placed.arrival_s)
        lost = placed.lost
        if self._gap_pending:
            self._gap_pending = False
            spacing = self._clock.spacing_s
            if spacing is not None and self._time_s is not None:
                # What is known to be lost from before is within it.
                gap = max(1, lost, round((float(time_s[0]) - self._time_s) / (spacing * self._step)) - 1)
                self._lost, lost = self._lost + gap - lost, gap
        self._time_s = float(time_s[-1])
        return self._batch(time_s, placed.pressure, placed.over, lost, placed.arrival_s)

    def _take_unsteady(self, frame: Frame, arrival_s: float) -> SampleBatch | None:
        size = len(frame.pressure_kpa)
        if self._counter is not None and frame.sequence is not None:
            verdict, moved = self._counter.see(frame.sequence, None, None)
            if not self._accept(verdict):
                return None
            if verdict is Verdict.NEXT:
                lost = self._lost_by(self._counter, moved, size)
                if lost < 0:
                    return None
                self._skip(lost)
        self._good += 1
        self._size = size
        time_s = self._unsteady.place(size, arrival_s, self._time_s)
        self._arrival_s = arrival_s
        self._time_s = float(time_s[-1])
        told = self._owed + (1 if self._gap_pending else 0)
        self._owed, self._gap_pending = 0, False
        spacing = None if self._pace is None else self._pace.see(size, arrival_s)
        if spacing is not None:
            self._sample_steadily(spacing)
        return self._batch(time_s, frame.pressure_kpa, frame.over_range, told, arrival_s)

    def _sample_steadily(self, spacing_s: float) -> None:
        """The gauge was seen to sample steadily: from now on times are those of its clock."""
        logger.info("gauge %s samples steadily, %.4g a second", self.gauge, 1.0 / spacing_s)
        assert self._time_s is not None
        self._steady, self._pace = True, None
        self._clock.renumbered(spacing_s)
        self._clock.begin_after(self._time_s)
        self._number, self._arrival_s = 0.0, None

    def _batch(self, time_s: FloatArray, pressure: FloatArray, over: bool, lost: int, arrival_s: float) -> SampleBatch:
        beyond = self._beyond_kpa
        over_range = np.full(len(pressure), over) if over or beyond is None else pressure > beyond
        zero = self._zero
        if zero is not None:
            if not zero.settled:
                zero.see(time_s, pressure)
            pressure = pressure - zero.zero_kpa
        return SampleBatch(self.gauge, time_s, pressure, over_range, lost, arrival_s)
