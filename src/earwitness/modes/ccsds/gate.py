"""Cheap looks that tell whether a stretch may hold symbols at a rate: octaves of the channel and their lines.

The channel is halved octave by octave; a rate is looked for where it has 2.5 to 5 samples a symbol. A keyed
signal of a rate has a line there (see `dsp.carrier`); noise, voice and what other rates make has none, so
that they cost a few transforms a window and nothing more.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

import numpy as np

from earwitness.dsp import carrier, fft
from earwitness.dsp.discriminate import phase_steps
from earwitness.dsp.filters import lowpass
from earwitness.dsp.voice import fir

WINDOW = 8192  # samples looked at together
LEAST_PER = 2.5  # samples a symbol
CLOCK_ERROR = 2e-4  # of transmitter and receiver together
CLOCK = 14.0  # power of a clock line over what is around it
AROUND = 96  # values either side of a line that it is compared with
PARTNER = 4.0  # how much weaker a second line may be
TOGETHER = 4  # windows whose spectra are averaged
FILTER, WIDTH = 0.65, 0.5  # of the rate: half width and transition of the filter before the discriminator
NARROW = 0.965  # correlation of neighbouring samples beyond which nothing as wide as a rate's signal is there
QUIET = 1.1  # power over the noise below which nothing is looked for

RATES_HZ = (
    1200.0, 2000.0, 2400.0, 4800.0, 8000.0, 9600.0, 10_000.0, 14_400.0, 19_200.0, 20_000.0, 28_800.0, 38_400.0,
    50_000.0, 57_600.0, 76_800.0,
)  # fmt: skip
AUDIO_RATES_HZ = (1200.0, 2400.0, 4800.0, 9600.0)


class Octave:
    """Samples of one octave of rates: windows of them, and the same halved for the octave below."""

    def __init__(self, rate_hz: float, factor: int, kind: type):
        self.rate_hz = rate_hz
        self.factor = factor  # samples of the channel per sample here
        self.rates: list[float] = []
        self._taps = lowpass(0.25, 0.14, 1.0, stop_db=40.0)
        self._held: np.ndarray = np.zeros(len(self._taps) // 2, kind)
        self._window: np.ndarray = np.zeros(0, kind)

    def feed(self, x: np.ndarray) -> tuple[list[np.ndarray], np.ndarray]:
        """Take samples (n,), n even; give the windows they complete, and the samples of the octave below."""
        held = np.concatenate([self._held, x])
        stride = 2 if np.iscomplexobj(held) else 1
        count = max((len(held) - len(self._taps)) // 2 + 1, 0)
        smooth = np.empty(2 * count, held.dtype)
        if count:
            held = np.append(held, held[-1:])  # the last odd place is not kept
            fir(held.view(np.float32), self._taps, stride, smooth.view(np.float32))
        below = smooth[::2].copy()
        self._held = held[2 * count : -1] if count else held
        joined = np.concatenate([self._window, x])
        whole = len(joined) // WINDOW * WINDOW
        self._window = joined[whole:]
        return [joined[at : at + WINDOW] for at in range(0, whole, WINDOW)], below

    def rest(self) -> np.ndarray:
        """Give the window begun, filled up with zeros."""
        out = np.zeros(WINDOW, self._window.dtype)
        out[: len(self._window)] = self._window
        self._window = self._window[:0]
        return out


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
    """From what power over the noise a line is taken for one, and the noise's median over its mean."""

    carrier: float
    clock: float
    pair: float
    median: float


SINGLE = _Least(carrier=20.0, clock=10.0, pair=8.0, median=0.69)
MEAN = _Least(carrier=6.5, clock=3.8, pair=3.7, median=0.92)


@dataclass(frozen=True, slots=True)
class Chance:
    """What a window may hold."""

    kind: int
    rate_hz: float
    strength: float


def _strength(power: np.ndarray, cycles: float, slack: float, median: float = 0.69) -> float:
    """Give the power near `cycles` of a one-sided spectrum over the mean around it."""
    n = 2 * (len(power) - 1)
    low, high = int((cycles - slack) * n), int(np.ceil((cycles + slack) * n))
    if low < 40 or high >= len(power):
        return 0.0
    near = power[max(low - 40, 1) : high + 41]
    return float(power[low : high + 1].max() / (np.median(near) / median + 1e-30))


_HANN = np.hanning(WINDOW).astype(np.float32)


