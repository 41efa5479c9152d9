"""Which modes an emission is offered to, and the lane on which each of them runs.

A lane is one demodulator on one channel. Its results are frames, overs or pictures; what they mean is
the assembler's business, who is behind them the log's.
"""

from __future__ import annotations

import traceback
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from math import ceil, floor, inf

from earwitness.channel.bank import StreamCut
from earwitness.core.mode import Demodulator, Mode
from earwitness.core.types import Frame, Identification, Over, Picture, Samples
from earwitness.spectrum.stft import plan

Result = Frame | Over | Picture

BLUR_BINS = 3.0  # a line takes so many bins of the spectrum
RECEIVER_PPM = 40.0  # how far off an uncorrected cheap crystal may be
MERGED_WIDTHS = 1.5  # of its bandwidth: what is wider may hold a mode's emission beside another,
MERGED_HZ = 120_000.0  # and what is wider than this is some other service


def in_bands(mode: Mode, frequency_hz: float) -> bool:
    """Tell whether a frequency may be one of the mode's, allowing for the receiver's crystal."""
    slack = frequency_hz * RECEIVER_PPM * 1e-6 + mode.bandwidth_hz / 4
    return any(low - slack <= frequency_hz <= high + slack for low, high in mode.bands_hz)


def near_raster(mode: Mode, frequency_hz: float) -> bool:
    """Tell whether a frequency is a channel of the mode's, allowing for the receiver's crystal."""
    if not mode.raster_hz:
        return True
    off = (frequency_hz - mode.raster_base_hz + mode.raster_hz / 2) % mode.raster_hz - mode.raster_hz / 2
    return abs(off) <= frequency_hz * RECEIVER_PPM * 1e-6


def nearest_channel(mode: Mode, frequency_hz: float) -> float | None:
    """Give the mode's channel nearest to a frequency: of its raster, or the middle of a narrow band."""
    channels = []
    for low, high in mode.bands_hz:
        if mode.raster_hz:
            step = round((frequency_hz - mode.raster_base_hz) / mode.raster_hz)
            channels.append(min(max(mode.raster_base_hz + step * mode.raster_hz, low), high))
        elif high - low <= 2 * mode.bandwidth_hz:
            channels.append((low + high) / 2)
    return min(channels, key=lambda hz: abs(hz - frequency_hz), default=None)


def modes_by_frequency(
    modes: Iterable[Mode], frequency_hz: float, width_hz: float, *, blur_hz: float = 0.0
) -> list[Mode]:
    """Give the modes that may be tried before anything is known but place and width.

    `blur_hz`: by how much an emission may look wider than it is.
    """
    return [
        mode
        for mode in modes
        if mode.by_frequency
        and not mode.wideband
        and mode.bands_hz
        and mode.min_width_hz <= width_hz <= mode.max_width_hz + blur_hz
        and in_bands(mode, frequency_hz)
    ]


def channels_within(modes: Iterable[Mode], low_hz: float, high_hz: float) -> list[tuple[Mode, float]]:
    """Give the channels, with their modes, of which a detection may have merged several, or one and something else.

    That is asked of modes that are tried by frequency, if the detection is wider than any one emission of theirs. A
    channel in the middle of what a mode may explain is left to the lane that hears all of it.
    """
    middle, width = (low_hz + high_hz) / 2, high_hz - low_hz
    if width > MERGED_HZ:
        return []
    tried = [mode for mode in modes if mode.by_frequency and not mode.wideband]
    if any(width <= MERGED_WIDTHS * mode.bandwidth_hz for mode in modes_by_frequency(tried, middle, width)):
        return []
    return [
        (mode, hz)
        for mode in tried
        if width > MERGED_WIDTHS * mode.bandwidth_hz
        for hz in _channels(mode, low_hz, high_hz)
        if width > mode.max_width_hz or abs(hz - middle) > mode.offset_ok_hz / 2
    ]


def _channels(mode: Mode, low_hz: float, high_hz: float) -> list[float]:
    """Give the mode's channels between two frequencies: of its raster, or the middles of narrow bands."""
    found = []
    for low, high in mode.bands_hz:
        if mode.raster_hz:
            first = ceil((max(low, low_hz) - mode.raster_base_hz) / mode.raster_hz)
            last = floor((min(high, high_hz) - mode.raster_base_hz) / mode.raster_hz)
            found += [mode.raster_base_hz + n * mode.raster_hz for n in range(first, last + 1)]
        elif high - low <= 2 * mode.bandwidth_hz and low_hz < (low + high) / 2 < high_hz:
            found.append((low + high) / 2)
    return found


