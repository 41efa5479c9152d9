"""From rows of power to detections: claim, segment, follow.

Rows are judged in batches of 64 (about 0.1 s). `scan` claims cells; claimed columns that touch become
segments, split where their parts live apart (`segments`); a segment goes to the open emission whose band it
meets, or opens a new one. An emission is on or off row by row; how long a silence it bridges depends on what it
looks like (`follow.bridge_s`). Pulses go their own way (`trains`), and so does what only a second or two of
integration shows (`slow`). Frequencies inside are bin positions (0 = lowest edge of the lowest bin), times
are row numbers since the first row.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from earwitness.core.types import Detection
from earwitness.detect.artefacts import DC_SPIKE, ReceiverRows, StretchStatistics, Traces
from earwitness.detect.clock import ClockLine, outline
from earwitness.detect.course import Course
from earwitness.detect.follow import Emission
from earwitness.detect.limits import limits
from earwitness.detect.offset import FROM_START, REACH, Watch, middle_bins, take_out
from earwitness.detect.owners import HALO_BINS, HALO_WIDTH, Owners, is_crowded
from earwitness.detect.rows import claim_known, hide
from earwitness.detect.scan import BATCH, HISTORY, Scanner, columns, mask_skirts, normalise
from earwitness.detect.segments import Segment, find_segments
from earwitness.detect.slow import Found, SlowScan
from earwitness.detect.tell import Teller
from earwitness.detect.trains import Trains
from earwitness.detect.window import Rows, Window
from earwitness.dsp.jit import kernel
from earwitness.dsp.runs import runs
from earwitness.spectrum.floor import NoiseFloor
from earwitness.spectrum.repeats import Repeat
from earwitness.spectrum.stft import Plan, SpectrumBlock, plan
from earwitness.spectrum.symbols import Carrier

_WIDEST = 256  # bins of a box; what is wider is found by its parts
_EAGER_BATCHES = 16  # the floor is followed in every batch up to here,
_LAZY = 4  # then in every fourth
_WARM_BATCHES = 4  # rows kept back at first, until the floor is known
_HALO_FROM = 3.0  # times the noise: an emission this strong has slopes that a second's mean shows
_FLAT = 2e-5  # of the power: what single precision leaves of the variance of a constant
_EMPTY = 1e-11  # of the power, in bins far from the centre
_GAIN_FELL = 0.8  # of the floor: that far down at once
_MAINLY = 0.5  # of an emission's power, from which it is the receiver's offset
_SLOW_SHARE = 0.1  # of the false alarms
_PLAIN = 1.0  # times the noise in a bin, from which a line of the clock is in the way


class Detector:
    """Finds emissions in a stream of `SpectrumBlock`s, with a stated rate of false alarms on noise alone.

    `false_alarms_per_hour` is shared by all box shapes. Memory does not grow with the stream. `statistics`
    tells of the receiver over the stretch so far. A stretch in which one value repeats ends what is open, since
    nothing can be heard there; not so with `silence`, for demodulated audio that is zero between transmissions.
    `repeat` is what repeats in a wide span, `carriers` are wide signals of one carrier that are on from its start,
    `lines` the receiver's own: known for certain, they are taken out of the rows as its constant offset is.
    """

    def __init__(
        self,
        rate_hz: float,
        center_hz: float,
        *,
        false_alarms_per_hour: float = 1.0,
        silence: bool = False,
        repeat: Repeat | None = None,
        carriers: Sequence[Carrier] = (),
        lines: Sequence[ClockLine] = (),
    ):
        self.plan: Plan = plan(rate_hz)
        self.center_hz = center_hz
        self.floor = NoiseFloor(self.plan, repeat, carriers)
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
        self._count = 0
        self._open: list[Emission] = []
        self._window = Window(self.plan, self.floor)
        self._teller = Teller(self._window, center_hz, self.statistics)
        self._owners = Owners(self._window, self._open)
        self._repeat = repeat
        self._clock_lines = lines
        self._television_sought = repeat is not None and repeat.lines
        # The bins of what is one emission each, as far as it is known to be.
        self._wholes = [
            (max(round((low + 0.5) * bins), 0), min(round((high + 0.5) * bins) + 1, bins))
            for low, high in [(c.low, c.high) for c in carriers] + (repeat.runs() if repeat else [])
        ]
        self._course = Course(
            self._window, self._open, self._next_number, self._teller.detection, self._wholes
        )
        self._begin_stretch(0)

    def _begin_stretch(self, start: int) -> None:
        self._start = self._teller.start = start  # sample index of row 0
        self._window.clear()
        self._fresh = True
        self._batches = 0
        self._total = 0.0  # mean power of all in the last batch
        self._wait: list[Rows] = []
        self._waiting = 0
        self._slow = SlowScan(
            self.plan, _SLOW_SHARE * self._per_hour, 1.5 * self.floor.settled_spread, self._widest
        )
        self._teller.spike = None
        self._lines: list[Emission] | None = None  # of the clock, once the noise is known
        self._watch = Watch(self.plan)
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
        return 0.0 if self._teller.spike is None else self.statistics.offset

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
        if not self._stuck and not _any_flat(total, block.dc, _FLAT):
            return None
        flat = total - np.abs(block.dc) ** 2 <= _FLAT * total
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
        rows = self._window.row + self._waiting
        if rows == 0:
            self._begin_stretch(block.start)
        elif block.start != self._start + rows * self.plan.row:
            out += self.close()
            self.statistics.jumps.append(block.start)
            self._begin_stretch(block.start)
        self.statistics.add(block)
        receiver = ReceiverRows(block.mirror, block.dc, block.clipped, block.total)
        self._wait.append(Rows(block.power, block.quick, receiver))
        self._waiting += len(block.power)
        if self._waiting >= BATCH * (_WARM_BATCHES if self._fresh else 1):
            out += self._drain()
        return _latest(out)

    def close(self) -> list[Detection]:
        """End the stream: judge what is left and close what is open."""
        out = self._drain()
        if self._waiting:
            out += self._judge(self._take(self._waiting))
        window = self._window
        for emission in list(self._open):
            out += self._course.end(self._course.decide(emission, out), window.row - window.base)
        if self._teller.spike is not None:
            out.append(self._teller.detection(self._teller.spike, False))
        out += [self._teller.detection(line, False) for line in self._lines or ()]
        if self._trains is not None:
            out += [item for item in self._trains.close() if not self._is_of_whole(item)]
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

    def _take(self, count: int) -> list[Rows]:
        """Give the first `count` waiting rows, in pieces."""
        pieces: list[Rows] = []
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

    def _judge(self, pieces: list[Rows]) -> list[Detection]:
        count = sum(len(rows.power) for rows in pieces)
        window = self._window
        window.take(pieces)
        power, ratio, mask = (rows[HISTORY:] for rows in (window.power, window.ratio, window.mask))
        if self._teller.spike is None and self._watch.feed(power, window.level, window.receiver()[0]):
            self._teller.spike = self._offset_emission()
        if self._teller.spike is not None:
            self._teller.spike.stop = window.row
            take_out(self._teller.spike, power)
        if self._lines is None:
            self._lines = self._plain_lines()
        for line in self._lines:
            line.stop = window.row
            take_out(line, power)
        out: list[Detection] = []
        pulses = None
        if self._trains is not None:
            found, pulses = self._trains.feed([rows.quick for rows in pieces])
            out += [item for item in found if not self._is_of_whole(item)]
            if pulses is not None:
                for low, high in self._wholes:
                    pulses[:, low:high] = 0
        due = self._floor_is_due() and count == BATCH
        fell = False
        if due:
            clean = _without(power[:count], pulses)
            usable = len(clean) // 8 * 8
            if usable >= 16:
                usual = self.floor.level
                self.floor.update(clean[:usable])
                fell = bool(np.count_nonzero(self.floor.level < _GAIN_FELL * usual) > self.plan.size // 2)
        strong = normalise(power, self.floor.level, ratio)
        if fell:
            _level_rows(ratio[:count])
        self._hide(pulses, ratio[:count], mask[:count])
        if strong:
            mask_skirts(window.ratio, window.mask, HISTORY)
        scanner = self._scanner if self._batches <= _EAGER_BATCHES else self._settled_scanner
        known = np.zeros(self.plan.size, bool)
        beside = known.copy()
        claims = 0
        for emission in self._open:
            low, high = window.bins(emission.low, emission.high)
            known[low:high] = True
            reach = 0
            if self._course.strength(emission) > _HALO_FROM:
                reach = max(HALO_BINS, round(HALO_WIDTH * (high - low)))
            beside[max(0, low - reach) : high + reach] = True
            claims += claim_known(window.ratio, window.mask, HISTORY, low, high, scanner.limits.last)
        if self._teller.spike is not None:  # its own slopes are no weak signals
            middle = self.plan.size // 2
            known[middle - REACH : middle + REACH + 1] = True
            beside[middle - REACH - HALO_BINS : middle + REACH + 1 + HALO_BINS] = True
        for line in self._lines:
            known[int(line.least) : int(line.most)] = True
            beside[int(line.least) - HALO_BINS : int(line.most) + HALO_BINS] = True
        claims += scanner.scan(window.ratio, window.mask, HISTORY)
        if due:
            self.floor.learn(ratio, ((mask == 0) & ~known).view(np.uint8))
        claimed = columns(window.mask, HISTORY)
        if claims:  # what is on and off by turns is not weak
            for low, high in runs(claimed > 0):
                beside[max(0, low - HALO_BINS) : high + HALO_BINS] = True
        weak = self._slow.feed(ratio, beside) if count == BATCH else []
        if claims or self._open or weak:
            out += self._follow(count, claimed, weak)
        return out

    def _plain_lines(self) -> list[Emission]:
        """Give the lines of the clock that stand over the noise, as emissions that are on all the time."""
        out = []
        for known in self._clock_lines:
            first, own = outline(self.plan, known)
            band = slice(first, first + len(own))
            if own.max() < _PLAIN * self._window.level[band].max():
                continue
            line = Emission(self._next_number(), band.start, band.stop, 0.0, self.plan.size)
            line.spike, line.rows = known.words, 1
            line.excess[band], line.floor[band] = own, self._window.level[band]
            out.append(line)
        return out

    def _offset_emission(self) -> Emission:
        """Give the receiver's offset, now that it is known; it leaves the open emission that held it."""
        band = middle_bins(self.plan.size)
        middle = self.plan.size // 2 + 0.5
        spike = None
        for e in [e for e in self._open if e.low <= middle <= e.high and e.start <= FROM_START]:
            own = self._watch.excess * e.rows
            if (
                spike is None
                and own.sum() > _MAINLY * e.excess[slice(*self._window.bins(e.low, e.high))].sum()
            ):
                spike = e
                self._open.remove(e)
            else:
                e.excess[band] -= np.minimum(own, e.excess[band])
        if spike is None:
            spike = Emission(self._next_number(), middle - REACH, middle + REACH, 0.0, self.plan.size)
            spike.rows = max(self._window.base, 1)
        spike.spike = DC_SPIKE
        spike.traces = Traces(rows=spike.rows, dc=self._watch.constant * spike.rows)
        spike.excess[:], spike.floor[:] = 0, 0
        spike.least, spike.most = band.start, band.stop
        spike.excess[band] = self._watch.excess * spike.rows
        spike.floor[band] = self._window.level[band] * spike.rows
        return spike

    def _is_of_whole(self, pulses: Detection) -> bool:
        """Tell whether pulses are the symbols, loud and less loud, of what is known to be one emission."""
        middle = (pulses.center_hz - self.center_hz) / self.plan.bin_hz + self.plan.size / 2
        return any(low < middle < high for low, high in self._wholes)

    def _floor_is_due(self) -> bool:
        self._batches += 1
        total = float(self._window.receiver()[2].sum()) / BATCH
        ratio = total / max(self._total, 1e-30)
        self._total = total
        # A jump of the whole power: the gain changed, or something strong came or went.
        return self._batches <= _EAGER_BATCHES or self._batches % _LAZY == 0 or not 0.8 < ratio < 1.25

    def _hide(self, pulses: np.ndarray | None, ratio: np.ndarray, mask: np.ndarray) -> None:
        """Take out of the fine rows what pulses explain; who looks there sees nothing."""
        self._window.hidden[:] = False
        if pulses is None:
            return
        hide(pulses, ratio, mask, self._window.hidden)

    def _follow(self, count: int, claimed: np.ndarray, weak: list[Found]) -> list[Detection]:
        window, owners, course = self._window, self._owners, self._course
        if self._repeat is not None and self._television_sought:
            self._wholes[:] = [
                self._repeat.vision(window.power[HISTORY : HISTORY + count], self.plan.rate_hz)
            ]
            self._television_sought = False
        found = find_segments(
            claimed, window.mask, window.power, window.level, HISTORY, self.plan, owners.inside, self._wholes
        )
        for low, high in self._wholes:
            weak = [item for item in weak if item.high <= low or high <= item.low]
        meets: dict[int, list[Segment]] = {}
        fresh: list[Segment] = []
        for segment in owners.without_halo(found):
            sole = owners.sole(segment)
            if sole is not None:
                meets.setdefault(sole.number, []).append(segment)
                continue
            for part in owners.share_out(segment):
                owner = owners.owner(part.low, part.high, part) or owners.home(part)
                if owner is not None:
                    meets.setdefault(owner.number, []).append(part)
                elif not (owners.of_pulses(part) or owners.is_over(part)):
                    fresh.append(part)
        out: list[Detection] = []
        for emission in self._open:
            meets[emission.number], others = owners.tear(emission, meets.get(emission.number, []))
            fresh += others
        everything = [*fresh, *(part for parts in meets.values() for part in parts)]
        for emission in list(self._open):
            parts = meets[emission.number]
            emission.crowded = is_crowded(emission, parts, everything)
            out += course.advance(emission, parts, count)
        for group in owners.groups(fresh):
            out += course.begin(group, everything, count)
        for one in weak:
            if not owners.hold(one.low, one.high):
                out += course.begin_slow(one, count)
        return out + course.unite(count)


@kernel("boolean(float32[::1], complex64[::1], float64)")
def _any_flat(total: np.ndarray, dc: np.ndarray, share: float) -> bool:
    """Tell whether in any row all power but that share, or nearly so, is the mean's."""
    for r in range(len(total)):
        if total[r] - (dc[r].real ** 2 + dc[r].imag ** 2) <= 2 * share * total[r]:
            return True
    return False


def _level_rows(ratio: np.ndarray) -> None:
    """Take out of rows (rows, bins) over the noise by how much the noise was stronger before the gain fell."""
    noise = np.quantile(ratio[:, ::4], 0.1, axis=1)
    usual = np.median(noise[-8:])
    rows = noise > 1.1 * usual
    ratio[rows] *= (usual / noise[rows, None]).astype(np.float32)


def _without(power: np.ndarray, pulses: np.ndarray | None) -> np.ndarray:
    """Give the rows that no pulse reaches into."""
    return power if pulses is None else power[~(pulses > 0).any(axis=1)]


def _latest(detections: list[Detection]) -> list[Detection]:
    """Keep the last word on each number."""
    return list({d.number: d for d in detections}.values())
