"""From the bench's words to the published ones: test, readings, prompts, commands."""

from collections.abc import Mapping
from datetime import datetime
from math import hypot

from gaugelink.app.keys import Pressed
from gaugelink.app.noted import Noted
from gaugelink.app.one_air import factor_of, in_one_air
from gaugelink.bench.agree import SHORT_OF_THE_TOP, common_u_of_mean_kpa, leave_open
from gaugelink.bench.plan import Plan
from gaugelink.bench.prompt_keys import AIR_CAUTIONS, CAUTIONS, PromptKey, Tone
from gaugelink.bench.prompts import Prompt
from gaugelink.bench.reading import Command as BenchCommand
from gaugelink.bench.reading import (
    CommandKind,
    CommandResult,
    CylinderState,
    Phase,
    Reading,
    Status,
    TestState,
    open_questions,
)
from gaugelink.bench.repeats import COVERAGE_FACTOR, u_of_mean_kpa
from gaugelink.broker import messages as published
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.convert import finding_part
from gaugelink.engine.units import PressureUnit
from gaugelink.journal.entries import Action, ReadingEntry
from gaugelink.peak.events import CrankingEvent
from gaugelink.verdict.difference import PullValue, ReadingValue
from gaugelink.verdict.findings import RuleName, Severity, TestVerdict

BY_RULE = "rule"
"""Who gave a reading to a cylinder when it was the evidence alone."""

_ODD_RULES = frozenset({RuleName.ODD_CYLINDER, RuleName.REPEATABILITY, RuleName.BAND, RuleName.LOWEST_OF_HIGHEST})

_BENCH_COMMANDS = {
    CommandAction.ACKNOWLEDGE: CommandKind.ACKNOWLEDGE,
    CommandAction.ANSWER: CommandKind.ANSWER,
    CommandAction.ASSIGN: CommandKind.ASSIGN,
    CommandAction.EXCHANGE: CommandKind.EXCHANGE,
    CommandAction.STRIKE: CommandKind.STRIKE,
    CommandAction.TAKE_BACK: CommandKind.TAKE_BACK,
    CommandAction.REDO: CommandKind.REDO,
    CommandAction.SKIP: CommandKind.SKIP,
    CommandAction.FINISH: CommandKind.FINISH,
    CommandAction.ABANDON: CommandKind.ABANDON,
}


def bench_command(command: Command) -> BenchCommand | None:
    """The command as a running test takes it; None when it is not for a running test."""
    kind = _BENCH_COMMANDS.get(command.action)
    if kind is None:
        return None
    if isinstance(command, Pressed):
        return BenchCommand(
            id=command.id,
            kind=CommandKind.RETURN if command.returns else kind,
            cylinder=command.cylinder,
            by=command.by,
            key=command.key,
            again_s=command.again_s,
        )
    return BenchCommand(
        id=command.id,
        kind=kind,
        event=command.event_id,
        cylinder=command.cylinder,
        other=command.other,
        by=command.by or "person",
        # Whoever names the test means all of it: said once more, that must not undo what was done before.
        giving_up=kind is CommandKind.TAKE_BACK and command.test_id is not None and command.event_id is None,
    )


def action_of(reading: Reading) -> Action:
    """What the last change did to a reading."""
    last = reading.changes[-1]
    before = reading.changes[-2] if len(reading.changes) > 1 else None
    if last.status is Status.STRUCK:
        return Action.STRUCK
    if last.status is Status.HELD:
        return Action.HELD
    if before is not None and before.status is Status.STRUCK:
        return Action.TAKEN_BACK
    if before is not None and before.cylinder is not None and before.cylinder != last.cylinder:
        return Action.MOVED
    return Action.GIVEN


def reading_entry(reading: Reading, at: datetime) -> ReadingEntry:
    """The line of a reading's history for its last change."""
    last = reading.changes[-1]
    return ReadingEntry(
        test_id=reading.test_id,
        cylinder=_cylinder_of(reading),
        action=action_of(reading),
        at=at,
        by=_who(last.by),
        event_id=reading.event_id,
        peak_kpa=reading.peak_kpa,
        peak_u_kpa=reading.peak_u_kpa,
        note=last.why,
    )


def reading_message(reading: Reading, *, bench: str, at: datetime) -> published.Reading:
    """The published form of a reading's last change."""
    last = reading.changes[-1]
    action = action_of(reading)
    before = reading.changes[-2].cylinder if len(reading.changes) > 1 else None
    return published.Reading(
        at=at,
        bench=bench,
        test_id=reading.test_id,
        event_id=reading.event_id,
        cylinder=_cylinder_of(reading),
        action=action,
        moved_from=before if action is Action.MOVED else None,
        by=_who(last.by),
        confidence=round(reading.confidence, 4),
        peak_kpa=reading.peak_kpa,
        peak_u_kpa=reading.peak_u_kpa,
        flags=tuple(sorted(reading.flags)),
        note=last.why,
    )


