"""Spectral lines that a non-linearity brings out of a modulated signal (carrier, symbol clock)."""

from __future__ import annotations

from functools import cached_property
from math import log, log10
from typing import NamedTuple

import numpy as np

from earwitness.dsp import fft
from earwitness.dsp.jit import kernel
from earwitness.dsp.spectra import hann


@kernel("void(float32[::1], float32[::1], float32[::1])")
def _over_background(power: np.ndarray, medians: np.ndarray, out: np.ndarray) -> None:
    """Fill out with the background: straight lines between the medians, each at the middle of its block."""
    blocks = len(medians)
    step = len(power) // blocks
    scale = np.float32(1 / np.log(2))
    for i in range(len(power)):
        place = (np.float32(i) / np.float32(step)) - np.float32(0.5)
        if place <= 0:
            level = medians[0]
        elif place >= blocks - 1:
            level = medians[blocks - 1]
        else:
            low = int(place)
            level = medians[low] + (place - np.float32(low)) * (medians[low + 1] - medians[low])
        out[i] = level * scale + np.float32(1e-30)


def _row_medians(rows: np.ndarray) -> np.ndarray:
    """Give the median of each row of finite values: np.median without its preliminaries."""
    half = rows.shape[1] // 2
    if rows.shape[1] % 2:
        return np.partition(rows, half, axis=1)[:, half]
    split = np.partition(rows, (half - 1, half), axis=1)
    return 0.5 * (split[:, half - 1] + split[:, half])


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
        if self.real:
            self.values = fft.forward_real((signal * window).astype(np.float32, copy=False), size)
        else:
            self.values = fft.forward((signal * window).astype(np.complex64, copy=False), size)
        self.power = self.values.real**2 + self.values.imag**2
        self.bin_hz = rate_hz / size
        self.size = size
        self.rate_hz = rate_hz
        self.resolution_hz = rate_hz / n
        self._block = block
        # Some of the bins are enough for a median, and quicker.
        self._stride = 1 if n < 4000 else 2 if n < 16_000 else 4
        self.total = float(self.power.sum()) + 1e-30

    @cached_property
    def background(self) -> np.ndarray:
        """Power around each bin, lines left out, float32."""
        blocks = max(len(self.power) // self._block, 1)
        used = blocks * (len(self.power) // blocks)
        medians = _row_medians(self.power[:used].reshape(blocks, -1)[:, :: self._stride]).copy()
        out = np.empty(len(self.power), np.float32)
        _over_background(self.power, medians, out)
        return out

    @cached_property
    def ratio(self) -> np.ndarray:
        """Power over background of each bin."""
        return self.power / self.background

    def _ratios(self, first: int, last: int) -> np.ndarray:
        """Give the ratios of bins first..last - 1, a copy; below 0 they count from the end."""
        if self.real or first >= 0:
            return self.ratio[first:last].copy()
        return np.concatenate([self.ratio[first : min(last, 0) or None], self.ratio[: max(last, 0)]])

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
            ratio = self.ratio[first : first + count]
            best = int(ratio.argmax())
            height = ratio[best]
            best += first
        else:
            ratio = self.ratio[np.arange(first, first + count) % self.size]
            best = int(ratio.argmax())
            height = ratio[best]
            best = (first + best) % self.size
        if height < 10 ** (need_db / 10):
            return None
        return self._line(best)

    def strongest(self, low_hz: float, high_hz: float, count: int = 1, guard: int = 4) -> list[Line]:
        """Give up to `count` strongest separate lines in low_hz..high_hz, by height over the background."""
        first, last = int(low_hz / self.bin_hz), int(high_hz / self.bin_hz) + 1
        if self.real:
            first, last = max(first, 1), min(last, len(self.power) - 1)
        else:
            first, last = max(first, -self.size // 2), min(last, self.size // 2)
        if last <= first:
            return []
        ratio = self._ratios(first, last)
        found = []
        for _ in range(count):
            best = int(np.argmax(ratio))
            if ratio[best] <= 0:
                break
            found.append(self._line((first + best) % self.size))
            ratio[max(best - guard, 0) : best + guard + 1] = 0
        return found

    def _line(self, index: int) -> Line:
        n = len(self.power)
        if 2 <= index < n - 2:
            p = [value + 1e-30 for value in self.power[index - 2 : index + 3].tolist()]
        else:
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
