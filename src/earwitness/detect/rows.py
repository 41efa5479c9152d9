"""What following an emission asks of the rows of a batch, each question one pass over its cells."""

from __future__ import annotations

import numpy as np

from earwitness.detect.scan import core
from earwitness.dsp.jit import kernel

_POWER = "float32[:,::1]"
_STAYS, _STEP, _EVEN = 8, 10.0, 0.3  # rows; power ratio; of the mean, that every row has at least
_LEVEL = 2.0  # power ratio between the first and the last four rows from which it rises or falls


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


@kernel(
    f"float64({_POWER}, uint8[:,::1], float32[::1], int64, int64, int64, int64, int64, float64, float64[::1], boolean[::1])"
)
def presence(
    power: np.ndarray,
    mask: np.ndarray,
    level: np.ndarray,
    low: int,
    high: int,
    first: int,
    last: int,
    count: int,
    limit: float,
    series: np.ndarray,
    on: np.ndarray,
) -> float:
    """Fill `series` with the power over the floor in bins [low, high) per row, `on` with where the band is on.

    It is on where a cell of bins [first, last) is claimed, and in the rows that touch those and in which the mean of
    `count` values about each, over the floor's power, is above `limit`; beyond the ends is nothing. Gives that power.
    """
    noise = band(power, mask, level, low, high, series, on)
    if first != low or last != high:
        for r in range(len(on)):
            on[r] = False
            for b in range(first, last):
                on[r] |= mask[r, b] == 1
    if count == 0 or on.all() or not on.any():
        return noise
    after = (count - 1) // 2
    before = count - 1 - after
    need = limit * noise * count
    start, claimed = 0, False  # of the rows one after the other that are above it or claimed
    for r in range(len(on) + 1):
        weak = False
        if r < len(on) and not on[r]:
            total = 0.0
            for k in range(max(0, r - before), min(len(on), r + after + 1)):
                total += series[k]
            weak = total > need
        if r < len(on) and (on[r] or weak):
            claimed |= on[r]
            continue
        if claimed:
            on[start:r] = True
        start, claimed = r + 1, False
    return noise


@kernel("int64(boolean[::1], boolean[:,::1], int64, boolean, int64[::1])")
def present(on: np.ndarray, hidden: np.ndarray, column: int, before: bool, edges: np.ndarray) -> int:
    """Fill `edges` with where rows that are on begin and end, in turn; gives how many.

    A row that is `hidden` in this column goes on as the last that was not, or as it was `before` the first.
    """
    count = 0
    state = False
    usual = before
    for r in range(len(on)):
        if not hidden[r, column]:
            usual = on[r]
        if usual != state:
            state = usual
            edges[count] = r
            count += 1
    if state:
        edges[count] = len(on)
        count += 1
    return count


@kernel("float64(float64[::1], int64, int64, int64, int64, float64, float64, boolean, boolean)")
def turning_row(
    series: np.ndarray, low: int, high: int, first: int, last: int, spread: float, usual: float,
    after_silence: bool, rising: bool,
) -> float:  # fmt: skip
    """Give the row of `series`, with a fraction, at which a run of rows [first, last) begins (rising) or ends.

    The stretch of greatest sum of power less a fraction of the mean of the upper half: a change-point that gaps
    between Morse elements do not fool, sought in rows [low, high). `spread` is the standard deviation of the noise;
    with `after_silence` what lies before three quiet rows is of something else. If there is nothing, `usual`.
    """
    claimed = np.sort(series[first:last])
    upper = len(claimed) // 2
    level = claimed[upper:].mean() if len(claimed) else 0.0
    if level <= 0 or high <= low:
        return usual
    if after_silence and level > 8 * spread:
        quiet = 0
        for row in range(min(first, len(series)) - 1, low - 1, -1):
            quiet = quiet + 1 if series[row] < level / 16 else 0
            if quiet == 3:
                low = row
                break
    less = min(max(2 * spread, level / 16), level / 4)
    count = high - low
    step = 1 if rising else -1
    begin = low if rising else high - 1
    total = least = most = 0.0  # of the sums so far
    lowest = cut = 0  # where the sum was least: so far, and before the greatest rise
    for n in range(count):
        total += series[begin + step * n] - less
        if total - least > most:
            most, cut = total - least, lowest
        if total < least:
            least, lowest = total, n + 1
    share = min(max(series[begin + step * (cut - 1)] / level, 0.0), 0.25) if cut else 0.0
    late = min(max(1 - series[begin + step * cut] / level, 0.0), 0.75) if cut < count else 0.0
    return low + cut - share + late if rising else high - cut + share - late


