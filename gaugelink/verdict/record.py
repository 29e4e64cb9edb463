"""What a verdict hands over to the machine's history, and how it is laid beside what another version says."""

from dataclasses import dataclass
from datetime import datetime

from gaugelink.bench.repeats import grown_scatter, u_of_mean_kpa
from gaugelink.engine.air import AmbientSource
from gaugelink.verdict.difference import telling_pulls
from gaugelink.verdict.findings import RuleName, Severity, TestVerdict
from gaugelink.verdict.past import PastReading, PastTest

_OF_A_READING = frozenset((RuleName.DOUBTED, RuleName.REPEATABILITY, RuleName.HIGH_READING, RuleName.CRANKING_UNEVEN))
"""Rules that speak of single readings, where they ask for them again."""


def past_test(
    verdict: TestVerdict, test_id: str, at: datetime, gauge: str = "", counter: float | None = None
) -> PastTest:
    """What a dry test's verdict hands over to the machine's history.

    A reading that the verdict asks to be taken again is off the cylinder's by an unknown amount and no sign of wear.
    Slow cranking of all cylinders alike is shared by them, as the weather is, and cancels between them.
    """
    doubted = {
        name
        for f in verdict.findings
        if f.severity is Severity.RETEST
        and (f.rule in _OF_A_READING or (f.rule is RuleName.CRANKING_SLOW and len(f.against) < len(verdict.readings)))
        for name in f.against
    }
    scatter = grown_scatter(
        lambda share: [telling_pulls(one.peak_kpa, one.pulls, (), share) for one in verdict.readings]
    )
    readings = []
    for reading in verdict.readings:
        to_sea_level = reading.sea_level_kpa / reading.peak_kpa if reading.peak_kpa > 0 else 1.0
        told = telling_pulls(reading.peak_kpa, reading.pulls, (), scatter.share)
        counted = [pull.repeat for pull in reading.pulls if pull.counted]
        readings.append(
            PastReading(
                reading.cylinder,
                reading.sea_level_kpa,
                reading.u_random_kpa * to_sea_level,
                reading.gauge,
                doubted=reading.cylinder in doubted,
                pulls=tuple(to_sea_level * peak for peak in told),
                behind=max(1, len(counted)),
                u_own_kpa=to_sea_level * u_of_mean_kpa(counted) if counted else 0.0,
            )
        )
    under = verdict.conditions
    ambient_abs_kpa = None if under.ambient_source is AmbientSource.ASSUMED else under.ambient_abs_kpa
    return PastTest(test_id, at, tuple(readings), gauge, counter, ambient_abs_kpa=ambient_abs_kpa, warm=under.warm)


@dataclass(frozen=True, slots=True)
class SideBySide:
    """One cylinder as it was judged then and as it is judged now. None where it has no reading."""

    cylinder: str
    then_kpa: float | None
    then_u_kpa: float | None
    now_kpa: float | None
    now_u_kpa: float | None

    @property
    def moved(self) -> bool:
        """Whether the two differ by more than the larger of the two uncertainties, or one of them is missing."""
        if self.then_kpa is None or self.now_kpa is None:
            return self.then_kpa is not self.now_kpa
        return abs(self.now_kpa - self.then_kpa) > max(self.then_u_kpa or 0.0, self.now_u_kpa or 0.0)


def side_by_side(then: TestVerdict, now: TestVerdict) -> tuple[SideBySide, ...]:
    """Readings of one test by two versions of the code, in the order of the newer one, what it has not at the end."""
    before = {reading.cylinder: reading for reading in then.readings}
    after = {reading.cylinder: reading for reading in now.readings}
    rows = []
    for name in dict.fromkeys((*after, *before)):
        a, b = before.get(name), after.get(name)
        rows.append(
            SideBySide(
                name,
                None if a is None else a.peak_kpa,
                None if a is None else a.peak_u_kpa,
                None if b is None else b.peak_kpa,
                None if b is None else b.peak_u_kpa,
            )
        )
    return tuple(rows)