def _cylinder_of(reading: Reading) -> str:
    """The cylinder; of a held or struck reading the one that it had or would most likely get."""
    if reading.cylinder is not None:
        return reading.cylinder
    earlier = [change.cylinder for change in reading.changes if change.cylinder is not None]
    return earlier[-1] if earlier else reading.candidates[0][0]


def _who(by: str) -> str:
    return BY_RULE if by == "bench" else by


def prompt_message(prompt: Prompt, *, bench: str, test_id: str | None, at: datetime) -> published.Prompt:
    """The published form of a prompt."""
    if prompt.key in (*CAUTIONS, PromptKey.CAUTION_NOTE, *AIR_CAUTIONS):
        urgency = published.Urgency.CAUTION
    elif prompt.tone is Tone.TROUBLE:
        urgency = published.Urgency.PROBLEM
    elif prompt.cylinders:
        urgency = published.Urgency.DO
    else:
        urgency = published.Urgency.KNOW
    return published.Prompt(
        at=at,
        bench=bench,
        key=prompt.key.value,
        text=prompt.text,
        spoken=prompt.spoken,
        tone=prompt.tone.value,
        urgency=urgency,
        test_id=test_id,
        cylinder=prompt.cylinders[0] if len(prompt.cylinders) == 1 else None,
    )


def result_message(result: CommandResult, *, bench: str, test_id: str | None, at: datetime) -> published.CommandResult:
    """The published answer to a command."""
    return published.CommandResult(
        at=at, bench=bench, command_id=result.id, ok=result.ok, text=result.text, test_id=test_id
    )


def reading_values(state: TestState, events: Mapping[str, CrankingEvent]) -> list[ReadingValue]:
    """The readings of a test as the verdict takes them: one for each cylinder that has any."""
    state = in_one_air(state)
    by_id = {reading.event_id: reading for reading in state.readings}
    values = []
    for cylinder in state.cylinders:
        if cylinder.value_kpa is None or not cylinder.repeats:
            continue
        readings = [by_id[event_id] for event_id in cylinder.repeats]
        random = u_of_mean_kpa([reading.repeat for reading in readings])
        seen = [events[event_id] for event_id in cylinder.repeats if event_id in events]
        speeds = [event.cranking_rpm for event in seen if event.cranking_rpm is not None]
        first = [
            factor_of(by_id[event_id], state.plan) * event.first_stroke_kpa
            for event_id in cylinder.repeats
            if (event := events.get(event_id)) is not None and event.first_stroke_kpa is not None
        ]
        climb = [event.climb_per_stroke for event in seen if event.climb_per_stroke is not None]
        values.append(
            ReadingValue(
                cylinder=cylinder.name,
                peak_kpa=cylinder.value_kpa,
                peak_u_kpa=COVERAGE_FACTOR * hypot(random, common_u_of_mean_kpa(readings)),
                u_random_kpa=random,
                flags=frozenset().union(*(reading.flags for reading in readings)),
                event_ids=cylinder.repeats,
                repeats=tuple(reading.peak_kpa for reading in readings) if len(readings) > 1 else (),
                cranking_rpm=_mean(speeds),
                first_stroke_kpa=_mean(first),
                climb_per_stroke=_mean(climb),
                gauge=readings[0].gauge,
                pulls=tuple(
                    PullValue(
                        reading.repeat,
                        reading.event_id in cylinder.repeats,
                        reading.event_id,
                        whole=not reading.flags & SHORT_OF_THE_TOP,
                    )
                    for reading in state.readings
                    if reading.in_cylinder and reading.cylinder == cylinder.name
                ),
                agreed=cylinder.agreed if cylinder.agreed or cylinder.tries >= state.plan.repeats else None,
            )
        )
    return values


def _mean(numbers: list[float]) -> float | None:
    return sum(numbers) / len(numbers) if numbers else None


