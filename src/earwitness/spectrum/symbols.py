"""Wide signals of one carrier, told from noise by their symbols' clock.

A band-limited linear modulation repeats its spectrum at the symbol rate: what lies in the slope of one edge of its
band lies in that of the other as well (cyclostationarity, textbook: Gardner 1986, from memory), and so it does about
the carrier of one whose symbols are real (vestigial sideband). Neither noise nor a receiver's filter does so. The
square of the samples then has a line at that rate, or at twice that carrier; whether it comes from a pair of slopes
and not from two carriers is told by how much of the spectrum takes part in it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from earwitness.dsp import fft
from earwitness.spectrum.repeats import LEAST_RATE_HZ

_SAMPLES, _MORE, _MORE_ABOVE_HZ = 1 << 18, 1 << 19, 8e6
_SHAPES = 256  # parts of the span whose medians are its shape
_HELD = 4.0  # times that: no narrow signal counts more
# how a spectrum rises that is looked at; share of the span; parts left out
_HILL, _HILL_PARTS, _RIM = 1.4, 0.15, 4
_FRAME, _FRAMES = 1024, 128  # in which it is sought
_LEAST_RATE, _MOST_RATE = 0.15, 0.97  # shares of the span
# times the mean power of what is beside; looked at; samples of a line
_STANDS, _LINES, _BESIDE = 22.0, 12, 32
_ALIKE, _LEAST_PARTS = 0.1, 2  # coherence of a part that belongs to a slope
_COMMON = 0.2  # share of its band that one may have in common with its neighbour
# mean square of the power over the square of its mean: pulses repeat their spectrum, too
_PIECES, _MOST_PEAKED = 16, 2.6
# Terrestrial television of 8 levels (ATSC A/53): how far the lower slope reaches from the carrier, and the channel.
_VESTIGE_HZ, _VESTIGE_SLACK, _CHANNEL_HZ = 310e3, 0.25, 6e6
_OWN = 3  # samples about the middle in which the receiver's own image is


@dataclass(frozen=True)
class Carrier:
    """A wide signal of one carrier: its band, as shares of the span from -0.5 to 0.5, with its slopes; and the noise.

    `noise` is the share of the power within its band that is not its own.
    """

    low: float
    high: float
    noise: float


def find_carriers(read: Callable[[int, int], np.ndarray], rate_hz: float) -> list[Carrier]:
    """Give the signals of one carrier, wider than a seventh of the span, at its start. `read(start, count)` gives complex samples.

    Narrow spans, in which such signals need no such proof, are not looked at.
    """
    if rate_hz < LEAST_RATE_HZ:
        return []
    data = read(0, _MORE if rate_hz > _MORE_ABOVE_HZ else _SAMPLES)
    n = len(data) // _SHAPES * _SHAPES
    if n < _SAMPLES // 8 or not _has_hill(data[:n]) or _is_peaked(data[:n]):
        return []
    spectrum = np.fft.fftshift(fft.forward(data[:n] - data[:n].mean()))
    power = spectrum.real**2 + spectrum.imag**2
    shape = np.median(power.reshape(_SHAPES, -1), axis=1)
    most = np.repeat(np.float32(_HELD) * shape, n // _SHAPES)
    spectrum *= np.sqrt(np.minimum(1, most / np.maximum(power, 1e-30)))
    samples = fft.inverse(np.fft.ifftshift(spectrum))
    out: list[Carrier] = []
    for k in _lines(np.abs(samples) ** 2 + 0j):
        for shift in (k, n - k):
            if _LEAST_RATE * n < shift < _MOST_RATE * n:
                out += _pairs(spectrum, shift)
    for k in _lines(samples**2) if rate_hz > _CHANNEL_HZ else []:
        for twice in (k - n, k, k + n):
            if abs(twice) > _OWN and abs(twice) < n:
                out += _about(spectrum, twice, rate_hz)
    return _apart(out)


def _lines(square: np.ndarray) -> list[int]:
    """Give where lines stand in the spectrum of `square`, strongest first."""
    n = len(square)
    power = np.abs(fft.forward((square - square.mean()).astype(np.complex64))) ** 2
    usual = np.median(power.reshape(_SHAPES, -1), axis=1) / np.log(2)
    height = (power.reshape(_SHAPES, -1) / np.maximum(usual, 1e-30)[:, None]).ravel()
    found: list[int] = []
    stands = np.flatnonzero(height > _STANDS)
    for k in stands[np.argsort(-height[stands])].tolist():
        if len(found) < _LINES and all(min((k - o) % n, (o - k) % n) > _BESIDE for o in found):
            found.append(k)
    return found


def _coherence(one: np.ndarray, two: np.ndarray, part: int) -> np.ndarray:
    """Give how alike two spectra are in parts of so many samples, 0 to 1."""
    count = len(one) // part
    a, b = one[: count * part].reshape(count, part), two[: count * part].reshape(count, part)
    power = (np.abs(a) ** 2).sum(axis=1) * (np.abs(b) ** 2).sum(axis=1)
    return np.asarray(np.abs((a * b.conj()).sum(axis=1)) / np.sqrt(np.maximum(power, 1e-30)))


def _groups(alike: np.ndarray) -> list[tuple[int, int]]:
    """Give where parts are alike, as [first, last) of runs long enough."""
    on = np.concatenate([[False], alike > _ALIKE, [False]])
    edges = np.flatnonzero(on[1:] != on[:-1])
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2) if b - a >= _LEAST_PARTS]


def _pairs(spectrum: np.ndarray, shift: int) -> list[Carrier]:
    """Give the signals whose slopes lie `shift` samples of the spectrum apart."""
    n = len(spectrum)
    part = n // _SHAPES // 2
    alike = _coherence(spectrum[shift:], spectrum[: n - shift], part)
    out = []
    for first, last in _groups(alike):
        weight = alike[first:last] - _ALIKE / 2
        middle = float(weight @ (np.arange(first, last) + 0.5) / weight.sum()) * part  # of the lower slope
        half = (last - first) / 2 * part
        top = float(alike[first:last].max())
        low, high = (middle - half) / n - 0.5, (middle + shift + half) / n - 0.5
        out.append(Carrier(low, high, (1 - top) / (1 + top)))
    return out


def _about(spectrum: np.ndarray, twice: int, rate_hz: float) -> list[Carrier]:
    """Give the signal of real symbols whose carrier is at half of place `twice`, counted from the middle of the spectrum."""
    n = len(spectrum)
    about = twice + n  # twice the index
    reach = min(about, 2 * (n - 1) - about) // 2
    part = n // _SHAPES // 2
    if reach < 2 * part:
        return []
    middle = about // 2
    up = spectrum[middle + about % 2 : middle + reach + 1]
    down = spectrum[middle : middle - reach - 1 : -1][: len(up)]
    alike = _coherence(up[: len(down)], down.conj(), part)
    groups = _groups(alike)
    if not groups or groups[0][0] > 1 or not _near(groups[0][1] * part / n * rate_hz, _VESTIGE_HZ):
        return []
    away = round(n * _VESTIGE_HZ / rate_hz) * 2
    below, above = (spectrum[max(k, 0) : k + away] for k in (middle - 2 * away, middle + away))
    side = 1 if np.sum(np.abs(above)) > np.sum(np.abs(below)) else -1
    edges = sorted(twice / 2 / n + side * hz / rate_hz for hz in (-_VESTIGE_HZ, _CHANNEL_HZ - _VESTIGE_HZ))
    top = float(alike[: groups[0][1]].max())
    return [Carrier(max(edges[0], -0.5), min(edges[1], 0.5), (1 - top) / (1 + top))]


def _near(value: float, wanted: float) -> bool:
    return abs(value - wanted) < _VESTIGE_SLACK * wanted


def _apart(found: list[Carrier]) -> list[Carrier]:
    """Leave out what lies in the band of another that is told better."""
    kept: list[Carrier] = []
    for one in sorted(found, key=lambda c: c.noise):
        widths = [min(one.high - one.low, other.high - other.low) for other in kept]
        common = [min(one.high, other.high) - max(one.low, other.low) for other in kept]
        if not any(c > _COMMON * w for c, w in zip(common, widths, strict=True)):
            kept.append(one)
    return sorted(kept, key=lambda c: c.low)


def _has_hill(data: np.ndarray) -> bool:
    """Tell, from a few frames, whether a good part of the span lies well over its lowest parts."""
    frames = data[: len(data) // _FRAME * _FRAME].reshape(-1, _FRAME)
    frames = frames[:: max(len(frames) // _FRAMES, 1)] * np.hanning(_FRAME).astype(np.float32)
    power = (np.abs(np.fft.fftshift(fft.forward(frames), axes=1)) ** 2).mean(axis=0)
    shape = np.median(power.reshape(_SHAPES, -1), axis=1)[_RIM // 2 : -(_RIM // 2)]
    return bool(np.count_nonzero(shape > _HILL * np.partition(shape, _RIM)[_RIM]) > _HILL_PARTS * _SHAPES)


def _is_peaked(data: np.ndarray) -> bool:
    power = (data.real**2 + data.imag**2).reshape(_PIECES, -1)
    mean = power.mean(axis=1)
    return bool(np.median((power**2).mean(axis=1) / np.maximum(mean, 1e-30) ** 2) > _MOST_PEAKED)
