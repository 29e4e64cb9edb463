"""Whether pulls are one reading is said once: by the prompt, the page, the terminal and the verdict alike."""

from pathlib import Path

import pytest

from gaugelink.app.scene import CylinderMark
from gaugelink.bench.prompt_keys import PromptKey
from gaugelink.bench.reading import Phase
from gaugelink.broker import messages as published
from gaugelink.broker.commands import CommandAction
from gaugelink.peak.events import Flag
from gaugelink.verdict.findings import RuleName, Severity, VerdictWord
from tests.app.test_presenter import Watched
from tests.app.test_session import of

POOR_KPA = 40.0
"""Own standard uncertainty of a pull of which an expanded one of 8 % is known."""

MARKS = {
    published.CylinderStatus.AGREED: CylinderMark.AGREED,
    published.CylinderStatus.ODD: CylinderMark.ODD,
    published.CylinderStatus.UNSURE: CylinderMark.UNSURE,
    published.CylinderStatus.IN_PROGRESS: CylinderMark.NOW,
    published.CylinderStatus.WAITING: CylinderMark.WAITING,
}


def two_settled(folder: Path) -> Watched:
    """A bench with two of three cylinders agreed, and the gauge on the third."""
    bench = Watched(folder)
    bench.begin()
    bench.whole_test(930.0, 925.0)
    return bench


def unagreed(bench: Watched) -> set[str]:
    """Cylinders of which the verdict says that their pulls are not one reading."""
    assert bench.session.verdict is not None
    return {
        name
        for finding in bench.session.verdict.findings
        if finding.rule is RuleName.REPEATABILITY and finding.severity is Severity.RETEST
        for name in finding.cylinders
    }


def test_a_pull_that_could_agree_with_anything_is_not_agreed_with_and_one_more_settles_it(tmp_path: Path) -> None:
    bench = two_settled(tmp_path)
    bench.crank(1006.6, 40.0, own_kpa=POOR_KPA)
    step = bench.crank(944.6, own_kpa=11.0)
    assert step.prompts[-1].key is PromptKey.AGAIN_BLEED
    assert bench.session.test is not None
    assert bench.session.test.state.current == ("MAG",)
    assert unagreed(bench) == {"MAG"}
    step = bench.crank(940.0, own_kpa=11.0)
    assert step.prompts[-1].key is PromptKey.LAST_DONE
    assert unagreed(bench) == set()
    assert bench.session.verdict is not None
    assert bench.session.verdict.word is VerdictWord.CONSISTENT


@pytest.mark.parametrize(
    "pulls",
    [
        ((940.0, 1.5), (938.0, 1.5)),
        ((1006.6, POOR_KPA), (944.6, 11.0), (940.0, 11.0)),
        ((1006.6, POOR_KPA), (944.6, 11.0), (1000.0, POOR_KPA), (990.0, POOR_KPA), (930.0, POOR_KPA)),
        ((930.0, POOR_KPA),) * 5,
        ((940.0, 1.5), (880.0, 1.5), (820.0, 1.5), (760.0, 1.5), (700.0, 1.5)),
        ((950.0, 15.0), (912.0, 15.0)),
    ],
)
def test_prompt_page_terminal_and_verdict_say_the_same_of_a_cylinder_after_every_pull(
    tmp_path: Path, pulls: tuple[tuple[float, float], ...]
) -> None:
    bench = two_settled(tmp_path)
    for number, (peak_kpa, own_kpa) in enumerate(pulls):
        step = bench.crank(peak_kpa, 6.0 if number else 40.0, own_kpa=own_kpa)
        (told,) = of(step, published.TestState)
        status = next(part.status for part in told.cylinders if part.name == "MAG")
        row = next(row for row in bench.presenter.scene.cylinders if row.name == "MAG")
        assert row.mark is MARKS[status]
        said_agreed = "agreed" in step.prompts[-1].text and "Not agreed" not in step.prompts[-1].text
        assert said_agreed == (status is published.CylinderStatus.AGREED)
        if said_agreed:
            assert "MAG" not in unagreed(bench)
            assert told.verdict is not VerdictWord.RETEST
    assert step.state is not None
    assert step.state.phase is Phase.DONE
    if status is not published.CylinderStatus.AGREED:
        assert unagreed(bench) == {"MAG"}
        assert told.verdict is VerdictWord.RETEST
        assert step.prompts[-1].text == "MAG does not agree after 5 pulls. Test done."


