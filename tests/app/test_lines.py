"""What a person types is waited for without a thread, so that Ctrl-C ends the wait and not only Enter."""

import asyncio
import os
import subprocess
import sys
from pathlib import Path

import pytest

from gaugelink.app.lines import TypedLines

GIVEN_UP = """
import asyncio
from gaugelink.app.lines import TypedLines

async def wait() -> None:
    asking = asyncio.create_task(TypedLines().next())
    await asyncio.sleep(0)
    asking.cancel()
    await asyncio.gather(asking, return_exceptions=True)

asyncio.run(wait())
"""


async def test_lines_come_one_at_a_time_and_the_end_of_the_input_is_an_empty_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    end, begin = os.pipe()
    with os.fdopen(end) as typed:
        monkeypatch.setattr(sys, "stdin", typed)
        os.write(begin, "0.0\r\n20,5 äöü\nun".encode())
        lines = TypedLines()
        assert [await lines.next() for _ in range(2)] == ["0.0", "20,5 äöü"]
        rest = asyncio.create_task(lines.next())
        os.write(begin, b"finished")
        os.close(begin)
        assert await rest == "unfinished"
        assert await lines.next() == ""


async def test_an_ordinary_file_is_read_as_if_it_were_typed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "typed").write_text("0\n20\n", encoding="utf-8")
    with (tmp_path / "typed").open() as typed:
        monkeypatch.setattr(sys, "stdin", typed)
        lines = TypedLines()
        assert [await lines.next() for _ in range(3)] == ["0", "20", ""]


def test_giving_up_ends_the_wait_for_a_line_that_nobody_types() -> None:
    end, begin = os.pipe()
    ran = subprocess.run([sys.executable, "-c", GIVEN_UP], stdin=end, timeout=120, check=False)
    os.close(begin)
    os.close(end)
    assert ran.returncode == 0
