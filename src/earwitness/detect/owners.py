"""Whose a segment is: which open emission it belongs to, where it has to be cut between several, what is none.

An emission meets what lies in its band; beside it lie its own sidebands, its neighbours, a sweep that crosses
it, and the slopes of its own spectrum. Positions are bins, rows those of the batch.
"""

from __future__ import annotations

from itertools import pairwise
from math import sqrt

import numpy as np

from earwitness.detect.follow import SPEECH_HZ, Emission, band_looks, is_voice
from earwitness.detect.scan import BATCH, HISTORY
from earwitness.detect.segments import Segment, judge, same_emission
from earwitness.detect.window import Window

ESTABLISHED = 300  # rows after which an emission's band is known
HILL_ROWS = 8  # rows that it takes to show one
HALO_WIDTH, HALO_BINS = 0.7, 6  # how far slopes reach: widths, and bins at least
_HALO_RATIO = 300.0
_KEYED_ROWS, _KEYED_REACH = 8, 0.04  # off, of a strong one: then reach by the root of the ratio, in widths
_SKIN = 1.5  # bins by which an open emission's band is widened when segments are matched to it
_SIDEBAND_HZ = 6000.0  # from the carrier of sound broadcasting
_SIDES, _ALIKE = 3.0, 0.35  # power ratio of two sidebands at most, and correlation at least
_UNEVEN, _BELOW = 0.13, 4.0  # difference over sum where both are steady; and times they are below the middle
_WEAK_SIDES = 2.0  # power ratio of what only a second's integration shows
_BROAD_HZ, _BROADCAST_HZ = 30e3, 75e3  # width from which it may be broadcast FM; its swing (ITU-R BS.450)
_STAYS = 0.5  # of its level of late, if it goes on beside something new
_OVER = 8.0  # times stronger than what is left of it
_LEFT = 0.15  # of its power, in rows in which it is not
_NOTHING, _MOST = 4.5, 2.0  # standard deviations of noise; times the energy of what is left
_TAIL_ROWS, _FOLLOWS = 4, 15.0  # into which frames of what ended may reach; standard deviations of noise
_TOUCH = 0.25  # share of the narrower band that neighbours may have in common
_CHANNEL_HZ = 6000.0  # apart: nearer ones may be sidebands
_SAME_ROWS = 3  # within which what begins begins together
_FAR_HZ = 1e4  # as of neighbouring channels
_TORN = 3  # batches in a row that show others in an established emission's band
_DIP = 3.0  # times over the place where two that touch are cut apart
_HILL = 6.0  # times over the valley before it
_PLAIN = 10.0  # times over the noise


