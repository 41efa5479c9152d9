"""When a satellite can be seen from a place: rise, culmination and set above a horizon, to a millisecond.

The elevation above the horizon is looked at every so often, its peaks are sharpened, and the crossings beside them
are narrowed down; the search is for whole arrays of times, never a step at a time.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from earwitness.core.errors import ParameterError
from earwitness.orbit.elements import Elements
from earwitness.orbit.track import Look, Site, Track

STEP_S = 20.0  # between looks at low orbits; higher ones are slower in proportion
_ZOOM = 41  # points of one round of narrowing down
_FINE_NS = 1_000_000
_NARROW_NS = 200_000_000
_NEAR_DEG = 6.0  # a peak that lies so little under the horizon between two looks may reach above it
# a pass that overlaps the span asked for is given whole, if it is no longer than that
_AROUND_NS = 1_800_000_000_000
MOST_DAYS = 60


@dataclass(frozen=True)
class Horizon:
    """Elevation below which nothing is seen, by azimuth: straight between the points, all round."""

    points: tuple[tuple[float, float], ...] = ((0.0, 0.0),)

    def at(self, azimuth_deg: np.ndarray) -> np.ndarray:
        """Give the horizon's elevation in degrees at azimuths."""
        points = sorted(self.points)
        azimuths = [a for a, _ in points]
        return np.interp(azimuth_deg, azimuths, [e for _, e in points], period=360.0)


@dataclass(frozen=True, slots=True)
class Moment:
    """One instant of a pass."""

    time_ns: int
    azimuth_deg: float
    elevation_deg: float
    range_m: float
    range_rate_m_s: float


@dataclass(frozen=True, slots=True)
class Pass:
    """One stay above the horizon. `whole` is false when it begins or ends outside what was searched."""

    elements: Elements
    aos: Moment  # acquisition of signal: rise
    culmination: Moment  # highest
    tca: Moment  # time of closest approach
    los: Moment  # loss of signal: set
    whole: bool

    @property
    def duration_s(self) -> float:
        """Give how long it lasts."""
        return (self.los.time_ns - self.aos.time_ns) / 1e9


def find_passes(
    elements: Elements,
    site: Site,
    start_ns: int,
    stop_ns: int,
    *,
    horizon: Horizon | None = None,
    minimum_deg: float = 0.0,
) -> list[Pass]:
    """Give the passes that overlap a span of time, in order: stays above the horizon that culminate high enough.

    Rise and set are those over `horizon`; `minimum_deg` is of the culmination. A horizon of hills can part one
    flight into several passes. ParameterError when the span is none or longer than 60 days.
    """
    if not 0 < stop_ns - start_ns <= MOST_DAYS * 86_400_000_000_000:
        raise ParameterError(f"passes are sought for more than nothing and at most {MOST_DAYS} days")
    mask = horizon or Horizon()
    track = Track(elements)
    step_ns = int(STEP_S * 1e9 * max(1.0, elements.period_s * (1 - elements.eccentricity) ** 1.5 / 5400))
    times = np.arange(start_ns - _AROUND_NS, stop_ns + _AROUND_NS + step_ns, step_ns, dtype=np.int64)
    clear = _clear(track, site, mask, times)
    peaks = _peaks(track, site, mask, times, clear)
    if len(peaks):
        at = np.searchsorted(times, peaks)
        clear = np.insert(clear, at, _clear(track, site, mask, peaks))
        times = np.insert(times, at, peaks)
    up = clear > 0
    begins = np.flatnonzero(up & ~np.concatenate([[False], up[:-1]]))
    ends = np.flatnonzero(up & ~np.concatenate([up[1:], [False]]))
    out = []
    for first, last in zip(begins.tolist(), ends.tolist(), strict=True):
        whole = first > 0 and last < len(times) - 1
        aos = _crossing(track, site, mask, times[first - 1], times[first]) if first else int(times[0])
        los = (
            _crossing(track, site, mask, times[last + 1], times[last])
            if last + 1 < len(times)
            else int(times[-1])
        )
        if los <= start_ns or aos >= stop_ns or los <= aos:
            continue
        found = _describe(track, site, aos, los, whole=whole)
        if found.culmination.elevation_deg >= minimum_deg:
            out.append(found)
    return out


