"""Whether the readings can carry a judgement: flags, repeats, cranking speed, cylinders not read."""

from gaugelink.bench.repeats import none_is_below
from gaugelink.peak.events import Flag
from gaugelink.verdict.case import NO_PRESSURE_KPA, Case
from gaugelink.verdict.difference import PullValue, ReadingValue
from gaugelink.verdict.findings import COMMON_PRACTICE, FLAG_TABLE, Finding, RuleName, Severity

AGREEMENT = f"share asked for by the plan, {COMMON_PRACTICE}, or the uncertainty of the difference (JCGM 100:2008, 5.2)"


def quality_findings(case: Case) -> list[Finding]:
    """Findings about how the test was done, not about the engine."""
    return [
        *_incomplete(case),
        *_no_pressure(case),
        *_doubted(case),
        *_repeatability(case),
        *_cranking_slow(case),
        *_cranking_uneven(case),
    ]


def _incomplete(case: Case) -> list[Finding]:
    missing = tuple(name for name in case.engine.cylinder_names if name not in case.readings)
    if not missing:
        return []
    return [
        Finding(
            RuleName.INCOMPLETE,
            Severity.RETEST,
            f"No reading yet: {', '.join(missing)}. A comparison needs every cylinder.",
            numbers={"cylinders_missing": float(len(missing)), "cylinders_read": float(len(case.readings))},
            cylinders=missing,
            next_tests=(
                *(f"read {name}" for name in missing),
                "where cranking shows no pressure at all, look through the plug hole",
            ),
            source="by the plan of the test",
        )
    ]


def _no_pressure(case: Case) -> list[Finding]:
    """No cylinder of the test shows any pressure: that is hardly ever the engine."""
    if not case.no_pressure:
        return []
    return [
        Finding(
            RuleName.DOUBTED,
            Severity.RETEST,
            f"Nothing above {case.text(case.highest.peak_kpa)} was read: that is no cranking pressure.",
            numbers={"highest_kpa": case.highest.peak_kpa, "limit_kpa": NO_PRESSURE_KPA},
            cylinders=tuple(case.readings),
            causes=("gauge not tight in the plug hole, or its hose open", "gauge in another unit than is set"),
            next_tests=("check the gauge and its seal, then read again",),
            source="from memory",
        )
    ]


def _doubted(case: Case) -> list[Finding]:
    by_flag: dict[Flag, list[str]] = {}
    for name, reading in case.readings.items():
        for flag in reading.flags:
            by_flag.setdefault(flag, []).append(name)
    found = []
    for flag in Flag:
        if flag not in by_flag:
            continue
        severity, what, remedy = FLAG_TABLE[flag]
        names = tuple(by_flag[flag])
        found.append(
            Finding(
                RuleName.DOUBTED,
                severity,
                f"{', '.join(names)}: {what}.",
                numbers={"cylinders_flagged": float(len(names))},
                cylinders=names,
                next_tests=(remedy,) if remedy else (),
                source=f"flag {flag.value} of the reading",
            )
        )
    return found


def _repeatability(case: Case) -> list[Finding]:
    unagreed = [reading for reading in case.readings.values() if case.unagreed(reading)]
    repeated = {name: r for name, r in case.readings.items() if len(r.repeats) > 1 and r.peak_kpa > 0}
    apart = {name: max(r.repeats) - min(r.repeats) for name, r in repeated.items()}
    percent = {name: 100.0 * apart[name] / r.peak_kpa for name, r in repeated.items()}
    found = [_unagreed(case, reading) for reading in unagreed]
    agreeing = [name for name, reading in repeated.items() if reading not in unagreed]
    if agreeing:
        worst = max(agreeing, key=lambda name: percent[name])
        found.append(
            Finding(
                RuleName.REPEATABILITY,
                Severity.NOTE,
                f"The repeats of {', '.join(agreeing)} agree within {case.fine_text(apart[worst])}, "
                f"{percent[worst]:.1f} %.",
                {
                    "apart_kpa": apart[worst],
                    "apart_percent": percent[worst],
                    "limit_percent": case.rules.repeats_percent,
                },
                cylinders=tuple(agreeing),
                source=AGREEMENT,
            )
        )
    found += [
        _left_out(case, r) for r in case.readings.values() if r not in unagreed and not all(p.counted for p in r.pulls)
    ]
    return found


def _left_out(case: Case, reading: ReadingValue) -> Finding:
    """What to say of pulls that the reading of an agreed cylinder does not rest on."""
    left = [pull for pull in reading.pulls if not pull.counted]
    told = ", ".join(f"{case.text(pull.repeat.peak_kpa)} ({_why_left_out(case, reading, pull)})" for pull in left)
    return Finding(
        RuleName.REPEATABILITY,
        Severity.NOTE,
        f"Left out of {reading.cylinder}: {told}.",
        numbers={"pulls": float(len(reading.pulls)), "pulls_left_out": float(len(left))},
        cylinders=(reading.cylinder,),
        source=AGREEMENT,
    )


