"""Spectral lines that a non-linearity brings out of a modulated signal (carrier, symbol clock)."""

from __future__ import annotations

from functools import lru_cache
from math import log, log10
from typing import NamedTuple

import numpy as np

from earwitness.dsp import fft


@lru_cache(maxsize=16)
def hann(n: int) -> np.ndarray:
    """Give a Hann window, float32 shape (n,)."""
    return np.hanning(n).astype(np.float32)


class Line(NamedTuple):
    """A spectral line: where, how far over its surroundings, which share of the power it holds, its phase."""

    frequency_hz: float
    over_db: float
    share: float
    bin: int


class LineSpectrum:
    """The periodogram of a real or complex signal (n,), with its local background, to look for lines in."""

    def __init__(self, signal: np.ndarray, rate_hz: float, *, block: int = 96):
        n = len(signal)
        size = fft.good_size(n)
        window = hann(n)
        self.real = not np.iscomplexobj(signal)
        self.values = fft.forward((signal * window).astype(np.float32 if self.real else np.complex64), size)
        if self.real:
            self.values = self.values[: size // 2 + 1]
        self.power = self.values.real**2 + self.values.imag**2
        self.bin_hz = rate_hz / size
        self.size = size
        self.rate_hz = rate_hz
        self.resolution_hz = rate_hz / n
        blocks = max(len(self.power) // block, 1)
        used = blocks * (len(self.power) // blocks)
        # Some of the bins are enough for a median, and quicker.
        medians = np.median(
            self.power[:used].reshape(blocks, -1)[:, :: 1 if n < 4000 else 2 if n < 16_000 else 4], axis=1
        )
        centre = (np.arange(blocks) + 0.5) * (used / blocks)
        self.background = np.interp(np.arange(len(self.power)), centre, medians) / np.log(2) + 1e-30
        self.total = float(self.power.sum()) + 1e-30

    def index(self, frequency_hz: float) -> int:
        """Give the nearest bin of a frequency."""
        return round(frequency_hz / self.bin_hz) % self.size

    def at(self, frequency_hz: float, slack_hz: float, need_db: float = -np.inf) -> Line | None:
        """Give the strongest line within +-slack_hz of a frequency, None when it is below need_db."""
        first = int(np.floor((frequency_hz - slack_hz) / self.bin_hz))
        count = max(int(np.ceil(2 * slack_hz / self.bin_hz)), 1) + 1
        n = len(self.power)
        if self.real:
            first = min(max(first, 0), n - count)
            ratio = self.power[first : first + count] / self.background[first : first + count]
            best = first + int(ratio.argmax())
        else:
            where = np.arange(first, first + count) % self.size
            ratio = self.power[where] / self.background[where]
            best = int(where[ratio.argmax()])
        if ratio.max() < 10 ** (need_db / 10):
            return None
        return self._line(best)

    def strongest(self, low_hz: float, high_hz: float, count: int = 1, guard: int = 4) -> list[Line]:
        """Give up to `count` strongest separate lines in low_hz..high_hz, by height over the background."""
        first, last = int(low_hz / self.bin_hz), int(high_hz / self.bin_hz) + 1
        if self.real:
            where = np.arange(max(first, 1), min(last, len(self.power) - 1))
        else:
            where = np.arange(max(first, -self.size // 2), min(last, self.size // 2)) % self.size
        if len(where) == 0:
            return []
        ratio = self.power[where] / self.background[where]
        found = []
        for _ in range(count):
            best = int(np.argmax(ratio))
            if ratio[best] <= 0:
                break
            found.append(self._line(int(where[best])))
            ratio[max(best - guard, 0) : best + guard + 1] = 0
        return found

    def _line(self, index: int) -> Line:
        n = len(self.power)
        around = [min(max(i, 0), n - 1) if self.real else i % n for i in range(index - 2, index + 3)]
        p = [float(self.power[i]) + 1e-30 for i in around]
        # Parabola through the log magnitudes: within a few hundredths of a bin for a Hann window.
        a, b, c = log(p[1]), log(p[2]), log(p[3])
        bend = a - 2 * b + c
        place = index + (min(max(0.5 * (a - c) / bend, -0.5), 0.5) if bend < 0 else 0.0)
        if not self.real and index > self.size // 2:
            place -= self.size
        floor = float(self.background[index])
        share = sum(max(value - floor, 0.0) for value in p) / self.total
        return Line(place * self.bin_hz, 10 * log10(p[2] / floor), share, index)


def joint_background_db(bins: int) -> float:
    """Give how far noise alone rises over its background among so many bins, once in a thousand."""
    return float(10 * np.log10(np.log(max(bins, 2)) + 6.9))
