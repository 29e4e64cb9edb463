"""Differential leak-down beside cranking pressures: how much is lost, and where it was heard."""

from collections.abc import Sequence
from dataclasses import dataclass

from gaugelink.leak.decay import DecayVerdict
from gaugelink.leak.heard import Heard, places_text
from gaugelink.verdict.case import Case
from gaugelink.verdict.findings import COMMON_PRACTICE, Finding, RuleName, Rules, Severity, gathered

# Common practice, no source. At top dead centre the ports of a two-stroke are covered, so air in its exhaust or
# intake has gone past the rings.
_CAUSES: dict[tuple[int, Heard], tuple[str, ...]] = {
    (4, Heard.EXHAUST): ("exhaust valve leaking",),
    (4, Heard.INTAKE): ("intake valve leaking",),
    (4, Heard.CRANKCASE): ("worn or stuck rings", "scored piston or cylinder", "hole in the piston crown"),
    (2, Heard.EXHAUST): ("worn or stuck rings", "scored piston or cylinder"),
    (2, Heard.INTAKE): ("worn or stuck rings", "scored piston or cylinder", "hole in the piston crown"),
    (2, Heard.CRANKCASE): ("worn or stuck rings", "hole in the piston crown", "scored piston or cylinder"),
}
_AT_THE_HEAD = ("head gasket or O-ring leaking", "cracked head or cylinder")
"""Of air in the coolant or at the next plug hole."""
# Common practice, no source: what may undo a leak, or shows it, before anything comes apart.
_NEXT: dict[tuple[int, Heard], str] = {
    (4, Heard.EXHAUST): "check that valve's clearance, run it warm if it may be run, then test again",
    (4, Heard.INTAKE): "check that valve's clearance, run it warm if it may be run, then test again",
    (4, Heard.CRANKCASE): "look at crown and wall through the plug hole",
    (2, Heard.EXHAUST): "look at rings and piston through the exhaust port",
    (2, Heard.INTAKE): "look at rings and piston through the exhaust port",
    (2, Heard.CRANKCASE): "look at rings and piston through the exhaust port",
}
_NEXT_AT_THE_HEAD = "check the head's bolts against the maker's torque, then test again"


_BY_ITS_LIMIT = {
    DecayVerdict.PASS: (Severity.NOTE, "within its own limit"),
    DecayVerdict.OPEN: (Severity.WATCH, "too near its own limit to tell"),
    DecayVerdict.FAIL: (Severity.INVESTIGATE, "over its own limit"),
}


@dataclass(frozen=True, slots=True)
class LeakDownValue:
    """Result of a differential leak-down test of one cylinder."""

    cylinder: str
    loss_percent: float
    u_percent: float
    """Expanded uncertainty of the loss, coverage about 95 %."""
    heard: tuple[Heard, ...] = ()
    """Where its air was heard to go; empty where nobody said."""
    verdict: DecayVerdict | None = None
    """By the leak-down's own limit, which goes by its orifice; None where the rules' limits hold."""


def leak_findings(case: Case, values: Sequence[LeakDownValue]) -> list[Finding]:
    """One finding for each cylinder that was tested. Raises SettingsError for a cylinder that is not there."""
    return [_finding(case, value) for value in values]


def _by_the_rules(value: LeakDownValue, rules: Rules) -> tuple[Severity, str]:
    if value.loss_percent - value.u_percent > rules.leak_limit_percent:
        return Severity.INVESTIGATE, f"more than the limit of {rules.leak_limit_percent:g} %"
    if value.loss_percent > rules.leak_watch_percent:
        return Severity.WATCH, f"more than the {rules.leak_watch_percent:g} % of a sound cylinder"
    return Severity.NOTE, f"within the {rules.leak_watch_percent:g} % of a sound cylinder"


def _finding(case: Case, value: LeakDownValue) -> Finding:
    name = case.engine.cylinder(value.cylinder).name
    rules = case.rules
    severity, closing = _BY_ITS_LIMIT[value.verdict] if value.verdict is not None else _by_the_rules(value, rules)
    causes: tuple[str, ...] = ()
    next_tests: tuple[str, ...] = () if severity is Severity.NOTE else ("listen where the air goes",)
    where = ""
    if severity is not Severity.NOTE and value.heard:
        where = f", heard {places_text(value.heard)}"
        heard = [(case.engine.cycle, place) for place in value.heard]
        causes = gathered(_CAUSES.get(one, _AT_THE_HEAD) for one in heard)
        next_tests = gathered((_NEXT.get(one, _NEXT_AT_THE_HEAD),) for one in heard)
    return Finding(
        RuleName.LEAK_DOWN,
        severity,
        f"Leak-down of {name} {value.loss_percent:.0f} %, give or take {value.u_percent:.0f}: {closing}{where}.",
        numbers={
            "loss_percent": value.loss_percent,
            "u_percent": value.u_percent,
            "watch_percent": rules.leak_watch_percent,
            "limit_percent": rules.leak_limit_percent,
        },
        cylinders=(name,),
        causes=causes,
        next_tests=next_tests,
        source=f"limit: FAA AC 43.13-1B, 60 of 80 psi, from memory; the rest {COMMON_PRACTICE}",
    )
