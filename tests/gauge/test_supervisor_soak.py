"""A small share of the soak: troubles one after another, and everything still adds up."""

import numpy as np
import pytest

from simulators.radio_soak import TROUBLES, soak
from simulators.radio_time import run_driven


@pytest.mark.parametrize("seed", [11, 12])
def test_the_link_comes_back_from_every_trouble_and_the_samples_add_up(seed: int) -> None:
    result = run_driven(soak(12, seed))
    assert result.troubles == 12
    assert set(result.back_s) <= set(TROUBLES)
    assert result.went_back == 0
    assert result.tasks_left == 0
    # At each reconnect the gap is known to the jitter of the air, 45 ms, and one frame of ten samples.
    unaccounted = round(result.span_s * 100.0) + 1 - result.samples - result.lost
    assert abs(unaccounted) <= 12 * 6
    # Worst without a refusal: a silence of twenty frames, a scan and its settling, a connect.
    others = [wait for kind, waits in result.back_s.items() if kind != "refuse" for wait in waits]
    assert np.max(others) < 6.0
