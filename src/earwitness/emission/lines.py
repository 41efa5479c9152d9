"""Spectral lines that a non-linearity brings out of a modulated signal (carrier, symbol clock)."""

from __future__ import annotations

from functools import cached_property
from math import ceil, floor, log, log10
from typing import NamedTuple

import numpy as np

from earwitness.dsp import fft
from earwitness.dsp.jit import kernel
from earwitness.dsp.spectra import hann
from earwitness.emission.burst import squares


@kernel("float32(float32[::1], int64, int64)")
def _floor(medians: np.ndarray, step: int, place: int) -> float:
    """Give the background of a bin: straight lines between the medians, each at the middle of its block of `step`."""
    at = np.float32(place) / np.float32(step) - np.float32(0.5)
    last = len(medians) - 1
    if at <= 0:
        level = medians[0]
    elif at >= last:
        level = medians[last]
    else:
        low = int(at)
        level = medians[low] + (at - np.float32(low)) * (medians[low + 1] - medians[low])
    return level * np.float32(1 / np.log(2)) + np.float32(1e-30)


@kernel("void(float32[::1], float32[::1], int64, float32[::1])")
def _over_background(power: np.ndarray, medians: np.ndarray, step: int, out: np.ndarray) -> None:
    """Fill out with the power of each bin over its background."""
    for i in range(len(power)):
        out[i] = power[i] / _floor(medians, step, i)


@kernel("int64(float32[::1], int64, int64)")
def _highest(ratio: np.ndarray, first: int, count: int) -> int:
    """Give the place of the highest of `count` values of a ring from `first` on."""
    n = len(ratio)
    best = first % n
    for k in range(1, count):
        place = (first + k) % n
        if ratio[place] > ratio[best]:
            best = place
    return best


@kernel("int64(float32[::1], int64, int64, int64, int64[::1])")
def _highest_apart(ratio: np.ndarray, first: int, last: int, guard: int, found: np.ndarray) -> int:
    """Fill found with places of a ring in first..last - 1, the highest first, apart by more than guard; give how many."""
    n = len(ratio)
    for turn in range(len(found)):
        best, height = 0, np.float32(0.0)
        for place in range(first, last):
            value = ratio[place % n] if place < 0 else ratio[place]
            if value > height:
                free = True
                for other in found[:turn]:
                    free = free and abs(place - other) > guard
                if free:
                    best, height = place, value
        if height == 0:
            return turn
        found[turn] = best
    return len(found)


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
            values = fft.forward_real((signal * window).astype(np.float32, copy=False), size)
        else:
            values = fft.forward((signal * window).astype(np.complex64, copy=False), size)
        self.power = squares(values)
        self.bin_hz = rate_hz / size
        self.size = size
        self.rate_hz = rate_hz
        self.resolution_hz = rate_hz / n
        self._block = block
        # Some of the bins are enough for a median, and quicker.
        self._stride = 1 if n < 4000 else 2 if n < 16_000 else 4
        self.total = float(self.power.sum()) + 1e-30

    @cached_property
    def _medians(self) -> np.ndarray:
        """Medians of blocks of bins, lines left out, float32."""
        blocks = max(len(self.power) // self._block, 1)
        used = blocks * (len(self.power) // blocks)
        return _row_medians(self.power[:used].reshape(blocks, -1)[:, :: self._stride]).copy()

    @cached_property
    def _ratio(self) -> np.ndarray:
        """Power over background of each bin."""
        out = np.empty(len(self.power), np.float32)
        _over_background(self.power, self._medians, len(self.power) // len(self._medians), out)
        return out

    def at(self, frequency_hz: float, slack_hz: float, need_db: float = -np.inf) -> Line | None:
        """Give the strongest line within +-slack_hz of a frequency, None when it is below need_db."""
        first = floor((frequency_hz - slack_hz) / self.bin_hz)
        count = max(ceil(2 * slack_hz / self.bin_hz), 1) + 1
        if self.real:
            first = min(max(first, 0), len(self.power) - count)
        best = _highest(self._ratio, first, count)
        height = self._ratio[best]
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
        places = np.empty(count, np.int64)
        seen = _highest_apart(self._ratio, first, last, guard, places)
        return [self._line(place % self.size) for place in places[:seen].tolist()]

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
        level = float(_floor(self._medians, n // len(self._medians), index))
        share = sum([max(value - level, 0.0) for value in p]) / self.total
        return Line(place * self.bin_hz, 10 * log10(p[2] / level), share, index)


def joint_background_db(bins: int) -> float:
    """Give how far noise alone rises over its background among so many bins, once in a thousand."""
    return float(10 * np.log10(np.log(max(bins, 2)) + 6.9))
