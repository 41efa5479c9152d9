"""A channel's filter moved and narrowed to the signal in it, and its sound for the slower rates."""

from __future__ import annotations

import numpy as np

from earwitness.dsp import fft
from earwitness.dsp.filters import lowpass
from earwitness.dsp.jit import kernel
from earwitness.dsp.spectra import hann
from earwitness.dsp.symbols.look import thinned
from earwitness.dsp.thin import Thin
from earwitness.modes.ax25.levels import Steps

PSK_REACH_HZ = 2500.0
# -6 dB edges of the filter before the discriminator, each side, where the slower bauds are listened for, by what the
# signal takes
TUNED_HZ = (1500.0, 3000.0, 5500.0)
# so much of the power over the noise must lie in that part of the filter
TUNED_SHARE, TUNED_PART = 0.98, 0.67
TUNED_BINS = 256
TUNED_STEP_HZ = 250.0  # the filter is not moved by less
TUNED_PIECE = 3_072  # samples it is fitted to at a time
TUNED_DOUBT = 2.0  # deviations of the noise that is left over beyond which power outside is the signal's
OWN_SHARE = 0.3  # of the power beside it that a piece must hold to be tuned to by itself
# Where there is nothing but a strong transmission in FM, its filter takes nothing from its discriminator: what is left
# is to thin the channel's own. (Hz: kept whole, and how much wider until all is gone that would fold into it)
PLAIN_HZ, PLAIN_WIDTH_HZ = 5_500.0, 4_500.0
PLAIN_HELD = 1_024  # samples kept for a change from the one way to the other


