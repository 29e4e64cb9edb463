"""A machine over the seasons: how each cylinder wears, what a job changed, and when the gauge itself moved.

Logarithms of pressures at sea level are fitted: level of each cylinder since its last job, its slope, an error that
all readings of a test share (weather, battery, temperature), and one that all readings of a gauge share. A
cylinder held against the others of the same tests is then free of both.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from math import exp, hypot, log, log1p, sqrt

from gaugelink.engine.fleet import Counter
from gaugelink.verdict.adapters import OtherAdapter, other_adapters
from gaugelink.verdict.history_fit import Model, Split, against_others, less, mean_of, positions
from gaugelink.verdict.past import Axis, GaugeMoved, HistoryRules, PastJob, PastTest
from gaugelink.verdict.robust import Estimate, Fit

LEAST_TESTS = 3
"""Tests since its last job from which on a cylinder may be called wearing. No source."""
MOST_STEPS = 3
"""Steps that the record of one machine is looked through for. No source."""
FAST_WEAR = 4.0
"""How many times the usual wear a cylinder may show before a job on it. No source."""
STAYS = 0.5
"""Share of a common step, or of a common fall, that has to be left when one cylinder is left out. No source."""
CONTRADICTS = 2.0
"""How many standard uncertainties, as stated, the readings beside a job may be off the fit: the scatter that was seen
beyond what was stated may come from that fall. Chosen beside the fleets of `tests.benchmarks.fleet_history`."""


@dataclass(frozen=True, slots=True)
class Trend:
    """How one cylinder goes, since its last job."""

    cylinder: str
    percent: Estimate
    """Change in percent for each unit of the axis, by itself; common errors of tests and gauges count."""
    against_others_percent: Estimate | None
    """The same less the mean of the other cylinders: common errors cancel. None for a single cylinder."""
    level_kpa: Estimate
    """Where the fit puts it at the last test, at sea level."""
    below_others_percent: float | None
    """How far it is below the mean of the others at the last test by the fit, in percent; negative is above."""
    is_wearing: bool
    """Falls against the others by more than chance lets expect over all cylinders of the machine."""
    tests: int
    """Tests since its last job."""

    @property
    def judged(self) -> Estimate:
        """The change that it is judged by: against the others, by itself where there are none."""
        return self.percent if self.against_others_percent is None else self.against_others_percent

    def units_left(self, limit_percent: float) -> float | None:
        """Units of the axis until it is at the limit of lowest over highest if this goes on, 0 where it is past it.

        None where it does not fall, and where there are no others to fall behind.
        """
        if self.below_others_percent is None or self.judged.value >= 0.0:
            return None
        now, limit = log1p(-self.below_others_percent / 100.0), log(limit_percent / 100.0)
        return max(0.0, (limit - now) / log1p(self.judged.value / 100.0))


@dataclass(frozen=True, slots=True)
class JobEffect:
    """One cylinder before and after a job."""

    job: PastJob
    cylinder: str
    """Empty for the mean of all cylinders that the job was done on, where there are several."""
    gain_percent: Estimate
    against_others: bool
    """True when cylinders that the job left alone were the measure; else the gauge and the day are in it."""
    is_real: bool
    """The gain, or loss, is more than its uncertainty, coverage about 95 %."""


@dataclass(frozen=True, slots=True)
class CommonStep:
    """All cylinders stepped together between two tests and nothing was done to the engine: look at the gauge."""

    after_test: str
    """Test id of the first test after the step."""
    at: datetime
    percent: Estimate
    gauge_before: str
    gauge_after: str

    @property
    def gauge_is_known_to_have_changed(self) -> bool:
        """Whether the record names two different gauges."""
        return bool(self.gauge_before and self.gauge_after) and self.gauge_before != self.gauge_after


@dataclass(frozen=True, slots=True)
class MachineHistory:
    """What the record of one machine says."""

    axis: Axis
    unit: str
    """What slopes are for: ``season``, ``100 h``, ``1,000 km``, ``1,000 mi``."""
    trends: tuple[Trend, ...]
    engine_percent: Estimate | None
    """Change of the mean of all cylinders for each unit of the axis; gauge and days count."""
    engine_is_falling: bool
    """By more than chance, and not by one of its cylinders alone."""
    steps: tuple[CommonStep, ...]
    jobs: tuple[JobEffect, ...]
    scatter: float
    """Scatter of the readings over what was stated; above 1 the uncertainties were raised by it."""
    outliers: tuple[tuple[str, str], ...]
    """Test id and cylinder of readings that stand out so much that they count less than half."""
    adapters: tuple[OtherAdapter, ...] = ()
    """Tests that were read through another adapter than the last, or not noted which."""


def read_history(
    tests: Sequence[PastTest],
    jobs: Sequence[PastJob] = (),
    *,
    rules: HistoryRules | None = None,
    axis: Axis = Axis.DATE,
    counter: Counter = Counter.HOURS,
    gauge_moved: Sequence[GaugeMoved] = (),
) -> MachineHistory:
    """Read the record of one machine: dry tests of one engine, in any order.

    Tests without the machine's count are left out when the axis is the counter. `gauge_moved` are times at which a
    gauge is known to have moved, for example from `fleet_steps`: the fit lets its readings step there, and the step is
    told where this machine's own readings show it or agree with what the other machines show.
    """
    limits = HistoryRules() if rules is None else rules
    usable = sorted((t for t in tests if axis is Axis.DATE or t.counter is not None), key=lambda t: t.at)
    usable = [t for t in usable if any(r.counts for r in t.readings)]
    unit = "season" if axis is Axis.DATE else ("100 h" if counter is Counter.HOURS else f"1,000 {counter.value}")
    if not usable:
        return MachineHistory(axis, unit, (), None, False, (), (), 1.0, ())
    x = positions(usable, axis, counter)
    model = Model(usable, sorted(jobs, key=lambda j: j.at), x, limits)
    splits = _splits(model, _known_splits(model, gauge_moved))
    fit = model.fit(splits)
    engine = _engine_slope(model, fit)
    # What another gauge or other days may explain is in its uncertainty, and is not told as the engine's.
    falling = engine is not None and engine.z < -max(fit.factor, fit.critical(limits.false_alarm))
    falling = falling and _falls_without_any_one(model, fit)
    return MachineHistory(
        axis=axis,
        unit=unit,
        trends=_trends(model, fit),
        engine_percent=engine,
        engine_is_falling=bool(falling),
        steps=_steps(model, splits),
        jobs=_job_effects(model, splits),
        scatter=fit.scale,
        outliers=tuple(
            (usable[j].test_id, cylinder)
            for (j, cylinder), weight in zip(model.rows, fit.weights, strict=True)
            if weight < 0.5
        ),
        adapters=other_adapters(usable),
    )


def _trends(model: Model, fit: Fit) -> tuple[Trend, ...]:
    last = len(model.tests) - 1
    alone = 1.0 - (1.0 - model.rules.false_alarm) ** (1.0 / len(model.cylinders))
    # What is told as beyond chance is beyond the ± that stands beside it too.
    critical = max(fit.factor, fit.critical(alone))
    trends = []
    slopes = {c: {f"slope {c} {_last_segment(model, c)}": 1.0} for c in model.cylinders}
    levels = {
        c: {f"level {c} {_last_segment(model, c)}": 1.0, **_times(slopes[c], model.x[last])} for c in model.cylinders
    }
    for cylinder in model.cylinders:
        others = [c for c in model.cylinders if c != cylinder]
        slope = fit.combined(slopes[cylinder])
        level = fit.combined(levels[cylinder])
        level_kpa = exp(level.value + model.middle)
        relative = fit.combined(against_others(slopes[cylinder], [slopes[c] for c in others])) if others else None
        below = fit.combined(against_others(levels[cylinder], [levels[c] for c in others])).value if others else None
        judged = slope if relative is None else relative
        tests = sum(1 for j, c in model.rows if c == cylinder and model.segment(c, j) == _last_segment(model, c))
        trends.append(
            Trend(
                cylinder=cylinder,
                percent=_percent(slope),
                against_others_percent=None if relative is None else _percent(relative),
                level_kpa=Estimate(level_kpa, level_kpa * level.u, level.factor),
                below_others_percent=None if below is None else -100.0 * (exp(below) - 1.0),
                is_wearing=tests >= LEAST_TESTS
                and judged.z < -critical
                and 100.0 * judged.value < -model.slowest_wear_percent,
                tests=tests,
            )
        )
    return tuple(trends)


def _last_segment(model: Model, cylinder: str) -> int:
    return max(model.segment(c, j) for j, c in model.rows if c == cylinder)


def _times(coefficients: dict[str, float], factor: float) -> dict[str, float]:
    return {name: factor * coefficient for name, coefficient in coefficients.items()}


def _percent(estimate: Estimate) -> Estimate:
    """Percent of a small change of a logarithm."""
    return Estimate(100.0 * (exp(estimate.value) - 1.0), 100.0 * exp(estimate.value) * estimate.u, estimate.factor)


def _engine_slope(model: Model, fit: Fit) -> Estimate | None:
    tests = {j for j, _ in model.rows}
    if len(tests) < 3:
        return None
    return _percent(_mean_slope(model, fit, model.cylinders))


def _mean_slope(model: Model, fit: Fit, cylinders: Sequence[str]) -> Estimate:
    return fit.combined({f"slope {c} {_last_segment(model, c)}": 1.0 / len(cylinders) for c in cylinders})


def _falls_without_any_one(model: Model, fit: Fit) -> bool:
    """Whether the fall of all cylinders together stays, whichever is left out: what one alone does is no engine's."""
    whole = _mean_slope(model, fit, model.cylinders).value
    rests = [[c for c in model.cylinders if c != left_out] for left_out in model.cylinders]
    return all(_mean_slope(model, fit, rest).value <= STAYS * whole for rest in rests if rest)


