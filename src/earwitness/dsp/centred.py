"""A channel moved so that what is in it lies about 0 Hz, however far the Doppler shift of a pass has taken it.

Demodulators bear a carrier some way off; further away their filters cut it. Each piece of the channel is looked at in
averaged spectra: what stands out where the channel is tuned keeps it there, and is followed by a tuning that slides no
quicker than carrier loops bear; where nothing does, it is tuned to the strongest that stands out elsewhere.
"""

from __future__ import annotations

import cmath
from collections import deque

import numpy as np

from earwitness.dsp import fft
from earwitness.dsp.jit import kernel
from earwitness.dsp.spectra import hann, mean_power, smoothed
from earwitness.dsp.swept import slid

LEAST = 1024  # samples that are looked at
ALONE = 0.7  # likeness of neighbouring samples from which there is one signal only
NEAR = 0.6  # of the reach, within which such a signal is where it should be
ROWS = 8  # spectra of a piece that are averaged
SMOOTH = 5  # bins
STANDS_OUT = 1.8  # over the floor, smoothed
QUARTER = 0.85  # of the mean of smoothed noise, that a quarter of it lies below
GAP_HZ = 1_500.0  # between parts of one signal
LEAST_POWER = 12.0  # of a signal over the floor, in bins of the floor
WIDEST = 0.6  # of the channel: what is wider is not for tuning to
BORNE = 0.25  # of a signal's width that it may be off
SLIDE_HZ_S = 250.0  # a low orbit at 437 MHz gives some 150 Hz/s at closest approach (from memory)
# a second: of how far it is off, and of what that is more than it may be; what is twice as far off is twice as urgent
PULL, PULL_BEYOND = 0.03, 0.15
# by how much a slide may grow or shrink, hertz a second each second, for each hertz it may be off
RAMP = 0.06
SHARE = 0.6  # of the power over the noise that what is tuned to has
STRONG = 2.0  # of its mean power over the floor, from which the channel is tuned to it at once
EMPTY, NEAR_BINS = 0.25, 12  # of that, below which what is so near to where the channel is tuned is nothing
CONFIRMED = 3  # pieces before that agree, for what is weaker
AVERAGE = 0.25
ABSENT = 4  # pieces after which what stands out is something new
NOTES = 512  # pieces whose tuning is remembered


@kernel("int64(float32[::1], float64, int64, float64[:,::1])")
def _regions(power: np.ndarray, floor: float, gap: int, out: np.ndarray) -> int:
    """Note (power over the floor, first bin, last bin, middle) of what stands out of smoothed spectra; gives how many.

    What has less than LEAST_POWER, in bins of the floor, is none; what is no more than `gap` bins apart is one.
    """
    count = 0
    begin, last = -1, -1
    total, moment = 0.0, 0.0
    for k in range(len(power) + SMOOTH + 1):
        if k < len(power) and power[k] > STANDS_OUT * floor:
            if begin < 0:
                begin, total, moment = k, 0.0, 0.0
            last = k
            total += power[k] - floor
            moment += (power[k] - floor) * k
        if begin < 0 or k <= last + SMOOTH:
            continue
        if total > LEAST_POWER * floor:
            if count and begin - out[count - 1, 2] <= gap:
                total += out[count - 1, 0]
                moment += out[count - 1, 0] * out[count - 1, 3]
                begin = int(out[count - 1, 1])
                count -= 1
            if count < len(out):
                out[count, 0], out[count, 1], out[count, 2], out[count, 3] = (
                    total,
                    begin,
                    last,
                    moment / total,
                )
                count += 1
        begin = -1
    return count


@kernel("complex128(complex64[::1])", fastmath=True)
def _likeness(x: np.ndarray) -> complex:
    """Give the normalised correlation of neighbouring samples: its angle is the mean frequency."""
    re = np.float32(0)
    im = np.float32(0)
    whole = np.float32(1e-30)
    before, after = x[:-1], x[1:]
    for n in range(len(before)):
        a, b = after[n].real, after[n].imag
        c, d = before[n].real, before[n].imag
        re += a * c + b * d
        im += b * c - a * d
        whole += a * a + b * b
    return complex(re / whole, im / whole)