def test_a_low_cylinder_that_agrees_is_odd_on_the_terminal_as_on_the_page(tmp_path: Path) -> None:
    bench = Watched(tmp_path)
    bench.begin()
    step = bench.whole_test(930.0, 700.0, 935.0)
    (told,) = of(step, published.TestState)
    assert told.cylinders[1].status is published.CylinderStatus.ODD
    assert bench.presenter.scene.cylinders[1].mark is CylinderMark.ODD


RISING = frozenset({Flag.STILL_RISING})
WHOLE: frozenset[Flag] = frozenset()


@pytest.mark.parametrize(
    ("pulls", "status"),
    [
        (((800.0, RISING),) * 5, published.CylinderStatus.UNSURE),
        (((800.0, RISING),) * 3, published.CylinderStatus.UNSURE),
        (((800.0, RISING), (930.0, WHOLE), *((810.0, RISING),) * 3), published.CylinderStatus.UNSURE),
        (((800.0, RISING), (930.0, WHOLE), (850.0, WHOLE), *((810.0, RISING),) * 2), published.CylinderStatus.ODD),
        (((990.0, RISING), (930.0, WHOLE), *((990.0, RISING),) * 3), published.CylinderStatus.ODD),
    ],
)
def test_a_cylinder_is_odd_by_pulls_that_were_cut_short_only_where_they_show_it(
    tmp_path: Path, pulls: tuple[tuple[float, frozenset[Flag]], ...], status: published.CylinderStatus
) -> None:
    """They are lower bounds: one that was seen whole and is lower than another is apart from it, and nothing else."""
    bench = two_settled(tmp_path)
    for number, (peak_kpa, flags) in enumerate(pulls):
        bench.crank(peak_kpa, 6.0 if number else 40.0, flags=flags)
    (told,) = of(bench.command(CommandAction.FINISH), published.TestState)
    assert told.cylinders[2].status is status
    assert bench.presenter.scene.cylinders[2].mark is MARKS[status]
    (finding,) = (one for one in told.findings if one.rule == "repeatability" and one.severity == "retest")
    assert ("they are not one reading" in finding.text) == (status is published.CylinderStatus.ODD)


def test_the_verdict_holds_pulls_to_the_agreement_that_the_plan_asked_for(tmp_path: Path) -> None:
    bench = two_settled(tmp_path)
    bench.crank(950.0, 40.0)
    bench.crank(915.0)
    bench.command(CommandAction.FINISH)
    assert unagreed(bench) == {"MAG"}
    assert bench.session.verdict is not None
    (finding,) = (f for f in bench.session.verdict.findings if f.cylinders == ("MAG",) and f.severity == "retest")
    assert finding.numbers["limit_percent"] == pytest.approx(3.0)


def test_a_pull_that_stopped_short_of_the_top_tells_nothing_of_how_cranking_scatters(tmp_path: Path) -> None:
    bench = two_settled(tmp_path)
    bench.crank(905.0, 40.0, flags=frozenset({Flag.STILL_RISING}))
    bench.crank(940.0)
    bench.crank(941.0)
    verdict = bench.session.verdict
    assert verdict is not None
    assert [(pull.counted, pull.whole) for pull in verdict.readings[-1].pulls] == [
        (False, False),
        (True, True),
        (True, True),
    ]
    assert any("it stopped short of the top" in finding.text for finding in verdict.findings)


@pytest.mark.parametrize("pulls", [(940.0, 938.0), (940.0, 900.0, 938.0), (960.0, 925.0, 890.0, 860.0, 830.0)])
def test_bench_and_verdict_state_one_uncertainty_wherever_the_pulls_scatter(
    tmp_path: Path, pulls: tuple[float, ...]
) -> None:
    bench = two_settled(tmp_path)
    for number, peak_kpa in enumerate(pulls):
        step = bench.crank(peak_kpa, 6.0 if number else 40.0)
    assert step.state is not None
    assert bench.session.verdict is not None
    stated = [(part.value_kpa, part.u_kpa) for part in step.state.cylinders]
    assert stated == [
        (pytest.approx(one.peak_kpa), pytest.approx(one.peak_u_kpa)) for one in bench.session.verdict.readings
    ]
