"""What happens at the bench is drawn: cautions until acknowledged, refusals while they matter, the verdict last."""

import io
from datetime import UTC, datetime
from pathlib import Path

import pytest
from rich.console import Console

from gaugelink.app.demo import MACHINE
from gaugelink.app.farewell import Farewell
from gaugelink.app.leak_demo import leak_shop
from gaugelink.app.leak_session import LeakSession
from gaugelink.app.presenter import ScenePresenter, stays_open
from gaugelink.app.screen import Screen
from gaugelink.app.step import Step
from gaugelink.bench.commands import CAUTIONS_FIRST
from gaugelink.bench.english import SENTENCES
from gaugelink.bench.prompt_keys import AIR_CAUTIONS, CAUTIONS, PromptKey
from gaugelink.bench.reading import Phase
from gaugelink.broker.commands import Command, CommandAction
from gaugelink.broker.leak_messages import DecayKind, LeakRequest
from gaugelink.broker.message import new_id
from gaugelink.gauge.samples import FrameCounts, LinkPhase, LinkState
from gaugelink.peak.events import Flag
from gaugelink.report.plain import FLAG_WORDS
from gaugelink.verdict.findings import VerdictWord
from tests.app.shops import SHOP
from tests.app.test_session import Bench

NOON = datetime(2026, 2, 3, 12, 0, tzinfo=UTC)


class Watched(Bench):
    """A bench that is looked at."""

    def __init__(self, folder: Path, text: str = SHOP) -> None:
        super().__init__(folder, text)
        self.presenter = ScenePresenter(self.session.shop)

    def take(self, step: Step) -> Step:
        self.presenter.stepped(step)
        return step

    def command(self, action: CommandAction, **details: object) -> Step:
        return self.take(super().command(action, **details))

    def crank(self, peak_kpa: float, wait_s: float = 6.0, **more: object) -> Step:
        return self.take(super().crank(peak_kpa, wait_s, **more))


def left(presenter: ScenePresenter) -> str:
    """What stays in the terminal when the screen goes."""
    console = Console(file=io.StringIO(), width=200, force_terminal=False)
    with console.capture() as captured:
        console.print(Farewell(presenter.scene))
    return captured.get()


def drawn(presenter: ScenePresenter, height: int = 24, encoding: str = "utf-8") -> list[str]:
    """The lines of a screen of 80 columns that is no higher than `height`; the rest is cut as a terminal cuts it."""
    file = io.TextIOWrapper(io.BytesIO(), encoding=encoding)
    console = Console(file=file, width=80, height=height, force_terminal=False, legacy_windows=False)
    console.print(Screen(presenter.scene))
    file.flush()
    buffer = file.buffer
    assert isinstance(buffer, io.BytesIO)
    return buffer.getvalue().decode(encoding).splitlines()[:height]


def sentences(lines: list[str]) -> str:
    """What is written on a screen, without its frames and its line breaks."""
    return " ".join(" ".join(line.strip(" │|") for line in lines).split())


@pytest.mark.parametrize("height", [24, 50])
@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
def test_every_caution_is_on_the_screen_until_it_is_acknowledged(tmp_path: Path, height: int, encoding: str) -> None:
    bench = Watched(tmp_path)
    bench.command(CommandAction.BEGIN, machine="north-7")
    bench.presenter.scene.gauges = dict.fromkeys(("amber", "blue", "red"), "streaming, 100 samples/s")
    bench.presenter.scene.broker = "mqtt://127.0.0.1:1883"
    lines = drawn(bench.presenter, height, encoding)
    assert lines[-1].startswith("Enter") or height > 24
    for key in CAUTIONS:
        assert SENTENCES[key] in sentences(lines)
    bench.crank(900.0)
    assert SENTENCES[CAUTIONS[-1]] in sentences(drawn(bench.presenter, height, encoding))
    bench.command(CommandAction.ACKNOWLEDGE)
    after = sentences(drawn(bench.presenter, height, encoding))
    assert not any(SENTENCES[key] in after for key in CAUTIONS)


NOTE = "Runs in deep powder; check the belt guard before cranking, and the stop tether: it sticks when it is cold."