def _job_effects(model: Model, splits: Sequence[Split]) -> tuple[JobEffect, ...]:
    """Changes from the last test before a job to the first after it.

    Against untouched cylinders, wear may be fast. Without any, the scatter between tests is so large that only usual
    wear can be told from the job.

    What sends an engine to the bench is often a fall that is faster than any wear, so the last reading before a job is
    no stray one: where it contradicts the fit, the two readings beside the job are held against each other by
    themselves.
    """
    held, usual = model.fit(splits, wear=FAST_WEAR), model.fit(splits, wear=1.0)
    effects = []
    for job in model.jobs:
        before = [j for j, t in enumerate(model.tests) if t.at < job.at]
        after = [j for j, t in enumerate(model.tests) if t.at >= job.at]
        if not before or not after:
            continue
        left, right = before[-1], after[0]
        changes = {
            c: less(model.level(c, right), model.level(c, left))
            for c in model.cylinders
            if all((j, c) in model.rows for j in (left, right))
        }
        touched = {c: change for c, change in changes.items() if model.touches(job, c)}
        if len(touched) > 1:
            touched[""] = mean_of(list(touched.values()))
        untouched = [change for c, change in changes.items() if not model.touches(job, c)]
        for cylinder, change in touched.items():
            if untouched:
                gain = held.combined(against_others(change, untouched))
                beside = _beside(
                    model, held, (left, right), cylinder, [c for c in changes if not model.touches(job, c)]
                )
                if beside is not None and abs(beside.value - gain.value) > CONTRADICTS * beside.u / held.scale:
                    gain = beside
            else:
                gain = usual.combined(change)
                gain = replace(gain, u=(gain.u**2 + _gauge_u2(model, left, right)) ** 0.5)
            percent = _percent(gain)
            is_real = abs(percent.value) > percent.expanded_u
            effects.append(JobEffect(job, cylinder, percent, bool(untouched), bool(is_real)))
    return tuple(effects)


