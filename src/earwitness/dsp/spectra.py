"""Spectra of short stretches averaged, of long ones about one place; and the window for both."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from earwitness.dsp.jit import kernel

NARROWED = 256  # values that a look for a line near one place is made from
TURNED = 32  # values turned back by one table


@lru_cache(maxsize=16)
def hann(n: int) -> np.ndarray:
    """Give Hann's window, float32 (n,)."""
    return np.hanning(n).astype(np.float32)


@kernel(
    "void(complex64[::1], float32[::1], float64, complex64[::1])",
    "void(float32[::1], float32[::1], float64, complex64[::1])",
    fastmath=True,
)
def narrowed(values: np.ndarray, window: np.ndarray, cycles: float, out: np.ndarray) -> None:
    """Turn windowed values back by `cycles` each and add them up in equal shares, the last of them cut short."""
    share = -(-len(values) // len(out))
    turns = np.empty((2, TURNED), np.float32)
    for k in range(TURNED):
        turns[0, k] = np.cos(2 * np.pi * cycles * k)
        turns[1, k] = -np.sin(2 * np.pi * cycles * k)
    cos, sin = turns[0], turns[1]
    wide, whole = 2 * np.pi * ((cycles * TURNED) % 1.0), 2 * np.pi * ((cycles * share) % 1.0)
    step = complex(np.cos(wide), -np.sin(wide))
    next_share = complex(np.cos(whole), -np.sin(whole))
    begun = complex(1.0, 0.0)
    for k in range(len(out)):
        first = k * share
        stop = min(first + share, len(values))
        turn = begun
        begun *= next_share
        total = 0j
        for at in range(first, stop, TURNED):
            part, shape = values[at : min(at + TURNED, stop)], window[at : min(at + TURNED, stop)]
            re = np.float32(0)
            im = np.float32(0)
            for n in range(np.uint64(len(part))):
                a, b = shape[n] * part[n].real, shape[n] * part[n].imag
                re += a * cos[n] - b * sin[n]
                im += a * sin[n] + b * cos[n]
            total += complex(re, im) * turn
            turn *= step
        out[k] = total


@kernel("void(float32[::1], int64, float32[::1])", fastmath=True)
def smoothed(power: np.ndarray, width: int, out: np.ndarray) -> None:
    """Give the mean of `width` bins about each, an odd number, the ends joined."""
    half = width // 2
    joined = np.concatenate((power[-half:], power, power[:half]))
    out[:] = 0
    for d in range(width):
        part = joined[d : d + len(out)]
        for k in range(len(out)):
            out[k] += part[k] / np.float32(width)


@kernel("void(complex64[:,::1], float32[::1])", fastmath=True)
def _mean_power(spectra: np.ndarray, out: np.ndarray) -> None:
    half = len(out) // 2
    out[:] = 0
    for row in range(len(spectra)):
        rising, falling = spectra[row, : len(out) - half], spectra[row, len(out) - half :]
        for some, sums in ((rising, out[half:]), (falling, out[:half])):
            for i in range(len(some)):
                sums[i] += some[i].real * some[i].real + some[i].imag * some[i].imag
    for i in range(len(out)):
        out[i] /= len(spectra)


def mean_power(spectra: np.ndarray) -> np.ndarray:
    """Give the mean power of spectra complex64 (n, bins) as float32 (bins,), lowest frequency first."""
    out = np.empty(spectra.shape[1], np.float32)
    _mean_power(spectra, out)
    return out
