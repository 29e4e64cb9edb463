"""The whole shop: when the gauge moved under every machine at once, and which machine needs attention first."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import pairwise

from scipy.special import ndtri

from gaugelink.verdict.findings import VerdictWord
from gaugelink.verdict.history import MachineHistory, seen_without_any_one
from gaugelink.verdict.history_fit import Model, Split, positions
from gaugelink.verdict.past import GaugeMoved, HistoryRules, PastJob, PastTest
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
    gauge_before: str = ""
    """The gauge before; empty for one that is not named."""
    gauge_after: str = ""
    """The gauge after, the same name when it is the gauge itself that moved."""

    @property
    def moved(self) -> GaugeMoved:
        """As a machine's history takes it."""
        return GaugeMoved(self.at, self.gauge_before, self.gauge_after, self.percent)


@dataclass(frozen=True, slots=True)
class _Stream:
    """What one gauge read in every machine, or one gauge and then the one that took its place."""

    before: str
    after: str
    models: dict[str, Model]
    """By machine."""

    def split(self, machine: str, moment: datetime) -> Split | None:
        """Where a moment parts a machine's tests, or None when it does not, or a job explains a change."""
        model = self.models[machine]
        split = _parted(model, moment)
        at_the_change = split is not None and (self.before == self.after or model.gauge_changes(split.test))
        return split if at_the_change else None

    def shares(self, step: FleetStep) -> bool:
        """Whether a step that was found is in these readings too."""
        return {step.gauge_before, step.gauge_after} <= {self.before, self.after}


@dataclass(frozen=True, slots=True)
class Standing:
    """What is known of a machine when the fleet is ranked."""

    machine: str
    name: str
    last_word: VerdictWord | None
    """Verdict of its last test that can be read, None when there is none."""
    last_test: datetime | None
    history: MachineHistory
    limit_percent: float
    """Lowest over highest cylinder that is accepted."""
    left_out: str = ""
    """That a test later than the last one is in the record and is left out, and why; empty where none is."""


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
    """Seasons (or units of the axis) until the first wearing cylinder reaches the limit, by the trend."""


def fleet_steps(records: Sequence[MachineTests], rules: HistoryRules | None = None) -> tuple[FleetStep, ...]:
    """Find when a gauge moved, or another took its place, from all machines that it read.

    One machine's tests scatter by themselves too much to show a change of gauge of a few percent; what all
    machines share at one time adds up. Each machine gives its own estimate of a step between two times, and they
    are averaged with their uncertainties, those of each gauge by themselves. Steps are found one after the other, up
    to three.
    """
    limits = HistoryRules() if rules is None else rules
    streams = _streams(records, limits)
    candidates = [(stream, moment) for stream in streams for moment in _moments(stream)]
    # Many moments part one machine's tests alike.
    known: dict[tuple[str, str, str, Split, tuple[Split, ...]], Estimate | None] = {}
    tries = max(1, len(candidates))
    critical = -float(ndtri((1.0 - (1.0 - limits.step_false_alarm) ** (1.0 / tries)) / 2.0))
    steps: list[FleetStep] = []
    while len(steps) < 3:
        pooled = [step for one in candidates if (step := _pooled(*one, steps, known)) is not None]
        best = max(pooled, key=lambda step: abs(step.percent.z), default=None)
        if best is None or abs(best.percent.z) <= critical:
            break
        steps.append(best)
    return tuple(sorted(steps, key=lambda step: step.at))


def _streams(records: Sequence[MachineTests], rules: HistoryRules) -> list[_Stream]:
    """The machines' tests parted by gauge. A reading whose gauge is not named is by one gauge that has no name."""
    streams: dict[tuple[str, str], dict[str, Model]] = {}
    for record in records:
        parted = [_by_gauge(test) for test in sorted(record.tests, key=lambda t: t.at)]
        jobs = sorted(record.jobs, key=lambda j: j.at)
        for gauge in dict.fromkeys(name for one in parted for name in one):
            _keep(streams, (gauge, gauge), record.machine, [one[gauge] for one in parted if gauge in one], jobs, rules)
        alone = [next(iter(one.values())) for one in parted if len(one) == 1]
        changes = [(a.gauge, b.gauge) for a, b in pairwise(alone) if a.gauge and b.gauge and a.gauge != b.gauge]
        for pair in dict.fromkeys(changes):
            tests = [test for test in alone if test.gauge in pair]
            # Two gauges in turn are no gauge in the place of another.
            if sum(a.gauge != b.gauge for a, b in pairwise(tests)) == 1:
                _keep(streams, pair, record.machine, tests, jobs, rules)
    return [_Stream(before, after, models) for (before, after), models in streams.items()]


def _by_gauge(test: PastTest) -> dict[str, PastTest]:
    """The readings of a test as one test for each gauge that took part, in their order."""
    usable = [reading for reading in test.readings if reading.counts]
    names = dict.fromkeys(reading.gauge or test.gauge for reading in usable)
    return {
        name: replace(test, gauge=name, readings=tuple(r for r in usable if (r.gauge or test.gauge) == name))
        for name in names
    }


