"""Every benchmark says what it is and what it takes, and measures nothing by that."""

import runpy
import sys
from pathlib import Path

import pytest

MEASURING = sorted(
    path
    for path in (Path(__file__).parent / "benchmarks").glob("*.py")
    if '__name__ == "__main__"' in path.read_text(encoding="utf-8")
)


@pytest.mark.parametrize("path", MEASURING, ids=[path.stem for path in MEASURING])
def test_a_benchmark_prints_its_help(
    path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", [str(path), "--help"])
    with pytest.raises(SystemExit) as ended:
        runpy.run_path(str(path), run_name="__main__")
    assert ended.value.code == 0
    first, *_ = (path.read_text(encoding="utf-8").removeprefix('"""')).splitlines()
    shown = " ".join(capsys.readouterr().out.split())
    assert shown.startswith(f"usage: {path.name} ")
    assert first in shown
