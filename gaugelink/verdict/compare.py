"""Cylinders against each other: spread, lowest against highest, the odd one, neighbours, and how the low one climbs."""

from dataclasses import replace

import numpy as np

from gaugelink.counting import counted
from gaugelink.verdict.case import Case, low_causes, telling_tests
from gaugelink.verdict.difference import ReadingValue
from gaugelink.verdict.findings import COMMON_PRACTICE, Finding, RuleName, Severity, gap_bound

COMMON_CANCELS = "difference of two readings by one gauge: its common error cancels (JCGM 100:2008, 5.2.2 and F.1.2.3)"

PICKED_OUT = "highest less lowest of several: Tukey's studentized range (NIST/SEMATECH e-Handbook, 7.4.7.1)"

NOTHING_CANCELS = "difference of two readings by two gauges: nothing cancels (JCGM 100:2008, 5.1.2)"


def comparison_findings(case: Case) -> list[Finding]:
    """Findings that need at least two readings of the same test."""
    if len(case.readings) < 2 or case.highest.peak_kpa <= 0.0:
        return []
    return [
        *_spread(case),
        *_lowest_of_highest(case),
        *_odd_cylinder(case),
        *_neighbours_low(case),
        *_first_stroke(case),
    ]


def _spread(case: Case) -> list[Finding]:
    high, low = case.highest, case.lowest
    gap = case.apart(high, low)
    percent = 100.0 * gap.kpa / high.peak_kpa
    independent = float(np.hypot(case.expanded_u_kpa(high), case.expanded_u_kpa(low)))
    apart, alike = case.unit.difference_texts(gap.kpa, gap.u_kpa)
    could = f"than the {alike} that {counted(len(case.readings), 'alike cylinder')} could show"
    if case.at_least(low):
        cut = " and ".join(one.cylinder for one in (high, low) if case.at_least(one))
        meaning = f"the top of {cut} was not seen, so no difference is shown"
    elif gap.is_real:
        meaning = f"more {could}, so it is real"
        if low.cylinder not in case.low_cylinders():
            meaning += f", and within the {100.0 - case.watch_percent:g} % that needs no watching"
    else:
        meaning = f"no more {could}, as far as {high.cylinder} was seen" if case.at_least(high) else f"no more {could}"
    return [
        Finding(
            RuleName.SPREAD,
            Severity.NOTE,
            f"Spread {gap_bound(high.flags, low.flags)}{apart}, {percent:.1f} % of the highest: {meaning}.",
            numbers={
                "spread_kpa": gap.kpa,
                "spread_percent": percent,
                "difference_u_kpa": gap.u_kpa,
                "difference_u_if_independent_kpa": independent,
            },
            u_kpa=gap.u_kpa,
            cylinders=(high.cylinder, low.cylinder),
            source=f"{_what_cancels(high, low)}; {PICKED_OUT}",
            firm=case.firm(high.cylinder, low.cylinder),
        )
    ]


def _what_cancels(a: ReadingValue, b: ReadingValue) -> str:
    return COMMON_CANCELS if a.same_gauge(b) else NOTHING_CANCELS


def _lowest_of_highest(case: Case) -> list[Finding]:
    """The lowest against the highest; where one of the two is doubtful, also the lowest that is not."""
    found = [_against_highest(case, case.highest, case.lowest)]
    sound = [reading for reading in case.readings.values() if reading.cylinder not in case.too_high]
    if found[0].firm or len(sound) < 2:
        return found
    high = max(sound, key=lambda reading: reading.peak_kpa)
    # One that is lower yet, and of which nobody can tell, does not hide one that is surely low.
    lower = [reading for reading in sound if case.firm_gap(high, reading) and case.is_below_limit(high, reading)]
    if lower:
        found.append(_against_highest(case, high, min(lower, key=lambda reading: reading.peak_kpa)))
    return found