def _beside(model: Model, fit: Fit, tests: tuple[int, int], cylinder: str, untouched: Sequence[str]) -> Estimate | None:
    """Change of the logarithm between two tests by their readings alone, less the mean of the untouched cylinders'.

    None for the mean of several cylinders. What is common to a test cancels; the scatter beyond what was stated counts.
    """
    if not cylinder:
        return None
    where = {row: i for i, row in enumerate(model.rows)}
    value = variance = 0.0
    for sign, j in ((-1.0, tests[0]), (1.0, tests[1])):
        for name, share in ((cylinder, 1.0), *((other, -1.0 / len(untouched)) for other in untouched)):
            value += sign * share * float(model.observed[where[j, name]])
            variance += (share * float(model.u[where[j, name]])) ** 2
    return Estimate(value, fit.scale * sqrt(variance), fit.factor)


def _gauge_u2(model: Model, left: int, right: int) -> float:
    """What two gauges that are not named add to a change with no untouched cylinder beside it.

    Named gauges are in the fit: the same one cancels there, two of them do not.
    """
    named = model.tests[left].gauge and model.tests[right].gauge
    return 0.0 if named else 2.0 * model.rules.gauge_fraction**2


def _known_splits(model: Model, gauge_moved: Sequence[GaugeMoved]) -> tuple[Split, ...]:
    """Where a gauge that moved read this machine before and after: other gauges' readings stay where they are."""
    splits = {}
    for moved in gauge_moved:
        rows = [(model.tests[j].at >= moved.at, j, model.gauge_of(j, c)) for j, c in model.rows]
        before = any(not later and gauge == moved.before for later, _, gauge in rows)
        after = [j for later, j, gauge in rows if later and gauge == moved.after]
        if before and after:
            split = Split(min(after), moved.after, moved.before, moved.percent)
            splits[split.name] = split
    return tuple(splits.values())


