"""Wet against dry: what a little oil in the cylinder tells of rings and of everything else."""

from math import hypot

import numpy as np

from gaugelink.engine.geometry import oil_factor
from gaugelink.verdict.case import Case
from gaugelink.verdict.findings import COMMON_PRACTICE, Finding, RuleName, Severity

# How much of the oil stays on the crown while cranking is not known: anything from none to all of it, so half with a
# rectangular distribution (JCGM 100:2008, clause 4.3.7).
STAYING_SHARE = 0.5
STAYING_U = 0.5 / 3.0**0.5

SOURCE = (
    "common practice, no source: oil seals rings and bore for a moment and seals nothing else; its volume is taken "
    "out where the amount and the dimensions are known"
)


def wet_findings(wet: Case, dry: Case) -> list[Finding]:
    """Findings of a wet test held against the dry test of the same engine, one for each cylinder in both."""
    rises = {name: _rise_kpa(wet, dry, name) for name in wet.readings if name in dry.readings}
    rises = {name: rise for name, rise in rises.items() if dry.readings[name].peak_kpa > 0}
    low = dry.low_cylinders()
    return [_finding(wet, dry, name, rise, u, name in low, rises) for name, (rise, u) in rises.items()]


def _rise_kpa(wet: Case, dry: Case, name: str) -> tuple[float, float]:
    """Rise without what the oil's volume does, and its expanded uncertainty."""
    before, after = dry.readings[name], wet.readings[name]
    rise = wet.between(after, before)
    geometry, oil = wet.engine.geometry(name), wet.conditions.oil_ml
    if geometry is None or not oil:
        return rise.kpa, rise.u_kpa
    whole = oil_factor(geometry, wet.cranking_rpm, oil, wet.conditions.adapter_cm3) - 1.0
    by_volume = before.peak_kpa * whole * STAYING_SHARE
    return rise.kpa - by_volume, hypot(rise.u_kpa, 2.0 * before.peak_kpa * whole * STAYING_U)


def _finding(
    wet: Case,
    dry: Case,
    name: str,
    rise_kpa: float,
    u_kpa: float,
    is_low: bool,
    rises: dict[str, tuple[float, float]],
) -> Finding:
    before = dry.readings[name].peak_kpa
    percent = 100.0 * rise_kpa / before
    others = [100.0 * rise / dry.readings[key].peak_kpa for key, (rise, _) in rises.items() if key != name]
    usual = float(np.median(others)) if others else 0.0
    clear = percent > wet.rules.wet_rise_percent and rise_kpa > u_kpa and percent > usual + 100.0 * u_kpa / before / 2.0
    shown = f"{name} rose by {wet.text(rise_kpa)} with oil, {percent:.0f} %"
    oil_known = wet.engine.geometry(name) is not None and bool(wet.conditions.oil_ml)
    shown += ", the oil's own volume taken out" if oil_known else ""
    four = wet.engine.cycle == 4
    causes: tuple[str, ...] = ()
    next_tests: tuple[str, ...] = ()
    severity = Severity.NOTE
    if clear:
        severity = Severity.INVESTIGATE if is_low else Severity.WATCH
        text = f"{shown}: that points to rings, piston or bore."
        causes = ("worn or stuck rings", "scored piston or cylinder")
        next_tests = ("leak-down test, listening at the crankcase", "look at the bore through the exhaust port")
        if four:
            next_tests = ("leak-down test, listening at the breather",)
    elif is_low:
        severity = Severity.INVESTIGATE
        elsewhere = "valves, head gasket or piston crown" if four else "head gasket, O-ring or piston crown"
        text = f"{shown}: too little for rings, so the leak is more likely at {elsewhere}."
        causes = (
            ("valve leaking or its clearance too tight", "head gasket leaking", "hole in the piston crown")
            if four
            else ("head gasket or head O-ring leaking", "hole in the piston crown", "decompression valve leaking")
        )
        next_tests = ("leak-down test, listening where the air goes",)
    else:
        text = f"{shown}: no more than a sound cylinder does."
    return Finding(
        RuleName.WET_DRY,
        severity,
        text,
        numbers={
            "dry_kpa": before,
            "wet_kpa": wet.readings[name].peak_kpa,
            "rise_kpa": rise_kpa,
            "rise_percent": percent,
            "others_rise_percent": usual,
            "limit_percent": wet.rules.wet_rise_percent,
            "rings_likely": float(clear),
        },
        u_kpa=u_kpa,
        cylinders=(name,),
        causes=causes,
        next_tests=next_tests,
        source=SOURCE if COMMON_PRACTICE in SOURCE else f"{SOURCE}; {COMMON_PRACTICE}",
        firm=wet.firm(name) and dry.firm(name),
    )