class _Tuner:
    """Discriminates what there is in the slow channel: a filter about its power, no wider than it takes.

    Noise that gets into a discriminator decides where its threshold lies, and a carrier is seldom where it should be.
    """

    def __init__(self, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self._taps = np.stack([lowpass(edge, 2000.0, rate_hz, stop_db=50.0) for edge in TUNED_HZ])
        self.half = self._taps.shape[1] // 2
        self._held = np.zeros(self.half, np.complex64)  # from half a filter before the next piece on
        self._steps = Steps()
        self._state = np.zeros(4)  # what the piece before holds, and where the filter is
        self._fits = np.empty((0, 3))  # what the next piece holds, where that is known

    def feed(self, z: np.ndarray, *, last: bool = False) -> np.ndarray:
        """Take the next block; gives what has a piece after it, all but the filter's half with the `last`."""
        held = np.concatenate([self._held, z])
        left = len(held) - 2 * self.half
        count = -(-left // TUNED_PIECE) if last else left // TUNED_PIECE - 1
        if count <= 0:
            self._held = held
            return np.empty(0, np.float32)
        fits = self._fitted(held, count if last else count + 1)
        tuned = np.empty(left if last else count * TUNED_PIECE, np.complex64)
        _tuned(held, fits, self._taps, self._rate_hz, self._state, tuned)
        self._fits = fits[count:]
        self._held = held[len(tuned) :].copy()
        return self._steps.feed(tuned)

    def _fitted(self, held: np.ndarray, count: int) -> np.ndarray:
        """Give power over the noise, in bins of noise, its middle and which of TUNED_HZ lets it through, by pieces."""
        fresh = count - len(self._fits)
        first = len(self._fits) * TUNED_PIECE
        rows = min((len(held) - first) // TUNED_BINS, fresh * (TUNED_PIECE // TUNED_BINS))
        fits = np.empty((fresh, 3))
        if fresh:
            parts = held[first : first + rows * TUNED_BINS].reshape(rows, TUNED_BINS) * hann(TUNED_BINS)
            _fits(fft.forward(parts, overwrite=True) if rows else parts, self._rate_hz, fits)
        return np.concatenate([self._fits, fits])


class Slow:
    """The channel at the slower rate, and its discriminator's output there, tuned."""

    def __init__(self, rate_hz: float, down: int) -> None:
        self._rate_hz = rate_hz
        self._down = down
        self._taps = lowpass(8000.0, 5000.0, rate_hz, stop_db=55.0)
        plain = lowpass(PLAIN_HZ + PLAIN_WIDTH_HZ / 2, PLAIN_WIDTH_HZ, rate_hz, stop_db=50.0)
        self._plain_taps = np.ascontiguousarray(down * plain[None, :], np.float32)
        self._tuner: _Tuner | None = None
        self._at = 0  # channel samples taken
        self._low_given = self._given = 0  # at the slower rate: of the channel, and of the discriminator
        self._skip_low = self._skip = 0  # of what comes next of these, given already
        self._before = np.zeros(PLAIN_HELD, np.complex64)
        self._steps = np.zeros(PLAIN_HELD, np.float32)  # of them

    def feed(
        self, block: np.ndarray, steps: np.ndarray, *, plain: bool, last: bool
    ) -> tuple[np.ndarray | None, int, np.ndarray]:
        """Take the next block of the channel, (n,), and the steps of its phase.

        Gives the channel at the slower rate, or None where it is a `plain` transmission in FM and nothing else; how
        many samples that are; and the discriminator's output.
        """
        if plain:
            low, tuned = None, self._thinned(block, steps, last)
            count = max((self._at + len(block) - len(self._taps) // 2 - 1) // self._down + 1, 0)
            count -= self._low_given
        else:
            low, tuned = self._filtered(block, last)
            count = len(low)
        self._low_given += count
        self._given += len(tuned)
        self._at += len(block)
        if len(block) >= PLAIN_HELD:
            self._before, self._steps = block[-PLAIN_HELD:].copy(), steps[-PLAIN_HELD:].copy()
        return low, count, tuned

    def _filtered(self, block: np.ndarray, last: bool) -> tuple[np.ndarray, np.ndarray]:
        if self._tuner is None:
            self._tuner = _Tuner(self._rate_hz / self._down)
            self._thin = Thin(self._taps, self._down, np.complex64)
            if self._at:  # the filters go on: so much before what is wanted that they have settled
                lead = self._tuner.half + 2 + len(self._taps) // self._down + 1
                first = min(self._low_given, self._given) - lead
                self._skip_low, self._skip = self._low_given - first, self._given - first
                block = np.concatenate([self._before[PLAIN_HELD - self._at + first * self._down :], block])
        low = self._thin.feed(block)
        tuned = self._tuner.feed(low, last=last)
        skip_low, skip = min(self._skip_low, len(low)), min(self._skip, len(tuned))
        self._skip_low -= skip_low
        self._skip -= skip
        return low[skip_low:], tuned[skip:]

    def _thinned(self, block: np.ndarray, steps: np.ndarray, last: bool) -> np.ndarray:
        out = []
        if self._tuner is not None:
            some = self._thin.feed(block[: 2 * len(self._taps)])
            out.append(self._tuner.feed(some, last=True)[self._skip :])
            self._tuner, self._skip_low, self._skip = None, 0, 0
        begun = self._given + sum(map(len, out))
        half = self._plain_taps.shape[1] // 2
        held = np.concatenate([self._steps, steps, np.zeros(half + self._down if last else 0, np.float32)])
        # a step of the slower rate is the sum of so many, of which this is the middle one
        first = PLAIN_HELD - self._at + self._down * begun - (self._down - 1) // 2 - half
        some = held[first:]
        thin = np.empty((1, max((len(some) - 2 * half - 1) // self._down + 1, 0)), np.float32)
        thinned(some, self._plain_taps, self._down, thin)
        return np.concatenate([*out, thin[0]])


@kernel("UniTuple(float64, 3)(float32[::1], float64, int64)")
def _fit(power: np.ndarray, rate_hz: float, rows: int) -> tuple[float, float, float]:
    """Give power over the noise (bins of noise), its middle and which of TUNED_HZ lets it through; a mean of `rows`."""
    size = len(power)
    noise = np.partition(power, size // 4)[size // 4] + 1e-30
    over = np.maximum(power / noise - 2, 0)
    total = 0.0
    moment = 0.0
    for i in range(size):
        total += over[i]
        moment += over[i] * (i - size // 2) * (rate_hz / size)
    widest = float(len(TUNED_HZ) - 1)
    if total <= 0:
        return 0.0, 0.0, widest
    center = min(max(moment / total, -PSK_REACH_HZ), PSK_REACH_HZ)
    # so much more than its share may be noise that is left over
    doubt = TUNED_DOUBT * np.sqrt(size / rows)
    if total < 4 * doubt:
        return total, center, widest
    for which, edge in enumerate(TUNED_HZ):
        outside = 0.0
        for i in range(size):
            if abs((i - size // 2) * (rate_hz / size) - center) > TUNED_PART * edge:
                outside += over[i]
        if outside <= (1 - TUNED_SHARE) * total + doubt:
            return total, center, float(which)
    return total, center, widest


@kernel("void(complex64[:,::1], float64, float64[:,::1])", fastmath=True)
def _fits(spectra: np.ndarray, rate_hz: float, out: np.ndarray) -> None:
    """Give `_fit` of the mean power of each TUNED_PIECE // TUNED_BINS spectra; the last ones may be fewer."""
    rows = TUNED_PIECE // TUNED_BINS
    half = TUNED_BINS // 2
    power = np.empty(TUNED_BINS, np.float32)
    for k in range(len(out)):
        count = min(rows, len(spectra) - k * rows)
        if count <= 0:
            out[k, 0], out[k, 1], out[k, 2] = 0.0, 0.0, len(TUNED_HZ) - 1.0
            continue
        power[:] = 0
        for row in range(k * rows, k * rows + count):
            for some, sums in ((spectra[row, :half], power[half:]), (spectra[row, half:], power[:half])):
                for i in range(half):
                    sums[i] += some[i].real * some[i].real + some[i].imag * some[i].imag
        for i in range(TUNED_BINS):
            power[i] /= count
        out[k, 0], out[k, 1], out[k, 2] = _fit(power, rate_hz, count)


@kernel("void(complex64[::1], float32[::1], float32[::1], complex64[::1])", fastmath=True)
def _complex_fir(x: np.ndarray, re: np.ndarray, im: np.ndarray, out: np.ndarray) -> None:
    """Fill out[i] with the sum of taps[k] x[i + k]."""
    some = 512  # at a time, which stay in the nearest cache
    size = len(re)
    a = np.empty(some, np.float32)
    b = np.empty(some, np.float32)
    xr = np.zeros(some + size - 1, np.float32)  # apart, so that the sums below run on whole vectors
    xi = np.zeros(some + size - 1, np.float32)
    for first in range(0, len(out), some):
        count = min(some, len(out) - first)
        for i in range(count + size - 1):
            xr[i] = x[first + i].real
            xi[i] = x[first + i].imag
        a[:] = 0
        b[:] = 0
        for k in range(size):
            c, d = re[k], im[k]
            u, v = xr[k : k + some], xi[k : k + some]
            for i in range(some):
                a[i] += c * u[i] - d * v[i]
                b[i] += c * v[i] + d * u[i]
        for i in range(count):
            out[first + i] = complex(a[i], b[i])


@kernel("void(complex64[::1], float64[:,::1], float32[:,::1], float64, float64[::1], complex64[::1])")
def _tuned(
    held: np.ndarray, fits: np.ndarray, taps: np.ndarray, rate_hz: float, state: np.ndarray, out: np.ndarray
) -> None:
    """Filter pieces by what they hold, and what those beside them hold."""
    size = taps.shape[1]
    moved = np.empty((2, size), np.float32)
    for k in range(-(-len(out) // TUNED_PIECE)):
        # what begins or ends here is better seen in the piece beside
        chosen = fits[k].copy()
        if state[0] > chosen[0]:
            chosen[:] = state[:3]
        if k + 1 < len(fits) and fits[k + 1, 0] > chosen[0]:
            chosen[:] = fits[k + 1]
        if fits[k, 0] >= OWN_SHARE * chosen[0]:
            chosen[:] = fits[k]
        state[:3] = fits[k]
        if abs(chosen[1] - state[3]) >= TUNED_STEP_HZ:
            state[3] = chosen[1]
        # the filter is moved, not the signal: what it lets through keeps its frequency from piece to piece
        for i in range(size):
            angle = 2 * np.pi * state[3] / rate_hz * (size // 2 - i)
            moved[0, i] = taps[int(chosen[2]), i] * np.cos(angle)
            moved[1, i] = taps[int(chosen[2]), i] * np.sin(angle)
        begin = k * TUNED_PIECE
        some = out[begin : begin + TUNED_PIECE]
        _complex_fir(held[begin : begin + len(some) + size - 1], moved[0], moved[1], some)
