"""What the receiver itself put into the recording, and how we know.

A reason is given only where the samples prove it, since a wrong one hides a real emission:

- **DC spike**: the energy at the centre is the mean of the samples, coherent over the whole time it was seen. A
  carrier that happens to lie at the centre is off by some hertz and averages out.
- **Mirror image**: X[+k] X[-k] summed over the emission's cells. With y = x + b conj(x) a stronger emission s at
  the mirror frequency leaves b conj(s), and the product sums to b |s|^2 in phase; for two emissions
  that merely sit opposite each other it averages out. The sum tells how much of the power is image.
- **Clock line**: an unmodulated, steady line at a small fraction of the sample clock, to a few hundredths of a bin;
  where samples can be read again, one whose phase stands still against that fraction for all its time, which
  holds to a fraction of a hertz and tells weak lines too (`clock`).
- **Crystal line**: the same at a multiple of the 28.8 MHz at which cheap receivers run (common practice, no source);
  its place tells it wherever the receiver is tuned, since one crystal makes both the line and the scale.
- **Clipping product**: weak energy that is there only while samples sit on the rails.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields

import numpy as np

from earwitness.detect import clock
from earwitness.dsp.jit import kernel
from earwitness.spectrum.stft import Plan, SpectrumBlock

DC_SPIKE = "DC spike: the constant offset of the receiver at its own centre frequency"
_EXPLAINED = 0.4  # share of an emission's power that has to be explained
_IMAGE_BELOW = 20.0  # power ratio from which the other side counts as stronger
_CLOCK_BINS = 0.04
_CRYSTAL_HZ = 28.8e6
_CRYSTAL_TUNED_HZ = 15.0  # steps in which a tuner is set
_LINE_BINS = 4.5
_STEADY = 0.15  # standard deviation over mean of a line's power, noise taken off


@dataclass(slots=True)
class Traces:
    """Sums over the rows in which an emission was on that tell artefacts from signals."""

    rows: int = 0
    power: float = 0.0  # over the floor, in its band
    power_squared: float = 0.0
    mirrored: float = 0.0  # power over the floor in the band's mirror image
    mirrored_all: float = 0.0  # the same, floor included
    product: complex = 0j  # of both sides
    dc: complex = 0j
    clipped_power: float = 0.0  # in rows with clipped samples
    total: float = 0.0  # all the power in the recording in those rows

    def add(
        self,
        rows: int,
        own: float,
        squares: float,
        there: float,
        noise: float,
        product: complex,
        dc: complex,
        clipped: float,
        total: float,
    ) -> None:
        """Take the sums over further rows: see `rows.take_run`."""
        self.rows += rows
        self.power += own
        self.power_squared += squares
        self.mirrored_all += there
        self.mirrored += there - noise
        self.product += product
        self.dc += dc
        self.clipped_power += clipped
        self.total += total

    def join(self, later: Traces) -> None:
        """Take what was summed elsewhere of the same emission."""
        for item in fields(self):
            setattr(self, item.name, getattr(self, item.name) + getattr(later, item.name))


@dataclass(slots=True)
class ReceiverRows:
    """The rows of a batch that tell of the receiver: see `SpectrumBlock` for each."""

    mirror: np.ndarray
    dc: np.ndarray
    clipped: np.ndarray
    total: np.ndarray

    def part(self, first: int, last: int) -> ReceiverRows:
        """Give some of the rows."""
        s = slice(first, last)
        return ReceiverRows(self.mirror[s], self.dc[s], self.clipped[s], self.total[s])

    def copy(self) -> ReceiverRows:
        """Give the rows in memory of their own."""
        return ReceiverRows(self.mirror.copy(), self.dc.copy(), self.clipped.copy(), self.total.copy())


def reason(
    traces: Traces,
    of: Plan,
    tuned_hz: float,
    low: float,
    high: float,
    center: float,
    background_clipping: float,
) -> str | None:
    """Give why an emission is the receiver's own doing, or None.

    `low`, `high`, `center` are positions in bins (0 = lower edge of bin 0, so bin b is centred on b + 0.5);
    `tuned_hz` is the receiver's centre frequency. `background_clipping` is the share of rows with clipped samples outside strong emissions.
    """
    if traces.rows == 0 or traces.power <= 0:
        return None
    share = of.bin_hz / of.enbw_hz
    middle = of.size // 2 + 0.5
    if low <= middle <= high and high - low < 12 and constant_share(traces, of) > _EXPLAINED:
        return DC_SPIKE
    if traces.mirrored > _IMAGE_BELOW * traces.power and traces.mirrored_all > 0:
        explained = abs(traces.product) ** 2 / traces.mirrored_all / traces.power
        if explained > _EXPLAINED:
            down = 10 * np.log10(traces.mirrored / traces.power)
            return f"mirror image: a conjugate copy, {down:.0f} dB down, of the emission opposite the centre"
    if high - low <= _LINE_BINS and traces.rows * of.row_s >= 1.0 and _steady(traces):
        for parts in clock.PARTS:
            part = (center - middle) / of.size * parts
            if round(part) and abs(part - round(part)) * of.size / parts < _CLOCK_BINS:
                return clock.clock_words(round(part), parts)
        line_hz = tuned_hz + (center - middle) * of.bin_hz
        order = round(line_hz / _CRYSTAL_HZ)
        if order > 0 and abs(line_hz - order * _CRYSTAL_HZ) < _CLOCK_BINS * of.bin_hz + _CRYSTAL_TUNED_HZ:
            return f"crystal line: steady and unmodulated at {order} times 28.8 MHz, of the receiver's own crystal"
    if (
        traces.clipped_power > 0.8 * traces.power
        and background_clipping < 0.2
        and traces.power * share < 0.01 * traces.total
    ):
        return "clipping product: there only while samples are on the rails"
    return None


def constant_share(traces: Traces, of: Plan) -> float:
    """Give the share of an emission's power that is one constant value: nearly all of the receiver's own offset."""
    return abs(traces.dc / traces.rows) ** 2 / (traces.power / traces.rows * of.bin_hz / of.enbw_hz)


def _steady(traces: Traces) -> bool:
    mean = traces.power / traces.rows
    variance = traces.power_squared / traces.rows - mean**2
    return bool(variance < (_STEADY * mean) ** 2)


@kernel(
    "Tuple((int64, int64, int64, complex128, complex128, float64))"
    "(int32[::1], int32[::1], complex64[::1], complex64[::1], float32[::1])"
)
def _tally(
    clipped: np.ndarray, zeros: np.ndarray, dc: np.ndarray, square: np.ndarray, total: np.ndarray
) -> tuple[int, int, int, complex, complex, float]:
    """Give the sums over rows of clipped samples, rows with any, zeros, offset, square and power."""
    clipped_samples = clipped_rows = zero_samples = 0
    offset = squares = 0j
    power = 0.0
    for r in range(len(dc)):
        clipped_samples += clipped[r]
        clipped_rows += clipped[r] != 0
        zero_samples += zeros[r]
        offset += dc[r]
        squares += square[r]
        power += total[r]
    return clipped_samples, clipped_rows, zero_samples, offset, squares, power


@dataclass
class StretchStatistics:
    """Running figures of the receiver over a stretch of samples."""

    rate_hz: float
    samples: int = 0
    clipped: int = 0
    zeros: int = 0
    stuck: int = 0  # samples in rows of one value only
    rows: int = 0
    clipped_rows: int = 0
    dc: complex = 0j
    square: complex = 0j
    total: float = 0.0
    jumps: list[int] = field(default_factory=list)  # sample indices where samples were lost

    def add(self, block: SpectrumBlock) -> None:
        """Take the rows of a block."""
        count = len(block.dc)
        clipped, clipped_rows, zeros, dc, square, total = _tally(
            block.clipped, block.zeros, block.dc, block.square, block.total
        )
        self.rows += count
        self.samples += count * block.hop
        self.clipped += clipped
        self.clipped_rows += clipped_rows
        self.zeros += zeros
        self.dc += dc
        self.square += square
        self.total += total

    @property
    def clipped_fraction(self) -> float:
        """Give the share of samples on the rails."""
        return self.clipped / max(1, self.samples)

    @property
    def offset(self) -> float:
        """Give the amplitude of the constant offset."""
        return abs(self.dc) / max(1, self.rows)

    @property
    def dc_dbfs(self) -> float:
        """Give the level of the constant offset."""
        return 20 * float(np.log10(max(self.offset, 1e-10)))

    @property
    def imbalance(self) -> complex:
        """Give b of y = x + b conj(x), from the mean of y * y (zero for a circular signal; textbook)."""
        mean = self.dc / max(1, self.rows)
        power = self.total / max(1, self.rows) - abs(mean) ** 2
        return (self.square / max(1, self.rows) - mean**2) / (2 * power) if power > 1e-20 else 0j

    @property
    def image_rejection_db(self) -> float:
        """Give how far images are down by the measured imbalance (limited by noise to some 20 to 60 dB)."""
        return -20 * float(np.log10(max(abs(self.imbalance), 1e-6)))
