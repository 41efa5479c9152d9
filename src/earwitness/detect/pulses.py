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
    rows, bands = mask.shape
    for b in range(bands):
        start = -1
        last = -1
        for r in range(rows + 1):
            claimed = r < rows and mask[r, b] == 1
            if claimed:
                if start < 0:
                    start = r
                last = r
            elif start >= 0 and (r - last > close or r == rows):
                cut = start == 0 or last == rows - 1
                if last - start >= (brief if cut else longest):
                    for k in range(start, last + 1):
                        for c in range(max(0, b - 1), min(bands, b + 2)):
                            if c == b or mask[k, c] == 1:
                                mask[k, c] = 3
                start = -1


@kernel("int64(float32[:,::1], uint8[:,::1], float64, int64)", fastmath=True)
def _take_long(ratio: np.ndarray, mask: np.ndarray, limit: float, least: int) -> int:
    """Take out, in ratio (bands, rows), what is on for `least` blocks of rows and more: mask becomes 3, ratio 1.

    On means a block's mean above `limit`. The block on either side goes too: it holds the edges. Gives how many
    runs there were.
    """
    bands, rows = ratio.shape
    runs = 0
    for b in range(bands):
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


@kernel("Tuple((float32[::1], int64[::1]))(float32[:,::1], uint8[:,::1])")
def _free_mean(quick: np.ndarray, mask: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Give per band the mean of the rows that are not claimed, and their number."""
    rows, bands = quick.shape
    mean = np.zeros(bands, np.float32)
    count = np.zeros(bands, np.int64)
    for r in range(rows):
        for b in range(bands):
            if mask[r, b] == 0:
                mean[b] += quick[r, b]
                count[b] += 1
    for b in range(bands):
        mean[b] /= max(1, count[b])
    return mean, count


@kernel("float32[::1](float32[:,::1])", fastmath=True)
def _mean(power: np.ndarray) -> np.ndarray:
    """Give the mean over rows (the matrix product would start threads)."""
    out = np.zeros(power.shape[1], np.float32)
    for r in range(power.shape[0]):
        for b in range(power.shape[1]):
            out[b] += power[r, b]
    return out / np.float32(power.shape[0])


@kernel("float32[:,::1](float32[:,::1], float32[::1])", fastmath=True)
def _turn(power: np.ndarray, level: np.ndarray) -> np.ndarray:
    """Give power over level with time along the second axis; block by block, which the cache likes."""
    rows, bands = power.shape
    out = np.empty((bands, rows), np.float32)
    inverse = np.float32(1) / level
    for first in range(0, rows, 32):
        last = min(rows, first + 32)
        for b in range(bands):
            for r in range(first, last):
                out[b, r] = power[r, b] * inverse[b]
    return out


@kernel("float32[::1](float32[:,::1], int64, float64, float64, float64)")
def _steady(quick: np.ndarray, step: int, low_mean: float, clip: float, clipped_mean: float) -> np.ndarray:
    out = np.empty(quick.shape[1], np.float32)
    for b in range(quick.shape[1]):
        out[b] = robust_level(quick[::step, b].copy(), low_mean, clip, clipped_mean)
    return out


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
        self._kept = np.empty((0, bands), np.float32)
        self._row = 0  # of the first kept row
        self._first = True
        self.steady = np.zeros(bands, np.float32)

    def feed(self, quick: list[np.ndarray]) -> tuple[list[Pulse], np.ndarray | None]:
        """Take quick rows (any number of arrays of them); give the pulses that are over by now.

        Also gives for just these rows the claims (uint8, 1 = pulse), or None if there are none.
        """
        if not self.steady.all():
            self.steady = self._robust(np.concatenate(quick))
        joined = np.concatenate([self._kept, *quick])
        old = len(self._kept)
        turned = _turn(joined, self.steady)
        claimed = np.zeros(turned.shape, np.uint8)
        pulses: list[Pulse] = []
        mask = None
        long = _take_long(turned, claimed, self._long_limit, self._longest // _BLOCK + 1)
        if self._scanner.scan(turned, claimed, 0) or long:
            mask = np.ascontiguousarray(claimed.T)
            self._follow(joined[old:], mask[old:])
            _drop_long(mask, self._gap, self._longest, self._longest // 8)
            end = len(joined) - self._tail
            for pulse in self._group(mask, joined):
                if (self._first or pulse.last > self._tail) and pulse.last <= end:
                    pulses.append(pulse)
            mask = mask[old:] if (mask[old:] == 1).any() else None
        elif len(joined) - old >= _SAMPLED:  # few rows tell less than is known
            self.steady = np.maximum(_mean(joined[old:]), 1e-16)
        for pulse in pulses:
            pulse.first += self._row
            pulse.last += self._row
        self._row += max(0, len(joined) - 2 * self._tail)
        self._kept = joined[-2 * self._tail :].copy()
        self._first = self._first and len(joined) <= 2 * self._tail
        return pulses, mask

    def close(self) -> list[Pulse]:
        """Give the pulses of the last few milliseconds."""
        if not len(self._kept):
            return []
        # Noise-free rows after the end let what is there come to its end.
        padding = np.repeat(self.steady[None, :], 2 * self._tail, axis=0)
        return self.feed([padding])[0]

    def _robust(self, quick: np.ndarray) -> np.ndarray:
        step = max(1, len(quick) // _SAMPLED)
        return np.maximum(_steady(quick, step, self._low, self._clip, self._clipped), 1e-16)

    def _follow(self, quick: np.ndarray, mask: np.ndarray) -> None:
        """Take the steady level from what is not claimed; where most is, from the lowest readings."""
        if len(quick) < _SAMPLED:
            return
        mean, count = _free_mean(quick, mask)
        busy = count < len(quick) // 2
        if busy.any():
            mean = np.where(busy, self._robust(quick), mean)
        self.steady = np.maximum(mean, 1e-16).astype(np.float32)

    @property
    def settled(self) -> int:
        """Give the quick row before which every pulse has been given."""
        return self._row + max(0, len(self._kept) - self._tail)

    def _group(self, mask: np.ndarray, power: np.ndarray) -> list[Pulse]:
        """Give the pulses in a mask, and clear from it what is none."""
        rows = np.flatnonzero((mask == 1).any(axis=1))
        if not len(rows):
            return []
        out = []
        for run in np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1):
            first, last = int(run[0]), int(run[-1]) + 1
            bands = mask[first:last].any(axis=0)
            counted = (mask[first:last] == 1).any(axis=0)
            edges = np.flatnonzero(np.diff(np.concatenate([[0], bands.view(np.int8), [0]])))
            for low, high in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
                used = counted[low:high]
                if np.count_nonzero(used) < _BANDS:
                    mask[first:last, low:high] = 0
                    continue
                excess = (power[first:last, low:high].mean(axis=0) - self.steady[low:high]) * used
                beside = power[max(0, first - 2) : last + 2].max(axis=0)  # the click of what comes or goes
                beside[low:high] *= ~used
                strongest = float(beside[max(0, low - 8) : high + 8].max())
                rest = np.sort(excess[used])[: -max(2, int(np.count_nonzero(used)) // 3)]
                level = float(self.steady[low:high].mean())
                sure = 4 * level / np.sqrt(self._count * (last - first) * max(1, len(rest)))
                if float(rest.mean()) < max(_FLAT * float(excess.mean()), sure) or strongest > _CLICK * float(
                    excess.sum()
                ):
                    mask[first:last, low:high] = 0
                else:
                    out.append(Pulse(first, last, low, high, excess))
        return out
