"""FFTs inside compiled kernels: `LANES` of them side by side, one vector instruction for several at once.

Stockham's self-sorting radix-4 (Van Loan, "Computational frameworks for the fast Fourier transform", 1992,
1.7; from memory), real and imaginary parts in arrays of their own. Row i of LANES values holds sample i of
every transform, so all loops run along memory. What is longer than 64 is put together from two shorter ones with a
twiddle between (the four-step method, ibid. 3.3). Against scipy's back end this saves copying the frames out and
their spectra back, which costs as much as the short transforms themselves.
"""

from __future__ import annotations

import numpy as np

from earwitness.dsp.jit import kernel
from earwitness.dsp.lanes import LANES, copy, four, four_last, turn_over, unzip, unzip_times

_F, _U = "float32[::1]", "uint64"
# Signed indices would be tested for counting from the end, which keeps loops from being vectorised.
_LANES = np.uint64(LANES)


@kernel(fastmath=True, forceinline=True)
def _four(
    x: np.ndarray, u: np.ndarray, y: np.ndarray, v: np.ndarray, w: np.ndarray, groups: int, run: int
) -> None:
    """One radix-4 pass from x + iu to y + iv over `groups` butterflies of `run` values each."""
    step = np.uint64(run)
    apart = np.uint64(groups) * step
    for p in range(groups):
        k = np.uint64(p)
        for j in range(run // LANES):
            at = k * step + np.uint64(j) * _LANES
            four(x, u, at, apart, w, np.uint64(6) * k, y, v, at + np.uint64(3) * k * step, step)


@kernel(fastmath=True, forceinline=True)
def _two(
    x: np.ndarray, u: np.ndarray, y: np.ndarray, v: np.ndarray, w: np.ndarray, groups: int, run: int
) -> None:
    """One radix-2 pass in the same way."""
    q = groups * run
    for p in range(groups):
        c, s = w[2 * p], w[2 * p + 1]
        a = p * run
        b = 2 * a
        for j in range(run):
            er, ei = x[a + j] + x[a + q + j], u[a + j] + u[a + q + j]
            fr, fi = x[a + j] - x[a + q + j], u[a + j] - u[a + q + j]
            y[b + j] = er
            v[b + j] = ei
            y[b + run + j] = fr * c - fi * s
            v[b + run + j] = fr * s + fi * c


@kernel(fastmath=True, forceinline=True)
def _four_last(x: np.ndarray, u: np.ndarray, y: np.ndarray, v: np.ndarray, run: int) -> None:
    """The last radix-4 pass, which has no twiddles."""
    for j in range(run // LANES):
        four_last(x, u, np.uint64(j) * _LANES, np.uint64(run), y, v)


@kernel(fastmath=True, forceinline=True)
def _two_last(x: np.ndarray, u: np.ndarray, y: np.ndarray, v: np.ndarray, run: int) -> None:
    for j in range(run):
        y[j] = x[j] + x[run + j]
        v[j] = u[j] + u[run + j]
        y[run + j] = x[j] - x[run + j]
        v[run + j] = u[j] - u[run + j]


def _turns(length: int) -> np.ndarray:
    """Give the three twiddles of each butterfly of a radix-4 pass, float32."""
    p = np.arange(length // 4)[:, None] * np.arange(1, 4)[None, :]
    return np.exp(-2j * np.pi * p / length).astype(np.complex64).view(np.float32).ravel()


_W256, _W128, _W64, _W32, _W16, _W8 = (_turns(n) for n in (256, 128, 64, 32, 16, 8))
_HALF_TURNS = np.exp(-2j * np.pi * np.arange(16) / 32).astype(np.complex64).view(np.float32)  # of 32
_A = "void(float32[::1], float32[::1], float32[::1], float32[::1])"


@kernel(_A, fastmath=True)
def _columns8(x: np.ndarray, u: np.ndarray, y: np.ndarray, v: np.ndarray) -> None:
    _four(x, u, y, v, _W8, 2, LANES)
    _two_last(y, v, x, u, 4 * LANES)


@kernel(_A, fastmath=True)
def _columns16(x: np.ndarray, u: np.ndarray, y: np.ndarray, v: np.ndarray) -> None:
    _four(x, u, y, v, _W16, 4, LANES)
    _four_last(y, v, x, u, 4 * LANES)


@kernel(_A, fastmath=True)
def _columns32(x: np.ndarray, u: np.ndarray, y: np.ndarray, v: np.ndarray) -> None:
    _two(x, u, y, v, _HALF_TURNS, 16, LANES)
    _four(y, v, x, u, _W16, 4, 2 * LANES)
    _four_last(x, u, y, v, 8 * LANES)


@kernel(_A, fastmath=True)
def _columns64(x: np.ndarray, u: np.ndarray, y: np.ndarray, v: np.ndarray) -> None:
    _four(x, u, y, v, _W64, 16, LANES)
    _four(y, v, x, u, _W16, 4, 4 * LANES)
    _four_last(x, u, y, v, 16 * LANES)


@kernel(_A, fastmath=True)
def _columns128(x: np.ndarray, u: np.ndarray, y: np.ndarray, v: np.ndarray) -> None:
    _four(x, u, y, v, _W128, 32, LANES)
    _four(y, v, x, u, _W32, 8, 4 * LANES)
    _four(x, u, y, v, _W8, 2, 16 * LANES)
    _two_last(y, v, x, u, 64 * LANES)


@kernel(_A, fastmath=True)
def _columns256(x: np.ndarray, u: np.ndarray, y: np.ndarray, v: np.ndarray) -> None:
    _four(x, u, y, v, _W256, 64, LANES)
    _four(y, v, x, u, _W64, 16, 4 * LANES)
    _four(x, u, y, v, _W16, 4, 16 * LANES)
    _four_last(y, v, x, u, 64 * LANES)


@kernel("boolean(int64, float32[::1], float32[::1], float32[::1], float32[::1])")
def columns(length: int, x: np.ndarray, u: np.ndarray, y: np.ndarray, v: np.ndarray) -> bool:
    """Transform the columns of `length` rows of LANES values x + iu, all float32 (length * LANES,).

    `length` is a power of two from 8 to 256. The result stands in y + iv if this gives true, else in x + iu;
    the other pair is spoilt.
    """
    if length == 8:
        _columns8(x, u, y, v)
    elif length == 16:
        _columns16(x, u, y, v)
    elif length == 32:
        _columns32(x, u, y, v)
    elif length == 64:
        _columns64(x, u, y, v)
    elif length == 128:
        _columns128(x, u, y, v)
    else:
        _columns256(x, u, y, v)
    return length in (32, 64)


def split(size: int) -> tuple[int, int]:
    """Give the two lengths, the second 1 if one will do, whose product is `size`, a power of two, 8 to 65536."""
    if size <= 64:
        return size, 1
    bits = size.bit_length() - 1
    return 1 << bits // 2, 1 << bits - bits // 2


def twiddles(first: int, second: int) -> np.ndarray:
    """Give exp(-2 pi i k j / (first second)), complex64 (k = 0..first - 1, j = 0..second - 1)."""
    turn = np.outer(np.arange(first), np.arange(second)) / (first * second)
    return np.exp(-2j * np.pi * turn).astype(np.complex64)


def half_way(first: int, second: int) -> tuple[np.ndarray, np.ndarray]:
    """Give the twiddles between the two halves of a long transform in the order of use: cosines and sines, float32."""
    turns = twiddles(first, second).reshape(first, second // LANES, LANES).transpose(1, 0, 2)
    return np.ascontiguousarray(turns.real).ravel(), np.ascontiguousarray(turns.imag).ravel()


@kernel(f"void({_F}, {_F}, {_U})")
def laid_out(x: np.ndarray, out: np.ndarray, step: int) -> None:
    """Copy rows of LANES values `step` apart."""
    for r in range(len(x) // LANES):
        copy(x, np.uint64(r) * _LANES, out, np.uint64(r) * step)


@kernel(f"void(int64, int64, {_F}, {_U}, {_F}, {_F}, {_F}, float32[:,::1], {_F}, {_F})")
def first_half(
    first: int,
    second: int,
    pairs: np.ndarray,
    begin: int,
    window: np.ndarray,
    cosines: np.ndarray,
    sines: np.ndarray,
    room: np.ndarray,
    tr: np.ndarray,
    ti: np.ndarray,
) -> None:
    """Do the first of two halves of the transform of `pairs` (re, im) from index `begin` on, times the window if any.

    What is left are columns of tr + i ti. Both lengths are multiples of LANES; `window` float32 (first * second,)
    or empty; `room` float32 (4, first * LANES) is to work in.
    """
    one = first * LANES
    x, u, y, v = room[0], room[1], room[2], room[3]
    step = np.uint64(second)
    for block in range(second // LANES):
        at = np.uint64(block) * _LANES
        if len(window):
            for k in range(first):
                row = np.uint64(k)
                here = at + row * step
                unzip_times(pairs, begin + here + here, window, here, x, u, row * _LANES)
        else:
            for k in range(first):
                row = np.uint64(k)
                here = at + row * step
                unzip(pairs, begin + here + here, x, u, row * _LANES)
        if columns(first, x, u, y, v):
            s, t = y, v
        else:
            s, t = x, u
        for square in range(first // LANES):
            place = np.uint64(square) * _LANES * _LANES
            turns = np.uint64(block * one) + place
            to = np.uint64(square) * step * _LANES + at * _LANES
            turn_over(s, t, place, cosines, sines, turns, tr, ti, to)


@kernel(f"void(int64, int64, {_F}, {_F}, {_F}, {_F}, float32[:,::1])", fastmath=True)
def second_half(
    first: int,
    second: int,
    tr: np.ndarray,
    ti: np.ndarray,
    re: np.ndarray,
    im: np.ndarray,
    room: np.ndarray,
) -> None:
    """Do the second half: re + i im is the transform in its natural order; tr + i ti is spoilt.

    `room` float32 (2, second * LANES) is to work in.
    """
    two = second * LANES
    y, v = room[0], room[1]
    for block in range(first // LANES):
        a, b = tr[block * two : block * two + two], ti[block * two : block * two + two]
        if columns(second, a, b, y, v):
            a, b = y, v
        laid_out(a, re[block * LANES :], np.uint64(first))
        laid_out(b, im[block * LANES :], np.uint64(first))
