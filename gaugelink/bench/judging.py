"""From the signs of a test to its readings: what is given to a cylinder, what is held, what is taken back."""

from dataclasses import replace

from gaugelink.bench.agree import RADIO_GAP, SHORT_OF_THE_TOP, UNFINISHED
from gaugelink.bench.evidence import Habits, Sign, exchanged, learn, weigh
from gaugelink.bench.reading import BENCH, Change, Phase, Reading, Status
from gaugelink.bench.repeats import common_u_kpa, own_u_kpa
from gaugelink.bench.state import BenchState
from gaugelink.peak.events import CrankingEvent, GaugeKind

_REMEMBERED = 24
"""Events of a gauge that are weighed anew; those before stay as they are."""
_SURE = 0.98
"""Only times between readings as sure as this are learnt from. No source."""
_LONGEST_LEARNT_S = 120.0
"""A time longer than this is no habit: something else was done in between. No source."""


def sign_of(state: BenchState, event_id: str, gauge: str, event: CrankingEvent, start_s: float) -> Sign:
    """Gather what an event and the time before it tell of where the gauge was."""
    track, lane = state.tracks[gauge], state.lane(gauge)
    last = next((one.cylinder for one in reversed(state.readings) if one.gauge == gauge and one.cylinder), None)
    since_s = track.last_end_s if track.bled_s is None else track.bled_s
    down_s = state.at_s - track.down_since_s if track.down_since_s is not None else 0.0
    return Sign(
        event_id=event_id,
        asked=next((name for name in state.target if name in lane), last if last in lane else lane[-1]),
        gap_s=None if track.last_end_s is None or since_s is None else max(start_s - since_s, 0.0),
        screwed=track.screwed,
        zero_moved=track.zero_moved,
        unbled=event.kind is GaugeKind.HELD and bool(track.signs) and track.bled_s is None,
        lost_s=track.lost_s + down_s,
        peak_kpa=event.peak_kpa,
        peak_sd=own_u_kpa(event) / max(event.peak_kpa, 1.0),
        tighten=state.trouble,
        partial=bool(event.flags & SHORT_OF_THE_TOP),
    )


def fresh_reading(state: BenchState, event_id: str, gauge: str, event: CrankingEvent, pull: int) -> Reading:
    """Return the reading of an event that has just come, held until it is weighed."""
    cut = state.tracks[gauge].cut and event.flags & UNFINISHED
    return Reading(
        event_id=event_id,
        test_id=state.plan.test_id,
        gauge=gauge,
        kind=event.kind,
        pull=pull,
        peak_kpa=event.peak_kpa,
        peak_u_kpa=event.peak_u_kpa,
        common_u_kpa=common_u_kpa(event),
        flags=event.flags | (RADIO_GAP if cut else frozenset()),
        status=Status.HELD,
        cylinder=None,
        confidence=0.0,
        candidates=(),
        own_u_kpa=own_u_kpa(event),
        strokes=len(event.strokes),
        climb_per_stroke=event.climb_per_stroke,
        air_abs_kpa=state.air_abs_kpa,
    )


def habits(state: BenchState) -> Habits:
    """Return what is known of the mechanic's times: from before the test, and from its sure readings."""
    known = state.habits
    for gauge, track in state.tracks.items():
        readings = [reading for reading in state.readings if reading.gauge == gauge]
        for before, reading, sign in zip(readings, readings[1:], track.signs[1:], strict=False):
            sure = all(one.in_cylinder and one.confidence >= _SURE for one in (before, reading))
            if sure and sign.gap_s is not None and sign.gap_s < _LONGEST_LEARNT_S:
                known = learn(known, sign.gap_s, before.cylinder != reading.cylinder)
    return known


def reweigh(state: BenchState, gauge: str, fresh: str | None = None) -> list[Reading]:
    """Weigh the events of a gauge anew, give or hold what the evidence now says, and return what changed.

    `fresh` is the event that has just come: it is returned whatever became of it.
    """
    track = state.tracks[gauge]
    if not track.signs:
        return []
    readings = [reading for reading in state.readings if reading.gauge == gauge]
    recent = len(readings) - _REMEMBERED
    weighed: list[Reading] = []
    signs: list[Sign] = []
    for index, (sign, reading) in enumerate(zip(track.signs, readings, strict=True)):
        certain = reading.status is Status.MOVED or (index < recent and reading.in_cylinder)
        if index >= recent or certain:
            partial = sign.partial or reading.status is Status.STRUCK
            signs.append(replace(sign, pinned=reading.cylinder if certain else None, partial=partial))
            weighed.append(reading)
    # A person may say that the gauge was on a cylinder of another gauge.
    lane = tuple(dict.fromkeys((*state.lane(gauge), *(sign.asked for sign in signs), *_pins(signs))))
    expected = {name: earlier.peak_kpa for name, earlier in state.plan.expected.items()}
    shares = weigh(signs, lane, expected, habits(state), state.settings.evidence)
    changed = []
    for sign, reading, share in zip(signs, weighed, shares, strict=True):
        if sign.pinned is not None and not reading.by_person:
            continue
        judged = _judge(state, reading, share, is_fresh=reading.event_id == fresh)
        state.put(judged)
        if len(judged.changes) > len(reading.changes):
            changed.append(judged)
    return changed


def suspected_exchange(state: BenchState) -> tuple[str, str] | None:
    """Return two cylinders that look exchanged beside an earlier test, or None."""
    values = {name: value for name in state.gauges if (value := state.agreement(name).value_kpa) is not None}
    expected = {name: earlier.peak_kpa for name, earlier in state.plan.expected.items()}
    return exchanged(values, expected, state.settings.evidence)


def _pins(signs: list[Sign]) -> list[str]:
    return [sign.pinned for sign in signs if sign.pinned is not None]


def _judge(state: BenchState, reading: Reading, share: dict[str, float], is_fresh: bool) -> Reading:
    # Alike ones stay in the order of the plan, whatever the last bits of the clock make of their shares.
    ranked = tuple(sorted(share.items(), key=lambda one: round(one[1], 9), reverse=True))
    best, sure = ranked[0]
    judged = replace(reading, candidates=ranked)
    if reading.by_person:
        return judged
    if reading.status is Status.GIVEN and reading.cylinder is not None:
        kept = share.get(reading.cylinder, 0.0)
        if kept >= state.settings.doubt_limit:
            return replace(judged, confidence=kept)
        return judged.changed(Change(state.at_s, BENCH, Status.HELD, None, kept, "later pulls speak against it"))
    if (
        state.phase is not Phase.CAUTIONS
        and sure >= state.settings.confidence_limit
        and not _wants_a_word(state, reading, best)
    ):
        why = "the evidence" if is_fresh else "later pulls made it clear"
        return judged.changed(Change(state.at_s, BENCH, Status.GIVEN, best, sure, why))
    if is_fresh:
        return judged.changed(Change(state.at_s, BENCH, Status.HELD, None, sure, "not clear which cylinder"))
    return replace(judged, confidence=sure)


def _wants_a_word(state: BenchState, reading: Reading, cylinder: str) -> bool:
    """Whether a person must name the cylinder: the first reading after a move, where the shop wants that."""
    if not state.settings.confirm_moves or len(state.lane(reading.gauge)) == 1:
        return False
    return not any(one.status is Status.MOVED for one in state.of_cylinder(cylinder))
