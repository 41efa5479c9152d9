"""From rows of power to detections: claim, segment, follow.

Rows are judged in batches of 64 (about 0.1 s). `scan` claims cells; claimed columns that touch become
segments, split where their parts live apart (`segments`); a segment goes to the open emission whose band it
meets, or opens a new one. An emission is on or off row by row; how long a silence it bridges depends on what it
looks like (`_bridge_s`). Numbers in one place per rule; frequencies inside are bin positions (0 = lowest
edge of the lowest bin), times are row numbers since the first row.
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np

from earwitness.core.types import Detection
from earwitness.detect.artefacts import ReceiverRows, StretchStatistics, Traces, reason
from earwitness.detect.pulses import Pulse, PulseFinder
from earwitness.detect.limits import limits
from earwitness.detect.scan import BATCH, HISTORY, Scanner, mask_skirts, normalise
from earwitness.detect.segments import Segment, find_segments, same_emission
from earwitness.spectrum.floor import NoiseFloor
from earwitness.spectrum.stft import Plan, SpectrumBlock, looks, plan, quick_plan

_WARM_BATCHES = 4  # rows kept back at first, until the floor is known
_MOST_OPEN = 512
_NARROW_HZ = 3200.0  # up to here it may be keyed by hand or by speech
_TRAIN_S = 0.010
_HALO_RATIO = 300.0
_HALO_WIDTH = 0.7
_HALO_BINS = 6
_SKIN = 1.5  # bins by which an open emission's band is widened when segments are matched to it


def _bridge_s(width_hz: float, run_s: float, span_hz: float, bin_hz: float) -> float:
    """Give how long a silence an emission bridges, by its width and its longest unbroken run so far.

    Narrow ones may be Morse (word gaps 0.42 s at 20 words per minute) or speech on a suppressed carrier; one that
    has been on without a break for a second is neither, and only its fades are bridged. Wide ones
    are packets or constant-carrier overs: a tenth of the run, 3 to 100 ms.
    """
    if width_hz <= max(_NARROW_HZ, 4.5 * bin_hz):
        return 0.9 if run_s < 1.0 and span_hz <= 500e3 else 0.5
    return min(max(0.1 * run_s, 0.003), 0.1)


class _Rows(NamedTuple):
    """Rows not yet judged."""

    power: np.ndarray
    quick: np.ndarray
    receiver: ReceiverRows


class _Train:
    """Pulses of one place, closer together than `_TRAIN_S`; times in quick rows of the stretch."""

    def __init__(self, number: int, bands: int):
        self.number = number
        self.first = 0
        self.last = -1
        self.rows = 0
        self.energy = np.zeros(bands)  # over the steady level, summed over rows
        self.noise = np.zeros(bands)

    def add(self, pulse: Pulse, steady: np.ndarray) -> None:
        """Take one more pulse."""
        if self.last < 0:
            self.first = pulse.first
        self.last = max(self.last, pulse.last)
        count = pulse.last - pulse.first
        self.rows += count
        self.energy[pulse.low : pulse.high] += pulse.excess * count
        self.noise += steady * count

    def meets(self, pulse: Pulse) -> bool:
        """Tell whether a pulse lies where these are."""
        return bool(self.energy[pulse.low : pulse.high].sum() > 0.01 * self.energy.sum())


class _Emission:
    """One emission being followed."""

    def __init__(self, number: int, low: float, high: float, start: float, bins: int):
        self.number = number
        self.low = low
        self.high = high
        self.least = low
        self.most = high
        self.start = start
        self.stop = start
        self.run_start = start
        self.longest_run = 0.0
        self.rows = 0  # on, so far
        self.excess = np.zeros(bins)  # power over the floor, summed over the on rows
        self.floor = np.zeros(bins)  # the floor, summed over the same rows
        self.reported = False
        self.image = False
        self.traces = Traces()

    def follow(self, low: float, high: float) -> None:
        """Move the band towards where the energy was in this batch: out at once, in slowly."""
        self.low = low if low < self.low else self.low + 0.25 * (low - self.low)
        self.high = high if high > self.high else self.high + 0.25 * (high - self.high)
        self.least = min(self.least, low)
        self.most = max(self.most, high)


class Detector:
    """Finds emissions in a stream of `SpectrumBlock`s, with a stated rate of false alarms on noise alone.

    `false_alarms_per_hour` is shared by all box shapes. Memory does not grow with the stream.
    """

    def __init__(self, rate_hz: float, center_hz: float, *, false_alarms_per_hour: float = 1.0):
        self.plan: Plan = plan(rate_hz)
        self.center_hz = center_hz
        self.floor = NoiseFloor(self.plan)
        bins = self.plan.size
        rows = HISTORY + BATCH
        self._per_hour = false_alarms_per_hour
        share = 0.5 if self.plan.quick_size else 1.0
        self._scanner = Scanner(
            limits(self.plan, share * false_alarms_per_hour, self.floor.spread, BATCH, bins // 8)
        )
        self._power = np.ones((rows, bins), np.float32)
        self._ratio = np.ones((rows, bins), np.float32)
        self._mask = np.zeros((rows, bins), np.uint8)
        self.statistics = StretchStatistics(rate_hz)
        self._pulses = PulseFinder(self.plan, false_alarms_per_hour / 2) if self.plan.quick_size else None
        self._trains: list[_Train] = []
        self._hidden = np.zeros((BATCH, bins), bool)  # cells that pulses cover
        self._wait: list[_Rows] = []
        self._waiting = 0
        self._start = 0  # sample index of row 0
        self._row = 0  # rows judged so far
        self._base = 0  # the row that stands first behind the history
        self._fresh = True
        self._open: list[_Emission] = []
        self._count = 0
        self._batches = 0

    # -- the stream -------------------------------------------------------------------------------

    def feed(self, block: SpectrumBlock) -> list[Detection]:
        """Take the next rows; give the detections that opened, grew or closed."""
        out: list[Detection] = []
        rows = self._row + self._waiting
        if rows and block.start != self._start + rows * self.plan.row:
            out += self.close()
            self.statistics.jumps.append(block.start)
            self._row = 0
            self._fresh = True
            if self._pulses is not None:
                self._pulses = PulseFinder(self.plan, self._per_hour / 2)
        if self._row + self._waiting == 0:
            self._start = block.start
        self.statistics.add(block)
        self._wait.append(
            _Rows(block.power, block.quick, ReceiverRows(block.mirror, block.dc, block.clipped, block.total))
        )
        self._waiting += len(block.power)
        need = BATCH * (_WARM_BATCHES if self._fresh else 1)
        if self._waiting >= need:
            out += self._drain()
        return out

    def close(self) -> list[Detection]:
        """End the stream: judge what is left and close what is open."""
        out = self._drain(everything=True)
        for emission in list(self._open):
            out += self._end(emission, self._row - self._base)
        out += [self._train_detection(train, still_open=False) for train in self._trains]
        self._trains = []
        return _latest(out)

    def _drain(self, *, everything: bool = False) -> list[Detection]:
        if not self._waiting:
            return []
        power = _join([rows.power for rows in self._wait])
        receiver = ReceiverRows(
            _join([rows.receiver.mirror for rows in self._wait]),
            _join([rows.receiver.dc for rows in self._wait]),
            _join([rows.receiver.clipped for rows in self._wait]),
            _join([rows.receiver.total for rows in self._wait]),
        )
        quick = _join([rows.quick for rows in self._wait])
        per = len(quick) // len(power)
        if self._fresh:
            self._fresh = not self._first_floor(power, quick)
        out: list[Detection] = []
        whole = len(power) // BATCH * BATCH
        for first in range(0, whole, BATCH):
            part = slice(first, first + BATCH)
            some = quick[first * per : (first + BATCH) * per]
            out += self._judge(power[part], some, receiver.part(first, first + BATCH), BATCH)
        rest = len(power) - whole
        if everything and rest and not self._fresh:
            padded = np.repeat(self.floor.level[None, :], BATCH, axis=0)
            padded[:rest] = power[whole:]
            out += self._judge(padded, quick[whole * per :], receiver.part(whole, len(power)), rest)
            rest = 0
        kept = _Rows(
            power[whole:].copy(), quick[whole * per :].copy(), receiver.part(whole, len(power)).copy()
        )
        self._wait = [kept] if rest else []
        self._waiting = rest
        return _latest(out)

    # -- one batch --------------------------------------------------------------------------------

    def _first_floor(self, power: np.ndarray, quick: np.ndarray) -> bool:
        """Take the noise floor from the first rows; tell whether there were enough."""
        clean = power
        if self._pulses is not None:
            finder = PulseFinder(self.plan, self._per_hour / 2)
            _, claims = finder.feed(quick, last=True)
            touched = _touched(claims, len(power))
            if np.count_nonzero(~touched) >= 8:
                clean = power[~touched]
        usable = len(clean) // 8 * 8
        if usable:
            self.floor.update(np.ascontiguousarray(clean[:usable]))
        return usable > 0

    def _judge(
        self, power: np.ndarray, quick: np.ndarray, receiver: ReceiverRows, count: int
    ) -> list[Detection]:
        self._base = self._row
        for ring in (self._power, self._ratio, self._mask):
            ring[:HISTORY] = ring[BATCH:]
        new = slice(HISTORY, HISTORY + BATCH)
        self._power[new] = power
        out: list[Detection] = []
        clean = power
        blank = None
        if self._pulses is not None:
            pulses, claims = self._pulses.feed(quick, last=count < BATCH)
            if claims.any():
                touched = _touched(claims, count)
                clean = power[:count][~touched]
                blank = self._pulse_power(claims, quick, count)
            out += self._follow_pulses(pulses)
        usable = len(clean) // 8 * 8
        if usable >= 16 and count == BATCH:
            self.floor.update(np.ascontiguousarray(clean[:usable]))
        strong = normalise(power, self.floor.level, self._ratio[new])
        self._receiver = receiver
        self._mask[new] = 0
        self._hidden[:] = False
        if blank is not None:
            ratio, mask = self._ratio[HISTORY : HISTORY + count], self._mask[HISTORY : HISTORY + count]
            # The carrier of a keyed pulse may hold half of its energy in a few bins.
            most = np.maximum(12 * blank, blank.sum(axis=1, keepdims=True) / 4)
            covered = (blank > 0.02) & (ratio < 1 + most)
            ratio[covered] = 1
            mask[covered] = 2
            self._hidden[:count] = blank > 0.02
        if strong:
            mask_skirts(self._ratio, self._mask, HISTORY)
        claims = self._scanner.scan(self._ratio, self._mask, HISTORY)
        if count == BATCH:
            self.floor.learn(self._ratio[new], (self._mask[new] == 0).view(np.uint8))
        if claims or self._open:
            out += self._follow(count)
        self._row += count
        return out

    def _pulse_power(self, claims: np.ndarray, quick: np.ndarray, count: int) -> np.ndarray:
        """Give what the pulses add to each cell of the fine rows, over noise; float (count, bins)."""
        steady = self._pulses.steady if self._pulses is not None else quick
        over = np.where(claims == 1, np.maximum(quick / steady - 1, 0), 0)
        added = over.reshape(count, -1, over.shape[1]).mean(axis=1)
        spread = added.copy()  # the fine frames reach into the rows beside
        spread[1:] += added[:-1]
        spread[:-1] += added[1:]
        return np.repeat(spread, self.plan.size // over.shape[1], axis=1)

    def _follow_pulses(self, pulses: list[Pulse]) -> list[Detection]:
        finder = self._pulses
        if finder is None:
            return []
        out: dict[int, Detection] = {}
        patience = _TRAIN_S * self.plan.rate_hz / self.plan.quick_hop
        for pulse in sorted(pulses, key=lambda p: p.first):
            for train in self._trains:
                if train.meets(pulse) and pulse.first - train.last <= patience:
                    break
            else:
                self._count += 1
                train = _Train(self._count, self.plan.quick_bands)
                self._trains.append(train)
            train.add(pulse, finder.steady)
            out[train.number] = self._train_detection(train, still_open=True)
        for train in list(self._trains):
            if finder.settled - train.last > patience:
                self._trains.remove(train)
                out[train.number] = self._train_detection(train, still_open=False)
        return list(out.values())

    def _train_detection(self, train: _Train, *, still_open: bool) -> Detection:
        p = self.plan
        energy = np.maximum(train.energy, 0)
        share = np.concatenate([[0.0], np.cumsum(energy)]) / max(float(energy.sum()), 1e-30)
        edges = np.arange(len(share))
        low = float(np.interp(0.005, share, edges))
        high = float(np.interp(0.995, share, edges))
        middle = float((energy * (edges[:-1] + 0.5)).sum() / max(float(energy.sum()), 1e-30))
        band_hz = p.rate_hz / p.quick_bands
        enbw = quick_plan(p).enbw_hz / (p.rate_hz / p.quick_size)
        level = float(energy.sum()) / train.rows / enbw
        density = float(train.noise.mean()) / train.rows / enbw / band_hz
        bottom = self.center_hz - p.rate_hz / 2 - p.rate_hz / p.quick_size / 2
        start = self._start + p.quick_hop // 2
        return Detection(
            number=train.number,
            start=start + train.first * p.quick_hop,
            stop=start + train.last * p.quick_hop,
            low_hz=bottom + low * band_hz,
            high_hz=bottom + high * band_hz,
            center_hz=bottom + middle * band_hz,
            level_dbfs=10 * float(np.log10(max(level, 1e-30))),
            noise_dbfs_hz=10 * float(np.log10(density)),
            snr_db=10 * float(np.log10(max(level, 1e-30) / (density * (high - low) * band_hz))),
            open=still_open,
        )

    def _follow(self, count: int) -> list[Detection]:
        found = find_segments(self._mask, self._power, self.floor.level, HISTORY, self.plan)
        found = self._without_halo(found)
        meets: dict[int, list[Segment]] = {}
        fresh: list[Segment] = []
        for segment in found:
            for part in self._share_out(segment):
                owner = self._owner(part)
                if owner is None:
                    if not self._of_pulses(part):
                        fresh.append(part)
                else:
                    meets.setdefault(owner.number, []).append(part)
        out: list[Detection] = []
        for emission in list(self._open):
            out += self._advance(emission, meets.get(emission.number, []), count)
        for group in self._groups(fresh):
            if len(self._open) < _MOST_OPEN:
                out += self._begin(min(s.low for s in group), max(s.high for s in group), count)
        return out

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
                    and not (weak.on.any(axis=1) & ~_widen(strong.on.any(axis=1))).any()
                ):
                    break
            else:
                kept.append(weak)
        return kept

    def _share_out(self, segment: Segment) -> list[Segment]:
        """Cut a segment that meets several open emissions half-way between them."""
        meet = [e for e in self._open if e.low - _SKIN < segment.high and segment.low < e.high + _SKIN]
        if len(meet) < 2:
            return [segment]
        meet.sort(key=lambda e: e.low + e.high)
        cuts = [
            int(np.clip(round((a.high + b.low) / 2), segment.low + 1, segment.high - 1))
            for a, b in pairwise(meet)
        ]
        edges = [segment.low, *sorted(set(cuts)), segment.high]
        return [segment.part(a, b) for a, b in pairwise(edges) if b > a]

    def _owner(self, segment: Segment) -> _Emission | None:
        best, most = None, 0.0
        for e in self._open:
            overlap = min(e.high + _SKIN, segment.high) - max(e.low - _SKIN, segment.low)
            if overlap > most:
                best, most = e, overlap
        return best

    def _groups(self, fresh: list[Segment]) -> list[list[Segment]]:
        """Join new segments that are one emission though there is a gap between them in frequency."""
        groups: list[list[Segment]] = []
        reach = np.clip(8 * self.plan.bin_hz, 1e3, 1e4) / self.plan.bin_hz
        for segment in sorted(fresh, key=lambda s: s.low):
            if groups:
                last = groups[-1][-1]
                if segment.low - last.high <= reach and same_emission(last, segment):
                    groups[-1].append(segment)
                    continue
            groups.append([segment])
        return groups

    # -- one emission -----------------------------------------------------------------------------

    def _series(self, low: float, high: float) -> tuple[np.ndarray, float]:
        """Give the power over the floor in a band, per row of history and batch, and the floor's power."""
        a, b = self._bins(low, high)
        noise = float(self.floor.level[a:b].sum())
        return self._power[:, a:b].sum(axis=1) - noise, noise

    def _bins(self, low: float, high: float) -> tuple[int, int]:
        a = int(np.clip(round(low), 0, self.plan.size - 1))
        return a, int(np.clip(round(high), a + 1, self.plan.size))

    def _begin(self, low: float, high: float, count: int) -> list[Detection]:
        self._count += 1
        emission = _Emission(self._count, low, high, float("nan"), self.plan.size)
        self._open.append(emission)
        return self._advance(emission, [], count)

    def _advance(self, emission: _Emission, parts: list[Segment], count: int) -> list[Detection]:
        """Carry an emission through this batch; a silence too long to bridge closes it and starts another."""
        if parts:
            emission.follow(min(s.low for s in parts), max(s.high for s in parts))
        a, b = self._bins(emission.low, emission.high)
        series, noise = self._series(emission.low, emission.high)
        sure = (self._mask[:, a:b] == 1).any(axis=1)
        on = _grow(sure, self._weak_on(emission, series, noise, b - a))[HISTORY : HISTORY + count]
        hidden = self._hidden[:count, (a + b) // 2]
        if hidden.any():  # nobody can tell there: it goes on as it was
            was_on = not np.isnan(emission.start) and emission.stop >= self._base - 1
            on = _carry(on, hidden, was_on)
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
                if gap_s > self._patience(emission) or first == drowned:
                    before = int(emission.stop) - self._base
                    out += self._end(emission, first)
                    self._count += 1
                    emission = _Emission(
                        self._count, emission.low, emission.high, float("nan"), self.plan.size
                    )
                    self._open.append(emission)
            if np.isnan(emission.start):
                emission.start = max(
                    0.0, self._edge(emission, series, first, last, rising=True, limit=before)
                )
                emission.run_start = emission.start
            elif here > emission.stop + 0.03 / row_s:
                emission.run_start = here
            emission.stop = self._base + last
            emission.longest_run = max(emission.longest_run, emission.stop - emission.run_start)
            seen = np.arange(first, last)[~hidden[first:last]]
            emission.rows += len(seen)
            rows = self._power[HISTORY + seen]
            emission.traces.add(self._power[HISTORY:], self.floor.level, seen, a, b, self._receiver)
            m = max(2, (b - a) // 4)
            lo, hi = max(0, a - m), min(self.plan.size, b + m)
            emission.excess[lo:hi] += rows[:, lo:hi].sum(axis=0) - self.floor.level[lo:hi] * len(seen)
            emission.floor[lo:hi] += self.floor.level[lo:hi] * len(seen)
        if np.isnan(emission.start):  # nothing on after all
            self._open.remove(emission)
            return out
        if (self._base + count - emission.stop) * row_s > self._patience(emission):
            out += self._end(emission, BATCH)
        elif len(edges) and (emission.reported or (self._base + count - emission.start) > BATCH):
            emission.reported = True
            out.append(self._detection(emission, still_open=True))
        return out

    def _drowned(self, emission: _Emission, series: np.ndarray) -> int | None:
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

    def _clearness(self, emission: _Emission) -> float:
        """Give its power in standard deviations of the noise in its band and rows."""
        a, b = self._bins(emission.low, emission.high)
        noise = float(emission.floor[a:b].sum())
        if noise <= 0:
            return 0.0
        count = looks(self.plan, 1, min(b - a, 8)) * max(1.0, (b - a) / 8) * emission.rows
        return float(emission.excess[a:b].sum()) / noise * float(np.sqrt(count))

    def _patience(self, emission: _Emission) -> float:
        width_hz = (emission.high - emission.low) * self.plan.bin_hz
        run_s = emission.longest_run * self.plan.row_s
        return _bridge_s(width_hz, run_s, self.plan.rate_hz, self.plan.bin_hz)

    def _end(self, emission: _Emission, limit: int) -> list[Detection]:
        """Close an emission; one that turned out to be nothing and was never reported is dropped."""
        last = int(emission.stop - self._base)
        series, _ = self._series(emission.low, emission.high)
        first = max(-HISTORY, int(emission.start) - self._base)
        if last > first:
            emission.stop = self._edge(emission, series, first, last, rising=False, limit=limit)
            emission.stop = max(emission.stop, emission.start + 0.5)
        self._open.remove(emission)
        if not emission.reported and self._clearness(emission) < 3:
            return []
        return [self._detection(emission, still_open=False)]

    def _weak_on(self, emission: _Emission, series: np.ndarray, noise: float, width: int) -> np.ndarray:
        """Tell the rows in which a known emission is still there below the claiming limit.

        The band's power is averaged over just so many rows that an emission of this one's strength stands
        3.5 standard deviations of the noise above it.
        """
        if emission.rows == 0:
            return np.zeros(len(series), bool)
        a, b = self._bins(emission.low, emission.high)
        strength = emission.excess[a:b].sum() / max(emission.floor[a:b].sum(), 1e-30)
        if strength <= 0:
            return np.zeros(len(series), bool)
        per_row = looks(self.plan, 1, min(width, 8)) * max(1.0, width / 8)
        rows = int(np.clip((3.5 / (0.3 * strength)) ** 2 / per_row, 1, 32))
        mean = np.convolve(series / noise, np.full(rows, 1 / rows), "same")
        return mean > _weak_limit(per_row * rows)

    def _edge(
        self, emission: _Emission, series: np.ndarray, first: int, last: int, *, rising: bool, limit: int
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
        part = series[a:b] if rising else series[a:b][::-1]
        width = max(1, round(emission.high - emission.low))
        noise = float(self.floor.level[self._bins(emission.low, emission.high)[0]]) * width
        spread = noise / np.sqrt(looks(self.plan, 1, min(width, 8)) * max(1.0, width / 8))
        sums = np.concatenate([[0.0], np.cumsum(part - np.clip(2 * spread, level / 16, level / 4))])
        end = int(np.argmax(sums - np.minimum.accumulate(sums)))
        cut = int(np.argmin(sums[: end + 1]))
        share = float(np.clip(part[cut - 1] / level, 0, 0.25)) if cut else 0.0
        late = float(np.clip(1 - part[cut] / level, 0, 0.75)) if cut < len(part) else 0.0
        return self._base - HISTORY + (a + cut - share + late if rising else b - cut + share - late)

    def _detection(self, e: _Emission, *, still_open: bool) -> Detection:
        a, b = self._bins(e.least, e.most)
        rows = max(1, e.rows)
        excess = e.excess[a:b] / rows
        noise = np.maximum(e.floor[a:b] / rows, 1e-30)
        # Only what stands out of the noise's own scatter shapes the band; the level is the sum over all of it.
        clear = np.where(excess > 3 * noise / np.sqrt(looks(self.plan, 1, 1) * rows), excess, 0)
        low, high = float(a), float(b)
        total = float(clear.sum())
        if total > 0:
            share = np.concatenate([[0.0], np.cumsum(clear) / total])
            low = a + float(np.interp(0.005, share, np.arange(len(share))))
            high = a + float(np.interp(0.995, share, np.arange(len(share))))
        inside = slice(max(0, int(low) - a - 1), int(np.ceil(high)) - a + 1)
        power = max(float(excess[inside].sum()), 1e-30)
        middle = (a + b) / 2
        if total > 0:
            middle = a + 0.5 + float((clear * np.arange(b - a)).sum() / total)
        density = float(noise.mean()) / self.plan.enbw_hz
        level = power * self.plan.bin_hz / self.plan.enbw_hz
        width_hz = max(high - low, 0.5) * self.plan.bin_hz
        p = self.plan
        return Detection(
            number=e.number,
            start=round(self._start + e.start * p.row),
            stop=round(self._start + e.stop * p.row),
            low_hz=self._hz(low),
            high_hz=self._hz(max(high, low + 0.5)),
            center_hz=self._hz(middle),
            level_dbfs=10 * float(np.log10(level)),
            noise_dbfs_hz=10 * float(np.log10(density)),
            snr_db=10 * float(np.log10(level / (density * width_hz))),
            open=still_open,
            artefact=self._artefact(e, low, high, middle),
        )

    def _artefact(self, e: _Emission, low: float, high: float, middle: float) -> str | None:
        seen = self.statistics
        clipping = seen.clipped_rows / max(1, seen.rows)
        why = reason(e.traces, self.plan, low, high, middle, clipping)
        e.image = why is not None and why.startswith("mirror")
        return why

    def _hz(self, position: float) -> float:
        return self.center_hz + (position - 0.5 - self.plan.size // 2) * self.plan.bin_hz


def _touched(claims: np.ndarray, rows: int) -> np.ndarray:
    """Tell the fine rows that pulses reach into: those they lie in and the ones beside."""
    inside = (claims == 1).reshape(rows, -1).any(axis=1)
    return np.convolve(inside, np.ones(3), "same") > 0


def _widen(rows: np.ndarray) -> np.ndarray:
    """Give rows that are on or within two rows of one that is."""
    return np.convolve(rows, np.ones(5), "same") > 0


def _join(parts: list[np.ndarray]) -> np.ndarray:
    return np.concatenate(parts) if len(parts) > 1 else parts[0]


def _weak_limit(count: float) -> float:
    """Give the excess that a mean of `count` looks of noise has with a probability of 1e-3.

    Wilson and Hilferty's cube-root approximation of the gamma distribution (textbook); good to a few percent.
    """
    ninth = 1 / (9 * count)
    return float((1 - ninth + 3.09 * np.sqrt(ninth)) ** 3 - 1)


def _carry(on: np.ndarray, hidden: np.ndarray, before: bool) -> np.ndarray:
    """Give `on` with each hidden row as the last row that was not; `before` is the state before the first."""
    at = np.maximum.accumulate(np.where(hidden, -1, np.arange(len(on))))
    return np.where(at >= 0, on[np.maximum(at, 0)], before)


def _grow(sure: np.ndarray, weak: np.ndarray) -> np.ndarray:
    """Give `sure` rows and the runs of `weak` rows that touch them."""
    either = sure | weak
    edges = np.flatnonzero(np.diff(np.concatenate([[0], either.view(np.int8), [0]])))
    out = sure.copy()
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        out[first:last] = sure[first:last].any()
    return out


def _latest(detections: list[Detection]) -> list[Detection]:
    """Keep the last word on each number."""
    return list({d.number: d for d in detections}.values())
