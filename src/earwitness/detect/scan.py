"""The energy detector: boxes of many sizes over time and frequency, each with its share of the false alarms.

A box is rows x bins cells; its statistic is the mean power over the noise floor (energy detector on averaged
transforms, textbook). Boxes whose sides are powers of two slide over everything and give candidates at a low
limit (`gather`); round each candidate the best of finer sizes and places is sought, and claimed if it passes the
final limit (`resolve`). So a signal loses little against a box cut to its measure, at the cost of the coarse
search alone. Narrow boxes of every duration go before wide ones, and what is claimed is taken out: a strong signal
does not smear over its surroundings, and a weak one beside it is still seen.
"""

from __future__ import annotations

import numpy as np

from earwitness.detect.limits import Limits
from earwitness.dsp.jit import kernel

BATCH = 64  # rows judged at once
HISTORY = 64  # rows before them that are still at hand
_NARROW = 8  # bins up to which a box counts as narrow
_TILE = 2048  # bins
_WIDE, _TALL = 32, 8  # bins and rows from which a box must be filled: its middle bins have
_SPREAD = 0.5  # of the mean of all
_MOST = 16384  # candidates per batch
_QUAD = 4  # neighbours added up for wide boxes
_PIECE = 256  # places of a line that are looked at closer if one of them is above its limit


@kernel("int64(float32[:,::1], float32[::1], float32[:,::1])", fastmath=True)
def normalise(power: np.ndarray, level: np.ndarray, out: np.ndarray) -> int:
    """Fill `out` with power over noise; gives how many cells are a hundred times stronger than noise."""
    inverse = np.float32(1) / level
    strong = 0
    for r in range(power.shape[0]):
        for b in range(power.shape[1]):
            v = power[r, b] * inverse[b]
            out[r, b] = v
            strong += v > np.float32(100)
    return strong


@kernel("int64(float32[:,::1], uint8[:,::1], int64)", fastmath=True)
def mask_skirts(ratio: np.ndarray, mask: np.ndarray, first: int) -> int:
    """Set cells to 1 that the window's side lobes, or the click of a keyed edge, of a strong signal explain.

    Side lobes: -64 dB, falling 18 dB per octave from three bins on. A row in which a strong signal comes or
    goes cuts the window short, which leaves (1 / pi k)^2 of its full power k bins away, however little of it the row
    holds. A factor of 3 covers noise on it.
    """
    rows, bins = ratio.shape
    blocks = bins // 8
    top = np.empty(blocks, np.float32)
    skirt = np.zeros(bins, np.float32)
    count = 0
    for r in range(first, rows):
        strongest = np.float32(0)
        for k in range(blocks):
            t = np.float32(0)
            for i in range(8 * k, 8 * k + 8):
                t = max(t, ratio[r, i])
            top[k] = t
            strongest = max(strongest, t)
        if strongest < 100:
            continue
        left, right = bins, 0  # where any skirt is
        for k in range(blocks):
            if top[k] < 100:
                continue
            before = np.float32(0)
            after = np.float32(0)
            for i in range(8 * k, 8 * k + 8):
                before = max(before, ratio[max(r - 1, 0), i])
                after = max(after, ratio[min(r + 1, rows - 1), i])
            keyed = before > 3 * top[k] or after > 3 * top[k] or 3 * before < top[k] or 3 * after < top[k]
            whole = max(top[k], before, after) if keyed else top[k]
            reach = min(bins, int(np.sqrt(whole / 3)) + 4) if keyed else min(bins, 4 + int(top[k] ** 0.1667))
            for d in range(3, reach):
                lobe = np.float32(4e-7) * np.float32(3.0 / d) ** 6
                if keyed:
                    lobe = np.float32(1) / (np.float32(np.pi) * d) ** 2
                for b in (8 * k - d, 8 * k + 7 + d):
                    if 0 <= b < bins:
                        skirt[b] = max(skirt[b], lobe * whole)
            left, right = min(left, 8 * k - reach), max(right, 8 * k + 8 + reach)
        for b in range(max(left, 0), min(right, bins)):
            if 3 * skirt[b] > 1 and ratio[r, b] < 1 + 3 * skirt[b]:
                ratio[r, b] = 1
                mask[r, b] = 2
                count += 1
            skirt[b] = 0
    return count