def _spectrum(values: np.ndarray) -> np.ndarray:
    values = values - values.mean()
    padded = np.zeros(WINDOW, np.float32)
    padded[: len(values)] = values
    return np.asarray(np.abs(fft.forward_real(padded * _HANN)) ** 2)


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


def narrow(window: np.ndarray, noise_power: float) -> bool:
    """Tell whether what a window holds is strong, and too narrow for any rate of its octave."""
    power = float(np.vdot(window, window).real) / len(window) - noise_power
    turn = abs(complex(np.vdot(window[:-1], window[1:]))) / (len(window) - 1)
    return bool(power > 3 * noise_power and turn > NARROW * power)


def frequency_keyed(steps: np.ndarray, rate_hz: float, rate: float) -> Chance | None:
    """Give frequency keying at a rate if a window of frequency steps may hold it."""
    lag = max(round(rate_hz / rate / 2), 1) + 1
    strength = _strength(
        _spectrum(np.abs(steps[lag:] - steps[:-lag])), rate / rate_hz, CLOCK_ERROR * rate / rate_hz
    )
    return Chance(carrier.REAL, rate, strength) if strength > CLOCK else None


class PhaseLooks:
    """Looks for phase keying in an octave's windows, each on its own and the last few together."""

    def __init__(self) -> None:
        self._past: deque[tuple[np.ndarray, np.ndarray]] = deque(maxlen=TOGETHER)

    def look(self, window: np.ndarray, rate_hz: float, rates: Iterable[float]) -> list[Chance]:
        """Give the phase keyings that a window complex64 (WINDOW,) may hold."""
        clock = _spectrum(window.real**2 + window.imag**2)
        square = np.abs(fft.forward(window * window * _HANN, overwrite=True)) ** 2
        power = float(np.mean(square)) + 1e-30
        self._past.append((clock / (float(np.mean(clock)) + 1e-30), square / power))
        out = _phase_keyed(clock, square, rate_hz, rates, SINGLE)
        if len(self._past) == TOGETHER:
            clock = np.mean([item[0] for item in self._past], axis=0)
            square = np.mean([item[1] for item in self._past], axis=0)
            known = {(item.kind, item.rate_hz) for item in out}
            more = _phase_keyed(clock, square, rate_hz, rates, MEAN)
            out += [item for item in more if (item.kind, item.rate_hz) not in known]
        linear = [item for item in out if item.kind != carrier.OQPSK]
        # the rails of OQPSK and MSK hide each other's clock: where one stands out it is something else
        return linear if any(item.kind == carrier.QPSK for item in linear) else out

    def rest(self) -> None:
        """Forget what went before."""
        self._past.clear()


def _floor(power: np.ndarray, at: int, median: float) -> float:
    """Give the mean of what is around a place, and not less than a tenth of the mean of all."""
    near = power[np.arange(at - AROUND, at + AROUND) % len(power)]
    return max(float(np.median(near)) / median, 0.1 * float(power.mean())) + 1e-30


def _paired(square: np.ndarray, cycles: float) -> bool:
    """Tell whether the strongest line of a spectrum has another nearly as strong at a distance."""
    top = int(square.argmax())
    away = round(cycles * len(square))
    near = np.arange(-3, 4)
    partner = max(float(square[(top + side * away + near) % len(square)].max()) for side in (-1, 1))
    return bool(PARTNER * partner > square[top])


def _phase_keyed(
    clock: np.ndarray, square: np.ndarray, rate_hz: float, rates: Iterable[float], least: _Least
) -> list[Chance]:
    out: list[Chance] = []
    top = int(square.argmax())
    reversal = float(square[top]) / _floor(square, top, least.median)
    half = len(square) // 4
    for rate in rates:
        strength = _strength(clock, rate / rate_hz, CLOCK_ERROR * rate / rate_hz, least.median)
        # the clock of reversals is looked for after a matched filter; MSK has two such lines, its rate apart
        if reversal > least.carrier and not _paired(square, rate / rate_hz):
            out.append(Chance(carrier.BPSK, rate, reversal))
        if strength > least.clock:
            out.append(Chance(carrier.QPSK, rate, strength))
        for each in (rate, rate / 2):  # the rails of MSK have half its rate
            shift = round(each / rate_hz * len(square))
            both = np.minimum(np.roll(square, shift), np.roll(square, -shift))
            both[half:-half] = 0
            top = int(both.argmax())
            floor = max(_floor(square, top + side * shift, least.median) for side in (-1, 1))
            pair = float(both[top]) / floor
            if pair > least.pair:
                out.append(Chance(carrier.OQPSK, each, pair))
    return out
