"""Streams in blocks of fixed length through filters and resamplers whose delay is taken out.

Sample index i of every stage stands for the same moment, and where the caller cuts the stream cannot change what comes out.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

import numpy as np

from earwitness.dsp.filters import convolve_valid, kaiser_beta
from earwitness.dsp.jit import kernel

_DIRECT = 512  # taps up to which a sum for each sample is quicker than transforms
_LANES = 32  # floats that the compiler adds up at a time


class FixedBlocks:
    """Cuts a stream into blocks of one length."""

    def __init__(self, size: int):
        self.size = size
        self._held: list[np.ndarray] = []
        self._count = 0

    def feed(self, x: np.ndarray) -> Iterator[np.ndarray]:
        """Take samples (n,); give every complete block (size,), to be read only: it may be part of x."""
        held, missing = self._held, self.size - self._count
        self._count += len(x)
        if self._count < self.size:
            held.append(x)
            return
        if not (x.flags.c_contiguous and x.flags.writeable):  # as kernels want it
            x = x.copy()
        whole = len(x) - self._count % self.size  # of x: what its last complete block ends with
        self._count %= self.size
        self._held = [x[whole:].copy()]
        if missing < self.size:
            yield np.concatenate([*held, x[:missing]])
        for at in range(missing % self.size, whole, self.size):
            yield x[at : at + self.size]

    def rest(self) -> np.ndarray:
        """Give what is left over, shorter than a block."""
        left = np.concatenate(self._held) if self._held else np.empty(0, np.float32)
        self._held, self._count = [], 0
        return left


@kernel("void(float32[::1], float32[::1], int64, float32[::1])", fastmath=True)
def fir(x: np.ndarray, taps: np.ndarray, stride: int, out: np.ndarray) -> None:
    """Fill out[i] with the sum of taps[k] x[i + k stride]: for short filters faster than any transform.

    With stride 2 the real and imaginary parts of a complex signal are filtered at once. Runs are kept to
    what the first-level cache holds.
    """
    for first in range(0, len(out), 2048):
        some = out[first : first + 2048]
        some[:] = 0
        k = 0
        while k + 4 <= len(taps):
            t0, t1, t2, t3 = taps[k], taps[k + 1], taps[k + 2], taps[k + 3]
            at = first + k * stride
            a = x[at : at + len(some)]
            b = x[at + stride : at + stride + len(some)]
            c = x[at + 2 * stride : at + 2 * stride + len(some)]
            d = x[at + 3 * stride : at + 3 * stride + len(some)]
            for i in range(len(some)):
                some[i] += t0 * a[i] + t1 * b[i] + t2 * c[i] + t3 * d[i]
            k += 4
        while k < len(taps):
            t0 = taps[k]
            a = x[first + k * stride : first + k * stride + len(some)]
            for i in range(len(some)):
                some[i] += t0 * a[i]
            k += 1


class AlignedFir:
    """A linear-phase FIR whose output index equals its input index; the last half of the taps lags.

    `feed` gives fewer samples at first; feed `half` zeros at the end to flush.
    """

    def __init__(self, taps: np.ndarray):
        self.half = len(taps) // 2
        self._taps = np.ascontiguousarray(taps[::-1], np.float32)
        self._held: np.ndarray | None = None

    def feed(self, x: np.ndarray) -> np.ndarray:
        """Filter the next block (n,)."""
        x = x.astype(np.complex64 if np.iscomplexobj(x) else np.float32, copy=False)
        if self._held is None:
            self._held = np.zeros(len(self._taps) - 1 - self.half, x.dtype)
        joined = np.concatenate([self._held, x])
        count = max(len(joined) - len(self._taps) + 1, 0)
        out = np.zeros(count, x.dtype)
        if count and (joined[-1] or joined.any()):  # silence costs nothing
            fir(joined.view(np.float32), self._taps, 2 if np.iscomplexobj(x) else 1, out.view(np.float32))
        self._held = joined[count:]
        return out


@kernel("void(float32[::1], float32[:, ::1], float64, float64, float32[::1])", fastmath=True)
def _polyphase(x: np.ndarray, bank: np.ndarray, first: float, step: float, out: np.ndarray) -> None:
    # Unsigned places need no look whether they count from the end: only so does the sum use whole vectors.
    phases = bank.shape[0]
    taps = np.uint64(bank.shape[1])
    for i in range(len(out)):
        at = first + i * step
        whole = np.uint64(np.int64(at))
        phase = np.uint64(np.int64((at - np.int64(at)) * phases))
        total = np.float32(0)
        for k in range(taps):
            total += bank[phase, k] * x[whole + k]
        out[i] = total


@kernel("void(complex64[::1], float32[:, ::1], float64, float64, complex64[::1])", fastmath=True)
def _polyphase_complex(x: np.ndarray, bank: np.ndarray, first: float, step: float, out: np.ndarray) -> None:
    phases = bank.shape[0]
    taps = np.uint64(bank.shape[1])
    real = x.real.copy()  # apart, so that the sums use whole vectors
    imag = x.imag.copy()
    for i in range(len(out)):
        at = first + i * step
        whole = np.uint64(np.int64(at))
        phase = np.uint64(np.int64((at - np.int64(at)) * phases))
        re = np.float32(0)
        im = np.float32(0)
        for k in range(taps):
            re += bank[phase, k] * real[whole + k]
            im += bank[phase, k] * imag[whole + k]
        out[i] = complex(re, im)


@kernel("void(float64[::1], int64, float64, float64[::1])")
def _kaiser(away: np.ndarray, half: int, beta: float, out: np.ndarray) -> None:
    """Give Kaiser's window `away` from its middle: I0 by its power series, a fifth of the time of numpy's."""
    for i in range(len(away)):
        square = 0.25 * beta * beta * max(1 - (away[i] / half) ** 2, 0.0)
        term = total = 1.0
        k = 0
        while term > 1e-17 * total:
            k += 1
            term *= square / (k * k)
            total += term
        out[i] = total


@lru_cache(maxsize=64)
def _bank(cutoff: float, half: int) -> np.ndarray:
    """Give a windowed-sinc low-pass at 512 phases, float32 (512, n), `cutoff` in cycles a sample.

    Rows are 2 `half` taps and then zeros up to a multiple of _LANES: whole vectors only are a third quicker.
    """
    away = np.arange(2 * half) - (half - 1) - np.arange(512)[:, None] / 512
    window = np.empty_like(away)
    _kaiser(away.ravel(), half, kaiser_beta(55.0), window.ravel())
    bank = np.sinc(2 * cutoff * away) * window
    out = np.zeros((512, -(-2 * half // _LANES) * _LANES), np.float32)
    out[:, : 2 * half] = bank / bank.sum(axis=1, keepdims=True)
    return out


class Resampler:
    """Turns a float32 or complex64 stream of any rate into one of a lower rate; output i stands for i / rate_out_hz.

    Windowed-sinc polyphase bank, 512 phases (timing error below 1/1024 input sample).
    """

    def __init__(
        self,
        rate_in_hz: float,
        rate_out_hz: float,
        *,
        cutoff_hz: float,
        width_hz: float,
        dtype: type[np.float32] | type[np.complex64] = np.float32,
    ):
        half = int(np.ceil((55.0 - 7.95) / (2.285 * 2 * np.pi * width_hz / rate_in_hz) / 2)) + 1
        self._bank = _bank(cutoff_hz / rate_in_hz, half)
        self._step = rate_in_hz / rate_out_hz
        self._half = half
        self._held: np.ndarray = np.zeros(self._half, dtype)
        self._beyond = np.zeros(_LANES, dtype)  # that the zeros of a filter may look at
        self._run = _polyphase_complex if dtype is np.complex64 else _polyphase
        self._held_at = -self._half
        self._next = 0

    @property
    def half(self) -> int:
        """Input samples the output lags by; feed this many zeros at the end to flush."""
        return self._half

    def feed(self, x: np.ndarray, *, silent: bool = False) -> np.ndarray:
        """Take input samples (n,); give the output samples they complete, or as many zeros."""
        joined = np.concatenate([self._held, x, self._beyond])
        end = self._held_at + len(joined) - _LANES  # input index after the last
        count = max(int(np.ceil((end - self._half - 1) / self._step)) - self._next, 0)
        first = self._next * self._step - self._half - self._held_at + 1
        out = np.zeros(count, joined.dtype)
        if not silent:
            self._run(joined, self._bank, first, self._step, out)
        self._next += count
        keep = int(np.floor(self._next * self._step)) - self._half - self._held_at
        self._held = joined[keep:-_LANES].copy()
        self._held_at += keep
        return out


def centred(x: np.ndarray, taps: np.ndarray) -> np.ndarray:
    """Give x (n,) through an odd-length linear-phase FIR with its delay taken out, zeros assumed outside."""
    if x.dtype != np.float32 or len(taps) > _DIRECT or not len(x):
        return convolve_valid(np.pad(x, len(taps) // 2), taps)
    padded = np.zeros(len(x) + len(taps) - 1, np.float32)
    padded[len(taps) // 2 :][: len(x)] = x
    out = np.empty(len(x), np.float32)
    fir(padded, np.ascontiguousarray(taps[::-1], np.float32), 1, out)
    return out
