"""Leak-downs read back from the journal: beside the compression tests of a machine, before and after a job."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from pydantic import ValidationError

from gaugelink.app.leak_found import with_found
from gaugelink.app.left_out import LeftOut
from gaugelink.app.recorded import state_of
from gaugelink.bench.reading import Phase
from gaugelink.broker.leak_messages import Decay, DecayKind
from gaugelink.engine.fleet import EngineRecord
from gaugelink.engine.units import PressureUnit
from gaugelink.errors import EntryError
from gaugelink.journal import Journal
from gaugelink.journal.rows import StoredDecay, StoredJob, StoredTest
from gaugelink.leak.decay import DecayVerdict
from gaugelink.leak.differential import DifferentialFlag
from gaugelink.leak.heard import found_text
from gaugelink.leak.wording import flag_words, rate_text
from gaugelink.localtime import day_of
from gaugelink.verdict.leakdown import LeakDownValue

_UNSETTLED = {DifferentialFlag.NOT_STEADY.value, DifferentialFlag.PISTON_MOVED.value}


LEAKS_SHOWN = 4
"""Leak tests of the machine that a report shows, the last ones."""


@dataclass(frozen=True, slots=True)
class PastDecay:
    """A leak-down out of the journal."""

    at: datetime
    decay: Decay

    @property
    def what(self) -> str:
        """What was tested, in words."""
        return f"cylinder {self.decay.cylinder}" if self.decay.cylinder else (self.decay.part or "volume")


async def past_decays(journal: Journal, machine: str, left_out: LeftOut | None = None) -> list[PastDecay]:
    """All leak-downs of a machine, oldest first. One that cannot be read is told to `left_out`, where that is given.

    Raises:
        EntryError: this version cannot read one of them, and there is nobody to tell.
    """
    of_tests = {stored.decay_id for stored in await journal.decays(machine=machine, with_samples=False)}
    found = []
    for stored in await journal.decays(with_samples=False):
        try:
            decay = _read(stored)
        except EntryError as error:
            whose = machine if stored.decay_id in of_tests else "a machine that is not known"
            if left_out is not None and (stored.decay_id in of_tests or stored.test_id is None):
                left_out.decay(stored, whose, error)
            elif stored.decay_id in of_tests:
                raise
            continue
        if decay.machine == machine or stored.decay_id in of_tests:
            found.append(PastDecay(stored.at, decay))
    return found


async def last_decay(journal: Journal, decay_id: str | None, cylinder: str | None) -> Decay | None:
    """The leak-down of this id, or the last one, of `cylinder` where that is named; None where there is none.

    Raises:
        EntryError: this version cannot read it.
    """
    stored = await journal.last_decay(decay_id, cylinder)
    return None if stored is None else _read(stored)


def _read(stored: StoredDecay) -> Decay:
    """A stored leak-down as it was published, with where its air was found to go since.

    Raises:
        EntryError: this version cannot read it.
    """
    try:
        decay = Decay.model_validate_json(stored.result_json)
        return decay if stored.heard is None else with_found(decay, stored.heard, stored.found)
    except ValidationError as error:
        what = "; ".join(" ".join((*map(str, one["loc"]), one["msg"])) for one in error.errors())
        raise EntryError(f"The leak test {stored.decay_id} cannot be read by this version: {what}.") from error


def leak_value(decay: Decay, engine: EngineRecord) -> LeakDownValue | None:
    """What a differential leak-down of a cylinder says beside compression readings; None of anything else, and of one
    in which the piston moved or the pressures had not come to rest: it read something else than the cylinder."""
    name = next((one for one in engine.cylinder_names if one.casefold() == (decay.cylinder or "").casefold()), None)
    if name is None or decay.kind is not DecayKind.DIFFERENTIAL or decay.leak_percent is None:
        return None
    if _UNSETTLED & set(decay.flags):
        return None
    said = next((one for one in DecayVerdict if one.value == decay.verdict), DecayVerdict.OPEN)
    return LeakDownValue(name, decay.leak_percent, decay.leak_u_percent or 0.0, decay.heard, said)


async def leak_values(
    journal: Journal, stored: StoredTest, engine: EngineRecord, left_out: LeftOut | None = None
) -> list[LeakDownValue]:
    """The last differential leak-down of each cylinder since a test began, up to the next test of the machine or a job
    at it: then it is another machine. A test that was given up is none of the machine's, and neither is one without a
    reading: it was begun when the service was started, or for the leak-down. What cannot be read is told to `left_out`,
    where that is given: a leak-down after such a test is not that of the one before.

    Raises:
        EntryError: this version cannot read one of them, and there is nobody to tell.
    """
    tests = [one.began_at for one in await journal.tests(stored.machine) if is_of_the_machine(one, left_out)]
    jobs = [job.at for job in await journal.jobs(stored.machine)]
    until = min((at for at in (*tests, *jobs) if at > stored.began_at), default=None)
    last = {}
    for past in await past_decays(journal, stored.machine, left_out):
        value = leak_value(past.decay, engine)
        if value is not None and stored.began_at <= past.at and (until is None or past.at < until):
            last[value.cylinder] = value
    return list(last.values())


def is_of_the_machine(stored: StoredTest, left_out: LeftOut | None) -> bool:
    """Whether a test has a reading and was not given up; one that cannot be read counts as if it had.

    Raises:
        EntryError: this version cannot read it, and there is nobody to tell.
    """
    try:
        test = state_of(stored)
    except EntryError as error:
        if left_out is None:
            raise
        left_out.test(stored, error)
        return True
    return test.phase is not Phase.ABANDONED and any(reading.in_cylinder for reading in test.readings)


def told(past: PastDecay, unit: PressureUnit) -> str:
    """A leak-down in one line."""
    decay, numbers = past.decay, past.decay.numbers
    hole = ""
    if "hole_mm" in numbers:
        hole = f", like a hole of {numbers['hole_mm']:.2f} mm"
        if "hole_low_mm" in numbers and "hole_high_mm" in numbers:
            hole += f" ({numbers['hole_low_mm']:.2f} to {numbers['hole_high_mm']:.2f})"
    where = found_text(decay.heard, decay.found)
    doubts = f"; doubts: {', '.join(flag_words(decay.flags))}" if decay.flags else ""
    return f"{past.what}: {decay.verdict or 'open'}, {_loses(decay, unit)}{hole}{where and f'; {where}'}{doubts}"


def leak_lines(decays: Sequence[PastDecay], unit: PressureUnit) -> list[tuple[str, str]]:
    """Date and line of every leak-down, oldest first."""
    return [(f"leak test {day_of(past.at)}", told(past, unit)) for past in decays]


def before_and_after(decays: Sequence[PastDecay], jobs: Sequence[StoredJob], unit: PressureUnit) -> list[str]:
    """For each job the last leak-down before it and the first one after it, of the same part in the same way."""
    lines = []
    for job in jobs:
        for what, kind in dict.fromkeys((past.what, past.decay.kind) for past in decays):
            own = [past for past in decays if (past.what, past.decay.kind) == (what, kind)]
            earlier = [past for past in own if past.at < job.at]
            later = [past for past in own if past.at >= job.at]
            if earlier and later:
                before, after = earlier[-1].decay, later[0].decay
                lines.append(
                    f"{job.job}, {day_of(job.at)}: the {what} {_loses(before, unit)} before ({before.verdict}), "
                    f"{_loses(after, unit)} after ({after.verdict})."
                )
    return lines


def last_leak_lines(
    decays: Sequence[PastDecay], jobs: Sequence[StoredJob], unit: PressureUnit
) -> list[tuple[str, str]]:
    """What a report shows of the leak-downs: the last ones, and the last that were before and after a job."""
    compared = before_and_after(decays, jobs, unit)
    return [
        *leak_lines(decays[-LEAKS_SHOWN:], unit),
        *(("before and after", line) for line in compared[-LEAKS_SHOWN:]),
    ]


def _loses(decay: Decay, unit: PressureUnit) -> str:
    if decay.kind is DecayKind.DIFFERENTIAL and decay.leak_percent is not None:
        return f"loses {decay.leak_percent:.0f} ± {decay.leak_u_percent or 0.0:.0f} %"
    if decay.rate_kpa_per_s is None:
        return "has no rate"
    return f"loses {rate_text(60.0 * decay.rate_kpa_per_s, 60.0 * (decay.rate_u_kpa_per_s or 0.0), unit)}"
