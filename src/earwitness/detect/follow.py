"""One emission being followed from row to row, and the small judgements that takes."""

from __future__ import annotations

from collections import deque

import numpy as np

from earwitness.detect.artefacts import Traces
from earwitness.spectrum.stft import Plan, looks

NARROW_HZ = 3200.0  # up to here it may be keyed by hand or by speech


def bridge_s(width_hz: float, run_s: float, span_hz: float, bin_hz: float) -> float:
    """Give how long a silence an emission bridges, by its width and its longest unbroken run so far.

    Narrow ones may be Morse (word gaps 0.42 s at 20 words per minute) or speech on a suppressed carrier; one that
    has been on without a break for a second is neither, and only its fades are bridged. Wide ones
    are packets or constant-carrier overs: a tenth of the run, 3 to 100 ms.
    """
    if width_hz <= max(NARROW_HZ, 4.5 * bin_hz):
        return 0.9 if run_s < 1.0 and span_hz <= 500e3 else 0.5
    return min(max(0.1 * run_s, 0.003), 0.1)


class Emission:
    """One emission being followed."""

    def __init__(self, number: int, low: float, high: float, start: float, bins: int):
        self.number = number
        self.low = low
        self.high = high
        self.least = low
        self.most = high
        self.start = start
        self.stop = start
        self.run_start = start
        self.longest_run = 0.0
        self.rows = 0  # on, so far
        self.outside = 0.0  # part of them that lies before its start or after its stop
        self.excess = np.zeros(bins, np.float32)  # power over the floor, summed over the on rows
        self.floor = np.zeros(bins, np.float32)  # the floor, summed over the same rows
        self.reported = False
        self.image = False
        self.traces = Traces()
        self.slow = False  # too weak to be claimed within a batch
        self.recent: deque[float] = deque(maxlen=8)  # mean excess over noise of the last batches, if slow

    def follow(self, low: float, high: float) -> None:
        """Move the band towards where the energy was in this batch: out at once, in slowly."""
        self.low = low if low < self.low else self.low + 0.25 * (low - self.low)
        self.high = high if high > self.high else self.high + 0.25 * (high - self.high)
        self.least = min(self.least, low)
        self.most = max(self.most, high)


def weak_limit(count: float) -> float:
    """Give the excess that a mean of `count` looks of noise has with a probability of 1e-3.

    Wilson and Hilferty's cube-root approximation of the gamma distribution (textbook); good to a few percent.
    """
    ninth = 1 / (9 * count)
    return float((1 - ninth + 3.09 * np.sqrt(ninth)) ** 3 - 1)


def carry(on: np.ndarray, hidden: np.ndarray, before: bool) -> np.ndarray:
    """Give `on` with each hidden row as the last row that was not; `before` is the state before the first."""
    at = np.maximum.accumulate(np.where(hidden, -1, np.arange(len(on))))
    return np.where(at >= 0, on[np.maximum(at, 0)], before)


def grow(sure: np.ndarray, weak: np.ndarray) -> np.ndarray:
    """Give `sure` rows and the runs of `weak` rows that touch them."""
    either = sure | weak
    edges = np.flatnonzero(np.diff(np.concatenate([[0], either.view(np.int8), [0]])))
    out = sure.copy()
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        out[first:last] = sure[first:last].any()
    return out


def band_looks(of: Plan, rows: int, width: int) -> float:
    """Give the looks in `rows` x `width` cells; beyond 8 x 8 cells they grow in proportion."""
    few_rows, few_bins = min(rows, 8), min(width, 8)
    return looks(of, few_rows, few_bins) * (rows / few_rows) * (width / few_bins)
