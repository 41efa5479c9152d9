"""Runs of true in flags, one pass."""

from __future__ import annotations

import numpy as np

from earwitness.dsp.jit import kernel


@kernel("int64[::1](boolean[::1])")
def _edges(chosen: np.ndarray) -> np.ndarray:
    """Give where true begins and ends, in turn."""
    out = np.empty(len(chosen) + 1, np.int64)
    count = 0
    before = False
    for k in range(len(chosen)):
        if chosen[k] != before:
            before = not before
            out[count] = k
            count += 1
    if before:
        out[count] = len(chosen)
        count += 1
    return out[:count].copy()


def runs(chosen: np.ndarray) -> list[tuple[int, int]]:
    """Give (begin, end) of the runs of true in bool (n,)."""
    edges = _edges(chosen).tolist()
    return list(zip(edges[::2], edges[1::2], strict=True))
