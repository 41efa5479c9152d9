"""Symbols of a binary signal of known rate, without acquisition: timing, carrier and filter are fitted.

A stream is held at four samples a symbol and worked on in hops of 64 symbols. Clock phase, carrier and the
best linear filter of a hop are estimated from it and its neighbours on both sides, so the first symbols of
a burst are read as well as the last, and a fade costs only what it covers. Nothing is decided by a loop.

- Clock: the line at the symbol rate in the size of the signal's change over half a symbol. Changes lie midway
  between symbols, whatever the pulse, the offset or the amount of scrambling.
- Carrier of phase reversals: the line of the squared signal; its phase, smoothed, turns the symbols upright.
- Filter: decisions of a first look are regressed on samples half a symbol apart (least squares with a
  constant). That corrects for offset, unequal tones, and for what a receiver's or transmitter's filters left,
  and is the minimum mean square error filter for the noise as it is (coloured, after a discriminator).

Common practice, no single source; benchmarks/bench_ax25.py measures what it gives.
"""

from __future__ import annotations

import numpy as np

from earwitness.dsp import fft
from earwitness.dsp.jit import kernel

OS = 4  # samples per symbol
HOP = 64  # symbols worked on at a time
HOP_SAMPLES = OS * HOP
REACH = 2  # hops either side of one that its clock is estimated from
AROUND = 96  # symbols either side of a hop that its filter is fitted to


@kernel("void(float32[:,:], float64[:,:])")
def _clock_sums(y: np.ndarray, out: np.ndarray) -> None:
    """Sum the size of the change over half a symbol by sample position modulo OS, for each hop of y (F, n).

    y begins one sample before the first hop and ends one after the last.
    """
    lanes = y.shape[0]
    for h in range(out.shape[0]):
        for i in range(out.shape[1]):
            out[h, i] = 0.0
        for n in range(HOP_SAMPLES):
            total = np.float32(0)
            for f in range(lanes):
                d = y[f, h * HOP_SAMPLES + n + 2] - y[f, h * HOP_SAMPLES + n]
                total += d * d
            out[h, n & 3] += np.sqrt(total)


@kernel("int64(float64[:], int64, int64, float64, float64[:])")
def _instants(phase: np.ndarray, first: int, count: int, start: float, out: np.ndarray) -> int:
    """Place symbols in `count` hops from hop `first` on; phase[h] is hop first - 1 + h's clock phase (samples).

    Gives how many; the last entry written is the place of the next one.
    """
    made = 0
    p = start
    stop = (first + count) * HOP_SAMPLES
    while p < stop:
        out[made] = p
        made += 1
        p += OS
        place = p / HOP_SAMPLES - 0.5 - (first - 1)  # in hops, whole at the middle of one
        low = min(max(int(np.floor(place)), 0), len(phase) - 2)
        step = phase[low + 1] - phase[low]
        step -= OS * np.floor(step / OS + 0.5)
        part = place - low
        if abs(step) > 0.8:
            part = 0.0 if part < 0.5 else 1.0
        want = phase[low] + part * step
        miss = want - p
        miss -= OS * np.floor(miss / OS + 0.5)
        p += miss
    out[made] = p
    return made


@kernel("void(float32[:], float64[:], float64, float64, float32[:])")
def _interpolate(y: np.ndarray, places: np.ndarray, base: float, shift: float, out: np.ndarray) -> None:
    """Give y at places - base + shift by cubic interpolation."""
    for k in range(len(places)):
        at = places[k] - base + shift
        n = int(np.floor(at))
        t = at - n
        if n < 1 or n + 2 >= len(y):
            out[k] = 0.0
            continue
        a, b, c, d = y[n - 1], y[n], y[n + 1], y[n + 2]
        out[k] = b + 0.5 * t * (c - a + t * (2 * a - 5 * b + 4 * c - d + t * (3 * (b - c) + d - a)))