def test_message(
    state: TestState,
    verdict: TestVerdict | None,
    events: Mapping[str, CrankingEvent],
    *,
    bench: str,
    at: datetime,
    began_at: datetime,
    revision: int,
    places: tuple[str, ...],
    unit: PressureUnit,
    prompt: Prompt | None,
    cautions: tuple[str, ...],
    noted: Noted,
) -> published.TestState:
    """The published form of the whole test. `places` are the engine's cylinders in physical order.

    `cautions` are the sentences that were said before it; they stand for as long as its phase says so.
    """
    plan = state.plan
    counted = {reading.event_id: reading for reading in state.readings}
    held = open_questions(state.readings)
    band = verdict.band if verdict is not None else None
    return published.TestState(
        at=at,
        bench=bench,
        test_id=plan.test_id,
        revision=revision,
        machine=plan.machine,
        engine=plan.engine,
        kind=plan.kind.value,
        began_at=began_at,
        phase=state.phase.value,
        closed=state.phase in (Phase.FINISHED, Phase.ABANDONED),
        repeats=plan.repeats,
        cylinders=tuple(
            published.CylinderPart(
                name=cylinder.name,
                place=places.index(cylinder.name) + 1 if cylinder.name in places else index,
                status=cylinder_status(cylinder, state, verdict),
                pressure_kpa=cylinder.value_kpa,
                pressure_u_kpa=cylinder.u_kpa,
                readings=tuple(
                    published.ReadingPart(
                        event_id=reading.event_id,
                        peak_kpa=reading.peak_kpa,
                        peak_u_kpa=reading.peak_u_kpa,
                        counted=reading.event_id in cylinder.repeats,
                        cranking_rpm=events[reading.event_id].cranking_rpm if reading.event_id in events else None,
                        flags=tuple(sorted(reading.flags)),
                        ambient_abs_kpa=reading.air_abs_kpa,
                    )
                    for reading in counted.values()
                    if reading.cylinder == cylinder.name
                ),
            )
            for index, cylinder in enumerate(state.cylinders, start=1)
        ),
        next_cylinder=state.current[0] if state.current else None,
        held_events=tuple(reading.event_id for reading in held),
        held_pulls=tuple(reading.pull for reading in held),
        cautions=cautions if state.phase is Phase.CAUTIONS else (),
        spread_kpa=verdict.spread_kpa if verdict else None,
        spread_u_kpa=verdict.spread_u_kpa if verdict else None,
        spread_percent=verdict.spread_percent if verdict else None,
        band_low_kpa=band.low_kpa if band else None,
        band_high_kpa=band.high_kpa if band else None,
        ambient_abs_kpa=verdict.conditions.ambient_abs_kpa if verdict else None,
        conditions=_conditions(plan),
        notes=noted.notes,
        odometer=noted.odometer,
        verdict=verdict.word if verdict else None,
        summary=verdict.summary if verdict else "",
        findings=tuple(finding_part(finding) for finding in verdict.findings) if verdict else (),
        prompt=prompt.text if prompt else "",
        display_unit=unit.value,
    )


def cylinder_status(cylinder: CylinderState, state: TestState, verdict: TestVerdict | None) -> published.CylinderStatus:
    """Where a cylinder stands, in one word; `verdict` is that on the whole test, None when there is none yet."""
    if cylinder.skipped:
        return published.CylinderStatus.SKIPPED
    if cylinder.name in state.current and not cylinder.agreed:
        return published.CylinderStatus.IN_PROGRESS
    own = [reading for reading in state.readings if reading.in_cylinder and reading.cylinder == cylinder.name]
    unsure = not cylinder.agreed and leave_open(own, state.plan.agreement)
    used_up = cylinder.tries >= state.plan.max_tries and not cylinder.agreed
    if cylinder.name in _odd_cylinders(verdict, pulls=not unsure) or (used_up and not unsure):
        return published.CylinderStatus.ODD
    if unsure and (used_up or state.phase in (Phase.FINISHED, Phase.ABANDONED)):
        return published.CylinderStatus.UNSURE
    if cylinder.agreed:
        return published.CylinderStatus.AGREED
    return published.CylinderStatus.IN_PROGRESS if cylinder.tries else published.CylinderStatus.WAITING


def _odd_cylinders(verdict: TestVerdict | None, *, pulls: bool) -> frozenset[str]:
    """Cylinders that a verdict holds something against; that their own `pulls` are not one reading where it counts."""
    if verdict is None:
        return frozenset()
    odd: set[str] = set()
    for finding in verdict.findings:
        asks = (Severity.INVESTIGATE, Severity.RETEST)
        # what rests on a reading that asks to be taken again, or on slow cranking, makes no cylinder odd
        if finding.severity in asks and (pulls if finding.rule is RuleName.REPEATABILITY else finding.firm):
            odd.update(finding.against if finding.rule in _ODD_RULES else ())
    return frozenset(odd)


def _conditions(plan: Plan) -> dict[str, str]:
    given = plan.conditions.model_dump(mode="json", exclude_none=True)
    return {name: str(value) for name, value in given.items()}
