"""Peaks of a series of scores, one pass, and where between two of them a peak is."""

from __future__ import annotations

import numpy as np

from earwitness.dsp.jit import kernel


@kernel("float64(float64, float64, float64)")
def vertex(before: float, top: float, after: float) -> float:
    """Give where the parabola through three scores a step apart has its top, in steps from the middle; 0 if it has none."""
    bend = before - 2 * top + after
    return 0.5 * (before - after) / bend if bend < 0 else 0.0


@kernel("int64(float32[::1], float32, int64, int64[::1])")
def _peaks(scores: np.ndarray, gate: float, near: int, out: np.ndarray) -> int:
    """Fill `out` with the places of peaks; gives how many."""
    count = 0
    for n in range(near, len(scores) - near):
        top = scores[n]
        if top <= gate:
            continue
        peak = True
        for i in range(n - near, n + near + 1):
            if scores[i] > top or (scores[i] == top and i < n):
                peak = False
                break
        if peak and count < len(out):
            out[count] = n
            count += 1
    return count


def peaks(scores: np.ndarray, gate: float, near: int) -> list[int]:
    """Give where scores float32 (n,) pass the gate and none within `near` is higher; the outer `near` are context.

    The first of equals counts, so that a plateau gives one peak.
    """
    out = np.empty(len(scores) // near + 1, np.int64)
    return [int(n) for n in out[: _peaks(scores, gate, near, out)]]
