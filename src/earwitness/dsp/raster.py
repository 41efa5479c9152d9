"""Lines of a picture in a stream: how long a line is, to parts per million, and its pixels.

A picture resembles itself one line later. `line_period` finds that in a few seconds of any signal; `refine`
makes it exact over the whole picture from its upright structure, which is what removes slant.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from earwitness.dsp import fft
from earwitness.dsp.peaks import vertex

COLUMNS = 256  # in which lines are compared
HARMONICS = 96
PRIOR_PPM = 250.0
LASTING = 0.5


@dataclass(frozen=True, slots=True)
class LineFind:
    """A period found: in samples, and the correlation of lines with their next."""

    nominal: float
    period: float
    likeness: float


def autocorrelation(x: np.ndarray, longest: int) -> np.ndarray:
    """Give the normalised autocorrelation of x (n,) at lags 0..longest, float32, corrected for overlap."""
    y = (x - x.mean()).astype(np.float32)
    size = fft.good_size(len(y) + longest + 1)
    spectrum = fft.forward_real(y, size)
    full = fft.inverse_real(spectrum.real**2 + spectrum.imag**2, size)[: longest + 1]
    full = full * (len(y) / np.maximum(len(y) - np.arange(longest + 1), 1))
    return (full / max(float(full[0]), 1e-30)).astype(np.float32)


def line_period(
    x: np.ndarray, nominal: Sequence[float], *, least: float, tolerance: float = 1e-3, clear: float = 0.85
) -> LineFind | None:
    """Give which of the nominal periods (samples, ascending) x (n,) repeats with, or None.

    The likeness one period later must reach `least` and outdo every lag that is no multiple or part of it:
    what also repeats at other lags (idle data, tones, time ticks) is no picture. Two periods later it must
    still be half of that: characters sent twice are alike once, lines go on being alike.
    """
    longest = int(nominal[-1] * 2.1)
    if len(x) < 1.4 * longest:
        return None
    r = autocorrelation(x, longest)
    tops = []
    for period in nominal:
        low, high = int(period * (1 - tolerance)) - 1, int(np.ceil(period * (1 + tolerance))) + 2
        at = low + int(r[low:high].argmax())
        tops.append((float(r[at]), at))
    best = max(top for top, _ in tops)
    if best < least:
        return None
    which = next(i for i, (top, _) in enumerate(tops) if top >= clear * best)
    top, at = tops[which]
    margin = max(0.06 * nominal[which], 2.0)
    lags = np.arange(len(r))
    shape = (lags > max(0.08 * nominal[which], 4)) & (lags < at + 0.5 * nominal[which])
    shape &= np.abs(lags - at) > margin
    if r[shape].max(initial=0.0) > clear * top:
        return None
    twice = int(np.ceil(2 * tolerance * nominal[which])) + 2
    if r[2 * at - twice : 2 * at + twice + 1].max() < LASTING * top:
        return None
    if not r[at - 1] <= r[at] >= r[min(at + 1, longest)]:
        return None
    return LineFind(nominal[which], at + _vertex(r[at - 1 : at + 2]), top)


def _vertex(three: np.ndarray) -> float:
    """Give the place of a parabola's top through three values, -0.5..0.5 from the middle."""
    if len(three) < 3:
        return 0.0
    return min(max(vertex(*three), -0.5), 0.5)


def sharpen_period(x: np.ndarray, period: float, *, reach: float) -> float:
    """Give the period (samples) at which x (n,) resembles itself best, within +-reach samples, by parabola."""
    y = x - x.mean()
    first, last = int(np.floor(period - reach)), int(np.ceil(period + reach))
    values = np.array([float(np.dot(y[lag:], y[: len(y) - lag])) for lag in range(first - 1, last + 2)])
    at = 1 + int(values[1:-1].argmax())
    return first - 1 + at + _vertex(values[at - 1 : at + 2])


