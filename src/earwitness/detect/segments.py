"""From claimed cells to segments of the band: what touches, cut apart where two emissions only touch.

A valley alone does not part two signals: frequency-shift keying has one between its tones and broadcast FM has
deep holes. What parts them is that they come and go at different times; what joins them is that they come and
go together, or that one is strong exactly when the other is weak (keying), or both swell together (side bands).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from earwitness.detect.scan import columns
from earwitness.spectrum.stft import Plan

_VALLEY = 10.0  # power ratio of both hills over the valley that makes a cut worth a look
_BROADCAST_HZ = 160e3  # apart: broadcast FM swings over 150 kHz at most (ITU-R BS.450), so these are two
_TOGETHER = 3  # rows within which two starts are the same start


@dataclass(slots=True)
class Segment:
    """A run of bins [low, high) with, per row of the batch, its power over the floor and whether it was claimed."""

    low: int
    high: int
    excess: np.ndarray  # float (rows, bins of the segment)
    on: np.ndarray  # bool (rows, bins of the segment)
    before: bool  # claimed cells in the rows just before the batch

    @property
    def power(self) -> float:
        """Give the power over the floor, summed over its bins and the rows in which it was claimed."""
        return float(self.excess[self.on.any(axis=1)].sum())

    def part(self, low: int, high: int) -> Segment:
        """Give the part of it that lies in bins [low, high)."""
        s = slice(low - self.low, high - self.low)
        return Segment(low, high, self.excess[:, s], self.on[:, s], self.before)


def find_segments(
    mask: np.ndarray,
    power: np.ndarray,
    level: np.ndarray,
    first: int,
    of: Plan,
    inside: Callable[[int, int], bool],
) -> list[Segment]:
    """Give the segments of a batch, ascending. `mask` and `power` are (rows, bins); rows from `first` are new.

    Bins [low, high) that lie `inside` an emission known already are not looked at for more than one.
    """
    bins = mask.shape[1]
    count = np.empty(bins, np.float32)
    if not columns(mask, first, count):
        return []
    # A click at the edge of a burst claims a cell or two far out: beside a busy column that does not count.
    near = count.copy()
    for shift in (1, 2, 4, 8):
        near[shift:] = np.maximum(near[shift:], near[:-shift].copy())
        near[:-shift] = np.maximum(near[:-shift], near[shift:].copy())
    used = count > 0.06 * near
    used[1:-1] |= used[:-2] & used[2:]  # a hole of one bin
    edges = np.flatnonzero(np.diff(np.concatenate([[0], used.view(np.int8), [0]])))
    found: list[Segment] = []
    for low, high in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        whole = Segment(
            low,
            high,
            power[first:, low:high] - level[low:high],
            mask[first:, low:high] == 1,
            bool((mask[first - 2 : first, low:high] == 1).any()),
        )
        found += [whole] if inside(low, high) else _split(whole, level, of)
    return found


def _split(segment: Segment, level: np.ndarray, of: Plan) -> list[Segment]:
    width = segment.high - segment.low
    if width < 3:
        return [segment]
    rows = segment.on.any(axis=1)
    profile = segment.excess[rows].mean(axis=0) / level[segment.low : segment.high]
    smooth = np.convolve(np.pad(profile, 1, mode="edge"), [0.25, 0.5, 0.25], "valid")
    smooth = np.maximum(smooth, 0.05)
    left = np.maximum.accumulate(smooth)
    right = np.maximum.accumulate(smooth[::-1])[::-1]
    depth = np.minimum(left, right) / smooth
    cut = int(np.argmax(depth))
    if depth[cut] < _VALLEY or cut == 0 or cut == width - 1:
        return [segment]
    at = segment.low + cut
    one, two = segment.part(segment.low, at), segment.part(at, segment.high)
    if max(left[cut], right[cut]) > 300 * min(left[cut], right[cut]):
        return _split(one, level, of) + _split(two, level, of)  # a slope; the detector leaves those out
    verdict = judge(one, two)
    if verdict is None:
        # Nothing moved in this batch: part them if the valley goes down to the noise between far enough hills.
        apart = (
            two.low + int(np.argmax(smooth[cut:])) - segment.low - int(np.argmax(smooth[:cut]))
        ) * of.bin_hz
        clear = smooth[cut] < 1.0 and depth[cut] > 30 and apart > 4000
        verdict = not (clear or apart > _BROADCAST_HZ)
    if verdict:
        return [segment]
    return _split(one, level, of) + _split(two, level, of)


def same_emission(one: Segment, two: Segment) -> bool:
    """Tell whether two segments that do not touch are convincingly one emission."""
    return judge(one, two) is True


def judge(one: Segment, two: Segment) -> bool | None:
    """Tell from the time course whether two neighbouring segments are one emission; None if it does not say."""
    on_one, on_two = np.asarray(one.on.any(axis=1)), np.asarray(two.on.any(axis=1))
    if not on_one.any() or not on_two.any():
        return None
    power_one, power_two = one.excess.sum(axis=1), two.excess.sum(axis=1)
    either = on_one | on_two
    if either.sum() >= 12:
        a, b = power_one[either], power_two[either]
        if a.std() > 0 and b.std() > 0:
            likeness = float(np.corrcoef(a, b)[0, 1])
            a, b = a / a.mean() if a.mean() > 0 else a, b / b.mean() if b.mean() > 0 else b
            turns = int(np.count_nonzero(np.diff(np.sign(a - b))))
            if likeness < -0.5 and turns >= 4:
                return True
            if likeness > 0.6:
                return True
    start_one, start_two = int(np.argmax(on_one)), int(np.argmax(on_two))
    stop_one, stop_two = (
        len(on_one) - int(np.argmax(on_one[::-1])),
        len(on_two) - int(np.argmax(on_two[::-1])),
    )
    if start_one == 0 and start_two == 0:
        if stop_one == len(on_one) and stop_two == len(on_two):
            return None
        return True if abs(stop_one - stop_two) <= _TOGETHER else None
    if abs(start_one - start_two) <= _TOGETHER:
        return abs(stop_one - stop_two) <= 2 * _TOGETHER
    return False
