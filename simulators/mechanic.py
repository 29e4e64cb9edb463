"""A mechanic who follows prompts, moves the gauge, pulls the cord, and makes mistakes.

Knows where each gauge really is. Time is simulated: ask when the next thing is due, let it happen, and tell
what was said meanwhile. Chances and times are common practice, no source.
"""

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from random import Random

from gaugelink.bench.prompt_keys import ENDINGS, QUESTIONS, PromptKey


class Mistake(StrEnum):
    """What can go wrong at an engine."""

    EXTRA_PULL = "extra pull"
    PULL_WHILE_SCREWING = "pull while screwing in"
    SWAPPED = "two cylinders swapped"
    SKIPPED = "cylinder skipped"
    BLED_HALF_WAY = "bled half way"
    BEGUN_AGAIN = "abandoned, begun again"
    LONG_PAUSE = "20 minutes' pause"
    RADIO_LOST = "radio lost for 30 s"


@dataclass(frozen=True, slots=True)
class Manner:
    """What sort of mechanic this is."""

    repeat_s: float = 6.0
    """Median time from a prompt to the next pull on the same cylinder."""
    move_s: float = 28.0
    """Median time from a prompt to the first pull on another cylinder."""
    time_log_sd: float = 0.35
    held: bool = False
    """The gauge has a check valve and is bled after each pull."""
    notice: float = 0.9
    """Chance to notice when the voice names another cylinder than the one under the gauge."""
    chat: float = 0.02
    """Chance of a word with someone, half a minute or more, before any pull."""


@dataclass(frozen=True, slots=True)
class Bleed:
    """The held gauge's valve is pressed."""

    at_s: float
    gauge: str


@dataclass(frozen=True, slots=True)
class ScrewIn:
    """The gauge is tight in a plug hole."""

    at_s: float
    gauge: str
    hole: str


@dataclass(frozen=True, slots=True)
class Pull:
    """The cord is pulled; every gauge in a hole sees it."""

    at_s: float
    strength: float = 1.0
    """Share of the cylinder's pressure that is reached."""
    cut_short: bool = False
    """It ended while the pressure was still climbing."""
    loose: Mapping[str, float] = field(default_factory=dict)
    """Share that gets past the thread of a gauge that is not tight."""


@dataclass(frozen=True, slots=True)
class Radio:
    """The gauges' radio is lost or back."""

    at_s: float
    up: bool


@dataclass(frozen=True, slots=True)
class Say:
    """A command, by foot switch or key."""

    at_s: float
    kind: str
    """``acknowledge``, ``answer``, ``assign``, ``exchange``, ``abandon`` or ``begin``."""
    cylinder: str | None = None
    other: str | None = None


Action = Bleed | ScrewIn | Pull | Radio | Say

_NOTHING_TO_DO = frozenset(
    {
        PromptKey.KEEP_CRANKING,
        PromptKey.ENOUGH,
        PromptKey.NO_GAUGE,
        PromptKey.LINK_LOST,
        PromptKey.BATTERY_LOW,
        PromptKey.DISK_TROUBLE,
    }
    | {PromptKey.ABANDONED}
    | {key for key in PromptKey if key.value.startswith("caution")}
)
_OVER = ENDINGS | {PromptKey.DONE_NOTHING}
_READY = frozenset({PromptKey.READY, PromptKey.READY_ALL})


