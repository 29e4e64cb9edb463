"""Medians and percentiles of short arrays are numpy's to the last bit."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from gaugelink.peak.order import middle, percentile_of

PRESSURES = st.lists(st.floats(-1e7, 1e7), min_size=1, max_size=60).map(np.array)


@given(values=PRESSURES, percent=st.sampled_from([0.0, 5.0, 10.0, 50.0, 60.0, 75.0, 95.0, 100.0]))
def test_a_percentile_is_numpys(values: np.ndarray, percent: float) -> None:
    assert percentile_of(np.sort(values), percent) == np.percentile(values, percent)


@given(values=PRESSURES)
def test_a_median_is_numpys(values: np.ndarray) -> None:
    before = values.copy()
    assert middle(values) == np.median(values)
    assert (values == before).all()
