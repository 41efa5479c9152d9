"""Earth, time and directions: sidereal time, the WGS-84 ellipsoid, look angles, the Sun and the Earth's shadow.

Positions are metres, arrays of shape (..., 3). UT1 is taken as UTC (they differ by less than 0.9 s, which turns the
Earth by less than 0.42 km) and the pole is taken as still (under 20 m).
"""

from __future__ import annotations

import numpy as np

C_M_S = 299_792_458.0
EARTH_M = 6_378_137.0  # WGS-84 semi-major axis
FLATTENING = 1 / 298.257223563
ECC2 = FLATTENING * (2 - FLATTENING)
# rotation of the Earth (WGS-84, from memory; as the sheet's worked values use it)
TURN_RAD_S = 7.2921151467e-5
_DAY_NS = 86_400_000_000_000


def julian(times_ns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Give Julian dates of nanoseconds UTC as whole (ending in .5) and fraction, both float64."""
    times = np.asarray(times_ns, np.int64)
    days = times // _DAY_NS
    return days + 2_440_587.5, (times - days * _DAY_NS) / _DAY_NS


def gmst_rad(times_ns: np.ndarray) -> np.ndarray:
    """Give Greenwich mean sidereal time in radians, 0 to 2 pi (IAU 1982; Aoki et al., A&A 105, 1982)."""
    whole, part = julian(times_ns)
    t = (whole - 2_451_545.0 + part) / 36_525.0
    # The day's own turn is taken from the fraction, so that seconds keep their digits.
    seconds = 67_310.54841 + 8_640_184.812866 * t + t * t * (0.093104 - 6.2e-6 * t)
    turns = seconds / 86_400 + (whole - 2_451_545.0 + part)
    return 2 * np.pi * (turns % 1.0)


def turned(vectors: np.ndarray, angle_rad: np.ndarray) -> np.ndarray:
    """Give vectors shape (..., 3) seen from axes turned by an angle about the z axis: TEME to Earth-fixed."""
    c, s = np.cos(angle_rad), np.sin(angle_rad)
    x, y, z = vectors[..., 0], vectors[..., 1], vectors[..., 2]
    return np.stack([c * x + s * y, c * y - s * x, z], axis=-1)


def ecef(latitude_deg: np.ndarray, longitude_deg: np.ndarray, height_m: np.ndarray) -> np.ndarray:
    """Give Earth-fixed positions of geodetic places."""
    lat, lon = np.radians(latitude_deg), np.radians(longitude_deg)
    n = EARTH_M / np.sqrt(1 - ECC2 * np.sin(lat) ** 2)
    flat = (n + height_m) * np.cos(lat)
    z = (n * (1 - ECC2) + height_m) * np.sin(lat)
    return np.stack(np.broadcast_arrays(flat * np.cos(lon), flat * np.sin(lon), z), axis=-1)


def geodetic(position_m: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Give latitude, longitude in degrees and height in metres of Earth-fixed positions.

    Bowring (Survey Review 23, 1976), the parametric latitude improved three times: exact to far below a millimetre
    from the ground to beyond the geostationary orbit.
    """
    x, y, z = position_m[..., 0], position_m[..., 1], position_m[..., 2]
    p = np.hypot(x, y)
    short = EARTH_M * (1 - FLATTENING)
    beta = np.arctan2(z, (1 - FLATTENING) * p)
    for _ in range(3):
        lat = np.arctan2(
            z + ECC2 / (1 - ECC2) * short * np.sin(beta) ** 3, p - ECC2 * EARTH_M * np.cos(beta) ** 3
        )
        beta = np.arctan2((1 - FLATTENING) * np.sin(lat), np.cos(lat))
    n = EARTH_M / np.sqrt(1 - ECC2 * np.sin(lat) ** 2)
    height = p * np.cos(lat) + z * np.sin(lat) - EARTH_M**2 / n
    return np.degrees(lat), np.degrees(np.arctan2(y, x)), height


def up_east_north(latitude_deg: float, longitude_deg: float) -> np.ndarray:
    """Give the unit vectors up (the ellipsoid's normal), east and north, shape (3, 3), one a row."""
    lat, lon = np.radians(latitude_deg), np.radians(longitude_deg)
    return np.array(
        [
            [np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)],
            [-np.sin(lon), np.cos(lon), 0.0],
            [-np.sin(lat) * np.cos(lon), -np.sin(lat) * np.sin(lon), np.cos(lat)],
        ]
    )


def normals(position_m: np.ndarray) -> np.ndarray:
    """Give the ellipsoid's unit normals under Earth-fixed positions, pointing up."""
    latitude, longitude, _ = geodetic(position_m)
    lat, lon = np.radians(latitude), np.radians(longitude)
    return np.stack([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)], axis=-1)


def sun_direction(times_ns: np.ndarray) -> np.ndarray:
    """Give unit vectors to the Sun in the equator and equinox of date.

    The low-precision formula of the Astronomical Almanac (0.01 degree between 1950 and 2050), from memory.
    """
    whole, part = julian(times_ns)
    n = whole - 2_451_545.0 + part
    g = np.radians(357.528 + 0.9856003 * n)
    longitude = np.radians(280.460 + 0.9856474 * n + 1.915 * np.sin(g) + 0.020 * np.sin(2 * g))
    tilt = np.radians(23.439 - 4e-7 * n)
    x, y = np.cos(longitude), np.sin(longitude)
    return np.stack([x, np.cos(tilt) * y, np.sin(tilt) * y], axis=-1)


def sunlit(position_m: np.ndarray, times_ns: np.ndarray) -> np.ndarray:
    """Tell whether positions (TEME) see the middle of the Sun: the shadow is a cylinder of the Earth's width."""
    sun = sun_direction(times_ns)
    along = np.sum(position_m * sun, axis=-1)
    off = np.linalg.norm(position_m - along[..., None] * sun, axis=-1)
    return np.asarray((along > 0) | (off > EARTH_M))