@kernel("complex128[::1](complex64[::1], int64)")
def _likenesses(x: np.ndarray, size: int) -> np.ndarray:
    """Give that of each piece of `size` samples; the last may be shorter."""
    out = np.empty((len(x) + size - 1) // size, np.complex128)
    for n in range(len(out)):
        out[n] = _likeness(x[n * size : (n + 1) * size])
    return out


class Centred:
    """Moves the pieces of a channel; what lies within `least_hz` of where it is tuned, or BORNE of its width, is left.

    A gentle one slides no quicker than loops bear that follow slow symbols, and stays further off meanwhile.
    """

    def __init__(self, rate_hz: float, least_hz: float, *, gentle: bool = False):
        self._rate_hz = rate_hz
        self.gentle = gentle
        self._least_hz = least_hz
        self._shift_hz = 0.0
        self._turns = 0.0
        self._off_hz = 0.0  # averaged
        self._sliding = False
        self._slide_hz_s = 0.0
        self._weak_hz: list[float] = []  # where the latest pieces had what is too weak to be sure of at once
        self._absent = ABSENT  # pieces since something stood out
        self._at = 0
        self._notes: deque[tuple[int, float]] = deque(maxlen=NOTES)

    def feed(self, piece: np.ndarray, noise: float | None = None) -> np.ndarray:
        """Take the next piece, complex64 (n,), any length; give it moved. A piece of mean power `noise` is not looked at."""
        quiet = noise is not None and float(np.vdot(piece, piece).real) <= noise * len(piece)
        found = None if quiet or len(piece) < LEAST else self._signal(piece)
        slide = 0.0
        self._absent += 1
        if found is None or not found[2] or self._absent > ABSENT:
            self._slide_hz_s = 0.0
        if found is not None:
            middle, borne, touches = found
            off = middle - self._shift_hz
            if touches and self._absent <= ABSENT:
                piece_s = len(piece) / self._rate_hz
                self._off_hz += AVERAGE * (off - self._off_hz)
                self._sliding = abs(self._off_hz) > (0.2 if self._sliding else 1.0) * borne
                self._slide_hz_s = self._pulled(borne, piece_s) if self._sliding or self.gentle else 0.0
                slide = self._slide_hz_s * piece_s
            elif abs(off) > borne:
                self._shift_hz, self._off_hz, self._sliding = middle, 0.0, False
            else:
                self._off_hz = off
            self._absent = 0
        self._notes.append((self._at, self._shift_hz + 0.5 * slide))
        self._at += len(piece)
        if not self._shift_hz and not slide:
            return piece
        out = np.empty(len(piece), np.complex64)
        cycles, bend = self._shift_hz / self._rate_hz, slide / self._rate_hz / max(len(piece), 1)
        self._turns = float(slid(np.ascontiguousarray(piece), self._turns, cycles, bend, out))
        self._shift_hz += slide
        return out

    def feed_block(self, block: np.ndarray, size: int) -> np.ndarray:
        """Take a block in pieces of `size` samples; give it moved, or as it is where none was moved.

        The same as `feed` piece by piece, and quicker where one signal is just where it should be.
        """
        block = np.ascontiguousarray(block, np.complex64)
        turns = _likenesses(block, size)
        hertz = (np.angle(turns) * (self._rate_hz / (2 * np.pi))).tolist()
        alone = (np.abs(turns) > ALONE).tolist()
        out: list[np.ndarray] = []
        still = True
        for n, at in enumerate(range(0, len(block), size)):
            piece = block[at : at + size]
            if (
                alone[n]
                and abs(hertz[n]) < NEAR * self._least_hz
                and not (self._sliding or self._shift_hz or self.gentle)
                and len(piece) >= LEAST
            ):
                self._off_hz += (AVERAGE if self._absent < ABSENT else 1.0) * (hertz[n] - self._off_hz)
                self._absent, self._slide_hz_s = 0, 0.0
                self._notes.append((self._at, 0.0))
                self._at += len(piece)
                out.append(piece)
                continue
            moved = self.feed(piece)
            still = still and moved is piece
            out.append(moved)
        return block if still else np.concatenate(out)

    def _pulled(self, borne: float, piece_s: float) -> float:
        """Give how quick the next piece is to slide, Hz/s, by how far off and how quick it was."""
        if not self.gentle:
            return float(np.clip(self._off_hz / piece_s, -SLIDE_HZ_S, SLIDE_HZ_S))
        beyond = self._off_hz - float(np.clip(self._off_hz, -borne, borne))
        beyond *= 1 + abs(beyond) / borne
        pull = PULL * self._off_hz + PULL_BEYOND * beyond if self._sliding else 0.0
        more = RAMP * borne * piece_s
        change = float(np.clip(pull, -SLIDE_HZ_S, SLIDE_HZ_S)) - self._slide_hz_s
        return self._slide_hz_s + float(np.clip(change, -more, more))

    def shift_hz(self, place: float) -> float:
        """Give by how much the channel was moved at a place in samples since the first one fed."""
        shift = 0.0
        for at, each in self._notes:
            if at > place:
                break
            shift = each
        return shift

    def _signal(self, piece: np.ndarray) -> tuple[float, float, bool] | None:
        """Give the middle, Hz, of what is to be tuned to, how far it may be off, and whether it lies where the channel is
        tuned; None where nothing is."""
        likeness = _likeness(np.ascontiguousarray(piece))
        mean = cmath.phase(likeness) / (2 * np.pi) * self._rate_hz
        if abs(likeness) > ALONE and abs(mean - self._shift_hz) < NEAR * self._least_hz and not self._sliding:
            return mean, self._least_hz, True  # most that is there is one signal, where it should be
        bins = 1 << round(np.log2(len(piece) / ROWS))
        rows = piece[: len(piece) // bins * bins].reshape(-1, bins)
        smooth = np.empty(bins, np.float32)
        smoothed(mean_power(fft.forward(rows * hann(bins), overwrite=True)), SMOOTH, smooth)
        floor = float(np.partition(smooth, bins // 4)[bins // 4]) / QUARTER
        bin_hz = self._rate_hz / bins
        out = np.empty((64, 4))
        count = int(_regions(smooth, floor, int(np.ceil(GAP_HZ / bin_hz)), out))
        # of all there is, and about where the channel is tuned: parts of what is wide and weak are no signals
        excess = float(smooth.sum()) - bins * floor
        tuned = bins // 2 + round(self._shift_hz / bin_hz)
        reach = max(NEAR_BINS, int(self._least_hz / bin_hz))
        here = float(smooth[max(tuned - reach, 0) : tuned + reach + 1].mean()) - floor
        best = (0.0, 0.0, 0.0, False)
        for over, first, last, middle in out[:count].tolist():
            low, high, at = ((k - bins // 2) * bin_hz for k in (first - 0.5, last + 0.5, middle))
            if high - low > WIDEST * self._rate_hz:
                return None
            borne = max(self._least_hz, 2 * bin_hz, BORNE * (high - low))
            main = over > SHARE * excess
            mean = over / (last - first + 1)
            surely = main and mean > STRONG * floor
            if low - borne <= self._shift_hz <= high + borne:
                return (at if surely else self._shift_hz), borne, True
            if surely or (main and here < EMPTY * mean):
                best = max(best, (over, at, borne, surely))
        _, at, borne, surely = best
        if not borne:
            return None
        self._weak_hz = [*[hz for hz in self._weak_hz if abs(hz - at) < borne][-CONFIRMED:], at]
        return (at, borne, False) if surely or len(self._weak_hz) > CONFIRMED else None
