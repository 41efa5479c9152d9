"""Spectral lines that a non-linearity brings out of a modulated signal (carrier, symbol clock)."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from earwitness.dsp import fft


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
        window = np.hanning(n).astype(np.float32)
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
        medians = np.median(self.power[:used].reshape(blocks, -1), axis=1)
        centre = (np.arange(blocks) + 0.5) * (used / blocks)
        self.background = np.interp(np.arange(len(self.power)), centre, medians) / np.log(2) + 1e-30
        self.total = float(self.power.sum()) + 1e-30

    def index(self, frequency_hz: float) -> int:
        """Give the nearest bin of a frequency."""
        return round(frequency_hz / self.bin_hz) % self.size

    def at(self, frequency_hz: float, slack_hz: float) -> Line:
        """Give the strongest line within +-slack_hz of a frequency."""
        first = int(np.floor((frequency_hz - slack_hz) / self.bin_hz))
        count = max(int(np.ceil(2 * slack_hz / self.bin_hz)), 1) + 1
        where = np.arange(first, first + count)
        where = np.clip(where, 0, len(self.power) - 1) if self.real else where % self.size
        return self._line(int(where[np.argmax(self.power[where] / self.background[where])]))

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
        around = np.arange(index - 2, index + 3)
        around = np.clip(around, 0, n - 1) if self.real else around % n
        p = np.sqrt(self.power[around])
        # Parabola through the log magnitudes: within a few hundredths of a bin for a Hann window.
        a, b, c = np.log(p[1] + 1e-30), np.log(p[2] + 1e-30), np.log(p[3] + 1e-30)
        bend = a - 2 * b + c
        shift = float(np.clip(0.5 * (a - c) / bend, -0.5, 0.5)) if bend < 0 else 0.0
        place = index + shift
        if not self.real and index > self.size // 2:
            place -= self.size
        over = 10 * np.log10(self.power[index] / self.background[index] + 1e-30)
        share = float(np.sum(np.maximum(self.power[around] - self.background[around], 0))) / self.total
        return Line(place * self.bin_hz, float(over), share, index)


def joint_background_db(bins: int) -> float:
    """Give how far noise alone rises over its background among so many bins, once in a thousand."""
    return float(10 * np.log10(np.log(max(bins, 2)) + 6.9))
