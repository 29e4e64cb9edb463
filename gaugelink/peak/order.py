"""Extremes, medians and percentiles of short arrays: numpy's own spend most of their time on what does not occur here.

An array of a second of samples costs less to go through than the call that does it.
"""

from gaugelink.peak.events import FloatArray


def highest(values: FloatArray) -> float:
    """Highest of values, shape (n,), n at least 1, or NaN where one is; asking for its place costs a third as much."""
    return float(values[values.argmax()])


def lowest(values: FloatArray) -> float:
    """Lowest of values, shape (n,), n at least 1, or NaN where one is."""
    return float(values[values.argmin()])


def middle(values: FloatArray) -> float:
    """Median of values, shape (n,), n at least 1."""
    ordered = values.copy()
    ordered.sort()
    return middle_of(ordered)


def middle_of(ordered: FloatArray) -> float:
    """Median of values in rising order, shape (n,), n at least 1."""
    n = len(ordered)
    return float(ordered[n // 2] if n % 2 else 0.5 * (ordered[n // 2 - 1] + ordered[n // 2]))


def percentile_of(ordered: FloatArray, percent: float) -> float:
    """Percentile of values in rising order, shape (n,), n at least 1; linear between neighbours, as numpy's."""
    at = (len(ordered) - 1) * (percent / 100.0)
    below = int(at)
    low, high = float(ordered[below]), float(ordered[min(below + 1, len(ordered) - 1)])
    share = at - below
    return low + (high - low) * share if share < 0.5 else high - (high - low) * (1.0 - share)