def _clear(track: Track, site: Site, mask: Horizon, times_ns: np.ndarray) -> np.ndarray:
    """Give the elevation above the horizon in degrees; where the orbit has no answer it is below."""
    look = track.look(site, times_ns)
    return np.nan_to_num(look.elevation_deg - mask.at(np.nan_to_num(look.azimuth_deg)), nan=-90.0)


def _peaks(track: Track, site: Site, mask: Horizon, times: np.ndarray, clear: np.ndarray) -> np.ndarray:
    """Give the times of peaks that may rise above the horizon only between two looks."""
    inner = clear[1:-1]
    near = (inner >= clear[:-2]) & (inner >= clear[2:]) & (inner <= 0) & (inner > -_NEAR_DEG)
    peaks = []
    for at in (np.flatnonzero(near) + 1).tolist():
        low, high = int(times[at - 1]), int(times[at + 1])
        while high - low > _FINE_NS:
            tried = np.linspace(low, high, _ZOOM).astype(np.int64)
            best = int(np.argmax(_clear(track, site, mask, tried)))
            low, high = int(tried[max(best - 1, 0)]), int(tried[min(best + 1, _ZOOM - 1)])
        peaks.append((low + high) // 2)
    return np.array(peaks, np.int64)


def _crossing(track: Track, site: Site, mask: Horizon, below_ns: int, above_ns: int) -> int:
    """Give the time between one below and one above the horizon at which it is crossed."""
    below, above = int(below_ns), int(above_ns)
    while abs(above - below) > _FINE_NS:
        tried = np.linspace(below, above, _ZOOM).astype(np.int64)
        first = int(np.argmax(_clear(track, site, mask, tried) > 0))
        if first == 0:  # both ends are the crossing to within rounding
            break
        below, above = int(tried[first - 1]), int(tried[first])
    return above


def _describe(track: Track, site: Site, aos: int, los: int, *, whole: bool) -> Pass:
    highest, closest = _extremes(track, site, aos, los)
    look = track.look(site, np.array([aos, highest, closest, los]))
    at = [
        Moment(
            int(look.times_ns[n]),
            float(look.azimuth_deg[n]),
            float(look.elevation_deg[n]),
            float(look.range_m[n]),
            float(look.range_rate_m_s[n]),
        )
        for n in range(4)
    ]
    return Pass(track.elements, at[0], at[1], at[2], at[3], whole)


def _extremes(track: Track, site: Site, aos: int, los: int) -> tuple[int, int]:
    """Give the times at which a satellite is highest and nearest: brackets narrowed to 0.1 s, then a parabola."""
    spans = [(aos, los), (aos, los)]
    ends = [aos, aos]
    while True:
        tried = [np.linspace(low, high, _ZOOM).astype(np.int64) for low, high in spans]
        look = track.look(site, np.concatenate(tried))
        done = True
        for n, figure in enumerate((-look.elevation_deg[:_ZOOM], look.range_m[_ZOOM:])):
            best = int(np.nanargmin(figure))
            low, high = max(best - 1, 0), min(best + 1, _ZOOM - 1)
            spans[n] = (int(tried[n][low]), int(tried[n][high]))
            ends[n] = int(tried[n][best])
            if spans[n][1] - spans[n][0] > _NARROW_NS:
                done = False
            elif 0 < best < _ZOOM - 1:
                a, b, c = figure[best - 1 : best + 2]
                bend = a - 2 * b + c
                step = int(tried[n][best]) - int(tried[n][best - 1])
                ends[n] += round(0.5 * float((a - c) / bend) * step) if bend > 0 else 0
        if done:
            return min(max(ends[0], aos), los), min(max(ends[1], aos), los)


def sweep(found: Pass, site: Site, count: int = 121) -> Look:
    """Give the look at evenly spread times from rise to set."""
    times = np.linspace(found.aos.time_ns, found.los.time_ns, count).astype(np.int64)
    return Track(found.elements).look(site, times)


def sunlit_spans(found: Pass, count: int = 121) -> list[tuple[int, int]]:
    """Give the spans of a pass in which the Sun shines on the satellite, to a 120th of it."""
    times = np.linspace(found.aos.time_ns, found.los.time_ns, count).astype(np.int64)
    lit = Track(found.elements).sunlit(times)
    edges = [0, *(np.flatnonzero(np.diff(lit)) + 1).tolist(), len(times) - 1]
    return [(int(times[a]), int(times[b])) for a, b in pairwise(edges) if lit[a] and b > a]
