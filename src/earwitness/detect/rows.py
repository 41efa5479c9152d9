"""What following an emission asks of the rows of a batch, each question one pass over its cells."""

from __future__ import annotations

import numpy as np

from earwitness.detect.scan import core
from earwitness.dsp.jit import kernel

_POWER = "float32[:,::1]"


@kernel(f"float64({_POWER}, uint8[:,::1], float32[::1], int64, int64, float64[::1], boolean[::1])")
def band(
    power: np.ndarray,
    mask: np.ndarray,
    level: np.ndarray,
    low: int,
    high: int,
    series: np.ndarray,
    claimed: np.ndarray,
) -> float:
    """Fill `series` with the power over the floor in bins [low, high) per row, `claimed` with where any cell is.

    Gives the floor's power there.
    """
    noise = 0.0
    for b in range(low, high):
        noise += level[b]
    for r in range(power.shape[0]):
        total = 0.0
        any_cell = False
        for b in range(low, high):
            total += power[r, b]
            any_cell |= mask[r, b] == 1
        series[r] = total - noise
        claimed[r] = any_cell
    return noise


@kernel("void(float64[::1], float64, int64, float64, boolean[::1])")
def above(series: np.ndarray, noise: float, rows: int, limit: float, out: np.ndarray) -> None:
    """Tell where the mean of `rows` values about each, over `noise`, is above `limit`; beyond the ends is nothing."""
    after = (rows - 1) // 2
    before = rows - 1 - after
    need = limit * noise * rows
    for r in range(len(series)):
        total = 0.0
        for k in range(max(0, r - before), min(len(series), r + after + 1)):
            total += series[k]
        out[r] = total > need


@kernel(f"void({_POWER}, float32[::1], int64[::1], int64, int64, float32[::1], float32[::1])")
def collect(
    power: np.ndarray,
    level: np.ndarray,
    rows: np.ndarray,
    low: int,
    high: int,
    excess: np.ndarray,
    floor: np.ndarray,
) -> None:
    """Add the power over the floor of bins [low, high) in `rows` to `excess`, and the floor itself to `floor`."""
    count = len(rows)
    for b in range(low, high):
        excess[b] -= level[b] * count
        floor[b] += level[b] * count
    for r in rows:
        for b in range(low, high):
            excess[b] += power[r, b]


@kernel("UniTuple(float64, 2)(float32[::1], float32[::1], int64, int64)")
def sums(excess: np.ndarray, floor: np.ndarray, low: int, high: int) -> tuple[float, float]:
    """Give the sums of both over bins [low, high)."""
    power = noise = 0.0
    for b in range(low, high):
        power += excess[b]
        noise += floor[b]
    return power, noise


@kernel(
    f"Tuple((float64, float64, float64, float64, complex128, complex128, int64, float64))({_POWER}, float32[::1], "
    "complex64[:,::1], complex64[::1], int32[::1], float32[::1], int64[::1], int64, int64)"
)
def trace(
    power: np.ndarray,
    level: np.ndarray,
    mirror: np.ndarray,
    dc: np.ndarray,
    clipped: np.ndarray,
    total: np.ndarray,
    rows: np.ndarray,
    low: int,
    high: int,
) -> tuple[float, float, float, float, complex, complex, int, float]:
    """Give sums over `rows` for `artefacts.Traces`.

    They are: power over the floor in bins [low, high); its square; power in the mirror image of the band; the
    floor there; the mirror product; the constant offset; rows with clipped samples; all power there is.
    """
    bins = power.shape[1]
    middle = bins // 2
    noise = 0.0
    noise_there = 0.0
    for b in range(low, high):
        noise += level[b]
        if abs(b - middle) >= 4 and b > 0:
            noise_there += level[bins - b]
    own = 0.0
    squares = 0.0
    there = 0.0
    product = 0j
    offset = 0j
    rails = 0
    everything = 0.0
    for r in rows:
        offset += dc[r]
        rails += clipped[r] != 0
        everything += total[r]
        here = -noise
        for b in range(low, high):
            here += power[r, b]
            apart = abs(b - middle)
            if apart >= 4 and apart < middle:
                there += power[r, bins - b]
                product += mirror[r, apart]
        own += here
        squares += here * here
    return own, squares, there, noise_there * len(rows), product, offset, rails, everything