def _against_highest(case: Case, high: ReadingValue, low: ReadingValue) -> Finding:
    percent = 100.0 * low.peak_kpa / high.peak_kpa
    limit = case.lowest_percent
    floor, u_floor = case.floor_kpa(high, low)
    severity, side, closing = Severity.NOTE, "below" if low.peak_kpa < floor else "above", ""
    causes, next_tests = low_causes(case.engine.cycle), telling_tests(case.engine.cycle)
    if case.is_below_limit(high, low):
        severity = Severity.INVESTIGATE
    elif case.cannot_tell(high, low):
        severity = Severity.RETEST
        causes, next_tests = (), (f"more pulls on {low.cylinder} and {high.cylinder}, all cranked alike",)
        closing = ", but alike cylinders could read as far apart: read both again"
    elif low.peak_kpa < floor:
        severity, closing = Severity.WATCH, ", but by less than the readings can tell"
    elif low.cylinder in case.low_cylinders():
        severity, closing = Severity.WATCH, ", but the difference is real"
    else:
        causes, next_tests = (), ()
    closing = _unseen_top(case, high, low, severity) or closing
    lowest, at_limit = case.texts_apart(low.peak_kpa, floor)
    share = f"{percent:.0f}" if f"{percent:.0f}" != f"{limit:.0f}" else f"{percent:.1f}"
    maker = case.engine.lowest_percent is not None
    practice = "two-stroke practice, 10 %" if case.engine.cycle == 2 else "four-stroke service manuals, 70 to 75 %"
    above = "the highest" if high is case.highest else "the highest that is not in doubt"
    return Finding(
        RuleName.LOWEST_OF_HIGHEST,
        severity,
        f"{low.cylinder} at {lowest} is {share} % of {above}, {high.cylinder} at "
        f"{case.text(high.peak_kpa)}: {side} the limit of {limit:g} %, {at_limit}{closing}.",
        numbers={
            "lowest_kpa": low.peak_kpa,
            "highest_kpa": high.peak_kpa,
            "lowest_percent": percent,
            "limit_percent": limit,
            "limit_kpa": floor,
        },
        u_kpa=u_floor,
        cylinders=(low.cylinder, high.cylinder),
        causes=causes,
        next_tests=next_tests,
        source="the engine's record" if maker else f"{practice}: {COMMON_PRACTICE}",
        firm=severity is not Severity.RETEST and case.firm_gap(high, low),
    )


def _unseen_top(case: Case, high: ReadingValue, low: ReadingValue, severity: Severity) -> str:
    """What takes back that the lowest is low, or that it is not, where the top of the one or the other was not seen."""
    if severity is Severity.NOTE:
        return f", but {high.cylinder} may have more than it shows" if case.at_least(high) else ""
    if severity is Severity.RETEST or not case.at_least(low):
        return ""
    return f", but {low.cylinder} may have more than it shows: its top was not seen"


def _odd_cylinder(case: Case) -> list[Finding]:
    if len(case.readings) < 3:
        return []
    best: tuple[float, str, float, float, float, str] | None = None
    for name, reading in case.readings.items():
        others = [other for key, other in case.readings.items() if key != name]
        peaks = np.array([other.peak_kpa for other in others])
        gap = reading.peak_kpa - float(np.median(peaks))
        nearest = min(others, key=lambda other: abs(reading.peak_kpa - other.peak_kpa))
        apart = case.apart(reading, nearest)
        lower = [reading] if gap < 0 else others
        if any(case.at_least(one) for one in lower):
            continue  # As high as the rest, perhaps: nobody saw how high.
        if apart.is_real and abs(gap) > case.rules.odd_times * float(np.ptp(peaks)):
            candidate = (abs(gap), name, gap, float(np.ptp(peaks)), apart.u_kpa, _what_cancels(reading, nearest))
            best = candidate if best is None or candidate > best else best
    if best is None:
        return []
    _, name, gap, others_kpa, u_kpa, cancels = best
    side = "below" if gap < 0 else "above"
    off, within = case.texts_apart(abs(gap), others_kpa, fine=True)
    return [
        Finding(
            RuleName.ODD_CYLINDER,
            Severity.NOTE,
            f"{name} is the odd one: {off} {side} the others, which lie within {within} of each other.",
            numbers={"gap_kpa": gap, "others_spread_kpa": others_kpa},
            u_kpa=u_kpa,
            cylinders=(name,),
            source=f"one against the rest, {COMMON_PRACTICE}; {cancels}",
            firm=case.firm(name),
        )
    ]