def _why_left_out(case: Case, reading: ReadingValue, pull: PullValue) -> str:
    if pull.repeat.is_poor:
        return "too uncertain to count"
    if not pull.whole:
        return "it stopped short of the top"
    away = pull.repeat.peak_kpa - reading.peak_kpa
    return f"{case.fine_text(abs(away))} {'below' if away < 0 else 'above'} the reading"


def _unagreed(case: Case, reading: ReadingValue) -> Finding:
    """What to say of a cylinder whose pulls are not one reading."""
    name = reading.cylinder
    repeats = [pull.repeat for pull in reading.pulls] or list(reading.counted)
    peaks = [repeat.peak_kpa for repeat in repeats]
    poor = sum(repeat.is_poor for repeat in repeats)
    short = sum(not pull.whole for pull in reading.pulls)
    apart = max(peaks) - min(peaks)
    listed = ", ".join(case.text(peak) for peak in peaks)
    whole = [pull.repeat for pull in reading.pulls if pull.whole] if reading.pulls else repeats
    if none_is_below(whole, repeats, case.rules.repeats_percent / 100.0):
        closing = "they are too uncertain to confirm each other" if poor else "too few of them reached the top"
    else:
        doubts = [f"{poor} of them too uncertain to count"] if poor else []
        doubts += [f"{short} of them stopped short of the top"] if short else []
        closing = ", and ".join(["they are not one reading", *doubts])
    return Finding(
        RuleName.REPEATABILITY,
        Severity.RETEST,
        f"{name} is not agreed. Its pulls read {listed}: {closing}.",
        {
            "apart_kpa": apart,
            "apart_percent": 100.0 * apart / max(peaks) if max(peaks) > 0 else 0.0,
            "limit_percent": case.rules.repeats_percent,
            "pulls": float(len(peaks)),
            "pulls_too_uncertain": float(poor),
        },
        cylinders=(name,),
        causes=(("cranking stopped too early",) if short else ())
        + ("gauge not tight in the plug hole", "throttle not fully open", "battery running down")
        + (("cranking too short or uneven for this gauge",) if poor else ()),
        next_tests=(
            f"read {name} again with the throttle wide open and the gauge tight{', and crank longer' if short else ''}",
        ),
        source=AGREEMENT,
    )


def _cranking_slow(case: Case) -> list[Finding]:
    slow = {
        name: reading.cranking_rpm
        for name, reading in case.readings.items()
        if case.is_slow(reading) and reading.cranking_rpm is not None
    }
    if not slow:
        return []
    healthy, limit = case.engine.cranking_rpm, case.slow_below_rpm
    slowest = min(slow.values())
    return [
        Finding(
            RuleName.CRANKING_SLOW,
            Severity.RETEST,
            f"{', '.join(slow)} cranked slowly, {slowest:.0f} rpm where at least {limit:.0f} rpm is wanted: "
            "slow cranking reads low.",
            numbers={"slowest_rpm": slowest, "limit_rpm": limit},
            cylinders=tuple(slow),
            causes=("battery low or cold", "starter tired", "engine stiff with cold oil or fuel", "short pull"),
            next_tests=("charge the battery or warm the engine, then read again",),
            source=COMMON_PRACTICE
            if healthy is None
            else f"the engine's record: {healthy:g} rpm; share of it by {COMMON_PRACTICE}",
        )
    ]


def _cranking_uneven(case: Case) -> list[Finding]:
    speeds = {name: r.cranking_rpm for name, r in case.readings.items() if r.cranking_rpm is not None}
    if len(speeds) < 2:
        return []
    fastest, slowest = max(speeds, key=lambda n: speeds[n]), min(speeds, key=lambda n: speeds[n])
    percent = 100.0 * (speeds[fastest] - speeds[slowest]) / speeds[fastest]
    if percent <= case.rules.uneven_cranking_percent:
        return []
    # Where the lowest cylinder is low for no more than its cranking, there is nothing to judge yet.
    excused = case.is_below_limit(case.highest, case.lowest) and case.excused_by_cranking(case.highest, case.lowest)
    if excused:
        slowest, fastest = case.lowest.cylinder, case.highest.cylinder
        percent = 100.0 * (speeds[fastest] - speeds[slowest]) / speeds[fastest]
    return [
        Finding(
            RuleName.CRANKING_UNEVEN,
            Severity.RETEST if excused else Severity.WATCH,
            f"{slowest} was cranked at {speeds[slowest]:.0f} rpm and {fastest} at {speeds[fastest]:.0f} rpm: "
            f"{'all' if excused else 'some'} of the difference between them may be the cranking.",
            numbers={"fastest_rpm": speeds[fastest], "slowest_rpm": speeds[slowest], "apart_percent": percent},
            cylinders=(slowest, fastest),
            causes=("battery running down during the test", "uneven pulls"),
            next_tests=(f"read {slowest} again with fresh cranking",),
        )
    ]
