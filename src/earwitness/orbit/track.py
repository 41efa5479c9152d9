"""A satellite seen from a place: direction, distance and the speed at which that changes.

Propagation is SGP4 by the `sgp4` library (WGS-72, as elements are made); angles are geometric, refraction (about half
a degree at the horizon) is not taken in.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from earwitness.core.errors import ParameterError
from earwitness.orbit import frames
from earwitness.orbit.elements import DAY_NS, Elements

_SGP4_ZERO_NS = -631_238_400_000_000_000  # 1949-12-31T00:00Z, from which SGP4 counts its days
KM_AT_EPOCH = 1.0  # common practice for low orbits, no source: about a kilometre at epoch ...
KM_A_DAY = 3.0  # ... and one to three more for every day, nearly all of it along the track
OLD_DAYS = 7.0  # low orbits
OLD_DEEP_DAYS = 30.0


@dataclass(frozen=True, slots=True)
class Site:
    """A place on Earth: geodetic, WGS-84."""

    latitude_deg: float
    longitude_deg: float
    height_m: float = 0.0

    def position_m(self) -> np.ndarray:
        """Give it Earth-fixed."""
        place = np.array([self.latitude_deg, self.longitude_deg, self.height_m])
        return frames.ecef(place[0], place[1], place[2])


@dataclass(frozen=True, slots=True)
class Look:
    """A satellite from a site at several times; arrays of one shape. NaN where the orbit has no answer."""

    times_ns: np.ndarray
    azimuth_deg: np.ndarray  # from true north, eastward, 0 to 360
    elevation_deg: np.ndarray  # above the plane square to the ellipsoid's normal
    range_m: np.ndarray
    range_rate_m_s: np.ndarray  # positive when it goes away

    def doppler_hz(self, frequency_hz: float) -> np.ndarray:
        """Give by how much a transmission on `frequency_hz` is received too high (first order in v/c)."""
        return -self.range_rate_m_s / frames.C_M_S * frequency_hz


@dataclass(frozen=True)
class Track:
    """The orbit that a set of elements describes."""

    elements: Elements

    @cached_property
    def _satellite(self) -> Any:
        from sgp4.api import WGS72, Satrec

        item = self.elements
        minutes = 1440.0
        satellite = Satrec()
        satellite.sgp4init(
            WGS72,
            "i",
            item.number % 339_999,  # what the library has room for; it takes no part in the motion
            (item.epoch_ns - _SGP4_ZERO_NS) / DAY_NS,
            item.bstar,
            item.motion_dot * 2 * math.pi / minutes**2,
            item.motion_ddot * 2 * math.pi / minutes**3,
            item.eccentricity,
            math.radians(item.perigee_deg),
            math.radians(item.inclination_deg),
            math.radians(item.anomaly_deg),
            item.motion_rev_day * 2 * math.pi / minutes,
            math.radians(item.node_deg),
        )
        return satellite

    def teme(self, times_ns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Give positions in m and velocities in m/s, shape (n, 3), true equator and mean equinox of date.

        Rows are NaN where SGP4 has no answer (it has come down).
        """
        whole, part = frames.julian(np.atleast_1d(np.asarray(times_ns, np.int64)))
        error, r, v = self._satellite.sgp4_array(np.ascontiguousarray(whole), np.ascontiguousarray(part))
        r[error != 0] = np.nan
        v[error != 0] = np.nan
        return r * 1000, v * 1000

    def fixed(self, times_ns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Give Earth-fixed positions and velocities against the turning Earth, shape (n, 3)."""
        times = np.atleast_1d(np.asarray(times_ns, np.int64))
        r, v = self.teme(times)
        angle = frames.gmst_rad(times)
        position = frames.turned(r, angle)
        velocity = frames.turned(v, angle)
        velocity[:, 0] += frames.TURN_RAD_S * position[:, 1]
        velocity[:, 1] -= frames.TURN_RAD_S * position[:, 0]
        return position, velocity

    def look(self, site: Site, times_ns: np.ndarray) -> Look:
        """Give direction, range and range rate from a site at times shape (n,)."""
        times = np.atleast_1d(np.asarray(times_ns, np.int64))
        position, velocity = self.fixed(times)
        away = position - site.position_m()
        distance = np.linalg.norm(away, axis=1)
        up, east, north = frames.up_east_north(site.latitude_deg, site.longitude_deg) @ away.T
        return Look(
            times,
            np.degrees(np.arctan2(east, north)) % 360.0,
            np.degrees(np.arctan2(up, np.hypot(east, north))),
            distance,
            np.sum(away * velocity, axis=1) / distance,
        )

    def subpoint(self, times_ns: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Give latitude, longitude in degrees and height in metres of the satellite."""
        return frames.geodetic(self.fixed(times_ns)[0])

    def sunlit(self, times_ns: np.ndarray) -> np.ndarray:
        """Tell at which times the Sun shines on it."""
        times = np.atleast_1d(np.asarray(times_ns, np.int64))
        return frames.sunlit(self.teme(times)[0], times)

    def speed_m_s(self, at_ns: int) -> float:
        """Give its speed in space."""
        return float(np.linalg.norm(self.teme(np.array([at_ns]))[1][0]))


@dataclass(frozen=True, slots=True)
class Trust:
    """How far elements may be off at a time, and why that is thought."""

    age_days: float
    along_km: float
    timing_s: float  # by which it may come early or late
    old: bool
    reason: str


def trust(elements: Elements, at_ns: int, growth_km_day: float | None = None) -> Trust:
    """Give how far off a satellite may be along its track at a time.

    `growth_km_day` is what earlier sets of it were found to lose a day (`growth`); without it the usual figure.
    """
    age = elements.age_days(at_ns)
    rate = KM_A_DAY if growth_km_day is None else max(growth_km_day, 0.1)
    along = KM_AT_EPOCH + rate * abs(age)
    speed = Track(elements).speed_m_s(at_ns) / 1000
    told = "usual for low orbits" if growth_km_day is None else "measured on its earlier sets"
    return Trust(
        age,
        along,
        along / speed if speed > 0 else math.inf,
        abs(age) > (OLD_DEEP_DAYS if elements.deep else OLD_DAYS),
        f"{KM_AT_EPOCH:g} km and {rate:.2g} km a day, {told}",
    )


def growth_km_day(sets: list[Elements]) -> float | None:
    """Give the most by which a set of one satellite was wrong along its track at the epoch of a later one, a day.

    Takes the latest five pairs that lie half a day to thirty days apart; None when there are none.
    """
    ordered = sorted(sets, key=lambda item: item.epoch_ns)
    found = []
    for n, newer in enumerate(ordered[1:], 1):
        gap = [older for older in ordered[:n] if 0.5 <= newer.age_days(older.epoch_ns) * -1 <= 30]
        if not gap:
            continue
        at = np.array([newer.epoch_ns])
        (then,), _ = Track(gap[-1]).teme(at)
        (now,), (speed,) = Track(newer).teme(at)
        along = float(np.dot(then - now, speed) / np.linalg.norm(speed)) / 1000
        found.append(abs(along) / gap[-1].age_days(newer.epoch_ns))
    good = [value for value in found[-5:] if math.isfinite(value)]
    return max(good) if good else None


def site_of(latitude_deg: float | None, longitude_deg: float | None, height_m: float | None) -> Site:
    """Give the site of a station; ParameterError when it does not say where it is."""
    if latitude_deg is None or longitude_deg is None:
        raise ParameterError(
            "passes need the station's place: write latitude_deg and longitude_deg under [place] in station.toml"
        )
    return Site(latitude_deg, longitude_deg, height_m or 0.0)
