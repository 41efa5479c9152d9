"""What repeats itself in a wide span: the guard intervals of multi-carrier signals, the lines of analogue television.

Where a signal fills the span, its mean spectrum is that of a receiver's noise and filter. Its repetition is not:
a guard interval is a copy of the symbol's end (ETSI EN 300 744, EN 300 401, 3GPP TS 36.211), so the samples are
alike one useful symbol apart; and a television line is like the one before it (ITU-R BT.470). Both are seen in the
autocorrelation, worked out from the mean spectrum with its own slow shape divided out and strong narrow signals
held down, so that all of the span counts alike.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from earwitness.dsp import fft

LEAST_RATE_HZ = 1e6  # narrower spans hold no such signal whole
_LAG_S = (50e-6, 3.7e-3)  # of the useful symbols of broadcasting and of mobile telephony
_LINES_S = (64e-6, 63.5556e-6)  # of 625 and 525 lines (ITU-R BT.470)
_LINES_SLACK, _LINES_RIM_S, _LINES_APART = 5e-4, 4e-6, 8
_LINES_STAND = 1.35  # times over what is between; of other signals 0.95 at most
# Below and above the vision carrier; sound is at 5.5 MHz and more, and at 4.5 MHz (ITU-R BT.470).
_VISION_625_HZ, _VISION_525_HZ = (1.3e6, 5.2e6), (1.3e6, 4.3e6)
_PIECES, _LEAST_PIECES, _LONGEST = 24, 4, 1 << 17
_MOST_PEAKED = 2.6  # pulses of radar and of machines repeat, too, and fill the span without hiding its noise
_SHAPES = 256  # parts of the span whose medians are its shape
_HELD = 1.6  # times that: no narrow signal counts more
_SURE, _LEAST = 8.0, 0.004  # standard deviations of the noise; correlation
_BANDS, _BAND_SURE, _MOSTLY = 32, 4.0, 0.77  # parts; standard deviations; as much as is of any use
_MOBILE_S = 1 / 15e3  # useful symbol of mobile telephony (3GPP TS 36.211)
_LEAST_BANDS = 3  # side by side, of one signal
_GUARDS = (1 / 128, 1 / 32, 1 / 16, 1 / 14, 19 / 256, 1 / 8, 19 / 128, 1 / 4)  # of the useful symbol
_BLOCK_S, _BLOCKS = 25e-3, 4
_PEAKS, _TURNS = 40, 0.6  # looked at; share of what is alike, that comes in turns
_BESIDE, _MOST_SAMPLES = 8, 1 << 19
# of the power: a correlation tells no less; and else nothing stands out
_LEAST_NOISE, _MOST_NOISE = 0.01, 0.45


@dataclass(frozen=True)
class Repeat:
    """What was found: `lines` of television, or else guard intervals.

    `bands` bool (32,) tells the parts of the span, ascending, that repeat; `noise` is the share of the power there that does not.
    """

    lag_s: float
    lines: bool
    bands: np.ndarray
    noise: float

    @property
    def fills(self) -> bool:
        """Tell whether it leaves nothing of the span free."""
        return bool(self.bands.all()) and self.noise < _MOST_NOISE

    @property
    def mostly(self) -> bool:
        """Tell whether it takes most of the span, so that its edges may be taken for those of a filter."""
        return not self.lines and bool(self.bands.mean() >= _MOSTLY)

    def runs(self) -> list[tuple[float, float]]:
        """Give where a signal with guard intervals lies that leaves much of the span free: shares of it, from -0.5 to 0.5.

        Its edges are somewhere in the outermost parts, or just beyond.
        """
        if self.lines or self.mostly:
            return []
        on = np.concatenate([[False], self.bands, [False]])
        edges = np.flatnonzero(on[1:] != on[:-1]).reshape(-1, 2)
        return [(a / _BANDS - 0.5, b / _BANDS - 0.5) for a, b in edges.tolist() if b - a >= _LEAST_BANDS]

    def vision(self, power: np.ndarray, rate_hz: float) -> tuple[int, int]:
        """Give the bins [low, high) of television's vision in rows of power (rows, bins): its carrier is strongest in what repeats."""
        size = power.shape[1]
        repeats = np.repeat(self.bands, size // len(self.bands))  # sizes are powers of two
        carrier = int(np.where(repeats, power.mean(axis=0), 0).argmax())
        below, above = _VISION_625_HZ if self.lag_s > sum(_LINES_S) / 2 else _VISION_525_HZ
        low, high = (round(carrier + hz / rate_hz * size) for hz in (-below, above))
        return max(low, 0), min(high + 1, size)


def find_repeat(read: Callable[[int, int], np.ndarray], rate_hz: float) -> Repeat | None:
    """Give what repeats in the first quarter of a second, or None. `read(start, count)` gives complex samples."""
    if rate_hz < LEAST_RATE_HZ:
        return None
    n = min(1 << int(np.ceil(np.log2(2 * _LAG_S[1] * rate_hz))), _LONGEST)
    count = min(_PIECES, int(0.25 * rate_hz / n))
    window = np.hanning(n).astype(np.float32)
    power = np.zeros(n, np.float32)
    peaked = []
    for start in range(0, count * n, n):
        piece = read(start, n)
        if len(piece) < n:
            break
        peaked.append(_peaked(piece))
        spectrum = fft.forward(piece * window)
        power += spectrum.real**2 + spectrum.imag**2
    if len(peaked) < _LEAST_PIECES or np.median(peaked) > _MOST_PEAKED:
        return None
    flat = _flattened(power)
    if flat is None:
        return None
    alike = np.abs(fft.inverse(flat)[: n // 2])
    scatter = float(np.median(alike[n // 16 :])) / 1.177  # of a Rayleigh distribution
    lag = _line(alike, rate_hz)
    lines = lag is not None
    if lag is None:
        first, last = round(_LAG_S[0] * rate_hz), min(round(_LAG_S[1] * rate_hz), n // 2)
        lag = first + int(alike[first:last].argmax())
        if alike[lag] < max(_SURE * scatter, _LEAST):
            return None
    shifted = np.fft.fftshift(flat).reshape(_BANDS, -1)
    turn = np.exp(2j * np.pi * lag / n * np.arange(n)).reshape(_BANDS, -1)
    own = np.abs((shifted * turn).sum(axis=1)) / shifted.shape[1]
    bands = own > _BAND_SURE * scatter * np.sqrt(_BANDS)
    if lines:  # in one part alone stands a row of carriers
        return Repeat(lag / rate_hz, True, bands, 1.0) if bands.sum() > 1 else None
    part = bands.mean() < _MOSTLY
    found = Repeat(lag / rate_hz, False, bands, 1.0)
    # A raster of channels repeats as well.
    if part and (abs(lag / rate_hz - _MOBILE_S) > 1 / rate_hz or not found.runs()):
        return None
    noise = _noise(read(0, _MOST_SAMPLES), alike[: round(_LAG_S[1] * rate_hz)], rate_hz)
    if noise is None:
        return None
    return found if part else Repeat(lag / rate_hz, False, bands, noise)


def _flattened(power: np.ndarray) -> np.ndarray | None:
    """Give a power spectrum with its shape divided out and lines held down, zero in the mean of every part; None if parts are empty."""
    parts = power.reshape(_SHAPES, -1)
    shape = np.median(parts, axis=1, keepdims=True)
    if shape.min() <= 0:
        return None
    flat = np.minimum(parts / shape, np.float32(_HELD))
    return np.asarray((flat - flat.mean(axis=1, keepdims=True)).ravel(), np.float32)


def _line(alike: np.ndarray, rate_hz: float) -> int | None:
    """Give the length of a television line in samples, or None.

    What is one to eight lines apart is alike, and less so anything between: modulation of other kinds has no such peaks.
    """
    best, out = _LINES_STAND, None
    for line in _LINES_S:
        half, near = round(line * rate_hz / 2), max(round(_LINES_RIM_S * rate_hz), 2)
        peaks, between, first = 0.0, 0.0, 0
        for times in range(1, _LINES_APART + 1):
            at = round(times * line * rate_hz)
            slack = max(round(_LINES_SLACK * at), 1)
            top = at - slack + int(alike[at - slack : at + slack + 1].argmax())
            first = first or top
            peaks += float(alike[top])
            beside = np.concatenate([alike[at - half : at - near], alike[at + near : at + half]])
            between += float(np.quantile(beside, 0.95))
        if peaks > best * between:
            best, out = peaks / between, first
    return out


def _noise(data: np.ndarray, alike: np.ndarray, rate_hz: float) -> float | None:
    """Give the share of the power that is none of a signal with guard intervals, None if there is no such signal.

    Of samples a useful symbol apart those of the guard intervals alone are alike, in turns with the rest; how much
    of the time they take is told by the rate at which they return. Pilots, which repeat as well, are alike throughout.
    """
    peaks = np.flatnonzero((alike[1:-1] > alike[:-2]) & (alike[1:-1] >= alike[2:])) + 1
    peaks = peaks[(peaks > _LAG_S[0] * rate_hz) & (peaks < len(data) // 2)]
    peaks = peaks[np.argsort(alike[peaks])[: -_PEAKS - 1 : -1]]
    data = data - data.mean()  # the receiver's own constant repeats as well
    power = float(np.mean(np.abs(data) ** 2))
    most, found, guard = 0.0, 0, 1.0
    for lag in peaks.tolist():
        step = max(lag // 128, 1)  # samples summed at a time
        per = min(round(_BLOCK_S * rate_hz), len(data) - lag) // step
        product = (data[lag:] * np.conj(data[:-lag]))[: per * step * _BLOCKS]
        sums = product[: len(product) // (per * step) * per * step].reshape(-1, per, step).mean(axis=2)
        periods = lag * (1 + np.array(_GUARDS)) / step
        turns = np.exp(-2j * np.pi * np.outer(np.arange(per), 1 / periods))
        lines = np.abs(sums @ turns).mean(axis=0) / per
        mean = float(np.abs(sums.mean(axis=1)).mean())
        best = int(lines.argmax())
        if lines[best] > max(_TURNS * mean, most):
            most, found, guard = float(lines[best]), lag, _GUARDS[best]
    if not found:
        return None
    # The symbol may end between two samples: what is alike is spread over the lags beside.
    near = [
        data[lag:] @ np.conj(data[:-lag]) / len(data) for lag in range(found - _BESIDE, found + _BESIDE + 1)
    ]
    alike_power = float(np.linalg.norm(near)) ** 2 - len(near) * power**2 / len(data)
    signal = float(np.sqrt(max(alike_power, 0.0))) / power * (1 + guard) / guard
    return float(np.clip(1 - signal, _LEAST_NOISE, 1.0))


def _peaked(data: np.ndarray) -> float:
    """Give the mean square of the power over the square of its mean: 2 for noise and many carriers, 1 for one, far more for pulses."""
    power = data.real**2 + data.imag**2
    mean = float(power.mean())
    return float(np.dot(power, power)) / len(power) / mean**2 if mean > 0 else 0.0
