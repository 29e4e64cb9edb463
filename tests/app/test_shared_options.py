"""Which bench is meant, and what else commands have in common, may be said before the command and behind it."""

from pathlib import Path

import pytest
from typer.testing import CliRunner

from gaugelink.app.cli import app
from gaugelink.app.commands import asked
from gaugelink.broker.commands import Command
from gaugelink.broker.message import new_id
from gaugelink.broker.messages import CommandResult
from gaugelink.broker.settings import BrokerSettings
from tests.app.shops import write_shop


@pytest.fixture
def asked_of(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, str, str]]:
    """Bench, action and who asked, of every command that was sent; the shop file is where one without `-c` looks."""
    (tmp_path / "config").mkdir()
    write_shop(tmp_path / "config")
    write_shop(tmp_path)
    heard: list[tuple[str, str, str]] = []

    async def ask(settings: BrokerSettings, bench: str, command: Command) -> tuple[CommandResult, tuple[str, ...]]:
        heard.append((bench, command.action.value, command.by))
        return CommandResult(id=new_id(), bench=bench, command_id=command.id, ok=True, text="Done."), ()

    monkeypatch.setattr(asked, "ask_and_hear", ask)
    monkeypatch.chdir(tmp_path)
    return heard


@pytest.mark.parametrize(
    "words",
    [
        "test finish --simulated --by Ada -c shop.toml",
        "test --simulated finish --by Ada -c shop.toml",
        "test -c shop.toml --by Ada --simulated finish",
        "--simulated test --by Ada finish --config shop.toml",
        "--config shop.toml --by Ada --simulated test finish",
    ],
)
def test_a_shared_option_means_the_same_before_the_command_and_behind_it(
    asked_of: list[tuple[str, str, str]], words: str
) -> None:
    result = CliRunner().invoke(app, words.split())
    assert result.exit_code == 0, result.output
    assert asked_of == [("bay-3-simulated", "finish", "Ada")]


def test_leak_tests_too_and_without_the_option_it_is_the_real_bench(asked_of: list[tuple[str, str, str]]) -> None:
    for words in ("decay stop --simulated", "decay --simulated begin", "decay stop"):
        assert CliRunner().invoke(app, words.split()).exit_code == 0
    assert [bench for bench, *_ in asked_of] == ["bay-3-simulated", "bay-3-simulated", "bay-3"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("--simulated contract", "No such option: --simulated"),
        ("decay --simulated volume 1 2 3", "No such option: --simulated"),
        ("--version test", "gaugelink "),
        ("tset finish test", "No such command 'tset'"),
    ],
)
def test_what_is_no_option_of_the_command_is_still_refused(words: str, said: str) -> None:
    result = CliRunner().invoke(app, words.split())
    assert said in result.output
    assert (result.exit_code == 0) is words.startswith("--version")


@pytest.mark.parametrize("words", ["test --simulated --help", "decay --simulated --help", "--simulated --help"])
def test_help_behind_a_shared_option_tells_the_commands(words: str) -> None:
    result = CliRunner().invoke(app, words.split())
    assert result.exit_code == 0
    assert "Commands" in result.output


@pytest.mark.parametrize(
    ("word", "meant"),
    [
        ("take-back", "Did you mean `gaugelink test take-back`?"),
        ("begin", "Did you mean `gaugelink test begin` or `gaugelink decay begin`?"),
        ("histroy", "Did you mean `gaugelink history`?"),
    ],
)
def test_a_word_that_is_no_command_by_itself_is_told_which_one_it_is(word: str, meant: str) -> None:
    result = CliRunner().invoke(app, [word])
    assert result.exit_code == 2
    assert f"No such command '{word}'. {meant}" in " ".join(result.output.split())


def test_a_word_that_is_like_none_is_refused_without_a_guess() -> None:
    result = CliRunner().invoke(app, ["xyzzy"])
    assert (result.exit_code, "Did you mean" in result.output) == (2, False)
