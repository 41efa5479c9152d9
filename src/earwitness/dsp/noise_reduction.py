"""Noise under speech taken down, where that helps."""

from __future__ import annotations

from functools import cache

import numpy as np

from earwitness.dsp import fft
from earwitness.dsp.jit import kernel

NEEDLESS_DB = 30.0  # speech over noise from which noise reduction only harms
QUANTILE_BIAS = 2.6  # mean of white noise over its 2 % quantile as _noise_floor smooths, measured
_LIFT_TO, _LIFT_STEPS = 16, 256  # from 16 on it is 1 within 1e-8


def windows(audio: np.ndarray, size: int, hop: int) -> np.ndarray:
    """Give the windows (n, size) of audio (n,), one each `hop` samples, at least one."""
    if len(audio) < size:
        audio = np.pad(audio, (0, size - len(audio)))
    return np.lib.stride_tricks.sliding_window_view(audio, size)[::hop]


@kernel("float64(float64)")
def exponential_integral(x: float) -> float:
    """Give E1(x) for x > 0, to 1e-4 relative (Abramowitz and Stegun 5.1.53 and 5.1.54, from memory)."""
    if x <= 1.0:
        series = 0.05519968 + x * (-0.00976004 + x * 0.00107857)
        return -np.log(x) - 0.57721566 + x * (0.99999193 + x * (-0.24991055 + x * series))
    return np.exp(-x) / x * (x * x + 2.334733 * x + 0.250621) / (x * x + 3.330657 * x + 1.681534)


@kernel("float32[::1]()")
def _fill_lift() -> np.ndarray:
    lift = np.empty(_LIFT_TO * _LIFT_STEPS + 2, np.float32)
    for i in range(len(lift)):
        v = max(i / _LIFT_STEPS, 1e-9)
        lift[i] = np.sqrt(v) * np.exp(0.5 * exponential_integral(v))
    return lift


@cache
def _lift() -> np.ndarray:
    """Give sqrt(v) exp(E1(v) / 2), which is smooth down to 0, in steps of 1 / _LIFT_STEPS."""
    return _fill_lift()  # type: ignore[no-any-return]


@kernel("void(complex64[:, ::1], float32[:, ::1], float32[:, ::1], int64[::1], float32[::1], float32, float32, float32[::1])", fastmath=True)  # fmt: skip
def _turn_down(
    spectra: np.ndarray,
    power: np.ndarray,
    noise: np.ndarray,
    which: np.ndarray,
    part: np.ndarray,
    floor: float,
    share: float,
    lift: np.ndarray,
) -> None:
    """Turn down what is noise in spectra (frames, bins), frames in time order, by `share` of the estimator's gain.

    The noise of frame i lies `part[i]` of the way from row `which[i]` of `noise` to the next.
    """
    one = np.float32(1)
    frames, bins = power.shape
    before = np.ones(bins, np.float32)
    seen, own, lifted = np.empty((3, bins), np.float32)
    for i in range(frames):
        row, out = power[i], spectra[i]
        low, high = noise[which[i]], noise[min(which[i] + 1, len(noise) - 1)]
        for k in range(bins):
            under = (one - part[i]) * low[k] + part[i] * high[k]
            seen[k] = min(row[k] / under, np.float32(1e4))
            over = max(seen[k] - one, np.float32(0))
            prior = max(np.float32(0.97) * before[k] + np.float32(0.03) * over, np.float32(0.003))
            own[k] = prior / (one + prior)
        for k in range(bins):  # by itself: places in a table are no whole vectors
            place = min(own[k] * seen[k], np.float32(_LIFT_TO)) * np.float32(_LIFT_STEPS)
            at = np.int32(place)
            lifted[k] = lift[at] + (place - at) * (lift[at + 1] - lift[at])
        for k in range(bins):
            v = max(own[k] * seen[k], np.float32(1e-6))
            gain = min(own[k] * lifted[k] / np.sqrt(v), one) if v < np.float32(_LIFT_TO) else own[k]
            before[k] = gain * gain * seen[k]
            turned = one - share * (one - max(gain, floor))
            out[k] = complex(turned * out[k].real, turned * out[k].imag)