class Owners:
    """Answers for the open emissions, a list that others keep, in the window of the batch."""

    def __init__(self, window: Window, emissions: list[Emission]):
        self._window = window
        self._plan = window.plan
        self._open = emissions

    def inside(self, low: int, high: int) -> bool:
        """Tell whether bins lie in the band of one open emission, and not far from where it was in its latest batch."""
        return any(
            e.low - _SKIN <= low and high <= e.high + _SKIN and _is_near_latest(e, low, high)
            for e in self._open
        )

    def without_halo(self, found: list[Segment]) -> list[Segment]:
        """Leave out the far slopes of strong emissions' own spectra: near, 25 dB weaker, only while they are on.

        Slopes of what is keyed fall with the square of the distance, so the stronger, the farther. What rises again
        beyond a valley, on one side only of what has been on for long, is none.
        """
        kept = []
        powers = [part.power for part in found]
        for weak, least in zip(found, powers, strict=True):
            for strong, power in zip(found, powers, strict=True):
                if power <= max(_HALO_RATIO * least, 0.0):
                    continue
                gap = max(strong.low - weak.high, weak.low - strong.high)
                on = strong.rows
                width = strong.high - strong.low
                reach = max(HALO_WIDTH * width, HALO_BINS)
                if np.count_nonzero(~on) >= _KEYED_ROWS:
                    ratio = power / max(least, 1e-30)
                    reach = max(reach, _KEYED_REACH * sqrt(ratio) * max(width, HALO_BINS))
                if gap > reach or _goes_on_without(weak, _widen(on)):
                    continue
                if not self._is_clear_of(weak, self.owner(strong.low, strong.high)):
                    break
            else:
                kept.append(weak)
        return kept

    def _is_clear_of(self, weak: Segment, e: Emission | None) -> bool:
        """Tell whether a segment beside an emission that has been on for long rises again on one side of it only."""
        if e is None or e.rows < ESTABLISHED or not self._is_hill(weak, self._line(e), e):
            return False
        level = float(self._window.level[weak.low : weak.high].mean())
        plain = float(weak.excess[weak.rows].mean(axis=0).max()) > _PLAIN * level
        return plain and not self._has_twin(weak, round(e.low + e.high))

    def hold(self, low: int, high: int) -> bool:
        """Tell whether bins [low, high) lie in an open emission's band, or are the other side of what lies in one."""
        if self.owner(low, high) is not None:
            return True
        for e in self._open:
            line = self._line(e)
            if _holds(e, low, high) or _holds(e, line - high, line - low):
                return True
            reach = _BROADCAST_HZ / self._plan.bin_hz
            broad = (e.high - e.low) * self._plan.bin_hz > _BROAD_HZ
            if broad and max(line / 2 - low, high - line / 2) < reach and self._is_balanced(low, high, line):
                return True
        return False

    def _is_balanced(self, low: int, high: int, about: int) -> bool:
        """Tell whether there is about as much on the other side of place `about` / 2 as in bins [low, high)."""
        if about < high or about - low > self._plan.size:
            return False
        one, two = (
            float(self._window.series(a, b)[0].sum()) for a, b in ((low, high), (about - high, about - low))
        )
        return 1 / _WEAK_SIDES < two / max(one, 1e-30) < _WEAK_SIDES

    def of_pulses(self, segment: Segment) -> bool:
        """Tell whether a segment is there only in rows that pulses reach into (their carriers, their edges)."""
        on = segment.rows
        hidden = self._window.hidden[:, (segment.low + segment.high) // 2]
        return int((on & ~hidden).sum()) < max(2, 0.25 * int(on.sum())) and bool(hidden.any())

    def is_over(self, segment: Segment) -> bool:
        """Tell whether a segment is the end of what was on before the batch: only a long box reaches into it."""
        if not segment.before:
            return False
        series, noise, claimed = self._window.series(segment.low, segment.high)
        new, old = claimed[HISTORY:], claimed[:HISTORY][::-1]
        on = len(new) if new.all() else int(new.argmin())
        back = len(old) if old.all() else int(old.argmin())
        if not on or not back or new[on:].any():
            return False
        now = float(series[HISTORY : HISTORY + on].mean())
        before = float(series[HISTORY - back : HISTORY].mean())
        scatter = noise / sqrt(band_looks(self._plan, on, segment.high - segment.low))
        later = series[HISTORY + _TAIL_ROWS : HISTORY + on]
        if len(later) >= HILL_ROWS:  # something weaker may follow
            spread = noise / sqrt(band_looks(self._plan, len(later), segment.high - segment.low))
            if float(later.mean()) > _FOLLOWS * spread:
                return False
        # By itself what is left may be noise.
        idle = on < len(new) and now < _NOTHING * scatter and before * back > _MOST * now * on
        return idle or before > _OVER * max(now, 0.0)

    def sole(self, segment: Segment) -> Emission | None:
        """Give the open emission that a segment lies within, if it meets no other; None asks for a closer look."""
        meet = [e for e in self._open if e.low - _SKIN < segment.high and segment.low < e.high + _SKIN]
        if len(meet) != 1 or meet[0].sweeps:
            return None
        e = meet[0]
        if e.low - _SKIN > segment.low or segment.high > e.high + _SKIN or _only_touches(e, segment):
            return None
        return e

    def share_out(self, segment: Segment) -> list[Segment]:
        """Cut a segment that meets several open emissions half-way between them, or a narrow one out of a wide one.

        The latter also out of a sweep that crosses it.
        """
        meet = [e for e in self._open if e.low - _SKIN < segment.high and segment.low < e.high + _SKIN]
        meet.sort(key=lambda e: e.low + e.high)
        inner = [
            e
            for e in meet
            if any(f.high - f.low > 2 * (e.high - e.low) and f.low < e.high and e.low < f.high for f in meet)
            or (
                _is_still(e)
                and self._cuts_about(e, segment)
                and (self._is_crossed(e, segment) or (len(meet) == 1 and self._is_beside_another(e, segment)))
            )
        ]
        cuts = [cut for e in inner for cut in self._cuts_about(e, segment)]
        between = [
            round((a.high + b.low) / 2)
            for a, b in pairwise(meet)
            if not (a in inner or b in inner) and self._are_apart(a, b, segment)
        ]
        cuts += [cut for cut in between if segment.low < cut < segment.high]
        if not cuts:
            return [segment]
        edges = [segment.low, *sorted(set(cuts)), segment.high]
        return [segment.part(a, b) for a, b in pairwise(edges) if b > a]

    def owner(self, low: float, high: float, part: Segment | None = None) -> Emission | None:
        """Give the open emission that has most of bins [low, high), or None; of `part`, if it is no other's."""
        best, most = None, 0.0
        for e in self._open:
            overlap = min(e.high + _SKIN, high) - max(e.low - _SKIN, low)
            if e.sweeps and part:
                overlap = min(overlap, 0.5 * (high - low))  # what it crosses goes before it
            better = overlap > most or (best and overlap == most and e.high - e.low < best.high - best.low)
            if better and not (part and self._is_another(e, part)):
                best, most = e, overlap
        return best

    def home(self, part: Segment) -> Emission | None:
        """Give the emission a segment beside it belongs to.

        It lies in the emission's band of late (speech after a pause), or is a sideband of its carrier: the other one
        swells with it on the other side; or it is a voice's formant, or where a sweep should be by now.
        """
        narrow = (part.high - part.low) * self._plan.bin_hz < SPEECH_HZ
        for e in self._open:
            if e.is_due(part.low, part.high, self._window.base):
                return e
            if e.rows < BATCH:
                continue
            if narrow and is_voice(e, part.low, part.high, self._plan):  # also after a pause
                return e
            if e.stop < self._window.base - 1:
                continue
            if e.rows >= ESTABLISHED and _holds(e, part.low, part.high):
                return e
            if self._is_sideband(part, e):
                return e
        return None

    def tear(self, e: Emission, parts: list[Segment]) -> tuple[list[Segment], list[Segment]]:
        """Give the parts that are an emission's own, and those that turn out to be others on their own channels."""
        if len(parts) < 2:
            return parts, []
        keep = max(parts, key=lambda s: float(e.excess[s.low : s.high].sum()))
        own = _middle(e.excess, keep.low, keep.high)
        touching = {s.high for s in parts} | {s.low for s in parts}  # what was cut there was judged
        others = [
            part
            for part in parts
            if part is not keep
            and (len(touching) < 2 * len(parts) or judge(keep, part, _FAR_HZ, self._plan.row_s) is False)
            and self._is_hill(part, own, e)
        ]
        e.torn = e.torn + 1 if others else 0
        if not others or (e.rows >= ESTABLISHED and e.torn < _TORN):
            return parts, []
        kept = [part for part in parts if part not in others]
        e.low, e.high = min(s.low for s in kept), max(s.high for s in kept)
        if (e.high - e.low) * self._plan.bin_hz <= _BROAD_HZ:
            for part in others:
                _leave(e, part)
        return kept, others

    def groups(self, fresh: list[Segment]) -> list[list[Segment]]:
        """Join new segments that are one emission though there is a gap between them in frequency."""
        groups: list[list[Segment]] = []
        reach = np.clip(8 * self._plan.bin_hz, 1e3, 1e4) / self._plan.bin_hz
        for segment in sorted(fresh, key=lambda s: s.low):
            if groups:
                last = groups[-1][-1]
                # What touches has been judged already.
                if 0 < segment.low - last.high <= reach and same_emission(last, segment):
                    groups[-1].append(segment)
                    continue
            groups.append([segment])
        return groups

    def _are_apart(self, a: Emission, b: Emission, segment: Segment) -> bool:
        """Tell whether two emissions that a segment meets have a valley between them, or have lived side by side for long."""
        if min(a.rows, b.rows) >= ESTABLISHED:
            return True
        hill = segment.excess[segment.rows].mean(axis=0)
        one, two = (
            int(np.clip((e.low + e.high) / 2, segment.low, segment.high - 1)) - segment.low for e in (a, b)
        )
        if one == two:
            return False
        low = one + int(hill[one : two + 1].argmin())
        return bool(min(hill[: low + 1].max(), hill[low:].max()) > _DIP * hill[low])

    def _cuts_about(self, emission: Emission, segment: Segment) -> list[int]:
        """Give where an emission ends in a segment that reaches well beyond it: what is near is its own flank."""
        flank = _flank(emission)
        cuts = []
        if emission.low - segment.low > flank:
            cuts.append(round(emission.low - _SKIN))
        if segment.high - emission.high > flank:
            cuts.append(round(emission.high + _SKIN))
        return [cut for cut in cuts if segment.low < cut < segment.high]

    def _is_beside_another(self, emission: Emission, segment: Segment) -> bool:
        """Tell whether a segment holds, beside an emission that stays as it was, a hill of its own."""
        a, b = self._window.bins(emission.low, emission.high)
        if float(self._over_floor(a, b, len(segment.on)).mean()) < _STAYS * emission.late_level:
            return False
        edges = [segment.low, *self._cuts_about(emission, segment), segment.high]
        return any(
            self._is_hill(segment.part(low, high), self._line(emission), emission)
            for low, high in pairwise(edges)
            if high <= emission.low or low >= emission.high
        )

    def _is_crossed(self, emission: Emission, segment: Segment) -> bool:
        """Tell whether what a segment holds beside an emission moves through the band as a sweep does."""
        places = np.arange(segment.low, segment.high) + 0.5
        own = _SIDEBAND_HZ / self._plan.bin_hz  # what speech adds to a band is no sweep
        left = max(emission.near_low, emission.low - own) - _SKIN
        right = min(emission.near_high, emission.high + own) + _SKIN
        beside = (places < left) | (places > right)
        if not beside.any():
            return False
        return _moves(segment.on[:, beside], np.flatnonzero(beside))

    def _is_another(self, e: Emission, part: Segment) -> bool:
        """Tell whether a segment that meets an emission's band is no part of it: a sweep, or its neighbour."""
        if e.sweeps:
            return not e.is_due(part.low, part.high, self._window.base)
        crossed = _is_beside(e, part.low, part.high) and self._is_crossed(e, part)
        return crossed or self._is_neighbour(e, part)

    def _is_neighbour(self, e: Emission, part: Segment) -> bool:
        """Tell whether a segment that only touches an emission is a hill of its own, as on the next channel.

        What an emission's own modulation throws to one side it throws to the other as well.
        """
        if not _only_touches(e, part):
            return False
        on = np.any(self._window.mask[:, part.low : part.high] == 1, axis=1)
        came = int(np.argmax(on)) + self._window.base - HISTORY
        if abs(came - e.start) <= _SAME_ROWS or came <= max(e.start, self._window.base - HISTORY):
            return self._is_clear_of(part, e)  # it has been there all the time
        a, b = self._window.bins(e.low, e.high)
        return self._is_hill(part, _middle(e.excess, a, b), e)

    def _is_hill(self, part: Segment, about: int, e: Emission) -> bool:
        """Tell whether a segment is a hill far from place `about` / 2, beyond a valley, and not half of a pair about it.

        What emission `e` throws to both sides is no farther out than its sound or, of wide ones, swing reaches.
        """
        own = about // 2
        rows = part.rows
        if np.count_nonzero(rows) < HILL_ROWS or _moves(part.on, np.arange(part.low, part.high)):
            return False
        hill = part.excess[rows].mean(axis=0)
        top = part.low + int(hill.argmax())
        if abs(top - own) * self._plan.bin_hz < _CHANNEL_HZ:
            return False
        low, high = sorted((own, top))
        here = self._window.power[HISTORY : HISTORY + len(rows), low : high + 1][rows].mean(axis=0)
        here = here - self._window.level[low : high + 1]
        if here.min() > hill.max() / _HILL:
            return False
        return abs(top - own) > self._throw(e) or not self._has_twin(part, about)

    def _throw(self, e: Emission) -> float:
        """Give how far in bins from its middle an emission may have sidebands."""
        width_hz = (e.high - e.low) * self._plan.bin_hz
        return (_BROADCAST_HZ if width_hz > _BROAD_HZ else max(_SIDEBAND_HZ, width_hz)) / self._plan.bin_hz

    def _has_twin(self, part: Segment, about: int) -> bool:
        """Tell whether the same happens on the other side of the bin position `about` / 2.

        Two sides swell together; or both are steady, alike to a decibel and well below the middle.
        """
        low, high = about - part.high, about - part.low
        if low < 0 or high > self._plan.size:
            return False
        rows = len(part.excess)
        here, there = part.excess.sum(axis=1), self._over_floor(low, high, rows)
        one, two = float(here.mean()), float(there.mean())
        if min(one, two) <= 0 or not 1 / _SIDES < one / two < _SIDES:
            return False
        if float(np.corrcoef(here, there)[0, 1]) > _ALIKE:
            return True
        noise = float(self._window.level[part.low : part.high].sum())
        scatter = noise / sqrt(band_looks(self._plan, rows, part.high - part.low))
        if abs(one - two) > _UNEVEN * (one + two) + 4 * scatter:
            return False
        half = max((part.high - part.low) // 2, 1)
        middle = self._over_floor(max(about // 2 - half, 0), about // 2 + half + 1, rows)
        return float(middle.mean()) > _BELOW * max(one, two)

    def _over_floor(self, low: int, high: int, rows: int) -> np.ndarray:
        """Give the power over the floor in bins [low, high) per row of the batch."""
        power = self._window.power[HISTORY : HISTORY + rows, low:high].sum(axis=1)
        return np.asarray(power - self._window.level[low:high].sum())

    def _line(self, e: Emission) -> int:
        """Give twice the place of an emission's strongest hill."""
        return _middle(e.excess, *self._window.bins(e.low, e.high))

    def _is_sideband(self, part: Segment, e: Emission) -> bool:
        width_hz = (e.high - e.low) * self._plan.bin_hz
        reach = (_BROADCAST_HZ if width_hz > _BROAD_HZ else _SIDEBAND_HZ) / self._plan.bin_hz
        if part.low > e.high + reach or part.high < e.low - reach:
            return False
        line = self._line(e)
        if max(line / 2 - part.low, part.high - line / 2) > reach:
            return False
        return self._has_twin(part, line)


def _middle(excess: np.ndarray, low: int, high: int) -> int:
    """Give twice the place of the strongest hill in bins [low, high): of what rises to a quarter of its height."""
    part = excess[low:high]
    top = int(part.argmax())
    lower = part <= part[top] / 4
    left, right = lower[:top][::-1], lower[top:]
    a = top - (int(left.argmax()) if left.any() else top)
    b = top + (int(right.argmax()) if right.any() else len(right))
    hill = part[a:b]
    total = float(hill.sum())
    offset = float(hill @ np.arange(b - a, dtype=np.float32)) / total if total > 0 else 0.0
    return round(2 * (low + a + offset)) + 1


def _is_still(e: Emission) -> bool:
    """Tell whether an emission has kept its place for long: a sweep has not."""
    return e.rows >= ESTABLISHED and e.most - e.least <= 1.4 * (e.high - e.low) + 3


def _moves(on: np.ndarray, places: np.ndarray) -> bool:
    """Tell whether cells claimed, bool (rows, bins), run steadily through the bins as those of a sweep do."""
    rows = np.flatnonzero(on.any(axis=1))
    if len(rows) < 6:
        return False
    middle = (on[rows] @ places.astype(float)) / on[rows].sum(axis=1)
    return bool(np.ptp(middle) >= 5 and abs(np.corrcoef(rows, middle)[0, 1]) > 0.9)


def _holds(e: Emission, low: float, high: float) -> bool:
    """Tell whether bins [low, high) lie in an emission's band of late."""
    return e.near_low - _SKIN <= low and high <= e.near_high + _SKIN


def _is_near_latest(e: Emission, low: float, high: float) -> bool:
    """Tell whether bins [low, high) are no further from an emission's latest band than its own flanks reach."""
    a, b = e.latest
    flank = _SKIN + max(2.0, 0.5 * (b - a))
    return a - flank <= low and high <= b + flank


def _leave(e: Emission, part: Segment) -> None:
    """Take out of a narrow emission's band and power what lies on the side of a segment that is another's after all."""
    if part.low >= e.high:
        cut = round((e.high + part.low) / 2)
        e.most, e.near_high = min(e.most, cut), min(e.near_high, cut)
        e.excess[cut:] = 0
    elif part.high <= e.low:
        cut = round((part.high + e.low) / 2)
        e.least, e.near_low = max(e.least, cut), max(e.near_low, cut)
        e.excess[:cut] = 0


def _only_touches(e: Emission, part: Segment) -> bool:
    """Tell whether a segment has next to nothing in common with an emission's band."""
    overlap = min(e.high, part.high) - max(e.low, part.low)
    return overlap <= _TOUCH * min(part.high - part.low, e.high - e.low)


def _flank(e: Emission) -> float:
    """Give how far in bins from an emission's band what is seen may be its own."""
    return _SKIN + max(2.0, 0.5 * (e.high - e.low))


def _is_beside(e: Emission, low: float, high: float) -> bool:
    """Tell whether bins [low, high) reach far from one side of an emission that has kept its place."""
    if max(e.low - low, high - e.high) <= _SKIN + max(2.0, 0.25 * (e.high - e.low)) or not _is_still(e):
        return False
    return min(e.high, high) - max(e.low, low) < 0.5 * (e.high - e.low)


def _goes_on_without(weak: Segment, on: np.ndarray) -> bool:
    """Tell whether a segment is there outside rows `on` as well; a long box claims rows in which nothing is."""
    outside = weak.rows & ~on
    if not outside.any():
        return False
    inside = weak.rows & on
    if not inside.any():
        return True
    power = weak.excess.sum(axis=1)
    return float(power[outside].mean()) > _LEFT * float(power[inside].mean())


def _widen(rows: np.ndarray) -> np.ndarray:
    """Give rows that are on or within two rows of one that is."""
    return np.convolve(rows, np.ones(5), "same") > 0


def is_crowded(e: Emission, parts: list[Segment], everything: list[Segment]) -> bool:
    """Tell whether anything but the parts of an emission touches its band."""
    low, high = e.low - _SKIN, e.high + _SKIN
    return any(part.low < high and low < part.high and part not in parts for part in everything)
