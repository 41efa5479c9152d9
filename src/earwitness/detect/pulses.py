"""Short wide bursts: found in the quick transform, since a row of the fine one would dilute them.

Each sub-band is compared with its own steady level, so whatever is on continuously does not count. What is
claimed counts as a pulse if it is over within 3 ms and spread over several sub-bands, and is not the click of a
much stronger narrow signal being keyed beside it. Everything else is left to the fine transform.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from earwitness.detect.limits import limits
from earwitness.detect.scan import Scanner
from earwitness.dsp.jit import kernel
from earwitness.dsp.runs import runs
from earwitness.spectrum.floor import lowest_mean, robust_level
from earwitness.spectrum.stft import Plan, looks, quick_plan

_LONGEST_S = 3e-3
_TAIL_S = 4e-3
_CLOSE_S = 150e-6
_MOST_ROWS = 64
_CLICK = 50.0
_BANDS = 4  # sub-bands at least
_FLAT = 0.04  # of the mean, left without the strongest third: two narrow signals leave nothing
_BLOCK = 32  # quick rows by which what is on for long is told
_SAMPLED = 512  # quick rows that a band's steady level is first taken from


@dataclass(slots=True)
class Pulse:
    """A burst: quick rows [first, last) of the stretch, sub-bands [low, high), power over the steady level per band."""

    first: int
    last: int
    low: int
    high: int
    excess: np.ndarray  # float (high - low,): mean over the rows


@kernel("void(uint8[:,::1], int64, int64, int64)")
def _drop_long(mask: np.ndarray, close: int, longest: int, brief: int) -> None:
    """Make claims 3 that, gaps up to `close` bridged, run longer than `longest` rows, and those beside them.

    Beside them, because the window leaks a strong signal into the neighbouring sub-band. What touches either end
    may be longer than it looks: there `brief` rows are too long.
    """
    bands, rows = mask.shape
    for b in range(bands):
        line = mask[b]
        total = 0
        for r in range(rows):
            total += line[r] == 1
        if total == 0:
            continue
        start = -1
        last = -1
        for r in range(rows + 1):
            claimed = r < rows and line[r] == 1
            if claimed:
                if start < 0:
                    start = r
                last = r
            elif start >= 0 and (r - last > close or r == rows):
                cut = start == 0 or last == rows - 1
                if last - start >= (brief if cut else longest):
                    for c in range(max(0, b - 1), min(bands, b + 2)):
                        for k in range(start, last + 1):
                            if c == b or mask[c, k] == 1:
                                mask[c, k] = 3
                start = -1


@kernel("int64(float32[:,::1], float32[::1], float64, int64, float32[:,::1], uint8[:,::1])", fastmath=True)
def _take_long(
    power: np.ndarray, steady: np.ndarray, limit: float, least: int, ratio: np.ndarray, mask: np.ndarray
) -> int:
    """Fill `ratio` with power (bands, rows) over the steady level, without what is on for `least` blocks and more.

    There mask becomes 3, ratio 1; elsewhere mask becomes 0. On means a block's mean above `limit`. The block on either
    side goes too: it holds the edges. Gives how many such runs there were.
    """
    bands, rows = ratio.shape
    runs = 0
    for b in range(bands):
        inverse = np.float32(1) / steady[b]
        for r in range(rows):
            ratio[b, r] = power[b, r] * inverse
            mask[b, r] = 0
        start = -1
        for k in range(rows // _BLOCK + 1):
            on = False
            if k < rows // _BLOCK:
                total = np.float32(0)
                for r in range(_BLOCK):
                    total += ratio[b, k * _BLOCK + r]
                on = bool(total > limit * _BLOCK)
            if on and start < 0:
                start = k
            elif not on and start >= 0:
                if k - start >= least:
                    runs += 1
                    for r in range(max(0, start - 1) * _BLOCK, min(rows, (k + 1) * _BLOCK)):
                        mask[b, r] = 3
                        ratio[b, r] = 1
                start = -1
    return runs


@kernel("Tuple((float32[::1], int64[::1]))(float32[:,::1], uint8[:,::1], int64)", fastmath=True)
def _free_mean(quick: np.ndarray, mask: np.ndarray, first: int) -> tuple[np.ndarray, np.ndarray]:
    """Give per band the mean of the rows from `first` on that are not claimed, and their number."""
    bands = len(quick)
    mean = np.zeros(bands, np.float32)
    count = np.zeros(bands, np.int64)
    for b in range(bands):
        power, claims = quick[b, first:], mask[b, first:]
        total = np.float32(0)
        free = np.float32(0)
        for r in range(len(power)):
            total += power[r] if claims[r] == 0 else np.float32(0)
            free += np.float32(1) if claims[r] == 0 else np.float32(0)
        mean[b] = total / max(np.float32(1), free)
        count[b] = int(free)
    return mean, count


@kernel("void(float32[:,::1], int64, int64, float64, float64, float64, boolean[::1], float32[::1])")
def _steady(
    quick: np.ndarray,
    first: int,
    step: int,
    low_mean: float,
    clip: float,
    clipped_mean: float,
    wanted: np.ndarray,
    level: np.ndarray,
) -> None:
    for b in range(len(quick)):
        if wanted[b]:
            level[b] = robust_level(quick[b, first::step].copy(), low_mean, clip, clipped_mean)


class PulseFinder:
    """Finds pulses in consecutive batches of quick rows."""

    def __init__(self, of: Plan, per_hour: float):
        from scipy.special import gammainc, gammainccinv

        coarse = quick_plan(of)
        self._row_s = coarse.row_s
        group, bands = of.quick_group, of.quick_bands
        most = limits(coarse, per_hour, 0.005, _MOST_ROWS, bands, batch_rows=4096, bin_cells=group)
        self._scanner = Scanner(most.turned(), shallowest=_BANDS.bit_length() - 1)
        self._long_limit = 1 + float(most.last[_BLOCK - 1, 0])
        count = looks(coarse, 1, group)
        self._count = count
        self._low = lowest_mean(count)
        self._clip = float(gammainccinv(count, 1e-3) / count)
        self._clipped = float(gammainc(count + 1, self._clip * count) / (1 - 1e-3))
        self._tail = round(_TAIL_S / self._row_s)
        self._longest = round(_LONGEST_S / self._row_s)
        self._gap = max(1, round(_CLOSE_S / self._row_s))
        self._room = self._room_for(bands, 0)
        self._kept = self._room[0]  # the last rows of the batch before
        self._row = 0  # of the first kept row
        self._first = True
        self.steady = np.zeros(bands, np.float32)

    def feed(self, quick: list[np.ndarray]) -> tuple[list[Pulse], np.ndarray | None]:
        """Take quick rows (any number of arrays of them); give the pulses that are over by now.

        Also gives for just these rows the claims, uint8 (bands, rows), 1 = pulse, or None if there are none.
        """
        old = self._kept.shape[1]
        joined, ratio, mask = self._joined(quick)
        rows = joined.shape[1]
        if not self.steady.all():
            self._take_robust(joined, old, self.steady == 0)
        pulses: list[Pulse] = []
        new = None
        least = self._longest // _BLOCK + 1
        long = _take_long(joined, self.steady, self._long_limit, least, ratio, mask)
        if self._scanner.scan(ratio, mask, 0) or long:
            self._follow(joined, mask, old)
            _drop_long(mask, self._gap, self._longest, self._longest // 8)
            end = rows - self._tail
            for pulse in self._group(mask, joined):
                if (self._first or pulse.last > self._tail) and pulse.last <= end:
                    pulses.append(pulse)
            new = mask[:, old:].copy() if (mask[:, old:] == 1).any() else None
        elif rows - old >= _SAMPLED:  # few rows tell less than is known
            self.steady = np.maximum(joined[:, old:].mean(axis=1), 1e-16)
        for pulse in pulses:
            pulse.first += self._row
            pulse.last += self._row
        self._row += max(0, rows - 2 * self._tail)
        self._kept = joined[:, -2 * self._tail :]
        self._first = self._first and rows <= 2 * self._tail
        return pulses, new

    @staticmethod
    def _room_for(bands: int, rows: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        shape = bands, rows
        return np.empty(shape, np.float32), np.empty(shape, np.float32), np.empty(shape, np.uint8)

    def _joined(self, quick: list[np.ndarray]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Give the kept rows and new ones in one piece, and room for their ratio and mask: the same in every batch."""
        rows = self._kept.shape[1] + sum(some.shape[1] for some in quick)
        if rows != self._room[0].shape[1]:
            self._room = self._room_for(len(self._kept), rows)
        joined = self._room[0]
        at = 0
        for some in (self._kept, *quick):
            joined[:, at : at + some.shape[1]] = some
            at += some.shape[1]
        return self._room

    def close(self) -> list[Pulse]:
        """Give the pulses of the last few milliseconds."""
        if not self._kept.size:
            return []
        # Noise-free rows after the end let what is there come to its end.
        padding = np.repeat(self.steady[:, None], 2 * self._tail, axis=1)
        return self.feed([padding])[0]

    def _take_robust(self, quick: np.ndarray, first: int, wanted: np.ndarray) -> None:
        """Take the steady level of the wanted bands from the lowest of the readings from `first` on."""
        step = max(1, (quick.shape[1] - first) // _SAMPLED)
        _steady(quick, first, step, self._low, self._clip, self._clipped, wanted, self.steady)
        np.maximum(self.steady, 1e-16, out=self.steady)

    def _follow(self, quick: np.ndarray, mask: np.ndarray, first: int) -> None:
        """Take the steady level from what is not claimed; where most is, from the lowest readings."""
        rows = quick.shape[1] - first
        if rows < _SAMPLED:
            return
        mean, count = _free_mean(quick, mask, first)
        self.steady = np.maximum(mean, 1e-16)
        busy = count < rows // 2
        if busy.any():
            self._take_robust(quick, first, busy)

    @property
    def settled(self) -> int:
        """Give the quick row before which every pulse has been given."""
        return self._row + max(0, self._kept.shape[1] - self._tail)

    def _group(self, mask: np.ndarray, power: np.ndarray) -> list[Pulse]:
        """Give the pulses in a mask, and clear from it what is none."""
        out = []
        for first, last in runs(_claimed_rows(mask)):
            bands = mask[:, first:last].any(axis=1)
            counted = (mask[:, first:last] == 1).any(axis=1)
            for low, high in runs(np.asarray(bands)):
                used = counted[low:high]
                if np.count_nonzero(used) < _BANDS:
                    mask[low:high, first:last] = 0
                    continue
                excess = (power[low:high, first:last].mean(axis=1) - self.steady[low:high]) * used
                beside = power[:, max(0, first - 2) : last + 2].max(axis=1)  # the click of what comes or goes
                beside[low:high] *= ~used
                strongest = float(beside[max(0, low - 8) : high + 8].max())
                rest = np.sort(excess[used])[: -max(2, int(np.count_nonzero(used)) // 3)]
                level = float(self.steady[low:high].mean())
                sure = 4 * level / np.sqrt(self._count * (last - first) * max(1, len(rest)))
                if float(rest.mean()) < max(_FLAT * float(excess.mean()), sure) or strongest > _CLICK * float(
                    excess.sum()
                ):
                    mask[low:high, first:last] = 0
                else:
                    out.append(Pulse(first, last, low, high, excess))
        return out


@kernel("boolean[::1](uint8[:,::1])")
def _claimed_rows(mask: np.ndarray) -> np.ndarray:
    """Tell the rows in which any band is claimed."""
    out = np.zeros(mask.shape[1], np.bool_)
    for b in range(len(mask)):
        line = mask[b]
        for r in range(len(line)):
            out[r] |= line[r] == 1
    return out
