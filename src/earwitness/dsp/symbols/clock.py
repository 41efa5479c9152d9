"""The clock: where symbols stand in samples, and the samples around each."""

from __future__ import annotations

import numpy as np

from earwitness.dsp.jit import kernel
from earwitness.dsp.runs import runs
from earwitness.dsp.symbols.strength import (
    BELIEF,
    DRIFT_STEPS,
    HOP,
    HOP_SAMPLES,
    MARGIN,
    OS,
    REACH,
    TURN,
    TURNS,
    Strength,
)


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


@kernel("void(float64[:,::1], complex64[::1])")
def _shares(sums: np.ndarray, out: np.ndarray) -> None:
    """Give the clock's line in each hop over all there is in it, from sums by sample position modulo OS."""
    for row in range(len(sums)):
        scale = 1 / max(sums[row, 0] + sums[row, 1] + sums[row, 2] + sums[row, 3], 1e-30)
        out[row] = complex(scale * (sums[row, 0] - sums[row, 2]), scale * (sums[row, 1] - sums[row, 3]))


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
