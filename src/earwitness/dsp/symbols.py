"""Symbols of a binary signal of known rate, without acquisition: timing, carrier and filter are fitted.

A stream is held at four samples a symbol and worked on in hops of 64 symbols. Clock phase, carrier and the
best linear filter of a hop are estimated from it and its neighbours on both sides, so the first symbols of
a burst are read as well as the last, and a fade costs only what it covers. Nothing is decided by a loop.

- Clock: the line at the symbol rate in the size of the signal's change over half a symbol. Changes lie midway
  between symbols, whatever the pulse, the offset or the amount of scrambling.
- Carrier of phase reversals: the line of the squared signal; its phase, smoothed, turns the symbols upright.
- Gate: where that line is no stronger than noise makes it there are no symbols, and a hop costs no more. `ClockLook`
  measures the same line before anything is resampled. Hops whose first look does not fall into two clusters, or
  changes more slowly than symbols do, are not fitted.
- Filter: decisions of a first look are regressed on samples half a symbol apart (least squares with a
  constant). That corrects for offset, unequal tones, and for what a receiver's or transmitter's filters left,
  and is the minimum mean square error filter for the noise as it is (coloured, after a discriminator).

Common practice, no single source; benchmarks/bench_ax25.py measures what it gives.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from earwitness.dsp import fft
from earwitness.dsp.discriminate import angle_of
from earwitness.dsp.filters import lowpass
from earwitness.dsp.jit import kernel

OS = 4  # samples per symbol
HOP = 64  # symbols worked on at a time
HOP_SAMPLES = OS * HOP
REACH = 6  # hops either side of one that its clock is estimated from
DRIFT = 0.007  # clock error that is followed, relative
DRIFTS = 24  # steps tried each way
UNLIKELY = 0.3  # how much less the largest is believed than none
BLOCK = 16  # symbols whose spread is compared, to tell a burst from the noise beside it
# Of a clock's line over REACH + 1 hops and over 2 REACH + 1, and of a carrier's over the mean of all: 1 hop of noise
# in 100 has more, and symbols that can be read have it in one hop of 2 MARGIN
LINE_SHORT, LINE_LONG = 0.065, 0.048
CARRIER = 9.0
STEADY = 1.12  # fourth moment over the squared second: 1 a clean constant envelope, 2 noise, shaped reversals 1.3 and more
JUMPS = 4  # by a quarter turn and more from sample to sample, in a hop: flags alone reverse eight times
PLAIN = 0.87  # a line of the carrier itself so near that of the squares: flags under NRZI have 0.75
LEAST = 0.9  # so near to those a hop counts as strong: the shortest frames have few hops
LOOK_OS = 3.3  # samples per symbol, at least where there are so many, when no more than looked at
MARGIN = 8  # hops either side of one with a clock that are read with it
CARRIER_MARGIN = 4
AROUND = 96  # symbols either side of a hop that its filter is fitted to
# A first look at symbols of which one in ten is wrong has its two clusters hold 0.72 of its power, noise 0.64; flags and
# stuffed bits change at least every eighth symbol
LEAST_SPLIT = 0.69
LEAST_CHANGES = 20
LEAST_STEP = (
    0.6  # of the distance between clusters that a change takes: what is slower than symbols takes less
)
BESIDE = 2  # hops either side of one that can be read that are read with it: a burst's ends are mostly noise


@kernel("void(float32[:,::1], int64, float64[:,::1])", fastmath=True)
def _clock_sums(y: np.ndarray, at: int, out: np.ndarray) -> None:
    """Sum the size of the change over half a symbol by sample position modulo OS, for each hop of y (F, n).

    The first hop begins one sample after y[:, at].
    """
    lanes = y.shape[0]
    sizes = np.empty(HOP_SAMPLES, np.float32)
    for h in range(out.shape[0]):
        low = at + h * HOP_SAMPLES
        if lanes == 1:
            before, after = y[0, low : low + HOP_SAMPLES], y[0, low + 2 : low + 2 + HOP_SAMPLES]
            for n in range(HOP_SAMPLES):
                sizes[n] = abs(after[n] - before[n])
        else:
            sizes[:] = 0
            for f in range(lanes):
                before, after = y[f, low : low + HOP_SAMPLES], y[f, low + 2 : low + 2 + HOP_SAMPLES]
                for n in range(HOP_SAMPLES):
                    d = after[n] - before[n]
                    sizes[n] += d * d
            for n in range(HOP_SAMPLES):
                sizes[n] = np.sqrt(sizes[n])
        t0 = t1 = t2 = t3 = np.float32(0)
        for n in range(0, HOP_SAMPLES, OS):
            t0 += sizes[n]
            t1 += sizes[n + 1]
            t2 += sizes[n + 2]
            t3 += sizes[n + 3]
        out[h, 0], out[h, 1], out[h, 2], out[h, 3] = t0, t1, t2, t3


TURN = 2 * np.pi * HOP * DRIFT / DRIFTS
_COLUMNS = -(-(2 * DRIFTS + 1) // 8) * 8  # whole vectors; the last drifts come several times


def _turns() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Give the turn of a clock's line i hops on at each drift, (2, 2 REACH + 1, n), the belief in each drift, and it."""
    drift = np.minimum(np.arange(_COLUMNS) - DRIFTS, DRIFTS)
    angle = -TURN * drift * np.arange(2 * REACH + 1)[:, None]
    belief = 1 - UNLIKELY * (drift / DRIFTS) ** 2
    turns = np.stack([np.cos(angle), np.sin(angle)])
    return turns.astype(np.float32), belief.astype(np.float32), drift.astype(np.float32)


TURNS, BELIEF, DRIFT_STEPS = _turns()


@kernel("void(float64[:,::1], complex64[::1])")
def _shares(sums: np.ndarray, out: np.ndarray) -> None:
    """Give the clock's line in each hop over all there is in it, from sums by sample position modulo OS."""
    for row in range(len(sums)):
        scale = 1 / max(sums[row, 0] + sums[row, 1] + sums[row, 2] + sums[row, 3], 1e-30)
        out[row] = complex(scale * (sums[row, 0] - sums[row, 2]), scale * (sums[row, 1] - sums[row, 3]))


