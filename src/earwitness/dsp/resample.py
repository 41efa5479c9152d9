"""A channel onto a rate of one's own: filtered and interpolated at any ratio, in hops of fixed length.

Output m stands at input position m * rate_in / rate_out, computed from m itself, and every output is one sum
over the taps, so that block lengths cannot change a bit of the outcome.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np

from earwitness.dsp.filters import kaiser_beta
from earwitness.dsp.jit import kernel

_PHASES = 128  # sub-sample positions
_STOP_DB = 60.0


@kernel("void(complex64[::1], int64, int64, float64, float32[:,::1], complex64[::1])", fastmath=True)
def _interpolate(
    x: np.ndarray, x_at: int, first: int, step: float, table: np.ndarray, out: np.ndarray
) -> Any:
    """out[m] is the input, filtered, at (first + m) * step; x[0] is input sample x_at."""
    rows, taps = table.shape
    half = taps // 2
    res = x.real.copy()  # apart, so that the sums below run on whole vectors
    ims = x.imag.copy()
    for m in range(len(out)):
        at = (first + m) * step
        whole = int(np.floor(at))
        p = int((at - whole) * rows + 0.5)
        if p == rows:
            p = 0
            whole += 1
        re = np.float32(0)
        im = np.float32(0)
        base = whole - half + 1 - x_at
        row = table[p]
        part_re = res[base : base + taps]  # indices from zero, so that the sum below is vectorised
        part_im = ims[base : base + taps]
        for k in range(taps):
            re += part_re[k] * row[k]
            im += part_im[k] * row[k]
        out[m] = complex(re, im)


@lru_cache(maxsize=64)
def _table(rate_hz: float, pass_hz: float, stop_hz: float) -> np.ndarray:
    """Give low-pass taps, float32 (_PHASES, n): row p delays by p / _PHASES of an input sample."""
    half = int(np.ceil((_STOP_DB - 7.95) / (2.285 * 2 * np.pi * (stop_hz - pass_hz) / rate_hz) / 2)) + 1
    t = (np.arange(2 * half) - half + 1)[None, :] - np.arange(_PHASES)[:, None] / _PHASES
    beta = kaiser_beta(_STOP_DB)
    window = np.i0(beta * np.sqrt(np.clip(1 - (t / half) ** 2, 0, None))) / np.i0(beta)
    taps = np.sinc((pass_hz + stop_hz) / rate_hz * t) * window
    return (taps / taps.sum(axis=1, keepdims=True)).astype(np.float32)


class Resampler:
    """Turns complex64 blocks of any length into hops of `hop` samples at `rate_out_hz`, flat to `pass_hz`.

    `stop_hz` must be kept away from the output's fold-over by the caller. Samples before the first and after
    the last count as zero; NaN and infinity count as zero too.
    """

    def __init__(self, rate_in_hz: float, rate_out_hz: float, hop: int, *, pass_hz: float, stop_hz: float):
        self.step = rate_in_hz / rate_out_hz
        self._hop = hop
        self._table = _table(rate_in_hz, pass_hz, stop_hz)
        self._half = self._table.shape[1] // 2
        self._pieces = [np.zeros(self._half, np.complex64)]
        self._at = -self._half  # input index of the first sample held
        self._stop = 0  # input samples fed
        self._made = 0

    def feed(self, x: np.ndarray) -> list[np.ndarray]:
        """Take the next input samples (n,); give the hops, complex64 (hop,) each, that they complete."""
        x = np.asarray(x, np.complex64)
        if not np.isfinite(x).all():
            x = np.where(np.isfinite(x), x, 0).astype(np.complex64)
        self._pieces.append(x)
        self._stop += len(x)
        out = []
        while (wanted := int((self._made + self._hop) * self.step) + self._half + 2) <= self._stop:
            # A block may be minutes long: it is joined once, and a hop sees only what it needs of it.
            held = self._pieces[0] if len(self._pieces) == 1 else np.concatenate(self._pieces)
            fresh = np.empty(self._hop, np.complex64)
            _interpolate(held[: wanted - self._at], self._at, self._made, self.step, self._table, fresh)
            self._made += self._hop
            drop = max(int(self._made * self.step) - self._half - self._at, 0)
            self._pieces, self._at = [held[drop:]], self._at + drop
            out.append(fresh)
        return out

    def rest(self) -> list[np.ndarray]:
        """Give the hops that hold what was fed last, filled up with zeros."""
        last = int(self._stop / self.step)
        out: list[np.ndarray] = []
        while self._made < last:
            lack = int((self._made + self._hop) * self.step) + self._half + 2 - self._stop
            out += self.feed(np.zeros(max(lack, 0), np.complex64))
        return out
