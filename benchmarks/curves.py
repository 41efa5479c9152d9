"""What the benchmarks' curves of success against Eb/N0 share."""

from itertools import pairwise
from math import comb, exp, factorial, nan


def crossing(points, level=0.9):
    """Give where a success rate passes `level`, by straight lines between points (x, rate); NaN where it does not."""
    for (x0, y0), (x1, y1) in pairwise(points):
        if y0 < level <= y1:
            return x0 + (level - y0) / (y1 - y0) * (x1 - x0)
    return nan


def diversity_error(ebn0, copies):
    """Give the error probability of square-law combining of `copies` keyed bits, each with Eb/N0 `ebn0`.

    Proakis, Digital Communications, L-fold diversity of non-coherent binary signals; from memory.
    """
    half = copies * ebn0 / 2
    total = sum(
        half**n / factorial(n) * sum(comb(2 * copies - 1, k) for k in range(copies - n))
        for n in range(copies)
    )
    return exp(-half) * total / 2 ** (2 * copies - 1)
