"""Audio of voice: its band, emphasis, levels."""

from __future__ import annotations

from functools import cache

import numpy as np

from earwitness.dsp.aligned import centred
from earwitness.dsp.filters import lowpass
from earwitness.dsp.jit import kernel
from earwitness.dsp.quantile import quantile

AUDIO_RATE_HZ = 8000.0


@cache
def _audio_band(low_hz: float, high_hz: float) -> np.ndarray:
    wide = lowpass(high_hz, 250.0, AUDIO_RATE_HZ, stop_db=50.0)
    narrow = lowpass(low_hz, 100.0, AUDIO_RATE_HZ, stop_db=50.0)
    taps = -narrow
    centre = len(narrow) // 2 - len(wide) // 2
    taps[centre : centre + len(wide)] += wide
    return taps


def band_pass(audio: np.ndarray, low_hz: float = 300.0, high_hz: float = 3000.0) -> np.ndarray:
    """Give audio (n,) at 8 kHz within a band, same length and timing, float32.

    300 to 3000 Hz is the land mobile audio band (TIA-603, from memory); it keeps sub-audible tones out.
    """
    return centred(audio.astype(np.float32), _audio_band(low_hz, high_hz))


@kernel("void(float64, float64, float32[::1], float32[::1])")
def _one_pole(gain: float, pole: float, x: np.ndarray, out: np.ndarray) -> None:
    state = 0.0
    for i in range(len(x)):
        state = gain * x[i] + pole * state
        out[i] = state


def de_emphasise(audio: np.ndarray, tau_s: float, rate_hz: float, *, unity_hz: float = 1000.0) -> np.ndarray:
    """Give audio (..., n) through a one-pole low-pass of time constant tau_s, unit gain at unity_hz.

    750 us for narrow FM voice (6 dB an octave, TIA-603), 50 or 75 us for broadcasting (ITU-R BS.450).
    The pole is exp(-1 / (rate tau)).
    """
    pole = float(np.exp(-1.0 / (rate_hz * tau_s)))
    gain = float(abs(1 - pole * np.exp(-2j * np.pi * unity_hz / rate_hz)))
    rows = np.ascontiguousarray(audio, np.float32).reshape(-1, audio.shape[-1])
    out = np.empty_like(rows)
    for row, filtered in zip(rows, out, strict=True):
        _one_pole(gain, pole, row, filtered)
    return out.reshape(audio.shape)


def pre_emphasise(audio: np.ndarray, tau_s: float, rate_hz: float, *, unity_hz: float = 1000.0) -> np.ndarray:
    """Give audio (n,) with its high notes lifted: the exact inverse of `de_emphasise`."""
    pole = float(np.exp(-1.0 / (rate_hz * tau_s)))
    gain = float(abs(1 - pole * np.exp(-2j * np.pi * unity_hz / rate_hz)))
    return (
        np.diff(audio.astype(np.float64), prepend=0.0) / gain
        + (1 - pole) / gain * np.concatenate([np.zeros(1), audio[:-1]])
    ).astype(np.float32)


def press(audio: np.ndarray, *, over_s: float = 0.05) -> np.ndarray:
    """Give audio (n,) at 8 kHz evened out and limited to full scale, as a transmitter's speech processor does."""
    size = max(round(over_s * AUDIO_RATE_HZ), 1)
    envelope = np.sqrt(np.convolve(audio.astype(np.float64) ** 2, np.full(size, 1 / size), "same"))
    evened = audio / (envelope + 0.25 * float(envelope.max()) + 1e-9)
    peak = float(np.quantile(np.abs(evened), 0.99)) if len(evened) else 1.0
    return np.clip(evened / max(peak, 1e-9), -1, 1).astype(np.float32)


def clip_level(audio: np.ndarray) -> np.ndarray:
    """Give audio (..., n) scaled so that its 99.5 % peak is half of full scale, clipped at full scale."""
    peak = quantile(np.abs(audio).ravel(), 0.995) if audio.size else 0.0
    return np.clip(audio * np.float32(0.5 / max(peak, 1e-9)), -1.0, 1.0).astype(np.float32)
