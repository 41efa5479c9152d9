"""Where noise ends: the limit of a box of cells at a stated rate of false alarms.

The power in a box of a windowed, overlapped transform of white noise is a sum of exponential variables weighted
with the eigenvalues of the cells' correlation. Its tail follows from the saddlepoint approximation of Lugannani
and Rice (1980, from memory). A gamma
distribution of the same variance is the textbook's short cut; with overlapped frames its tail is too light, and
false alarms come several times too often.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import erfc

import numpy as np

from earwitness.dsp.jit import kernel
from earwitness.spectrum.stft import Plan, looks

_LARGEST = 16  # cells per side of the box whose eigenvalues are worked out


@lru_cache(maxsize=256)
def _eigenvalues(of: Plan, frames: int, bins: int) -> np.ndarray:
    """Give the eigenvalues of the correlation of frames x bins cells of white noise; their mean is 1."""
    window = of.window.astype(float)
    ambiguity = np.zeros((frames, bins), complex)
    for hops in range(min(frames, -(-of.size // of.hop))):
        product = window[: of.size - hops * of.hop] * window[hops * of.hop :]
        turn = np.exp(-2j * np.pi * np.outer(np.arange(bins), np.arange(len(product))) / of.size)
        ambiguity[hops] = turn @ product
    ambiguity /= np.sum(window**2)
    f, b = (axis.ravel() for axis in np.meshgrid(np.arange(frames), np.arange(bins), indexing="ij"))
    lag = np.subtract.outer(f, f).T  # how much later the second cell's frame is
    step = np.subtract.outer(b, b)
    values = np.where(step >= 0, ambiguity[abs(lag), abs(step)], ambiguity[abs(lag), abs(step)].conj())
    later = np.broadcast_to(f[None, :], lag.shape)
    matrix = values * np.exp(-2j * np.pi * step * later * of.hop / of.size)
    matrix = np.where(lag >= 0, matrix, 0)
    whole = np.where(lag > 0, matrix, 0)
    return np.maximum(np.linalg.eigvalsh(whole + whole.conj().T + np.where(lag == 0, matrix, 0)), 0)


def weights(of: Plan, frames: int, bins: int) -> tuple[np.ndarray, float]:
    """Give the weights of the exponential sum for frames x bins cells, and how often each stands.

    Those of a part of the box where it is large, as often as the variance of the whole asks for.
    """
    values = _eigenvalues(of, min(frames, _LARGEST), min(bins, _LARGEST))
    values = values[values > 1e-3 * values.max()]
    part = values.sum() ** 2 / np.sum(values**2)
    return values, looks(of, frames, bins, 1) / part


@kernel("UniTuple(float64, 2)(float64[::1], float64, float64)")
def tail(values: np.ndarray, often: float, s: float) -> tuple[float, float]:
    """Give the level, as a ratio to the mean, and the log probability to exceed it, at saddlepoint `s`.

    `values` are the weights of exponential variables, each standing `often` times; 0 < s < 1 / max(values).
    """
    level = height = curve = total = 0.0
    for value in values:
        left = 1 - s * value
        level += value / left
        height -= np.log(left)
        curve += (value / left) ** 2
        total += value
    w = np.sqrt(2 * max(often * (s * level - height), 1e-12))
    u = s * np.sqrt(often * curve)
    density = np.exp(-(w**2) / 2) / np.sqrt(2 * np.pi)
    chance = 0.5 * erfc(w / np.sqrt(2)) + density * (1 / u - 1 / w)
    return level / total, np.log(max(chance, 1e-300))


@kernel("float64(float64[::1], float64, float64)")
def limit(values: np.ndarray, often: float, false_alarm: float) -> float:
    """Give the level, as a ratio to the mean, that noise exceeds with probability `false_alarm` (below 0.1)."""
    low, high = 1e-9, (1 - 1e-9) / values.max()
    goal = np.log(false_alarm)
    for _ in range(60):
        middle = (low + high) / 2
        if tail(values, often, middle)[1] > goal:
            low = middle
        else:
            high = middle
    return tail(values, often, high)[0]


@dataclass(frozen=True)
class Limits:
    """Limits of boxes as excess over the mean: `first` of the coarse shapes, to be looked at; `last` to be claimed.

    `first` float32 (times, widths) for powers of two; `last[r - 1, b - 1]` float32 for r rows by b bins.
    """

    first: np.ndarray
    last: np.ndarray

    def turned(self) -> Limits:
        """Give the same for cells with time along the second axis."""
        turn = np.ascontiguousarray
        return Limits(turn(self.first.T), turn(self.last.T))


@lru_cache(maxsize=32)
def limits(
    of: Plan,
    per_hour: float,
    spread: float,
    most_rows: int,
    most_bins: int,
    *,
    batch_rows: int,
    bin_cells: int = 1,
    row_frames: int = 0,
) -> Limits:
    """Give the limits for boxes up to `most_rows` x `most_bins`, all shapes sharing `per_hour` false alarms, wide ones less.

    `batch_rows` are looked at together. A row holds `row_frames` frames (default: the plan's), a bin `bin_cells` transform bins; `spread` is the
    uncertainty of the floor as a fraction.
    """
    frames = row_frames or of.frames
    across = of.size // bin_cells
    tall = [2**k for k in range(most_rows.bit_length()) if 2**k <= most_rows]
    wide = [2**k for k in range(most_bins.bit_length()) if 2**k <= most_bins]
    row_s = frames * of.hop / of.rate_hz
    broad = of.size if of.quick_size else _BROAD
    shares = 1 / np.maximum(1.0, 1 + np.log2(np.array(wide) / broad))
    shares /= shares.sum()
    first = np.empty((len(tall), len(wide)), np.float32)
    final = np.empty((len(tall), len(wide)))
    for t, rows in enumerate(tall):
        for w, bins in enumerate(wide):
            values, often = weights(of, rows * frames, bins * bin_cells)
            disjoint = 3600 / (rows * row_s) * across / bins
            chance = min(0.01, box_chance(per_hour / len(tall) * shares[w] / disjoint))
            variance = np.sum(values**2) / (often * np.sum(values) ** 2)
            widened = np.sqrt(1 + spread**2 / variance)
            final[t, w] = (limit(values, often, chance) - 1) * widened
            look = min(0.01, _LOOKS / (batch_rows / rows * across / bins))
            first[t, w] = (limit(values, often, max(look, chance)) - 1) * widened
    logs = np.log(final)
    all_rows, all_bins = np.log(np.arange(1, most_rows + 1)), np.log(np.arange(1, most_bins + 1))
    by_bins = np.array([np.interp(all_bins, np.log(wide), line) for line in logs])
    by_rows = np.array([np.interp(all_rows, np.log(tall), line) for line in by_bins.T])
    return Limits(first, np.ascontiguousarray(np.exp(by_rows.T), np.float32))


def box_chance(wanted: float) -> float:
    """Give the false-alarm probability of one box that makes all those that overlap it alarm with `wanted`.

    Boxes slide and change size in small steps, so there are more independent tries than disjoint boxes, and the
    more the rarer the alarm: 14 at 4.5 standard deviations, 66 at 6. Fitted to alarms counted on noise at
    48 kS/s and 2.4 MS/s (`benchmarks/bench_detection.py`); the form follows the theory of level crossings.
    """
    from scipy.special import ndtri

    chance = min(wanted, 0.01)
    for _ in range(8):
        chance = min(wanted, 0.01) / max(1.0, 14.0 * (-ndtri(chance) / 4.5) ** 5.4)
    return float(chance)


_BROAD = 32  # bins: in narrow spans wider boxes slide in more and finer steps, and get a smaller share of the alarms
_LOOKS = 0.15  # closer looks that noise may cause per shape and batch
