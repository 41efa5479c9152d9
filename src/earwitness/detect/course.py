"""The time course of open emissions: on or off row by row, where each starts and stops, what a silence parts.

How long a silence one bridges depends on what it looks like (`follow.bridge_s`); what comes after a longer one is
followed as an emission of its own until it can be told whether it is the same.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from math import isnan, sqrt

import numpy as np

from earwitness.core.types import Detection
from earwitness.detect.follow import (
    BEGIN_S,
    DOUBT_S,
    EDGE_S,
    NARROW_HZ,
    SOFT,
    SPEECH_HZ,
    SWEEP_S,
    Emission,
    band_looks,
    bridge_s,
    is_carrier_of,
    is_clear,
    is_narrow,
    is_one,
    is_same,
    is_syllable,
    united,
    wait_s,
    weak_limit,
    word_gap_s,
)
from earwitness.detect.owners import HILL_ROWS, is_crowded
from earwitness.detect.rows import presence, present, step_row, sums, take_run, turning_row
from earwitness.detect.scan import BATCH, HISTORY
from earwitness.detect.segments import Segment
from earwitness.detect.slow import UNIT, Found
from earwitness.detect.window import Window

_MOST_OPEN = 512
_TRACE = 30.0  # times weaker than an emission was: not its fading
_WEAK = 4.0  # times the noise: weaker ones drop out for
_DROPOUT_S = 0.015  # so long by the noise alone
_MEMORY_S = 1.5  # over which an emission's level of late is taken
_RIM = 0.1  # share of the power that may lie in reach of neighbours, on either side
_UNITE_S = 2.0  # as long as an emission may turn out to be part of another


class Course:
    """Carries the open emissions through each batch.

    `number` gives the next detection's number, `tell(emission, still_open)` the detection as it stands; `wholes` are the
    bins [low, high) of what is known to be one emission each.
    """

    def __init__(
        self,
        window: Window,
        emissions: list[Emission],
        number: Callable[[], int],
        tell: Callable[[Emission, bool], Detection],
        wholes: Sequence[tuple[int, int]] = (),
    ):
        self._window = window
        self._plan = window.plan
        self._open = emissions
        self._next_number = number
        self._detection = tell
        self._wholes = wholes
        self._memory_rows = _MEMORY_S / self._plan.row_s
        self._edge_rows = max(2, round(EDGE_S / self._plan.row_s))

    def begin(self, group: list[Segment], everything: list[Segment], count: int) -> list[Detection]:
        """Open an emission for new segments that are one; `everything` is all there is in this batch."""
        if len(self._open) >= _MOST_OPEN:
            return []
        low, high = min(s.low for s in group), max(s.high for s in group)
        emission = Emission(self._next_number(), low, high, float("nan"), self._plan.size)
        emission.latest_row = self._window.base
        emission.crowded = is_crowded(emission, group, everything)
        for part in group if emission.crowded else []:
            emission.excess[part.low : part.high] = part.excess[part.rows].sum(axis=0)
        self._open.append(emission)
        return self.advance(emission, [], count)

    def begin_slow(self, found: Found, count: int) -> list[Detection]:
        """Open an emission for what only a second or two of integration showed."""
        if len(self._open) >= _MOST_OPEN:
            return []
        end = self._window.base + count
        start = max(0, end - found.rows)
        emission = Emission(self._next_number(), found.low, found.high, start, self._plan.size)
        emission.slow = emission.reported = True
        emission.stop = end
        emission.rows = end - start
        band = slice(found.low, found.high)
        level = self._window.level[band]
        emission.excess[band] = found.excess.mean(axis=0) * level * emission.rows
        emission.floor[band] = level * emission.rows
        emission.recent.extend(
            found.excess.reshape(-1, BATCH // UNIT, found.high - found.low).mean(axis=(1, 2))
        )
        self._open.append(emission)
        return [self._detection(emission, True)]

    def unite(self, count: int) -> list[Detection]:
        """Make one emission of young ones that have grown together: the parts end, and say what they are part of."""
        least = self._window.base + count - _UNITE_S / self._plan.row_s
        row = sorted(
            (e for e in self._open if e.reported and e.before is None and e.start > least),
            key=lambda e: e.low,
        )
        parts: dict[int, list[Emission]] = {}
        at = 0
        while at + 1 < len(row):
            left, right = row[at], row[at + 1]
            grown = is_one(left, right) or is_carrier_of(right, left, self._plan)
            grown = grown and not self._are_known_apart(left, right)
            if abs(left.start - right.start) > BEGIN_S / self._plan.row_s or not grown:
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
                out.append(replace(self._detection(part, False), part_of=one.number))
            if one.number in parts:
                self._open.append(one)
                out.append(self._detection(one, True))
        return out

    def _are_known_apart(self, left: Emission, right: Emission) -> bool:
        """Tell whether two emissions lie in the bands of two that are known."""
        one, two = (self._whole((e.low + e.high) / 2) for e in (left, right))
        return one is not None and two is not None and one != two

    def _whole(self, place: float) -> int | None:
        """Give which of the known bands a place lies deepest in."""
        deep = {min(place - a, b - place): n for n, (a, b) in enumerate(self._wholes) if a < place < b}
        return deep[max(deep)] if deep else None

    def advance(self, emission: Emission, parts: list[Segment], count: int) -> list[Detection]:
        """Carry an emission through this batch; a silence too long to bridge closes it and starts another."""
        if parts:
            emission.follow(min(s.low for s in parts), max(s.high for s in parts), self._window.base)
        a, b = self._window.bins(emission.low, emission.high)
        core = a, b
        if emission.crowded and (isnan(emission.start) or emission.rows >= HILL_ROWS):
            core = self._core(emission, a, b)  # not by the flank of a neighbour
            if isnan(emission.start):
                emission.excess[:] = 0
        window = self._window
        series, on = np.empty(HISTORY + BATCH), np.empty(HISTORY + BATCH, bool)
        rows, limit = self._weak_limit(emission, b - a)
        noise = presence(window.power, window.mask, window.level, a, b, *core, rows, limit, series, on)
        on = on[HISTORY : HISTORY + count]
        if emission.slow:
            goes_on = self._slow_on(emission, series[HISTORY : HISTORY + count], noise, b - a)
            on |= goes_on and not on.any()
        was_on = not isnan(emission.start) and emission.stop >= window.base - 1
        edges = np.empty(BATCH + 1, np.int64)
        edges = edges[: present(on, window.hidden, (a + b) // 2, was_on, edges)].tolist()
        runs = list(zip(edges[::2], edges[1::2], strict=True))
        out: list[Detection] = []
        row_s = self._plan.row_s
        drowned = self._drowned(emission, series[HISTORY : HISTORY + count])
        steps = set() if drowned is None else {drowned}
        if not is_narrow((b - a) * self._plan.bin_hz, self._plan.bin_hz):
            steps.update(
                step for f, g in runs if (step := step_row(series, HISTORY + f, HISTORY + g) - HISTORY) >= 0
            )
        for step in steps:
            runs = [
                piece for f, g in runs for piece in ([(f, step), (step, g)] if f < step < g else [(f, g)])
            ]
        mirror, nearest = window.mirror(a, b) if runs else (np.empty((0, 0)), 0)
        for first, last in runs:
            here = self._window.base + first
            before = -HISTORY
            if not isnan(emission.start):
                gap_s = (here - emission.stop) * row_s
                other = first in steps or (
                    gap_s > 0 and self._is_trace(emission, series[HISTORY:][first:last])
                )
                if other or gap_s > 0:
                    before, emission = self._after_gap(emission, first, first in steps, other, out)
            if isnan(emission.start):
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
            emission.stop = self._window.base + last
            emission.settled = False
            emission.longest_run = max(emission.longest_run, emission.stop - emission.run_start)
            taken = take_run(
                window.power[HISTORY:], window.level, window.hidden, mirror, nearest, *window.receiver(),
                first, last, a, b, emission.excess, emission.floor,
            )  # fmt: skip
            seen, total, squares = taken[:3]
            emission.rows += seen
            emission.traces.add(*taken)
            emission.count(total, seen, self._memory_rows)
            if seen > 15:
                mean = total / seen
                emission.moved += squares / seen - mean**2
                emission.steady += mean**2
            edge = series[HISTORY + max(last - self._edge_rows, -HISTORY) : HISTORY + last].tolist()
            usual = emission.before.late_level if emission.before else 0.0
            emission.soft_stop = sum(edge) / len(edge) < SOFT * max(emission.late_level, usual)
        if isnan(emission.start):  # nothing on after all
            self._open.remove(emission)
            return out
        silent_s = (self._window.base + count - emission.stop) * row_s
        if emission.before is not None and (
            is_clear(emission.before, emission, self._plan) or silent_s > self._patience(emission)
        ):
            emission = self.decide(emission, out)
        if (
            emission.before is None
            and silent_s > 0
            and silent_s > self._patience(emission)
            and silent_s > wait_s(emission, self._plan)
        ):
            out += self.end(emission, BATCH)
        elif not runs:
            self._settle(emission, BATCH)
        elif emission.before is not None:
            pass  # told once it is known whose it is
        elif emission.reported or (self._window.base + count - emission.start) > BATCH:
            emission.reported = True
            out.append(self._detection(emission, True))
        return out

    def _after_gap(
        self, emission: Emission, first: int, step: bool, other: bool, out: list[Detection]
    ) -> tuple[int, Emission]:
        """Give whose a run is that begins in row `first` after a silence, and the row where what was before it stopped."""
        row_s, here = self._plan.row_s, self._window.base + first
        if other or (here - emission.stop) * row_s > self._sure_s(emission):
            emission = self.decide(emission, out)
        gap_s = (here - emission.stop) * row_s
        stopped = int(emission.stop) - self._window.base
        if not step and gap_s <= wait_s(emission, self._plan) and (other or gap_s > self._sure_s(emission)):
            return stopped, self._go_on(emission)
        if other or gap_s > self._patience(emission):
            out += self.end(emission, first)
            new = Emission(self._next_number(), emission.low, emission.high, float("nan"), self._plan.size)
            self._open.append(new)
            return stopped, new
        return -HISTORY, emission

    def _core(self, emission: Emission, a: int, b: int) -> tuple[int, int]:
        """Give the bins that hold most of its power, of bins [a, b)."""
        share = np.cumsum(np.maximum(emission.excess[a:b], 0))
        low, high = np.searchsorted(share, (_RIM * share[-1], (1 - _RIM) * share[-1]))
        return a + int(low), a + int(high) + 1

    def _go_on(self, emission: Emission) -> Emission:
        """Give an emission that follows what comes after a silence, until it is told whether it is the same."""
        later = Emission(self._next_number(), emission.low, emission.high, float("nan"), self._plan.size)
        later.before = emission
        self._open[self._open.index(emission)] = later
        return later

    def decide(self, emission: Emission, out: list[Detection]) -> Emission:
        """Tell whether an emission continues the one before; give the one that is open from here on."""
        before = emission.before
        if before is None:
            return emission
        emission.before = None
        emission.soft_start = emission.first_power < SOFT * emission.late_level
        if is_same(before, emission, self._plan):
            before.absorb(emission, self._memory_rows)
            self._open[self._open.index(emission)] = before
            return before
        if before.reported or self._clearness(before) >= 3:
            out.append(self._detection(before, False))
        return emission

    def _drowned(self, emission: Emission, series: np.ndarray) -> int | None:
        """Give the row at which something ten times stronger comes up where only a mirror image was, or None."""
        if (
            not (emission.artefact or "").startswith("mirror")
            or emission.rows < 16
            or len(series) < 5
            or self._clearness(emission) < 5
        ):
            return None
        a, b = self._window.bins(emission.low, emission.high)
        usual = emission.excess[a:b].sum() / emission.rows
        strong = np.convolve(series, np.ones(4) / 4, "valid") > 10 * usual
        if not strong.any():
            return None
        row = int(np.argmax(strong))
        return row + int(np.argmax(series[row : row + 4] > 5 * usual))

    def _is_trace(self, emission: Emission, series: np.ndarray) -> bool:
        """Tell whether a run after a gap is far too weak to be the same: an image or slope of something else."""
        width_hz = (emission.high - emission.low) * self._plan.bin_hz
        if width_hz < NARROW_HZ or emission.rows < 8:
            return False
        a, b = self._window.bins(emission.low, emission.high)
        return float(series.mean()) * emission.rows < float(emission.excess[a:b].sum()) / _TRACE

    def _clearness(self, emission: Emission) -> float:
        """Give its power in standard deviations of the noise in its band and rows."""
        a, b = self._window.bins(emission.low, emission.high)
        power, noise = sums(emission.excess, emission.floor, a, b)
        if noise <= 0:
            return 0.0
        count = band_looks(self._plan, emission.rows, b - a)
        return float(power / noise * sqrt(count))

    def strength(self, emission: Emission) -> float:
        """Give its power over the noise's in its band."""
        if emission.rows == 0:
            return 0.0
        a, b = self._window.bins(emission.low, emission.high)
        known = emission.rows, a, b
        if known != emission.strength_of:
            emission.strength_of = known
            power, noise = sums(emission.excess, emission.floor, a, b)
            emission.strength = power / max(noise, 1e-30)
        return emission.strength

    def _patience(self, emission: Emission) -> float:
        """Give how long a silence it bridges without a question."""
        width_hz = (emission.high - emission.low) * self._plan.bin_hz
        run = max(emission.longest_run, emission.before.longest_run if emission.before else 0.0)
        usual = bridge_s(width_hz, run * self._plan.row_s, self._plan.rate_hz, self._plan.bin_hz)
        usual = max(usual, word_gap_s(emission, run * self._plan.row_s, self._plan))
        if emission.sweeps:
            return max(usual, SWEEP_S)
        return max(usual, _DROPOUT_S) if 0 < self.strength(emission) < _WEAK else usual

    def _sure_s(self, emission: Emission) -> float:
        """Give how long a silence leaves no doubt that what follows is the same: a sweep is where it should be."""
        usual = self._patience(emission)
        return usual if emission.sweeps else min(usual, DOUBT_S)

    def end(self, emission: Emission, limit: int) -> list[Detection]:
        """Close an emission; one that turned out to be nothing and was never reported is dropped."""
        self._settle(emission, limit)
        self._open.remove(emission)
        if not emission.reported and self._clearness(emission) < 3:
            return []
        told = self._detection(emission, False)
        if (emission.most - emission.least) * self._plan.bin_hz < SPEECH_HZ:
            for whole in self._open:
                if is_syllable(emission, whole, self._plan):
                    whole.start = min(whole.start, emission.start)
                    return [replace(told, part_of=whole.number)]
        return [told]

    def _settle(self, emission: Emission, limit: int) -> None:
        """Find where it really stopped, while those rows are still at hand."""
        if emission.settled:
            return
        emission.settled = True
        if emission.slow:
            self._settle_slow(emission)
            return
        last = int(emission.stop - self._window.base)
        series, _, _ = self._window.series(emission.low, emission.high)
        first = max(-HISTORY, int(emission.start) - self._window.base)
        if last > first:
            emission.stop = self._edge(emission, series, first, last, rising=False, limit=limit)
            emission.stop = max(emission.stop, emission.start + 0.5)
            emission.outside += min(max(self._window.base + last - emission.stop, 0.0), 2.0)

    def _settle_slow(self, emission: Emission) -> None:
        """Find the batch after which one too weak for a batch was gone: its mean over many saw it for longer."""
        recent = np.array(emission.recent)
        over = np.cumsum(recent - self.strength(emission) / 2)
        gone = len(recent) - 1 - int(over.argmax())
        stop = self._window.base + BATCH - gone * BATCH
        emission.stop = max(min(emission.stop, stop), emission.start + BATCH)

    def _weak_limit(self, emission: Emission, width: int) -> tuple[int, float]:
        """Give over how many rows, and above what, the mean shows a known emission below the claiming limit.

        Over just so many that an emission of this one's strength stands 3.5 standard deviations of the noise above it;
        0 if it is not known.
        """
        strength = self.strength(emission)
        if strength <= 0:
            return 0, 0.0
        per_row = band_looks(self._plan, 8, width) / 8
        rows = int(min(max((3.5 / (0.3 * strength)) ** 2 / per_row, 1), 32))
        return rows, weak_limit(per_row * rows)

    def _slow_on(self, emission: Emission, series: np.ndarray, noise: float, width: int) -> bool:
        """Tell whether an emission too weak for a batch is still there, by the mean of the last few."""
        emission.recent.append(float(series.mean()) / noise)
        count = band_looks(self._plan, len(series), width)
        mean = float(np.mean(emission.recent))
        return mean > 4 / sqrt(count * len(emission.recent)) and emission.recent[-1] > -2 / sqrt(count)

    def _edge(
        self, emission: Emission, series: np.ndarray, first: int, last: int, *, rising: bool, limit: int
    ) -> float:
        """Give where an on-run of rows [first, last) of the batch really begins (or ends), with a fraction.

        That may be 24 rows beyond the run, but not past row `limit`.
        """
        a = max(0, HISTORY + (max(first - 24, limit) if rising else max(first, last - 64)))
        b = min(len(series), HISTORY + (min(last, first + 64) if rising else min(last + 24, limit)))
        width = max(1, round(emission.high - emission.low))
        noise = float(self._window.level[self._window.bins(emission.low, emission.high)[0]]) * width
        spread = noise / band_looks(self._plan, 1, width) ** 0.5
        wide = (
            width * self._plan.bin_hz > NARROW_HZ
        )  # then what is before a silence is the burst before this one
        begin, end = max(0, HISTORY + first), max(0, HISTORY + last)
        usual = HISTORY + (first if rising else last)
        row = turning_row(series, a, b, begin, end, spread, usual, rising and wide, rising)
        return self._window.base - HISTORY + float(row)
