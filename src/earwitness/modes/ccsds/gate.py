"""Cheap looks that tell whether a stretch may hold symbols at a rate: octaves of the channel and their lines.

The channel is halved octave by octave; a rate is looked for where it has 2.5 to 5 samples a symbol. A keyed
signal of a rate has a line there (see `dsp.carrier`); noise, voice and what other rates make has none, so
that they cost a few transforms a window and nothing more.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

import numpy as np

from earwitness.dsp import carrier, fft, swept
from earwitness.dsp.aligned import fir
from earwitness.dsp.discriminate import phase_steps
from earwitness.dsp.filters import lowpass
from earwitness.dsp.jit import kernel

WINDOW = 8192  # samples looked at together
LEAST_PER = 2.5  # samples a symbol
CLOCK_ERROR = 2e-4  # of a good transmitter and receiver together
FAR_ERROR = 0.0092  # of dividers in radio chips and of recorders; at 1.04 % are twice to four times 19 kHz, broadcasting's pilot
FAR = 0.75  # what a line between these two counts for: there are many more places where noise may have one
CLOCK = 14.0  # power of a clock line over what is around it
BESIDE = 40  # values either side of a clock's line that it is compared with
AROUND = 96  # values of WINDOW either side of a line of the square that it is compared with
MIDDLE = 30.0  # how much stronger a line in the middle of a pair may be: data with a period make one, reversals one of 100
MOST_LINES = 128  # of a square that are looked at for pairs
STANDING = (4.5, 2.2)  # times the mean around them: of one window, of TOGETHER averaged
# lines, so much stronger than these, that keying has: tones modulated on make more
MOST_TONES, TONES_LEAST = 6, 3.0
PARTNER = 4.0  # how much weaker a second line may be
TOGETHER = 4  # windows whose spectra are averaged
FILTER, WIDTH = 0.65, 0.5  # of the rate: half width and transition of the filter before the discriminator
SHORT = 32  # samples added up before the transform that looks at a line and what is around it
NARROW = 0.965  # correlation of neighbouring samples beyond which nothing as wide as a rate's signal is there
QUIET = 1.1  # power over the noise below which nothing is looked for

RATES_HZ = (
    1200.0, 2000.0, 2400.0, 4800.0, 8000.0, 9600.0, 10_000.0, 14_400.0, 19_200.0, 20_000.0, 28_800.0, 38_400.0,
    50_000.0, 57_600.0, 76_800.0,
)  # fmt: skip
AUDIO_RATES_HZ = (1200.0, 2400.0, 4800.0, 9600.0)


_HALVING = lowpass(0.25, 0.14, 1.0, stop_db=40.0)  # every other tap of it is zero
_SIDE = np.ascontiguousarray(_HALVING[len(_HALVING) // 2 + 1 :: 2])
_LEAD = 2 * len(_SIDE)  # samples wanted before one that is kept


@kernel("void(float32[::1], int64, float32[::1], float32, float32[::1])", fastmath=True)
def _halve(x: np.ndarray, stride: int, side: np.ndarray, middle: np.float32, out: np.ndarray) -> None:
    """Filter and leave out every other sample (of `stride` floats); out's first is centred _LEAD samples into x."""
    count = len(x) // (2 * stride)
    even = np.empty(count * stride, np.float32)
    odd = np.empty(count * stride, np.float32)
    if stride == 2:
        for n in range(np.uint64(count)):
            two, four = n << np.uint64(1), n << np.uint64(2)
            even[two] = x[four]
            even[two + np.uint64(1)] = x[four + np.uint64(1)]
            odd[two] = x[four + np.uint64(2)]
            odd[two + np.uint64(1)] = x[four + np.uint64(3)]
    else:
        for n in range(np.uint64(count)):
            even[n] = x[np.uint64(2) * n]
            odd[n] = x[np.uint64(2) * n + np.uint64(1)]
    reach = len(side)
    centre = even[reach * stride :]
    for i in range(len(out)):
        out[i] = middle * centre[i]
    for k in range(reach):
        tap = side[k]
        early = odd[(reach - 1 - k) * stride :]
        late = odd[(reach + k) * stride :]
        for i in range(len(out)):
            out[i] += tap * (early[i] + late[i])