@kernel("int64(float32[::1], int64, float32, int64, int64, int64, int64, int64, int32[:,::1], int64)")
def _note(
    sums: np.ndarray,
    count: int,
    limit: float,
    stride: int,
    row: int,
    deep: int,
    width: int,
    reach: int,
    found: np.ndarray,
    n: int,
) -> int:
    """Note the greatest of each group of sums above `limit` as a candidate; gives the new number of them."""
    b = 0
    while b < count:
        if sums[b] <= limit:
            b += 1
            continue
        best = b
        end = min(count, b + reach)
        for i in range(b, end):
            if sums[i] > sums[best]:
                best = i
        if n < found.shape[0]:
            found[n, 0] = row
            found[n, 1] = deep
            found[n, 2] = best * stride
            found[n, 3] = width
            n += 1
        b = best + reach
    return n


@kernel("float32(float32[::1], int64, float32, float32, float32, float32, float32[::1])", fastmath=True)
def _narrow(
    line: np.ndarray, count: int, one: float, two: float, four: float, eight: float, out: np.ndarray
) -> np.floating:
    """Count the places at which a sum of 1, 2, 4 or 8 neighbours is above its limit; those of 8 fill `out`.

    Counted in floats and without taking a maximum: so the compiler vectorises it.
    """
    above = np.float32(0)
    for n in range(count):
        b = np.uint64(n)
        s1 = line[b]
        s2 = s1 + line[b + np.uint64(1)]
        s4 = s2 + (line[b + np.uint64(2)] + line[b + np.uint64(3)])
        rest = line[b + np.uint64(4)] + line[b + np.uint64(5)]
        s8 = s4 + (rest + (line[b + np.uint64(6)] + line[b + np.uint64(7)]))
        out[b] = s8
        above += np.float32(1) if (s1 > one) | (s2 > two) | (s4 > four) | (s8 > eight) else np.float32(0)
    return above


@kernel("float32(float32[::1], int64, int64, float32, float32[::1])", fastmath=True)
def _pairs(sums: np.ndarray, count: int, apart: int, limit: float, out: np.ndarray) -> np.floating:
    """Fill `out` with sums of two values `apart`; gives how many are above `limit`."""
    above = np.float32(0)
    step = np.uint64(apart)
    for n in range(count):
        b = np.uint64(n)
        s = sums[b] + sums[b + step]
        out[b] = s
        above += np.float32(1) if s > limit else np.float32(0)
    return above