def reduce_noise(audio: np.ndarray, *, floor_db: float = -12.0) -> np.ndarray:
    """Give audio (n,) at 8 kHz with steady noise turned down by up to `floor_db`, float32, same timing.

    Short-time spectral amplitude with the log-spectral estimator and decision-directed a priori SNR
    (Ephraim and Malah 1984, 1985); noise by a low quantile of the smoothed spectrum over 3 s, so that it
    follows slow changes (after the idea of minimum statistics, Martin 2001). 32 ms root-Hann frames, half
    overlapped. Where speech stands 20 dB and more over the noise it is applied less, from 30 dB not at all:
    there it would only bend the speech.
    """
    size, hop = 256, 128
    window = np.sqrt(np.hanning(size + 1)[:-1]).astype(np.float32)
    padded = np.pad(audio.astype(np.float32), (hop, size + hop - len(audio) % hop))
    spectra = fft.forward_real(windows(padded, size, hop) * window)
    power = power_of(spectra)
    noise, which, part = _noise_floor(power)
    rows = noise.sum(axis=1, dtype=np.float64)
    whole = float(((1 - part) * rows[which] + part * rows[np.minimum(which + 1, len(rows) - 1)]).sum())
    ratio_db = 10 * np.log10(float(power.sum()) / whole + 1e-9)
    if ratio_db >= NEEDLESS_DB:
        return audio.astype(np.float32)
    share = min((NEEDLESS_DB - ratio_db) / 10, 1.0)
    _turn_down(spectra, power, noise, which, part, 10 ** (floor_db / 20), share, _lift())
    parts = fft.inverse_real(spectra, size) * window
    out = np.zeros(len(padded) + size, np.float32)
    for half in (0, 1):
        block = parts[half::2].reshape(-1)
        out[half * hop : half * hop + len(block)] += block
    return out[hop : hop + len(audio)]


@kernel("float32[:, ::1](float32[:, ::1], int64[::1], int64)", fastmath=True)
def _low_quantiles(power: np.ndarray, starts: np.ndarray, length: int) -> np.ndarray:
    """Give the 2 % quantile of each bin's smoothed power in each stretch of so many frames."""
    frames, bins = power.shape
    smooth = np.empty((frames, bins), np.float32)
    smooth[0] = power[0]
    for i in range(1, frames):
        before, row, own = smooth[i - 1], smooth[i], power[i]
        for k in range(bins):
            row[k] = np.float32(0.7) * before[k] + np.float32(0.3) * own[k]
    out = np.empty((len(starts), bins), np.float32)
    left = np.empty(bins, np.float32)
    for s in range(len(starts)):
        first = starts[s]
        last = min(first + length, frames)
        place = 0.02 * (last - first - 1)
        whole = int(place)
        part = np.float32(place - whole)
        # so many of the least values are kept, in order: each new one goes down the rows, and the larger goes on
        least = np.full((min(whole + 2, last - first), bins), np.float32(1e38))
        for i in range(first, last):
            row = smooth[i]
            for k in range(bins):
                left[k] = row[k]
            for j in range(len(least)):
                kept = least[j]
                for k in range(bins):
                    value, other = kept[k], left[k]
                    kept[k] = min(value, other)
                    left[k] = max(value, other)
        low, high = least[whole], least[min(whole + 1, len(least) - 1)]
        for k in range(bins):
            out[s, k] = low[k] + part * (high[k] - low[k])
    return out


@kernel("float32[:, ::1](complex64[:, ::1])", fastmath=True)
def power_of(spectra: np.ndarray) -> np.ndarray:
    """Give the power of spectra, a little more than none everywhere."""
    out = np.empty(spectra.shape, np.float32)
    for i in range(len(out)):
        some, row = spectra[i], out[i]
        for k in range(len(row)):
            row[k] = some[k].real * some[k].real + some[k].imag * some[k].imag + np.float32(1e-20)
    return out


def _noise_floor(power: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Give the noise power of bins every 1.5 s: the 2 % quantile of the smoothed power in 3 s, unbiased.

    Then, for each frame, after which of these rows it lies and what part of the way to the next.
    """
    block = 94
    starts = range(0, max(len(power) - block // 2, 1), block)
    quantiles = _low_quantiles(power, np.array(starts), 2 * block)
    centres = np.array([min(at + block, len(power)) for at in starts], float)
    at = np.clip(np.interp(np.arange(len(power)), centres, np.arange(len(centres))), 0, len(centres) - 1)
    which = at.astype(np.int64)
    return quantiles * np.float32(QUANTILE_BIAS), which, (at - which).astype(np.float32)
