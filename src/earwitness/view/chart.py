"""The offline map: positions and tracks on bundled coast lines, as SVG that needs no network.

Equidistant cylindrical projection about the middle of what is shown, true to scale at its middle latitude:
right to a few per cent over the hundreds of kilometres that VHF reaches.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from earwitness.core.errors import EarwitnessError
from earwitness.view.markup import Markup, anchor, tag

WIDTH, HEIGHT = 1000, 660
_KM_PER_DEG = 111.195  # of a sphere of 6371 km radius
_MOST_LABELS = 60
_STEPS_DEG = (1 / 60, 2 / 60, 5 / 60, 10 / 60, 15 / 60, 0.5, 1, 2, 5, 10, 20, 30)

Ring = list[tuple[float, float]]  # longitude, latitude


@dataclass(frozen=True, slots=True)
class Place:
    """Something with a position, and the way it came: `track` is (latitude, longitude) in time order."""

    key: str
    name: str
    kind: str
    latitude_deg: float
    longitude_deg: float
    track: Sequence[tuple[float, float]] = ()
    flagged: bool = False


@dataclass(frozen=True, slots=True)
class Area:
    """A stretch of the globe that a message names."""

    key: str
    name: str
    north_deg: float
    west_deg: float
    south_deg: float
    east_deg: float


@cache
def land() -> tuple[Ring, ...]:
    """Give the outlines of the world's land in degrees."""
    data = zlib.decompress(files("earwitness.view").joinpath("assets/land.bin").read_bytes())
    at = 0

    def number() -> int:
        nonlocal at
        value = shift = 0
        while True:
            if at >= len(data):
                raise EarwitnessError("the bundled land outlines are damaged; install Earwitness again")
            value |= (data[at] & 127) << shift
            shift += 7
            at += 1
            if data[at - 1] < 128:
                return value

    def signed() -> int:
        value = number()
        return value >> 1 if value & 1 == 0 else -(value + 1 >> 1)

    rings = []
    while at < len(data):
        x = y = 0
        ring = []
        for _ in range(number()):
            x, y = x + signed(), y + signed()
            ring.append((x / 100, y / 100))
        rings.append(ring)
    return tuple(rings)


@dataclass(frozen=True)
class View:
    """The stretch of the world a map shows."""

    latitude_deg: float
    longitude_deg: float
    km_per_px: float

    def xy(self, latitude_deg: float, longitude_deg: float) -> tuple[float, float]:
        """Give page position of a place; may lie outside the map."""
        east = (longitude_deg - self.longitude_deg + 180) % 360 - 180
        return self._xy(latitude_deg, east)

    def _xy(self, latitude_deg: float, east_deg: float) -> tuple[float, float]:
        shrink = math.cos(math.radians(self.latitude_deg))
        x = WIDTH / 2 + east_deg * _KM_PER_DEG * shrink / self.km_per_px
        return x, HEIGHT / 2 - (latitude_deg - self.latitude_deg) * _KM_PER_DEG / self.km_per_px

    @property
    def half_deg(self) -> tuple[float, float]:
        """Give half the height and half the width in degrees."""
        tall = HEIGHT / 2 * self.km_per_px / _KM_PER_DEG
        return tall, WIDTH / 2 * self.km_per_px / _KM_PER_DEG / math.cos(math.radians(self.latitude_deg))


def fit(points: Sequence[tuple[float, float]]) -> View:
    """Give the view that holds all but the farthest stragglers of (latitude, longitude) points.

    Points more than six times as far out as nine in ten are left to lie outside.
    """
    lat0 = _median([lat for lat, _ in points])
    lon0 = points[0][1] if points else 0.0
    lon0 += _median([(lon - lon0 + 180) % 360 - 180 for _, lon in points])
    lat0 = max(-84.0, min(84.0, lat0))
    shrink = math.cos(math.radians(lat0))
    away = [(lat - lat0, ((lon - lon0 + 180) % 360 - 180) * shrink) for lat, lon in points]
    reach = sorted(math.hypot(*item) for item in away)
    limit = 6 * reach[math.ceil(0.9 * (len(reach) - 1))] + 1e-9
    kept = [item for item in away if math.hypot(*item) <= limit]
    north, south = max(a for a, _ in kept), min(a for a, _ in kept)
    east, west = max(b for _, b in kept), min(b for _, b in kept)
    middle = max(-84.0, min(84.0, lat0 + (north + south) / 2))
    room = 1.25 * _KM_PER_DEG
    km_per_px = max((north - south) * room / HEIGHT, (east - west) * room / WIDTH, 12.0 / WIDTH)
    return View(
        middle, (lon0 + (east + west) / 2 / shrink + 180) % 360 - 180, min(km_per_px, 20_000 / HEIGHT)
    )