class Mechanic:
    """Hears prompts, does things. Use `due_s` and `act`, and `hear` for everything that is said meanwhile."""

    def __init__(
        self,
        gauges: Mapping[str, str],
        manner: Manner,
        rng: Random,
        mistake: Mistake | None = None,
        mistake_at: int = 0,
    ) -> None:
        """`gauges` names the gauge of each cylinder in the plan's order; the mistake comes at that move or pull."""
        self.gauges = dict(gauges)
        self.cylinders = tuple(gauges)
        self.manner = manner
        self.mistake = mistake
        self.mistake_at = mistake_at
        self.made = False
        """Whether the mistake has been made."""
        self.hole: dict[str, str | None] = dict.fromkeys(gauges.values())
        """Where each gauge really is."""
        self._rng = rng
        self._do: deque[Action] = deque()
        self._moves = 0
        self._pulls = 0
        self._astray: dict[str, str] = {}
        """Cylinder that was asked for, and the hole that is taken for it."""
        self._questions = 0
        self._cranked: set[tuple[str, str]] = set()
        """Gauges and the holes they were in when the cord was pulled."""
        self._mixed_up: set[str] = set()
        """Cylinders that were taken for each other."""

    @property
    def due_s(self) -> float | None:
        """When the next thing happens, or None while waiting for a prompt."""
        return self._do[0].at_s if self._do else None

    def act(self) -> Action:
        """Do the next thing."""
        action = self._do.popleft()
        if isinstance(action, ScrewIn):
            self.hole[action.gauge] = action.hole
        elif isinstance(action, Pull):
            self._pulls += 1
            self._cranked |= {(gauge, hole) for gauge, hole in self.hole.items() if hole is not None}
        return action

    def hear(self, key: PromptKey, cylinders: Sequence[str], args: Mapping[str, object], now_s: float) -> None:
        """Take in a prompt and decide what to do."""
        if key in _NOTHING_TO_DO:
            return
        if key is PromptKey.ACKNOWLEDGE:
            self._do.append(Say(now_s + self._rng.uniform(3, 8), "acknowledge"))
            return
        self._questions = self._questions + 1 if key in QUESTIONS else 0 if key not in _READY else self._questions
        here = self.hole[next(iter(self.hole))]
        if self._questions > 1 and len(self.hole) == 1 and here is not None and key is not PromptKey.ASK_EXCHANGED:
            # Asked twice in a row: look where the gauge is, and say so.
            self._do.clear()
            self._astray.clear()
            self._do.append(Say(now_s + self._rng.uniform(3, 8), "answer", here))
            return
        if key is PromptKey.ASK_EXCHANGED:
            self._looks_again(str(args["first"]), str(args["second"]), now_s=now_s)
            return
        if key in _OVER:
            self._do.clear()
            if self._errs(Mistake.EXTRA_PULL, self.mistake_at):
                self._again(now_s)
                return
            if not self._notices_wrong_name(args, now_s) and self._rng.random() < self.manner.notice:
                self._looks_again(*sorted(self._mixed_up), now_s=now_s)
            return
        if key in _READY:
            if self._astray and self._rng.random() < self.manner.notice and self._knows_better(cylinders):
                self._astray.clear()
                self._mixed_up.clear()
                self._go(tuple(cylinders), now_s)
            return
        if key in (PromptKey.WAITING, PromptKey.WAITING_ALL) and self._do:
            return
        if self._notices_wrong_name(args, now_s):
            return
        self._go(tuple(cylinders), now_s)

    def _knows_better(self, cylinders: Sequence[str]) -> bool:
        return any(self.hole[self.gauges[name]] != name or self._going_astray(name) for name in cylinders)

    def _going_astray(self, name: str) -> bool:
        return name in self._astray

    def _notices_wrong_name(self, args: Mapping[str, object], now_s: float) -> bool:
        """The voice gave the last pull to a cylinder where the gauge is not: say so, when it is noticed."""
        gauges = args.get("named")
        if isinstance(gauges, tuple):
            wrong = [name for name, gauge, _ in gauges if (gauge, name) not in self._cranked]
            if len(wrong) != 2 or self._rng.random() > self.manner.notice:
                return False
            self._do.clear()
            self._exchange(wrong[0], wrong[1], now_s)
            return True
        named = args.get("cylinder")
        if len(set(self.gauges.values())) > 1 or not isinstance(named, str):
            return False
        here = self.hole[self.gauges[named]]
        if here is None or here == named or self._rng.random() > self.manner.notice:
            return False
        self._do.clear()
        self._astray.clear()
        self._mixed_up.clear()
        self._do.append(Say(now_s + self._rng.uniform(2, 5), "assign", here))
        return True

    def _looks_again(self, *pair: str, now_s: float) -> None:
        """Were these two exchanged? A look at the engine, or memory, tells."""
        if len(pair) != 2:
            return
        first, second = pair
        wrong = (
            {name for name, gauge in self.gauges.items() if self.hole[gauge] != name} if len(self.hole) > 1 else set()
        )
        if {first, second} <= (wrong or self._mixed_up):
            self._exchange(first, second, now_s)

    def _exchange(self, first: str, second: str, now_s: float) -> None:
        """Say that two were exchanged. Gauges of their own stay in their holes and change their names."""
        self._do.append(Say(now_s + self._rng.uniform(2, 15), "exchange", first, second))
        self.gauges[first], self.gauges[second] = self.gauges[second], self.gauges[first]
        self._astray.clear()
        self._mixed_up.clear()

    def _go(self, target: tuple[str, ...], now_s: float) -> None:
        """Plan the next pull on the cylinders that were asked for."""
        self._do.clear()
        if not target:
            return
        wanted = {self.gauges[name]: self._astray.get(name, name) for name in target}
        moving = {gauge: hole for gauge, hole in wanted.items() if self.hole[gauge] != hole}
        at_s = now_s
        if self._rng.random() < self.manner.chat:
            at_s += self._rng.uniform(20, 90)
        if moving:
            self._moves += 1
            self._move(moving, target, at_s)
        else:
            self._again(at_s)

    def _again(self, now_s: float) -> None:
        at_s = now_s + self._time(self.manner.repeat_s)
        if self.manner.held:
            self._bleed_all(now_s + min(1.5, 0.5 * (at_s - now_s)))
        if self._errs(Mistake.LONG_PAUSE, self._pulls):
            at_s += 1200.0
        elif len(self.hole) > 1 and self._errs(Mistake.BEGUN_AGAIN, self._pulls, first=1):
            self._do.append(Say(at_s, "abandon"))
            self._do.append(Say(at_s + 15.0, "begin"))
            return
        elif self._errs(Mistake.BLED_HALF_WAY, self._pulls):
            self._do.append(Pull(at_s, self._rng.uniform(0.5, 0.92), cut_short=self._rng.random() < 0.7))
            if self.manner.held:
                self._bleed_all(at_s + 1.4)
            return
        elif self._errs(Mistake.RADIO_LOST, self._pulls):
            self._lose_radio(at_s)
            return
        self._do.append(self._pull(at_s))

    def _move(self, moving: Mapping[str, str], target: tuple[str, ...], now_s: float) -> None:
        where = dict(moving)
        one = len(moving) == 1 and len(set(self.gauges.values())) == 1
        asked = target[0]
        if one and self._errs(Mistake.EXTRA_PULL, self._moves - 1, first=1):
            if self.manner.held:
                self._bleed_all(now_s + 1.0)
            self._do.append(self._pull(now_s + self._time(self.manner.repeat_s)))
            return
        if self._errs(Mistake.SWAPPED, self._moves - 1):
            self._mix_up(where, asked, one)
        elif one and self._errs(Mistake.SKIPPED, self._moves - 1):
            after = self.cylinders.index(asked) + 1
            where[self.gauges[asked]] = self.cylinders[after % len(self.cylinders)]
            self._astray = {asked: where[self.gauges[asked]]}
        elif not one and self._errs(Mistake.SKIPPED, self._moves - 1):
            where.pop(next(iter(where)))
        elif one and self._errs(Mistake.BEGUN_AGAIN, self._moves - 1, first=1):
            self._begin_again(asked, where, now_s)
            return
        length_s = self._time(self.manner.move_s) * (1 + 0.5 * (len(where) - 1))
        if self.manner.held:
            self._bleed_all(now_s + 1.5)
        if self._errs(Mistake.LONG_PAUSE, self._moves - 1):
            length_s += 1200.0
            if one and self.hole[self.gauges[asked]] is not None and self._rng.random() < 0.15:
                self._do.append(self._pull(now_s + length_s))
                return
        early = self._errs(Mistake.PULL_WHILE_SCREWING, self._moves - 1)
        for rank, (gauge, hole) in enumerate(where.items()):
            in_s = now_s + length_s * (0.8 - 0.15 * (len(where) - 1 - rank))
            self._do.append(ScrewIn(in_s, gauge, hole))
            if early and rank == len(where) - 1:
                self._do.append(Pull(in_s + 0.5, loose={gauge: self._rng.uniform(0.2, 0.9)}))
                return
        if self._errs(Mistake.RADIO_LOST, self._moves - 1):
            self._lose_radio(now_s + length_s)
            return
        self._do.append(self._pull(now_s + length_s))

    def _mix_up(self, where: dict[str, str], asked: str, one: bool) -> None:
        if one:
            others = [name for name in self.cylinders if name not in (asked, self.hole[self.gauges[asked]])]
            if not others:
                return
            other = self._rng.choice(others)
            self._astray = {asked: other, other: asked}
            self._mixed_up = {asked, other}
            where[self.gauges[asked]] = other
        elif len(where) > 1:
            first, second = self._rng.sample(list(where), 2)
            self._astray = {where[first]: where[second], where[second]: where[first]}
            where[first], where[second] = where[second], where[first]

    def _begin_again(self, asked: str, where: dict[str, str], now_s: float) -> None:
        if self._rng.random() < 0.5:
            self._do.append(Say(now_s + 5.0, "abandon"))
            self._do.append(Say(now_s + 20.0, "begin"))
            return
        first = self.cylinders[0]
        if first != asked:
            self._astray = {asked: first}
        where[self.gauges[asked]] = first
        if self.manner.held:
            self._bleed_all(now_s + 1.5)
        length_s = self._time(self.manner.move_s)
        if self.hole[self.gauges[asked]] != first:
            self._do.append(ScrewIn(now_s + 0.8 * length_s, self.gauges[asked], first))
        self._do.append(self._pull(now_s + length_s))

    def _lose_radio(self, pull_s: float) -> None:
        """The pull is never seen. Most wait for the voice, some take it for done and go on by themselves."""
        back_s = pull_s + 25.0
        self._do.append(Radio(pull_s - 5.0, up=False))
        self._do.append(self._pull(pull_s))
        gauge = next(iter(self.hole))
        here = self._in_hole_after(gauge)
        if len(self.hole) == 1 and here is not None and self._rng.random() < 0.3:
            after = self.cylinders[(self.cylinders.index(here) + 1) % len(self.cylinders)]
            self._astray = {here: after}
            self._do.append(ScrewIn(back_s - 3.0, gauge, after))
        self._do.append(Radio(back_s, up=True))

    def _in_hole_after(self, gauge: str) -> str | None:
        """Hole in which a gauge is once everything planned has happened."""
        moves = [action.hole for action in self._do if isinstance(action, ScrewIn) and action.gauge == gauge]
        return moves[-1] if moves else self.hole[gauge]

    def _pull(self, at_s: float) -> Pull:
        weak = self._rng.random() < 0.04
        return Pull(at_s, self._rng.uniform(0.78, 0.96) if weak else 1.0)

    def _bleed_all(self, at_s: float) -> None:
        self._do.extend(Bleed(at_s, gauge) for gauge, hole in self.hole.items() if hole is not None)

    def _errs(self, mistake: Mistake, count: int, first: int = 0) -> bool:
        if self.made or self.mistake is not mistake or count < max(self.mistake_at, first):
            return False
        self.made = True
        return True

    def _time(self, median_s: float) -> float:
        return max(1.5, median_s * self._rng.lognormvariate(0.0, self.manner.time_log_sd))
