"""The whole shop: when the gauge moved under every machine at once, and which machine needs attention first."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from math import log

from scipy.stats import norm

from gaugelink.verdict.findings import VerdictWord
from gaugelink.verdict.history import MachineHistory
from gaugelink.verdict.history_fit import Model
from gaugelink.verdict.past import Axis, HistoryRules, PastJob, PastTest
from gaugelink.verdict.robust import Estimate


@dataclass(frozen=True, slots=True)
class MachineTests:
    """The record of one machine."""

    machine: str
    tests: tuple[PastTest, ...]
    """Dry tests."""
    jobs: tuple[PastJob, ...] = ()


@dataclass(frozen=True, slots=True)
class FleetStep:
    """All cylinders of all machines stepped together: the gauge, and not the engines."""

    at: datetime
    """Between the last test before and the first test after."""
    percent: Estimate
    machines: tuple[str, ...]
    """Machines that were tested before and after."""


@dataclass(frozen=True, slots=True)
class Standing:
    """What is known of a machine when the fleet is ranked."""

    machine: str
    name: str
    last_word: VerdictWord | None
    """Verdict of its last test, None when it was never tested."""
    last_test: datetime | None
    history: MachineHistory
    limit_percent: float
    """Lowest over highest cylinder that is accepted."""


@dataclass(frozen=True, slots=True)
class Ranked:
    """A machine's place in the fleet; the first needs attention first."""

    machine: str
    name: str
    score: float
    """Higher is more urgent."""
    reasons: tuple[str, ...]
    """Sentences, the weightiest first."""
    units_left: float | None
    """Seasons (or units of the axis) until the wearing cylinder reaches the limit, by the trend."""


def fleet_steps(records: Sequence[MachineTests], rules: HistoryRules | None = None) -> tuple[FleetStep, ...]:
    """Find when the gauge moved, from all machines together.

    One machine's tests scatter by themselves too much to show a change of gauge of a few percent; what all
    machines share at one time adds up. Each machine gives its own estimate of a step between two times, and they
    are averaged with their uncertainties. Steps are found one after the other, up to three.
    """
    limits = HistoryRules() if rules is None else rules
    models = {}
    for record in records:
        tests = sorted((t for t in record.tests if any(r.sea_level_kpa > 0 for r in t.readings)), key=lambda t: t.at)
        if len(tests) >= 2:
            x = [(t.at - tests[0].at).total_seconds() / 86400.0 / 365.25 for t in tests]
            models[record.machine] = Model(tests, sorted(record.jobs, key=lambda j: j.at), x, limits)
    found: list[datetime] = []
    steps: list[FleetStep] = []
    # Many moments part one machine's tests alike.
    known: dict[tuple[str, int, tuple[int, ...]], Estimate] = {}
    moments = _moments(models)
    tries = max(1, len(moments))
    critical = float(norm.isf((1.0 - (1.0 - limits.step_false_alarm) ** (1.0 / tries)) / 2.0))
    while len(found) < 3:
        pooled = [step for moment in moments if (step := _pooled(models, moment, found, known)) is not None]
        best = max(pooled, key=lambda step: abs(step.percent.z), default=None)
        if best is None or abs(best.percent.z) <= critical:
            break
        found.append(best.at)
        steps.append(best)
    return tuple(sorted(steps, key=lambda step: step.at))


def _moments(models: dict[str, Model]) -> list[datetime]:
    """Times between two tests, one for each way to part the tests of all machines."""
    times = sorted({t.at for model in models.values() for t in model.tests})
    return [a + (b - a) / 2 for a, b in pairwise(times) if b - a > timedelta(0)]


def _split(model: Model, moment: datetime) -> int | None:
    """First test after a moment, or None when there is none before, none after, or a job explains a change."""
    j = sum(1 for t in model.tests if t.at < moment)
    if not 0 < j < len(model.tests):
        return None
    return None if model.whole_job_before(j) else j


