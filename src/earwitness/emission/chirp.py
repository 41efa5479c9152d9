"""Is a constant envelope's frequency swept at one steady rate?

A sweep shows as the same change of frequency from each stretch of time to the next, in proportion to their length,
but for where it jumps back. Keying, voice and tones change theirs from nothing to much (own rule, no source).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from earwitness.dsp.quantile import quantile
from earwitness.dsp.runs import runs
from earwitness.emission.features import Features, running_sum

_STRETCHES = (8, 16, 32, 64, 128, 256, 512)  # in inverse widths
_PLACES = 16  # within a stretch, where changes are looked at
_EVEN, _SHARE = 0.3, 0.7  # changes within so much of their median, in so much of the time
# of them that go the same way, and then in so much: noise clicks spoil many
_ONE_WAY, _ONE_WAY_SHARE = 0.85, 0.5
_PROPORTION = 0.15
_OVER_NOISE = 5.0
_MOST = 0.25  # of the width that a stretch may sweep over
_LEAST_TURNS = 12  # stretches there have to be
_ALIKE = 0.15  # relative spread of jumps that all go from one end to the other


@dataclass(frozen=True, slots=True)
class Chirp:
    """A sweep seen: rate in Hz per second, share of the time that it goes at it, whether it jumps to many places."""

    rate_hz_s: float
    share: float
    one_way: float  # share of the steady changes that go the same way: noise and voice have a half
    keyed: bool


def chirp(features: Features) -> Chirp | None:
    """Give the steady sweep of a burst's frequency, either way, or None."""
    width, good = features.burst.width_hz, features.good
    sums = running_sum(features.track)
    found = None
    last = 0.0
    for looks in _STRETCHES:
        length = max(round(looks * features.look), 2)
        if _LEAST_TURNS * length > len(features.track):
            break
        step = max(length // _PLACES, 1)
        first = np.arange(0, len(features.track) - 2 * length + 1, step)
        middle = first + length // 2
        first = first[good[middle] & good[middle + length]]
        if len(first) * step < 4 * length:
            break
        # From the mean over one stretch to that over the next.
        change = (sums[first + 2 * length] - 2 * sums[first + length] + sums[first]) / length
        usual = quantile(np.abs(change), 0.5)
        before, last = last, usual
        noise = width / (looks * np.pi * np.sqrt(features.burst.snr))  # of two phases, over the stretch
        if usual > _MOST * width:
            break
        if usual < _OVER_NOISE * noise or abs(usual - 2 * before) > _PROPORTION * usual:
            continue
        steady = np.abs(np.abs(change) - usual) < _EVEN * usual
        even = float(np.mean(steady))
        up = float(np.mean(change[steady] > 0)) if even else 0.5
        one_way = max(up, 1 - up)
        if even < (_ONE_WAY_SHARE if one_way > _ONE_WAY else _SHARE):
            continue
        if found is None or even > found.share:
            sign = 1.0 if quantile(change, 0.5) > 0 else -1.0
            rate = sign * usual * features.rate_hz / length
            found = Chirp(rate, even, one_way, _jumps_about(change, usual, length // step))
    return found


def _jumps_about(change: np.ndarray, usual: float, length: int) -> bool:
    """Tell whether a sweep's jumps differ, as where data say at which place it goes on."""
    off = np.abs(change) > 2 * usual
    sizes = [float(np.abs(change[a:b]).max()) for a, b in runs(off) if b - a > length // 4]
    if len(sizes) < 6:
        return False
    low, middle, high = np.quantile(sizes, (0.25, 0.5, 0.75))
    return bool(high - low > _ALIKE * middle)