class Clock:
    """Finds the symbols' instants in lanes of samples at OS a symbol, and gives samples around each.

    `feed` gives (instants, samples): float64 (n,) in samples since the first one fed, and float32
    (lanes, len(offsets), n), the lanes at instants + offsets.
    """

    def __init__(self, lanes: int, offsets: tuple[int, ...]):
        self._lanes = lanes
        self._offsets = offsets
        self._margin = max(*offsets, 4) + 4
        self._y = np.zeros((lanes, self._margin), np.float32)
        self._at = -self._margin  # of _y[:, 0]
        self._sums = np.zeros((REACH + 1, OS))  # of hops; the first REACH + 1 stand for silence before
        self._summed = 0  # hops
        self._placed = 0  # hops
        self._next = 0.0
        self._phase = [0.0]  # of hop _placed - 1

    def feed(self, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Take the next samples, float32 (lanes, n)."""
        self._y = np.concatenate([self._y, y], axis=1)
        hops = (self._at + self._y.shape[1] - self._margin - self._summed * HOP_SAMPLES) // HOP_SAMPLES
        if hops > 0:
            sums = np.empty((hops, OS))
            low = self._summed * HOP_SAMPLES - 1 - self._at
            _clock_sums(np.ascontiguousarray(self._y[:, low : low + hops * HOP_SAMPLES + 2]), sums)
            self._sums = np.concatenate([self._sums, sums])
            self._summed += hops
        # hop h is row h + REACH + 1 - (what was dropped); its phase needs REACH more, the next hop's as well
        ready = self._summed - self._placed - REACH - 1
        if ready <= 0:
            return np.empty(0), np.empty((self._lanes, len(self._offsets), 0), np.float32)
        first_row = REACH + 1  # of hop _placed
        for h in range(len(self._phase), ready + 2):
            row = first_row + h - 1
            total = self._sums[row - REACH : row + REACH + 1].sum(axis=0)
            angle = np.arctan2(total[1] - total[3], total[0] - total[2])
            self._phase.append(float(angle) * OS / (2 * np.pi) + OS / 2)
        places = np.empty(ready * HOP * 2 + 2)
        made = _instants(np.array(self._phase), self._placed, ready, self._next, places)
        self._next = float(places[made])
        places = places[:made].copy()
        out = np.empty((self._lanes, len(self._offsets), made), np.float32)
        for f in range(self._lanes):
            lane = np.ascontiguousarray(self._y[f])
            for i, shift in enumerate(self._offsets):
                _interpolate(lane, places, float(self._at), float(shift), out[f, i])
        self._placed += ready
        self._phase = self._phase[ready : ready + 2]
        self._sums = self._sums[ready:]
        keep = self._placed * HOP_SAMPLES - self._margin - self._at
        if keep > 0:
            self._y, self._at = self._y[:, keep:].copy(), self._at + keep
        return places, out


@kernel("void(float32[:,:], float32[:], int64, int64, float32[:], float64[:])")
def _fit(x: np.ndarray, first: np.ndarray, begin: int, end: int, soft: np.ndarray, info: np.ndarray) -> None:
    """Fit a linear filter to decisions and give soft symbols [begin, end) over the residual's deviation.

    x: (n, d) samples around each symbol, `first`: a first look at each. The first look's middle is taken
    between its upper and lower cluster; then two rounds of least squares. info: [residual share, middle, half distance].
    """
    n, d = x.shape
    mean = 0.0
    for k in range(n):
        mean += first[k]
    middle = mean / n
    spread = 0.0
    for _ in range(4):
        up = 0.0
        down = 0.0
        ups = 0
        for k in range(n):
            if first[k] > middle:
                up += first[k]
                ups += 1
            else:
                down += first[k]
        if ups in (0, n):
            break
        middle = 0.5 * (up / ups + down / (n - ups))
        spread = 0.5 * (up / ups - down / (n - ups))
    target = np.empty(n, np.float32)
    for k in range(n):
        target[k] = 1.0 if first[k] > middle else -1.0
    info[1] = middle
    info[2] = spread
    gram = np.empty((d + 1, d + 1))
    right = np.empty(d + 1)
    for turn in range(2):
        for i in range(d + 1):
            right[i] = 0.0
            for j in range(i + 1):
                gram[i, j] = 0.0
        for k in range(n):
            t = target[k]
            for i in range(d):
                v = x[k, i]
                for j in range(i + 1):
                    gram[i, j] += v * x[k, j]
                gram[d, i] += v
                right[i] += v * t
            right[d] += t
        gram[d, d] = n
        trace = 0.0
        for i in range(d):
            trace += gram[i, i]
        ridge = 1e-3 * trace / d + 1e-20
        for i in range(d):
            gram[i, i] += ridge
        # Cholesky in place, then forward and back substitution
        for i in range(d + 1):
            for j in range(i + 1):
                s = gram[i, j]
                for m in range(j):
                    s -= gram[i, m] * gram[j, m]
                if i == j:
                    gram[i, i] = np.sqrt(max(s, 1e-20))
                else:
                    gram[i, j] = s / gram[j, j]
        for i in range(d + 1):
            s = right[i]
            for m in range(i):
                s -= gram[i, m] * right[m]
            right[i] = s / gram[i, i]
        for i in range(d, -1, -1):
            s = right[i]
            for m in range(i + 1, d + 1):
                s -= gram[m, i] * right[m]
            right[i] = s / gram[i, i]
        rest = 0.0
        last = turn == 1
        for k in range(n):
            v = right[d]
            for i in range(d):
                v += right[i] * x[k, i]
            e = v - target[k]
            rest += e * e
            if last:
                if begin <= k < end:
                    soft[k - begin] = v
            else:
                target[k] = 1.0 if v > 0 else -1.0
        info[0] = rest / n
    scale = 1.0 / np.sqrt(max(info[0], 1e-4))
    for k in range(end - begin):
        soft[k] *= scale


class Slicer:
    """Gives soft symbols (positive means one) from samples around them, by hops of HOP symbols."""

    def __init__(self, width: int):
        self._x = np.zeros((AROUND, width), np.float32)
        self._first = np.zeros(AROUND, np.float32)
        self._places = np.zeros(0)

    def feed(
        self, places: np.ndarray, x: np.ndarray, first: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Take instants (n,), samples float32 (n, width) and a first look (n,).

        Gives (instants, soft float32 (m,), facts float64 (m // HOP, 3)) for the symbols that have enough after
        them; facts of a hop: share of power the fit left, middle and half distance of the first look's clusters.
        """
        self._x = np.concatenate([self._x, x])
        self._first = np.concatenate([self._first, first])
        self._places = np.concatenate([self._places, places])
        hops = max((len(self._x) - 2 * AROUND) // HOP, 0)
        soft = np.empty(hops * HOP, np.float32)
        facts = np.zeros((hops, 3))
        for h in range(hops):
            low = h * HOP
            part = slice(low, low + 2 * AROUND + HOP)
            _fit(self._x[part], self._first[part], AROUND, AROUND + HOP, soft[low : low + HOP], facts[h])
        done = hops * HOP
        out = self._places[:done]
        self._x, self._first, self._places = self._x[done:], self._first[done:], self._places[done:]
        return out, soft, facts


@kernel("void(complex64[:], float64, float64[:], complex64[:])")
def _turn(z: np.ndarray, angle: float, turns: np.ndarray, out: np.ndarray) -> None:
    for n in range(len(z)):
        angle -= turns[n]
        out[n] = z[n] * complex(np.cos(angle), np.sin(angle))


class ReversalCarrier:
    """Finds the carrier of phase reversals in complex samples and takes it out.

    Fed complex64 (n,) at `per` samples a symbol; carriers within +-reach (cycles per sample) are looked for. Gives
    (samples with the carrier taken out, frequency in cycles per sample of each hop of HOP symbols).
    """

    def __init__(self, per: int, reach: float):
        self._hop = HOP * per
        self._size = 2 * self._hop  # window of a look
        self._reach = reach
        self._z = np.zeros(self._hop // 2, np.complex64)  # so that hop 0 has a window about its middle
        self._window = np.hanning(self._size).astype(np.float32)
        self._powers: list[np.ndarray] = []
        self._found: list[float] = [0.0]
        self._angle = 0.0
        self._bins = 2 * self._size

    def feed(self, z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Take the next samples."""
        self._z = np.concatenate([self._z, z])
        hop, half = self._hop, self._hop // 2
        # _z begins half a hop before the first hop not given out; _powers holds looks at it and after it
        looks = (len(self._z) - self._size) // hop + 1
        for h in range(len(self._powers), looks):
            part = self._z[h * hop : h * hop + self._size]
            size = np.abs(part)
            part = part * part / (size + 1e-3 * size.mean() + 1e-20) * self._window
            spectrum = fft.forward(part.astype(np.complex64), self._bins)
            self._powers.append((np.abs(spectrum) ** 2).astype(np.float32))
        while len(self._found) < len(self._powers):
            h = len(self._found) - 1
            near = self._powers[max(h - 1, 0) : h + 2]
            self._found.append(self._peak(np.sum(near, axis=0)))
        ready = len(self._found) - 2  # hops with a frequency on both sides
        if ready <= 0:
            return np.empty(0, np.complex64), np.empty(0)
        line = np.array(self._found)  # entry h + 1 is hop h; entry 0 the one before
        turns = np.empty(ready * hop)
        place = (np.arange(hop) + 0.5) / hop
        limit = 0.02 * 2 / hop * HOP  # cycles per sample a hop may drift before it is a new carrier
        for h in range(ready):
            before, here, after = line[h], line[h + 1], line[h + 2]
            low = before if abs(here - before) < limit else here
            high = after if abs(here - after) < limit else here
            bent = np.where(
                place < 0.5, low + (here - low) * (place + 0.5), here + (high - here) * (place - 0.5)
            )
            turns[h * hop : (h + 1) * hop] = bent
        turns *= 2 * np.pi
        fresh = self._z[half : half + ready * hop]
        out = np.empty(ready * hop, np.complex64)
        _turn(fresh, self._angle, turns, out)
        self._angle = float((self._angle - turns.sum()) % (2 * np.pi))
        self._z = self._z[ready * hop :].copy()
        self._powers = self._powers[ready:]
        self._found = self._found[ready:]
        return out, line[1 : ready + 1]

    def _peak(self, power: np.ndarray) -> float:
        reach = min(int(2 * self._reach * self._bins) + 1, self._bins // 2 - 2)
        near = np.concatenate([power[-reach:], power[: reach + 1]])
        top = int(np.argmax(near))
        fine = 0.0
        if 0 < top < len(near) - 1:
            a, b, c = np.sqrt(near[top - 1 : top + 2])
            if a - 2 * b + c < 0:
                fine = float(0.5 * (a - c) / (a - 2 * b + c))
        return (top - reach + fine) / self._bins / 2


@kernel("float64(complex64[:], int64, int64, float64, complex64[:])")
def _upright(z: np.ndarray, reach: int, count: int, angle: float, out: np.ndarray) -> float:
    """Give the unit rotors that turn symbols `reach` .. `reach + count` of z upright; `angle` went before."""
    for k in range(count):
        total = 0j
        for i in range(-reach, reach + 1):
            v = z[k + reach + i]
            size = abs(v)
            if size > 0:
                total += v * v / size * (reach + 1 - abs(i))
        want = 0.5 * np.arctan2(total.imag, total.real)
        step = want - angle
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

    def feed(self, places: np.ndarray, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Take instants (n,) and complex64 samples (width, n); give those ready, turned."""
        if self._x is None:
            self._x = np.zeros((len(x), self._reach), np.complex64)
        self._x = np.concatenate([self._x, x], axis=1)
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
