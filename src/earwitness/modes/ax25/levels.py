"""What is measured of a channel beside its symbols: level, frequency, steps of the phase, whether it is tame."""

from __future__ import annotations

import numpy as np

from earwitness.dsp.discriminate import phase_steps
from earwitness.dsp.jit import kernel

LARGEST = 1e6
STEADY = 1.15  # fourth moment over the squared second: 1 a clean constant envelope, 2 noise, shaped reversals 1.3 and more
JUMP_RAD = 1.8  # between samples: no deviation in use takes the phase so far
MOST_JUMPS = 10  # in a piece by noise alone
LEVEL_SAMPLES = 480  # samples a level and frequency reading is taken over
LEVELS_KEPT = 1600


@kernel("void(complex64[::1], int64, float64[::1], complex128[::1])", fastmath=True)
def levels(block: np.ndarray, size: int, power: np.ndarray, turn: np.ndarray) -> None:
    """Give mean power and summed turn from sample to sample of each `size` samples."""
    for row in range(len(power)):
        total = np.float32(0)
        re = np.float32(0)
        im = np.float32(0)
        before = block[row * size : (row + 1) * size - 1]
        after = block[row * size + 1 : (row + 1) * size]
        for n in range(size - 1):
            a, b = after[n].real, after[n].imag
            c, d = before[n].real, before[n].imag
            total += a * a + b * b
            re += a * c + b * d
            im += b * c - a * d
        power[row] = total / (size - 1)
        turn[row] = complex(re, im)


class Levels:
    """Levels of the block stream, kept for the figures of frames."""

    def __init__(self) -> None:
        self._power = np.zeros(0)
        self._turn = np.zeros(0, complex)
        self._at = 0

    def note(self, block: np.ndarray) -> None:
        """Take the next block, complex64 (n,), a whole number of readings."""
        power = np.empty(len(block) // LEVEL_SAMPLES)
        turn = np.empty(len(power), complex)
        levels(block, LEVEL_SAMPLES, power, turn)
        self._power = np.concatenate([self._power, power])
        self._turn = np.concatenate([self._turn, turn])
        drop = max(len(self._power) - LEVELS_KEPT, 0)
        self._power, self._turn, self._at = self._power[drop:], self._turn[drop:], self._at + drop

    def _part(self, start: float, stop: float) -> slice:
        low = min(max(int(start / LEVEL_SAMPLES) - self._at, 0), max(len(self._power) - 1, 0))
        return slice(low, max(int(stop / LEVEL_SAMPLES) - self._at, low + 1))

    def level_dbfs(self, start: float, stop: float) -> float:
        """Give the mean level between two samples of the channel."""
        return float(10 * np.log10(np.mean(self._power[self._part(start, stop)]) + 1e-30))

    def frequency(self, start: float, stop: float) -> float:
        """Give the mean frequency in cycles per sample."""
        return float(np.angle(np.sum(self._turn[self._part(start, stop)])) / (2 * np.pi))


class Steps:
    """The discriminator over a stream of blocks."""

    def __init__(self) -> None:
        self._before = np.complex64(1)

    def feed(self, iq: np.ndarray) -> np.ndarray:
        """Give the phase step from sample to sample of the next block, float32, in radians."""
        if not len(iq):
            return np.empty(0, np.float32)
        steps = phase_steps(iq, self._before)
        self._before = iq[-1]
        return np.asarray(steps)


@kernel("boolean(float32[::1])", fastmath={"reassoc", "nsz"})
def tame(values: np.ndarray) -> bool:
    """Tell whether all values are numbers no larger than LARGEST."""
    wild = 0
    for i in range(len(values)):
        wild += 0 if abs(values[i]) <= np.float32(LARGEST) else 1
    return wild == 0


@kernel("float64(complex64[::1], float32[::1])", fastmath=True)
def unevenness(block: np.ndarray, steps: np.ndarray) -> float:
    """Give the fourth moment of a block's envelope over the squared second; much where its phase jumps.

    Below STEADY it is modulated in frequency, or a carrier.
    """
    second = np.float32(0)
    fourth = np.float32(0)
    for n in range(len(block)):
        power = block[n].real * block[n].real + block[n].imag * block[n].imag
        second += power
        fourth += power * power
    uneven = fourth * len(block) / (second * second + np.float32(1e-30))
    jumps = 0
    if uneven < STEADY:
        for n in range(len(steps)):
            jumps += abs(steps[n]) > JUMP_RAD
    return float(uneven) if jumps < MOST_JUMPS and second > 0 else 10.0
