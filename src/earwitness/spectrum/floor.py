"""The noise floor over frequency and time, robust against what is on the air.

Method, after the "80 % method" of ITU-R SM.1880 (the lowest 20 % of the readings, averaged; SM.1753 has it as
the 20 % method), made unbiased: cells of a few rows by a few bins are sorted within local windows of the span,
the mean of the lowest 20 % is divided by its expectation for the number of looks in a cell (9.65 dB low at one
look), and the start is refined by excision: cells above what noise exceeds once in a thousand are dropped, the
rest averaged, until it stands still. The refinement matters because "lowest 20 % of all" is "lowest 40 % of
the noise" where half the cells are occupied. The receiver's own passband shape is learnt slowly from cells in
which nothing was detected and divided out before.

A steady signal wider than the windows would be taken for noise. It is told by its edges: the mean spectrum steps up
and down again within a hundredth of the span, which neither noise nor a passband does (own rule, no source); its
bins are left out, and the floor goes on from one side to the other. Of one that takes most of the span edges alone
say nothing, since a receiver's filter has them too: that it repeats (`repeats`) or has a symbol clock (`symbols`)
tells it. Under one that fills the span, the floor is the share of the power that does not.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from earwitness.dsp.jit import kernel
from earwitness.spectrum.repeats import Repeat
from earwitness.spectrum.stft import Plan, looks
from earwitness.spectrum.symbols import Carrier

CELL_ROWS = 8
CELL_BINS = 4
_SHARE = 0.2
_CLIP = 1e-3  # share of the noise that excision drops
_FOLLOW = 0.04  # weight of the newest rows in the level, once it is settled
_STEP = 1.4  # power ratio of a wide signal's edge
_SMOOTH = 9  # columns
# shares of the span: what an edge is judged over, widths of such signals
_EDGE, _LEAST, _MOST = 0.015, 0.05, 0.7
_MOST_SURE = 0.93  # of what repeats: beyond that no noise is left beside it
_MOST_KNOWN = 0.96  # of signals whose edges are known
# of the noise further in: where a filter's slope begins, how far it is followed
_FALLS, _LEAST_ROLL = 0.93, 0.2
_FALL_DOUBT = 1.12  # its level is taken so much higher until it is learnt
_LEAST_LEARN, _LEAST_MEMORY = 4.0, 64.0  # batches, however long they last, of learning the shape
_SILENT = 1e-30  # power of a bin that holds nothing
_LOWEST = 1e-7  # of the strongest bin: the window's leakage and single precision end there


def lowest_mean(count: float, share: float = _SHARE) -> float:
    """Give the mean of the lowest `share` of unit-mean noise powers averaged over `count` looks.

    The truncated mean of a gamma distribution: P(N + 1, x) / share with P(N, x) = share.
    """
    from scipy.special import gammainc, gammaincinv

    return float(gammainc(count + 1, gammaincinv(count, share)) / share)


@kernel("float64(float32[::1], float64, float64, float64)", fastmath=True)
def robust_level(cells: np.ndarray, low_mean: float, clip: float, clipped_mean: float) -> float:
    """Give the noise mean of `cells`, none negative: lowest 20 %, corrected, then excision.

    Nothing is sorted: the value that parts the lowest is sought by halving, in the order that positive floats
    share with the integers of their bits.
    """
    few = max(1, int(0.2 * len(cells)))
    bits = cells.view(np.int32)
    low, high = np.int32(0), np.int32(0)  # `few` cells or more are up to `high`, fewer up to `low` - 1
    for i in range(len(bits)):
        high = max(high, bits[i])
    while low < high:
        middle = np.int32(low + (high - low) // 2)
        count = np.float32(0)  # in floats, so that the compiler vectorises it
        for i in range(len(bits)):
            count += np.float32(1) if bits[i] <= middle else np.float32(0)
        if count >= few:
            high = middle
        else:
            low = np.int32(middle + 1)
    total = 0.0
    less = np.float32(0)
    edge = np.float32(0)
    for i in range(len(bits)):
        total += float(cells[i]) if bits[i] < high else 0.0
        less += np.float32(1) if bits[i] < high else np.float32(0)
        edge = max(edge, cells[i] if bits[i] <= high else np.float32(0))
    level = float((total + (few - less) * edge) / few / low_mean)
    for _ in range(12):
        total = 0.0
        count = np.float32(0)
        most = clip * level
        for i in range(len(cells)):
            total += float(cells[i]) if cells[i] <= most else 0.0
            count += np.float32(1) if cells[i] <= most else np.float32(0)
        if count <= few:
            break
        refined = float(total / count / clipped_mean)
        if abs(refined - level) < 1e-4 * level:
            break
        level = refined
    return level


@kernel("float32[:,::1](float32[:,::1], float32[::1], int64, int64)", fastmath=True)
def pool(power: np.ndarray, shape: np.ndarray, rows: int, bins: int) -> np.ndarray:
    """Give means of power / shape over cells of `rows` x `bins`."""
    down = power.shape[0] // rows
    across = power.shape[1] // bins
    out = np.zeros((down, across), np.float32)
    scale = np.float32(1.0 / (rows * bins))
    line = np.empty(power.shape[1], np.float32)
    for d in range(down):
        line[:] = power[d * rows]
        for r in range(d * rows + 1, d * rows + rows):
            line += power[r]
        for a in range(across):
            total = np.float32(0)
            for i in range(a * bins, a * bins + bins):
                total += line[i] / shape[i]
            out[d, a] = total * scale
    return out


@kernel("float64(float32[:,::1])", fastmath=True)
def _strongest_mean(power: np.ndarray) -> float:
    """Give the greatest mean of a column."""
    total = np.zeros(power.shape[1], np.float32)
    for line in power:
        total += line
    return float(total.max() / power.shape[0])


@kernel("float64[::1](float32[:,::1], boolean[::1], int64, int64, float64, float64, float64)")
def _levels(
    cells: np.ndarray,
    filled: np.ndarray,
    width: int,
    count: int,
    low_mean: float,
    clip: float,
    clipped_mean: float,
) -> np.ndarray:
    """Give the robust level of `count` evenly spaced windows of `width` columns, NaN where signals fill most."""
    out = np.empty(count)
    for w in range(count):
        first = (cells.shape[1] - width) * w // max(1, count - 1)
        free = np.flatnonzero(~filled[first : first + width])
        if 4 * len(free) < width:
            out[w] = np.nan
            continue
        some = np.empty((cells.shape[0], len(free)), np.float32)
        for r in range(cells.shape[0]):
            for i in range(len(free)):
                some[r, i] = cells[r, first + free[i]]
        out[w] = robust_level(some.ravel(), low_mean, clip, clipped_mean)
    return out


@kernel("float64[::1](float64[::1], int64)")
def _running_median(values: np.ndarray, reach: int) -> np.ndarray:
    """Give the median of the `reach` values from each place on; they are kept in order as they come and go."""
    out = np.empty(len(values) - reach + 1)
    order = np.sort(values[:reach])
    for c in range(len(out)):
        if c > 0:
            old, new = values[c - 1], values[c + reach - 1]
            i = 0
            while i + 1 < reach and order[i] != old:
                i += 1
            while i + 1 < reach and order[i + 1] < new:
                order[i] = order[i + 1]
                i += 1
            while i > 0 and order[i - 1] > new:
                order[i] = order[i - 1]
                i -= 1
            order[i] = new
        out[c] = (order[(reach - 1) // 2] + order[reach // 2]) / 2
    return out


@kernel("float32[::1](float32[:,::1])")
def _column_medians(cells: np.ndarray) -> np.ndarray:
    """Give the median of each column of a few rows: all columns sorted side by side, by swaps of neighbours."""
    rows, columns = cells.shape
    order = cells.copy()
    for n in range(rows):
        for r in range(n % 2, rows - 1, 2):
            above, below = order[r], order[r + 1]
            for c in range(columns):
                one, two = above[c], below[c]
                above[c] = one if one < two else two
                below[c] = two if one < two else one
    return (order[(rows - 1) // 2] + order[rows // 2]) * np.float32(0.5)


@kernel("void(float64[::1], int64, float64, int64, int64, boolean[::1])")
def wide_signals(
    mean: np.ndarray, reach: int, step: float, least: int, most: int, filled: np.ndarray
) -> None:
    """Mark the columns of a mean spectrum that lie between a step up and the step down again.

    An edge is a ratio of at least `step` between the medians of the `reach` columns on its two sides. At either end
    of the span the other edge may be missing, but only of what rises towards that end: a passband falls.
    """
    n = len(mean)
    filled[:] = False
    jump = np.ones(n)  # beyond column c over before it
    middle = _running_median(mean, reach)
    for c in range(reach, n - reach + 1):
        jump[min(c, n - 1)] = middle[c] / middle[c - reach]
    begin, outside = 0, 0.0  # of what may be a signal, and the level before it; 0: it begins with the span
    c = reach
    while c <= n - reach:
        last = min(c + reach, n)
        if jump[c] > step and jump[c] == jump[max(c - reach, 0) : last].max():
            if begin < 0 or outside == 0 or middle[c - reach] < step * outside:
                begin, outside = c, middle[c - reach]
        elif begin >= 0 and jump[c] * step < 1 and jump[c] == jump[max(c - reach, 0) : last].min():
            after = middle[c]
            inside = np.median(mean[begin:c])
            if least <= c - begin <= most and inside > step * max(after, outside):
                filled[begin:c] = True
            if after < step * outside or outside == 0:
                begin = -1
        c += 1
    if begin > 0 and least <= n - begin <= most and np.median(mean[begin:]) > step * outside:
        filled[begin:] = True


class NoiseFloor:
    """Follows the noise power per bin of a stream of rows; `level` is float32 (bins,), linear."""

    def __init__(self, of: Plan, repeat: Repeat | None = None, carriers: Sequence[Carrier] = ()):
        from scipy.special import gammainc, gammainccinv

        self._count = looks(of, CELL_ROWS, CELL_BINS)
        self._low = lowest_mean(self._count)
        self._clip = float(gammainccinv(self._count, _CLIP) / self._count)
        self._clipped = float(gammainc(self._count + 1, self._clip * self._count) / (1 - _CLIP))
        self._bins = of.size
        columns = of.size // CELL_BINS
        self._width = max(8, columns // 8)
        self._windows = 15 if columns > 16 else 3
        first = [(columns - self._width) * w // max(1, self._windows - 1) for w in range(self._windows)]
        self._centers = (np.array(first) + self._width / 2) * CELL_BINS
        self._base: np.ndarray | None = None
        self._mean: np.ndarray | None = None  # of each column
        self._filled = np.zeros(columns, bool)
        self._sure = bool(carriers) or (repeat is not None and repeat.mostly)
        self._most = _MOST_SURE if self._sure else _MOST
        self._noise = repeat.noise if repeat is not None and repeat.fills else 1.0  # share of what is there
        self._known = np.zeros(columns, bool)  # in the bands of single carriers
        bands = [(one.low, one.high) for one in carriers] + (repeat.runs() if repeat is not None else [])
        for band in bands:
            low, high = (round((edge + 0.5) * columns) for edge in band)
            self._known[max(low - 1, 0) : high + 1] = True
        if carriers and self._known.mean() > _MOST_KNOWN:
            self._noise = max(one.noise for one in carriers)
            self._known[:] = False
        self._raw = np.ones(columns)  # of each column over the noise further in, the shape not divided out
        self._roll = np.ones(columns)  # of the filter before the converter, towards the ends of the span
        self._warm = 0.0
        # How well the level is known after the first four batches, as a fraction.
        self.spread = 1.2 / np.sqrt(self._count * 4 * 64 / CELL_ROWS * self._width)
        self.settled_spread = self.spread * 2 * np.sqrt(_FOLLOW / 2)
        self.shape = np.ones(of.size, np.float32)
        self._learnt_shape = np.ones(of.size)
        self._seen = np.zeros(of.size // 8)
        self._learnt = np.ones(of.size // 8)
        self._shape_looks = looks(of, 64, 8)
        self._learn_after = max(2.0 / (64 * of.row_s), _LEAST_LEARN)
        self._memory = max(10.0 / (64 * of.row_s), _LEAST_MEMORY)
        self._updates = 0
        self.level = np.ones(of.size, np.float32)

    def update(self, power: np.ndarray) -> None:
        """Take rows of power (rows, bins), a multiple of 8 rows, and follow their noise."""
        cells = pool(power, self.shape, CELL_ROWS, CELL_BINS)
        self._find_wide(cells)
        # The edges of what takes most of the span are no slope of a filter.
        narrow = not self._sure and np.count_nonzero(self._filled) <= _MOST * len(self._filled)
        if narrow and self._updates < self._learn_after and self._find_roll(cells):
            cells = pool(power, self.shape, CELL_ROWS, CELL_BINS)
            self._find_wide(cells)
        found = _levels(cells, self._filled, self._width, self._windows, self._low, self._clip, self._clipped)
        sound = ~np.isnan(found)
        if not sound.any():
            found[:] = float(np.median(cells[:, ~self._filled])) if not self._filled.all() else 0.0
        elif not sound.all():
            found = np.interp(np.arange(len(found)), np.flatnonzero(sound), found[sound])
        least = max(_strongest_mean(power) * _LOWEST, 1e-16)
        found = np.maximum(found, least)
        # A window that a wide signal fills, or that lies on the slope of the passband, is told by its neighbours.
        median = _running_median(np.concatenate([found[2:0:-1], found, found[-2:-4:-1]]), 5)
        found = np.clip(found, 0.8 * median, 1.25 * median) * self._noise
        if self._base is None:
            self._base = found
            self._warm = power.shape[0] / 64
        else:
            ratio = found / self._base
            step = float(np.median(ratio))
            if not 0.8 < step < 1.25:
                self._base = self._base * step  # the gain changed
                ratio = ratio / step
            share = max(1 / (self._warm + 1), _FOLLOW)
            self._warm += power.shape[0] / 64
            self._base = self._base * (1 + share * (np.clip(ratio, 0.5, 1.25) - 1))
        self._refresh()

    def _find_roll(self, cells: np.ndarray) -> bool:
        """Find how the noise falls towards both ends of the span, until the shape is learnt; tell whether it does.

        It only falls: what rises again on the way out is a signal. The reference is the lowest of what is further in.
        """
        n = cells.shape[1]
        raw = cells * self.shape[::CELL_BINS]
        here = _column_medians(raw)
        share = 1 / (self._warm * 64 / CELL_ROWS / len(cells) + 1)
        outer = max(self._width, 8)
        before = self._roll.copy()
        further_in = (slice(outer, 2 * outer), slice(n - 2 * outer, n - outer), slice(outer, n - outer))
        # Signals may fill one of them.
        level = min(
            robust_level(raw[:, where].ravel(), self._low, self._clip, self._clipped) for where in further_in
        )
        for side in (slice(None), slice(None, None, -1)):
            mean = self._raw[side][:outer]
            mean += share * (here[side][:outer] / max(level, 1e-30) - mean)
            smooth = np.convolve(np.pad(mean, 2, mode="edge"), np.full(5, 0.2), "valid")
            fall = np.minimum.accumulate(smooth[::-1])[::-1]
            roll = np.clip(fall * _FALL_DOUBT, _LEAST_ROLL, 1.0)
            self._roll[side][:outer] = np.where(fall < _FALLS, roll, 1.0)
        if n < 4 * outer or np.array_equal(before, self._roll):
            return False
        self._mean = None
        self._reshape()
        return True

    def _reshape(self) -> None:
        self.shape = (self._learnt_shape * np.repeat(self._roll, CELL_BINS)).astype(np.float32)

    def _find_wide(self, cells: np.ndarray) -> None:
        """Find the signals that are wider than a window can bear."""
        here = np.maximum(_column_medians(cells).astype(np.float64), _SILENT)
        if self._mean is None:
            self._mean = here
        else:
            share = max(len(cells) / (8 * self._warm + len(cells)), _FOLLOW)
            self._mean += share * (here - self._mean)
        n = len(here)
        wide_signals(
            self._mean,
            max(4, round(_EDGE * n)),
            _STEP,
            round(_LEAST * n),
            round(self._most * n),
            self._filled,
        )
        if self._noise < 1:
            self._filled[:] = False
        elif self._known.any():
            self._filled |= self._known
            self._leave_out_ends()

    def _leave_out_ends(self) -> None:
        """Leave out what lies beside known signals where the passband falls to the ends of the span: what is left is little."""
        free = ~self._filled
        for side in (slice(None), slice(None, None, -1)):
            mean, beside = self._mean[side], free[side]  # type: ignore[index]
            count = len(beside) if beside.all() else int(np.argmin(beside))
            outer = min(count, self._width)
            if outer >= 2 * _SMOOTH:
                smooth = np.convolve(mean[:outer], np.full(_SMOOTH, 1 / _SMOOTH), "valid")
                beside[: int(np.argmax(smooth > _FALLS * np.quantile(smooth, 0.9)))] = False
        if free.any():
            self._filled = ~free

    def learn(self, power: np.ndarray, free: np.ndarray) -> None:
        """Take 64 rows of power over `level` and which cells are free (uint8); learn the passband's shape."""
        self._updates += 1
        if self._updates < self._learn_after:
            return
        total, count = _free_sums(power, free)
        usable = count > 0.5 * power.shape[0] * 8
        here = np.where(usable, total / np.maximum(count, 1), 1.0)
        self._seen = self._seen + usable
        rate = usable / np.minimum(np.maximum(self._seen, 1) + 8, self._memory)
        self._learnt = self._learnt * (1 + rate * (np.clip(here, 0.5, 2) - 1))
        smooth = np.convolve(np.pad(self._learnt, 1, mode="edge"), [0.25, 0.5, 0.25], "valid")
        spread = 1 / (self._shape_looks * np.minimum(self._seen + 1, self._memory))
        off = smooth - 1
        trusted = 1 + off * np.maximum(0, 1 - 4 * spread / np.maximum(off**2, 1e-12))
        self._learnt_shape = np.repeat(trusted, 8)
        self._reshape()
        self._refresh()

    def _refresh(self) -> None:
        if self._base is None:
            return
        base = np.interp(np.arange(self._bins), self._centers, self._base)
        self.level = (base * self.shape).astype(np.float32)


@kernel("Tuple((float64[::1], float64[::1]))(float32[:,::1], uint8[:,::1])", fastmath=True)
def _free_sums(power: np.ndarray, free: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    groups = power.shape[1] // 8
    total = np.zeros(groups)
    count = np.zeros(groups)
    for r in range(power.shape[0]):
        for g in range(groups):
            s = np.float32(0)
            c = 0
            for i in range(g * 8, g * 8 + 8):
                s += power[r, i] * free[r, i]
                c += free[r, i]
            total[g] += s
            count[g] += c
    return total, count
