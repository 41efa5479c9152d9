"""The energy detector: boxes of many sizes over time and frequency, each with its share of the false alarms.

A box is `rows` x `bins` cells; its statistic is the mean power over the noise floor, which for noise alone is
gamma distributed with as many looks as the window's correlation leaves (energy detector on averaged
transforms, textbook; check values in the tests). Small boxes go first. What a box claims is taken out before
larger ones look, so that a strong signal does not smear over them and a weak one beside it is still seen.
"""

from __future__ import annotations

import numpy as np

from earwitness.dsp.jit import kernel
from earwitness.spectrum.stft import Plan, looks

BATCH = 64  # rows judged at once
HISTORY = 64  # rows before them that are still at hand
TIMES = (1, 4, 16, 64)  # rows of a box
_OVERSAMPLING = 3.0  # boxes slide, so there are more tries than disjoint boxes


def widths(bins: int) -> tuple[int, ...]:
    """Give the box widths in bins: powers of two up to an eighth of the span."""
    return tuple(2**k for k in range(bins.bit_length()) if 2**k <= max(1, bins // 8))


def gamma_threshold(count: float, false_alarm: float) -> float:
    """Give the level that a unit-mean average of `count` looks exceeds with probability `false_alarm`."""
    from scipy.special import gammainccinv

    return float(gammainccinv(count, false_alarm) / count)


def box_false_alarm(of: Plan, rows: int, bins: int, boxes: int, per_hour: float) -> float:
    """Give the false-alarm probability of one box, `boxes` shapes sharing `per_hour`."""
    tries = _OVERSAMPLING * 3600 / (rows * of.row_s) * of.size / bins
    return float(min(0.1, per_hour / boxes / tries))


def thresholds(of: Plan, per_hour: float, floor_spread: float) -> np.ndarray:
    """Give the thresholds, float32 (times, widths), over a floor known to the fraction `floor_spread`."""
    across = widths(of.size)
    boxes = len(TIMES) * len(across)
    out = np.empty((len(TIMES), len(across)), np.float32)
    for t, rows in enumerate(TIMES):
        for w, bins in enumerate(across):
            count = looks(of, rows, bins)
            level = gamma_threshold(count, box_false_alarm(of, rows, bins, boxes, per_hour))
            out[t, w] = 1 + (level - 1) * np.sqrt(1 + count * floor_spread**2)
    return out


@kernel("void(float32[:,::1], float32[::1], float32[:,::1])", fastmath=True)
def normalise(power: np.ndarray, level: np.ndarray, out: np.ndarray) -> None:
    """Fill `out` with power over noise."""
    inverse = np.float32(1) / level
    for r in range(power.shape[0]):
        for b in range(power.shape[1]):
            out[r, b] = power[r, b] * inverse[b]


@kernel("int64(float32[:,::1], uint8[:,::1], int64)", fastmath=True)
def mask_skirts(ratio: np.ndarray, mask: np.ndarray, first: int) -> int:
    """Set cells to 1 that the window's side lobes, or the click of a keyed edge, of a strong signal explain.

    Side lobes: -64 dB, falling 18 dB per octave from three bins on. A row in which a strong signal comes or
    goes cuts the window short, which leaves (1 / pi k)^2 of it k bins away. A factor of 3 covers noise on it.
    """
    rows, bins = ratio.shape
    blocks = bins // 8
    top = np.empty(blocks, np.float32)
    skirt = np.empty(bins, np.float32)
    count = 0
    for r in range(first, rows):
        strongest = np.float32(0)
        for b in range(bins):
            strongest = max(strongest, ratio[r, b])
        if strongest < 100:
            continue
        for k in range(blocks):
            t = np.float32(0)
            for i in range(8 * k, 8 * k + 8):
                t = max(t, ratio[r, i])
            top[k] = t
        skirt[:] = 0
        for k in range(blocks):
            if top[k] < 100:
                continue
            before = np.float32(0)
            after = np.float32(0)
            for i in range(8 * k, 8 * k + 8):
                before = max(before, ratio[max(r - 1, 0), i])
                after = max(after, ratio[min(r + 1, rows - 1), i])
            keyed = before > 3 * top[k] or after > 3 * top[k] or 3 * before < top[k] or 3 * after < top[k]
            reach = min(bins, int(np.sqrt(top[k] / 3)) + 4) if keyed else min(bins, 4 + int(top[k] ** 0.1667))
            for d in range(3, reach):
                lobe = np.float32(4e-7) * np.float32(3.0 / d) ** 6
                if keyed:
                    lobe = np.float32(1) / (np.float32(np.pi) * d) ** 2
                for b in (8 * k - d, 8 * k + 7 + d):
                    if 0 <= b < bins:
                        skirt[b] = max(skirt[b], lobe * top[k])
        for b in range(bins):
            if 3 * skirt[b] > 1 and ratio[r, b] < 1 + 3 * skirt[b]:
                ratio[r, b] = 1
                mask[r, b] = 2
                count += 1
    return count


@kernel("float32(float32[::1], int64, float32, float32[::1])", fastmath=True)
def _double(sums: np.ndarray, half: int, limit: float, out: np.ndarray) -> float:
    """Fill `out` with sums over twice `half` neighbours from sums over `half`; gives 0 if none is above `limit`.

    Summing the excess instead of taking a maximum: the compiler vectorises it, four times faster.
    """
    above = np.float32(0)
    for b in range(len(sums) - half):
        s = sums[b] + sums[b + half]
        out[b] = s
        above += abs(s - limit) + (s - limit)
    return above


@kernel("UniTuple(int64, 2)(float32[::1], int64, int64)", fastmath=True)
def _core(line: np.ndarray, low: int, high: int) -> tuple[int, int]:
    """Give the part [low, high) of a box that carries its excess.

    A quarter at either end with less than 0.3 of the mean excess goes, until none does. Without this a wide box
    that caught the foot of a strong signal would claim its whole width.
    """
    while high - low > 1:
        mean = np.float32(0)
        for i in range(low, high):
            mean += line[i] - 1
        quarter = max(1, (high - low) // 4)
        enough = np.float32(0.3) * mean / (high - low) * quarter
        left = np.float32(0)
        right = np.float32(0)
        for i in range(quarter):
            left += line[low + i] - 1
            right += line[high - 1 - i] - 1
        if left < enough and left <= right:
            low += quarter
        elif right < enough:
            high -= quarter
        else:
            break
    return low, high


@kernel("UniTuple(int64, 2)(float32[:,::1], int64, int64, int64, int64)", fastmath=True)
def _core_rows(ratio: np.ndarray, early: int, late: int, low: int, high: int) -> tuple[int, int]:
    """Give the rows [early, late) of a box that carry its excess, as `_core` does for bins."""
    line = np.empty(late - early, np.float32)
    for r in range(early, late):
        s = np.float32(0)
        for i in range(low, high):
            s += ratio[r, i]
        line[r - early] = s / (high - low)
    first, last = _core(line, 0, late - early)
    return early + first, early + last


@kernel("void(float32[::1], int64, float32[::1])", fastmath=True)
def _slide(line: np.ndarray, width: int, out: np.ndarray) -> None:
    """Fill `out` with sums of `width` neighbours (as far as they go)."""
    s = np.float32(0)
    for i in range(width):
        s += line[i]
    for b in range(len(line) - width):
        out[b] = s
        s += line[b + width] - line[b]
    out[len(line) - width] = s


_NARROW = 4  # widths (1, 2, 4, 8 bins) looked for at all times before any wider one


def scan(ratio: np.ndarray, mask: np.ndarray, first: int, times: np.ndarray, limits: np.ndarray) -> int:
    """Claim cells of boxes above their limit: mask becomes 1 there and ratio 1. Gives the number of claims.

    `ratio` float32 (rows, bins) is power over noise; rows from `first` on are new. Larger boxes also reach
    back into the rows before. Narrow boxes of every duration come before wide ones: or a wide, short box over
    two narrow steady signals, neither clear in one row, would claim all that lies between them.
    """
    count = _scan(ratio, mask, first, times, limits, 0, min(_NARROW, limits.shape[1]))
    return int(count + _scan(ratio, mask, first, times, limits, _NARROW, limits.shape[1]))


@kernel("int64(float32[:,::1], uint8[:,::1], int64, int64[::1], float32[:,::1], int64, int64)", fastmath=True)
def _scan(
    ratio: np.ndarray,
    mask: np.ndarray,
    first: int,
    times: np.ndarray,
    limits: np.ndarray,
    first_width: int,
    last_width: int,
) -> int:
    """Look with the widths from index `first_width` to below `last_width`."""
    rows, bins = ratio.shape
    line = np.empty(bins, np.float32)
    first_sums = np.empty(bins, np.float32)
    second_sums = np.empty(bins, np.float32)
    claims = 0
    for t in range(len(times)):
        deep = times[t]
        step = max(1, deep // 2)
        r = first - (deep - step)
        while r + deep <= rows:
            scale = np.float32(1.0 / deep)
            line[:] = ratio[r]
            for k in range(r + 1, r + deep):
                for b in range(bins):
                    line[b] += ratio[k, b]
            above = np.float32(0)
            for b in range(bins):
                line[b] *= scale
                above += abs(line[b] - limits[t, 0]) + (line[b] - limits[t, 0])
            sums = first_sums
            other = second_sums
            sums[:] = line
            for w in range(last_width):
                width = 1 << w
                count = bins - width + 1
                limit = limits[t, w] * width
                if w > 0:
                    above = _double(sums[: bins - width // 2 + 1], width // 2, limit, other)
                    sums, other = other, sums
                if above <= 0 or w < first_width:
                    continue
                if w == 0:
                    for b in range(bins):
                        if line[b] > limit:
                            claims += 1
                            line[b] = 1
                            for k in range(r, r + deep):
                                ratio[k, b] = 1
                                mask[k, b] = 1
                    sums[:] = line
                    continue
                b = 0
                changed = False
                while b < count:
                    if sums[b] <= limit:
                        b += 1
                        continue
                    best = b
                    end = min(count, b + width)
                    for i in range(b, end):
                        if sums[i] > sums[best]:
                            best = i
                    claims += 1
                    changed = True
                    low, high = _core(line, best, best + width)
                    early, late = _core_rows(ratio, r, r + deep, low, high)
                    for i in range(low, high):
                        for k in range(early, late):
                            ratio[k, i] = 1
                            mask[k, i] = 1
                    for i in range(low, high):
                        s = np.float32(0)
                        for k in range(r, r + deep):
                            s += ratio[k, i]
                        line[i] = s * scale
                    for i in range(max(0, best - width + 1), min(count, best + width)):
                        s = np.float32(0)
                        for j in range(i, i + width):
                            s += line[j]
                        sums[i] = s
                    if late - early < deep and sums[best] > limit:  # what is left of this box goes next time
                        sums[best] = 0
                    b = max(b, best - width + 1)
                if changed:
                    _slide(line, width, sums)
            r += step
    return claims


@kernel("void(uint8[:,::1], float32[:,::1], int64, float32[::1], float32[::1])", fastmath=True)
def columns(mask: np.ndarray, power: np.ndarray, first: int, count: np.ndarray, excess: np.ndarray) -> None:
    """Count claimed cells per bin in rows from `first`, and sum their power over noise there."""
    count[:] = 0
    excess[:] = 0
    for r in range(first, mask.shape[0]):
        for b in range(mask.shape[1]):
            if mask[r, b] == 1:
                count[b] += 1
                excess[b] += power[r, b]
