"""AIS from a discriminator's output, as a receiver's unfiltered audio socket gives it.

The sound is the frequency itself, of unknown scale, sense and middle. The known training bits and flag, laid over
it with their mean taken out, find a burst and give all three; then each symbol is the mean over its time.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from earwitness.coding.hdlc import HdlcFrame, hard_bits
from earwitness.dsp import fft
from earwitness.modes.ais.gmsk import SYMBOL_RATE_HZ, modulate

LIKE = 0.8  # correlation with the known waveform; noise does not reach 0.5 in an hour
PASS_HZ, STOP_HZ = 5_200.0, 8_500.0
LEAST_RATE_HZ = 2 * STOP_HZ  # of the sound


def known_sounds(levels: np.ndarray, over: int) -> np.ndarray:
    """Give the frequency of known levels (forms, bits) at `over` samples a symbol, their mean taken out.

    float32 (forms, n), unit energy; sample 0 is the start of the first bit.
    """
    phases = np.unwrap(np.angle([modulate(row, over * SYMBOL_RATE_HZ) for row in levels]))
    hz = np.diff(phases, axis=1)
    hz -= hz.mean(axis=1, keepdims=True)
    return (hz / np.linalg.norm(hz, axis=1, keepdims=True)).astype(np.float32)


def likeness(sound: np.ndarray, known: np.ndarray) -> np.ndarray:
    """Give how like each start of sound float32 (n,) is to the likest known (forms, m): float32 (n - m + 1,), 0..1."""
    size = known.shape[1]
    count = len(sound) - size + 1
    total = np.concatenate([[0.0], np.cumsum(sound, dtype=np.float64)])
    square = np.concatenate([[0.0], np.cumsum(sound.astype(np.float64) ** 2)])
    mean = (total[size:] - total[:-size]) / size
    power = square[size:] - square[:-size] - size * mean**2
    length = fft.good_size(len(sound) + size)
    spectrum = fft.forward_real(sound, length)
    top = np.zeros(count)
    for row in known:
        both = fft.inverse_real(spectrum * np.conj(fft.forward_real(row, length)), length)[:count]
        top = np.maximum(top, np.abs(both))
    floor = 1e-9 * float(square[-1]) + 1e-30
    return (top / np.sqrt(np.maximum(power, floor))).astype(np.float32)


def symbols(sound: np.ndarray, start: float, over: int, count: int, known: int) -> np.ndarray:
    """Give up to `count` symbols (m,) from a start on, about the middle that the `known` first ones have."""
    total = np.concatenate([[0.0], np.cumsum(sound, dtype=np.float64)])
    edges = start + over * np.arange(count + 1)
    edges = edges[(edges >= 0) & (edges <= len(sound))]
    means = np.diff(np.interp(edges, np.arange(len(total)), total)) / over
    head = np.sort(means[1:known])
    if len(head) < known // 2:
        return np.zeros(0)
    part = len(head) // 3
    return means - 0.5 * (head[:part].mean() + head[-part:].mean())


def readings(sound: np.ndarray, start: float, over: int, count: int, known: int) -> Iterator[np.ndarray]:
    """Give the bits of a burst, uint8, as a start and its neighbours a quarter of a symbol off make them."""
    for shift in (0.0, 0.25, -0.25):
        yield hard_bits(symbols(sound, start + shift * over, over, count, known), 1)


def loudness(sound: np.ndarray, start: float, frame: HdlcFrame, over: int) -> float:
    """Give the mean power of a frame's sound about its mean."""
    part = sound[int(start) : int(start) + frame.stop * over]
    return float(np.var(part)) if len(part) else 0.0
