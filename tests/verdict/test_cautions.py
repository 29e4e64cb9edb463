"""What may hurt somebody at the engine is named wherever cautions are: at the bench, under every report, in README."""

from pathlib import Path

import pytest

from gaugelink.bench.english import SENTENCES
from gaugelink.bench.prompt_keys import AIR_CAUTIONS
from gaugelink.bench.prompt_keys import CAUTIONS as SAID
from gaugelink.verdict.judge import CAUTIONS, DOES_NOT_PROVE

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "words",
    [("ground",), ("vapour", "flame", "spark"), ("belt", "clutch"), ("eye protection",), ("maker's manual",)],
    ids=["a spark", "fuel vapour", "what turns", "eyes", "the maker's word"],
)
def test_a_hazard_is_named_at_the_bench_under_the_report_and_before_the_first_pull(words: tuple[str, ...]) -> None:
    before_you_crank = README.partition("**Before you crank:**")[2].partition("\n\n")[0]
    for told in (" ".join(SENTENCES[key] for key in SAID), " ".join(CAUTIONS), before_you_crank):
        said = told.lower().replace("\n", " ")
        assert all(word in said for word in words), said


def test_a_report_says_that_the_machine_is_parked_and_the_fuel_is_shut() -> None:
    assert "fuel shut off" in CAUTIONS[0]
    assert any("so that it cannot move" in caution for caution in CAUTIONS)


def test_a_report_that_sends_somebody_to_a_leak_down_says_what_air_does_to_the_crank() -> None:
    (air,) = (caution for caution in CAUTIONS if "leak-down" in caution)
    at_the_bench = " ".join(SENTENCES[key] for key in AIR_CAUTIONS)
    for words in ("turns the crank with force", "as the"):
        assert words in air
        assert words in at_the_bench
    assert "lock it" in air
    assert "never go above the maker's pressure" in air


@pytest.mark.parametrize("words", ["does not prove", "even wear", "crankcase", "loose adapter or a closed throttle"])
def test_a_report_says_what_no_cranking_pressure_proves(words: str) -> None:
    assert any(words in sentence for sentence in DOES_NOT_PROVE)
