"""The service unit that a shop copies: its command runs without a terminal and ends cleanly when it is stopped."""

import asyncio
import configparser
import shlex
import shutil
import signal
import sys
from pathlib import Path

CONFIG = Path(__file__).parents[2] / "config"


def unit() -> configparser.ConfigParser:
    parser = configparser.ConfigParser(interpolation=None)
    parser.read_string((CONFIG / "gaugelink.service").read_text(encoding="utf-8"))
    return parser


async def test_the_command_of_the_unit_runs_without_a_terminal_and_stops_without_a_fault(tmp_path: Path) -> None:
    program, *arguments = shlex.split(unit()["Service"]["ExecStart"])
    assert program == "%h/gaugelink/.venv/bin/gaugelink"
    assert unit()["Service"]["Restart"] == "on-failure"
    shop = shutil.copytree(CONFIG, tmp_path / "my-shop") / "shop.toml"
    shop.write_text(shop.read_text(encoding="utf-8").replace("port = 18830", "port = 0"), encoding="utf-8")
    place, port = arguments.index("--config") + 1, arguments.index("--dashboard") + 1
    assert arguments[place] == "%h/my-shop/shop.toml"
    arguments[place], arguments[port] = str(shop), "0"
    service = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "gaugelink",
        *arguments,
        "--silent",
        stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.STDOUT,
        env={"HOME": str(tmp_path), "PYTHONUNBUFFERED": "1"},
    )
    assert service.stdout is not None
    try:
        async for line in service.stdout:
            if b"Confirm that you heard the cautions" in line:
                break
        else:
            raise AssertionError("it ended before it said its cautions")
        service.send_signal(signal.SIGTERM)
        _, code = await asyncio.gather(service.stdout.read(), service.wait())
    finally:
        if service.returncode is None:
            service.kill()
    assert code == 0, "systemd would take it for a fault and start it again"
