"""The weighing of evidence: against a calculation by hand, against all chains, and in the direction of sense."""

from itertools import product
from math import exp, log

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError
from scipy import stats

from gaugelink.bench import evidence
from gaugelink.bench.evidence import EvidenceSettings, Habits, Sign, exchanged, learn, weigh

SETTINGS = EvidenceSettings()
NAMES = ("PTO", "middle", "MAG")


def sign(asked: str, gap_s: float | None = None, peak_kpa: float = 900.0, **more: object) -> Sign:
    fields = {
        "event_id": "e",
        "asked": asked,
        "gap_s": gap_s,
        "screwed": False,
        "zero_moved": False,
        "unbled": False,
        "lost_s": 0.0,
        "peak_kpa": peak_kpa,
        "peak_sd": 0.005,
        "tighten": False,
        "partial": False,
        **more,
    }
    return Sign(**fields)  # type: ignore[arg-type]


@pytest.mark.parametrize("gap_s", [3.0, 8.0, 14.0, 25.0, 60.0])
def test_time_and_prompt_are_weighed_as_bayes_theorem_says(gap_s: float) -> None:
    # Worked out here with scipy's normal density of the logarithm, two cylinders, no pressure evidence.
    s = SETTINGS
    first = sign("PTO", pinned="PTO", partial=True)
    second = sign("MAG", gap_s, partial=True)
    stay_prior = s.slip / 2 + s.extra

    def likelihood(median_s: float, log_sd: float) -> float:
        density = stats.norm(log(median_s), log_sd).pdf(log(gap_s))
        return (1 - s.any_time) * float(density) + s.any_time / 8

    stay = stay_prior * likelihood(s.stay_s, s.stay_log_sd)
    stay *= (1 - s.screwed_when_stayed) * (1 - s.zero_when_stayed) * (1 - s.unbled_when_stayed)
    move = (1 - stay_prior) * likelihood(s.move_s, s.move_log_sd)
    move *= (1 - s.screwed_when_moved) * (1 - s.zero_when_moved) * (1 - s.unbled_when_moved)
    found = weigh([first, second], ("PTO", "MAG"), {}, Habits(), s)[1]
    assert found["MAG"] == pytest.approx(move / (stay + move), rel=1e-9)


@pytest.mark.parametrize("name", EvidenceSettings.model_fields)
@pytest.mark.parametrize("value", [0.0, 1e-9, 1e-6, 0.5, 1.0, 5.0, 86_400.0, -1.0, float("inf"), float("nan")])
def test_whatever_setting_is_taken_gives_shares_that_sum_to_one(name: str, value: float) -> None:
    try:
        taken = EvidenceSettings.model_validate({name: value})
    except ValidationError:
        return
    signs = [
        sign("PTO", peak_kpa=900.0),
        sign("PTO", 8.0, 880.0, unbled=True),
        sign("middle", 3000.0, 905.0, screwed=True, zero_moved=True, lost_s=400.0),
        sign("middle", 0.01, 300.0, tighten=True),
        sign("MAG", 40.0, 910.0, screwed=True),
    ]
    for shares in weigh(signs, NAMES, {"PTO": 950.0, "middle": 940.0}, Habits(), taken):
        assert sum(shares.values()) == pytest.approx(1.0)
    exchanged({"PTO": 900.0, "MAG": 700.0}, {"PTO": 700.0, "MAG": 900.0}, taken)


CHANCES = ["slip", "any_time", "screwed_when_moved", "screwed_when_stayed", "screwed_when_tightened"]
CHANCES += ["zero_when_moved", "zero_when_stayed", "unbled_when_moved", "unbled_when_stayed", "bad_pull", "bad_depth"]


@pytest.mark.parametrize("name", CHANCES)
def test_a_chance_that_is_none_or_certain_is_refused(name: str) -> None:
    for value in (0.0, 1.0):
        with pytest.raises(ValidationError, match=name):
            EvidenceSettings.model_validate({name: value})


def test_settings_that_leave_nothing_for_the_cylinder_that_was_asked_for_are_refused() -> None:
    with pytest.raises(ValidationError, match="nothing would be left"):
        EvidenceSettings(slip=0.5, slip_after_pause=0.3, slip_after_loss=0.3)


SIGNS = st.builds(
    sign,
    st.sampled_from(NAMES),
    st.floats(0.5, 2000.0),
    st.floats(300.0, 1200.0),
    screwed=st.booleans(),
    unbled=st.booleans(),
    partial=st.booleans(),
    lost_s=st.floats(0.0, 60.0),
)