@kernel("int64(float64[::1], int64, int64)")
def step_row(series: np.ndarray, first: int, last: int) -> int:
    """Give the row of `series` in [first, last) at which the power steps up or down tenfold, or -1 if it does not.

    On both sides it has to stay for eight rows, and level, as no fade does: another station follows without a pause.
    The row in which it happens belongs to the louder one.
    """
    least, greatest = np.inf, 0.0
    for row in range(first, last):
        least, greatest = min(least, series[row]), max(greatest, series[row])
    if last - first < 2 * _STAYS + 1 or greatest < _STEP * least:
        return -1
    best, most = -1, _STEP
    for row in range(first + _STAYS, last - _STAYS):
        least_before = least_after = np.inf
        before = after = 0.0
        for k in range(1, _STAYS + 1):
            before += series[row - k] / _STAYS
            after += series[row + k] / _STAYS
            least_before, least_after = min(least_before, series[row - k]), min(least_after, series[row + k])
        if least_before < _EVEN * before or least_after < _EVEN * after:
            continue
        fades = False
        for side in (-1, 1):
            near = far = 0.0
            for k in range(1, _STAYS // 2 + 1):
                near += series[row + side * k]
                far += series[row + side * (k + _STAYS // 2)]
            fades |= max(near, far) > _LEVEL * min(near, far)
        if fades:
            continue
        ratio = max(before, after) / min(before, after)
        if ratio > most:
            best, most = (row + 1 if before > after else row), ratio
    return best


@kernel("UniTuple(float64, 2)(float32[::1], float32[::1], int64, int64)")
def sums(excess: np.ndarray, floor: np.ndarray, low: int, high: int) -> tuple[float, float]:
    """Give the sums of both over bins [low, high)."""
    power = noise = 0.0
    for b in range(low, high):
        power += excess[b]
        noise += floor[b]
    return power, noise


@kernel(
    "Tuple((int64, float64, float64, float64, float64, complex128, complex128, float64, float64))"
    f"({_POWER}, float32[::1], boolean[:,::1], complex64[:,::1], int64, complex64[::1], int32[::1], float32[::1],"
    " int64, int64, int64, int64, float32[::1], float32[::1])"
)
def take_run(
    power: np.ndarray,
    level: np.ndarray,
    hidden: np.ndarray,
    mirror: np.ndarray,
    nearest: int,
    dc: np.ndarray,
    clipped: np.ndarray,
    total: np.ndarray,
    first: int,
    last: int,
    low: int,
    high: int,
    excess: np.ndarray,
    floor: np.ndarray,
) -> tuple[int, float, float, float, float, complex, complex, float, float]:
    """Take the rows [first, last) in which the emission in bins [low, high) was on and not hidden.

    Their power over the floor is added to `excess`, the floor itself to `floor`, for the band and a quarter of its
    width beside it. Gives how many rows there were and sums over them for `artefacts.Traces`: power over the floor in
    the band; its square; power in the mirror image of the band; the floor there; the mirror product (whose first
    column lies `nearest` bins from the centre); the constant offset; power in rows with clipped samples; all power there is.
    """
    bins = power.shape[1]
    middle = bins // 2
    column = (low + high) // 2
    seen = 0
    for r in range(first, last):
        seen += not hidden[r, column]
    beside = max(2, (high - low) // 4)
    left, right = max(0, low - beside), min(bins, high + beside)
    for b in range(left, right):
        excess[b] -= level[b] * seen
        floor[b] += level[b] * seen
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
    rails = 0.0
    everything = 0.0
    for r in range(first, last):
        if hidden[r, column]:
            continue
        offset += dc[r]
        everything += total[r]
        here = -noise
        for b in range(low, high):
            here += power[r, b]
            apart = abs(b - middle)
            if apart >= 4 and apart < middle:
                there += power[r, bins - b]
                product += mirror[r, apart - nearest]
        own += here
        squares += here * here
        if clipped[r] != 0:
            rails += here
        for b in range(left, right):
            excess[b] += power[r, b]
    return seen, own, squares, there, noise_there * seen, product, offset, rails, everything


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
