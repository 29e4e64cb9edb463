"""What a command loads before it acts: a foot switch or a script that calls one waits for that."""

import io
import subprocess
import sys
from importlib import import_module
from pkgutil import iter_modules

import pytest
import typer
from typer.testing import CliRunner

from gaugelink.app import commands
from gaugelink.app.cli import app
from gaugelink.app.commands.radio import _device_table
from gaugelink.app.terminal import Terminal
from gaugelink.gauge.scan import FoundDevice
from gaugelink.printable import printable

ADDRESS = "F0:5A:00:00:00:01"
HEAVY = ("scipy.stats", "scipy.signal", "matplotlib", "bumble", "aiohttp", "sqlalchemy", "pyarrow")


@pytest.mark.parametrize("command", ["test", "decay", "run"])
def test_a_command_to_a_running_bench_loads_no_plots_and_no_statistics(command: str) -> None:
    code = (
        "import sys\n"
        "from typer.testing import CliRunner\n"
        "from gaugelink.app.cli import app\n"
        f"result = CliRunner().invoke(app, [{command!r}, '--help'])\n"
        "assert result.exit_code == 0, result.output\n"
        f"print(*(name for name in {HEAVY!r} if name in sys.modules))\n"
    )
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert loaded == []


def test_ctrl_c_while_the_program_is_loaded_ends_it_without_a_traceback() -> None:
    code = (
        "import sys\n"
        "class Pressed:\n"
        "    def find_spec(self, name, *_):\n"
        "        if name == 'typer': raise KeyboardInterrupt\n"
        "sys.meta_path.insert(0, Pressed())\n"
        "from gaugelink.__main__ import main\n"
        "main()\n"
    )
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (ended.returncode, ended.stdout, ended.stderr) == (130, "", "")


def test_every_command_of_every_module_is_on_the_command_line() -> None:
    shown = CliRunner().invoke(app, ["--help"]).output
    names = set()
    for module in iter_modules(commands.__path__):
        found = import_module(f"gaugelink.app.commands.{module.name}")
        if hasattr(found, "register"):
            room = typer.Typer()
            room.callback()(lambda: None)
            found.register(room)
            names |= set(typer.main.get_group(room).commands)
    assert len(names) > 15
    assert all(f"\n  {name} " in shown for name in names)


def test_a_command_that_does_not_exist_is_said_to_be_none() -> None:
    result = CliRunner().invoke(app, ["tset"])
    assert result.exit_code == 2
    assert "No such command 'tset'" in result.output


@pytest.mark.parametrize("command", [["report"], ["test", "begin"], ["decay"]])
def test_a_commands_help_is_as_plain_as_that_of_all(command: list[str]) -> None:
    said = CliRunner().invoke(app, [*command, "--help"]).output
    assert said.startswith("Usage: ")
    assert not set(said) & set("╭│╰─")


def test_names_are_shown_as_they_are() -> None:
    told = io.StringIO()
    Terminal(file=told).print("North 7 [race] [/] :bolt:")
    assert told.getvalue() == "North 7 [race] [/] :bolt:\n"


@pytest.mark.parametrize("name", ["[/]", "[link=x]y[/link]", "\x1b[2J\x1b]0;a title\x07", "two\nlines"])
def test_no_name_on_the_air_ends_a_scan_or_moves_the_terminal(name: str) -> None:
    told = io.StringIO()
    Terminal(file=told, width=120).print(_device_table([FoundDevice(ADDRESS, name, -60, (), (), (), 1, False, ())]))
    (line,) = (line for line in told.getvalue().splitlines() if ADDRESS in line)
    assert line.isprintable()
    assert printable(name) in line