def _splits(model: Model, known: Sequence[Split]) -> tuple[Split, ...]:
    """Common steps: first where the record names another gauge, then, date by date, where one is seen.

    The fit leaves the gauges out here: whether they differ is the question.
    """
    candidates = [j for j in range(1, len(model.tests)) if not model.whole_job_before(j)]
    named = [j for j in candidates if model.gauge_changes(j)]
    unnamed = [j for j in candidates if j not in named]
    found = list(known)
    for dates in (named, unnamed):
        per_date = 1.0 - (1.0 - model.rules.step_false_alarm) ** (1.0 / max(1, len(dates)))
        while len(found) < MOST_STEPS:
            taken = {split.test for split in found}
            asked = [Split(j) for j in dates if j not in taken]
            fits = {split: model.fit([*found, split], gauges=False, wear=1.0) for split in asked}
            # How far each step is beyond what chance lets expect.
            beyond = {
                split: abs(fit.combined({split.name: 1.0}).z) - fit.critical(per_date / 2.0)
                for split, fit in fits.items()
            }
            best = max(beyond, key=lambda split: beyond[split], default=None)
            if best is None or beyond[best] <= 0.0:
                break
            if seen_without_any_one(model, found, best):
                found.append(best)
            else:
                dates = [j for j in dates if j != best.test]
    return tuple(sorted(found, key=lambda split: split.test))


def seen_without_any_one(model: Model, found: Sequence[Split], split: Split) -> bool:
    """Whether a step stays, whichever cylinder is left out: what one alone did is that cylinder's, and no gauge's."""
    if len(model.cylinders) == 1:
        return True
    whole = model.fit([*found, split], gauges=False, wear=1.0).combined({split.name: 1.0}).value
    for left_out in model.cylinders:
        tests = [replace(t, readings=tuple(r for r in t.readings if r.cylinder != left_out)) for t in model.tests]
        rest = Model(tests, model.jobs, model.x, model.rules)
        if {j >= split.test for j, _ in rest.rows} != {False, True}:
            return False
        alone = rest.fit([*found, split], gauges=False, wear=1.0).combined({split.name: 1.0}).value
        if alone * whole <= 0.0 or abs(alone) < STAYS * abs(whole):
            return False
    return True


def _steps(model: Model, splits: Sequence[Split]) -> tuple[CommonStep, ...]:
    """The steps as they are told."""
    fit = model.fit(splits, gauges=False, wear=1.0)
    steps = []
    for split in splits:
        told = _told(split, _percent(fit.combined({split.name: 1.0})), fit.critical(0.025))
        if told is None:
            continue
        steps.append(
            CommonStep(
                after_test=model.tests[split.test].test_id,
                at=model.tests[split.test].at,
                percent=told,
                gauge_before=model.tests[split.test - 1].gauge if split.gauge is None else split.gauge_before,
                gauge_after=model.tests[split.test].gauge if split.gauge is None else split.gauge,
            )
        )
    return tuple(steps)


def _told(split: Split, own: Estimate, critical: float) -> Estimate | None:
    """The size of a step that is told, or None.

    A step that was found here is real. One that is known from elsewhere is when this machine's tests say the same as
    those of all machines, which know its size better, or show a step of their own.
    """
    if split.gauge is None:
        return own
    known = split.percent
    if known is not None and abs(own.value - known.value) <= critical * hypot(own.u, known.u):
        return known
    return own if abs(own.z) > critical else None
