"""What is simulated stays apart from what is real: in the record, and in what must be installed."""

import subprocess
import sys
from pathlib import Path

from gaugelink.app.service import apart
from gaugelink.app.shopfile import load_shop
from tests.app.killing import write_shop

WITHOUT_BUMBLE = "import sys; sys.modules['bumble'] = None; from gaugelink.app.cli import main; main()"


def without_bumble(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", WITHOUT_BUMBLE, *arguments]
    return subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)


def test_a_simulation_has_a_journal_of_its_own_beside_the_shops(tmp_path: Path) -> None:
    shop = load_shop(write_shop(tmp_path, 1883, repeats=1))
    assert apart(shop).journal == shop.journal.with_name("bay-9-simulated.db") != shop.journal


def test_a_bench_with_a_real_gauge_needs_no_simulated_radio() -> None:
    ran = subprocess.run(
        [sys.executable, "-c", "import sys; sys.modules['bumble'] = None; import gaugelink.app.service"],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert ran.returncode == 0, ran.stderr


def test_a_simulation_without_the_simulated_radio_says_what_to_install(tmp_path: Path) -> None:
    ran = without_bumble("run", "--config", str(write_shop(tmp_path, 1883, repeats=1)), "--simulate", "--silent")
    assert ran.returncode != 0
    assert "install gaugelink[sim]" in ran.stderr
    assert "Traceback" not in ran.stderr