@kernel(f"int64({_POWER}, uint8[:,::1], int64, int64, int64, {_POWER})", fastmath=True)
def claim_known(
    ratio: np.ndarray, mask: np.ndarray, first: int, low: int, high: int, limits: np.ndarray
) -> int:
    """Claim, from row `first` on, the rows in which the band [low, high) of a known emission exceeds the limits.

    The limits are those of boxes whose place is sought, so that no more is claimed than a search would claim; it
    only spares the search what is plain. Gives how many rows it claimed.
    """
    width = high - low
    count = ratio.shape[0] - first
    line = np.zeros(count, np.float32)
    sums = np.zeros(count + 1)
    on = np.zeros(count, np.uint8)
    for r in range(count):
        s = np.float32(0)
        for b in range(low, high):
            s += ratio[first + r, b] - 1
        line[r] = s
    deep = 1
    while deep <= min(count, limits.shape[0]):
        # What short boxes claimed is out of the sums of longer ones: a burst keeps its measure.
        for r in range(count):
            if on[r]:
                line[r] = 0
            sums[r + 1] = sums[r] + line[r]
        need = limits[deep - 1, min(width, limits.shape[1]) - 1] * width * deep
        for r in range(0, count - deep + 1, max(1, deep // 4)):
            if sums[r + deep] - sums[r] > need:
                early, late = core(line, r, r + deep)
                for k in range(early, late):
                    on[k] = 1
        deep *= 2
    claimed = 0
    across = np.zeros(width, np.float32)
    for r in range(count):
        if on[r]:
            claimed += 1
            for b in range(width):
                across[b] += ratio[first + r, low + b] - 1
    if claimed:
        left, right = core(across, 0, width)
        need = limits[min(claimed, limits.shape[0]) - 1, 0] * claimed
        for b in range(width):
            if across[b] > need or (left <= b < right):
                for r in range(count):
                    if on[r]:
                        ratio[first + r, low + b] = 1
                        mask[first + r, low + b] = 1
    return claimed


@kernel(f"void({_POWER}, {_POWER}, uint8[:,::1], boolean[:,::1])")
def hide(pulses: np.ndarray, ratio: np.ndarray, mask: np.ndarray, hidden: np.ndarray) -> None:
    """Take out of rows what the power of pulses in the same cells explains; tell in which cells they are."""
    for r in range(pulses.shape[0]):
        total = np.float32(0)
        for b in range(pulses.shape[1]):
            total += pulses[r, b]
        if total == 0:
            continue
        for b in range(pulses.shape[1]):
            p = pulses[r, b]
            if p > 0.02:
                hidden[r, b] = True
                # The carrier of a keyed pulse may hold half of its energy in a few bins.
                if ratio[r, b] < 1 + max(12 * p, total / 4):
                    ratio[r, b] = 1
                    mask[r, b] = 2


@kernel(f"{_POWER}({_POWER}, uint8[:,::1], float32[::1], int64, int64)")
def spread(quick: np.ndarray, claims: np.ndarray, steady: np.ndarray, per_row: int, wide: int) -> np.ndarray:
    """Give the claimed power of quick rows (bands, rows), over `steady`, in fine rows, `wide` bins to a band.

    A fine row holds `per_row` quick ones; its frames reach into the rows beside it.
    """
    bands, rows = quick.shape[0], quick.shape[1] // per_row
    means = np.zeros((rows, bands), np.float32)
    for b in range(bands):
        for q in range(rows * per_row):
            if claims[b, q] == 1 and quick[b, q] > steady[b]:
                means[q // per_row, b] += (quick[b, q] / steady[b] - 1) / np.float32(per_row)
    out = np.empty((rows, bands * wide), np.float32)
    for r in range(rows):
        for b in range(bands):
            p = means[r, b]
            if r > 0:
                p += means[r - 1, b]
            if r + 1 < rows:
                p += means[r + 1, b]
            for i in range(b * wide, b * wide + wide):
                out[r, i] = p
    return out


@kernel("UniTuple(float64, 5)(float32[::1], float32[::1], int64, int64, int64, float64)")
def outline(
    excess: np.ndarray, floor: np.ndarray, low: int, high: int, rows: int, scatter: float
) -> tuple[float, float, float, float, float]:
    """Give edges, middle, power and floor of what lies in bins [low, high) of sums over `rows`.

    Edges hold 99 % of what stands out of the noise's own scatter, a fraction of the floor; the power is the mean
    of all there is between them, the floor that of the bin that was looked at longest.
    """
    clear = np.zeros(high - low)
    total = 0.0
    moment = 0.0
    noise = 0.0
    for b in range(low, high):
        noise = max(noise, floor[b] / rows)
        if excess[b] > scatter * floor[b]:
            clear[b - low] = excess[b] / rows
            total += excess[b] / rows
            moment += excess[b] / rows * (b + 0.5)
    left, right, middle = float(low), float(high), (low + high) / 2
    if total > 0:
        middle = moment / total
        for side in range(2):
            need = (0.005 if side == 0 else 0.995) * total
            reached = 0.0
            for i in range(high - low):
                if reached + clear[i] >= need:
                    at = low + i + (need - reached) / clear[i]
                    if side == 0:
                        left = at
                    else:
                        right = at
                    break
                reached += clear[i]
    power = 0.0
    for b in range(max(low, int(left) - 1), min(high, int(np.ceil(right)) + 1)):
        power += excess[b] / rows
    return left, right, middle, max(power, 1e-30), max(noise, 1e-30)