class Octave:
    """Samples of one octave of rates: windows of them, and the same halved for the octave below."""

    def __init__(self, rate_hz: float, factor: int, kind: type):
        self.rate_hz = rate_hz
        self.factor = factor  # samples of the channel per sample here
        self.rates: list[float] = []
        self._at = 0  # of _window[0], in samples
        self._window: np.ndarray = np.zeros(0, kind)
        self._below = 0  # of the next sample of the octave below
        self._held: np.ndarray = np.zeros(_LEAD, kind)

    def feed(self, x: np.ndarray, at: int) -> list[tuple[np.ndarray, int]]:
        """Take samples (n,) from place `at` on; give the windows they complete with their places."""
        if at != self._at + len(self._window):  # some were left out: begin anew
            x, at = x[at & 1 :], at + (at & 1)
            self._window, self._at, self._below = x[:0], at, at // 2
            self._held = np.zeros(_LEAD, x.dtype)
        joined = np.concatenate([self._window, x]) if len(self._window) else x
        whole = len(joined) // WINDOW * WINDOW
        first, self._window, self._at = self._at, joined[whole:], self._at + whole
        return [(joined[k : k + WINDOW], first + k) for k in range(0, whole, WINDOW)]

    def halved(self, window: np.ndarray) -> tuple[np.ndarray, int]:
        """Give the samples of the octave below that the next window makes known, and their place there."""
        held = np.concatenate([self._held, window])
        stride = 2 if np.iscomplexobj(held) else 1
        below = np.empty(len(held) // 2 - _LEAD, held.dtype)
        middle = _HALVING[len(_HALVING) // 2]
        _halve(held.view(np.float32), stride, _SIDE, middle, below.view(np.float32))
        self._held = held[2 * len(below) :]
        first, self._below = self._below, self._below + len(below)
        return below, first

    def rest(self) -> tuple[np.ndarray, int]:
        """Give the window begun, filled up with zeros, and its place."""
        out = np.zeros(WINDOW, self._window.dtype)
        out[: len(self._window)] = self._window
        first, self._window, self._at = self._at, self._window[:0], self._at + WINDOW
        return out, first


def octaves(rate_hz: float, rates_hz: Iterable[float], kind: type) -> list[Octave]:
    """Give the octaves that hold the rates a channel of `rate_hz` can carry."""
    out: list[Octave] = []
    for rate in rates_hz:
        if rate_hz < 0.999 * LEAST_PER * rate:
            continue
        place = max(int(np.floor(np.log2(rate_hz / (LEAST_PER * rate)))), 0)
        while len(out) <= place:
            out.append(Octave(rate_hz / (1 << len(out)), 1 << len(out), kind))
        out[place].rates.append(rate)
    return out


@dataclass(frozen=True, slots=True)
class _Least:
    """From what power over what is around it a line is taken for one."""

    carrier: float
    clock: float
    pair: float


SINGLE = _Least(carrier=20.0, clock=10.0, pair=8.0)
MEAN = _Least(carrier=6.5, clock=3.8, pair=3.7)
SWEPT = _Least(carrier=3.8, clock=np.inf, pair=2.2)  # of swept.BLOCKS
STANDING_SWEPT = 1.5
# of its rate, that a carrier drifts in a second at most; and in all: low orbits at 2.2 GHz make some 900 Hz/s
DRIFT, MOST_HZ_S = 0.05, 1_200.0
SMEARED = 4.0  # values of a window's spectrum over which the square's line is spread, from which drift is thought of
SHARPER = 4.0  # how much stronger the line of a whole window is than of its blocks, where there is no drift: 8 without any
ALIKE = 0.1  # correlation of neighbouring samples below which there is no more than noise
MEDIANS = np.array([0.69, 0.92])  # of the power of noise, over its mean: of one window, of TOGETHER averaged


@dataclass(frozen=True, slots=True)
class Chance:
    """What a window may hold."""

    kind: int
    rate_hz: float
    strength: float
    carrier: float | None = None  # cycles a sample, where the square's lines tell it
    clock: float | None = None
    bend: float | None = None  # drift, cycles a sample each sample, where that was needed to find lines

    def drift(self, rate_hz: float) -> float:
        """Give how much its carrier may drift at most, as `drift_of`; the rails of MSK have half the rate it is keyed at."""
        return drift_of(self.rate_hz * (2 if self.kind == carrier.OQPSK else 1), rate_hz)


_HANN = np.hanning(WINDOW).astype(np.float32)
_ROWS = WINDOW // SHORT


@kernel("void(float32[::1], float32[::1], complex64[::1])", fastmath=True)
def _turned(x: np.ndarray, turns: np.ndarray, out: np.ndarray) -> None:
    """Turn back by cosines and sines of SHORT samples, and add up as many."""
    cos = turns[:SHORT]
    sin = turns[SHORT:]
    for b in range(len(out)):
        part = x[b * SHORT : (b + 1) * SHORT]
        re = np.float32(0)
        im = np.float32(0)
        for i in range(np.uint64(SHORT)):
            re += part[i] * cos[i]
            im -= part[i] * sin[i]
        out[b] = complex(re, im)


@kernel("void(complex64[::1], float32[::1], float32[:,::1], complex64[::1], complex64[:,::1])", fastmath=True)
def _prepare(
    z: np.ndarray, hann: np.ndarray, turns: np.ndarray, square: np.ndarray, sums: np.ndarray
) -> None:
    """Give z^2 under the window, and what there is near each rate's clock in |z|^2 under it."""
    size = np.empty(len(z), np.float32)
    mean = np.float32(0)
    for n in range(len(z)):
        re = z[n].real
        im = z[n].imag
        size[n] = re * re + im * im
        mean += size[n]
        square[n] = complex(hann[n] * (re * re - im * im), hann[n] * np.float32(2) * re * im)
    mean /= len(z)
    for n in range(len(z)):
        size[n] = (size[n] - mean) * hann[n]
    for row in range(len(turns)):
        _turned(size, turns[row], sums[row])


@kernel("void(float32[::1], int64, float32[::1], float32[::1], complex64[::1])", fastmath=True)
def _changes(steps: np.ndarray, lag: int, hann: np.ndarray, turns: np.ndarray, sums: np.ndarray) -> None:
    """Give what there is near a rate's clock in the size of the change over `lag` samples."""
    count = len(steps) - lag
    late = steps[lag:]
    size = np.empty(len(steps), np.float32)
    mean = np.float32(0)
    for n in range(count):
        size[n] = abs(late[n] - steps[n])
        mean += size[n]
    mean /= count
    for n in range(count):
        size[n] = (size[n] - mean) * hann[n]
    size[count:] = 0
    _turned(size, turns, sums)


@kernel("void(complex64[:,::1], int64[:,::1], float32[:,::1])")
def _near(spectra: np.ndarray, places: np.ndarray, out: np.ndarray) -> None:
    """Give the power around each line, from the first value in `places` on."""
    for row in range(len(out)):
        for k in range(out.shape[1]):
            value = spectra[row, (places[row, 0] + k) % _ROWS]
            out[row, k] = value.real * value.real + value.imag * value.imag


@kernel("float64(float32[::1], int64[::1], float64)")
def _strength(near: np.ndarray, place: np.ndarray, median: float) -> float:
    """Give the greatest power in a line's own values over the mean of what is around it, 0 where it cannot be."""
    if not place[2]:
        return 0.0
    most = np.float32(0)
    for k in range(BESIDE, BESIDE + place[1]):
        here = near[k] if place[3] <= k < place[4] else np.float32(FAR) * near[k]
        most = max(most, here)
    return most / (np.median(near[: 2 * BESIDE + place[1]]) / median + 1e-30)


class _Lines:
    """Where the clocks of some rates would be, in a spectrum of WINDOW values of which what is around them is computed."""

    def __init__(self, cycles: tuple[float, ...]):
        self.cycles = np.array(cycles)
        places, turns = [], []
        for each in cycles:
            (low, high), (first, last) = (
                (int((1 - error) * each * WINDOW), int(np.ceil((1 + error) * each * WINDOW)))
                for error in (FAR_ERROR, CLOCK_ERROR)
            )
            start = low - BESIDE
            # a line of so few cycles that not enough is below it, or of more than half of one a sample, is none
            sound = low >= BESIDE and high < WINDOW // 2
            places.append((start, high - low + 1, sound, first - start, last - start + 1))
            angle = 2 * np.pi * round(each * WINDOW) * np.arange(SHORT) / WINDOW
            turns.append(np.concatenate([np.cos(angle), np.sin(angle)]))
        self.places = np.array(places, np.int64).reshape(-1, 5)
        self.turns = np.array(turns, np.float32).reshape(-1, 2 * SHORT)
        self.shape = (len(cycles), 2 * BESIDE + max([place[1] for place in places], default=1))


@cache
def _lines(cycles: tuple[float, ...]) -> _Lines:
    return _Lines(cycles)


@cache
def _taps(per: float) -> np.ndarray:
    return lowpass(FILTER / per, WIDTH / per, 1.0, stop_db=30.0)


def frequency_steps(before: np.ndarray, window: np.ndarray, per: float) -> tuple[np.ndarray, float]:
    """Give the frequency of each sample, filtered for a rate of `per` samples a symbol, and by how much it lags.

    From complex samples in radians a sample; audio (float32) is a discriminator's output already.
    """
    taps = _taps(per)
    lead = len(taps)
    joined = np.concatenate([np.zeros(lead, window.dtype), before])[-lead:]
    joined = np.concatenate([joined, window])
    complex_in = bool(np.iscomplexobj(window))
    out = np.empty(len(window) + 1, window.dtype)
    fir(joined.view(np.float32), taps, 2 if complex_in else 1, out.view(np.float32))
    lag = len(taps) // 2
    if not complex_in:
        return out[1:], float(lag)
    return np.asarray(phase_steps(out[1:], out[0])), lag + 0.5


@kernel("void(complex64[::1], float64[::1])", fastmath=True)
def _power_and_turn(z: np.ndarray, out: np.ndarray) -> None:
    """Give the mean power, and the mean product of a sample with the conjugate of the one before."""
    power = np.float32(0)
    re = np.float32(0)
    im = np.float32(0)
    late = z[1:]
    for n in range(len(late)):
        a = z[n]
        b = late[n]
        power += a.real * a.real + a.imag * a.imag
        re += b.real * a.real + b.imag * a.imag
        im += b.imag * a.real - b.real * a.imag
    out[0] = power / len(z)
    out[1] = np.hypot(re, im) / len(late)


def power_of(window: np.ndarray) -> tuple[float, float]:
    """Give a window's mean power, and how much of it is alike from sample to sample (all, for real samples)."""
    if not np.iscomplexobj(window):
        power = float(np.vdot(window, window)) / len(window)
        return power, power
    out = np.empty(2)
    _power_and_turn(window, out)
    return float(out[0]), float(out[1])


def narrow(power: float, alike: float, noise_power: float) -> bool:
    """Tell whether what a window holds is strong, and too narrow for any rate of its octave."""
    own = power - noise_power
    return own > 3 * noise_power and alike > NARROW * own


def frequency_keyed(steps: list[np.ndarray], rate_hz: float, rates: list[float]) -> list[Chance]:
    """Give frequency keying at each rate that a window's frequency steps, as filtered for it, may hold."""
    lines = _lines(tuple(rate / rate_hz for rate in rates))
    sums = np.empty((len(rates), _ROWS), np.complex64)
    for row, rate in enumerate(rates):
        lag = max(round(rate_hz / rate / 2), 1) + 1
        _changes(steps[row], lag, _HANN, lines.turns[row], sums[row])
    near = np.empty(lines.shape, np.float32)
    _near(fft.forward(sums, overwrite=True), lines.places, near)
    strengths = [_strength(near[row], lines.places[row], MEDIANS[0]) for row in range(len(rates))]
    return [
        Chance(carrier.REAL, rate, strength)
        for rate, strength in zip(rates, strengths, strict=True)
        if strength > CLOCK
    ]


@kernel("float64(float32[::1], int64, int64, float64, float64)")
def _floor(power: np.ndarray, at: int, around: int, median: float, mean: float) -> float:
    """Give the mean of what is around a place, and not less than a tenth of the mean of all."""
    near = np.empty(2 * around, np.float32)
    for k in range(2 * around):
        near[k] = power[(at - around + k) % len(power)]
    return max(float(np.median(near)) / median, 0.1 * mean) + 1e-30


@kernel("UniTuple(int64, 2)(float32[::1], int64, float64, float64, int64[::1])", fastmath=True)
def _standing_out(
    power: np.ndarray, around: int, least: float, more: float, out: np.ndarray
) -> tuple[int, int]:
    """Note the places, in order, of values that are the largest beside them and `least` times the mean around them.

    Gives how many they are, and how many are `more` times that.
    """
    size = len(power)
    total = 0.0
    for k in range(-around, around + 1):
        total += power[k % size]
    scale = np.float32(least / (2 * around + 1))
    count, strong = 0, 0
    for n in range(size):
        here = power[n]
        if here > scale * total and here >= power[n - 1] and here > power[(n + 1) % size]:
            if count < len(out):
                out[count] = n
                count += 1
            if here > more * scale * total:
                strong += 1
        after, before = n + 1 + around, n - around
        total += power[after - size if after >= size else after] - power[before]
    return count, strong


@kernel("UniTuple(int64, 2)(float32[::1], int64[::1], float64)")
def _pair(power: np.ndarray, places: np.ndarray, apart: float) -> tuple[int, int]:
    """Give two of some places that are `apart`, as near as clocks are, of which the weaker one is the strongest.

    Their middle is no further from 0 than a quarter of all. Both are the same where there are none.
    """
    size, count = len(power), len(places)
    near, far = CLOCK_ERROR * apart + 2, FAR_ERROR * apart + 2
    low, high = 0, 0
    best = np.float32(0)
    first = 0  # of the places, counted on round the circle, that are not too near
    for i in range(count):
        first = max(first, i)
        while places[first % count] + first // count * size < places[i] + apart - far:
            first += 1
        for j in range(first, first + count):
            distance = places[j % count] + j // count * size - places[i]
            if distance > apart + far:
                break
            middle = (places[i] + distance // 2) % size
            if middle <= size // 4 or middle >= size - size // 4:
                both = min(power[places[i]], power[places[j % count]])
                if abs(distance - apart) > near:
                    both *= np.float32(FAR)
                if both > best:
                    best, low, high = both, places[i], places[i] + distance
    return low, high


@kernel("void(float32[::1], float64[::1], float64, float64, float64[:,::1], int64[:,::1])", fastmath=True)
def _square_lines(
    square: np.ndarray, cycles: np.ndarray, median: float, least: float, out: np.ndarray, places: np.ndarray
) -> None:
    """Look for the lines of the square's spectrum.

    A row a rate: the strongest over its floor (reversals), unless it has a partner a rate away; the strength of a
    pair of lines a rate either side of their middle; and of one half a rate either side, unless there is a stronger one
    in their middle. `places` has the strongest's, and those of each pair.
    """
    size = len(square)
    around = AROUND * size // WINDOW
    mean = np.float32(0)
    most = np.float32(-1)
    for n in range(size):
        mean += square[n]
        most = square[n] if square[n] > most else most
    mean /= size
    top = 0
    while square[top] < most:
        top += 1
    reversal = most / _floor(square, top, around, median, mean)
    standing = np.empty(MOST_LINES, np.int64)
    count, strong = _standing_out(square, around, least, TONES_LEAST, standing)
    if strong > MOST_TONES:
        out[:, :3] = 0.0
        return
    standing = standing[:count]
    for row in range(len(cycles)):
        away = int(np.floor(cycles[row] * size + 0.5))
        slack = int(np.ceil(FAR_ERROR * away)) + 2
        partner = np.float32(0)
        for side in (-away, away):
            for k in range(top + side - slack, top + side + slack + 1):
                partner = max(partner, square[k % size])
        out[row, 0] = 0.0 if PARTNER * partner > most else reversal
        places[row, 0] = top
        for half in range(2):
            apart = 2 * cycles[row] / (half + 1) * size
            low, high = _pair(square, standing, apart)
            places[row, 1 + 2 * half], places[row, 2 + 2 * half] = low, high
            out[row, 1 + half] = 0.0
            if low == high:
                continue
            both = min(square[low], square[high % size])
            middle = np.float32(0)
            for k in range((low + high) // 2 - 1, (low + high) // 2 + 3):
                middle = max(middle, square[k % size])
            if middle <= MIDDLE * both:  # reversals have that, and lines either side of it as well
                floor = max(
                    _floor(square, low, around, median, mean),
                    _floor(square, high % size, around, median, mean),
                )
                factor = 1.0 if abs(high - low - apart) <= CLOCK_ERROR * apart + 2 else FAR
                out[row, 1 + half] = factor * both / floor


@kernel(
    "void(complex64[::1], complex64[:,::1], float64[::1], int64[:,::1], float64[::1], int64, float64,"
    " float32[:,::1], float32[:,:,::1], float64[:,:,::1], int64[:,:,::1])",
    fastmath=True,
)
def _strengths(
    spectrum: np.ndarray,
    clocks: np.ndarray,
    cycles: np.ndarray,
    places: np.ndarray,
    medians: np.ndarray,
    held: int,
    scale: float,
    squares: np.ndarray,
    nears: np.ndarray,
    out: np.ndarray,
    found: np.ndarray,
) -> None:
    """Give the strengths of a window's lines, out[0], and where TOGETHER are held, of their mean, out[1].

    The window's spectra are kept in row `held` % TOGETHER of `squares` and `nears`, times `scale`. A row of `out`
    has what `_square_lines` gives, then the strength of the clock; `found` the places of the square's lines.
    """
    row = held % TOGETHER
    square = squares[row]
    for n in range(len(square)):
        value = spectrum[n]
        square[n] = np.float32(scale) * (value.real * value.real + value.imag * value.imag)
    near = nears[row]
    _near(clocks, places, near)
    for k in range(len(near)):
        for i in range(near.shape[1]):
            near[k, i] *= np.float32(scale)
        out[0, k, 3] = _strength(near[k], places[k], medians[0])
    _square_lines(square, cycles, medians[0], STANDING[0], out[0], found[0])
    if held + 1 < TOGETHER:
        return
    mean = np.empty(len(square), np.float32)
    for n in range(len(square)):
        mean[n] = squares[0, n]
    for k in range(1, TOGETHER):
        other = squares[k]
        for n in range(len(square)):
            mean[n] += other[n]
    _square_lines(mean, cycles, medians[1], STANDING[1], out[1], found[1])
    for k in range(len(near)):
        total = nears[0, k].copy()
        for j in range(1, TOGETHER):
            total += nears[j, k]
        out[1, k, 3] = _strength(total, places[k], medians[1])


class PhaseLooks:
    """Looks for phase keying in an octave's windows, each on its own and the last few together."""

    def __init__(self) -> None:
        self._held = 0  # windows
        self._rates: tuple[float, ...] = ()
        self._squares = np.empty((TOGETHER, 0), np.float32)
        self._nears = np.empty((TOGETHER, 0, 0), np.float32)

    def look(
        self,
        window: np.ndarray,
        power: float,
        alike: float,
        rate_hz: float,
        rates: Iterable[float],
        *,
        drifting: bool,
    ) -> list[Chance]:
        """Give the phase keyings that a window complex64 (WINDOW,), of `power_of` so much, may hold; `drifting` ones too."""
        rates = tuple(rates)
        lines = _lines(tuple(rate / rate_hz for rate in rates))
        if rates != self._rates:
            self._rates, self._held = rates, 0
            self._squares = np.empty((TOGETHER, WINDOW), np.float32)
            self._nears = np.empty((TOGETHER, *lines.shape), np.float32)
        square, sums = np.empty(WINDOW, np.complex64), np.empty((len(rates), _ROWS), np.complex64)
        _prepare(window, _HANN, lines.turns, square, sums)
        found, places = np.zeros((2, len(rates), 4)), np.zeros((2, len(rates), 5), np.int64)
        _strengths(
            fft.forward(square, overwrite=True), fft.forward(sums, overwrite=True), lines.cycles, lines.places,
            MEDIANS, self._held, 1 / (power * power + 1e-30), self._squares, self._nears, found, places,
        )  # fmt: skip
        self._held += 1
        out = _phase_keyed(found[0], places[0], rates, SINGLE)
        known = {(item.kind, item.rate_hz) for item in out}
        out += [
            item
            for item in _phase_keyed(found[1], places[1], rates, MEAN)
            if (item.kind, item.rate_hz) not in known
        ]
        most = 2 * drift_of(max(rates), rate_hz)  # of the square
        if drifting and alike > ALIKE * power and most * WINDOW * WINDOW > SMEARED:
            out = _sharper(out, _drifting(window, rate_hz, rates, lines.cycles))
        linear = [item for item in out if item.kind != carrier.OQPSK]
        # the rails of OQPSK and MSK hide each other's clock: where one stands out it is something else
        return linear if any(item.kind == carrier.QPSK for item in linear) else out

    def rest(self) -> None:
        """Forget what went before."""
        self._held = 0


def drift_of(keyed_hz: float, rate_hz: float) -> float:
    """Give how much the carrier of a symbol rate may drift at most, cycles a sample, each sample."""
    return min(DRIFT * keyed_hz, MOST_HZ_S) / rate_hz**2


def _sharper(still: list[Chance], drifting: list[Chance]) -> list[Chance]:
    """Give of keyings as found without and with a drift those that are sharper."""
    best = {(item.kind, item.rate_hz): item for item in drifting}
    for item in still:
        other = best.get((item.kind, item.rate_hz))
        if other is None or item.strength > SHARPER * other.strength:
            best[item.kind, item.rate_hz] = item
    return list(best.values())


def _drifting(
    window: np.ndarray, rate_hz: float, rates: tuple[float, ...], cycles: np.ndarray
) -> list[Chance]:
    """Give the phase keyings whose carrier drifts that a window may hold."""
    pairs = tuple(sorted({2 * each / half for each in cycles.tolist() for half in (1, 2)}))
    middle = carrier.centroid(window)
    taps = _taps(rate_hz / max(rates))
    half = len(taps) // 2
    padded = np.zeros(len(window) + 2 * half + 1, np.complex64)
    padded[half : half + len(window)] = carrier.mixed(window, middle)
    near = np.empty(len(window), np.complex64)
    fir(padded.view(np.float32), taps, 2, near.view(np.float32))
    best = swept.sharpest(near * near, 2 * drift_of(max(rates), rate_hz), pairs)
    found, places = np.zeros((len(rates), 4)), np.zeros((len(rates), 5), np.int64)
    _square_lines(best.power, cycles, swept.MEDIAN, STANDING_SWEPT, found, places)
    return _phase_keyed(found, places, rates, SWEPT, len(best.power), best.bend / 2, middle)


def _phase_keyed(
    found: np.ndarray,
    places: np.ndarray,
    rates: tuple[float, ...],
    least: _Least,
    size: int = WINDOW,
    bend: float | None = None,
    tuned: float = 0.0,
) -> list[Chance]:
    out: list[Chance] = []
    for rate, strengths, at in zip(rates, found.tolist(), places.tolist(), strict=True):
        reversal, whole, halved, clock = strengths
        # the clock of reversals is looked for after a matched filter; MSK has two such lines, its rate apart
        if reversal > least.carrier:
            out.append(Chance(carrier.BPSK, rate, reversal, tuned + _half_of(at[0] / size), bend=bend))
        if clock > least.clock:
            out.append(Chance(carrier.QPSK, rate, clock))
        # the rails of MSK have half its rate
        for each, pair, (low, high) in ((rate, whole, at[1:3]), (rate / 2, halved, at[3:5])):
            if pair > least.pair:
                middle, clock_at = (low + high) / 2 / size, (high - low) / 2 / size
                out.append(Chance(carrier.OQPSK, each, pair, tuned + _half_of(middle), clock_at, bend))
    return out


def _half_of(place: float) -> float:
    """Give the frequency of a carrier whose square is at a place, both in cycles a sample."""
    return ((place + 0.5) % 1.0 - 0.5) / 2