@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
@pytest.mark.parametrize(
    ("cranked_by", "left_out"), [("cord", PromptKey.CAUTION_STARTER), ("starter", PromptKey.CAUTION_CORD), ("", None)]
)
def test_the_cautions_on_a_low_screen_are_those_of_this_machine_with_what_is_noted_of_it(
    tmp_path: Path, cranked_by: str, left_out: PromptKey | None, encoding: str
) -> None:
    of_machine = f'name = "North 7"\nnotes = "{NOTE}"\n' + (f'cranked_by = "{cranked_by}"\n' if cranked_by else "")
    bench = Watched(tmp_path, SHOP.replace('name = "North 7"\n', of_machine))
    bench.command(CommandAction.BEGIN, machine="north-7")
    bench.presenter.scene.gauges = dict.fromkeys(("amber", "blue", "red"), "streaming, 100 samples/s")
    lines = drawn(bench.presenter, 24, encoding)
    assert lines[-1].startswith("Enter")
    shown = sentences(lines)
    assert f"This machine: {NOTE}" in shown
    for key in CAUTIONS:
        assert (SENTENCES[key] in shown) is (key is not left_out)
    bench.command(CommandAction.ACKNOWLEDGE)
    assert bench.session.test is not None
    acknowledged = bench.session.test.state.acknowledged
    assert acknowledged is not None
    assert PromptKey.CAUTION_NOTE in acknowledged.cautions
    assert left_out not in acknowledged.cautions
    assert NOTE not in sentences(drawn(bench.presenter, 24, encoding))


@pytest.mark.parametrize(("encoding", "doubt"), [("utf-8", "±"), ("ascii", "+/-")])
def test_why_a_reading_is_doubted_is_on_the_screen_in_the_words_of_the_report(
    tmp_path: Path, encoding: str, doubt: str
) -> None:
    bench = Watched(tmp_path)
    bench.begin(repeats=1)
    bench.crank(930.0, flags=frozenset({Flag.UNDER_SAMPLED, Flag.POOR_FIT}))
    bench.crank(930.0, 40.0)
    slow, odd = FLAG_WORDS[Flag.UNDER_SAMPLED], FLAG_WORDS[Flag.POOR_FIT]
    assert bench.presenter.scene.cylinders[0].remarks == (slow, odd)
    shown = sentences(drawn(bench.presenter, 60, encoding))
    assert f"{slow.replace('±', doubt)}, {odd}" in shown
    bench.crank(930.0, 6.0, flags=frozenset({Flag.UNDER_SAMPLED}))
    assert bench.presenter.scene.last_event is not None
    assert bench.presenter.scene.last_event.remarks == (slow,)


@pytest.mark.parametrize(("lost", "said"), [(1, "1 sample lost"), (2, "2 samples lost")])
def test_lost_samples_are_counted_in_words(tmp_path: Path, lost: int, said: str) -> None:
    bench = Watched(tmp_path)
    bench.presenter.linked(LinkState("amber", LinkPhase.CONNECTING, counts=FrameCounts(lost_samples=lost)))
    assert bench.presenter.scene.gauges["amber"] == f"connecting, {said}"


def test_a_test_that_goes_on_before_its_cautions_were_acknowledged_shows_them_again(tmp_path: Path) -> None:
    bench = Watched(tmp_path)
    step = bench.command(CommandAction.BEGIN, machine="north-7")
    other = ScenePresenter(bench.session.shop)
    step.prompts.clear()
    other.stepped(step)
    assert other.scene.cautions == tuple(SENTENCES[key] for key in CAUTIONS)


@pytest.mark.parametrize(
    ("request_", "cylinder", "limit"),
    [(LeakRequest(), None, "7.0 psi"), (LeakRequest(kind=DecayKind.DIFFERENTIAL), "PTO", "psi")],
)
def test_every_caution_of_air_and_its_limit_are_on_the_screen_until_acknowledged(
    tmp_path: Path, request_: LeakRequest, cylinder: str | None, limit: str
) -> None:
    session = LeakSession(leak_shop(tmp_path))
    presenter = ScenePresenter(session.shop)

    def ask(action: CommandAction, **how: object) -> Step:
        step = session.command(Command(id=new_id(), action=action, **how), None, 0.0, NOON)
        presenter.stepped(step)
        return step

    begun = ask(CommandAction.BEGIN_DECAY, machine=MACHINE, leak=request_, cylinder=cylinder)
    said = {prompt.key: prompt.text for prompt in begun.prompts}
    shown = sentences(drawn(presenter))
    for key in AIR_CAUTIONS:
        assert said[key] in shown
    assert limit in said[PromptKey.CAUTION_AIR_LIMIT]
    ask(CommandAction.ACKNOWLEDGE)
    after = sentences(drawn(presenter))
    assert not any(said[key] in after for key in AIR_CAUTIONS)
    ask(CommandAction.STOP_DECAY)
    ask(CommandAction.BEGIN_DECAY, machine=MACHINE, leak=request_, cylinder=cylinder)
    assert said[PromptKey.CAUTION_AIR_LIMIT] in sentences(drawn(presenter))
    ask(CommandAction.STOP_DECAY)
    assert presenter.scene.cautions == ()