def _neighbours_low(case: Case) -> list[Finding]:
    low = case.low_cylinders()
    if len(low) != 2 or len(case.readings) < 3:
        return []
    pair = next((p for p in case.engine.neighbours() if set(p) == set(low)), None)
    if pair is None:
        return []
    a, b = (case.readings[name] for name in pair)
    if case.at_least(a) or case.at_least(b):
        return []
    rest = [reading for name, reading in case.readings.items() if name not in pair]
    between = case.between(a, b)
    gap = float(np.median([reading.peak_kpa for reading in rest])) - (a.peak_kpa + b.peak_kpa) / 2.0
    if gap <= 2.0 * abs(between.kpa):
        return []
    beyond = any(
        case.is_below_limit(case.highest, one) and not case.excused_by_cranking(case.highest, one) for one in (a, b)
    )
    return [
        Finding(
            RuleName.NEIGHBOURS_LOW,
            Severity.INVESTIGATE if beyond else Severity.WATCH,
            f"{pair[0]} and {pair[1]} lie side by side and are low together, by {case.fine_text(gap)}: "
            "a head gasket leaking between them looks like this.",
            numbers={"gap_kpa": gap, "pair_apart_kpa": abs(between.kpa)},
            u_kpa=between.u_kpa,
            cylinders=pair,
            causes=("head gasket leaking between the two", "both cylinders worn alike", "the rest reading high"),
            next_tests=(f"leak-down test on {pair[0]} and listen at the plug hole of {pair[1]}",),
            firm=any(_is_measure_of(case, high, (a, b), beyond=beyond) for high in rest),
        )
    ]


def _is_measure_of(case: Case, high: ReadingValue, pair: tuple[ReadingValue, ReadingValue], *, beyond: bool) -> bool:
    """Whether `high` by itself shows that both are low, and where one is `beyond` the limit, that it is.

    Of pulls that disagree the lowest shows it or none does.
    """
    if case.unagreed(high):
        peaks = [pull.repeat.peak_kpa for pull in high.pulls] or high.repeats
        if not peaks:
            return False
        high = replace(high, peak_kpa=min(peaks), agreed=True)
    shown = all(case.firm_gap(high, one) for one in pair)
    return shown and (not beyond or any(case.is_below_limit(high, one) for one in pair))


def _first_stroke(case: Case) -> list[Finding]:
    """How a low cylinder climbs beside the others: a hint, and no more.

    A pull that begins with the piston on its way up has a short first stroke, whatever the cylinder. So nothing is said
    where the others do not begin alike, nor of a wet test, in which oil has sealed the rings.
    """
    low = case.low_cylinders()
    shares = {
        name: reading.first_stroke_kpa / reading.peak_kpa
        for name, reading in case.readings.items()
        if reading.first_stroke_kpa is not None and reading.peak_kpa > 0
    }
    good = [share for name, share in shares.items() if name not in low]
    if case.conditions.wet or not good:
        return []
    usual, apart = float(np.median(good)), max(good) - min(good)
    if apart > (1.0 - case.rules.first_stroke_share) * usual:
        return []
    found = []
    for name in low:
        if name not in shares or not case.firm(name):
            continue
        climbing = shares[name] < case.rules.first_stroke_share * usual
        rest = "valves" if case.engine.cycle == 4 else "head gasket or O-ring"
        if climbing:
            text = (
                f"{name} starts low, {100 * shares[name]:.0f} % of its end on the first stroke where the others "
                f"reach {100 * usual:.0f} %, and climbs: rings or bore do so rather than {rest}, and so does any "
                "cylinder whose pull begins in the middle of a stroke."
            )
            causes: tuple[str, ...] = ("worn or stuck rings", "scored piston or cylinder")
        else:
            text = (
                f"{name} is low from the first stroke and does not climb more than the others: {rest} or piston do so, "
                "and so do rings that leak alike on every stroke."
            )
            causes = (
                ("valve leaking", "head gasket leaking", "hole in the piston crown", "worn or stuck rings")
                if case.engine.cycle == 4
                else (
                    "head gasket or O-ring leaking",
                    "hole in the piston crown",
                    "decompression valve leaking",
                    "worn or stuck rings",
                )
            )
        found.append(
            Finding(
                RuleName.FIRST_STROKE,
                Severity.NOTE,
                text,
                numbers={
                    "first_percent": 100 * shares[name],
                    "others_percent": 100 * usual,
                    "climbing": float(climbing),
                },
                cylinders=(name,),
                causes=causes,
                next_tests=("wet test with the same amount of oil in each cylinder", "leak-down test"),
                source="service-manual practice: ring wear builds up over strokes, valve leak does not",
            )
        )
    return found
