"""Hops of symbols, the line of their clock in each, and which hops are worth reading."""

from __future__ import annotations

import numpy as np

from earwitness.dsp.jit import kernel

OS = 4  # samples per symbol
HOP = 64  # symbols worked on at a time
HOP_SAMPLES = OS * HOP
REACH = 6  # hops either side of one that its clock is estimated from
DRIFT = 0.007  # clock error that is followed, relative
DRIFTS = 24  # steps tried each way
UNLIKELY = 0.3  # how much less the largest is believed than none
# Of a clock's line over REACH + 1 hops and over 2 REACH + 1: 1 hop of noise in 100 has more, and symbols that can be
# read have it in one hop of 2 MARGIN
LINE_SHORT, LINE_LONG = 0.065, 0.048
LEAST = 0.9  # so near to those a hop counts as strong: the shortest frames have few hops
MARGIN = 8  # hops either side of one with a clock that are read with it

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


@kernel("boolean[::1](boolean[::1], int64)")
def nearby(strong: np.ndarray, margin: int) -> np.ndarray:
    """Tell which hops are within `margin` of a strong one; `strong` begins and ends `margin` beyond them."""
    near = np.zeros(max(len(strong) - 2 * margin, 0), np.bool_)
    begin = 0  # of what is not told of yet
    for k in range(len(strong)):
        if strong[k]:
            begin = max(begin, k - 2 * margin)
            end = min(k + 1, len(near))
            while begin < end:
                near[begin] = True
                begin += 1
    return near


@kernel("Tuple((boolean[::1], complex64[::1], boolean[::1]))(complex64[::1], complex64[::1], boolean[::1], float32[:,:,::1], float32[::1], float64)")  # fmt: skip
def _judged(
    held: np.ndarray,
    shares: np.ndarray,
    strong: np.ndarray,
    turns: np.ndarray,
    belief: np.ndarray,
    least: float,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Give which of the hops that are known are near strong ones, the shares and the strong hops still needed."""
    shares = np.concatenate((held, shares))
    count = max(len(shares) - 2 * REACH, 0)
    strength = np.empty(count, np.float32)
    if count:
        _clock_strengths(shares, turns, belief, strength)
    strong = np.concatenate((strong, strength > least))
    near = nearby(strong, MARGIN)
    return near, shares[count:].copy(), strong[len(near) :].copy()


class Strength:
    """Tells from the clock's line in hops which of them are to be read: those near one where it stands out."""

    def __init__(self, least: float = LEAST) -> None:
        self._least = least  # so strong a hop counts
        self._shares = np.zeros(REACH, np.complex64)  # REACH before the next hop whose strength is not known
        self._strong = np.zeros(MARGIN, bool)  # MARGIN before the next hop to be given

    def feed(self, shares: np.ndarray) -> np.ndarray:
        """Take the line's share in the next hops, complex64 (n,); give bool for hops REACH + MARGIN before."""
        near, self._shares, self._strong = _judged(
            self._shares, shares, self._strong, TURNS, BELIEF, self._least
        )
        return np.asarray(near)
