"""Symbols of a binary signal of known rate, without acquisition: timing, carrier and filter are fitted.

A stream is held at four samples a symbol and worked on in hops of 64 symbols. Clock phase, carrier and the
best linear filter of a hop are estimated from it and its neighbours on both sides, so the first symbols of
a burst are read as well as the last, and a fade costs only what it covers. Nothing is decided by a loop.

- Clock: the line at the symbol rate in the size of the signal's change over half a symbol. Changes lie midway
  between symbols, whatever the pulse, the offset or the amount of scrambling.
- Carrier of phase reversals: the line of the squared signal; its phase, smoothed, turns the symbols upright.
- Gate: where that line is no stronger than noise makes it there are no symbols, and a hop costs no more.
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
REACH = 6  # hops either side of one that its clock is estimated from
DRIFT = 0.007  # clock error that is followed, relative
DRIFTS = 24  # steps tried each way
UNLIKELY = 0.3  # how much less the largest is believed than none
BLOCK = 16  # symbols whose spread is compared, to tell a burst from the noise beside it
# Of a clock's line over REACH + 1 hops and over 2 REACH + 1, and of a carrier's over the mean of all: 1 hop of noise
# in 100 has more, and symbols that can be read have it in one hop of 2 MARGIN
LINE_SHORT, LINE_LONG = 0.065, 0.048
CARRIER = 9.0
PLAIN = 0.87  # a line of the carrier itself so near that of the squares: flags under NRZI have 0.75
MARGIN = 8  # hops either side of one with a clock that are read with it
CARRIER_MARGIN = 4
AROUND = 96  # symbols either side of a hop that its filter is fitted to


@kernel("void(float32[:,::1], float64[:,::1])")
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


TURN = 2 * np.pi * HOP * DRIFT / DRIFTS
TURNS = np.exp(-1j * TURN * np.arange(-DRIFTS, DRIFTS + 1)[:, None] * np.arange(-REACH, REACH + 1)[None, :])


@kernel("void(float64[:,::1], complex128[:,::1], float64[::1])")
def _clock_strengths(sums: np.ndarray, turns: np.ndarray, out: np.ndarray) -> None:
    """Give how strong the clock's line is in hops, 1 where it is as strong as LINE_*; row REACH of `sums` is the first.

    The mean share of a line that turns from hop to hop by the clock's error: windows before a hop, after it, around
    it, and over all of these; the largest over all errors.
    """
    shares = np.empty(len(sums), np.complex128)
    for row in range(len(sums)):
        whole = sums[row, 0] + sums[row, 1] + sums[row, 2] + sums[row, 3]
        scale = 1 / max(whole, 1e-30)
        shares[row] = complex(scale * (sums[row, 0] - sums[row, 2]), scale * (sums[row, 1] - sums[row, 3]))
    count = len(out)
    out[:] = 0
    windows = np.empty(count + REACH, np.complex128)
    short = np.empty(count + REACH)
    for k in range(len(turns)):
        drift = (k - DRIFTS) / DRIFTS
        belief = 1 - UNLIKELY * drift * drift
        scale_short = belief / ((REACH + 1) * LINE_SHORT)
        scale_long = belief / ((2 * REACH + 1) * LINE_LONG)
        for j in range(count + REACH):
            total = 0j
            for i in range(REACH + 1):
                total += shares[j + i] * turns[k, REACH + i]
            windows[j] = total
            short[j] = scale_short * scale_short * (total.real**2 + total.imag**2)
        for h in range(count):
            total = windows[h] + turns[k, 2 * REACH] * (windows[h + REACH] - shares[h + REACH])
            long = scale_long * scale_long * (total.real**2 + total.imag**2)
            out[h] = max(out[h], long, short[h], short[h + REACH // 2], short[h + REACH])
    for h in range(count):
        out[h] = np.sqrt(out[h])


@kernel("void(float64[:,::1], complex128[:,::1], float64[:,::1])")
def _clock_lines(sums: np.ndarray, turns: np.ndarray, out: np.ndarray) -> None:
    """Give clock phase (samples) and drift (samples a hop) of hops from their sums, row REACH of which is the first's.

    The line's phase turns from hop to hop by the clock's error. A hop is read with those before it, after it or on
    both sides: that window and that turn which add up best, so that noise beside a burst has no say in its ends.
    """
    line = np.empty(2 * REACH + 1, np.complex128)
    for h in range(len(out)):
        for i in range(2 * REACH + 1):
            row = h + i
            whole = sums[row, 0] + sums[row, 1] + sums[row, 2] + sums[row, 3]
            # by shares, for noise may be far louder than the burst (after a discriminator)
            scale = 1 / max(whole, 1e-30)
            share = complex(scale * (sums[row, 0] - sums[row, 2]), scale * (sums[row, 1] - sums[row, 3]))
            line[i] = share * abs(share)
        best = -1.0
        for begin in (0, REACH // 2, REACH):
            most = 1e-30
            for i in range(begin, begin + REACH + 1):
                most += abs(line[i])
            for k in range(-DRIFTS, DRIFTS + 1):
                total = 0j
                for i in range(begin, begin + REACH + 1):
                    total += line[i] * turns[k + DRIFTS, i]
                size = abs(total) / most * (1 - UNLIKELY * (k / DRIFTS) ** 2)
                if size > best:
                    best = size
                    out[h, 0] = np.arctan2(total.imag, total.real) * OS / (2 * np.pi) + OS / 2
                    out[h, 1] = k * TURN * OS / (2 * np.pi)


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


@kernel("void(float32[::1], float64[::1], float64, float64, float32[::1])")
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
    (lanes, len(offsets), n), the lanes at instants + offsets. Hops without symbols are left out.
    """

    def __init__(self, lanes: int, offsets: tuple[int, ...]):
        self._lanes = lanes
        self._offsets = offsets
        self._margin = max(*offsets, 4) + 4
        self._y = np.zeros((lanes, self._margin), np.float32)
        self._at = -self._margin  # of _y[:, 0]
        self._sums = np.zeros((REACH, OS))  # of hops, REACH of them before the next to be placed
        self._strength = np.zeros(MARGIN)  # of hops, MARGIN of them before the next to be placed
        self._summed = 0  # hops
        self._placed = 0  # hops
        self._next = 0.0

    def feed(self, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Take the next samples, float32 (lanes, n)."""
        self._y = np.concatenate([self._y, y], axis=1)
        self._measure()
        ready = len(self._strength) - 2 * MARGIN
        places, out = [np.empty(0)], [np.empty((self._lanes, len(self._offsets), 0), np.float32)]
        if ready > 0:
            for begin, end in _runs(self._strength > 1.0, MARGIN):
                some, samples = self._place(begin, end)
                places.append(some)
                out.append(samples)
            self._placed += ready
            self._sums, self._strength = self._sums[ready:], self._strength[ready:]
            keep = self._placed * HOP_SAMPLES - self._margin - self._at
            self._y, self._at = self._y[:, keep:].copy(), self._at + keep
        return np.concatenate(places), np.concatenate(out, axis=2)

    def _measure(self) -> None:
        hops = (self._at + self._y.shape[1] - self._margin - self._summed * HOP_SAMPLES) // HOP_SAMPLES
        if hops <= 0:
            return
        sums = np.empty((hops, OS))
        low = self._summed * HOP_SAMPLES - 1 - self._at
        _clock_sums(np.ascontiguousarray(self._y[:, low : low + hops * HOP_SAMPLES + 2]), sums)
        self._sums = np.concatenate([self._sums, sums])
        self._summed += hops
        known = len(self._strength) - MARGIN  # hops from the next to be placed whose strength is known
        fresh = np.empty(max(len(self._sums) - 2 * REACH - known, 0))
        if len(fresh):
            _clock_strengths(self._sums[known:], TURNS, fresh)
            self._strength = np.concatenate([self._strength, fresh])

    def _place(self, begin: int, end: int) -> tuple[np.ndarray, np.ndarray]:
        """Give instants and samples of hops [begin, end), counted from the next to be placed."""
        lines = np.empty((end - begin, 2))
        _clock_lines(self._sums[begin : end + 2 * REACH], TURNS, lines)
        first = self._placed + begin
        places = np.empty(len(lines) * HOP * 2 + 2)
        made = _instants(lines, first, max(self._next, float(first * HOP_SAMPLES)), places)
        self._next = float(places[made])
        places = places[:made].copy()
        out = np.empty((self._lanes, len(self._offsets), made), np.float32)
        for f in range(self._lanes):
            lane = np.ascontiguousarray(self._y[f])
            for i, shift in enumerate(self._offsets):
                _interpolate(lane, places, float(self._at), float(shift), out[f, i])
        return places, out


def _runs(strong: np.ndarray, margin: int) -> list[tuple[int, int]]:
    """Give the runs of hops within `margin` of a strong one; `strong` begins and ends `margin` beyond the hops."""
    if not strong.any():
        return []
    wide = np.concatenate([[0], np.cumsum(strong)])
    near = wide[2 * margin + 1 :] > wide[: -2 * margin - 1]
    edges = np.flatnonzero(np.diff(np.concatenate([[0], near, [0]])))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


@kernel("void(float32[::1], int64, int64, float64, float32[::1])")
def _quiet(first: np.ndarray, begin: int, end: int, louder: float, weight: np.ndarray) -> None:
    """Weigh by blocks of BLOCK symbols: nearly nothing where the spread is `louder` times the least in [begin, end)."""
    blocks = len(first) // BLOCK
    spread = np.empty(blocks)
    least = np.inf
    for b in range(blocks):
        mean = 0.0
        for k in range(b * BLOCK, (b + 1) * BLOCK):
            mean += first[k]
        mean /= BLOCK
        total = 0.0
        for k in range(b * BLOCK, (b + 1) * BLOCK):
            total += abs(first[k] - mean)
        spread[b] = total
        if begin <= b * BLOCK < end and total < least:
            least = total
    for b in range(blocks):
        w = 1.0 if spread[b] <= louder * least else 1e-3
        for k in range(b * BLOCK, (b + 1) * BLOCK):
            weight[k] = w


@kernel("float32(float32[::1], float32[::1])", fastmath=True)
def _dot(a: np.ndarray, b: np.ndarray) -> np.float32:
    total = np.float32(0)
    for k in range(len(a)):
        total += a[k] * b[k]
    return total


@kernel(
    "float32(float32[:,::1], float32[:,::1], float64[::1], float32[::1], float32[::1], float32[::1])",
    fastmath=True,
)
def _apply(
    x: np.ndarray,
    weighted: np.ndarray,
    taps: np.ndarray,
    weight: np.ndarray,
    target: np.ndarray,
    out: np.ndarray,
) -> np.float32:
    """Give the filter's output for each symbol; returns the weighted squared distance from the target."""
    d, n = weighted.shape
    for k in range(n):
        out[k] = np.float32(taps[d])
    for i in range(d):
        tap = np.float32(taps[i])
        for k in range(n):
            out[k] += tap * x[i, k]
    rest = np.float32(0)
    for k in range(n):
        miss = out[k] - target[k]
        rest += weight[k] * miss * miss
    return rest


@kernel("void(float32[:,::1], float32[::1], float32[::1], int64, int64, float32[::1], float64[::1])")
def _fit(
    x: np.ndarray,
    first: np.ndarray,
    weight: np.ndarray,
    begin: int,
    end: int,
    soft: np.ndarray,
    info: np.ndarray,
) -> None:
    """Fit a linear filter to decisions and give soft symbols [begin, end) over the residual's deviation.

    x: (d, n) samples around each symbol, `first`: a first look at each. The first look's middle is taken
    between its upper and lower cluster; then two rounds of least squares. info: [residual share, middle, half distance].
    """
    d, n = x.shape
    mean = 0.0
    whole = 0.0
    for k in range(n):
        mean += weight[k] * first[k]
        whole += weight[k]
    middle = mean / whole
    spread = 0.0
    for _ in range(4):
        up = 0.0
        down = 0.0
        ups = 0.0
        for k in range(n):
            if first[k] > middle:
                up += weight[k] * first[k]
                ups += weight[k]
            else:
                down += weight[k] * first[k]
        if ups < 1e-2 or whole - ups < 1e-2:
            break
        middle = 0.5 * (up / ups + down / (whole - ups))
        spread = 0.5 * (up / ups - down / (whole - ups))
    info[1] = middle
    info[2] = spread
    target = np.empty(n, np.float32)
    for k in range(n):
        target[k] = 1.0 if first[k] > middle else -1.0
    weighted = np.empty((d, n), np.float32)
    for i in range(d):
        for k in range(n):
            weighted[i, k] = weight[k] * x[i, k]
    # the equations' matrix is the same for both rounds: Cholesky once, the constant as last unknown
    gram = np.empty((d + 1, d + 1))
    trace = 0.0
    for i in range(d):
        for j in range(i + 1):
            gram[i, j] = _dot(weighted[i], x[j])
        total = np.float32(0)
        for k in range(n):
            total += weighted[i, k]
        gram[d, i] = total
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
    for turn in range(2):
        if turn:
            for k in range(n):
                target[k] = 1.0 if out[k] > 0 else -1.0
        for i in range(d):
            right[i] = _dot(weighted[i], target)
        right[d] = _dot(weight, target)
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
        info[0] = _apply(x, weighted, right, weight, target, out) / whole
    scale = 1.0 / np.sqrt(max(info[0], 1e-4))
    for k in range(begin, end):
        soft[k - begin] = scale * out[k]


@kernel("void(float32[:,::1], float32[::1], float64, float32[::1], float64[:,::1])")
def _slice(x: np.ndarray, first: np.ndarray, louder: float, soft: np.ndarray, facts: np.ndarray) -> None:
    """Fit and slice hop by hop; soft symbol 0 is that of x[:, AROUND]."""
    span = 2 * AROUND + HOP
    part = np.empty((len(x), span), np.float32)
    weight = np.empty(span, np.float32)
    for h in range(len(facts)):
        low = h * HOP
        part[:] = x[:, low : low + span]
        look = first[low : low + span]
        _quiet(look, AROUND, AROUND + HOP, louder, weight)
        _fit(part, look, weight, AROUND, AROUND + HOP, soft[low : low + HOP], facts[h])


class Slicer:
    """Gives soft symbols (positive means one) from samples around them, by hops of HOP symbols."""

    def __init__(self, width: int, *, louder: float = np.inf):
        self._louder = louder  # after a discriminator: spread beyond this many times a burst's own is noise
        self._x = np.zeros((width, AROUND), np.float32)
        self._first = np.zeros(AROUND, np.float32)
        self._places = np.zeros(0)

    def feed(
        self, places: np.ndarray, x: np.ndarray, first: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Take instants (n,), samples float32 (width, n) and a first look (n,).

        Gives (instants, soft float32 (m,), facts float64 (m // HOP, 3)) for the symbols that have enough after
        them; facts of a hop: share of power the fit left, middle and half distance of the first look's clusters.
        """
        self._x = np.concatenate([self._x, x], axis=1)
        self._first = np.concatenate([self._first, first])
        self._places = np.concatenate([self._places, places])
        hops = max((len(self._first) - 2 * AROUND) // HOP, 0)
        done = hops * HOP
        soft = np.empty(done, np.float32)
        facts = np.zeros((hops, 3))
        _slice(self._x, self._first, self._louder, soft, facts)
        out = self._places[:done]
        self._x, self._first, self._places = self._x[:, done:].copy(), self._first[done:], self._places[done:]
        return out, soft, facts


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


@kernel("bool_(complex64[::1], float64)", fastmath=True)
def _plain(z: np.ndarray, line: float) -> bool:
    """Tell whether z is a carrier at `line` without reversals, by its line beside that of its squares."""
    turn = complex(np.cos(2 * np.pi * line), -np.sin(2 * np.pi * line))
    rotor = 1 + 0j
    first = 0j
    second = 0j
    for n in range(len(z)):
        value = z[n] * rotor
        first += value
        second += value * value / (abs(value) + 1e-20)
        rotor *= turn
    return bool(abs(first) > PLAIN * abs(second))


@kernel("void(complex64[::1], complex64[::1])", fastmath=True)
def _squares(z: np.ndarray, out: np.ndarray) -> None:
    """Sum squares of z, over their size, by runs of len(z) // len(out)."""
    fold = len(z) // len(out)
    for k in range(len(out)):
        total = 0j
        for n in range(k * fold, (k + 1) * fold):
            a = z[n].real
            b = z[n].imag
            size = np.sqrt(a * a + b * b) + np.float32(1e-20)
            total += complex((a * a - b * b) / size, 2 * a * b / size)
        out[k] = total


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

    def feed(self, z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Take the next samples."""
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
        for begin, end in _runs(self._found[:, 1] > CARRIER, CARRIER_MARGIN):
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
            spectra = fft.forward(parts * self._window, self._bins)
            near = np.concatenate([spectra[:, -reach:], spectra[:, : reach + 1]], axis=1)
            powers = near.real**2 + near.imag**2
        self._powers = np.concatenate([self._powers, powers])
        self._squares = self._squares[looks * step :].copy()
        found = np.empty((max(len(self._powers) - 2, 0), 2))
        _peaks(self._powers, found)
        found[:, 0] = (found[:, 0] - reach) / (2 * self._bins * self._fold)
        self._powers = self._powers[len(found) :]
        known = len(self._found) - CARRIER_MARGIN  # hops from the next to be given out
        for h in np.flatnonzero(found[:, 1] > CARRIER).tolist():
            begin = self._hop // 2 + (known + h) * self._hop
            if _plain(self._z[begin : begin + self._hop], found[h, 0]):
                found[h, 1] = 0.0
        self._found = np.concatenate([self._found, found])


@kernel("float64(complex64[::1], int64, int64, float64, complex64[::1])")
def _upright(z: np.ndarray, reach: int, count: int, angle: float, out: np.ndarray) -> float:
    """Give the unit rotors that turn symbols `reach` .. `reach + count` of z upright; `angle` went before."""
    square = np.empty(count + 2 * reach, np.complex64)
    for k in range(len(square)):
        square[k] = z[k] * z[k] / (abs(z[k]) + np.float32(1e-30))
    for k in range(count):
        total = 0j
        for i in range(-reach, reach + 1):
            total += square[k + reach + i] * (reach + 1 - abs(i))
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
