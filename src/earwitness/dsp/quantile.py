"""Quantiles without the preliminaries that cost numpy's more than the work itself."""

from __future__ import annotations

import numpy as np


def quantile(values: np.ndarray, share: float) -> float:
    """Give the quantile of real values (n,), n > 0, interpolated: the same as np.quantile."""
    place = share * (len(values) - 1)
    low = int(place)
    high = min(low + 1, len(values) - 1)
    split = np.partition(values, (low, high) if high > low else low)
    return float(split[low]) + (place - low) * (float(split[high]) - float(split[low]))
