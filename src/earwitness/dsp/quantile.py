"""Quantiles without the preliminaries that cost numpy's more than the work itself."""

from __future__ import annotations

import numpy as np

MANY = 8192  # values of which one in SOME is looked at first
SOME = 16


def quantile(values: np.ndarray, share: float) -> float:
    """Give the quantile of real values (n,), n > 0, interpolated: the same as np.quantile."""
    place = share * (len(values) - 1)
    low = int(place)
    high = min(low + 1, len(values) - 1)
    if len(values) >= MANY:
        near, below = _near(values, share)
        if below <= low and high < below + len(near):
            values, low, high, place = near, low - below, high - below, place - below
    split = np.partition(values, (low, high) if high > low else low)
    return float(split[low]) + (place - low) * (float(split[high]) - float(split[low]))


def _near(values: np.ndarray, share: float) -> tuple[np.ndarray, int]:
    """Give the values that are likely to be about a quantile, and how many are smaller: to sort out all costs more."""
    some = values[::SOME]
    reach = 2 / np.sqrt(len(some))  # four standard deviations of a rank, at most
    last = len(some) - 1
    first, second = (round(last * edge) for edge in (share - reach, share + reach))
    split = np.partition(some, (max(first, 0), min(second, last)))
    inside = np.ones(len(values), bool)
    below = 0
    if first > 0:
        inside = values >= split[first]
        below = len(values) - int(np.count_nonzero(inside))
    if second < last:
        inside &= values <= split[second]
    return values[inside], below