@kernel("int64(float32[::1], int64, int64, int64, float32[::1], float32[:,::1], int32[:,::1], int64)")
def _judge_line(
    line: np.ndarray,
    places: int,
    row: int,
    deep: int,
    excess: np.ndarray,
    room: np.ndarray,
    found: np.ndarray,
    n: int,
) -> int:
    """Note the boxes of `deep` rows from `row` on whose sums along `line` are above their limit.

    `line` holds eight zeros behind the `places` at which boxes may begin; `excess` is the limit per width; gives
    the new number of candidates.
    """
    widths = len(excess)
    eight, wide = room[0], room[1]  # sums of width 4 and 16 go to the third
    least = np.empty(4, np.float32)
    for w in range(4):
        least[w] = (1 + excess[w]) * (1 << w) * deep if w < widths else np.inf
    for left in range(0, places, _PIECE):
        count = min(_PIECE, places - left)
        piece = line[left:]
        if _narrow(piece, count, least[0], least[1], least[2], least[3], eight[left:]) == 0:
            continue
        for w in range(min(4, widths)):
            width = 1 << w
            length = min(count, places - left - width + 1)
            if length <= 0:
                break
            sums = piece if w == 0 else eight[left:] if w == 3 else room[w]
            if 0 < w < 3 and _pairs(piece if w == 1 else room[1], count + 8 - width, w, least[w], sums) == 0:
                continue
            begin = n
            n = _note(sums, length, least[w], 1, row, deep, width, max(1, width // 2), found, n)
            for i in range(begin, n):
                found[i, 2] += left
    # From here on every fourth place will do: the closer look finds the best one.
    length = (places - 8) // 4 + 1 if places >= 8 else 0
    for b in range(length):
        wide[b] = eight[4 * b]
    for w in range(4, widths):
        width = 1 << w
        apart = width // 8
        length -= apart
        if length <= 0:
            break
        other = room[2 - w % 2]
        limit = np.float32((1 + excess[w]) * width * deep)
        above = _pairs(wide, length, apart, limit, other)
        wide = other
        if above > 0:
            n = _note(wide, length, limit, 4, row, deep, width, width // 8, found, n)
    return n


@kernel(
    "int64(float32[:,::1], int64, int64, int64, float32[:,::1], int64, float32[:,:,::1], float32[:,::1], int32[:,::1], int64)",
    fastmath=True,
)
def _gather(
    ratio: np.ndarray,
    first: int,
    left: int,
    right: int,
    limits: np.ndarray,
    shallowest: int,
    lines: np.ndarray,
    room: np.ndarray,
    found: np.ndarray,
    n: int,
) -> int:
    rows = ratio.shape[0]
    times = limits.shape[0]
    base = first - min(first, (1 << (times - 1)) // 2)
    places = right - left
    before = n
    for row in range(base, rows):
        # A line of twice the depth is made of two that follow each other without overlap, half as often.
        t = 0
        number = row - base
        while True:
            deep = 1 << t
            step = max(1, deep // 2)
            start = base + number * step
            line = lines[t, number % 3]
            if t == 0:
                whole = ratio[row, left:right]
                for b in range(places):
                    line[b] = whole[b]
            elif t == 1:
                one, two = lines[0, number % 3], lines[0, (number + 1) % 3]
                for b in range(places):
                    line[b] = one[b] + two[b]
            else:
                one, two = lines[t - 1, 2 * number % 3], lines[t - 1, (2 * number + 2) % 3]
                for b in range(places):
                    line[b] = one[b] + two[b]
            if t >= shallowest and start + deep > first and start >= first - deep // 2:
                n = _judge_line(line, places, start, deep, limits[t], room, found, n)
            t += 1
            if t == times:
                break
            if t == 1:
                number -= 1
                if number < 0:
                    break
            else:
                if number % 2 or number < 2:
                    break
                number = number // 2 - 1
    for i in range(before, n):
        found[i, 2] += left
    return n


@kernel(
    "int64(float32[:,::1], int64, float32[:,::1], int64, float32[:,:,::1], float32[:,::1], int32[:,::1])",
    fastmath=True,
)
def gather(
    ratio: np.ndarray,
    first: int,
    limits: np.ndarray,
    shallowest: int,
    lines: np.ndarray,
    room: np.ndarray,
    found: np.ndarray,
) -> int:
    """Find boxes, sides powers of two, with a mean excess above `limits` (times, widths); gives their number.

    `ratio` float32 (rows, bins) is power over noise; only boxes that reach into rows from `first` on count.
    Boxes of fewer than 2**shallowest rows are not looked for. Each of `found` int32 (n, 4) is row, rows, bin,
    bins. `lines` (times, 3, tile) and `room` (3, tile) are to work in; a tile has room
    for the widest box and eight values beyond its bins.
    """
    bins = ratio.shape[1]
    widest = 1 << (limits.shape[1] - 1)
    n = 0
    for left in range(0, bins, _TILE):  # a tile at a time stays in the cache
        right = min(bins, left + _TILE + widest)
        lines[:, :, right - left :] = 0
        n = _gather(ratio, first, left, right, limits, shallowest, lines, room, found, n)
        if right == bins:
            break
    return n


@kernel("UniTuple(int64, 2)(float32[::1], int64, int64)", fastmath=True)
def core(line: np.ndarray, low: int, high: int) -> tuple[int, int]:
    """Give the part [low, high) of a box that carries its excess.

    A quarter at either end with less than 0.3 of the mean excess goes, until none does. Without this a wide box
    that caught the foot of a strong signal would claim its whole width.
    """
    while high - low > 1:
        mean = np.float32(0)
        for i in range(low, high):
            mean += line[i]
        quarter = max(1, (high - low) // 4)
        enough = np.float32(0.3) * mean / (high - low) * quarter
        left = np.float32(0)
        right = np.float32(0)
        for i in range(quarter):
            left += line[low + i]
            right += line[high - 1 - i]
        if left < enough and left <= right:
            low += quarter
        elif right < enough:
            high -= quarter
        else:
            break
    return low, high


@kernel("boolean(float32[::1])")
def _is_spread(line: np.ndarray) -> bool:
    """Tell whether the excess per bin of a wide box is spread over it, not left over at the edges of narrow emissions."""
    ordered = np.sort(line)
    out = len(ordered) // 8  # at either end
    return bool(ordered[out : len(ordered) - out].mean() > _SPREAD * ordered.mean())


@kernel("void(float32[:,::1], int64, int64, int64, int64, float32[:,::1])", fastmath=True)
def _add_up(ratio: np.ndarray, top: int, bottom: int, left: int, right: int, out: np.ndarray) -> None:
    """Fill `out` with the excess of each _QUAD neighbours, in rows [top, bottom), where they touch bins [left, right)."""
    for r in range(top, bottom):
        cells, sums = ratio[r], out[r]
        for q in range(left // _QUAD, min((right + _QUAD - 1) // _QUAD, len(sums))):
            total = np.float32(-_QUAD)
            for i in range(_QUAD):
                total += cells[_QUAD * q + i]
            sums[q] = total


@kernel("float32(float32[:,::1], float32, int64, int64, int64, int64)", fastmath=True)
def _excess_in(cells: np.ndarray, one: float, row: int, deep: int, low: int, width: int) -> np.floating:
    """Sum the excess of a box; `one` is what a cell without any holds."""
    total = np.float32(0)
    for r in range(row, row + deep):
        line = cells[r, low : min(cells.shape[1], low + width)]
        for b in range(len(line)):
            total += line[b] - one
    return total


@kernel(
    "UniTuple(int64, 5)(float32[:,::1], float32, int64, int64, int64, int64, int64, float32[:,::1], float64[:,::1], float32[::1])",
    fastmath=True,
)
def _best(
    cells: np.ndarray,
    one: float,
    each: int,
    row: int,
    deep: int,
    low: int,
    width: int,
    limits: np.ndarray,
    table: np.ndarray,
    room: np.ndarray,
) -> tuple[int, int, int, int, int]:
    """Give the best box about a candidate as (passes, row, rows, cell, cells): greatest excess over its limit.

    A cell is `each` bins wide, and holds `one` where there is no excess. Sides of 0.75 to 1.5 times the candidate's
    are tried, all in steps of an eighth of it; `table` holds the summed excess from the window's corner, so that a box
    costs four look-ups, `room` has room for two widths. Where all positive excess of the rows falls short of a limit, no box in them is tried against it.
    """
    rows, across_all = cells.shape
    up, across = max(1, deep // 8), max(1, width // 8)
    top = max(0, row - (deep + 1) // 2)
    left = max(0, low - (width + 1) // 2)
    tall = min(rows - top, 2 * deep) // up
    wide = min(across_all - left, 2 * width) // across
    for j in range(wide + 1):
        table[0, j] = 0
    line = room[: across * wide]
    for i in range(tall):
        line[:] = 0
        for r in range(top + i * up, top + i * up + up):
            some = cells[r, left : left + across * wide]
            for b in range(len(some)):
                line[b] += some[b] - one
        s = 0.0
        table[i + 1, 0] = 0
        for j in range(wide):
            unit = 0.0  # of its own: one sum along all would wait for each addition
            for b in range(j * across, j * across + across):
                unit += line[b]
            s += unit
            table[i + 1, j + 1] = table[i, j + 1] + s
    most = 1.0
    out = (0, row, deep, low, width)
    units_tall, units_wide = deep // up, width // across
    narrowest, widest = max(1, units_wide * 3 // 4), min(units_wide * 3 // 2, wide)
    for t in range(max(1, units_tall * 3 // 4), min(units_tall * 3 // 2, tall) + 1):
        d = t * up
        if d > limits.shape[0]:
            break
        for i in range(tall - t + 1):
            above, below = table[i], table[i + t]
            bound = 0.0
            for j in range(wide):
                s = (below[j + 1] - above[j + 1]) - (below[j] - above[j])
                bound += max(s, 0.0)
            for w in range(narrowest, widest + 1):
                v = w * across * each
                if v > limits.shape[1]:
                    break
                need = limits[d - 1, v - 1] * d * v
                if bound <= most * need:
                    continue
                for j in range(wide - w + 1):
                    s = (below[j + w] - above[j + w]) - (below[j] - above[j])
                    if s > most * need:
                        most = s / need
                        out = (1, top + i * up, d, left + j * across, w * across)
    return out


@kernel(
    "int64(float32[:,::1], uint8[:,::1], int32[:,::1], int64, float32[:,::1], float32[:,::1], int64)",
    fastmath=True,
)
def resolve(
    ratio: np.ndarray,
    mask: np.ndarray,
    found: np.ndarray,
    count: int,
    first_limits: np.ndarray,
    limits: np.ndarray,
    narrow: int,
) -> int:
    """Claim what passes about each candidate: mask becomes 1 and ratio 1 there. Gives the number of claims.

    Wide candidates are judged on sums of _QUAD neighbours: their steps are not finer.
    """
    rows, bins = ratio.shape
    table = np.empty((18, 18))
    line = np.empty(max(rows, bins), np.float32)
    quads = np.empty((rows, bins // _QUAD), np.float32)
    summed = False
    claims = 0
    for wanted in range(2):
        for c in range(count):
            row, deep, low, width = found[c]
            if (width > narrow) != (wanted == 1):
                continue
            t = 0
            while (1 << t) < deep:
                t += 1
            w = 0
            while (1 << w) < width:
                w += 1
            by_quads = width >= 8 * _QUAD and low % _QUAD == 0 and bins % _QUAD == 0
            if by_quads and not summed:
                _add_up(ratio, 0, rows, 0, bins, quads)
                summed = True
            cells, one, each = (quads, np.float32(0), _QUAD) if by_quads else (ratio, np.float32(1), 1)
            least = first_limits[t, w] * deep * width
            for _ in range(4):
                if _excess_in(cells, one, row, deep, low // each, width // each) <= least:
                    break
                passes, r0, d, b0, v = _best(
                    cells, one, each, row, deep, low // each, width // each, limits, table, line
                )
                if passes == 0:
                    break
                b0, v = b0 * each, v * each
                for b in range(v):
                    s = np.float32(0)
                    for r in range(r0, r0 + d):
                        s += ratio[r, b0 + b] - 1
                    line[b] = s
                if v >= _WIDE and d >= _TALL and not _is_spread(line[:v]):
                    break
                claims += 1
                left, right = core(line, 0, v)
                for r in range(d):
                    s = np.float32(0)
                    for b in range(b0 + left, b0 + right):
                        s += ratio[r0 + r, b] - 1
                    line[r] = s
                early, late = core(line, 0, d)
                for r in range(r0 + early, r0 + late):
                    for b in range(b0 + left, b0 + right):
                        ratio[r, b] = 1
                        mask[r, b] = 1
                if summed:
                    _add_up(ratio, r0 + early, r0 + late, b0 + left, b0 + right, quads)
    return claims


@kernel("int64(float32[:,::1], uint8[:,::1], int64, float32)", fastmath=True)
def _claim_cells(ratio: np.ndarray, mask: np.ndarray, first: int, limit: float) -> int:
    claims = 0
    for r in range(first, ratio.shape[0]):
        above = np.float32(0)
        for b in range(ratio.shape[1]):
            above += abs(ratio[r, b] - limit) + (ratio[r, b] - limit)
        if above > 0:
            for b in range(ratio.shape[1]):
                if ratio[r, b] > limit:
                    ratio[r, b] = 1
                    mask[r, b] = 1
                    claims += 1
    return claims


class Scanner:
    """Claims boxes of cells that noise does not explain, by the limits given."""

    def __init__(self, limits: Limits, *, shallowest: int = 0):
        """Look for boxes of 2**shallowest rows and more."""
        self.limits = limits
        self._shallowest = shallowest
        self._found = np.empty((_MOST, 4), np.int32)
        times, widths = limits.first.shape
        tile = _TILE + (1 << (widths - 1)) + 8
        self._lines = np.zeros((times, 3, tile), np.float32)
        self._room = np.zeros((3, tile), np.float32)

    def scan(self, ratio: np.ndarray, mask: np.ndarray, first: int) -> int:
        """Claim cells in `ratio` float32 (rows, bins), power over noise; gives the number of claims.

        Rows from `first` on are new; larger boxes also reach back before. Where something is claimed, `mask`
        (uint8, same shape) becomes 1 and `ratio` 1.
        """
        at = self.limits
        claims = 0
        if self._shallowest == 0:
            claims = int(_claim_cells(ratio, mask, first, 1 + at.last[0, 0]))
        count = gather(ratio, first, at.first, self._shallowest, self._lines, self._room, self._found)
        if count:
            claims += int(resolve(ratio, mask, self._found, count, at.first, at.last, _NARROW))
        return claims


@kernel("float32[::1](uint8[:,::1], int64)")
def columns(mask: np.ndarray, first: int) -> np.ndarray:
    """Count claimed cells per bin in rows from `first`."""
    count = np.zeros(mask.shape[1], np.uint8)  # wide enough for a batch
    for r in range(first, mask.shape[0]):
        line = mask[r]
        for b in range(len(line)):
            count[b] += np.uint8(1) if line[b] == 1 else np.uint8(0)
    return count.astype(np.float32)
