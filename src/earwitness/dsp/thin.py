"""Filtering a stream of real or complex samples and keeping every so many of them, in time domain."""

from __future__ import annotations

import numpy as np

from earwitness.dsp.jit import kernel

PIECE = 1024  # outputs that are made together, so that all stays in the nearest cache


@kernel(
    "void(float32[::1], float32[::1], int64, float32[::1])",
    "void(complex64[::1], float32[::1], int64, complex64[::1])",
    fastmath=True,
)
def _fir(x: np.ndarray, taps: np.ndarray, stride: int, out: np.ndarray) -> None:
    """Give the sums of x's stretches times taps, every `stride` samples.

    The samples of a piece are dealt into `stride` rows, so that each tap meets neighbours, side by side in a register.
    """
    rows = np.zeros((stride, PIECE + len(taps) // stride + 1), x.dtype)
    whole = len(taps) // 4 * 4
    for at in range(0, len(out), PIECE):
        y = out[at : at + PIECE]
        y[:] = 0
        for first in range(min(stride, len(taps))):
            row = rows[first, : len(y) + (len(taps) - 1 - first) // stride]
            for m in range(len(row)):
                row[m] = x[(at + m) * stride + first]
        for i in range(0, whole, 4):
            a = rows[i % stride, i // stride :][: len(y)]
            b = rows[(i + 1) % stride, (i + 1) // stride :][: len(y)]
            c = rows[(i + 2) % stride, (i + 2) // stride :][: len(y)]
            d = rows[(i + 3) % stride, (i + 3) // stride :][: len(y)]
            for m in range(len(y)):
                y[m] += taps[i] * a[m] + taps[i + 1] * b[m] + taps[i + 2] * c[m] + taps[i + 3] * d[m]
        for i in range(whole, len(taps)):
            a = rows[i % stride, i // stride :][: len(y)]
            for m in range(len(y)):
                y[m] += taps[i] * a[m]


class Thin:
    """A symmetric FIR filter that keeps each `stride`-th sample; output m is centred on input stride * m."""

    def __init__(self, taps: np.ndarray, stride: int, dtype: type):
        self.taps = np.asarray(taps, np.float32)
        self._stride = stride
        self._held: np.ndarray = np.zeros(len(taps) // 2, dtype)
        self.half = len(taps) // 2

    def feed(self, x: np.ndarray) -> np.ndarray:
        """Take the next samples (n,) of the dtype; give those that are settled."""
        self._held = np.concatenate([self._held, x])
        many = max((len(self._held) - len(self.taps)) // self._stride + 1, 0)
        out = np.empty(many, self._held.dtype)
        _fir(self._held, self.taps, self._stride, out)
        self._held = self._held[many * self._stride :].copy()
        return out