def modes_by_class(
    modes: Iterable[Mode],
    found: Identification,
    frequency_hz: float,
    width_hz: float,
    *,
    place_known: bool,
    seconds: float = inf,
    blur_hz: float = 0.0,
) -> list[Mode]:
    """Give the modes an identified emission is offered to; it lasts `seconds`, as far as that is known.

    `blur_hz`: by how much it may look wider than it is.
    """
    return [
        mode
        for mode in modes
        if found.kind in mode.classes
        and mode.least_s <= seconds
        and not mode.wideband
        and mode.min_width_hz <= width_hz <= mode.max_width_hz + blur_hz
        and (not mode.bands_hz or not place_known or in_bands(mode, frequency_hz))
    ]


def likely_mode(
    modes: Iterable[Mode], found: Identification, frequency_hz: float, width_hz: float
) -> Mode | None:
    """Give the mode that class, frequency, raster and symbol rate point at, if only one does."""
    fitting = []
    for mode in modes_by_class(modes, found, frequency_hz, width_hz, place_known=True):
        if not near_raster(mode, frequency_hz):
            continue
        if mode.voice or not mode.bands_hz or not (mode.symbol_rate_hz or mode.raster_hz):
            continue  # class and band alone point at nothing
        rate, expected = found.symbol_rate_hz, mode.symbol_rate_hz
        if expected and (not rate or abs(rate / expected - 1) > 0.02):
            continue
        fitting.append(mode)
    return fitting[0] if len(fitting) == 1 else None


def blur_hz(span_hz: float) -> float:
    """Give by how much an emission may look wider than it is in a recording of so wide a span."""
    return BLUR_BINS * plan(span_hz).bin_hz


def wanted_rate_hz(modes: Iterable[Mode], frequency_hz: float, width_hz: float, span_hz: float) -> float:
    """Give the rate of the channel a detection is followed on.

    Wide enough for the emission with as much again around it, and for any mode that may ask for it, so
    that modes found later can be cut from what is buffered.
    """
    rates = [2.5 * width_hz]
    widest = width_hz - blur_hz(span_hz)
    for mode in modes:
        plausible = mode.min_width_hz <= 2 * width_hz and widest <= mode.max_width_hz and not mode.wideband
        if plausible and (not mode.bands_hz or in_bands(mode, frequency_hz)):
            rates.append(mode.rate_for(width_hz))
    return min(span_hz, max(rates))


class SharedCut:
    """A narrower cut of a channel that several lanes are fed from, each with the same pieces in turn."""

    def __init__(self, center_hz: float, rate_hz: float):
        self._cut = StreamCut(center_hz=center_hz, rate_hz=rate_hz)
        self._fed: Samples | None = None
        self._given: Samples | None = None
        self._rest: tuple[Samples | None] | None = None

    def feed(self, samples: Samples) -> Samples | None:
        """Take the channel's next samples, the same object from every lane; give the narrower ones."""
        if samples is not self._fed:
            self._fed, self._given = samples, self._cut.feed(samples)
        return self._given

    def close(self) -> Samples | None:
        """Give the last samples, to every lane that asks."""
        if self._rest is None:
            self._rest = (self._cut.close(),)
        return self._rest[0]


@dataclass
class Lane:
    """One mode at work on one emission."""

    mode: Mode
    demodulator: Demodulator
    cut: SharedCut | None
    failed: str | None = None

    @classmethod
    def start(
        cls,
        mode: Mode,
        channel_rate_hz: float,
        channel_center_hz: float,
        center_hz: float,
        cuts: dict[float, SharedCut],
        width_hz: float = inf,
    ) -> Lane:
        """Give a lane fed from a channel; cut narrower first when the channel is not what the mode wants.

        `cuts` are those of the lanes started together about this centre, by their rate.
        """
        rate_hz = mode.rate_for(width_hz)
        fits = rate_hz <= channel_rate_hz <= 1.35 * rate_hz
        near = abs(center_hz - channel_center_hz) <= max(0.25 * mode.offset_ok_hz, 0.01 * mode.bandwidth_hz)
        cut = None
        if not (fits and near) and channel_rate_hz > rate_hz:
            cut = cuts.setdefault(rate_hz, SharedCut(center_hz, rate_hz))
        return cls(mode, mode.demodulator(), cut)

    def feed(self, samples: Samples) -> list[Result]:
        """Take the channel's next samples; give what the mode found."""
        part = self.cut.feed(samples) if self.cut else samples
        return self._contained(self.demodulator.feed, part) if part is not None else []

    def close(self) -> list[Result]:
        """Say that the emission is over; give what the mode still held."""
        rest = self.cut.close() if self.cut else None
        out = self._contained(self.demodulator.feed, rest) if rest is not None else []
        return out + self._contained(self.demodulator.close)

    def _contained(self, work: Callable[..., Iterable[Result]], *given: Samples) -> list[Result]:
        """Run a step of the mode; a bug in it ends this lane and is reported, it does not end the survey."""
        if self.failed:
            return []
        try:
            return list(work(*given))
        except Exception as error:  # noqa: BLE001 - kept and told in `failed`
            where = traceback.extract_tb(error.__traceback__)[-1]
            self.failed = f"{self.mode.name} stopped: {error!r} at {where.name} line {where.lineno}"
            return []
