"""Compact position reporting: latitude and longitude in 17 bits each (ICAO Doc 9871; RTCA DO-260B 2.2.3.2.3.7).

Functions take the raw integers (YZ, XZ) of a report and give degrees.
"""

from __future__ import annotations

import math
from bisect import bisect_left

import numpy as np

from earwitness.dsp.jit import kernel

SCALE = 131072  # 2^17
EARTH_NM = 3440.065  # mean radius


def _edge(number: int) -> float:
    """Give the latitude up to which there are `number` zones (DO-260B 2.2.3.2.3.7, solved for it)."""
    if number == 2:
        return 87.0
    share = (1 - math.cos(math.pi / 30)) / (1 - math.cos(2 * math.pi / number))
    return math.degrees(math.acos(math.sqrt(share)))


_EDGES = tuple(_edge(number) for number in range(59, 1, -1))


def zones(latitude_deg: float) -> int:
    """Give NL, the number of longitude zones at a latitude (59 at the equator, 1 at the poles)."""
    return 59 - bisect_left(_EDGES, abs(latitude_deg))


def _wrap(longitude_deg: float) -> float:
    return (longitude_deg + 180) % 360 - 180


def encode(latitude_deg: float, longitude_deg: float, odd: bool, surface: bool = False) -> tuple[int, int]:
    """Give (YZ, XZ) of a position."""
    span = 90.0 if surface else 360.0
    dlat = span / (60 - odd)
    yz = math.floor(SCALE * (latitude_deg % dlat) / dlat + 0.5)
    rlat = dlat * (yz / SCALE + math.floor(latitude_deg / dlat))
    dlon = span / max(zones(rlat) - odd, 1)
    xz = math.floor(SCALE * (longitude_deg % dlon) / dlon + 0.5)
    return yz % SCALE, xz % SCALE


_LATITUDES = np.array(_EDGES)


@kernel("UniTuple(float64, 5)(int64, int64, boolean, float64, float64, boolean, float64)")
def decode_within(yz, xz, odd, latitude_deg, longitude_deg, surface, limit_nm):  # type: ignore[no-untyped-def]
    """Give the position nearest a reference within half a zone of it (180 NM; 45 NM on the surface).

    After latitude and longitude come 1 where `within_nm` says that it lies within a limit of the reference, and both
    to six places.
    """
    span = 90.0 if surface else 360.0
    y = yz / SCALE
    x = xz / SCALE
    # the published floor(a / d) + floor(1/2 + mod(a, d) / d - y) in one step: no rounding between the two
    dlat = span / (60 - int(odd))
    lat = dlat * (math.floor(0.5 + latitude_deg / dlat - y) + y)
    number = 59 - np.searchsorted(_LATITUDES, abs(lat))
    dlon = span / max(number - int(odd), 1)
    lon = dlon * (math.floor(0.5 + longitude_deg / dlon - x) + x)
    lon = (lon + 180) % 360 - 180
    north = lat - latitude_deg
    east = (lon - longitude_deg + 180) % 360 - 180
    away = math.hypot(north, east * math.cos(math.radians(lat))) * 60.04
    told_lat = math.floor(lat * 1e6 + 0.5) / 1e6
    told_lon = math.floor(lon * 1e6 + 0.5) / 1e6
    return lat, lon, 1.0 if away <= limit_nm else 0.0, told_lat, told_lon


def decode_pair(
    even: tuple[int, int],
    odd: tuple[int, int],
    odd_is_newer: bool,
    near: tuple[float, float] | None = None,
) -> tuple[float, float] | None:
    """Give the position of the newer of an even and an odd report; None where they lie in unlike zones.

    With `near` the reports are surface ones, and the solution in the quadrant nearest to it is taken.
    """
    both = decode_both(even, odd, near)
    return both[odd_is_newer] if both else None


def decode_both(
    even: tuple[int, int], odd: tuple[int, int], near: tuple[float, float] | None = None
) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """Give the positions of an even and an odd report taken together, as `decode_pair` gives the newer's."""
    surface = near is not None
    span = 90.0 if surface else 360.0
    y0, x0 = even[0] / SCALE, even[1] / SCALE
    y1, x1 = odd[0] / SCALE, odd[1] / SCALE
    j = math.floor(59 * y0 - 60 * y1 + 0.5)
    lat0 = span / 60 * (j % 60 + y0)
    lat1 = span / 59 * (j % 59 + y1)
    if near is not None:
        # northern solution in 0..90, southern 90 lower
        if abs(lat0 - 90 - near[0]) < abs(lat0 - near[0]):
            lat0 -= 90
            lat1 -= 90
    else:
        lat0 -= 360 * (lat0 >= 270)
        lat1 -= 360 * (lat1 >= 270)
    # reports of one aircraft, and no aircraft flies a degree between them
    if abs(lat0 - lat1) > 1 or abs(lat0) > 90 or abs(lat1) > 90 or (nl := zones(lat0)) != zones(lat1):
        return None
    m = math.floor(x0 * (nl - 1) - x1 * nl + 0.5)
    n1 = max(nl - 1, 1)
    lon0 = span / nl * (m % nl + x0)
    lon1 = span / n1 * (m % n1 + x1)
    if near is not None:
        lon0 += 90 * round((near[1] - lon0) / 90)
        lon1 += 90 * round((near[1] - lon1) / 90)
    return (lat0, _wrap(lon0)), (lat1, _wrap(lon1))


def distance_nm(a: tuple[float, float], b: tuple[float, float]) -> float:
    """Give the great-circle distance between two positions on a sphere."""
    lat_a, lat_b = math.radians(a[0]), math.radians(b[0])
    h = (
        math.sin((lat_b - lat_a) / 2) ** 2
        + math.cos(lat_a) * math.cos(lat_b) * math.sin(math.radians(b[1] - a[1]) / 2) ** 2
    )
    return 2 * EARTH_NM * math.asin(math.sqrt(min(h, 1.0)))


def within_nm(a: tuple[float, float], b: tuple[float, float], limit_nm: float) -> bool:
    """Say whether two positions are at most so far apart; on a plane, true to 1 % over distances flown."""
    north = a[0] - b[0]
    if abs(north) * 60.04 > limit_nm:
        return False
    east = (a[1] - b[1] + 180) % 360 - 180
    return math.hypot(north, east * math.cos(math.radians(a[0]))) * 60.04 <= limit_nm
