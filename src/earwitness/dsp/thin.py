"""Filtering a stream of real or complex samples and keeping every so many of them, in time domain."""

from __future__ import annotations

import numpy as np

from earwitness.dsp.jit import kernel


@kernel("void(float32[::1], float32[::1], int64, float32[::1])", fastmath=True)
def _fir(x: np.ndarray, taps: np.ndarray, stride: int, out: np.ndarray) -> None:
    """Give the sums of x's stretches times taps, every `stride` samples."""
    for m in range(len(out)):
        total = np.float32(0)
        for i in range(len(taps)):
            total += x[m * stride + i] * taps[i]
        out[m] = total


@kernel("void(complex64[::1], float32[::1], int64, complex64[::1])", fastmath=True)
def _fir_complex(x: np.ndarray, taps: np.ndarray, stride: int, out: np.ndarray) -> None:
    for m in range(len(out)):
        re = np.float32(0)
        im = np.float32(0)
        for i in range(len(taps)):
            re += x[m * stride + i].real * taps[i]
            im += x[m * stride + i].imag * taps[i]
        out[m] = complex(re, im)


class Thin:
    """A symmetric FIR filter that keeps each `stride`-th sample; output m is centred on input stride * m."""

    def __init__(self, taps: np.ndarray, stride: int, dtype: type):
        self.taps = np.asarray(taps, np.float32)
        self._stride = stride
        self._held: np.ndarray = np.zeros(len(taps) // 2, dtype)
        self._run = _fir_complex if dtype is np.complex64 else _fir
        self.half = len(taps) // 2

    def feed(self, x: np.ndarray) -> np.ndarray:
        """Take the next samples (n,) of the dtype; give those that are settled."""
        self._held = np.concatenate([self._held, x])
        many = max((len(self._held) - len(self.taps)) // self._stride + 1, 0)
        out = np.empty(many, self._held.dtype)
        self._run(self._held, self.taps, self._stride, out)
        self._held = self._held[many * self._stride :].copy()
        return out
