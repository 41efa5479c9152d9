"""The waveform: differential eight-phase keying of raised-cosine pulses, and the filters that receive it.

The transmitter sends full raised-cosine pulses of roll-off 0.6 (ICAO Annex 10 vol. III 6.4.2). A filter matched
to those leaves neighbours in; the best linear receiver that leaves none is R(f) / sum of R(f - n/T)^2, whose
noise lies 0.26 dB above the matched-filter bound (integral of the inverse folded spectrum; computed). A
transmitter that splits the shape (root-raised cosine) wants the root filter instead; the receiver tries both.
"""

from __future__ import annotations

import numpy as np

from earwitness.dsp.filters import root_raised_cosine

SYMBOL_RATE_HZ = 10_500.0
ROLL_OFF = 0.6
SPAN = 5  # symbols either side of a receive filter's middle
SEND_SPAN = 8


def raised_cosine(t: np.ndarray) -> np.ndarray:
    """Give the pulse at times t in symbols, float64; 1 at 0 and 0 at other integers."""
    t = np.asarray(t, float)
    edge = 1 - (2 * ROLL_OFF * t) ** 2
    odd = np.abs(edge) < 1e-9
    out = np.sinc(t) * np.cos(np.pi * ROLL_OFF * t) / np.where(odd, 1, edge)
    return np.where(odd, np.pi / 4 * np.sinc(1 / (2 * ROLL_OFF)), out)


def _spectrum(f: np.ndarray) -> np.ndarray:
    """Give the raised-cosine spectrum at f in symbol rates."""
    f = np.abs(f)
    slope = 0.5 + 0.5 * np.cos(np.pi / ROLL_OFF * (f - (1 - ROLL_OFF) / 2))
    return np.where(f < (1 - ROLL_OFF) / 2, 1.0, np.where(f < (1 + ROLL_OFF) / 2, slope, 0.0))


def receive_pulse(t: np.ndarray, *, root: bool) -> np.ndarray:
    """Give the receive filter's pulse at times t in symbols, float64, for a full or a root shape sent."""
    if root:
        fine = 64
        pulse = root_raised_cosine(ROLL_OFF, fine, SPAN + 1)
        return np.interp(t, (np.arange(len(pulse)) - len(pulse) // 2) / fine, pulse, 0.0, 0.0)
    f = (np.arange(2048) + 0.5) / 2048 * (1 + ROLL_OFF) / 2
    folded = _spectrum(f) ** 2 + _spectrum(1 - f) ** 2
    gain = _spectrum(f) / folded
    return 2 * np.cos(2 * np.pi * np.asarray(t, float)[..., None] * f) @ gain * (f[1] - f[0])


def modulate(steps: np.ndarray, rate_hz: float, *, root: bool = False) -> np.ndarray:
    """Give the waveform of phase steps (eighths of a turn), complex64, SEND_SPAN symbols before the first.

    Symbol k (the first is the sum of the first step) stands at (SEND_SPAN + k) * rate / symbol rate.
    """
    symbols = np.exp(2j * np.pi / 8 * (np.cumsum(np.asarray(steps, np.int64)) % 8))
    per = rate_hz / SYMBOL_RATE_HZ
    count = int((len(symbols) + 2 * SEND_SPAN) * per)
    at = np.arange(count) / per - SEND_SPAN  # in symbols
    near = np.round(at).astype(np.int64)
    padded = np.pad(symbols, 2 * SEND_SPAN)
    out = np.zeros(count, complex)
    for k in range(-SEND_SPAN, SEND_SPAN + 1):
        t = at - (near + k)
        pulse = receive_pulse(t, root=True) if root else raised_cosine(t)
        out += padded[np.clip(near + k + 2 * SEND_SPAN, 0, len(padded) - 1)] * pulse
    return out.astype(np.complex64)
