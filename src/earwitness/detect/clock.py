"""Lines of the receiver's clock: at small fractions of the sample clock, and with a phase that never leaves them.

Samples tell them to a fraction of a hertz, and so among other signals, too: at moments at which somebody else is
louder the line counts less.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from earwitness.core.types import Detection
from earwitness.dsp import fft
from earwitness.spectrum.stft import Plan

PARTS = (8, 3)  # no more: at tenths and sixteenths of usual rates round channel frequencies come to lie
_NEAR_BINS = 6.0
_LEAST_S = 0.9  # a recording of one second loses some at its ends
_CHUNK = 12_288  # samples read at a time: eighths and thirds fall on bins
_CHUNKS = 24
_READ_MOST = 1 << 28  # samples over which they are spread
_LEAST_WATCHED_S = 0.9
_BESIDE = 4, 20  # bins of a chunk that tell what else is there
_SIDE_HZ = 4_000.0  # on a side that modulation would fill; as much beyond is compared with it
_STANDS = 0.8  # of its power, left after summing by phase
_MOSTLY = 0.5  # of the power detected
_REACH = 2.6  # bins: half of the window's main lobe
_HEARD, _SURE = 20.0, 40.0  # power over the noise's of that sum


@dataclass(frozen=True)
class ClockLine:
    """A line at `part` / `parts` of the sample clock, and its mean power (full-scale tone = 1.0)."""

    part: int
    parts: int
    power: float

    @property
    def words(self) -> str:
        """Give the reason for it."""
        return clock_words(self.part, self.parts)


def clock_words(part: int, parts: int) -> str:
    """Give the reason for a line at that fraction, and what speaks against it."""
    return (
        f"clock line: steady and unmodulated at {part}/{parts} of the sample clock"
        " (a carrier on the air at exactly that frequency would look the same)"
    )


def clock_fraction(
    found: Detection, rate_hz: float, center_hz: float, bin_hz: float
) -> tuple[int, int] | None:
    """Give the fraction of the sample clock, as numerator and denominator, at which a detection may be its line."""
    if found.high_hz - found.low_hz > _NEAR_BINS * bin_hz or found.stop - found.start < _LEAST_S * rate_hz:
        return None
    for parts in PARTS:
        part = round((found.center_hz - center_hz) / rate_hz * parts)
        if part and abs(found.center_hz - center_hz - part * rate_hz / parts) < bin_hz:
            return part, parts
    return None


def is_clock_line(
    read: Callable[[int, int], np.ndarray], found: Detection, rate_hz: float, part: int, parts: int
) -> bool | None:
    """Tell whether a detection is a line of the receiver at part / parts of its sample clock; None if unsure.

    Samples at odd moments of its time are turned by just that fraction. A line of the clock keeps its phase from the
    first to the last, which a carrier that is off by a quarter of a turn in its time does not; it holds most
    of the power detected, and beside it there is no more than at some distance.
    """
    moments = _moments(read, found.start, min(found.stop - found.start, _READ_MOST))
    if moments is None:
        return None
    look = _Look(moments, rate_hz, part, parts)
    if not look.is_loud:
        return None
    return look.stands and look.over > _HEARD and look.power > _MOSTLY * 10 ** (found.level_dbfs / 10)


def find_clock_lines(read: Callable[[int, int], np.ndarray], count: int, rate_hz: float) -> list[ClockLine]:
    """Give the lines of the receiver's clock that are on from the start to the end of a stretch of `count` samples.

    `read(start, count)` gives complex samples, and is asked for few at a time. All of the stretch is looked at: a
    carrier within a tenth of a hertz of the fraction keeps its phase for some seconds, and is on the air.
    """
    count = min(count, _READ_MOST)
    moments = _moments(read, 0, count) if count >= _LEAST_WATCHED_S * rate_hz else None
    if moments is None:
        return []
    out = []
    for parts in PARTS:
        for part in range(-((parts - 1) // 2), (parts + 1) // 2):
            if not part:  # the offset's place
                continue
            look = _Look(moments, rate_hz, part, parts)
            if look.over > _SURE and look.stands:
                out.append(ClockLine(part, parts, look.power))
    return out


def outline(of: Plan, line: ClockLine) -> tuple[int, np.ndarray]:
    """Give the first of the bins that a clock line fills, and its power in them as rows hold it."""
    place = of.size // 2 + line.part * of.size / line.parts
    first = int(np.ceil(place - _REACH))
    bins = np.arange(first, int(np.floor(place + _REACH)) + 1)
    turn = np.exp(2j * np.pi * np.outer(place - bins, np.arange(of.size)) / of.size)
    return first, (line.power * np.abs(turn @ of.window) ** 2).astype(np.float32)


class _Moments(NamedTuple):
    """Spectra of chunks, complex (chunks, bins), their power, and the samples at which they begin."""

    spectra: np.ndarray
    power: np.ndarray
    firsts: np.ndarray


def _moments(read: Callable[[int, int], np.ndarray], start: int, count: int) -> _Moments | None:
    """Take chunks at odd moments of so many samples; None if there are not enough."""
    room = count - _CHUNK
    if room < 0:
        return None
    firsts = start + (np.sort(np.random.default_rng(8).uniform(0, 1, _CHUNKS)) * room).astype(int)
    window = np.hanning(_CHUNK + 1)[:-1]
    spectra = np.empty((_CHUNKS, _CHUNK), complex)
    for n, first in enumerate(firsts.tolist()):
        data = read(first, _CHUNK)
        if len(data) < _CHUNK:
            return None
        spectra[n] = fft.forward(data * window) / (_CHUNK / 2)
    return _Moments(spectra, np.abs(spectra) ** 2, firsts)


class _Look:
    """What chunks tell of one fraction of the clock: `power` of the line, how far it is `over` the noise, if it `stands`."""

    def __init__(self, moments: _Moments, rate_hz: float, part: int, parts: int):
        middle = part * _CHUNK // parts
        turned = np.exp(-2j * np.pi * (part * moments.firsts % parts) / parts)
        line = moments.spectra[:, middle % _CHUNK] * turned

        def beside(a: int, b: int) -> tuple[np.ndarray, np.ndarray]:
            places = np.arange(a, b)
            return tuple(moments.power[:, (middle + side * places) % _CHUNK].mean(axis=1) for side in (-1, 1))

        weight = 1 / np.maximum(np.mean(beside(*_BESIDE), axis=0), 1e-30)
        share = weight / weight.sum()
        noise = 1 / float(weight.sum())  # of the sum by phase
        self.power = float(np.abs(share @ line) ** 2)
        self.over = self.power / noise
        every = float(share @ np.abs(line) ** 2) - _CHUNKS * noise
        self.is_loud = every > _CHUNKS * noise
        side = min(max(8, round(_SIDE_HZ * _CHUNK / rate_hz)), _CHUNK // 8)
        quiet = weight**2 / float(weight @ weight)  # whoever is loud on both sides is not to count
        inner = [float(quiet @ values) for values in beside(4, 4 + side)]
        outer = [float(quiet @ values) for values in beside(4 + side, 4 + 2 * side)]
        # On the other side somebody else may be.
        spread = np.sqrt(2 * float(quiet @ quiet) / side)
        modulated = min(inner) / max(min(outer), 1e-30) - 1 > 5 * spread + 0.02
        self.stands = bool(self.power > _STANDS * every and not modulated)
