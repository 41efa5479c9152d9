"""Does a transmission drift as the Doppler shift of a satellite does? Measured frequencies against its curve.

What the satellite's own oscillator and the receiver's are off is one unknown offset; that elements are early or late is
another. Frequencies of others lie between: those that share one offset are counted, and it is asked how often chance
would gather so many. An oscillator that drifts evenly is no satellite: the curve has to fit clearly better than any
straight line.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from earwitness.orbit.track import Site, Track

LEAST_POINTS = 5
LEAST_SWING_HZ = 200.0  # of the predicted shift over the points that agree
CHANCE = 1e-4  # the most often chance may do it, all tries counted
_SHARES = (1 / 8, 1 / 16, 1 / 32, 1 / 64)  # of the swing: how wide the points that agree may lie
_TIMES = 21
# root-n standard errors closer than the best straight line: a drifting oscillator is as near to both
BETTER = 2.5


@dataclass(frozen=True, slots=True)
class Fit:
    """Points that follow a satellite's Doppler curve; `members` bool shape (n,) says which."""

    members: np.ndarray
    offset_hz: float  # of both oscillators
    late_s: float  # by which the satellite came later than its elements say
    residual_hz: float  # root mean square about the curve
    swing_hz: float  # of the predicted shift over the members
    chance: float


def predicted_hz(track: Track, site: Site, times_ns: np.ndarray, frequency_hz: float) -> np.ndarray:
    """Give the frequency at which a site receives a transmission on `frequency_hz`."""
    return frequency_hz + track.look(site, times_ns).doppler_hz(frequency_hz)


def follow(
    track: Track,
    site: Site,
    frequency_hz: float,
    times_ns: np.ndarray,
    measured_hz: np.ndarray,
    *,
    offset_limit_hz: float,
    timing_s: float = 0.0,
) -> Fit | None:
    """Tell whether points (time, frequency) follow a satellite's Doppler curve; None when it cannot be said.

    `times_ns` int64 and `measured_hz` float64, shape (n,); points taken while it is below the horizon are left out.
    The offset may be up to `offset_limit_hz`, the satellite up to `timing_s` early or late.
    """
    times = np.asarray(times_ns, np.int64)
    measured = np.asarray(measured_hz, np.float64)
    if len(times) < LEAST_POINTS:
        return None
    look = track.look(site, times)
    up = np.nan_to_num(look.elevation_deg, nan=-90.0) > 0
    near = up & (np.abs(measured - frequency_hz - look.doppler_hz(frequency_hz)) <= 1.5 * offset_limit_hz)
    if near.sum() < LEAST_POINTS:
        return None
    index = np.flatnonzero(near)
    swing = float(np.ptp(look.doppler_hz(frequency_hz)[index]))
    if swing < LEAST_SWING_HZ:
        return None
    best: Fit | None = None
    shifts = np.linspace(-timing_s, timing_s, _TIMES) if timing_s > 0 else np.zeros(1)
    tries = len(shifts) * len(_SHARES) * len(index)
    room = 2 * offset_limit_hz + swing
    for late_s in shifts.tolist():
        moved = times[index] - round(late_s * 1e9)
        shift = track.look(site, moved).doppler_hz(frequency_hz)
        rest = measured[index] - frequency_hz - shift
        for share in _SHARES:
            inside = _densest(rest, share * swing)
            offset = float(rest[inside].mean())
            told = float(np.ptp(shift[inside]))
            if (
                inside.sum() < LEAST_POINTS
                or abs(offset) > offset_limit_hz
                or told < max(LEAST_SWING_HZ, swing / 3)
            ):
                continue
            chance = tries * _poisson_tail(int(inside.sum()) - 1, (len(index) - 1) * share * swing / room)
            if best is None or chance < best.chance:
                members = np.zeros(len(times), bool)
                members[index[inside]] = True
                best = Fit(members, offset, late_s, float(rest[inside].std()), told, min(chance, 1.0))
    if best is None or best.chance > CHANCE:
        return None
    at_s = (times[best.members] - times[0]) / 1e9
    line = np.polynomial.Polynomial.fit(at_s, measured[best.members], 1)
    straight = float(np.std(measured[best.members] - line(at_s)))
    return best if straight >= best.residual_hz * (1 + BETTER / math.sqrt(len(at_s))) else None


def _densest(values: np.ndarray, width: float) -> np.ndarray:
    """Give which values lie in the window of a width that holds most."""
    ordered = np.sort(values)
    counts = np.searchsorted(ordered, ordered + width, "right") - np.arange(len(ordered))
    low = ordered[int(np.argmax(counts))]
    return (values >= low) & (values <= low + width)


def _poisson_tail(least: int, mean: float) -> float:
    """Give how often a count of a mean is `least` or more."""
    if least <= 0:
        return 1.0
    if mean <= 0:
        return 0.0
    term = math.exp(least * math.log(mean) - mean - math.lgamma(least + 1))
    total, n = 0.0, least
    while term > 1e-18 * max(total, 1e-300) and n < least + 500:
        total += term
        n += 1
        term *= mean / n
    return min(total, 1.0)
