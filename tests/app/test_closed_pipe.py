"""Whoever reads what a command prints may go away, as `| head` does: the command ends, and blames nobody."""

import io
import os
import subprocess
import sys
from pathlib import Path

import pytest

from gaugelink.app.commands.radio import TerminalHand
from gaugelink.app.terminal import Terminal
from gaugelink.engine.units import PressureUnit
from gaugelink.errors import ClosedPipeError
from tests.app.killing import write_shop


class Gone(io.StringIO):
    """A pipe without a reader."""

    def write(self, text: str, /) -> int:
        raise BrokenPipeError


@pytest.mark.parametrize(
    "words",
    [
        ["inspect", "Gauge 77", "--simulate", "--watch", "0"],
        ["learn", "Gauge 77", "--simulate", "--out", "taught.toml"],
        ["check", "shop.toml"],
        ["contract"],
        ["--help"],
    ],
)
def test_a_command_that_nobody_reads_ends_without_a_word(tmp_path: Path, words: list[str]) -> None:
    write_shop(tmp_path, 1883, repeats=1)
    reader, writer = os.pipe()
    os.close(reader)
    try:
        ran = subprocess.run(
            [sys.executable, "-m", "gaugelink", *words],
            cwd=tmp_path,
            stdin=subprocess.DEVNULL,
            stdout=writer,
            stderr=subprocess.PIPE,
            text=True,
            timeout=120,
            check=False,
        )
    finally:
        os.close(writer)
    assert (ran.returncode, ran.stderr) == (1, "")


def test_a_reader_that_goes_away_does_not_end_the_process_out_of_its_tasks() -> None:
    with pytest.raises(ClosedPipeError):
        Terminal(file=Gone()).print("a line")


def test_a_question_that_nobody_reads_is_no_fault_of_the_radio(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdout", Gone())
    with pytest.raises(ClosedPipeError):
        TerminalHand(PressureUnit.PSI).say("Checked.")
