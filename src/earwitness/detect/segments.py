"""From claimed cells to segments of the band: what touches, cut apart where two emissions only touch.

A valley alone does not part two signals: frequency-shift keying has one between its tones and broadcast FM has
deep holes. What parts them is that they come and go at different times; what joins them is that they come and
go together, or that one is strong exactly when the other is weak (keying), or both swell together (side bands).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise

import numpy as np

from earwitness.detect.follow import STEP
from earwitness.dsp.jit import kernel
from earwitness.dsp.runs import runs
from earwitness.spectrum.stft import Plan

_VALLEY = 6.0  # power ratio of hills over a valley worth a look, if both are steady; of others it has to be
_DEEP = 10.0
_SLOPE, _SLOPE_HZ = 300.0, 200.0  # ratio of hills that are no two of one emission, in bins so wide
_BROADCAST_HZ = 160e3  # apart: broadcast FM swings over 150 kHz at most (ITU-R BS.450), so these are two
_TONES_HZ = 4000.0  # apart: sidebands and tones of one voice are nearer
_RASTER_HZ = 13e3  # apart: nearer ones may well be time slots of two stations
_SLOT_S = 0.008  # tones further apart than that take turns faster than this in the mean
_PLAINLY = 0.25  # standard deviations by which one of them is stronger then
_GAP = 0.11  # least width of the gap between two channels, as a share of the narrower one's
_STEADY = 0.9  # of the rows: it is on throughout
_KEYED = 0.35  # negative correlation of the power in two tones of one keyed carrier
_SHOWN_DB, _MIRROR_DB = 18.0, 2.5  # from the top down a profile is compared with its mirror image, to so much
_CLEAR_DB, _SHIFT = 6.0, 8  # over the noise; half bins by which its middle may be misjudged
_LINES = 6  # bins from which a hill is no line
_SWELLS = 0.6  # correlation from which they swell together
_ENOUGH = 12  # rows to tell it by
_PAIR_DB, _BELOW_DB = (
    1.5,
    6.0,
)  # by which a pair of sidebands differs at most, and lies below the middle at least
_PAIR_BINS, _PAIR_SHARE = 2.0, 0.1  # by which their distances differ, in bins or as a share
_ON = 0.25  # of the usual power, from which it is really on
_USUAL = 0.85  # of the rows, without the strongest ones
_NEAR, _CLICK = 15, 0.06  # bins, and of the claims within so many: less is a click
_TOGETHER = 3  # rows within which two starts are the same start


class Segment:
    """A run of bins [low, high) with, per row of the batch, its power over the floor and whether it was claimed."""

    def __init__(
        self,
        low: int,
        high: int,
        excess: np.ndarray,
        on: np.ndarray,
        rows: np.ndarray,
        power: float,
        before: bool,
    ):
        self.low = low
        self.high = high
        self.excess = excess  # float (rows, bins of the segment)
        self.on = on  # bool (rows, bins of the segment)
        self.rows = rows  # in which any of it was claimed, bool (rows,)
        self.power = power  # over the floor, summed over its bins and those rows
        self.before = before  # claimed cells in the rows just before the batch

    def part(self, low: int, high: int) -> Segment:
        """Give the part of it that lies in bins [low, high)."""
        s = slice(low - self.low, high - self.low)
        excess, on = self.excess[:, s], self.on[:, s]
        rows = np.empty(len(on), bool)
        power = float(_claimed_power(excess, on, rows))
        return Segment(low, high, excess, on, rows, power, self.before)

    def cut(self, first: int, last: int) -> Segment:
        """Give the part of its own bins [first, last)."""
        return self.part(self.low + first, self.low + last)


@kernel("float64(float32[:,:], boolean[:,:], boolean[::1])")
def _claimed_power(excess: np.ndarray, on: np.ndarray, rows: np.ndarray) -> float:
    """Fill `rows` with those in which any cell is claimed; give the sum of all cells in them."""
    total = 0.0
    for r in range(len(on)):
        any_on = False
        for b in range(on.shape[1]):
            any_on |= on[r, b]
        rows[r] = any_on
        if any_on:
            for b in range(on.shape[1]):
                total += excess[r, b]
    return total


@kernel(
    "void(uint8[:,::1], float32[:,::1], float32[::1], int64, int64[:,::1], float32[::1], boolean[::1], boolean[:,::1], float64[::1], boolean[::1])"
)
def _lift(
    mask: np.ndarray,
    power: np.ndarray,
    level: np.ndarray,
    first: int,
    pieces: np.ndarray,
    excess: np.ndarray,
    on: np.ndarray,
    rows: np.ndarray,
    sums: np.ndarray,
    before: np.ndarray,
) -> None:
    """Fill, one segment after the other, what each of `pieces` (bin, end, cells before) has: see `Segment`."""
    count = len(mask) - first
    for n in range(len(pieces)):
        low, high, at = pieces[n]
        width = high - low
        before[n] = False
        for b in range(low, high):
            before[n] |= mask[first - 1, b] == 1 or mask[first - 2, b] == 1
        total = 0.0
        for r in range(count):
            cells, claims = excess[at : at + width], on[at : at + width]
            any_on = False
            for b in range(width):
                cells[b] = power[first + r, low + b] - level[low + b]
                claims[b] = mask[first + r, low + b] == 1
                any_on |= claims[b]
            rows[n, r] = any_on
            if any_on:
                for b in range(width):
                    total += cells[b]
            at += width
        sums[n] = total


def find_segments(
    claimed: np.ndarray,
    mask: np.ndarray,
    power: np.ndarray,
    level: np.ndarray,
    first: int,
    of: Plan,
    inside: Callable[[int, int], bool],
    wholes: Sequence[tuple[int, int]] = (),
) -> list[Segment]:
    """Give the segments of a batch, ascending. `mask` and `power` are (rows, bins); rows from `first` are new.

    `claimed` is how many cells of each bin were, in those. Bins [low, high) that lie `inside` an emission known already
    are not looked at for more than one; all there is in the bins of one of `wholes` is one emission.
    """
    used = _in_use(claimed)
    used[1:-1] |= used[:-2] & used[2:]  # a hole of one bin
    for left, right in wholes:
        if (places := np.flatnonzero(used[left:right])).size:
            used[left + places[0] : left + places[-1] + 1] = True
    pieces = [piece for run in runs(used) for piece in _parted(run, wholes)]
    if not pieces:
        return []
    count, cells = len(mask) - first, 0
    places = np.empty((len(pieces), 3), np.int64)
    for n, (low, high) in enumerate(pieces):
        places[n] = low, high, cells
        cells += count * (high - low)
    excess, on = np.empty(cells, np.float32), np.empty(cells, bool)
    rows, before = np.empty((len(pieces), count), bool), np.empty(len(pieces), bool)
    sums = np.empty(len(pieces))
    _lift(mask, power, level, first, places, excess, on, rows, sums, before)
    found: list[Segment] = []
    at = 0
    for n, ((low, high), total, reaches) in enumerate(
        zip(pieces, sums.tolist(), before.tolist(), strict=True)
    ):
        shape = count, high - low
        own = slice(at, at + shape[0] * shape[1])
        at = own.stop
        whole = Segment(
            low, high, excess[own].reshape(shape), on[own].reshape(shape), rows[n], total, reaches
        )
        is_whole = any(low < right and left < high for left, right in wholes)
        found += [whole] if is_whole or inside(low, high) else _split(whole, level, of)
    return found


def _parted(run: tuple[int, int], wholes: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """Cut a run of bins half-way between the wholes that it reaches into."""
    meet = [(left, right) for left, right in wholes if left < run[1] and run[0] < right]
    cuts = [(a[1] + b[0]) // 2 for a, b in pairwise(sorted(meet))]
    edges = [run[0], *(cut for cut in cuts if run[0] < cut < run[1]), run[1]]
    return [(a, b) for a, b in pairwise(edges) if b > a]


@kernel("boolean[::1](float32[::1])")
def _in_use(count: np.ndarray) -> np.ndarray:
    """Tell the bins with claimed cells.

    A click at the edge of a burst claims a cell or two far out: beside a busy column that does not count.
    """
    out = np.zeros(len(count), np.bool_)
    for b in range(len(count)):
        if count[b] > 0:
            near = count[max(0, b - _NEAR) : b + _NEAR + 1].max()
            out[b] = count[b] > _CLICK * near
    return out


def _split(segment: Segment, level: np.ndarray, of: Plan) -> list[Segment]:
    width = segment.high - segment.low
    if width < 3:
        return [segment]
    profile = _steady_profile(segment, level)
    valleys = _valleys(profile)
    edges = [0, *valleys, width]
    # One emission's lines and lobes mirror each other about its middle; two channels of one site seldom do.
    mirrored = len(valleys) > 0 and _is_mirrored(profile)
    if mirrored and len(valleys) == 1:  # or two of the same kind and level: then their power tells
        hills = profile[: valleys[0]], profile[valleys[0] :]
        mirrored = any(np.count_nonzero(hill > 0.1 * hill.max()) < _LINES for hill in hills)
    paired = _within_pairs(profile, valleys)
    cuts = []
    for n, valley in enumerate(valleys):
        before, after = edges[n], edges[n + 2]
        left, right = segment.cut(before, valley), segment.cut(valley, after)
        whole = segment.cut(0, valley), segment.cut(valley, width)
        if valley in paired and (after - before) * of.bin_hz < _TONES_HZ:
            continue
        if _are_two(
            left, right, whole, profile[before:after], valley - before, mirrored or valley in paired, of
        ):
            cuts.append(valley)
    return [segment.cut(a, b) for a, b in pairwise([0, *cuts, width])]


def _steady_profile(segment: Segment, level: np.ndarray) -> np.ndarray:
    """Give the power over the noise per bin, smoothed, without the strongest rows: clicks fill valleys."""
    mean = _lowest_mean(segment.excess, segment.rows, level[segment.low : segment.high], _USUAL)
    padded = np.concatenate([mean[:1], mean, mean[-1:]])
    return np.maximum(0.25 * padded[:-2] + 0.5 * mean + 0.25 * padded[2:], 0.05)


@kernel("float64[::1](float32[:,:], boolean[::1], float32[::1], float64)")
def _lowest_mean(excess: np.ndarray, rows: np.ndarray, level: np.ndarray, share: float) -> np.ndarray:
    """Give, per bin, the mean over the noise of that share of the `rows` in which it is lowest."""
    chosen = np.flatnonzero(rows)
    count = max(round(share * len(chosen)), 1)
    out = np.empty(len(level))
    column = np.empty(len(chosen), np.float32)
    for b in range(len(level)):
        for n in range(len(chosen)):
            column[n] = excess[chosen[n], b] / level[b]
        column.sort()
        out[b] = column[:count].mean()
    return out


def _valleys(profile: np.ndarray) -> list[int]:
    """Give the lowest places between hills that both rise `_VALLEY` times over it."""
    out: list[int] = []
    top, low, at = profile[0], profile[0], 0
    hill = False  # what came before rises enough over `low`
    for n, value in enumerate(profile):
        if hill and value > _VALLEY * low:
            out.append(at)
            hill, top, low, at = False, value, value, n
        elif not hill and value > top:
            top, low, at = value, value, n
        elif value < low:
            low, at = value, n
        hill = hill or low * _VALLEY < top
    return out


def _within_pairs(profile: np.ndarray, valleys: list[int]) -> set[int]:
    """Give the valleys between a hill and those that lie in pairs about it, alike and well below it.

    Sidebands of little modulation do: the pilot of broadcast FM in a quiet passage. What else the segment holds
    has no mirror image, so the whole profile tells nothing.
    """
    edges = [0, *valleys, len(profile)]
    tops = [a + int(profile[a:b].argmax()) for a, b in pairwise(edges)]
    db = 10 * np.log10(profile[tops])
    out: set[int] = set()
    for middle in range(1, len(tops) - 1):
        for step in range(1, min(middle, len(tops) - 1 - middle) + 1):
            left, right = middle - step, middle + step
            down, up = tops[middle] - tops[left], tops[right] - tops[middle]
            if (
                abs(db[left] - db[right]) > _PAIR_DB
                or db[middle] - max(db[left], db[right]) < _BELOW_DB
                or abs(up - down) > max(_PAIR_BINS, _PAIR_SHARE * up)
            ):
                break
            out.update(valleys[left:right])
    return out


def _is_mirrored(profile: np.ndarray) -> bool:
    """Tell whether a profile looks the same from either side of its middle, to a few decibels."""
    db = 10 * np.log10(profile)
    least = max(float(db.max()) - _SHOWN_DB, _CLEAR_DB)
    strong = np.flatnonzero(db >= min(least, float(db.max())))
    middle = int(strong[0] + strong[-1])  # twice its place
    for about in range(middle - _SHIFT, middle + _SHIFT + 1):
        places = np.arange(max(0, about - len(db) + 1), min(about, len(db) - 1) + 1)
        here, there = db[places], db[about - places]
        shown = np.maximum(here, there) > least
        if shown.any() and float(np.abs(here - there)[shown].mean()) < _MIRROR_DB:
            return True
    return False


def _are_two(
    left: Segment,
    right: Segment,
    whole: tuple[Segment, Segment],
    profile: np.ndarray,
    valley: int,
    mirrored: bool,
    of: Plan,
) -> bool:
    """Tell whether what lies left and right of a valley are two emissions; `whole` is all there is on either side."""
    one, two = int(np.argmax(profile[:valley])), valley + int(np.argmax(profile[valley:]))
    deep = min(profile[one], profile[two]) > _DEEP * profile[valley]
    if not deep and (mirrored or min(left.rows.mean(), right.rows.mean()) < _STEADY):
        return False
    # The narrower the bins, the higher a carrier stands over its sidebands.
    slope = _SLOPE * max(_SLOPE_HZ / of.bin_hz, 1.0)
    if max(profile[one], profile[two]) > slope * min(profile[one], profile[two]):
        return True  # or a slope; the detector leaves those out
    apart_hz = (two - one) * of.bin_hz
    verdict = judge(left, right, apart_hz, of.row_s)
    if verdict is not None or apart_hz <= _TONES_HZ:
        return verdict is False
    # Nothing came or went in this batch. Between channels there is a gap; multi-carrier systems leave out a carrier.
    lower = min(profile[one], profile[two])
    gap = int(np.count_nonzero(profile[one:two] < 0.3 * lower))
    levels = float(np.median(profile[:valley])), float(np.median(profile[valley:]))
    stepped = max(levels) > STEP * min(levels)  # no emission's halves differ so much
    if gap < (2 if stepped else _GAP * min(valley, len(profile) - valley)):
        return False
    if apart_hz > _BROADCAST_HZ:
        return True
    if mirrored or (apart_hz > _RASTER_HZ and _have_just_begun(left, right)):
        return False
    if profile[valley] < 1.0 and lower > 30 * profile[valley]:
        return True
    return all(_independent(a, b) for a, b in ((left, right), whole))


def _have_just_begun(one: Segment, two: Segment) -> bool:
    """Tell whether both came up together, so late in the batch that the next one has to tell more."""
    on_one, on_two = one.rows, two.rows
    first = int(np.argmax(on_one))
    late = len(on_one) - first < _ENOUGH + _TOGETHER
    return late and abs(first - int(np.argmax(on_two))) <= _TOGETHER


def _independent(one: Segment, two: Segment) -> bool:
    """Tell whether the power in two places neither rises together nor is keyed from one to the other."""
    both = one.rows & two.rows
    both &= np.roll(both, 1) & np.roll(both, -1)  # edges of bursts say nothing
    a, b = one.excess.sum(axis=1), two.excess.sum(axis=1)
    if both.any():
        both &= a + b > _ON * float(np.median((a + b)[both]))  # nor does what a long box claimed
    if both.sum() < _ENOUGH:
        return False
    a, b = a[both], b[both]
    if min(a.std(), b.std()) == 0:
        return False
    return -_KEYED < float(np.corrcoef(a, b)[0, 1]) < _SWELLS


def _really(on: np.ndarray, power: np.ndarray) -> np.ndarray:
    """Give the claimed rows that are not just there because a long box claimed them."""
    return np.asarray(on & (power > _ON * float(power[on].mean())))


def _without_edges(on: np.ndarray) -> np.ndarray:
    """Give the rows that are on as those beside them: edges of bursts rise and fall in all tones together."""
    beside = np.pad(on, 1, mode="edge")
    return np.asarray(on & beside[:-2] & beside[2:])


def same_emission(one: Segment, two: Segment) -> bool:
    """Tell whether two segments that do not touch are convincingly one emission."""
    return judge(one, two, 0.0, 1.0) is True


def judge(one: Segment, two: Segment, apart_hz: float, row_s: float) -> bool | None:
    """Tell from the time course whether two neighbouring segments are one emission; None if it does not say."""
    on_one, on_two = one.rows, two.rows
    if not on_one.any() or not on_two.any():
        return None
    start_one, start_two = int(np.argmax(on_one)), int(np.argmax(on_two))
    stop_one, stop_two = (
        len(on_one) - int(np.argmax(on_one[::-1])),
        len(on_two) - int(np.argmax(on_two[::-1])),
    )
    together = abs(start_one - start_two) <= _TOGETHER and abs(stop_one - stop_two) <= 2 * _TOGETHER
    far = apart_hz > _TONES_HZ
    power_one, power_two = one.excess.sum(axis=1), two.excess.sum(axis=1)
    either = on_one | on_two
    if either.sum() >= _ENOUGH:
        steady = _without_edges(_really(on_one, power_one) | _really(on_two, power_two))
        a, b = power_one[steady], power_two[steady]
        if len(a) >= _ENOUGH and a.std() > 0 and b.std() > 0 and np.corrcoef(a, b)[0, 1] < -0.5:
            a, b = a / a.mean() if a.mean() > 0 else a, b / b.mean() if b.mean() > 0 else b
            # While both are on neither has its turn.
            differ = a - b
            turns = int(np.count_nonzero(np.diff(np.sign(differ[np.abs(differ) > _PLAINLY * differ.std()]))))
            # What keys a carrier far is quick; time slots of two stations may follow each other as well.
            slow = far and turns * _SLOT_S < len(a) * row_s
            if turns >= 4 or slow:
                return not slow
        a, b = power_one[either], power_two[either]
        if not far and a.std() > 0 and b.std() > 0 and np.corrcoef(a, b)[0, 1] > 0.6:
            return True
    if start_one == 0 and start_two == 0:
        if stop_one == len(on_one) and stop_two == len(on_two):
            return None
        return True if abs(stop_one - stop_two) <= _TOGETHER and not far else None
    if abs(start_one - start_two) <= _TOGETHER:
        return None if far and together else together  # far apart, that alone proves nothing
    return False
