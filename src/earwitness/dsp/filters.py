"""FIR design with numpy only, and the few filters every room shares."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from earwitness.dsp import fft


def kaiser_beta(stop_db: float) -> float:
    """Give Kaiser's beta for a stop-band attenuation (Kaiser 1974, from memory)."""
    if stop_db > 50:
        return 0.1102 * (stop_db - 8.7)
    if stop_db >= 21:
        return 0.5842 * (stop_db - 21) ** 0.4 + 0.07886 * (stop_db - 21)
    return 0.0


def lowpass(cutoff_hz: float, width_hz: float, rate_hz: float, *, stop_db: float = 60.0) -> np.ndarray:
    """Give an odd-length linear-phase low-pass, float32, unit gain at 0 Hz.

    `cutoff_hz` is the -6 dB edge, `width_hz` the transition from pass to stop. Length by Kaiser's
    estimate (stop_db - 7.95) / (2.285 * transition in rad), from memory.
    """
    return _lowpass(cutoff_hz / rate_hz, width_hz / rate_hz, stop_db).copy()


@lru_cache(maxsize=256)
def _lowpass(cutoff: float, width: float, stop_db: float) -> np.ndarray:
    """Give the taps for edges in cycles a sample; the same filters are asked for again with every burst."""
    count = int(np.ceil((stop_db - 7.95) / (2.285 * 2 * np.pi * width))) | 1
    n = np.arange(count) - count // 2
    taps = 2 * cutoff * np.sinc(2 * cutoff * n) * np.kaiser(count, kaiser_beta(stop_db))
    return np.asarray(taps / taps.sum(), np.float32)


def root_raised_cosine(alpha: float, samples_per_symbol: float, span: int) -> np.ndarray:
    """Give a root-raised-cosine pulse of unit energy, float64, `span` symbols each side."""
    half = round(span * samples_per_symbol)
    t = np.arange(-half, half + 1) / samples_per_symbol
    with np.errstate(divide="ignore", invalid="ignore"):
        pulse = (np.sin(np.pi * t * (1 - alpha)) + 4 * alpha * t * np.cos(np.pi * t * (1 + alpha))) / (
            np.pi * t * (1 - (4 * alpha * t) ** 2)
        )
    pulse[half] = 1 - alpha + 4 * alpha / np.pi
    edge = np.isclose(np.abs(4 * alpha * t), 1.0)
    pulse[edge] = (
        alpha
        / np.sqrt(2)
        * ((1 + 2 / np.pi) * np.sin(np.pi / 4 / alpha) + (1 - 2 / np.pi) * np.cos(np.pi / 4 / alpha))
    )
    return pulse / np.sqrt(np.sum(pulse**2))


def shaped(
    levels: np.ndarray, per: float, roll_off: float, late: float = 0.0, *, span: int = 6
) -> np.ndarray:
    """Give root-raised-cosine pulses of levels (n,), float64, `per` samples apart, the first at (span + late) symbols.

    Each pulse is taken at the nearest of 64 places between samples, cut `span` symbols from its middle.
    """
    fine = 64
    pulse = root_raised_cosine(roll_off, per * fine, span) * np.sqrt(fine)
    middle, half = len(pulse) // 2, int(span * per)
    count = int((len(levels) + 2 * span + 1) * per) + 2
    places = (np.arange(len(levels)) + span + late) * per
    whole = np.floor(places).astype(np.int64)
    out = np.zeros(count)
    for k in range(-half + 1, half + 1):
        index = middle + np.rint((k - (places - whole)) * fine).astype(np.int64)
        inside = (index >= 0) & (index < len(pulse))
        value = np.where(inside, pulse[np.clip(index, 0, len(pulse) - 1)], 0) * levels
        at = whole + k
        keep = (at >= 0) & (at < count)
        out += np.bincount(at[keep], value[keep], count)
    return out


def gaussian(bt: float, samples_per_symbol: float, span: int) -> np.ndarray:
    """Give a Gaussian frequency pulse of unit sum, float64, `span` symbols each side."""
    half = round(span * samples_per_symbol)
    t = np.arange(-half, half + 1) / samples_per_symbol
    pulse = np.exp(-2 * (np.pi * bt * t) ** 2 / np.log(2))
    return pulse / pulse.sum()


def convolve_valid(x: np.ndarray, taps: np.ndarray) -> np.ndarray:
    """Give the convolution of x (n,) with real taps (m,) where they overlap fully: (n - m + 1,), x's dtype.

    Overlap-add by blocks of the FFT size that suits the taps; importing scipy.signal for this would cost
    a second at every start.
    """
    count = len(x) - len(taps) + 1
    if count <= 0:
        return x[:0]
    size = fft.good_size(max(8 * len(taps), 1024))
    step = size - len(taps) + 1
    blocks = -(-count // step)
    padded = np.zeros(blocks * step + len(taps) - 1, x.dtype)
    padded[: len(x)] = x
    windows = np.lib.stride_tricks.as_strided(
        padded, (blocks, size), (step * padded.strides[0], padded.strides[0]), writeable=False
    )
    if np.iscomplexobj(x):
        response = fft.forward(taps.astype(np.complex64), size)
        out = fft.inverse(fft.forward(windows.astype(np.complex64)) * response, overwrite=True)
    else:
        response = fft.forward_real(taps.astype(np.float32), size)
        out = fft.inverse_real(fft.forward_real(windows.astype(np.float32)) * response, size)
    kept = out[:, len(taps) - 1 :].reshape(-1)[:count]
    return np.ascontiguousarray(kept).astype(x.dtype, copy=False)


class StreamingFir:
    """A FIR filter over a stream, keeping its state between blocks; output lags by half the taps."""

    def __init__(self, taps: np.ndarray):
        self.taps = taps
        self._tail: np.ndarray | None = None

    def feed(self, x: np.ndarray) -> np.ndarray:
        """Filter the next block (n,) real or complex; gives as many samples as it got."""
        if self._tail is None:
            self._tail = np.zeros(len(self.taps) - 1, x.dtype)
        joined = np.concatenate([self._tail, x])
        self._tail = joined[len(joined) - len(self.taps) + 1 :]
        if len(x) == 0:
            return x
        return convolve_valid(joined, self.taps)
