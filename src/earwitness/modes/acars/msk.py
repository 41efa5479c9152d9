"""The keyed audio of ACARS: bits as half and whole cycles, and the same as a linear pulse.

A bit that differs from the one before it is half a cycle of 1200 Hz, one that does not a whole cycle of
2400 Hz; the tone passes zero at every bit's end, rising after a 1 and falling after a 0 (ICAO Annex 10
Volume III, VDL Mode 1). Seen from 1800 Hz this is minimum-shift keying, which Laurent (IEEE Trans.
COM-34, 1986) writes as a sum of half-cosine pulses; here each pulse is one bit's sign times

    cos(pi t / 2T) sin(2 pi 1800 t),  -T < t < T,  t counted from the bit's end,

and pulses of different bits are orthogonal, so one matched filter decides each bit by itself.
"""

from __future__ import annotations

import numpy as np

BIT_RATE_HZ = 2400.0
MIDDLE_HZ = 1800.0
NEAR = 1 / np.pi  # a neighbouring bit's share in quadrature: integral of cos sin over the overlap


def keyed_audio(bits: np.ndarray, rate_hz: float) -> np.ndarray:
    """Give the tone of bits 0/1 (n,), amplitude 1, float64, n bits long at `rate_hz`.

    A 1 is taken to come before the first bit, which starts at sample 0.
    """
    count = int(len(bits) * rate_hz / BIT_RATE_HZ)
    return keyed_tone(bits, np.arange(count) * BIT_RATE_HZ / rate_hz)


def keyed_tone(bits: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Give the tone of bits 0/1 (n,) at times `at` in bits since the first one's start, float64; zero outside."""
    bits = np.asarray(bits, np.int64)
    before = np.concatenate([[1], bits[:-1]])
    k = np.clip(np.floor(at).astype(np.int64), 0, len(bits) - 1)
    cycles = np.where(bits == before, 1.0, 0.5)
    tone = np.sin(np.pi * (1 - before[k]) + 2 * np.pi * cycles[k] * (at - k))
    return np.where((at >= 0) & (at < len(bits)), tone, 0.0)


def pulse_table(per_bit: int, rows: int) -> np.ndarray:
    """Give matched-filter taps, complex64 (rows, 2 * per_bit + 1); row r for a bit's end r / rows past a sample.

    Tap i belongs to the sample i - per_bit from there. The sum of taps times samples is the bit's sign
    times the amplitude where the audio's phase is right, its neighbours' shares in quadrature.
    """
    t = (np.arange(2 * per_bit + 1) - per_bit)[None, :] - np.arange(rows)[:, None] / rows
    shape = np.cos(np.pi * t / (2 * per_bit)) * (np.abs(t) < per_bit)
    turn = np.exp(-2j * np.pi * MIDDLE_HZ / BIT_RATE_HZ * t / per_bit)
    return (2j / per_bit * shape * turn).astype(np.complex64)
