"""The first look: where symbols of a known rate may be, before anything is resampled."""

from __future__ import annotations

import cmath
from functools import lru_cache

import numpy as np

from earwitness.dsp.filters import lowpass
from earwitness.dsp.jit import kernel
from earwitness.dsp.symbols.strength import HOP, LEAST, MARGIN, REACH, Strength

LOOK_OS = 3.3  # samples per symbol, at least where there are so many, when no more than looked at


@kernel("void(float32[::1], float32[:,::1], int64, float32[:,::1])", fastmath=True)
def thinned(x: np.ndarray, taps: np.ndarray, stride: int, out: np.ndarray) -> None:
    """Fill out[f, i] with the sum of taps[f, k] x[i stride + k]."""
    rows, count = out.shape
    size = taps.shape[1]
    wide = count + size // stride + 1
    # samples apart by their place modulo stride, so that all sums run on whole vectors
    apart = np.zeros((stride, wide), np.float32)
    for p in range(stride):
        for i in range(min(wide, (len(x) - p + stride - 1) // stride)):
            apart[p, i] = x[i * stride + p]
    for f in range(rows):
        for first in range(0, count, 2048):
            some = out[f, first : first + 2048]
            n = len(some)
            some[:] = 0
            k = 0
            while k + 4 <= size:
                t0, t1, t2, t3 = taps[f, k], taps[f, k + 1], taps[f, k + 2], taps[f, k + 3]
                at = first + k // stride
                a = apart[k % stride, at : at + n]
                at = first + (k + 1) // stride
                b = apart[(k + 1) % stride, at : at + n]
                at = first + (k + 2) // stride
                c = apart[(k + 2) % stride, at : at + n]
                at = first + (k + 3) // stride
                d = apart[(k + 3) % stride, at : at + n]
                for i in range(n):
                    some[i] += t0 * a[i] + t1 * b[i] + t2 * c[i] + t3 * d[i]
                k += 4
            while k < size:
                t0 = taps[f, k]
                at = first + k // stride
                a = apart[k % stride, at : at + n]
                for i in range(n):
                    some[i] += t0 * a[i]
                k += 1


@kernel("void(float32[:,::1], int64, float32[::1])", fastmath=True)
def _tone_change(parts: np.ndarray, lag: int, out: np.ndarray) -> None:
    """Give the change over `lag` of the sizes of complex rows; parts (2 F, n + lag) holds real and imaginary ones in turn."""
    sizes = np.empty(parts.shape[1], np.float32)
    out[:] = 0
    for f in range(0, len(parts), 2):
        re, im = parts[f], parts[f + 1]
        for i in range(len(sizes)):
            sizes[i] = np.sqrt(re[i] * re[i] + im[i] * im[i])
        after = sizes[lag:]
        for i in range(len(out)):
            out[i] += (after[i] - sizes[i]) * (after[i] - sizes[i])
    for i in range(len(out)):
        out[i] = np.sqrt(out[i])


@kernel("void(float32[::1], float32[:,::1], complex128, complex128, complex64[::1])", fastmath=True)
def _line_shares(
    change: np.ndarray, wave: np.ndarray, turn: complex, rotor: complex, out: np.ndarray
) -> None:
    """Give the share of the line of frequency `wave` (cosine, sine over a hop) in the size of the change, by hops.

    `rotor` is the line's turn up to the first hop, `turn` that of a hop.
    """
    hop = wave.shape[1]
    cos, sin = wave[0], wave[1]
    for h in range(len(out)):
        some = change[h * hop : (h + 1) * hop]
        re = np.float32(0)
        im = np.float32(0)
        whole = np.float32(1e-30)
        for i in range(hop):
            size = abs(some[i])
            whole += size
            re += size * cos[i]
            im += size * sin[i]
        out[h] = rotor * complex(re / whole, im / whole)
        rotor *= turn


@kernel(
    "void(float32[::1], float32[:,::1], int64, int64, float32[:,::1], complex128, complex128, complex64[::1])"
)
def _looked(
    x: np.ndarray,
    taps: np.ndarray,
    stride: int,
    lag: int,
    wave: np.ndarray,
    turn: complex,
    rotor: complex,
    out: np.ndarray,
) -> None:
    """Give the line's shares in hops of x: filtered, its change taken, and measured."""
    count = len(out) * wave.shape[1]
    parts = np.empty((len(taps), count + lag), np.float32)
    thinned(x, taps, stride, parts)
    change = parts[0]
    if lag:
        change = np.empty(count, np.float32)
        _tone_change(parts, lag, change)
    _line_shares(change, wave, turn, rotor, out)


@lru_cache(maxsize=64)
def _look_filters(
    rate_hz: float, baud: float, tones: tuple[float, ...], stride: int
) -> tuple[np.ndarray, int, np.ndarray]:
    """Give taps float32 (rows, n), outputs between two whose sizes are compared (0: taps do it), the line over a hop."""
    half = 0.5 * rate_hz / baud  # samples in half a symbol
    count = round(HOP * rate_hz / (baud * stride))
    line = 2 * np.pi * baud * stride / rate_hz * np.arange(count)
    wave = np.stack([np.cos(line), np.sin(line)]).astype(np.float32)
    if tones:
        t = np.arange(-int(half * 1.2), int(half * 1.2) + 1)
        window = np.hanning(len(t) + 2)[1:-1]
        rows = [window * np.exp(-2j * np.pi * hz / rate_hz * t) / window.sum() for hz in tones]
        taps = np.array([part for row in rows for part in (row.real, row.imag)], np.float32)
        return taps, max(round(half / stride), 1), wave
    low = lowpass(0.6 * baud, 0.6 * baud, rate_hz, stop_db=40.0)
    reach = len(low) // 2
    t = np.arange(-int(reach + half), int(reach + half) + 1)
    at = np.arange(-reach, reach + 1)
    change = np.interp(t - half / 2, at, low, 0, 0) - np.interp(t + half / 2, at, low, 0, 0)
    return change[None, :].astype(np.float32), 0, wave


class ClockLook:
    """Tells where symbols of known rate may be, from samples at any rate, much cheaper than to read them.

    The same line as the clock is found by, measured without resampling: `feed` takes float32 (n,) and tells of hops
    of `hop` samples, bool (m,), whether they are to be read. With `tones` (Hz) the symbols are tones in the samples.
    """

    def __init__(self, rate_hz: float, baud: float, tones: tuple[float, ...] = (), least: float = LEAST):
        self._stride = max(int(rate_hz / (LOOK_OS * baud)), 1)
        self._taps, self._lag, self._wave = _look_filters(rate_hz, baud, tones, self._stride)
        self.hop = self._wave.shape[1] * self._stride
        lead = self._taps.shape[1] // 2
        self._held = np.zeros(lead, np.float32)  # so that what is given of a hop stands in its middle
        self._tail = lead + self._lag * self._stride
        self._turn = 2 * np.pi * baud * self.hop / rate_hz
        self._turned = cmath.rect(1.0, self._turn % (2 * np.pi))
        self._hops = 0
        self._strength = Strength(least)

    def feed(self, x: np.ndarray, *, last: bool = False) -> np.ndarray:
        """Take the next samples; tells of the hops that are then decided on: all, after the `last`."""
        if not last:
            return self._strength.feed(self._shares(x))
        shares = self._shares(np.concatenate([x, np.zeros(self._tail + self.hop - 1, np.float32)]))
        return self._strength.feed(np.concatenate([shares, np.zeros(REACH + MARGIN, np.complex64)]))

    def _shares(self, x: np.ndarray) -> np.ndarray:
        self._held = np.concatenate([self._held, x])
        size = self._taps.shape[1]
        hops = max((len(self._held) - size - self._lag * self._stride) // self.hop, 0)
        shares = np.empty(hops, np.complex64)
        if hops:
            rotor = cmath.rect(1.0, self._hops * self._turn % (2 * np.pi))
            _looked(self._held, self._taps, self._stride, self._lag, self._wave, self._turned, rotor, shares)
            self._hops += hops
            self._held = self._held[hops * self.hop :].copy()
        return shares
