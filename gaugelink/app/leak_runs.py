"""One leak-down under way: what its samples mean for the mechanic. No clock of its own, no edges."""

from collections.abc import Callable
from dataclasses import dataclass, field
from math import hypot, inf

import numpy as np

from gaugelink.app.leak_rest import RestBeforeAir, Word
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.prompts import Prompt, Prompter
from gaugelink.broker.leak_messages import LeakRequest
from gaugelink.errors import RecordingError
from gaugelink.gauge.samples import FloatArray, SampleBatch
from gaugelink.leak.decay import LEAST_S, DecayFlag, DecayResult, DecayVerdict
from gaugelink.leak.differential import (
    DifferentialFlag,
    DifferentialLimit,
    DifferentialResult,
    judge_differential,
)
from gaugelink.leak.gap import Gap, analyse_hold, analyse_over
from gaugelink.leak.hold import AIR_KPA, Hold
from gaugelink.leak.limits import DecayLimit
from gaugelink.leak.steady import SteadyPhase, SteadyWatch
from gaugelink.leak.watch import DecayWatch, NoticeKind, WatchPhase

FIRST_LOOK_S, NEXT_LOOK = 5.0, 1.3
"""A hold is analysed after so long, and again whenever it has become longer by this factor."""
LONGEST_LOOK_S = 60.0
WAIT_EVERY_S = 60.0
"""How often the mechanic hears how much longer it takes."""
_LOW = 0.75
_AT_REST_S = 3.0
"""A gauge that was let off and stands for so long where an absolute one stands at rest is one."""


@dataclass(slots=True)
class Heard:
    """What some samples lead to."""

    prompts: list[Prompt] = field(default_factory=list)
    ended: bool = False
    """The leak-down is over, with or without a certain verdict."""


