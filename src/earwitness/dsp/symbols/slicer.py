"""The filter: soft symbols from the samples around them, fitted hop by hop."""

from __future__ import annotations

import numpy as np

from earwitness.dsp.jit import kernel
from earwitness.dsp.symbols.strength import HOP, nearby

BLOCK = 16  # symbols whose spread is compared, to tell a burst from the noise beside it
AROUND = 96  # symbols either side of a hop that its filter is fitted to
# A first look at symbols of which one in ten is wrong has its two clusters hold 0.72 of its power, noise 0.64; flags and
# stuffed bits change at least every eighth symbol
LEAST_SPLIT = 0.69
LEAST_CHANGES = 20
# of the distance between clusters that a change takes: what is slower than symbols takes less
LEAST_STEP = 0.6
BESIDE = 2  # hops either side of one that can be read that are read with it: a burst's ends are mostly noise


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
        self._first = np.concatenate([self._first, first, np.zeros(lack, np.float32)])
        known = len(self._good) - BESIDE  # hops from the next to be given
        fresh = max((len(self._first) - 2 * AROUND) // HOP - known, 0)
        good = np.zeros(known + BESIDE + fresh + (BESIDE if last else 0), bool)
        good[: known + BESIDE] = self._good
        _readable(self._first[known * HOP :], self._louder, good[known + BESIDE :][:fresh])
        chosen = nearby(good, BESIDE)
        if last and not chosen.any():
            return np.empty(0), np.empty(0, np.float32), np.empty((0, 3))
        self._x = np.concatenate([self._x, x, np.zeros((len(x), lack), np.float32)], axis=1)
        self._places = np.concatenate([self._places, places, np.full(lack, np.inf)])
        self._good = good
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
