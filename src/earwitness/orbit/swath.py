"""Where the pixels of a scanned picture lie on Earth, and where places lie in the picture.

A scanner looks square to its flight, from one side through the nadir to the other, a line at a time. The satellite is
taken to keep its foot along the normal of the WGS-84 ellipsoid and its side square to its motion in space.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from earwitness.orbit import frames
from earwitness.orbit.elements import Elements
from earwitness.orbit.track import Track, Trust, trust

_COARSE = 8  # lines between looks for the line that crosses a place
POINTING_DEG = 0.2  # how far a weather satellite may look beside the nadir: common practice, no source


@dataclass(frozen=True, slots=True)
class Scan:
    """How lines of a picture run: `fields` says where in a line (first column, columns) the same scan is shown."""

    half_deg: float  # scan angle of the ends
    width: int  # columns of a whole line
    fields: tuple[tuple[int, int], ...]
    even: str  # columns are even in "angle", or in distance on the "ground"
    bend_km: float = 0.0  # by how much that evenness may be wrong away from the middle

    def angle_deg(self, share: np.ndarray, height_m: np.ndarray, radius_m: np.ndarray) -> np.ndarray:
        """Give the scan angle for a share -1 (first column) to 1 of the half scan; positive right of the flight.

        The first column is on the right (both scanners turn so; from memory).
        """
        if self.even == "angle":
            return -share * self.half_deg
        k = (radius_m + height_m) / radius_m
        half = np.radians(self.half_deg)
        most = np.arcsin(np.minimum(k * np.sin(half), 1.0)) - half
        arc = -share * most
        return np.degrees(np.arctan2(np.sin(arc), k - np.cos(arc)))

    def share(self, angle_deg: np.ndarray, height_m: np.ndarray, radius_m: np.ndarray) -> np.ndarray:
        """Give the share of the half scan at scan angles: the inverse of `angle_deg`. NaN beyond the limb."""
        if self.even == "angle":
            return -angle_deg / self.half_deg
        k = (radius_m + height_m) / radius_m
        half = np.radians(self.half_deg)
        most = np.arcsin(np.minimum(k * np.sin(half), 1.0)) - half
        turn = np.radians(angle_deg)
        with np.errstate(invalid="ignore"):
            arc = np.arcsin(k * np.sin(turn)) - turn
        return -arc / most


# Scan angles: +-55.4 degrees of the AVHRR (KLM guide), +-54 of the MSU-MR (about; from memory). The samples of APT are
# averaged 4 in the middle down to 1 at the edges, which comes out even on the ground to some 25 km.
SCANS = {
    "apt": Scan(55.4, 2080, ((86, 909), (1126, 909)), "ground", 25.0),
    "lrpt": Scan(54.0, 1568, ((0, 1568),), "angle"),
}


def scan_of(mode: str, width: int) -> Scan | None:
    """Give the scan of a picture of a mode, scaled to its width in columns; None when the mode scans no Earth.

    A picture of APT as wide as one of its two fields (or less) shows one of them.
    """
    known = SCANS.get(mode)
    if known is None or width < 2:
        return None
    size = known.fields[0][1]
    if len(known.fields) > 1 and width < known.width / 1.5:
        known = Scan(known.half_deg, size, ((0, size),), known.even, known.bend_km)
    ratio = width / known.width
    fields = tuple((round(first * ratio), round(size * ratio)) for first, size in known.fields)
    return Scan(known.half_deg, width, fields, known.even, known.bend_km)


@dataclass(frozen=True)
class Swath:
    """A picture's lines over the Earth: `lines_ns` int64 shape (n,), the time of each line's middle, rising."""

    elements: Elements
    lines_ns: np.ndarray
    scan: Scan

    def _axes(self, times_ns: np.ndarray) -> tuple[np.ndarray, ...]:
        """Give position, up, ahead and right at times (Earth-fixed), height and Earth radius under it."""
        track = Track(self.elements)
        r, v = track.teme(times_ns)
        angle = frames.gmst_rad(times_ns)
        position, motion = frames.turned(r, angle), frames.turned(v, angle)
        up = frames.normals(position)
        ahead = motion - np.sum(motion * up, axis=-1, keepdims=True) * up
        ahead /= np.linalg.norm(ahead, axis=-1, keepdims=True)
        height = frames.geodetic(position)[2]
        return position, up, ahead, np.cross(ahead, up), height, np.linalg.norm(position, axis=-1) - height

    def places(self, rows: np.ndarray, columns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Give latitude and longitude in degrees, shape (rows, columns), of pixels of the first field.

        Rows and columns count from the middle of the first pixel and may be fractions. NaN where a line of sight
        passes the Earth by.
        """
        times = self._time(np.asarray(rows, np.float64))
        position, up, _, right, height, radius = (item[:, None] for item in self._axes(times))
        share = (np.asarray(columns, np.float64) + 0.5) / self.scan.fields[0][1] * 2 - 1
        turn = np.radians(self.scan.angle_deg(share[None, :], height, radius))[..., None]
        sight = right * np.sin(turn) - up * np.cos(turn)
        latitude, longitude, _ = frames.geodetic(meet_earth(position, sight))
        return latitude, longitude

    def pixels(self, latitude_deg: np.ndarray, longitude_deg: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Give rows and columns of the first field, fractions, for places shape (n,); NaN for those not in view."""
        lat, lon = np.atleast_1d(latitude_deg), np.atleast_1d(longitude_deg)
        place = frames.ecef(lat, lon, np.zeros(len(lat)))
        count = len(self.lines_ns)
        coarse = np.arange(-_COARSE, count + 2 * _COARSE, _COARSE, dtype=np.float64)
        position, _, ahead, *_ = self._axes(self._time(coarse))
        # how far ahead of each line's plane a place lies: it goes through zero where the place is scanned
        off = place @ ahead.T - np.sum(position * ahead, axis=1)
        crosses = (off[:, :-1] >= 0) & (off[:, 1:] < 0)
        seen = (place @ position.T - np.sum(place * place, axis=1)[:, None])[:, :-1] > 0
        crosses &= seen
        at = np.argmax(crosses, axis=1)
        found = crosses.any(axis=1)
        n = np.arange(len(place))
        before, after = off[n, at], off[n, at + 1]
        speed = np.where(found, (after - before) / _COARSE, -1.0)  # of `off`, a line
        row = coarse[at] - np.where(found, before, 0.0) / speed
        for _ in range(2):
            spot, up, ahead, right, height, radius = self._axes(self._time(row))
            row = row - np.sum((place - spot) * ahead, axis=1) / speed
        spot, up, ahead, right, height, radius = self._axes(self._time(row))
        away = place - spot
        angle = np.degrees(np.arctan2(np.sum(away * right, axis=1), -np.sum(away * up, axis=1)))
        columns = self.scan.fields[0][1]
        column = (self.scan.share(angle, height, radius) + 1) / 2 * columns - 0.5
        inside = found & (column > -0.5) & (column < columns - 0.5) & (row > -0.5) & (row < count - 0.5)
        return np.where(inside, row, np.nan), np.where(inside, column, np.nan)

    def _time(self, rows: np.ndarray) -> np.ndarray:
        first = int(self.lines_ns[0])
        late = np.interp(rows, np.arange(len(self.lines_ns)), (self.lines_ns - first).astype(np.float64))
        pace = (self.lines_ns[-1] - first) / max(len(self.lines_ns) - 1, 1)
        beyond = np.minimum(rows, 0.0) + np.maximum(rows - (len(self.lines_ns) - 1), 0.0)
        return first + (late + beyond * pace).astype(np.int64)


def meet_earth(position_m: np.ndarray, sight: np.ndarray) -> np.ndarray:
    """Give where lines of sight (unit vectors) from positions first meet the WGS-84 ellipsoid; NaN where never."""
    scale = np.array([1.0, 1.0, 1 / (1 - frames.FLATTENING)])
    p, d = position_m * scale, sight * scale
    a = np.sum(d * d, axis=-1)
    b = np.sum(p * d, axis=-1)
    c = np.sum(p * p, axis=-1) - frames.EARTH_M**2
    with np.errstate(invalid="ignore"):
        reach = (-b - np.sqrt(b * b - a * c)) / a
    reach = np.where(reach > 0, reach, np.nan)
    return position_m + reach[..., None] * sight


@dataclass(frozen=True, slots=True)
class Blur:
    """How far the drawn lines may lie beside the true ones, on the ground."""

    along_km: float
    across_km: float
    reason: str


def blur(elements: Elements, scan: Scan, at_ns: int, *, clock_s: float, growth: float | None = None) -> Blur:
    """Give the error of the geometry in the middle of the lines, from age of the elements, clock and pointing."""
    state: Trust = trust(elements, at_ns, growth)
    track = Track(elements)
    height_km = float(track.subpoint(np.array([at_ns]))[2][0]) / 1000
    ground_km_s = track.speed_m_s(at_ns) / 1000 * frames.EARTH_M / (frames.EARTH_M + 1000 * height_km)
    pointing = float(np.radians(POINTING_DEG)) * height_km
    along = float(np.sqrt(state.along_km**2 + (clock_s * ground_km_s) ** 2 + pointing**2))
    across = float(np.sqrt(1.0 + pointing**2 + scan.bend_km**2))
    words = (
        f"elements of {abs(state.age_days):.1f} days ({state.along_km:.0f} km), clock {clock_s:g} s "
        f"({clock_s * ground_km_s:.0f} km), pointing {POINTING_DEG:g} degrees ({pointing:.0f} km)"
    )
    if scan.bend_km:
        words += f", evenness of the columns ({scan.bend_km:.0f} km)"
    return Blur(along, across, words)
