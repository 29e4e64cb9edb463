"""A whole decay of a simulated crankcase over the virtual radio, hands free."""

import io
import re

from rich.console import Console

from gaugelink.app.leak_demo import run_leak_demo


async def test_the_simulated_case_is_pumped_watched_and_judged_over_the_radio() -> None:
    out = io.StringIO()
    await run_leak_demo(Console(file=out, width=200), hole_mm=0.25, speed=4.0, silent=True, seed=3)
    text = out.getvalue()
    said = [line[2:] for line in text.splitlines() if line.startswith("> ")]
    assert said[0].startswith("Caution. Air turns the crank with force.")
    assert said[-3].startswith("Seal the crankcase. Pump it to 6.0 psi")
    assert said[-2].startswith("Closed at")
    assert said[-1].startswith("Failed. The crankcase loses")
    found = re.search(r"As a hole of ([\d.]+) mm \(([\d.]+) to ([\d.]+)\)", text)
    assert found is not None
    assert float(found[2]) <= 0.25 <= float(found[3])