def test_the_verdict_waits_until_the_test_is_settled_and_then_says_why(tmp_path: Path) -> None:
    bench = Watched(tmp_path)
    bench.begin()
    bench.whole_test(930.0, 700.0)
    assert bench.session.verdict is not None
    assert bench.session.verdict.word is not VerdictWord.CONSISTENT
    shown = sentences(drawn(bench.presenter))
    assert "% of the highest so far" in shown
    assert not any(word in shown for word in VerdictWord)
    bench.crank(935.0, 40.0)
    bench.crank(937.0)
    assert bench.session.test is not None
    assert bench.session.test.state.phase is Phase.DONE
    verdict = bench.session.verdict
    shown = sentences(drawn(bench.presenter))
    assert verdict.word is VerdictWord.INVESTIGATE
    assert f"% of the highest: {verdict.word.value}" in shown
    assert verdict.summary in shown


def test_a_test_that_is_closed_early_says_at_the_end_that_it_must_be_done_again_and_why(tmp_path: Path) -> None:
    bench = Watched(tmp_path)
    bench.begin()
    bench.whole_test(930.0, 925.0)
    assert "retest" not in sentences(drawn(bench.presenter))
    bench.command(CommandAction.FINISH)
    assert bench.session.verdict is not None
    shown = sentences(drawn(bench.presenter))
    assert bench.session.verdict.word is VerdictWord.RETEST
    assert "% of the highest: retest" in shown
    assert bench.session.verdict.summary in shown


def test_a_clean_verdict_needs_no_reason(tmp_path: Path) -> None:
    bench = Watched(tmp_path)
    bench.begin()
    bench.whole_test(930.0, 925.0, 935.0)
    assert "% of the highest: consistent" in sentences(drawn(bench.presenter))
    assert bench.presenter.scene.why == ""


def test_a_refusal_goes_with_the_next_prompt_or_reading_and_a_trouble_stays(tmp_path: Path) -> None:
    bench = Watched(tmp_path)
    bench.begin()
    bench.presenter.troubled("The disk is full.")
    refused = bench.command(CommandAction.STRIKE).result
    assert refused is not None
    assert not refused.ok
    assert f"! {refused.text}" in sentences(drawn(bench.presenter))
    bench.take(bench.session.tick(bench.now_s + 1.0, bench.at))
    assert f"! {refused.text}" in sentences(drawn(bench.presenter))
    bench.crank(930.0)
    shown = sentences(drawn(bench.presenter))
    assert refused.text not in shown
    assert "! The disk is full." in shown


def test_a_refusal_goes_when_something_else_is_done(tmp_path: Path) -> None:
    bench = Watched(tmp_path)
    bench.command(CommandAction.BEGIN, machine="north-7")
    bench.command(CommandAction.SKIP)
    assert CAUTIONS_FIRST in sentences(drawn(bench.presenter))
    bench.command(CommandAction.ACKNOWLEDGE)
    assert CAUTIONS_FIRST not in sentences(drawn(bench.presenter))


def test_pulls_are_in_the_order_in_which_they_were_made_with_the_left_out_one_in_brackets(tmp_path: Path) -> None:
    bench = Watched(tmp_path)
    bench.begin()
    for peak_kpa in (840.0, 950.0, 945.0):
        bench.crank(peak_kpa)
    row = bench.presenter.scene.cylinders[0]
    assert [(pull.peak_kpa, pull.counted) for pull in row.pulls] == [(840.0, False), (950.0, True), (945.0, True)]
    assert "(122)  138  137" in "\n".join(drawn(bench.presenter))


def test_who_leaves_an_open_test_keeps_its_table_and_is_told_how_to_go_on(tmp_path: Path) -> None:
    bench = Watched(tmp_path)
    assert left(bench.presenter) == ""
    bench.begin()
    bench.whole_test(930.0)
    text = left(bench.presenter)
    assert "North 7, dry test" in text
    assert "135  135" in text
    go_on = f"The test of North 7 stays open; go on with it: gaugelink run --config {tmp_path / 'shop.toml'}"
    assert go_on in text
    bench.crank(925.0, 40.0)
    bench.command(CommandAction.FINISH)
    text = left(bench.presenter)
    assert "% of the highest: retest" in text
    assert bench.presenter.scene.why in text
    assert "stays open" not in text


def test_a_simulated_test_goes_on_as_a_simulated_one(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    state = bench.command(CommandAction.BEGIN, machine="north-7").state
    assert state is not None
    shop = bench.session.shop
    assert stays_open(state, shop.as_simulated()) == f"{stays_open(state, shop)} --simulate"