def _median(values: Sequence[float]) -> float:
    ordered = sorted(values)
    return ordered[len(ordered) // 2] if ordered else 0.0


def _clip(ring: Ring, west: float, east: float, south: float, north: float) -> Ring:
    """Cut a ring to a rectangle (Sutherland and Hodgman 1974)."""
    for axis, bound, sign in ((0, west, 1), (0, east, -1), (1, south, 1), (1, north, -1)):
        out: Ring = []
        for i, b in enumerate(ring):
            a = ring[i - 1]
            a_in, b_in = (a[axis] - bound) * sign >= 0, (b[axis] - bound) * sign >= 0
            if a_in != b_in:
                part = (bound - a[axis]) / (b[axis] - a[axis])
                out.append((a[0] + part * (b[0] - a[0]), a[1] + part * (b[1] - a[1])))
            if b_in:
                out.append(b)
        ring = out
    return ring


def _land_path(view: View) -> Markup:
    tall, broad = view.half_deg
    tall, broad = tall * 1.02, min(broad * 1.02, 180)
    south, north = view.latitude_deg - tall, view.latitude_deg + tall
    parts = []
    for ring in land():
        low = min(y for _, y in ring)
        high = max(y for _, y in ring)
        if high < south or low > north:
            continue
        for turn in (-360, 0, 360):
            moved = [(x + turn - view.longitude_deg, y) for x, y in ring]
            if max(x for x, _ in moved) < -broad or min(x for x, _ in moved) > broad:
                continue
            cut = _clip(moved, -broad, broad, south, north)
            if len(cut) > 2:
                drawn = (view._xy(y, x) for x, y in cut)
                parts.append("M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in drawn) + "Z")
    return Markup("".join(parts))  # figures of ours: as long as they are


def _graticule(view: View) -> list[Markup]:
    tall, broad = view.half_deg
    step = next((s for s in _STEPS_DEG if 2 * tall / s <= 6), 45)
    out = []
    for n in range(
        math.ceil((view.latitude_deg - tall) / step), math.floor((view.latitude_deg + tall) / step) + 1
    ):
        y = view._xy(n * step, 0)[1]
        out.append(tag("path", class_="grat", d=f"M0 {y:.1f}H{WIDTH}"))
        if 16 < y < HEIGHT - 16:
            out.append(tag("text", _degrees(n * step, "NS"), x=6, y=round(y - 4), class_="small"))
    step = next((s for s in _STEPS_DEG if 2 * broad / s <= 8), 45)
    west, east = view.longitude_deg - min(broad, 180), view.longitude_deg + min(broad, 180)
    for n in range(math.ceil(west / step), math.floor(east / step) + 1):
        x = view._xy(0, n * step - view.longitude_deg)[0]
        out.append(tag("path", class_="grat", d=f"M{x:.1f} 0V{HEIGHT}"))
        if 60 < x < WIDTH - 40:
            out.append(
                tag(
                    "text", _degrees((n * step + 180) % 360 - 180, "EW"), x=round(x + 4), y=14, class_="small"
                )
            )
    return out


def _degrees(value: float, marks: str) -> str:
    minutes = round(abs(value) * 60)
    whole, rest = divmod(minutes, 60)
    mark = marks[value < 0] if minutes else ""
    return f"{whole}°{f'{rest:02d}′' if rest else ''}{mark}"


def _scale_bar(view: View) -> Markup:
    wanted = 130 * view.km_per_px
    power = 10 ** math.floor(math.log10(wanted))
    km = max(m * power for m in (1, 2, 5) if m * power <= wanted)
    long = km / view.km_per_px
    x, y = WIDTH - 24 - long, HEIGHT - 22
    words = f"{km:g} km · {km / 1.852:.3g} NM"
    return tag(
        "g",
        tag("path", class_="bar", d=f"M{x:.1f} {y - 5}V{y}H{x + long:.1f}V{y - 5}"),
        tag("text", words, x=round(x + long / 2), y=y + 14, class_="small mid"),
        tag("path", class_="bar", d=f"M{WIDTH - 24} 46V20M{WIDTH - 28} 27L{WIDTH - 24} 18L{WIDTH - 20} 27"),
        tag("text", "N", x=WIDTH - 24, y=60, class_="small mid"),
    )


_SHAPES = {
    "vessel": "M0-6L4.5 5H-4.5Z",
    "aircraft": "M0-6L6 5L0 2L-6 5Z",
    "station": "M-4-4H4V4H-4Z",
    "site": "M-4-4H4V4H-4Z",
    "named": "M-5-5L5 5M-5 5L5-5",
}
_DOT = "M0-4A4 4 0 1 1 0 4A4 4 0 1 1 0-4Z"


def draw(
    places: Sequence[Place],
    station: tuple[float, float] | None = None,
    *,
    title: str,
    areas: Sequence[Area] = (),
) -> tuple[Markup, int]:
    """Give the map as SVG, and how many of the places lie outside it."""
    points = [(p.latitude_deg, p.longitude_deg) for p in places]
    points += [p.track[i] for p in places for i in range(0, len(p.track), max(1, len(p.track) // 10))]
    view = fit([*points, *([station] if station else [])])
    body: list[Markup] = [
        tag("rect", class_="sea", width=WIDTH, height=HEIGHT),
        tag("path", class_="land", d=_land_path(view)),
        *_graticule(view),
    ]
    if station:
        body.append(_rings(view, station))
    body += [_area(view, area) for area in areas]
    taken: list[tuple[float, float, float, float]] = []
    outside = 0
    marks: list[Markup] = []
    labels: list[Markup] = []
    for place in sorted(places, key=lambda item: item.flagged):  # what is flagged lies on top
        x, y = view.xy(place.latitude_deg, place.longitude_deg)
        if len(place.track) > 1:
            line = "L".join(f"{a:.1f} {b:.1f}" for a, b in _inside(view, place.track))
            marks.append(tag("path", class_="track", d=Markup(f"M{line}")) if line else Markup())
        if not (0 <= x <= WIDTH and 0 <= y <= HEIGHT):
            outside += 1
            continue
        shape = tag(
            "path",
            class_="mark flagged" if place.flagged else "mark",
            d=_SHAPES.get(place.kind, _DOT),
            transform=f"translate({x:.1f} {y:.1f}) rotate({_heading(view, place.track):.0f})",
        )
        ring = tag("circle", class_="alarm", cx=round(x, 1), cy=round(y, 1), r=12) if place.flagged else None
        marks.append(_leading(place.key, tag("title", f"{place.name}, {place.kind}"), ring, shape))
        taken.append((x - 5, y - 5, x + 5, y + 5))
    for place in sorted(places, key=lambda item: not item.flagged):  # and has the first choice of room
        x, y = view.xy(place.latitude_deg, place.longitude_deg)
        if 0 <= x <= WIDTH and 0 <= y <= HEIGHT and len(labels) < _MOST_LABELS:
            spot = _free(taken, x, y, 7.3 * min(len(place.name), 24))
            if spot:
                labels.append(
                    tag("text", place.name[:24], x=round(spot[0], 1), y=round(spot[1], 1), class_="name")
                )
    body += [*marks, *labels, _scale_bar(view)]
    svg = tag(
        "svg",
        tag("title", title),
        *body,
        viewBox=f"0 0 {WIDTH} {HEIGHT}",
        role="group",  # an image would hide its links
        class_="chart",
        aria_label=title,
    )
    return svg, outside


def _area(view: View, area: Area) -> Markup:
    left, top = view.xy(area.north_deg, area.west_deg)
    right, bottom = view.xy(area.south_deg, area.east_deg)
    left, right = max(left, -9.0), min(right, WIDTH + 9.0)
    top, bottom = max(top, -9.0), min(bottom, HEIGHT + 9.0)
    if left >= right or top >= bottom:
        return Markup()
    box = tag("path", class_="area", d=f"M{left:.1f} {top:.1f}H{right:.1f}V{bottom:.1f}H{left:.1f}Z")
    return _leading(area.key, tag("title", area.name), box)


def _leading(key: str, *shapes: Markup | None) -> Markup:
    """Make shapes a link to the row of an identity, if there is one."""
    return tag("a", *shapes, href=anchor(f"id-{key}")) if key else tag("g", *shapes)


def _inside(view: View, track: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    drawn = (view.xy(*point) for point in track)
    return [(x, y) for x, y in drawn if -WIDTH < x < 2 * WIDTH and -HEIGHT < y < 2 * HEIGHT]


def _heading(view: View, track: Sequence[tuple[float, float]]) -> float:
    if len(track) < 2:
        return 0.0
    (ax, ay), (bx, by) = view.xy(*track[0]), view.xy(*track[-1])
    return math.degrees(math.atan2(bx - ax, ay - by)) if math.hypot(bx - ax, by - ay) > 1 else 0.0


def _free(
    taken: list[tuple[float, float, float, float]], x: float, y: float, long: float
) -> tuple[float, float] | None:
    """Find a spot for a label beside a mark that covers nothing set before."""
    for dx, dy in ((8, 4), (-8 - long, 4), (-long / 2, -9), (-long / 2, 17), (8, -8), (8, 16)):
        box = (x + dx, y + dy - 10, x + dx + long, y + dy + 3)
        clear = all(box[2] < a or box[0] > c or box[3] < b or box[1] > d for a, b, c, d in taken)
        if clear and box[0] > 0 and box[2] < WIDTH and box[1] > 0 and box[3] < HEIGHT:
            taken.append(box)
            return x + dx, y + dy
    return None


def _rings(view: View, station: tuple[float, float]) -> Markup:
    x, y = view.xy(*station)
    wanted = HEIGHT * view.km_per_px / 3
    power = 10 ** math.floor(math.log10(wanted))
    km = max(m * power for m in (1, 2, 5) if m * power <= wanted)
    out = []
    for n in (1, 2, 3):
        r = n * km / view.km_per_px
        out.append(tag("circle", class_="ring", cx=round(x, 1), cy=round(y, 1), r=round(r, 1)))
        if 20 < y - r < HEIGHT - 10 and 20 < x < WIDTH - 60:
            out.append(tag("text", f"{n * km:g} km", x=round(x + 4), y=round(y - r - 3), class_="small"))
    cross = tag("path", class_="here", d=f"M{x - 7:.1f} {y:.1f}h14M{x:.1f} {y - 7:.1f}v14")
    return tag("g", *out, cross, tag("text", "station", x=round(x + 9), y=round(y + 15), class_="small"))
