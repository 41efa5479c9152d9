"""From rows of power to detections: claim, segment, follow.

Rows are judged in batches of 64 (about 0.1 s). `scan` claims cells; claimed columns that touch become
segments, split where their parts live apart (`segments`); a segment goes to the open emission whose band it
meets, or opens a new one. An emission is on or off row by row; how long a silence it bridges depends on what it
looks like (`follow.bridge_s`). Pulses go their own way (`trains`), and so does what only a second or two of
integration shows (`slow`). Frequencies inside are bin positions (0 = lowest edge of the lowest bin), times
are row numbers since the first row.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from math import log10
from typing import NamedTuple

import numpy as np

from earwitness.core.types import Detection
from earwitness.detect.artefacts import ReceiverRows, StretchStatistics, reason
from earwitness.detect.follow import (
    DOUBT_S,
    EDGE_S,
    NARROW_HZ,
    SOFT,
    Emission,
    band_looks,
    bridge_s,
    carry,
    grow,
    is_clear,
    is_one,
    is_same,
    united,
    wait_s,
    weak_limit,
    word_gap_s,
)
from earwitness.detect.limits import limits
from earwitness.detect.offset import REACH, is_offset, is_station, take_out
from earwitness.detect.rows import above, band, claim_known, collect, hide, outline
from earwitness.detect.scan import BATCH, HISTORY, Scanner, mask_skirts, normalise
from earwitness.detect.segments import Segment, find_segments, judge, same_emission
from earwitness.detect.slow import UNIT, Found, SlowScan
from earwitness.detect.trains import Trains
from earwitness.spectrum.floor import NoiseFloor
from earwitness.spectrum.stft import Plan, SpectrumBlock, looks, plan

_ROOM = 2  # batches in the rings besides the history
_WIDEST = 256  # bins of a box; what is wider is found by its parts
_EAGER_BATCHES = 16  # the floor is followed in every batch up to here,
_LAZY = 4  # then in every fourth
_WARM_BATCHES = 4  # rows kept back at first, until the floor is known
_MOST_OPEN = 512
_HALO_RATIO = 300.0
_HALO_WIDTH = 0.7
_HALO_BINS = 6
_HALO_FROM = 3.0  # times the noise: an emission this strong has slopes that a second's mean shows
_TRACE = 30.0  # times weaker than an emission was: not its fading
_WEAK = 4.0  # times the noise: weaker ones drop out for
_DROPOUT_S = 0.015  # so long by the noise alone
_ESTABLISHED = 300  # rows after which an emission's band is known
_FLAT = 2e-5  # of the power: what single precision leaves of the variance of a constant
_EMPTY = 1e-11  # of the power, in bins far from the centre
_SKIN = 1.5  # bins by which an open emission's band is widened when segments are matched to it
_MEMORY_S = 1.5  # over which an emission's level of late is taken
_SIDEBAND_HZ = 6000.0  # from the carrier of sound broadcasting
_SIDES, _ALIKE = 3.0, 0.35  # power ratio of two sidebands at most, and correlation at least
_TOUCH = 0.25  # share of the narrower band that neighbours may have in common
_CHANNEL_HZ = 6000.0  # apart: nearer ones may be sidebands
_RIM = 0.1  # share of the power that may lie in reach of neighbours, on either side
_SAME_ROWS = 3  # within which what begins begins together
_GAIN_FELL = 0.8  # of the floor: that far down at once
_FAR_HZ = 1e4  # as of neighbouring channels
_TORN = 3  # batches in a row that show others in an established emission's band
_DIP = 3.0  # times over the place where two that touch are cut apart
_HILL, _HILL_ROWS = 6.0, 8  # times over the valley before it, and rows it takes, that make a hill
_UNITE_S, _BEGIN_S = 2.0, 0.3  # as long as an emission may turn out to be part of another, begun so near it
_SLOW_SHARE = 0.1  # of the false alarms


class _Rows(NamedTuple):
    """Rows not yet judged."""

    power: np.ndarray
    quick: np.ndarray
    receiver: ReceiverRows

    def part(self, first: int, last: int) -> _Rows:
        """Give rows [first, last)."""
        per = len(self.quick) // max(1, len(self.power))
        return _Rows(
            self.power[first:last], self.quick[first * per : last * per], self.receiver.part(first, last)
        )


class Detector:
    """Finds emissions in a stream of `SpectrumBlock`s, with a stated rate of false alarms on noise alone.

    `false_alarms_per_hour` is shared by all box shapes. Memory does not grow with the stream. `statistics`
    tells of the receiver over the stretch so far. A stretch in which one value repeats ends what is open, since
    nothing can be heard there; not so with `silence`, for demodulated audio that is zero between transmissions.
    """

    def __init__(
        self, rate_hz: float, center_hz: float, *, false_alarms_per_hour: float = 1.0, silence: bool = False
    ):
        self.plan: Plan = plan(rate_hz)
        self.center_hz = center_hz
        self.floor = NoiseFloor(self.plan)
        self.statistics = StretchStatistics(rate_hz)
        self._per_hour = false_alarms_per_hour
        self._silence = silence
        self._stuck = False  # the last row held one value only
        bins = self.plan.size
        self._widest = min(bins // 8, _WIDEST)
        share = (1 - _SLOW_SHARE) / (2 if self.plan.quick_size else 1)
        self._fast_per_hour = share * false_alarms_per_hour
        self._scanner, self._settled_scanner = (
            Scanner(limits(self.plan, self._fast_per_hour, spread, BATCH, self._widest, batch_rows=BATCH))
            for spread in (self.floor.spread, 1.5 * self.floor.settled_spread)
        )
        # A window of history and one batch moves along these, and back to the start when it reaches the end.
        rows = HISTORY + _ROOM * BATCH
        self._rings = (
            np.ones((rows, bins), np.float32),
            np.ones((rows, bins), np.float32),
            np.zeros((rows, bins), np.uint8),
        )
        self._hidden = np.zeros((BATCH, bins), bool)  # cells that pulses cover
        self._memory_rows = _MEMORY_S / self.plan.row_s
        self._edge_rows = max(2, round(EDGE_S / self.plan.row_s))
        self._count = 0
        self._open: list[Emission] = []
        self._begin_stretch(0)

    def _begin_stretch(self, start: int) -> None:
        self._start = start  # sample index of row 0
        self._row = 0  # rows judged so far
        self._base = 0  # the row that stands first behind the history
        self._at = 0
        self._power, self._ratio, self._mask = (ring[: HISTORY + BATCH] for ring in self._rings)
        power, ratio, mask = self._rings
        power[:], ratio[:], mask[:] = 1, 1, 0
        self._fresh = True
        self._batches = 0
        self._total = 0.0  # mean power of all in the last batch
        self._wait: list[_Rows] = []
        self._waiting = 0
        self._slow = SlowScan(
            self.plan, _SLOW_SHARE * self._per_hour, 1.5 * self.floor.settled_spread, self._widest
        )
        self._spike: Emission | None = None  # the receiver's constant offset, once it is known
        self._trains: Trains | None = None
        if self.plan.quick_size:
            self._trains = self._new_trains()

    def _new_trains(self) -> Trains:
        first = self._start + self.plan.quick_hop // 2
        return Trains(self.plan, self.center_hz, self._fast_per_hour, self._next_number, first)

    def _next_number(self) -> int:
        self._count += 1
        return self._count

    @property
    def offset(self) -> float:
        """Give the amplitude of the receiver's constant offset where that stands out, else 0."""
        return 0.0 if self._spike is None else self.statistics.offset

    @property
    def share_per_shape(self) -> float:
        """Give the false alarms per hour that each shape of box may cause."""
        shapes = BATCH.bit_length() * self._widest.bit_length()
        return self._fast_per_hour / shapes

    # -- the stream -------------------------------------------------------------------------------

    def feed(self, block: SpectrumBlock) -> list[Detection]:
        """Take the next rows; give the detections that opened, grew or closed."""
        stuck = None if self._silence else self._stuck_rows(block)
        if stuck is None:
            return self._feed(block)
        out: list[Detection] = []
        edges = np.flatnonzero(np.diff(np.concatenate([[True], stuck, [True]])))
        for first, last in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            if first > 0:
                out += self.close()
            out += self._feed(block.part(first, last))
        return _latest(out if not stuck[-1] else out + self.close())

    def _stuck_rows(self, block: SpectrumBlock) -> np.ndarray | None:
        """Tell the rows that hold one value only, and those whose frames reach into them; None if there are none.

        All power is the mean's, and far from it there is not even the noise of eight bits.
        """
        total = block.total
        flat = total - np.abs(block.dc) ** 2 <= _FLAT * total
        if not self._stuck and not flat.any():
            return None
        at = self.plan.size // 4
        flat &= block.power[:, at - 4 : at + 4].max(axis=1) <= _EMPTY * total
        self.statistics.stuck += int(np.count_nonzero(flat)) * block.hop
        reach = -(-self.plan.size // self.plan.row)  # rows into which a frame may reach
        beside = np.concatenate([[self._stuck] * reach, flat, [False] * reach])
        self._stuck = bool(len(flat)) and bool(flat[-1])
        wide = np.lib.stride_tricks.sliding_window_view(beside, 2 * reach + 1).any(axis=1)
        return np.asarray(wide) if np.any(wide) else None

    def _feed(self, block: SpectrumBlock) -> list[Detection]:
        out: list[Detection] = []
        rows = self._row + self._waiting
        if rows == 0:
            self._begin_stretch(block.start)
        elif block.start != self._start + rows * self.plan.row:
            out += self.close()
            self.statistics.jumps.append(block.start)
            self._begin_stretch(block.start)
        self.statistics.add(block)
        receiver = ReceiverRows(block.mirror, block.dc, block.clipped, block.total)
        self._wait.append(_Rows(block.power, block.quick, receiver))
        self._waiting += len(block.power)
        if self._waiting >= BATCH * (_WARM_BATCHES if self._fresh else 1):
            out += self._drain()
        return _latest(out)

    def close(self) -> list[Detection]:
        """End the stream: judge what is left and close what is open."""
        out = self._drain()
        if self._waiting:
            out += self._judge(self._take(self._waiting))
        for emission in list(self._open):
            out += self._end(self._decide(emission, out), self._row - self._base)
        if self._spike is not None:
            out.append(self._detection(self._spike, still_open=False))
        if self._trains is not None:
            out += self._trains.close()
        self._begin_stretch(0)
        return _latest(out)

    def _drain(self) -> list[Detection]:
        """Judge whole batches of the rows that wait."""
        if self._fresh and self._waiting:
            self._fresh = not self._first_floor()
        out: list[Detection] = []
        while self._waiting >= BATCH and not self._fresh:
            out += self._judge(self._take(BATCH))
        return out

    def _take(self, count: int) -> list[_Rows]:
        """Give the first `count` waiting rows, in pieces."""
        pieces: list[_Rows] = []
        self._waiting -= count
        while count:
            rows = self._wait[0]
            if len(rows.power) <= count:
                pieces.append(self._wait.pop(0))
            else:
                pieces.append(rows.part(0, count))
                self._wait[0] = rows.part(count, len(rows.power))
            count -= len(pieces[-1].power)
        return pieces

    # -- one batch --------------------------------------------------------------------------------

    def _first_floor(self) -> bool:
        """Take the noise floor from the rows that wait; tell whether there were enough."""
        power = np.concatenate([rows.power for rows in self._wait])
        if self._trains is not None:
            _, pulses = self._new_trains().feed([rows.quick for rows in self._wait])
            power = _without(power, pulses)
        usable = len(power) // 8 * 8
        if usable:
            self.floor.update(np.ascontiguousarray(power[:usable]))
        return usable > 0

    def _judge(self, pieces: list[_Rows]) -> list[Detection]:
        count = sum(len(rows.power) for rows in pieces)
        self._base = self._row
        self._row += count
        self._at += BATCH
        if self._at + HISTORY + BATCH > len(self._rings[0]):
            for ring in self._rings:
                ring[:HISTORY] = ring[self._at : self._at + HISTORY]
            self._at = 0
        window = slice(self._at, self._at + HISTORY + BATCH)
        self._power, self._ratio, self._mask = (ring[window] for ring in self._rings)
        power, ratio, mask = (ring[HISTORY:] for ring in (self._power, self._ratio, self._mask))
        np.concatenate([rows.power for rows in pieces], out=power[:count])
        power[count:] = self.floor.level
        mask[:] = 0
        self._pieces = pieces
        if self._spike is not None:
            self._spike.stop = self._row
            take_out(self._spike, power)
        out: list[Detection] = []
        pulses = None
        if self._trains is not None:
            found, pulses = self._trains.feed([rows.quick for rows in pieces])
            out += found
        due = self._floor_is_due(pieces) and count == BATCH
        change = 1.0  # of the floor in this batch
        if due:
            clean = _without(power[:count], pulses)
            usable = len(clean) // 8 * 8
            if usable >= 16:
                usual = self.floor.level
                self.floor.update(clean[:usable])
                change = float(np.median(self.floor.level / usual))
        strong = normalise(power, self.floor.level, ratio)
        if change < _GAIN_FELL:
            _level_rows(ratio[:count])
        self._hide(pulses, ratio[:count], mask[:count])
        if strong:
            mask_skirts(self._ratio, self._mask, HISTORY)
        scanner = self._scanner if self._batches <= _EAGER_BATCHES else self._settled_scanner
        known = np.zeros(self.plan.size, bool)
        beside = known.copy()
        claims = 0
        for emission in self._open:
            low, high = self._bins(emission.low, emission.high)
            known[low:high] = True
            reach = 0
            if self._strength(emission) > _HALO_FROM:
                reach = max(_HALO_BINS, round(_HALO_WIDTH * (high - low)))
            beside[max(0, low - reach) : high + reach] = True
            claims += claim_known(self._ratio, self._mask, HISTORY, low, high, scanner.limits.last)
        if self._spike is not None:  # its own slopes are no weak signals
            middle = self.plan.size // 2
            known[middle - REACH : middle + REACH + 1] = True
            beside[middle - REACH - _HALO_BINS : middle + REACH + 1 + _HALO_BINS] = True
        claims += scanner.scan(self._ratio, self._mask, HISTORY)
        if due:
            self.floor.learn(ratio, ((mask == 0) & ~known).view(np.uint8))
        if claims:  # what is on and off by turns is not weak
            beside |= np.convolve((mask == 1).any(axis=0), np.ones(2 * _HALO_BINS + 1), "same") > 0
        weak = self._slow.feed(ratio, beside) if count == BATCH else []
        if claims or self._open or weak:
            out += self._follow(count, weak)
        known_spike = next((e for e in self._open if e.spike), None)
        if known_spike is not None:
            self._open.remove(known_spike)
            self._spike = known_spike
        return out

    def _floor_is_due(self, pieces: list[_Rows]) -> bool:
        self._batches += 1
        total = sum(float(rows.receiver.total.sum()) for rows in pieces) / BATCH
        ratio = total / max(self._total, 1e-30)
        self._total = total
        # A jump of the whole power: the gain changed, or something strong came or went.
        return self._batches <= _EAGER_BATCHES or self._batches % _LAZY == 0 or not 0.8 < ratio < 1.25

    def _hide(self, pulses: np.ndarray | None, ratio: np.ndarray, mask: np.ndarray) -> None:
        """Take out of the fine rows what pulses explain; who looks there sees nothing."""
        self._hidden[:] = False
        if pulses is None:
            return
        hide(pulses, ratio, mask, self._hidden)

    def _receiver(self) -> ReceiverRows:
        """Give the receiver's rows of this batch, joined when first asked for."""
        if len(self._pieces) > 1:
            parts = [rows.receiver for rows in self._pieces]
            joined = ReceiverRows(
                np.concatenate([p.mirror for p in parts]),
                np.concatenate([p.dc for p in parts]),
                np.concatenate([p.clipped for p in parts]),
                np.concatenate([p.total for p in parts]),
            )
            self._pieces = [self._pieces[0]._replace(receiver=joined)]
        return self._pieces[0].receiver

    def _follow(self, count: int, weak: list[Found]) -> list[Detection]:
        found = find_segments(self._mask, self._power, self.floor.level, HISTORY, self.plan, self._inside)
        found = self._without_halo(found)
        meets: dict[int, list[Segment]] = {}
        fresh: list[Segment] = []
        for segment in found:
            for part in self._share_out(segment):
                owner = self._owner(part.low, part.high, part)
                owner = owner or self._home(part)
                if owner is None:
                    if not self._of_pulses(part):
                        fresh.append(part)
                else:
                    meets.setdefault(owner.number, []).append(part)
        out: list[Detection] = []
        for emission in self._open:
            meets[emission.number], others = self._tear(emission, meets.get(emission.number, []))
            fresh += others
        everything = [*fresh, *(part for parts in meets.values() for part in parts)]
        for emission in list(self._open):
            parts = meets[emission.number]
            emission.crowded = _is_crowded(emission, parts, everything)
            out += self._advance(emission, parts, count)
        for group in self._groups(fresh):
            out += self._begin(group, everything, count)
        for one in weak:
            out += self._begin_slow(one, count)
        return out + self._unite(count)

    def _unite(self, count: int) -> list[Detection]:
        """Make one emission of young ones that have grown together: the parts end, and say what they are part of."""
        least = self._base + count - _UNITE_S / self.plan.row_s
        row = sorted(
            (e for e in self._open if e.reported and e.before is None and e.start > least),
            key=lambda e: e.low,
        )
        parts: dict[int, list[Emission]] = {}
        at = 0
        while at + 1 < len(row):
            left, right = row[at], row[at + 1]
            if abs(left.start - right.start) > _BEGIN_S / self.plan.row_s or not is_one(left, right):
                at += 1
                continue
            one = united(left, right, self._next_number())
            parts[one.number] = [*parts.pop(left.number, [left]), *parts.pop(right.number, [right])]
            row[at : at + 2] = [one]
            at = max(at - 1, 0)
        out: list[Detection] = []
        for one in row:
            for part in parts.get(one.number, []):
                self._open.remove(part)
                out.append(replace(self._detection(part, still_open=False), part_of=one.number))
            if one.number in parts:
                self._open.append(one)
                out.append(self._detection(one, still_open=True))
        return out

    def _inside(self, low: int, high: int) -> bool:
        """Tell whether bins lie in the band of one open emission."""
        return any(e.low - _SKIN <= low and high <= e.high + _SKIN for e in self._open)

    def _begin_slow(self, found: Found, count: int) -> list[Detection]:
        if self._owner(found.low, found.high) is not None or len(self._open) >= _MOST_OPEN:
            return []
        for e in self._open:
            line = self._line(e)
            if _holds(e, found.low, found.high) or _holds(e, line - found.high, line - found.low):
                return []
        end = self._base + count
        start = max(0, end - found.rows)
        emission = Emission(self._next_number(), found.low, found.high, start, self.plan.size)
        emission.slow = emission.reported = True
        emission.stop = end
        emission.rows = end - start
        band = slice(found.low, found.high)
        level = self.floor.level[band]
        emission.excess[band] = found.excess.mean(axis=0) * level * emission.rows
        emission.floor[band] = level * emission.rows
        emission.recent.extend(
            found.excess.reshape(-1, BATCH // UNIT, found.high - found.low).mean(axis=(1, 2))
        )
        self._open.append(emission)
        return [self._detection(emission, still_open=True)]

    def _of_pulses(self, segment: Segment) -> bool:
        """Tell whether a segment is there only in rows that pulses reach into (their carriers, their edges)."""
        on = segment.on.any(axis=1)
        hidden = self._hidden[:, (segment.low + segment.high) // 2]
        return int((on & ~hidden).sum()) < max(2, 0.25 * int(on.sum())) and bool(hidden.any())

    def _without_halo(self, found: list[Segment]) -> list[Segment]:
        """Leave out the far slopes of strong emissions' own spectra: near, 25 dB weaker, only while they are on."""
        kept = []
        for weak in found:
            for strong in found:
                gap = max(strong.low - weak.high, weak.low - strong.high)
                if (
                    gap <= max(_HALO_WIDTH * (strong.high - strong.low), _HALO_BINS)
                    and strong.power > _HALO_RATIO * weak.power
                    and not (weak.on.any(axis=1) & ~_widen(np.asarray(strong.on.any(axis=1)))).any()
                ):
                    break
            else:
                kept.append(weak)
        return kept

    def _share_out(self, segment: Segment) -> list[Segment]:
        """Cut a segment that meets several open emissions half-way between them, or a narrow one out of a wide one.

        The latter also out of a sweep that crosses it.
        """
        meet = [e for e in self._open if e.low - _SKIN < segment.high and segment.low < e.high + _SKIN]
        meet.sort(key=lambda e: e.low + e.high)
        inner = [
            e
            for e in meet
            if any(f.high - f.low > 2 * (e.high - e.low) and f.low < e.high and e.low < f.high for f in meet)
            or (_is_still(e) and self._cuts_about(e, segment) and self._is_crossed(e, segment))
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

    def _are_apart(self, a: Emission, b: Emission, segment: Segment) -> bool:
        """Tell whether two emissions that a segment meets have a valley between them, or have lived side by side for long."""
        if min(a.rows, b.rows) >= _ESTABLISHED:
            return True
        hill = segment.excess[segment.on.any(axis=1)].mean(axis=0)
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

    def _is_crossed(self, emission: Emission, segment: Segment) -> bool:
        """Tell whether what a segment holds beside an emission moves through the band as a sweep does."""
        places = np.arange(segment.low, segment.high) + 0.5
        own = _SIDEBAND_HZ / self.plan.bin_hz  # what speech adds to a band is no sweep
        left = max(emission.near_low, emission.low - own) - _SKIN
        right = min(emission.near_high, emission.high + own) + _SKIN
        beside = (places < left) | (places > right)
        if not beside.any():
            return False
        return _moves(segment.on[:, beside], np.flatnonzero(beside))

    def _owner(self, low: float, high: float, part: Segment | None = None) -> Emission | None:
        best, most = None, 0.0
        for e in self._open:
            overlap = min(e.high + _SKIN, high) - max(e.low - _SKIN, low)
            better = overlap > most or (best and overlap == most and e.high - e.low < best.high - best.low)
            if better and not (part and self._is_another(e, part)):
                best, most = e, overlap
        return best

    def _is_another(self, e: Emission, part: Segment) -> bool:
        """Tell whether a segment that meets an emission's band is no part of it: a sweep, or its neighbour."""
        crossed = _is_beside(e, part.low, part.high) and self._is_crossed(e, part)
        return crossed or self._is_neighbour(e, part)

    def _is_neighbour(self, e: Emission, part: Segment) -> bool:
        """Tell whether a segment that only touches an emission is a hill of its own, as on the next channel.

        What an emission's own modulation throws to one side it throws to the other as well.
        """
        overlap = min(e.high, part.high) - max(e.low, part.low)
        if overlap > _TOUCH * min(part.high - part.low, e.high - e.low):
            return False
        on = np.any(self._mask[:, part.low : part.high] == 1, axis=1)
        came = int(np.argmax(on)) + self._base - HISTORY
        if abs(came - e.start) <= _SAME_ROWS or came <= max(e.start, self._base - HISTORY):
            return False  # it has been there all the time
        a, b = self._bins(e.low, e.high)
        return self._is_hill(part, a + int(e.excess[a:b].argmax()))

    def _is_hill(self, part: Segment, own: int) -> bool:
        """Tell whether a segment is a hill far from bin `own`, beyond a valley, and not half of a pair about it."""
        rows = np.asarray(part.on.any(axis=1))
        if np.count_nonzero(rows) < _HILL_ROWS or _moves(part.on, np.arange(part.low, part.high)):
            return False
        hill = part.excess[rows].mean(axis=0)
        top = part.low + int(hill.argmax())
        if abs(top - own) * self.plan.bin_hz < _CHANNEL_HZ:
            return False
        low, high = sorted((own, top))
        here = self._power[HISTORY : HISTORY + len(rows), low : high + 1][rows].mean(axis=0)
        here = here - self.floor.level[low : high + 1]
        if here.min() > hill.max() / _HILL:
            return False
        return not self._has_twin(part, 2 * own + 1)

    def _tear(self, e: Emission, parts: list[Segment]) -> tuple[list[Segment], list[Segment]]:
        """Give the parts that are an emission's own, and those that turn out to be others on their own channels."""
        if len(parts) < 2:
            return parts, []
        keep = max(parts, key=lambda s: float(e.excess[s.low : s.high].sum()))
        own = keep.low + int(e.excess[keep.low : keep.high].argmax())
        touching = {s.high for s in parts} | {s.low for s in parts}  # what was cut there was judged
        others = [
            part
            for part in parts
            if part is not keep
            and (len(touching) < 2 * len(parts) or judge(keep, part, _FAR_HZ, self.plan.row_s) is False)
            and self._is_hill(part, own)
        ]
        e.torn = e.torn + 1 if others else 0
        if not others or (e.rows >= _ESTABLISHED and e.torn < _TORN):
            return parts, []
        kept = [part for part in parts if part not in others]
        e.low, e.high = min(s.low for s in kept), max(s.high for s in kept)
        return kept, others

    def _has_twin(self, part: Segment, about: int) -> bool:
        """Tell whether the same happens on the other side of the bin position `about` / 2."""
        low, high = about - part.high, about - part.low
        if low < 0 or high > self.plan.size:
            return False
        there = self._power[HISTORY : HISTORY + len(part.excess), low:high].sum(axis=1)
        there = there - self.floor.level[low:high].sum()
        here = part.excess.sum(axis=1)
        one, two = float(here.mean()), float(there.mean())
        if min(one, two) <= 0 or not 1 / _SIDES < one / two < _SIDES:
            return False
        return float(np.corrcoef(here, there)[0, 1]) > _ALIKE

    def _home(self, part: Segment) -> Emission | None:
        """Give the emission a segment beside it belongs to.

        It lies in the emission's band of late (speech after a pause), or is a sideband of its carrier: the other one
        swells with it on the other side.
        """
        for e in self._open:
            if e.rows < BATCH or e.stop < self._base - 1:
                continue
            if e.rows >= _ESTABLISHED and _holds(e, part.low, part.high):
                return e
            if self._is_sideband(part, e):
                return e
        return None

    def _line(self, e: Emission) -> int:
        """Give twice the place of an emission's strongest line."""
        a, b = self._bins(e.low, e.high)
        return 2 * (a + int(e.excess[a:b].argmax())) + 1

    def _is_sideband(self, part: Segment, e: Emission) -> bool:
        line = self._line(e)
        reach = _SIDEBAND_HZ / self.plan.bin_hz
        if max(line / 2 - part.low, part.high - line / 2) > reach:
            return False
        return self._has_twin(part, line)

    def _groups(self, fresh: list[Segment]) -> list[list[Segment]]:
        """Join new segments that are one emission though there is a gap between them in frequency."""
        groups: list[list[Segment]] = []
        reach = np.clip(8 * self.plan.bin_hz, 1e3, 1e4) / self.plan.bin_hz
        for segment in sorted(fresh, key=lambda s: s.low):
            if groups:
                last = groups[-1][-1]
                # What touches has been judged already.
                if 0 < segment.low - last.high <= reach and same_emission(last, segment):
                    groups[-1].append(segment)
                    continue
            groups.append([segment])
        return groups

    # -- one emission -----------------------------------------------------------------------------

    def _series(self, low: float, high: float) -> tuple[np.ndarray, float, np.ndarray]:
        """Give a band's power over the floor, per row of history and batch, the floor's, and the claimed rows."""
        a, b = self._bins(low, high)
        series = np.empty(len(self._power))
        claimed = np.empty(len(self._power), bool)
        noise = band(self._power, self._mask, self.floor.level, a, b, series, claimed)
        return series, noise, claimed

    def _bins(self, low: float, high: float) -> tuple[int, int]:
        a = min(max(round(low), 0), self.plan.size - 1)
        return a, min(max(round(high), a + 1), self.plan.size)

    def _begin(self, group: list[Segment], everything: list[Segment], count: int) -> list[Detection]:
        if len(self._open) >= _MOST_OPEN:
            return []
        low, high = min(s.low for s in group), max(s.high for s in group)
        emission = Emission(self._next_number(), low, high, float("nan"), self.plan.size)
        emission.crowded = _is_crowded(emission, group, everything)
        for part in group if emission.crowded else []:
            emission.excess[part.low : part.high] = part.excess[part.on.any(axis=1)].sum(axis=0)
        self._open.append(emission)
        return self._advance(emission, [], count)

    def _advance(self, emission: Emission, parts: list[Segment], count: int) -> list[Detection]:
        """Carry an emission through this batch; a silence too long to bridge closes it and starts another."""
        if parts:
            emission.follow(min(s.low for s in parts), max(s.high for s in parts))
        a, b = self._bins(emission.low, emission.high)
        series, noise, sure = self._series(emission.low, emission.high)
        if emission.crowded and (np.isnan(emission.start) or emission.rows >= _HILL_ROWS):
            sure &= self._series(*self._core(emission, a, b))[2]  # not by the flank of a neighbour
            if np.isnan(emission.start):
                emission.excess[:] = 0
        on = grow(sure, self._weak_on(emission, series, noise, b - a))[HISTORY : HISTORY + count]
        if emission.slow and not on.any():
            on[:] = self._slow_on(emission, series[HISTORY : HISTORY + count], noise, b - a)
        hidden = self._hidden[:count, (a + b) // 2]
        if hidden.any():  # nobody can tell there: it goes on as it was
            was_on = not np.isnan(emission.start) and emission.stop >= self._base - 1
            on = carry(on, hidden, was_on)
        out: list[Detection] = []
        row_s = self.plan.row_s
        drowned = self._drowned(emission, series[HISTORY : HISTORY + count])
        edges = np.flatnonzero(np.diff(np.concatenate([[0], on.view(np.int8), [0]])))
        runs = [(int(f), int(g)) for f, g in zip(edges[::2], edges[1::2], strict=True)]
        if drowned is not None:
            runs = [
                piece
                for f, g in runs
                for piece in ([(f, drowned), (drowned, g)] if f < drowned < g else [(f, g)])
            ]
        for first, last in runs:
            here = self._base + first
            before = -HISTORY
            if not np.isnan(emission.start):
                gap_s = (here - emission.stop) * row_s
                other = first == drowned or (
                    gap_s > 0 and self._is_trace(emission, series[HISTORY:][first:last])
                )
                if other or gap_s > min(self._patience(emission), DOUBT_S):
                    emission = self._decide(emission, out)
                    gap_s = (here - emission.stop) * row_s
                usual = self._patience(emission)
                if (
                    first != drowned
                    and gap_s <= wait_s(emission, self.plan)
                    and (other or gap_s > min(usual, DOUBT_S))
                ):
                    before = int(emission.stop) - self._base
                    emission = self._go_on(emission)
                elif other or gap_s > usual:
                    before = int(emission.stop) - self._base
                    out += self._end(emission, first)
                    low, high = emission.low, emission.high
                    emission = Emission(self._next_number(), low, high, float("nan"), self.plan.size)
                    self._open.append(emission)
            if np.isnan(emission.start):
                emission.start = max(
                    0.0, self._edge(emission, series, first, last, rising=True, limit=before)
                )
                emission.run_start = emission.start
                emission.outside = min(max(emission.start - here, 0.0), 2.0)
                emission.first_power = float(
                    series[HISTORY + first : HISTORY + min(last, first + self._edge_rows)].mean()
                )
            elif here > emission.stop + 0.03 / row_s:
                emission.run_start = here
            emission.stop = self._base + last
            emission.settled = False
            emission.longest_run = max(emission.longest_run, emission.stop - emission.run_start)
            seen = np.arange(first, last)[~hidden[first:last]]
            emission.rows += len(seen)
            power = self._power[HISTORY:]
            total, squares = emission.traces.add(power, self.floor.level, seen, a, b, self._receiver())
            emission.count(total, len(seen), self._memory_rows)
            if len(seen) > 15:
                mean = total / len(seen)
                emission.moved += squares / len(seen) - mean**2
                emission.steady += mean**2
            edge = series[HISTORY + max(last - self._edge_rows, -HISTORY) : HISTORY + last]
            usual = emission.before.late_level if emission.before else 0.0
            emission.soft_stop = float(edge.sum()) / len(edge) < SOFT * max(emission.late_level, usual)
            m = max(2, (b - a) // 4)
            lo, hi = max(0, a - m), min(self.plan.size, b + m)
            collect(power, self.floor.level, seen, lo, hi, emission.excess, emission.floor)
        if np.isnan(emission.start):  # nothing on after all
            self._open.remove(emission)
            return out
        silent_s = (self._base + count - emission.stop) * row_s
        if emission.before is not None and (
            is_clear(emission.before, emission, self.plan) or silent_s > self._patience(emission)
        ):
            emission = self._decide(emission, out)
        if (
            emission.before is None
            and silent_s > self._patience(emission)
            and silent_s > wait_s(emission, self.plan)
        ):
            out += self._end(emission, BATCH)
        elif not runs:
            self._settle(emission, BATCH)
        elif emission.before is not None:
            pass  # told once it is known whose it is
        elif len(edges) and (emission.reported or (self._base + count - emission.start) > BATCH):
            emission.reported = True
            out.append(self._detection(emission, still_open=True))
        return out

    def _core(self, emission: Emission, a: int, b: int) -> tuple[int, int]:
        """Give the bins that hold most of its power, of bins [a, b)."""
        share = np.cumsum(np.maximum(emission.excess[a:b], 0))
        low, high = np.searchsorted(share, (_RIM * share[-1], (1 - _RIM) * share[-1]))
        return a + int(low), a + int(high) + 1

    def _go_on(self, emission: Emission) -> Emission:
        """Give an emission that follows what comes after a silence, until it is told whether it is the same."""
        later = Emission(self._next_number(), emission.low, emission.high, float("nan"), self.plan.size)
        later.before = emission
        self._open[self._open.index(emission)] = later
        return later

    def _decide(self, emission: Emission, out: list[Detection]) -> Emission:
        """Tell whether an emission continues the one before; give the one that is open from here on."""
        before = emission.before
        if before is None:
            return emission
        emission.before = None
        emission.soft_start = emission.first_power < SOFT * emission.late_level
        if is_same(before, emission, self.plan):
            before.absorb(emission, self._memory_rows)
            self._open[self._open.index(emission)] = before
            return before
        if before.reported or self._clearness(before) >= 3:
            out.append(self._detection(before, still_open=False))
        return emission

    def _drowned(self, emission: Emission, series: np.ndarray) -> int | None:
        """Give the row at which something ten times stronger comes up where only a mirror image was, or None."""
        if not emission.image or emission.rows < 16 or len(series) < 5 or self._clearness(emission) < 5:
            return None
        a, b = self._bins(emission.low, emission.high)
        usual = emission.excess[a:b].sum() / emission.rows
        strong = np.convolve(series, np.ones(4) / 4, "valid") > 10 * usual
        if not strong.any():
            return None
        row = int(np.argmax(strong))
        return row + int(np.argmax(series[row : row + 4] > 5 * usual))

    def _is_trace(self, emission: Emission, series: np.ndarray) -> bool:
        """Tell whether a run after a gap is far too weak to be the same: an image or slope of something else."""
        width_hz = (emission.high - emission.low) * self.plan.bin_hz
        if width_hz < NARROW_HZ or emission.rows < 8:
            return False
        a, b = self._bins(emission.low, emission.high)
        return float(series.mean()) * emission.rows < float(emission.excess[a:b].sum()) / _TRACE

    def _clearness(self, emission: Emission) -> float:
        """Give its power in standard deviations of the noise in its band and rows."""
        a, b = self._bins(emission.low, emission.high)
        noise = float(emission.floor[a:b].sum())
        if noise <= 0:
            return 0.0
        count = band_looks(self.plan, emission.rows, b - a)
        return float(emission.excess[a:b].sum()) / noise * float(np.sqrt(count))

    def _strength(self, emission: Emission) -> float:
        """Give its power over the noise's in its band."""
        if emission.rows == 0:
            return 0.0
        a, b = self._bins(emission.low, emission.high)
        known = emission.rows, a, b
        if known != emission.strength_of:
            emission.strength_of = known
            emission.strength = float(emission.excess[a:b].sum()) / max(
                float(emission.floor[a:b].sum()), 1e-30
            )
        return emission.strength

    def _patience(self, emission: Emission) -> float:
        """Give how long a silence it bridges without a question."""
        width_hz = (emission.high - emission.low) * self.plan.bin_hz
        run = max(emission.longest_run, emission.before.longest_run if emission.before else 0.0)
        usual = bridge_s(width_hz, run * self.plan.row_s, self.plan.rate_hz, self.plan.bin_hz)
        usual = max(usual, word_gap_s(emission, run * self.plan.row_s, self.plan))
        return max(usual, _DROPOUT_S) if 0 < self._strength(emission) < _WEAK else usual

    def _end(self, emission: Emission, limit: int) -> list[Detection]:
        """Close an emission; one that turned out to be nothing and was never reported is dropped."""
        self._settle(emission, limit)
        self._open.remove(emission)
        if not emission.reported and self._clearness(emission) < 3:
            return []
        return [self._detection(emission, still_open=False)]

    def _settle(self, emission: Emission, limit: int) -> None:
        """Find where it really stopped, while those rows are still at hand."""
        if emission.settled:
            return
        emission.settled = True
        last = int(emission.stop - self._base)
        series, _, _ = self._series(emission.low, emission.high)
        first = max(-HISTORY, int(emission.start) - self._base)
        if last > first and not emission.slow:
            emission.stop = self._edge(emission, series, first, last, rising=False, limit=limit)
            emission.stop = max(emission.stop, emission.start + 0.5)
            emission.outside += min(max(self._base + last - emission.stop, 0.0), 2.0)

    def _weak_on(self, emission: Emission, series: np.ndarray, noise: float, width: int) -> np.ndarray:
        """Tell the rows in which a known emission is still there below the claiming limit.

        The band's power is averaged over just so many rows that an emission of this one's strength stands
        3.5 standard deviations of the noise above it.
        """
        strength = self._strength(emission)
        if strength <= 0:
            return np.zeros(len(series), bool)
        per_row = band_looks(self.plan, 8, width) / 8
        rows = int(min(max((3.5 / (0.3 * strength)) ** 2 / per_row, 1), 32))
        on = np.empty(len(series), bool)
        above(series, noise, rows, weak_limit(per_row * rows), on)
        return on

    def _slow_on(self, emission: Emission, series: np.ndarray, noise: float, width: int) -> bool:
        """Tell whether an emission too weak for a batch is still there, by the mean of the last few."""
        emission.recent.append(float(series.mean()) / noise)
        count = band_looks(self.plan, len(series), width)
        mean = float(np.mean(emission.recent))
        return mean > 4 / np.sqrt(count * len(emission.recent)) and emission.recent[-1] > -2 / np.sqrt(count)

    def _edge(
        self, emission: Emission, series: np.ndarray, first: int, last: int, *, rising: bool, limit: int
    ) -> float:
        """Give where an on-run of rows [first, last) of the batch really begins (or ends), with a fraction.

        The stretch of greatest sum of power less a fraction of its upper level: a change-point that gaps between
        Morse elements do not fool. It may reach 24 rows beyond the run, but not past row `limit`.
        """
        a = max(0, HISTORY + (max(first - 24, limit) if rising else max(first, last - 64)))
        b = min(len(series), HISTORY + (min(last, first + 64) if rising else min(last + 24, limit)))
        claimed = np.sort(series[max(0, HISTORY + first) : HISTORY + last])
        level = float(claimed[len(claimed) // 2 :].mean()) if len(claimed) else 0.0
        if level <= 0 or b <= a:
            return self._base + (first if rising else last)
        width = max(1, round(emission.high - emission.low))
        noise = float(self.floor.level[self._bins(emission.low, emission.high)[0]]) * width
        spread = noise / np.sqrt(band_looks(self.plan, 1, width))
        if rising and width * self.plan.bin_hz > NARROW_HZ and level > 8 * spread:
            a = _after_silence(series, a, HISTORY + first, level / 16)  # of the burst before this one
        part = series[a:b] if rising else series[a:b][::-1]
        sums = np.concatenate([[0.0], np.cumsum(part - np.clip(2 * spread, level / 16, level / 4))])
        end = int(np.argmax(sums - np.minimum.accumulate(sums)))
        cut = int(np.argmin(sums[: end + 1]))
        share = float(np.clip(part[cut - 1] / level, 0, 0.25)) if cut else 0.0
        late = float(np.clip(1 - part[cut] / level, 0, 0.75)) if cut < len(part) else 0.0
        return self._base - HISTORY + (a + cut - share + late if rising else b - cut + share - late)

    def _detection(self, e: Emission, *, still_open: bool) -> Detection:
        a, b = self._bins(e.least, e.most)
        rows = max(1, e.rows)
        scatter = 3 / (looks(self.plan, 1, 1) * rows) ** 0.5
        low, high, middle, power, noise = outline(e.excess, e.floor, a, b, rows, scatter)
        density = noise / self.plan.enbw_hz
        inside = rows - min(e.outside, rows / 2)
        level = power * rows / inside * self.plan.bin_hz / self.plan.enbw_hz
        width_hz = max(high - low, 0.5) * self.plan.bin_hz
        p = self.plan
        return Detection(
            number=e.number,
            start=round(self._start + e.start * p.row),
            stop=round(self._start + e.stop * p.row),
            low_hz=self._hz(low),
            high_hz=self._hz(max(high, low + 0.5)),
            center_hz=self._hz(middle),
            level_dbfs=10 * log10(level),
            noise_dbfs_hz=10 * log10(density),
            snr_db=10 * log10(level / (density * width_hz)),
            open=still_open,
            artefact=self._artefact(e, low, high, middle),
        )

    def _artefact(self, e: Emission, low: float, high: float, middle: float) -> str | None:
        if e.spike:
            return e.spike
        seen = self.statistics
        clipping = seen.clipped_rows / max(1, seen.rows)
        why = reason(e.traces, self.plan, self.center_hz, low, high, middle, clipping)
        e.image = why is not None and why.startswith("mirror")
        if why is not None and why.startswith("DC"):
            if is_station(e.traces, seen, self._spike.traces if self._spike else None):
                why = None
            elif is_offset(e, self.plan, seen):
                e.spike = why
        return why

    def _hz(self, position: float) -> float:
        return self.center_hz + (position - 0.5 - self.plan.size // 2) * self.plan.bin_hz


def _level_rows(ratio: np.ndarray) -> None:
    """Take out of rows (rows, bins) over the noise by how much the noise was stronger before the gain fell."""
    noise = np.quantile(ratio[:, ::4], 0.1, axis=1)
    usual = np.median(noise[-8:])
    rows = noise > 1.1 * usual
    ratio[rows] *= (usual / noise[rows, None]).astype(np.float32)


def _after_silence(series: np.ndarray, low: int, at: int, limit: float) -> int:
    """Give the row from `low` on, before row `at`, from which there are no three in a row below the limit."""
    quiet = 0
    for row in range(min(at, len(series)) - 1, low - 1, -1):
        quiet = quiet + 1 if series[row] < limit else 0
        if quiet == 3:
            return row
    return low


def _is_crowded(e: Emission, parts: list[Segment], everything: list[Segment]) -> bool:
    """Tell whether anything but the parts of an emission touches its band."""
    low, high = e.low - _SKIN, e.high + _SKIN
    return any(part.low < high and low < part.high and part not in parts for part in everything)


def _is_still(e: Emission) -> bool:
    """Tell whether an emission has kept its place for long: a sweep has not."""
    return e.rows >= _ESTABLISHED and e.most - e.least <= 1.4 * (e.high - e.low) + 3


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


def _flank(e: Emission) -> float:
    """Give how far in bins from an emission's band what is seen may be its own."""
    return _SKIN + max(2.0, 0.5 * (e.high - e.low))


def _is_beside(e: Emission, low: float, high: float) -> bool:
    """Tell whether bins [low, high) reach far from one side of an emission that has kept its place."""
    if max(e.low - low, high - e.high) <= _SKIN + max(2.0, 0.25 * (e.high - e.low)) or not _is_still(e):
        return False
    return min(e.high, high) - max(e.low, low) < 0.5 * (e.high - e.low)


def _without(power: np.ndarray, pulses: np.ndarray | None) -> np.ndarray:
    """Give the rows that no pulse reaches into."""
    return power if pulses is None else power[~(pulses > 0).any(axis=1)]


def _widen(rows: np.ndarray) -> np.ndarray:
    """Give rows that are on or within two rows of one that is."""
    return np.convolve(rows, np.ones(5), "same") > 0


def _latest(detections: list[Detection]) -> list[Detection]:
    """Keep the last word on each number."""
    return list({d.number: d for d in detections}.values())