@kernel("void(complex64[::1], float32[:,:,::1], float32[::1], float32[::1])", fastmath=True)
def _clock_strengths(shares: np.ndarray, turns: np.ndarray, belief: np.ndarray, out: np.ndarray) -> None:
    """Give how strong the clock's line is in hops, 1 where it is as strong as LINE_*; shares[REACH] is the first's.

    The mean share of a line that turns from hop to hop by the clock's error: windows before a hop, after it, around
    it, and over all of these; the largest over all errors.
    """
    count = len(out)
    columns = turns.shape[2]
    res = np.empty((count + REACH, columns), np.float32)
    ims = np.empty((count + REACH, columns), np.float32)
    short = np.empty(count + REACH, np.float32)
    scale_short = np.float32(1 / ((REACH + 1) * LINE_SHORT))
    scale_long = np.float32(1 / ((2 * REACH + 1) * LINE_LONG))
    for j in range(count + REACH):
        re, im = res[j], ims[j]
        re[:] = 0
        im[:] = 0
        for i in range(REACH + 1):
            a, b = shares[j + i].real, shares[j + i].imag
            cos, sin = turns[0, i], turns[1, i]
            for k in range(columns):
                re[k] += a * cos[k] - b * sin[k]
                im[k] += a * sin[k] + b * cos[k]
        best = np.float32(0)
        for k in range(columns):
            best = max(best, belief[k] * belief[k] * (re[k] * re[k] + im[k] * im[k]))
        short[j] = scale_short * np.sqrt(best)
    cos, sin = turns[0, REACH], turns[1, REACH]
    for h in range(count):
        a, b = shares[h + REACH].real, shares[h + REACH].imag
        re, im, after_re, after_im = res[h], ims[h], res[h + REACH], ims[h + REACH]
        best = np.float32(0)
        for k in range(columns):
            c = after_re[k] - a
            d = after_im[k] - b
            x = re[k] + c * cos[k] - d * sin[k]
            y = im[k] + c * sin[k] + d * cos[k]
            best = max(best, belief[k] * belief[k] * (x * x + y * y))
        out[h] = max(scale_long * np.sqrt(best), short[h], short[h + REACH // 2], short[h + REACH])


@kernel("void(complex64[::1], float32[:,:,::1], float32[::1], float32[::1], float64[:,::1])", fastmath=True)
def _clock_lines(
    shares: np.ndarray, turns: np.ndarray, belief: np.ndarray, drifts: np.ndarray, out: np.ndarray
) -> None:
    """Give clock phase (samples) and drift (samples a hop) of hops from their shares; shares[REACH] is the first's.

    The line's phase turns from hop to hop by the clock's error. A hop is read with those before it, after it or on
    both sides: that window and that turn which add up best, so that noise beside a burst has no say in its ends.
    Windows are of shares, for noise may be far louder than the burst (after a discriminator).
    """
    columns = turns.shape[2]
    windows = len(out) + REACH
    best = np.empty(
        (windows, 3), np.float32
    )  # of the window from each hop on: size, drift, phase at its first hop
    re = np.empty(columns, np.float32)
    im = np.empty(columns, np.float32)
    for j in range(windows):
        re[:] = 0
        im[:] = 0
        most = np.float32(1e-30)
        for i in range(REACH + 1):
            size = np.sqrt(shares[j + i].real * shares[j + i].real + shares[j + i].imag * shares[j + i].imag)
            a, b = size * shares[j + i].real, size * shares[j + i].imag
            most += size * size
            cos, sin = turns[0, i], turns[1, i]
            for k in range(columns):
                re[k] += a * cos[k] - b * sin[k]
                im[k] += a * sin[k] + b * cos[k]
        top = 0
        largest = np.float32(-1)
        for k in range(columns):
            size = belief[k] * belief[k] * (re[k] * re[k] + im[k] * im[k])
            if size > largest:
                top, largest = k, size
        best[j, 0] = np.sqrt(largest) / most
        best[j, 1] = drifts[top]
        best[j, 2] = np.arctan2(im[top], re[top])
    for h in range(len(out)):
        j = h
        for begin in (REACH // 2, REACH):
            if best[h + begin, 0] > best[j, 0]:
                j = h + begin
        turn = best[j, 2] + TURN * best[j, 1] * (h + REACH - j)
        out[h, 0] = turn * OS / (2 * np.pi) + OS / 2
        out[h, 1] = best[j, 1] * TURN * OS / (2 * np.pi)


@kernel("int64(float64[:,::1], int64, float64, float64[::1])")
def _instants(lines: np.ndarray, first: int, start: float, out: np.ndarray) -> int:
    """Place symbols in the hops from `first` on by their lines (phase, drift); `start` is the first symbol's place.

    Gives how many; the last entry written is the place of the next one.
    """
    made = 0
    p = start
    stop = (first + len(lines)) * HOP_SAMPLES
    while p < stop:
        out[made] = p
        made += 1
        p += OS
        place = p / HOP_SAMPLES - first
        h = min(max(int(np.floor(place)), 0), len(lines) - 1)
        miss = lines[h, 0] + lines[h, 1] * (place - h - 0.5) - p
        p += miss - OS * np.floor(miss / OS + 0.5)
    out[made] = p
    return made


@kernel("void(float32[:,::1], float64[::1], float64, int64[::1], float32[:,:,::1])", fastmath=True)
def _interpolate(
    y: np.ndarray, places: np.ndarray, base: float, offsets: np.ndarray, out: np.ndarray
) -> None:
    """Give lanes y (F, n) at places - base + each offset by cubic interpolation, 0 beyond their ends: out (F, offsets, n)."""
    lanes, size = y.shape
    low, high = offsets.min(), offsets.max()
    for k in range(len(places)):
        at = places[k] - base
        whole = int(np.floor(at))
        t = np.float32(at - whole)
        a = np.float32(0.5) * t * (t * (np.float32(2) - t) - np.float32(1))
        b = np.float32(0.5) * t * t * (np.float32(3) * t - np.float32(5)) + np.float32(1)
        c = np.float32(0.5) * t * (t * (np.float32(4) - np.float32(3) * t) + np.float32(1))
        d = np.float32(0.5) * t * t * (t - np.float32(1))
        if whole + low < 1 or whole + high + 2 >= size:
            for i in range(len(offsets)):
                n = whole + offsets[i]
                for f in range(lanes):
                    out[f, i, k] = 0.0
                    if n >= 1 and n + 2 < size:
                        out[f, i, k] = a * y[f, n - 1] + b * y[f, n] + c * y[f, n + 1] + d * y[f, n + 2]
            continue
        for f in range(lanes):
            near = y[f, whole + low - 1 : whole + high + 3]
            for i in range(len(offsets)):
                n = np.uint64(offsets[i] - low)  # needs no look whether it counts from the end
                out[f, i, k] = (
                    a * near[n]
                    + b * near[n + np.uint64(1)]
                    + c * near[n + np.uint64(2)]
                    + d * near[n + np.uint64(3)]
                )


class Clock:
    """Finds the symbols' instants in lanes of samples at OS a symbol, and gives samples around each.

    `feed` gives (instants, samples): float64 (n,) in samples since the first one fed, and float32
    (lanes, len(offsets), n), the lanes at instants + offsets. Hops without symbols are left out, unless what is fed
    has been looked through already (`gated` false).
    """

    def __init__(self, lanes: int, offsets: tuple[int, ...], *, gated: bool = True):
        self._lanes = lanes
        self._offsets = np.array(offsets, np.int64)
        self._gate = Strength() if gated else None
        self._margin = max(*offsets, 4) + 4
        self._y = np.zeros((lanes, self._margin), np.float32)
        self._at = -self._margin  # of _y[:, 0]
        self._shares = np.zeros(REACH, np.complex64)  # of hops, REACH of them before the next to be placed
        self._near = np.zeros(0, bool)  # of hops, from the next to be placed on: symbols are to be read
        self._summed = 0  # hops
        self._placed = 0  # hops
        self._next = 0.0

    def feed(self, y: np.ndarray, *, last: bool = False) -> tuple[np.ndarray, np.ndarray]:
        """Take the next samples, float32 (lanes, n); after the `last` nothing is held back."""
        rest = np.zeros((self._lanes, self._margin + HOP_SAMPLES if last else 0), np.float32)
        self._y = np.concatenate([self._y, y, rest], axis=1)
        hops = (self._at + self._y.shape[1] - self._margin - self._summed * HOP_SAMPLES) // HOP_SAMPLES
        sums = np.empty((max(hops, 0), OS))
        _clock_sums(self._y, self._summed * HOP_SAMPLES - 1 - self._at, sums)
        after = 0
        if last:
            after = REACH if self._gate is None else REACH + MARGIN
        shares = np.zeros(len(sums) + after, np.complex64)
        _shares(sums, shares[: len(sums)])
        return self._placed_of(shares)

    def _placed_of(self, shares: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Take the clock's line in the next hops; give the symbols of the hops that then have enough after them."""
        self._summed += len(shares)
        self._shares = np.concatenate([self._shares, shares])
        near = np.ones(len(shares), bool) if self._gate is None else self._gate.feed(shares)
        self._near = np.concatenate([self._near, near])
        ready = min(len(self._shares) - 2 * REACH, len(self._near))
        places, out = [np.empty(0)], [np.empty((self._lanes, len(self._offsets), 0), np.float32)]
        if ready > 0:
            for begin, end in runs(self._near[:ready]):
                some, samples = self._place(begin, end)
                places.append(some)
                out.append(samples)
            self._placed += ready
            self._shares, self._near = self._shares[ready:], self._near[ready:]
            keep = self._placed * HOP_SAMPLES - self._margin - self._at
            self._y, self._at = self._y[:, keep:].copy(), self._at + keep
        if len(places) == 2:
            return places[1], out[1]
        return np.concatenate(places), np.concatenate(out, axis=2)

    def _place(self, begin: int, end: int) -> tuple[np.ndarray, np.ndarray]:
        """Give instants and samples of hops [begin, end), counted from the next to be placed."""
        lines = np.empty((end - begin, 2))
        _clock_lines(self._shares[begin : end + 2 * REACH], TURNS, BELIEF, DRIFT_STEPS, lines)
        first = self._placed + begin
        places = np.empty(len(lines) * HOP * 2 + 2)
        made = _instants(lines, first, max(self._next, float(first * HOP_SAMPLES)), places)
        self._next = float(places[made])
        places = places[:made].copy()
        out = np.empty((self._lanes, len(self._offsets), made), np.float32)
        _interpolate(self._y, places, float(self._at), self._offsets, out)
        return places, out


@kernel("void(float32[::1], float32[:,::1], int64, float32[:,::1])", fastmath=True)
def _thinned(x: np.ndarray, taps: np.ndarray, stride: int, out: np.ndarray) -> None:
    """Fill out[f, i] with the sum of taps[f, k] x[i stride + k]."""
    rows, count = out.shape
    size = taps.shape[1]
    wide = count + size // stride + 1
    # samples apart by their place modulo stride, so that all sums run on whole vectors
    apart = np.zeros((stride, wide), np.float32)
    for p in range(stride):
        for i in range(min(wide, (len(x) - p + stride - 1) // stride)):
            apart[p, i] = x[i * stride + p]
    for f in range(rows):
        for first in range(0, count, 2048):
            some = out[f, first : first + 2048]
            n = len(some)
            some[:] = 0
            k = 0
            while k + 4 <= size:
                t0, t1, t2, t3 = taps[f, k], taps[f, k + 1], taps[f, k + 2], taps[f, k + 3]
                at = first + k // stride
                a = apart[k % stride, at : at + n]
                at = first + (k + 1) // stride
                b = apart[(k + 1) % stride, at : at + n]
                at = first + (k + 2) // stride
                c = apart[(k + 2) % stride, at : at + n]
                at = first + (k + 3) // stride
                d = apart[(k + 3) % stride, at : at + n]
                for i in range(n):
                    some[i] += t0 * a[i] + t1 * b[i] + t2 * c[i] + t3 * d[i]
                k += 4
            while k < size:
                t0 = taps[f, k]
                at = first + k // stride
                a = apart[k % stride, at : at + n]
                for i in range(n):
                    some[i] += t0 * a[i]
                k += 1


@kernel("void(float32[:,::1], int64, float32[::1])", fastmath=True)
def _tone_change(parts: np.ndarray, lag: int, out: np.ndarray) -> None:
    """Give the change over `lag` of the sizes of complex rows; parts (2 F, n + lag) holds real and imaginary ones in turn."""
    sizes = np.empty(parts.shape[1], np.float32)
    out[:] = 0
    for f in range(0, len(parts), 2):
        re, im = parts[f], parts[f + 1]
        for i in range(len(sizes)):
            sizes[i] = np.sqrt(re[i] * re[i] + im[i] * im[i])
        after = sizes[lag:]
        for i in range(len(out)):
            out[i] += (after[i] - sizes[i]) * (after[i] - sizes[i])
    for i in range(len(out)):
        out[i] = np.sqrt(out[i])


@kernel("void(float32[::1], float32[:,::1], complex128, complex128, complex64[::1])", fastmath=True)
def _line_shares(
    change: np.ndarray, wave: np.ndarray, turn: complex, rotor: complex, out: np.ndarray
) -> None:
    """Give the share of the line of frequency `wave` (cosine, sine over a hop) in the size of the change, by hops.

    `rotor` is the line's turn up to the first hop, `turn` that of a hop.
    """
    hop = wave.shape[1]
    cos, sin = wave[0], wave[1]
    for h in range(len(out)):
        some = change[h * hop : (h + 1) * hop]
        re = np.float32(0)
        im = np.float32(0)
        whole = np.float32(1e-30)
        for i in range(hop):
            size = abs(some[i])
            whole += size
            re += size * cos[i]
            im += size * sin[i]
        out[h] = rotor * complex(re / whole, im / whole)
        rotor *= turn


@lru_cache(maxsize=64)
def _look_filters(
    rate_hz: float, baud: float, tones: tuple[float, ...], stride: int
) -> tuple[np.ndarray, int, np.ndarray]:
    """Give taps float32 (rows, n), outputs between two whose sizes are compared (0: taps do it), the line over a hop."""
    half = 0.5 * rate_hz / baud  # samples in half a symbol
    count = round(HOP * rate_hz / (baud * stride))
    line = 2 * np.pi * baud * stride / rate_hz * np.arange(count)
    wave = np.stack([np.cos(line), np.sin(line)]).astype(np.float32)
    if tones:
        t = np.arange(-int(half * 1.2), int(half * 1.2) + 1)
        window = np.hanning(len(t) + 2)[1:-1]
        rows = [window * np.exp(-2j * np.pi * hz / rate_hz * t) / window.sum() for hz in tones]
        taps = np.array([part for row in rows for part in (row.real, row.imag)], np.float32)
        return taps, max(round(half / stride), 1), wave
    low = lowpass(0.6 * baud, 0.6 * baud, rate_hz, stop_db=40.0)
    reach = len(low) // 2
    t = np.arange(-int(reach + half), int(reach + half) + 1)
    at = np.arange(-reach, reach + 1)
    change = np.interp(t - half / 2, at, low, 0, 0) - np.interp(t + half / 2, at, low, 0, 0)
    return change[None, :].astype(np.float32), 0, wave


class ClockLook:
    """Tells where symbols of known rate may be, from samples at any rate, much cheaper than to read them.

    The same line as the clock is found by, measured without resampling: `feed` takes float32 (n,) and tells of hops
    of `hop` samples, bool (m,), whether they are to be read. With `tones` (Hz) the symbols are tones in the samples.
    """

    def __init__(self, rate_hz: float, baud: float, tones: tuple[float, ...] = (), least: float = LEAST):
        self._stride = max(int(rate_hz / (LOOK_OS * baud)), 1)
        self._taps, self._lag, self._wave = _look_filters(rate_hz, baud, tones, self._stride)
        self.hop = self._wave.shape[1] * self._stride
        lead = self._taps.shape[1] // 2
        self._held = np.zeros(lead, np.float32)  # so that what is given of a hop stands in its middle
        self._tail = lead + self._lag * self._stride
        self._turn = 2 * np.pi * baud * self.hop / rate_hz
        self._hops = 0
        self._strength = Strength(least)

    def feed(self, x: np.ndarray, *, last: bool = False) -> np.ndarray:
        """Take the next samples; tells of the hops that are then decided on: all, after the `last`."""
        if not last:
            return self._strength.feed(self._shares(x))
        shares = self._shares(np.concatenate([x, np.zeros(self._tail + self.hop - 1, np.float32)]))
        return self._strength.feed(np.concatenate([shares, np.zeros(REACH + MARGIN, np.complex64)]))

    def _shares(self, x: np.ndarray) -> np.ndarray:
        self._held = np.concatenate([self._held, x])
        size = self._taps.shape[1]
        hops = max((len(self._held) - size - self._lag * self._stride) // self.hop, 0)
        shares = np.empty(hops, np.complex64)
        if hops:
            count = hops * self._wave.shape[1]
            parts = np.empty((len(self._taps), count + self._lag), np.float32)
            _thinned(self._held, self._taps, self._stride, parts)
            change = parts[0]
            if self._lag:
                change = np.empty(count, np.float32)
                _tone_change(parts, self._lag, change)
            rotor, turn = (complex(np.exp(1j * (n * self._turn % (2 * np.pi)))) for n in (self._hops, 1))
            _line_shares(change, self._wave, turn, rotor, shares)
            self._hops += hops
            self._held = self._held[hops * self.hop :].copy()
        return shares


class Strength:
    """Tells from the clock's line in hops which of them are to be read: those near one where it stands out."""

    def __init__(self, least: float = LEAST) -> None:
        self._least = least  # so strong a hop counts
        self._shares = np.zeros(REACH, np.complex64)  # REACH before the next hop whose strength is not known
        self._strong = np.zeros(MARGIN, bool)  # MARGIN before the next hop to be given

    def feed(self, shares: np.ndarray) -> np.ndarray:
        """Take the line's share in the next hops, complex64 (n,); give bool for hops REACH + MARGIN before."""
        self._shares = np.concatenate([self._shares, shares])
        strength = np.empty(max(len(self._shares) - 2 * REACH, 0), np.float32)
        if len(strength):
            _clock_strengths(self._shares, TURNS, BELIEF, strength)
            self._shares = self._shares[len(strength) :]
            self._strong = np.concatenate([self._strong, strength > self._least])
        near = nearby(self._strong, MARGIN)
        self._strong = self._strong[len(near) :]
        return near


def nearby(strong: np.ndarray, margin: int) -> np.ndarray:
    """Tell which hops are within `margin` of a strong one; `strong` begins and ends `margin` beyond them."""
    count = max(len(strong) - 2 * margin, 0)
    if not strong.any():
        return np.zeros(count, bool)
    wide = np.concatenate([[0], np.cumsum(strong)])
    return np.asarray(wide[2 * margin + 1 :] > wide[: -2 * margin - 1])[:count]


def runs(chosen: np.ndarray) -> list[tuple[int, int]]:
    """Give (begin, end) of the runs of true in bool (n,)."""
    if not chosen.any():
        return []
    if chosen.all():
        return [(0, len(chosen))]
    edges = np.flatnonzero(np.diff(chosen, prepend=False, append=False))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


@kernel("boolean(float32[::1], float32[::1], float64[::1])", fastmath=True)
def _clusters(first: np.ndarray, weight: np.ndarray, info: np.ndarray) -> bool:
    """Split a first look at symbols in two; info: [share of the power, middle, half distance]. Tells whether they can be read.

    They can when the two clusters hold enough of the power, and when they change often enough.
    """
    n = len(first)
    whole = np.float32(0)
    total = np.float32(0)
    power = np.float32(0)
    for k in range(n):
        whole += weight[k]
        total += weight[k] * first[k]
    mean = total / whole
    for k in range(n):
        power += weight[k] * (first[k] - mean) * (first[k] - mean)
    middle = mean
    spread = np.float32(0)
    split = np.float32(0)
    for _ in range(4):
        up = np.float32(0)
        ups = np.float32(0)
        for k in range(n):
            w = weight[k] if first[k] > middle else np.float32(0)
            ups += w
            up += w * first[k]
        downs = whole - ups
        if ups < 1e-2 or downs < 1e-2:
            break
        high, low = up / ups, (total - up) / downs
        middle = np.float32(0.5) * (high + low)
        spread = np.float32(0.5) * (high - low)
        split = ups * downs / whole * (high - low) * (high - low)
    info[0] = split / (power + np.float32(1e-30))
    info[1] = middle
    info[2] = spread
    if split <= LEAST_SPLIT * power:
        return False
    changes = np.float32(0)
    step = np.float32(0)
    after = first[1:]
    for k in range(n - 1):
        changed = np.float32(1) if (first[k] > middle) != (after[k] > middle) else np.float32(0)
        changes += weight[k] * changed
        step += weight[k] * changed * abs(after[k] - first[k])
    return bool(changes >= LEAST_CHANGES and step >= LEAST_STEP * 2 * spread * changes)


@kernel("boolean(float32[::1], int64, int64, float64, float32[::1], float64[::1])", fastmath=True)
def _weighed(
    first: np.ndarray, begin: int, end: int, louder: float, weight: np.ndarray, info: np.ndarray
) -> bool:
    """Weigh a first look at symbols by blocks of BLOCK, and give what `_clusters` makes of it.

    What differs from what is in [begin, end) by more than `louder` counts nearly nothing. Where a burst begins or ends
    in there it is quieter than the noise beside it after a discriminator, and louder in other audio: what makes the
    better symbols counts.
    """
    blocks = len(first) // BLOCK
    spread = np.empty(blocks, np.float32)
    least = np.float32(np.inf)
    most = np.float32(0)
    for b in range(blocks):
        some = first[b * BLOCK : (b + 1) * BLOCK]
        mean = np.float32(0)
        for k in range(BLOCK):
            mean += some[k]
        mean /= np.float32(BLOCK)
        total = np.float32(0)
        for k in range(BLOCK):
            total += abs(some[k] - mean)
        spread[b] = total
        if begin <= b * BLOCK < end:
            least = min(least, total)
            most = max(most, total)
    for b in range(blocks):
        w = np.float32(1.0) if spread[b] <= louder * least else np.float32(1e-3)
        weight[b * BLOCK : (b + 1) * BLOCK] = w
    good = _clusters(first, weight, info)
    if most <= louder * least:
        return good
    other = np.empty(len(weight), np.float32)
    for b in range(blocks):
        near = most <= louder * spread[b] and spread[b] <= louder * most
        other[b * BLOCK : (b + 1) * BLOCK] = np.float32(1.0) if near else np.float32(1e-3)
    facts = np.empty(3)
    good_too = _clusters(first, other, facts)
    if good_too and (not good or facts[0] > info[0]):
        weight[:] = other
        info[:] = facts
    return good or good_too


@kernel(
    "float64(float32[:,::1], float32[::1], float32[::1], float64, int64, int64, float32[::1])", fastmath=True
)
def _fit(
    x: np.ndarray,
    first: np.ndarray,
    weight: np.ndarray,
    middle: float,
    begin: int,
    end: int,
    soft: np.ndarray,
) -> float:
    """Fit a linear filter to decisions and give soft symbols [begin, end) over the residual's deviation.

    x: (d, n) samples around each symbol, `first`: a first look at each, decided by its middle; two rounds of
    least squares. Gives the share of power that the fit left.
    """
    d, n = x.shape
    target = np.empty(n, np.float32)
    whole = np.float32(0)
    for k in range(n):
        whole += weight[k]
        target[k] = np.float32(1.0) if first[k] > middle else np.float32(-1.0)
    weighted = np.empty((d, n), np.float32)
    # the equations' matrix is the same for both rounds: Cholesky once, the constant as last unknown
    gram = np.empty((d + 1, d + 1))
    trace = 0.0
    for i in range(d):
        row = weighted[i]
        here = x[i]
        total = np.float32(0)
        for k in range(n):
            row[k] = weight[k] * here[k]
            total += row[k]
        gram[d, i] = total
        for j in range(i + 1):
            other = x[j]
            total = np.float32(0)
            for k in range(n):
                total += row[k] * other[k]
            gram[i, j] = total
        trace += gram[i, i]
    gram[d, d] = whole
    ridge = 1e-3 * trace / d + 1e-20
    for i in range(d):
        gram[i, i] += ridge
    for i in range(d + 1):
        for j in range(i + 1):
            left = gram[i, j]
            for m in range(j):
                left -= gram[i, m] * gram[j, m]
            if i == j:
                gram[i, i] = np.sqrt(max(left, 1e-20))
            else:
                gram[i, j] = left / gram[j, j]
    right = np.empty(d + 1)
    out = np.empty(n, np.float32)
    rest = np.float32(0)
    for turn in range(2):
        if turn:
            for k in range(n):
                target[k] = np.float32(1.0) if out[k] > 0 else np.float32(-1.0)
        for i in range(d):
            row = weighted[i]
            total = np.float32(0)
            for k in range(n):
                total += row[k] * target[k]
            right[i] = total
        total = np.float32(0)
        for k in range(n):
            total += weight[k] * target[k]
        right[d] = total
        for i in range(d + 1):
            left = right[i]
            for m in range(i):
                left -= gram[i, m] * right[m]
            right[i] = left / gram[i, i]
        for i in range(d, -1, -1):
            left = right[i]
            for m in range(i + 1, d + 1):
                left -= gram[m, i] * right[m]
            right[i] = left / gram[i, i]
        out[:] = np.float32(right[d])
        for i in range(d):
            tap = np.float32(right[i])
            here = x[i]
            for k in range(n):
                out[k] += tap * here[k]
        rest = np.float32(0)
        for k in range(n):
            miss = out[k] - target[k]
            rest += weight[k] * miss * miss
    left_over = float(rest / whole)
    scale = np.float32(1.0 / np.sqrt(max(left_over, 1e-4)))
    for k in range(begin, end):
        soft[k - begin] = scale * out[k]
    return left_over


@kernel("void(float32[::1], float64, boolean[::1])")
def _readable(first: np.ndarray, louder: float, out: np.ndarray) -> None:
    """Tell of each hop whether its symbols may be read; the first one begins at first[AROUND]."""
    span = 2 * AROUND + HOP
    weight = np.empty(span, np.float32)
    info = np.empty(3)
    for h in range(len(out)):
        look = first[h * HOP : h * HOP + span]
        out[h] = _weighed(look, AROUND, AROUND + HOP, louder, weight, info)


@kernel("void(float32[:,::1], float32[::1], float64, boolean[::1], float32[::1], float64[:,::1])")
def _slice(
    x: np.ndarray, first: np.ndarray, louder: float, chosen: np.ndarray, soft: np.ndarray, facts: np.ndarray
) -> None:
    """Fit and slice the hops that are chosen; soft symbol 0 is that of x[:, AROUND] of the first hop."""
    span = 2 * AROUND + HOP
    part = np.empty((len(x), span), np.float32)
    weight = np.empty(span, np.float32)
    done = 0
    for h in range(len(chosen)):
        if not chosen[h]:
            continue
        low = h * HOP
        look = first[low : low + span]
        _weighed(look, AROUND, AROUND + HOP, louder, weight, facts[done])
        part[:] = x[:, low : low + span]
        some = soft[done * HOP : (done + 1) * HOP]
        facts[done, 0] = _fit(part, look, weight, facts[done, 1], AROUND, AROUND + HOP, some)
        done += 1


class Slicer:
    """Gives soft symbols (positive means one) from samples around them, by hops of HOP symbols."""

    def __init__(self, width: int, *, louder: float = np.inf):
        self._louder = louder  # after a discriminator: spread beyond this many times a burst's own is noise
        self._x = np.zeros((width, AROUND), np.float32)
        self._first = np.zeros(AROUND, np.float32)
        self._places = np.zeros(0)
        self._good = np.zeros(BESIDE, bool)  # hops that can be read, from BESIDE before the next to be given

    def feed(
        self, places: np.ndarray, x: np.ndarray, first: np.ndarray, *, last: bool = False
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Take instants (n,), samples float32 (width, n) and a first look (n,); after the `last` none are held back.

        Gives (instants, soft float32 (m,), facts float64 (m // HOP, 3)) for the symbols that have enough after
        them; facts of a hop: share of power the fit left, middle and half distance of the first look's clusters.
        Hops that cannot be read, nor any beside them, are left out.
        """
        lack = AROUND + (AROUND - len(self._first) - len(first)) % HOP if last else 0
        self._x = np.concatenate([self._x, x, np.zeros((len(x), lack), np.float32)], axis=1)
        self._first = np.concatenate([self._first, first, np.zeros(lack, np.float32)])
        self._places = np.concatenate([self._places, places, np.full(lack, np.inf)])
        known = len(self._good) - BESIDE  # hops from the next to be given
        good = np.zeros(
            max((len(self._first) - 2 * AROUND) // HOP - known, 0) + (BESIDE if last else 0), bool
        )
        _readable(self._first[known * HOP :], self._louder, good[: len(good) - BESIDE] if last else good)
        self._good = np.concatenate([self._good, good])
        chosen = nearby(self._good, BESIDE)
        hops = int(np.count_nonzero(chosen))
        soft = np.empty(hops * HOP, np.float32)
        facts = np.empty((hops, 3))
        done = len(chosen) * HOP
        places = self._places[:done]
        if hops:
            _slice(self._x, self._first, self._louder, chosen, soft, facts)
        if hops < len(chosen):
            places = places[np.repeat(chosen, HOP)]
        if hops and last:
            real = np.isfinite(places)
            places, soft = places[real], soft[real]
        self._x, self._first, self._places = self._x[:, done:].copy(), self._first[done:], self._places[done:]
        self._good = self._good[len(chosen) :]
        return places, soft, facts


@kernel("float64(complex64[::1], float64, float64[::1], float64, complex64[::1])")
def _turn(z: np.ndarray, angle: float, line: np.ndarray, limit: float, out: np.ndarray) -> float:
    """Turn the carrier out of hops of z; line[h + 1] is hop h's frequency in cycles per sample. Gives the last angle.

    Between the middles of hops the frequency runs straight, unless it jumps by more than `limit`.
    """
    hops = len(line) - 2
    hop = len(z) // hops
    for h in range(hops):
        here = line[h + 1]
        before = line[h] if abs(here - line[h]) < limit else here
        after = line[h + 2] if abs(here - line[h + 2]) < limit else here
        for part in range(2):
            slope = here - before if part == 0 else after - here
            # the turn itself turns from sample to sample by the slope: two products a sample, no sine
            place = (0.5 if part == 0 else hop // 2 + 0.5) / hop - 0.5
            first = -2 * np.pi * (here + place * slope)
            rotor = complex(np.cos(angle + first), np.sin(angle + first))
            step = -2 * np.pi * slope / hop
            turn = complex(np.cos(first + step), np.sin(first + step))
            bend = complex(np.cos(step), np.sin(step))
            begin, end = (0, hop // 2) if part == 0 else (hop // 2, hop)
            for n in range(h * hop + begin, h * hop + end):
                out[n] = z[n] * rotor
                rotor *= turn
                turn *= bend
            count = end - begin
            angle += first * count + step * (count * (count - 1) // 2)
            angle %= 2 * np.pi
    return angle


@kernel("bool_(complex64[::1])", fastmath=True)
def steady(z: np.ndarray) -> bool:
    """Tell whether z has a constant envelope and few jumps of phase: it is modulated in frequency, or a carrier."""
    second = np.float32(0)
    fourth = np.float32(0)
    jumps = 0
    after = z[1:]
    for n in range(len(after)):
        a, b = after[n].real, after[n].imag
        power = a * a + b * b
        second += power
        fourth += power * power
        jumps += a * z[n].real + b * z[n].imag < np.float32(0)
    return bool(fourth * len(z) < STEADY * second * second and jumps < JUMPS)


@kernel("bool_(complex64[::1], float64)", fastmath=True, error_model="numpy")  # no look for zeros
def _plain(z: np.ndarray, line: float) -> bool:
    """Tell whether z is a carrier at `line` without reversals, by its line beside that of its squares."""
    some = 32
    cos = np.empty((2, some), np.float32)
    sin = np.empty((2, some), np.float32)
    for k in range(some):
        for p in range(2):
            cos[p, k] = np.cos(2 * np.pi * line * k * (p + 1))
            sin[p, k] = -np.sin(2 * np.pi * line * k * (p + 1))
    first = 0j
    second = 0j
    for at in range(0, len(z) - some + 1, some):
        part = z[at : at + some]
        a = b = c = d = np.float32(0)
        for k in range(some):
            re, im = part[k].real, part[k].imag
            a += re * cos[0, k] - im * sin[0, k]
            b += re * sin[0, k] + im * cos[0, k]
            size = np.float32(1) / (np.sqrt(re * re + im * im) + np.float32(1e-20))
            x, y = (re * re - im * im) * size, np.float32(2) * re * im * size
            c += x * cos[1, k] - y * sin[1, k]
            d += x * sin[1, k] + y * cos[1, k]
        angle = -2 * np.pi * line * at
        first += complex(a, b) * complex(np.cos(angle), np.sin(angle))
        second += complex(c, d) * complex(np.cos(2 * angle), np.sin(2 * angle))
    return bool(abs(first) > PLAIN * abs(second))


@kernel("void(complex64[::1], complex64[::1])", fastmath=True, error_model="numpy")  # no look for zeros
def _squares(z: np.ndarray, out: np.ndarray) -> None:
    """Sum squares of z, over their size, by runs of len(z) // len(out)."""
    fold = len(z) // max(len(out), 1)
    some = 512 * fold
    re = np.empty(some, np.float32)
    im = np.empty(some, np.float32)
    for first in range(0, len(out), 512):
        count = min(512, len(out) - first)
        part = z[first * fold : (first + count) * fold]
        for n in range(len(part)):
            a = part[n].real
            b = part[n].imag
            size = np.float32(1) / (np.sqrt(a * a + b * b) + np.float32(1e-20))
            re[n] = (a * a - b * b) * size
            im[n] = np.float32(2) * a * b * size
        for k in range(count):
            x = re[k * fold]
            y = im[k * fold]
            for n in range(k * fold + 1, (k + 1) * fold):
                x += re[n]
                y += im[n]
            out[first + k] = complex(x, y)


@kernel("void(complex64[:,::1], float32[:,::1])", fastmath=True)
def _near_zero(spectra: np.ndarray, out: np.ndarray) -> None:
    """Give the power in the bins about the first, lowest frequency first."""
    bins = spectra.shape[1]
    reach = out.shape[1] // 2
    for h in range(len(out)):
        for i in range(2 * reach + 1):
            value = spectra[h, i - reach + (bins if i < reach else 0)]
            out[h, i] = value.real * value.real + value.imag * value.imag


@kernel("void(float32[:,::1], float64[:,::1])", fastmath=True)
def _peaks(powers: np.ndarray, out: np.ndarray) -> None:
    """Give place (bins) and size over the mean of the largest of each three rows' sum, rows around row h + 1."""
    bins = powers.shape[1]
    near = np.empty(bins, np.float32)
    for h in range(len(out)):
        total = np.float32(0)
        top = 0
        for i in range(bins):
            near[i] = powers[h, i] + powers[h + 1, i] + powers[h + 2, i]
            total += near[i]
            if near[i] > near[top]:
                top = i
        fine = 0.0
        if 0 < top < bins - 1:
            a, b, c = np.sqrt(near[top - 1]), np.sqrt(near[top]), np.sqrt(near[top + 1])
            if a - 2 * b + c < 0:
                fine = 0.5 * (a - c) / (a - 2 * b + c)
        out[h, 0] = top + fine
        out[h, 1] = near[top] * bins / (total + np.float32(1e-30))


class ReversalCarrier:
    """Finds the carrier of phase reversals in complex samples and takes it out.

    Fed complex64 (n,), worked on in hops of `hop` samples, a multiple of 2 `fold` near HOP symbols; carriers within
    +-reach (cycles per sample) are looked for in squares summed over `fold` samples (so 2 reach fold < 0.5). Gives
    (samples with the carrier taken out, zero where no hop nearby has one; frequency in cycles per sample of each hop).
    """

    def __init__(self, hop: int, reach: float, fold: int):
        self._hop = hop
        self._fold = fold
        self._size = 2 * self._hop // fold  # window of a look
        self._bins = self._size
        self._reach = min(int(2 * reach * fold * self._bins) + 1, self._bins // 2 - 2)
        self._window = np.hanning(self._size).astype(np.float32)
        self._z = np.zeros(self._hop // 2, np.complex64)  # so that hop 0 has a window about its middle
        self._rest = np.zeros(0, np.complex64)  # samples not yet squared
        # _z begins half a hop before the first hop not given out; the others hold rows of hops
        self._squares = np.zeros(self._hop // 2 // fold, np.complex64)  # of the hops without a look
        self._powers = np.zeros(
            (1, 2 * self._reach + 1), np.float32
        )  # of looks, one before the next to be judged
        self._found = np.zeros(
            (CARRIER_MARGIN, 2)
        )  # place and size from CARRIER_MARGIN before the first not given out
        self._angle = 0.0

    def feed(self, z: np.ndarray, *, last: bool = False) -> tuple[np.ndarray, np.ndarray]:
        """Take the next samples; after the `last` nothing is held back."""
        if last:
            z = np.concatenate([z, np.zeros((CARRIER_MARGIN + 4) * self._hop, np.complex64)])
        self._z = np.concatenate([self._z, z])
        z = np.concatenate([self._rest, z])
        whole = len(z) - len(z) % self._fold
        z, self._rest = z[:whole], z[whole:]
        squares = np.empty(len(z) // self._fold, np.complex64)
        _squares(z, squares)
        self._squares = np.concatenate([self._squares, squares])
        self._look()
        ready = len(self._found) - 2 * CARRIER_MARGIN
        if ready <= 0:
            return np.empty(0, np.complex64), np.empty(0)
        hop = self._hop
        line = self._found[CARRIER_MARGIN - 1 : CARRIER_MARGIN + ready + 1, 0].copy()  # entry h + 1 is hop h
        limit = 2.56 / hop  # cycles per sample a hop may drift before it is a new carrier
        out = np.zeros(ready * hop, np.complex64)
        middle = hop // 2
        for begin, end in runs(nearby(self._found[:, 1] > CARRIER, CARRIER_MARGIN)):
            part = self._z[middle + begin * hop : middle + end * hop]
            self._angle = float(
                _turn(part, self._angle, line[begin : end + 2], limit, out[begin * hop : end * hop])
            )
        self._z = self._z[ready * hop :].copy()
        self._found = self._found[ready:]
        return out, line[1:-1]

    def _look(self) -> None:
        step = self._hop // self._fold
        looks = (len(self._squares) - self._size) // step + 1
        if looks <= 0:
            return
        stride = self._squares.strides[0]
        parts = np.lib.stride_tricks.as_strided(
            self._squares, (looks, self._size), (step * stride, stride), writeable=False
        )
        reach = self._reach
        powers = np.zeros((looks, 2 * reach + 1), np.float32)
        if self._squares.any():
            _near_zero(fft.forward(parts * self._window, overwrite=True), powers)
        self._powers = np.concatenate([self._powers, powers])
        self._squares = self._squares[looks * step :].copy()
        found = np.empty((max(len(self._powers) - 2, 0), 2))
        _peaks(self._powers, found)
        found[:, 0] = (found[:, 0] - reach) / (2 * self._bins * self._fold)
        self._powers = self._powers[len(found) :]
        known = len(self._found) - CARRIER_MARGIN  # hops from the next to be given out
        for h in np.flatnonzero(found[:, 1] > CARRIER).tolist():
            begin = self._hop // 2 + (known + h) * self._hop
            part = self._z[begin : begin + self._hop]
            if steady(part) or _plain(part, found[h, 0]):
                found[h, 1] = 0.0
        self._found = np.concatenate([self._found, found])


@kernel(
    "float64(complex64[::1], int64, int64, float64, complex64[::1])", fastmath=True, error_model="numpy"
)  # no look for zeros
def _upright(z: np.ndarray, reach: int, count: int, angle: float, out: np.ndarray) -> float:
    """Give the unit rotors that turn symbols `reach` .. `reach + count` of z upright; `angle` went before."""
    span = 2 * reach + 1
    weight = np.empty(span, np.float32)
    for i in range(span):
        weight[i] = reach + 1 - abs(i - reach)
    res = np.empty(count + 2 * reach, np.float32)
    ims = np.empty(count + 2 * reach, np.float32)
    for k in range(len(res)):
        a, b = z[k].real, z[k].imag
        size = np.float32(1) / (np.sqrt(a * a + b * b) + np.float32(1e-30))
        res[k] = (a * a - b * b) * size
        ims[k] = np.float32(2) * a * b * size
    for k in range(count):
        re, im = res[k : k + span], ims[k : k + span]
        x = np.float32(0)
        y = np.float32(0)
        for i in range(span):
            x += re[i] * weight[i]
            y += im[i] * weight[i]
        step = 0.5 * np.float64(angle_of(y, x)) - angle
        step -= np.pi * np.floor(step / np.pi + 0.5)
        angle += step
        out[k] = complex(np.cos(angle), -np.sin(angle))
    return angle


class Upright:
    """Turns symbols of phase reversals so that they lie on the real axis, by their neighbours' squares."""

    def __init__(self, reach: int, middle: int):
        self._reach = reach
        self._middle = middle  # which of the samples around a symbol is its own
        self._x: np.ndarray | None = None
        self._places = np.zeros(0)
        self._angle = 0.0

    def feed(self, places: np.ndarray, x: np.ndarray, *, last: bool = False) -> tuple[np.ndarray, np.ndarray]:
        """Take instants (n,) and complex64 samples (width, n); give those ready, turned: all, after the `last`."""
        if self._x is None:
            self._x = np.zeros((len(x), self._reach), np.complex64)
        rest = np.zeros((len(x), self._reach if last else 0), np.complex64)
        self._x = np.concatenate([self._x, x, rest], axis=1)
        self._places = np.concatenate([self._places, places])
        count = self._x.shape[1] - 2 * self._reach
        if count <= 0:
            return np.empty(0), self._x[:, :0]
        rotors = np.empty(count, np.complex64)
        row = np.ascontiguousarray(self._x[self._middle])
        self._angle = float(_upright(row, self._reach, count, self._angle, rotors))
        out = self._x[:, self._reach : self._reach + count] * rotors
        given, self._places = self._places[:count], self._places[count:]
        self._x = self._x[:, count:].copy()
        return given, out