def _pooled(
    models: dict[str, Model],
    moment: datetime,
    found: Sequence[datetime],
    known: dict[tuple[str, int, tuple[int, ...]], Estimate],
) -> FleetStep | None:
    weighted, weight, machines = 0.0, 0.0, []
    for name, model in models.items():
        j = _split(model, moment)
        others = tuple(k for other in found if (k := _split(model, other)) is not None)
        if j is None or j in others:
            continue
        key = (name, j, others)
        if key not in known:
            known[key] = model.fit([*others, j], gauges=False, wear=1.0).combined({f"step {j}": 1.0})
        step = known[key]
        weighted += step.value / step.u**2
        weight += 1.0 / step.u**2
        machines.append(name)
    if not machines:
        return None
    mean, u = weighted / weight, weight**-0.5
    return FleetStep(moment, Estimate(100.0 * mean, 100.0 * u), tuple(machines))


# What a machine's last word is worth in the ranking, beside what its history adds.
_WORD_SCORE = {
    VerdictWord.INVESTIGATE: 100.0,
    VerdictWord.RETEST: 60.0,
    VerdictWord.WATCH: 40.0,
    VerdictWord.CONSISTENT: 0.0,
}
_NEVER_TESTED_SCORE = 20.0
_WEARING_SCORE = 30.0
_FALLING_SCORE = 15.0


def rank_fleet(standings: Sequence[Standing], now: datetime) -> tuple[Ranked, ...]:
    """Rank machines by who needs attention first: the last verdict, then wear, then how long ago it was tested."""
    return tuple(sorted((_ranked(standing, now) for standing in standings), key=lambda r: (-r.score, r.machine)))


def _ranked(standing: Standing, now: datetime) -> Ranked:
    reasons: list[tuple[float, str]] = []
    left: float | None = None
    if standing.last_word is None:
        reasons.append((_NEVER_TESTED_SCORE, "never tested"))
    elif standing.last_word is not VerdictWord.CONSISTENT:
        reasons.append((_WORD_SCORE[standing.last_word], f"its last test says {standing.last_word.value}"))
    unit = standing.history.unit
    for trend in standing.history.trends:
        if not trend.is_wearing:
            continue
        rate = trend.against_others_percent or trend.percent
        left = _units_left(trend.below_others_percent, rate.value, standing.limit_percent)
        soon = 0.0 if left is None else 30.0 / (1.0 + max(0.0, left))
        reaches = "" if left is None else f", and reaches the limit in about {left:.1f} {_plural(unit, standing)}"
        reasons.append(
            (_WEARING_SCORE + soon, f"{trend.cylinder} loses {-rate.value:.1f} % a {unit} against the others{reaches}")
        )
    if standing.history.engine_is_falling and standing.history.engine_percent is not None:
        fall = -standing.history.engine_percent.value
        reasons.append((_FALLING_SCORE, f"all cylinders lose {fall:.1f} % a {unit} together"))
    if standing.last_test is not None:
        days = (now - standing.last_test).days
        if days > 365:
            reasons.append((min(15.0, days / 100.0), f"last tested {days} days ago"))
    reasons.sort(key=lambda item: -item[0])
    score = sum(points for points, _ in reasons)
    texts = tuple(text for _, text in reasons) or ("nothing in its record asks for attention",)
    return Ranked(standing.machine, standing.name, score, texts, left)


def _plural(unit: str, standing: Standing) -> str:
    return "seasons" if standing.history.axis is Axis.DATE else f"times {unit}"


def _units_left(below_percent: float | None, rate_percent: float, limit_percent: float) -> float | None:
    """Units of the axis until a cylinder that is so far below the others is at the limit."""
    if below_percent is None or rate_percent >= 0.0:
        return None
    now, limit, slope = log(1.0 - below_percent / 100.0), log(limit_percent / 100.0), log(1.0 + rate_percent / 100.0)
    return max(0.0, (limit - now) / slope)