class Raster:
    """Integrates a stream so that pixels of any width at any place cost the same."""

    def __init__(self, x: np.ndarray):
        self.count = len(x)
        self._total = np.concatenate([[0.0], np.cumsum(x, dtype=np.float64)])

    def between(self, starts: np.ndarray, stops: np.ndarray) -> np.ndarray:
        """Give the mean of the stream over [start, stop) in samples, fractions allowed, float32."""
        grid = np.arange(self.count + 1)
        high = np.interp(stops, grid, self._total)
        low = np.interp(starts, grid, self._total)
        return ((high - low) / np.maximum(stops - starts, 1e-9)).astype(np.float32)

    def rows(
        self, first: float, period: float, count: int, columns: int, *, share: float = 1.0
    ) -> np.ndarray:
        """Give lines as pixels (count, columns): line k takes `share` of a period from first + k period on."""
        edges = first + period * (np.arange(count)[:, None] + share * np.arange(columns + 1) / columns)
        total = np.interp(edges.ravel(), np.arange(self.count + 1), self._total).reshape(edges.shape)
        return (np.diff(total, axis=1) / (period * share / columns)).astype(np.float32)


def refine(raster: Raster, first: float, period: float, *, nominal: float, reach_ppm: float = 400.0) -> float:
    """Give the period (samples) that makes the lines' upright structure stand most upright.

    Lines are taken at `period`; a period wrong by e shifts each by e more than the last. With X_r(k) the
    harmonics of line r, the strength of the mean line after taking out a shift of s a line is
    sum over k of |sum over r of X_r(k) exp(2 pi i k s r)|^2, largest at the right s. First over 48 lines with a
    wide reach, then over ever more with what is left of it, so that no side peak is taken. Each harmonic counts
    with its number: borders are sharp, clouds that drift aslant are not. A period near the nominal one is
    likelier (standard deviation PRIOR_PPM), which decides where nothing upright was drawn.
    """
    most = int((raster.count - first) / period)
    reach_ppm += abs(period / nominal - 1) * 1e6
    lines = min(48, most)
    while lines >= 8:
        period = _refine(raster, first, period, lines, reach_ppm, nominal)
        if lines == most:
            break
        reach_ppm = max(1e6 * 2.0 / (COLUMNS * lines), 1.0)
        lines = min(lines * 4, most)
    return period


def _refine(
    raster: Raster, first: float, period: float, lines: int, reach_ppm: float, nominal: float
) -> float:
    rows = raster.rows(first, period, lines, COLUMNS)
    rows = rows - rows.mean(axis=1, keepdims=True)
    rows = rows / (rows.std(axis=1, keepdims=True) + 1e-6)  # a burst of noise is one line, not the whole
    harmonics = fft.forward(rows.astype(np.complex64))[:, 1 : HARMONICS + 1]
    step = 0.25 / (HARMONICS * lines)
    count = int(np.ceil(reach_ppm * 1e-6 / step))
    shifts = np.arange(-count, count + 1) * step
    k = np.arange(1, HARMONICS + 1)
    strength = np.zeros(len(shifts))
    turn = np.exp(2j * np.pi * shifts[:, None] * np.arange(lines)).astype(np.complex64)
    wave = turn.copy()
    for i in range(len(k)):
        strength += k[i] * np.abs(wave @ harmonics[:, i]) ** 2
        wave *= turn
    off_ppm = (period * (1 + shifts) / nominal - 1) * 1e6
    at = int((strength * np.exp(-0.5 * (off_ppm / PRIOR_PPM) ** 2)).argmax())
    while 0 < at < len(shifts) - 1 and max(strength[at - 1], strength[at + 1]) > strength[at]:
        at += (
            1 if strength[at + 1] > strength[at - 1] else -1
        )  # the peak itself, not where the prior pulls it
    place = shifts[at]
    if 0 < at < len(shifts) - 1:
        place += step * _vertex(strength[at - 1 : at + 2])
    return period * (1 + place)