class DecayRun:
    """A decay: pumped, closed, watched until it is certain."""

    def __init__(
        self, request: LeakRequest, limit: DecayLimit, gauge: str, say: Prompter, ambient_abs_kpa: float
    ) -> None:
        self.request = request
        self.limit = limit
        self.gauge = gauge
        self.watch = DecayWatch(limit)
        self.result: DecayResult | None = None
        """What the last look at the hold that runs, or ran last, said."""
        self._say = say
        self._ambient_abs_kpa = ambient_abs_kpa
        self._next_look_s = FIRST_LOOK_S
        self._waited_s = 0.0
        self._began_to_hold = False
        self._looked_after_end = False
        self._unlike_a_leak = False
        """The look before was, after the least time, of a fall that is none of a leak."""
        self.had_gap = False
        self._gap: Gap | None = None
        self._was_over = False
        """The last thing that was said is to let air off."""

    @property
    def gauges(self) -> frozenset[str]:
        """The gauges that it listens to."""
        return frozenset({self.gauge})

    def opening(self) -> Prompt:
        """What to do first."""
        return self._say.say(PromptKey.LEAK_PUMP, (), part=self.request.part, pressure=self.limit.test_kpa)

    def first(self) -> Prompt | None:
        """What to do first where there is more pressure than is allowed; None where there is not."""
        kpa = self.watch.too_high_kpa
        return None if kpa is None else _over(self._say, kpa, self.limit.highest_kpa)

    def hear(self, batch: SampleBatch) -> Heard:
        """Take samples of the gauge."""
        heard = Heard()
        for notice in self.watch.push(batch.time_s, batch.pressure_kpa):
            match notice.kind:
                case NoticeKind.OVER_PRESSURE:
                    self._was_over = True
                    heard.prompts.append(_over(self._say, notice.pressure_kpa, self.limit.highest_kpa))
                case NoticeKind.ABSOLUTE:
                    heard.prompts.append(self._say.say(PromptKey.LEAK_ABSOLUTE))
                case NoticeKind.GAP:
                    self.had_gap = True
                case NoticeKind.PHASE:
                    self._phase(notice.phase, notice.pressure_kpa, heard)
                case NoticeKind.ZERO_UNKNOWN:
                    continue
        return heard

    def due(self) -> Callable[[], DecayResult] | None:
        """The analysis that is due now, to be called off the event loop; None when none is."""
        evidence = self.watch.evidence()
        ended = self.watch.phase is WatchPhase.RELEASED
        elapsed_s, book_s = self.watch.elapsed_s, self.limit.book_s
        if evidence is None or (elapsed_s < self._next_look_s and not ended) or self._looked_after_end:
            return None
        self._looked_after_end = ended
        self._next_look_s = elapsed_s + min(max(elapsed_s, 1.0) * (NEXT_LOOK - 1.0), LONGEST_LOOK_S)
        if self.limit.fixed_time and elapsed_s < book_s:
            # What the book compares is known at that moment, and waiting longer adds nothing to it.
            self._next_look_s = min(self._next_look_s, book_s)
        limit, ambient_abs_kpa, gap = self.limit, self._ambient_abs_kpa, self._gap

        def look() -> DecayResult:
            if gap is not None:
                return analyse_over(gap, evidence, limit, ambient_abs_kpa=ambient_abs_kpa)
            return analyse_hold(evidence, limit, ambient_abs_kpa=ambient_abs_kpa)

        return look

    @property
    def gap_s(self) -> float:
        """Length of the longest interruption of the hold; 0 where there was none."""
        return self._gap.length_s if self._gap is not None else 0.0

    def go_on(self, hold: Hold, gap_s: float, level_kpa: float, *, earlier_gap_s: float = 0.0) -> None:
        """Go on with a hold that was interrupted and that the pressure now, `level_kpa`, does not contradict."""
        self.watch = DecayWatch.resumed(self.limit, hold, level_kpa)
        self.had_gap = self._began_to_hold = True
        self._gap = Gap(max(gap_s, earlier_gap_s), hold.last_s + gap_s)
        self._waited_s = hold.last_s + gap_s - hold.closed_s
        self._next_look_s = self._waited_s + self._gap.looked_after_s

    def judged(self, result: DecayResult) -> Heard:
        """Take the result of a look; one at a hold that is over because of more pumping says nothing of this one."""
        heard = Heard()
        if result.closed_s != self.watch.closed_s:
            return heard
        self.result = result
        rate, limit = result.leak_kpa_per_min.value, result.limit_kpa_per_min
        released = self.watch.phase is WatchPhase.RELEASED
        if result.verdict is DecayVerdict.OPEN:
            before, self._unlike_a_leak = self._unlike_a_leak, result.unlike_a_leak and result.duration_s >= LEAST_S
            if self._gap is not None and DecayFlag.POOR_FIT in result.flags:
                heard.prompts.append(self._say.say(PromptKey.LEAK_CUT_MOVED))
                heard.ended = True
            elif result.unlike_a_leak and (before or released):
                heard.prompts.append(self._say.say(PromptKey.LEAK_UNLIKE))
                heard.ended = True
            elif released:
                heard.prompts.append(self._say.say(PromptKey.LEAK_UNDECIDED))
            elif result.more_s is not None and result.duration_s - self._waited_s >= WAIT_EVERY_S:
                self._waited_s = result.duration_s
                heard.prompts.append(self._say.say(PromptKey.LEAK_WAIT, (), count=max(5, round(result.more_s / 5) * 5)))
            return heard
        key = PromptKey.LEAK_PASS if result.verdict is DecayVerdict.PASS else PromptKey.LEAK_FAIL
        heard.prompts.append(self._say.say(key, (), part=self.request.part, rate=rate, limit=limit))
        heard.ended = True
        return heard

    def samples(self) -> tuple[FloatArray, FloatArray, float]:
        """Times, gauge pressures and zero of the hold, its early part as blocks; shapes (n,)."""
        evidence = self.watch.evidence()
        if evidence is None:
            return np.empty(0), np.empty(0), self.watch.zero_kpa
        time_s, pressure_kpa = evidence.time_s, evidence.pressure_kpa
        if evidence.thinned is not None:
            time_s = np.concatenate([evidence.thinned[0] + evidence.closed_s, time_s])
            pressure_kpa = np.concatenate([evidence.thinned[1], pressure_kpa])
        return time_s, pressure_kpa, self.watch.zero_kpa

    def flags(self) -> tuple[str, ...]:
        """What is doubtful besides what the result says."""
        return (DecayFlag.GAPS.value,) if self.had_gap else ()

    def _phase(self, phase: WatchPhase, pressure_kpa: float, heard: Heard) -> None:
        if phase is WatchPhase.PUMPING and self._began_to_hold:
            heard.prompts.append(self._say.say(PromptKey.LEAK_ANEW))
            self._began_to_hold = self._looked_after_end = False
            self._gap, self.had_gap, self.result = None, False, None
        elif phase is WatchPhase.IDLE and self._was_over:
            self._was_over = False
            heard.prompts.append(self.opening())
        elif phase is WatchPhase.HOLDING:
            self._was_over = False
            self._next_look_s, self._waited_s, self._began_to_hold = FIRST_LOOK_S, 0.0, True
            self._looked_after_end = self._unlike_a_leak = False
            low = pressure_kpa < _LOW * self.limit.test_kpa
            key = PromptKey.LEAK_LOW if low else PromptKey.LEAK_CLOSED
            args = {"pressure": pressure_kpa} | ({"limit": self.limit.test_kpa} if low else {})
            heard.prompts.append(self._say.say(key, (), **args))