@given(st.lists(SIGNS, min_size=1, max_size=6))
@settings(max_examples=50, deadline=None)
def test_probabilities_are_probabilities(signs: list[Sign]) -> None:
    for share in weigh(signs, NAMES, {"PTO": 900.0}, Habits(), SETTINGS):
        assert sum(share.values()) == pytest.approx(1.0)
        assert all(0.0 <= one <= 1.0 for one in share.values())


@given(st.lists(SIGNS, min_size=5, max_size=5))
@settings(max_examples=25, deadline=None)
def test_keeping_the_likeliest_chains_loses_nothing_that_matters(signs: list[Sign]) -> None:
    kept = weigh(signs, NAMES, {}, Habits(), SETTINGS)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(evidence, "_WIDTH", len(list(product(NAMES, repeat=len(signs)))))
        patch.setattr(evidence, "_LIGHTEST", -1e9)
        whole = weigh(signs, NAMES, {}, Habits(), SETTINGS)
    for one, other in zip(kept, whole, strict=True):
        assert all(one[name] == pytest.approx(other[name], abs=0.02) for name in NAMES)


def test_each_sign_speaks_for_what_it_should() -> None:
    def moved(**more: object) -> float:
        second = sign("middle", 16.0, 903.0, **more)
        return weigh([sign("PTO", pinned="PTO"), second], NAMES, {}, Habits(), SETTINGS)[1]["middle"]

    plain = moved()
    assert moved(screwed=True) > plain
    assert moved(zero_moved=True) > plain
    assert moved(unbled=True) < plain
    quick = sign("middle", 5.0, 903.0)
    assert weigh([sign("PTO", pinned="PTO"), quick], NAMES, {}, Habits(), SETTINGS)[1]["middle"] < plain
    other = sign("middle", 16.0, 830.0)
    assert weigh([sign("PTO", pinned="PTO"), other], NAMES, {}, Habits(), SETTINGS)[1]["middle"] > plain


@pytest.mark.parametrize("peak_kpa", [0.0, -0.4])
def test_a_gauge_that_saw_nothing_says_nothing_of_the_cylinder(peak_kpa: float) -> None:
    def second(**of: object) -> dict[str, float]:
        return weigh([sign("PTO", 8.0), sign("PTO", 8.0, **of), sign("PTO", 8.0)], NAMES, {}, Habits(), SETTINGS)[1]

    assert second(peak_kpa=peak_kpa, peak_sd=0.2) == second(partial=True, peak_kpa=peak_kpa)
    assert weigh([sign("MAG", peak_kpa=peak_kpa)], NAMES, {"MAG": 900.0}, Habits(), SETTINGS)[0]["MAG"] > 0.9


def test_what_a_person_said_is_certain() -> None:
    shares = weigh([sign("PTO", pinned="MAG"), sign("PTO", 6.0, 901.0)], NAMES, {}, Habits(), SETTINGS)
    assert shares[0] == {"PTO": 0.0, "middle": 0.0, "MAG": pytest.approx(1.0)}
    assert shares[1]["MAG"] > 0.3


def test_times_are_learnt_as_a_geometric_mean_with_the_assumed_one() -> None:
    habits = Habits()
    for gap_s in (12.0, 12.0, 12.0, 12.0):
        habits = learn(habits, gap_s, moved=False)
    assert habits.stay_median_s(SETTINGS) == pytest.approx(exp((log(7.0) + log(12.0)) / 2))
    assert habits.move_median_s(SETTINGS) == pytest.approx(30.0)


def test_a_slow_mechanic_is_understood_once_known() -> None:
    slow = Habits()
    for _ in range(6):
        slow = learn(learn(slow, 18.0, moved=False), 75.0, moved=True)
    signs = [sign("PTO", pinned="PTO"), sign("middle", 19.0, 902.0)]
    fresh = weigh(signs, NAMES, {}, Habits(), SETTINGS)[1]["PTO"]
    known = weigh(signs, NAMES, {}, slow, SETTINGS)[1]["PTO"]
    assert known > fresh


def test_an_exchange_is_suspected_only_when_it_explains_much_more() -> None:
    earlier = {"PTO": 930.0, "middle": 920.0, "MAG": 750.0}
    assert exchanged({"PTO": 900.0, "middle": 730.0, "MAG": 890.0}, earlier, SETTINGS) == ("middle", "MAG")
    assert exchanged({"PTO": 900.0, "middle": 890.0, "MAG": 730.0}, earlier, SETTINGS) is None
    assert exchanged({"PTO": 900.0, "middle": 905.0, "MAG": 890.0}, {"PTO": 930.0}, SETTINGS) is None
    alike = {"PTO": 900.0, "middle": 910.0, "MAG": 905.0}
    assert exchanged({"PTO": 900.0, "middle": 900.0, "MAG": 912.0}, alike, SETTINGS) is None