def _keep(
    streams: dict[tuple[str, str], dict[str, Model]],
    key: tuple[str, str],
    machine: str,
    tests: Sequence[PastTest],
    jobs: Sequence[PastJob],
    rules: HistoryRules,
) -> None:
    if len(tests) >= 2:
        streams.setdefault(key, {})[machine] = Model(tests, jobs, positions(tests), rules)


def _moments(stream: _Stream) -> list[datetime]:
    """Times between two tests, one for each way to part the tests of all machines."""
    times = sorted({t.at for model in stream.models.values() for t in model.tests})
    moments = [a + (b - a) / 2 for a, b in pairwise(times) if b - a > timedelta(0)]
    return [at for at in moments if any(stream.split(machine, at) is not None for machine in stream.models)]


def _parted(model: Model, moment: datetime) -> Split | None:
    """The first test after a moment, or None when there is none before, none after, or a job explains a change."""
    j = sum(1 for t in model.tests if t.at < moment)
    if not 0 < j < len(model.tests) or model.whole_job_before(j):
        return None
    return Split(j)


def _pooled(
    stream: _Stream,
    moment: datetime,
    found: Sequence[FleetStep],
    known: dict[tuple[str, str, str, Split, tuple[Split, ...]], Estimate | None],
) -> FleetStep | None:
    weighted, weight, machines = 0.0, 0.0, []
    earlier = [step.at for step in found if stream.shares(step)]
    for name, model in stream.models.items():
        split = stream.split(name, moment)
        others = tuple(dict.fromkeys(other for at in earlier if (other := _parted(model, at)) is not None))
        if split is None or split in others:
            continue
        key = (stream.before, stream.after, name, split, others)
        if key not in known:
            known[key] = _step_of(model, others, split)
        step = known[key]
        if step is None:
            continue
        weighted += step.value / step.u**2
        weight += 1.0 / step.u**2
        machines.append(name)
    if not machines:
        return None
    mean, u = weighted / weight, weight**-0.5
    return FleetStep(moment, Estimate(100.0 * mean, 100.0 * u), tuple(machines), stream.before, stream.after)


def _step_of(model: Model, others: Sequence[Split], split: Split) -> Estimate | None:
    """One machine's own estimate of a step; None where it shows in one of its cylinders alone, which is no gauge's."""
    fit = model.fit([*others, split], gauges=False, wear=1.0)
    step = fit.combined({split.name: 1.0})
    shows = abs(step.z) > fit.critical(0.025)
    return None if shows and not seen_without_any_one(model, others, split) else step


# What a machine's last word is worth in the ranking, beside what its history adds. No source.
_WORD_SCORE = {
    VerdictWord.INVESTIGATE: 100.0,
    VerdictWord.RETEST: 60.0,
    VerdictWord.WATCH: 40.0,
    VerdictWord.CONSISTENT: 0.0,
}
_UNKNOWN_SCORE = 20.0
"""Of a machine that was never tested, or whose newest test is left out: how it stands is not known."""
_WEARING_SCORE = 30.0
_FALLING_SCORE = 15.0


def rank_fleet(standings: Sequence[Standing], now: datetime) -> tuple[Ranked, ...]:
    """Rank machines by who needs attention first: the last verdict, then wear, then how long ago it was tested."""
    return tuple(sorted((_ranked(standing, now) for standing in standings), key=lambda r: (-r.score, r.machine)))


def _ranked(standing: Standing, now: datetime) -> Ranked:
    reasons: list[tuple[float, str]] = []
    left: float | None = None
    if standing.left_out or standing.last_word is None:
        reasons.append((_UNKNOWN_SCORE, standing.left_out or "never tested"))
    if standing.last_word not in (None, VerdictWord.CONSISTENT):
        which = "the last test that counts" if standing.left_out else "its last test"
        reasons.append((_WORD_SCORE[standing.last_word], f"{which} says {standing.last_word.value}"))
    unit = standing.history.unit
    for trend in standing.history.trends:
        if not trend.is_wearing:
            continue
        left_here = trend.units_left(standing.limit_percent)
        if left_here is not None:
            left = left_here if left is None else min(left, left_here)
        soon = 0.0 if left_here is None else 30.0 / (1.0 + left_here)
        reaches = "" if left_here is None else f", and reaches the limit in about {_units(left_here, unit)}"
        compared = "" if trend.against_others_percent is None else " against the others"
        reasons.append(
            (_WEARING_SCORE + soon, f"{trend.cylinder} loses {-trend.judged.value:.1f} % a {unit}{compared}{reaches}")
        )
    # A single cylinder is the engine: its fall was told.
    together = len(standing.history.trends) > 1 and standing.history.engine_is_falling
    if together and standing.history.engine_percent is not None:
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


def _units(count: float, unit: str) -> str:
    """So many units of a history's axis: ``2.7 seasons``, ``1.4 times 1,000 km``."""
    return f"{count:.1f} {'seasons' if unit == 'season' else f'times {unit}'}"