class DifferentialRun:
    """A differential leak-down: air through an orifice, read when it has come to rest."""

    def __init__(
        self,
        request: LeakRequest,
        limit: DifferentialLimit,
        gauge: str,
        cylinder: str,
        say: Prompter,
        ambient_abs_kpa: float,
    ) -> None:
        self.request = request
        self.limit = limit
        self.gauge = gauge
        self.cylinder = cylinder
        self.watch = SteadyWatch(limit)
        self.result: DifferentialResult | None = None
        self.refusal = ""
        """Why the pressures cannot be judged that the test came to rest at last; empty where they can."""
        self.began_s: float | None = None
        self.last_s = 0.0
        self._say = say
        self._ambient_abs_kpa = ambient_abs_kpa
        self._zeros: dict[str, float] = {}
        self._over = False
        self._early_s: float | None = None
        """Where there was pressure before the test began and still is: since when it may be an absolute gauge's rest;
        infinite while it cannot."""
        self._rest = RestBeforeAir(limit.supply_kpa, self._rest_kpa)
        self._kept: list[tuple[float, float]] = []

    @property
    def gauges(self) -> frozenset[str]:
        """The gauges that it listens to."""
        return frozenset({self.gauge} | ({self.request.supply_gauge} if self.request.supply_gauge else set()))

    def opening(self) -> Prompt:
        """What to do first."""
        return self._say.say(
            PromptKey.LEAK_AIR, (self.cylinder,), cylinder=self.cylinder, pressure=self.limit.supply_kpa
        )

    def first(self) -> Prompt | None:
        """What to do before air may come in: let off what is there, wait for the gauge to rest; None where it may."""
        if self._over:
            return _over(self._say, self._kept[-1][1], self.limit.highest_kpa)
        if self._early_s is not None:
            return self._let_off(self._kept[-1][1])
        return self._waits() if self._rest.first(self.last_s) is Word.WAIT else None

    def hear(self, batch: SampleBatch) -> Heard:
        """Take samples of one of the gauges; what each shows first, without air, is its zero.

        Pressure that the cylinder's gauge shows at the begin is another cylinder's, or held from a pull: nothing is
        measured before it is let off.
        """
        heard = Heard()
        if batch.gauge not in self._zeros:
            first_kpa = float(np.median(batch.pressure_kpa))
            self._zeros[batch.gauge] = self._zero(first_kpa, heard)
            if batch.gauge == self.gauge and first_kpa - self._zeros[batch.gauge] >= self._rest_kpa:
                self._early_s = inf
        zero = self._zeros[batch.gauge]
        shown = batch.pressure_kpa - zero
        if batch.gauge != self.gauge:
            self.watch.supply(batch.time_s, shown)
            return heard
        self.began_s = float(batch.time_s[0]) if self.began_s is None else self.began_s
        self.last_s = float(batch.time_s[-1])
        if self._early_s is not None:
            shown = self._without_early(batch, heard)
        elif self.watch.phase is SteadyPhase.IDLE:
            shown = self._rested(batch)
        self._kept = [*self._kept, *zip(batch.time_s.tolist(), shown.tolist(), strict=True)][-4000:]
        for phase in [] if self._early_s is not None else self.watch.push(batch.time_s, shown):
            if phase in (SteadyPhase.IDLE, SteadyPhase.MOVED):
                self.refusal = ""
            if phase is SteadyPhase.MOVED:
                heard.prompts.append(self._say.say(PromptKey.LEAK_MOVED))
            elif phase is SteadyPhase.STEADY:
                self._steady(heard)
        if self._early_s is None:
            self._rest_told(heard)
        over = self.watch.over if self._early_s is None else float(shown[-1]) > self.limit.highest_kpa
        if over and not self._over:
            heard.prompts.append(_over(self._say, float(shown.max()), self.limit.highest_kpa))
        elif self._early_s is not None and not over and not self.refusal:
            heard.prompts.append(self._let_off(float(shown[-1])))
            self.refusal = heard.prompts[-1].text
        self._over = over
        return heard

    def samples(self) -> tuple[FloatArray, FloatArray, float]:
        """Times, gauge pressures and zero of the last samples; shapes (n,)."""
        kept = np.array(self._kept) if self._kept else np.empty((0, 2))
        return kept[:, 0], kept[:, 1], self._zeros.get(self.gauge, 0.0)

    def judge_now(self) -> DifferentialResult:
        """Judge the pressures as they are, at rest or not.

        Raises:
            RecordingError: they cannot be; see `judge_differential`.
        """
        supply, cylinder, noise_u = self.watch.means()
        unsteady = self.watch.phase is not SteadyPhase.STEADY
        moved = self.watch.phase is SteadyPhase.MOVED
        flags = ({DifferentialFlag.NOT_STEADY} if unsteady else set()) | (
            {DifferentialFlag.PISTON_MOVED} if moved else set()
        )
        if self._rest.is_doubtful:
            flags.add(DifferentialFlag.ZERO_MOVING)
        return judge_differential(
            supply,
            cylinder,
            self.limit,
            ambient_abs_kpa=self._ambient_abs_kpa,
            noise_u_kpa=hypot(noise_u, self._rest.u_kpa),
            flags=frozenset(flags),
            unit=self._say.unit,
        )

    def _zero(self, first_kpa: float, heard: Heard) -> float:
        """What a gauge shows without air, from its first samples; nothing where there was air already."""
        if AIR_KPA[0] < first_kpa < AIR_KPA[1]:
            heard.prompts.append(self._say.say(PromptKey.LEAK_ABSOLUTE))
            return first_kpa
        return first_kpa if abs(first_kpa) < self._rest_kpa else 0.0

    @property
    def _rest_kpa(self) -> float:
        """Below this a gauge shows no air but its own zero."""
        return 0.05 * self.limit.supply_kpa

    def _let_off(self, shown_kpa: float) -> Prompt:
        return self._say.say(PromptKey.LEAK_AIR_ALREADY, (), pressure=shown_kpa)

    def _without_early(self, batch: SampleBatch, heard: Heard) -> FloatArray:
        """Wait until the pressure from before is let off, take the zero then and begin; gives what is shown, (n,)."""
        self._rest.take(batch)
        level_kpa = float(np.median(batch.pressure_kpa))
        last_s = float(batch.time_s[-1])
        absolute = AIR_KPA[0] < level_kpa < AIR_KPA[1] and float(np.ptp(batch.pressure_kpa)) < 1.0
        assert self._early_s is not None
        self._early_s = min(self._early_s, last_s) if absolute else inf
        if abs(level_kpa) < self._rest_kpa or last_s - self._early_s >= _AT_REST_S:
            self._early_s = None
            self._zeros[self.gauge] = self._zero(level_kpa, heard)
            # What was said stands until the last of it has left: then it is said that air may come in.
            self._rest.wait(last_s)
            self.refusal = self._waits().text
        return batch.pressure_kpa - self._zeros[self.gauge]

    def _waits(self) -> Prompt:
        return self._say.say(PromptKey.LEAK_REST)

    def _rested(self, batch: SampleBatch) -> FloatArray:
        """What is shown before air comes in, (n,), over the zero that the last rest left."""
        self._rest.take(batch)
        before = self._zeros[self.gauge]
        zero = self._zeros[self.gauge] = self._rest.zero_kpa(before)
        if zero != before:
            self._kept = [(t, p - (zero - before)) for t, p in self._kept]
        return batch.pressure_kpa - zero

    def _rest_told(self, heard: Heard) -> None:
        """Say that the gauge is not at rest, and once it is, or has been waited for, that air may come in."""
        if self.watch.phase is not SteadyPhase.IDLE:
            self.refusal = "" if self._rest.waits else self.refusal
            self._rest.air_came()
            return
        word = self._rest.news(self.last_s)
        if word is Word.WAIT:
            heard.prompts.append(self._waits())
            self.refusal = heard.prompts[-1].text
        elif word is Word.LET_IN:
            self.refusal = ""
            lock = self._say.say(PromptKey.LEAK_LOCK, (), cylinder=self.cylinder)
            heard.prompts.append(self._say.led(lock, self.opening()))

    def _steady(self, heard: Heard) -> None:
        try:
            self.result = self.judge_now()
        except RecordingError as error:
            supply, cylinder, _ = self.watch.means()
            if not self.refusal:
                limit = self.limit.supply_kpa if supply is None else supply
                heard.prompts.append(self._say.say(PromptKey.LEAK_ABOVE_SUPPLY, (), pressure=cylinder, limit=limit))
            self.refusal = str(error)
            self.watch.rest_again()
            return
        self.refusal = ""
        percent = round(self.result.loss_percent.value)
        heard.prompts.append(
            self._say.say(PromptKey.LEAK_PERCENT, (self.cylinder,), cylinder=self.cylinder, percent=percent)
        )
        heard.ended = not self.request.follow


def _over(say: Prompter, pressure_kpa: float, highest_kpa: float) -> Prompt:
    return say.say(PromptKey.LEAK_OVER, (), pressure=pressure_kpa, limit=highest_kpa)
