"""The words of the contract's enumerations with what each of them means, read from the docstrings under the members."""

import ast
import inspect
import textwrap
from enum import StrEnum
from itertools import pairwise

from gaugelink.broker.commands import CommandAction
from gaugelink.broker.leak_messages import DecayKind
from gaugelink.broker.messages import Availability, CylinderStatus, Urgency
from gaugelink.gauge.samples import LinkPhase
from gaugelink.journal.entries import Action
from gaugelink.leak.heard import Heard
from gaugelink.leak.limits import Practice
from gaugelink.peak.events import Flag, GaugeKind, Method
from gaugelink.verdict.findings import Severity, VerdictWord

ENUMERATIONS: tuple[type[StrEnum], ...] = (
    Action,
    Availability,
    CommandAction,
    CylinderStatus,
    DecayKind,
    Flag,
    GaugeKind,
    Heard,
    LinkPhase,
    Method,
    Practice,
    Severity,
    Urgency,
    VerdictWord,
)
"""Every fixed set of words that a message may use."""


def meanings(words: type[StrEnum]) -> dict[str, str]:
    """Map each word that has a docstring of its own to that docstring, in one line."""
    tree = ast.parse(textwrap.dedent(inspect.getsource(words)))
    (body,) = (node.body for node in tree.body if isinstance(node, ast.ClassDef))
    found: dict[str, str] = {}
    for statement, following in pairwise(body):
        match statement, following:
            case (
                ast.Assign(targets=[ast.Name(id=member)]),
                ast.Expr(value=ast.Constant(value=str(text))),
            ):
                found[words[member].value] = " ".join(text.split())
            case _:
                continue
    return found


def described(words: type[StrEnum]) -> str:
    """What the set is for, and a line for each word that needs one (CommonMark)."""
    purpose = (words.__doc__ or "").split("\n\n")[0]
    lines = [f"- `{word}`: {meaning}" for word, meaning in meanings(words).items()]
    return "\n".join([purpose, "", *lines]) if lines else purpose
