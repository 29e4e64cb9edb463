"""``scripts/setup`` says nothing while all goes well, so that the first words of the demo are its cautions."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

SETUP = Path(__file__).parents[1] / "scripts" / "setup"

PROJECT = """
[build-system]
requires = []
build-backend = "backend"
backend-path = ["."]
"""
BACKEND = """
from pathlib import Path

def prepare_metadata_for_build_editable(folder, settings=None):
    info = Path(folder) / "some-1.dist-info"
    info.mkdir()
    lines = ["Metadata-Version: 2.1", "Name: some", "Version: 1", "Requires-Dist: no-such-package", ""]
    (info / "METADATA").write_text("\\n".join(lines))
    return info.name

def build_editable(folder, settings=None, metadata=None):
    raise AssertionError("what it needs is looked for first")
"""
"""What builds a project that needs a package, without any package of its own."""


def test_an_installation_shows_errors_and_no_warnings(tmp_path: Path) -> None:
    (tmp_path / "scripts").mkdir()
    shutil.copy2(SETUP, tmp_path / "scripts" / "setup")
    python = tmp_path / ".venv" / "bin" / "python"
    python.parent.mkdir(parents=True)
    python.write_text(f'#!/bin/sh\nexec "{sys.executable}" "$@"\n', encoding="utf-8")
    python.chmod(0o755)
    (tmp_path / "pyproject.toml").write_text(PROJECT, encoding="utf-8")
    (tmp_path / "backend.py").write_text(BACKEND, encoding="utf-8")
    # pip warns of a place with packages that is not there, and fails for want of what the project needs.
    nowhere = {"PIP_NO_INDEX": "1", "PIP_FIND_LINKS": str(tmp_path / "nowhere"), "PIP_CONFIG_FILE": os.devnull}
    done = subprocess.run(
        [tmp_path / "scripts" / "setup", "sim"], env=os.environ | nowhere, capture_output=True, text=True, check=False
    )
    assert done.returncode != 0
    assert "no-such-package" in done.stderr
    assert "ERROR" in done.stderr
    assert "WARNING" not in done.stdout + done.stderr
