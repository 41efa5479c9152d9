"""The two windowed transforms of a stream and the census of its samples, each one pass in a compiled kernel.

Window, transform, power and its sum over frames go on inside the first-level cache, frame by frame; no frames
are copied out and no spectra are kept. Samples come as float32 pairs (re, im).
"""

from __future__ import annotations

import numpy as np

from earwitness.dsp.fft_columns import columns, first_half, half_way, laid_out, split, twiddles
from earwitness.dsp.jit import kernel
from earwitness.dsp.lanes import LANES, add_power, scale, turn, unzip_over

_AT_ONCE = 128  # points up to which LANES transforms side by side stay in the first-level cache
_F, _U = "float32[::1]", "uint64"
# Signed indices would be tested for counting from the end, which keeps loops from being vectorised.
_LANES, _ONE = np.uint64(LANES), np.uint64(1)


@kernel(f"void({_F}, float32, {_F})", fastmath=True)
def _centred(x: np.ndarray, share: float, out: np.ndarray) -> None:
    """Write x times `share` with its halves exchanged."""
    half = len(x) // 2
    low, high = out[:half], out[half:]
    late = x[half:]
    for i in range(half):
        low[i] = late[i] * share
    for i in range(half):
        high[i] = x[i] * share


@kernel(f"void({_F}, {_F}, {_F})", fastmath=True)
def _mirror(re: np.ndarray, im: np.ndarray, out: np.ndarray) -> None:
    """Fill `out` with pairs of X[+k] X[-k]."""
    size = np.uint64(len(re))
    out[0] = re[0] * re[0] - im[0] * im[0]
    out[1] = 2 * re[0] * im[0]
    for n in range(1, len(re) // 2):
        k = np.uint64(n)
        a, b = re[k], im[k]
        c, d = re[size - k], im[size - k]
        out[k + k] = a * c - b * d
        out[k + k + _ONE] = a * d + b * c


@kernel(
    f"void({_F}, {_F}, int64, int64, int64, int64, {_F}, {_F}, float32[:,::1], float32[:,::1])",
    fastmath=True,
)
def _fine(
    x: np.ndarray,
    window: np.ndarray,
    hop: int,
    frames: int,
    first: int,
    second: int,
    cosines: np.ndarray,
    sines: np.ndarray,
    power: np.ndarray,
    mirror: np.ndarray,
) -> None:
    """Fill rows of power (zero frequency in the middle) and mirror products: `Plan` and `SpectrumBlock`."""
    size = len(window)
    re, im = np.empty(size, np.float32), np.empty(size, np.float32)
    tr, ti = np.empty(size, np.float32), np.empty(size, np.float32)
    two = second * LANES
    room = np.empty((4, first * LANES), np.float32)
    y2, v2 = np.empty(two, np.float32), np.empty(two, np.float32)
    sums = np.empty(size, np.float32)
    line = np.empty(size, np.float32)
    share = np.float32(1.0 / frames)
    step = np.uint64(first)
    for r in range(power.shape[0]):
        sums[:] = 0
        for f in range(frames):
            begin = np.uint64(2 * (r * frames + f) * hop)
            first_half(first, second, x, begin, window, cosines, sines, room, tr, ti)
            for block in range(first // LANES):
                a, b = tr[block * two : block * two + two], ti[block * two : block * two + two]
                if columns(second, a, b, y2, v2):
                    a, b = y2, v2
                total = sums[block * two : block * two + two]
                for k in range(second):
                    at = np.uint64(k) * _LANES
                    add_power(a, b, at, total, at)
                if f == 0:
                    laid_out(a, re[block * LANES :], step)
                    laid_out(b, im[block * LANES :], step)
            if f == 0:
                _mirror(re, im, mirror[r])
        for block in range(first // LANES):
            laid_out(sums[block * two : block * two + two], line[block * LANES :], step)
        _centred(line, share, power[r])


class FineTransform:
    """Rows of mean power of `frames` windowed transforms each, `hop` samples apart."""

    def __init__(self, window: np.ndarray, hop: int, frames: int):
        """Take a window float32 (size,), size a power of two from 256 to 65536."""
        self._window = window
        self._hop = hop
        self._frames = frames
        self._split = split(len(window))
        first, second = self._split
        self._cosines, self._sines = half_way(first, second)

    def rows(self, x: np.ndarray, count: int) -> tuple[np.ndarray, np.ndarray]:
        """Give `count` rows of power, float32 (count, size), and mirror products, complex64 (count, size // 2).

        `x` float32 holds pairs enough for all their frames.
        """
        size = len(self._window)
        power = np.empty((count, size), np.float32)
        mirror = np.empty((count, size // 2), np.complex64)
        _fine(
            x, self._window, self._hop, self._frames, *self._split, self._cosines, self._sines, power,
            mirror.view(np.float32),
        )  # fmt: skip
        return power, mirror


@kernel(f"void({_F}, int64, int64, {_U}, {_F}, {_F})")
def _side_by_side(x: np.ndarray, hop: int, count: int, wide: int, re: np.ndarray, im: np.ndarray) -> None:
    """Write pair j of hop g of `count` to re, im[j * wide + g]."""
    done = 0
    if count >= LANES and hop % LANES == 0:
        for j in range(hop // LANES):
            at = np.uint64(j) * _LANES
            unzip_over(x, at + at, np.uint64(2 * hop), re, im, at * wide, wide)
        done = LANES
    for g in range(done, count):
        at = np.uint64(2 * g * hop)
        to = np.uint64(g)
        for _ in range(hop):
            re[to] = x[at]
            im[to] = x[at + _ONE]
            at += _ONE + _ONE
            to += wide


@kernel(f"void({_F}, {_F}, int64, int64, int64, int64, {_F}, {_F}, float32[:,::1])")
def _quick(
    x: np.ndarray,
    window: np.ndarray,
    hop: int,
    group: int,
    first: int,
    second: int,
    cosines: np.ndarray,
    sines: np.ndarray,
    out: np.ndarray,
) -> None:
    """Fill bands of power over time; band 0 begins at the lowest frequency. LANES frames go side by side.

    `window`, `cosines` and `sines` stand in the order of use: `QuickTransform`.
    """
    size = first * second
    reach = size // hop  # hops a frame spans
    wide = LANES + reach - 1
    rows = np.empty(size, np.uint64)  # where each sample of the frames stands, and the band of each bin
    bands = np.empty(size, np.uint64)
    for i in range(size):
        rows[i] = i % hop * wide + i // hop
        bands[i] = (i + size // 2) % size // group * LANES
    xr, xi = np.empty(hop * wide, np.float32), np.empty(hop * wide, np.float32)
    br, bi = np.empty(size * LANES, np.float32), np.empty(size * LANES, np.float32)
    one, two = first * LANES, second * LANES
    x1, u1 = np.empty(one, np.float32), np.empty(one, np.float32)
    y1, v1 = np.empty(one, np.float32), np.empty(one, np.float32)
    y2, v2 = np.empty(two, np.float32), np.empty(two, np.float32)
    sums = np.empty(size // group * LANES, np.float32)
    for begin in range(0, out.shape[1], LANES):
        count = min(LANES, out.shape[1] - begin)
        _side_by_side(x[2 * begin * hop :], hop, count + reach - 1, np.uint64(wide), xr, xi)
        sums[:] = 0
        for c in range(second):
            for k in range(first):
                row = rows[k * second + c]
                by = window[c * first + k]
                to = np.uint64(k) * _LANES
                scale(xr, row, by, x1, to)
                scale(xi, row, by, u1, to)
            if columns(first, x1, u1, y1, v1):
                s, t = y1, v1
            else:
                s, t = x1, u1
            if second == 1:
                for k in range(first):
                    add_power(s, t, np.uint64(k) * _LANES, sums, bands[k])
                break
            for k in range(first):
                turned = c * first + k
                to = np.uint64(k * second + c) * _LANES
                turn(s, t, np.uint64(k) * _LANES, cosines[turned], sines[turned], br, bi, to)
        for k in range(first if second > 1 else 0):
            s, t = br[k * two : k * two + two], bi[k * two : k * two + two]
            if columns(second, s, t, y2, v2):
                s, t = y2, v2
            for j in range(second):
                add_power(s, t, np.uint64(j) * _LANES, sums, bands[k + j * first])
        for b in range(out.shape[0]):
            out[b, begin : begin + count] = sums[b * LANES : b * LANES + count]


class QuickTransform:
    """Power in groups of neighbouring bins of single windowed transforms."""

    def __init__(self, window: np.ndarray, hop: int, group: int):
        """Take a window float32 (size,), size a power of two from 8 to 65536 and a multiple of `hop`."""
        self._bands = len(window) // group
        self._hop = hop
        self._group = group
        first, second = self._split = (size, 1) if (size := len(window)) <= _AT_ONCE else split(size)
        turns = twiddles(first, second)
        self._tables = [
            np.ascontiguousarray(table.reshape(first, second).T, np.float32).ravel()
            for table in (window, turns.real, turns.imag)
        ]

    def rows(self, x: np.ndarray, count: int) -> np.ndarray:
        """Give `count` readings of each band, float32 (bands, count); `x` float32 holds pairs enough for all their frames."""
        out = np.empty((self._bands, count), np.float32)
        window, cosines, sines = self._tables
        _quick(x, window, self._hop, self._group, *self._split, cosines, sines, out)
        return out


@kernel(
    f"void({_F}, int64, float32, int32[::1], complex64[::1], complex64[::1], {_F}, int32[::1])",
    fastmath=True,
)
def census(
    x: np.ndarray,
    row: int,
    rail: float,
    clipped: np.ndarray,
    dc: np.ndarray,
    square: np.ndarray,
    total: np.ndarray,
    zeros: np.ndarray,
) -> None:
    """Take per row of `row` pairs what tells of the receiver itself: see `SpectrumBlock` for each."""
    scale = np.float32(1.0 / row)
    for r in range(len(clipped)):
        part = x[2 * r * row : 2 * (r + 1) * row]
        sr = si = rr = ii = ri = rails = alive = np.float32(0)
        for i in range(row):
            n = np.uint64(i)
            a, b = part[n + n], part[n + n + _ONE]
            sr += a
            si += b
            rr += a * a
            ii += b * b
            ri += a * b
            m = max(abs(a), abs(b))
            rails += np.float32(1) if m >= rail else np.float32(0)
            alive += np.float32(1) if m > np.float32(0) else np.float32(0)
        clipped[r] = int(rails)
        zeros[r] = row - int(alive)
        dc[r] = complex(sr * scale, si * scale)
        square[r] = complex((rr - ii) * scale, 2 * ri * scale)
        total[r] = (rr + ii) * scale
