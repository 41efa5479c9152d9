"""Samples to calibrated power rows: the one forward transform that detection and the views look at.

Two transforms run side by side. The *fine* one has bins narrow enough for the narrowest signals that make
sense in the span, its frames summed to rows of 1 to 3 ms. The *quick* one (spans of 200 kHz and more) has
frames of about 50 us and only a few wide sub-bands, so that pulses of 100 us are not diluted in a long frame.

Window: Nuttall's three-term window with a continuous first derivative, .40897 .5 .09103 (Nuttall 1981, from
memory; computed here: ENBW 1.772 bins, side lobes -64 dB falling 18 dB per octave, so -86 dB twelve bins away).
At 50 % overlap sums over time use 0.815 of the energy (0.44 dB lost against no window), at 75 % nearly all.

Calibration: the window is scaled by its own sum, so a tone of amplitude 1.0 (full scale) on a bin centre
reads 1.0 (0 dBFS) there, and up to `Plan.scallop_db` less between two bins. A density is
power / enbw_hz; the power of a band is the sum of its bins times bin_hz / enbw_hz.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np

from earwitness.core.types import Samples
from earwitness.spectrum.transform import FineTransform, QuickTransform, census

_WINDOW = (0.40897, 0.5, 0.09103)
_NARROW_BIN_HZ = 130.0  # up to 200 kS/s: narrow short-wave signals lie beside each other there
_RAIL = 0.995  # |I| or |Q| from here on counts as clipped: top code of eight bits, whichever scaling


@dataclass(frozen=True, slots=True)
class SpectrumBlock:
    """Rows of power against frequency, oldest first; bins ascend in frequency.

    `power` float32 (rows, bins): mean over the row, full-scale tone = 1.0. Row r stands for the `hop` samples from `start + r * hop` (counted like `Samples.start`).
    `mirror` complex64 (rows, bins // 2): X[+k] X[-k] of one frame per row, k = 0 at the centre; it does not
    average out where one side is the receiver's image of the other. `quick` float32 (sub-bands, quick rows):
    power in wide sub-bands at a row time of `quick_hop` samples from `quick_start`, or no sub-bands.
    """

    power: np.ndarray
    mirror: np.ndarray
    start: int
    hop: int
    rate_hz: float
    center_hz: float
    bin_hz: float
    enbw_hz: float
    epoch_ns: int
    quick: np.ndarray
    quick_start: int
    quick_hop: int
    clipped: np.ndarray  # int32 (rows,): samples on the rails, in the row
    dc: np.ndarray  # complex64 (rows,): mean of the samples
    square: np.ndarray  # complex64 (rows,): mean of x * x, which the I/Q imbalance makes non-zero
    total: np.ndarray  # float32 (rows,): mean of |x|^2
    zeros: np.ndarray  # int32 (rows,): samples that are exactly zero

    def part(self, first: int, last: int) -> SpectrumBlock:
        """Give rows [first, last)."""
        here = slice(first, last)
        per = self.hop // self.quick_hop if self.quick.size else 0
        return replace(
            self,
            power=self.power[here],
            mirror=self.mirror[here],
            start=self.start + first * self.hop,
            quick=self.quick[:, first * per : last * per],
            quick_start=self.quick_start + first * per * self.quick_hop,
            clipped=self.clipped[here],
            dc=self.dc[here],
            square=self.square[here],
            total=self.total[here],
            zeros=self.zeros[here],
        )

    @property
    def frequencies_hz(self) -> np.ndarray:
        """Give the absolute frequency of each bin's middle, float64 (bins,)."""
        bins = self.power.shape[1]
        return self.center_hz + (np.arange(bins) - bins // 2) * self.bin_hz


@dataclass(frozen=True, eq=False)
class Plan:
    """Transform sizes for a sample rate: what the detector needs to know about the statistics too."""

    rate_hz: float
    size: int
    hop: int  # between frames
    frames: int  # per row
    quick_size: int  # 0: no quick transform
    quick_group: int  # bins per sub-band
    coefficients: tuple[float, ...] = _WINDOW

    @cached_property
    def row(self) -> int:
        """Give the samples per row."""
        return self.hop * self.frames

    @cached_property
    def row_s(self) -> float:
        """Give the time per row."""
        return self.row / self.rate_hz

    @cached_property
    def bin_hz(self) -> float:
        """Give the bin spacing."""
        return self.rate_hz / self.size

    @cached_property
    def window(self) -> np.ndarray:
        """Give the window, float32, scaled so that a full-scale tone reads 1.0."""
        phase = 2 * np.pi * np.arange(self.size) / self.size
        window = sum((-1) ** k * c * np.cos(k * phase) for k, c in enumerate(self.coefficients))
        return np.asarray(window / np.sum(window), np.float32)

    @cached_property
    def enbw_hz(self) -> float:
        """Give the equivalent noise bandwidth of a bin (sum of squares over square of sum, times rate)."""
        return float(np.sum(self.window.astype(float) ** 2) * self.rate_hz)

    @cached_property
    def scallop_db(self) -> float:
        """Give how much less a tone half-way between two bins reads."""
        n = np.arange(self.size)
        return float(-20 * np.log10(abs(np.sum(self.window * np.exp(1j * np.pi * n / self.size)))))

    @cached_property
    def quick_hop(self) -> int:
        """Give the samples per quick row."""
        return self.quick_size // 2

    @cached_property
    def quick_bands(self) -> int:
        """Give the number of quick sub-bands."""
        return self.quick_size // self.quick_group if self.quick_size else 0


@lru_cache(maxsize=64)
def plan(rate_hz: float) -> Plan:
    """Choose the transforms for a rate: bins of 16..130 Hz up to 200 kS/s, 1 to 2.5 kHz from 1 MS/s on."""
    size = 256
    for above, points in (
        (24e3, 512),
        (80e3, 1024),
        (200e3, 512),
        (700e3, 1024),
        (1.5e6, 2048),
        (4e6, 4096),
        (10e6, 8192),
    ):
        if rate_hz > above:
            size = points
    while rate_hz / size > 3000:
        size *= 2
    hop = size // 4 if rate_hz <= 700e3 else size // 2
    if rate_hz <= 200e3 and rate_hz / size > _NARROW_BIN_HZ:  # the rows stay as short
        size *= 2
    row_s = 1.0e-3 if rate_hz <= 700e3 else 1.3e-3
    frames = 2 ** max(0, round(np.log2(max(row_s * rate_hz / hop, 1))))
    quick = group = 0
    if rate_hz >= 200e3:
        quick = max(8, 2 ** round(np.log2(rate_hz * 50e-6)))
        group = max(1, 2 ** round(np.log2(150e3 / (rate_hz / quick))))
        group = min(group, quick // 8)
    return Plan(float(rate_hz), size, hop, frames, quick, max(group, 1))


@lru_cache(maxsize=4096)
def looks(of: Plan, rows: int, bins: int, row_frames: int = 0) -> float:
    """Give how many independent looks a mean over `rows` x `bins` cells is worth.

    A row holds `row_frames` frames, if not as many as the plan says.

    A mean of K correlated exponential powers has the variance of a mean of `looks` independent ones; the
    correlation of two cells is |A|^2, A the window's ambiguity function at their distance (textbook).
    """
    frames = rows * (row_frames or of.frames)
    total = 0.0
    for lag, line in enumerate(_correlation(of)[:frames]):
        for step, a in enumerate(line[:bins]):
            copies = (1 if lag == 0 else 2) * (1 if step == 0 else 2)
            total += copies * (1 - lag / frames) * (1 - step / bins) * a
    return float(frames * bins / total)


@lru_cache(maxsize=8)
def _correlation(of: Plan) -> list[list[float]]:
    """Give the correlation of the powers of two cells, by the frames and by the bins (up to 5) between them."""
    window = of.window.astype(float)
    out = []
    for lag in range(-(-of.size // of.hop)):
        product = window[: of.size - lag * of.hop] * window[lag * of.hop :]
        turn = np.exp(-2j * np.pi * np.outer(np.arange(6), np.arange(len(product))) / of.size)
        out.append((np.abs(turn @ product / np.sum(window**2)) ** 2).tolist())
    return out


@lru_cache(maxsize=64)
def quick_plan(of: Plan) -> Plan:
    """Give the quick transform as a plan of its own, one frame per row.

    Hann's window: half overlapped, it uses 0.947 of the energy, and nothing narrow is sought here.
    """
    return Plan(of.rate_hz, of.quick_size, of.quick_hop, 1, 0, of.quick_group, (0.5, 0.5))


class Spectrum:
    """Turns a stream of `Samples` into `SpectrumBlock`s; rows do not depend on where the blocks were cut.

    A jump in `Samples.start` (lost samples) ends the rows before it and begins afresh after it. Blocks of whole rows
    that each reach `overlap` samples into the next are looked at where they are; others are joined first.
    """

    def __init__(self, rate_hz: float, center_hz: float):
        self.plan = plan(rate_hz)
        self.center_hz = center_hz
        p = self.plan
        self._fine = FineTransform(p.window, p.hop, p.frames)
        coarse = quick_plan(p)
        self._quick = QuickTransform(coarse.window, p.quick_hop, p.quick_group) if p.quick_size else None
        self._room = np.empty(0, np.complex64)
        self._tail = np.empty(0, np.complex64)
        self._next = 0  # sample index of the tail's first sample
        self._epoch_ns = 0

    @property
    def overlap(self) -> int:
        """Give the samples that a row's frames reach beyond it."""
        return self.plan.size - self.plan.hop

    @property
    def _span(self) -> int:
        """Samples from the first of a row's first frame to the last of its last."""
        return self.plan.row - self.plan.hop + self.plan.size

    def feed(self, samples: Samples) -> SpectrumBlock | None:
        """Take the next samples; give the rows they complete, or None."""
        data = samples.data
        known = self._next + len(self._tail) - samples.start  # samples that are here already
        again = samples.start == self._next and len(data) >= len(self._tail)
        if again or not 0 <= known <= len(self._tail):
            self._tail = np.empty(0, np.complex64)
            self._next = samples.start
        else:
            data = data[known:]
        self._epoch_ns = samples.epoch_ns
        whole = len(self._tail) == 0 and data.flags.c_contiguous and data.flags.writeable
        x = data if whole else self._joined(data)
        rows = max(0, (len(x) - self._span) // self.plan.row + 1)
        if rows == 0:
            self._tail = x.copy()
            return None
        block = self._rows_of(x, rows)
        if not np.isfinite(block.power[:, 0].sum()):  # one bad sample spoils every bin of its row
            x = np.nan_to_num(x, nan=0.0, posinf=0.0, neginf=0.0)
            block = self._rows_of(x, rows)
        used = rows * self.plan.row
        self._tail = x[used:].copy()
        self._next += used
        return block

    def _joined(self, data: np.ndarray) -> np.ndarray:
        """Give the tail and the new samples in one piece, in memory that is used again."""
        kept, count = len(self._tail), len(self._tail) + len(data)
        if count > len(self._room):
            self._room = np.empty(count, np.complex64)
        x = self._room[:count]
        x[:kept] = self._tail
        x[kept:] = data
        return x

    def close(self) -> SpectrumBlock | None:
        """Give the last rows, the missing samples taken as zero, or None if nothing is left."""
        left = len(self._tail) - (self.plan.size - self.plan.hop) // 2
        rows = (left + self.plan.row // 2) // self.plan.row
        if rows <= 0:
            return None
        x = np.zeros((rows - 1) * self.plan.row + self._span, np.complex64)
        count = min(len(x), len(self._tail))
        x[:count] = self._tail[:count]
        block = self._rows_of(x, rows)
        self._tail = np.empty(0, np.complex64)
        return block

    def _rows_of(self, x: np.ndarray, rows: int) -> SpectrumBlock:
        p = self.plan
        pairs = x.view(np.float32)
        power, mirror = self._fine.rows(pairs, rows)
        middle = pairs[p.size - p.hop :]
        clipped, zeros = np.empty(rows, np.int32), np.empty(rows, np.int32)
        dc, square = np.empty(rows, np.complex64), np.empty(rows, np.complex64)
        total = np.empty(rows, np.float32)
        census(middle, p.row, _RAIL, clipped, dc, square, total, zeros)
        quick = np.empty((0, 0), np.float32)
        if self._quick is not None:
            quick = self._quick.rows(middle, rows * p.row // p.quick_hop)
        start = self._next + (p.size - p.hop) // 2
        return SpectrumBlock(
            power, mirror, start, p.row, p.rate_hz, self.center_hz, p.bin_hz, p.enbw_hz, self._epoch_ns,
            quick, start + p.quick_hop // 2, p.quick_hop, clipped, dc, square, total, zeros,
        )  # fmt: skip
