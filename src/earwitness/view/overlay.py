"""Coast lines, a graticule and the station drawn over a picture that a satellite scanned, with the error they have."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from functools import cache

import numpy as np
from PIL import Image, ImageDraw

from earwitness.core.errors import ParameterError
from earwitness.core.text import inert
from earwitness.orbit.frames import EARTH_M, ecef
from earwitness.orbit.swath import Swath
from earwitness.view.canvas import SCALE, font
from earwitness.view.chart import land
from earwitness.view.palette import INK, OCHRE, PAPER, VERMILION

MOST_PIXELS = 100_000_000
_FINE = 2
_STEP_DEG = 0.25  # between points of a line that is drawn
_GRID_DEG = 10
_CHUNK = 20_000
_VIEW_DEG = 35.0  # as far from the satellite's foot as anything in view can lie

Line = np.ndarray  # latitude, longitude in degrees, shape (n, 2)


@cache
def coast_lines() -> tuple[Line, ...]:
    """Give the outlines of land as lines with points close enough to be drawn bent."""
    return tuple(_dense(np.array([(y, x) for x, y in [*ring, ring[0]]])) for ring in land())


@cache
def graticule() -> tuple[Line, ...]:
    """Give meridians and parallels every ten degrees."""
    lats, lons = np.arange(-80, 80.1, _STEP_DEG * 2), np.arange(-180, 180.1, _STEP_DEG * 2)
    meridians = [np.stack([lats, np.full_like(lats, lon)], axis=1) for lon in range(-180, 180, _GRID_DEG)]
    parallels = [np.stack([np.full_like(lons, lat), lons], axis=1) for lat in range(-80, 81, _GRID_DEG)]
    return (*meridians, *parallels)


def _dense(line: Line) -> Line:
    steps = np.maximum(np.ceil(np.abs(np.diff(line, axis=0)).max(axis=1) / _STEP_DEG).astype(int), 1)
    at = np.concatenate([[0], np.cumsum(steps)])
    wanted = np.arange(at[-1] + 1)
    return np.stack([np.interp(wanted, at, line[:, 0]), np.interp(wanted, at, line[:, 1])], axis=1)


def lines_in_view(swath: Swath, lines: Sequence[Line]) -> Iterator[np.ndarray]:
    """Give the parts of lines that the swath shows, as (column, row) of its first field, shape (n, 2)."""
    points = np.concatenate([*lines, np.empty((0, 2))])
    ends = np.cumsum([len(line) for line in lines])
    row, column = np.full(len(points), np.nan), np.full(len(points), np.nan)
    lat, lon = swath.places(
        np.linspace(0, len(swath.lines_ns) - 1, 9), np.array([(swath.scan.fields[0][1] - 1) / 2])
    )
    feet = ecef(lat[:, 0], lon[:, 0], np.zeros(9)) / EARTH_M
    there = ecef(points[:, 0], points[:, 1], np.zeros(len(points))) / EARTH_M
    near = np.flatnonzero((there @ feet.T).max(axis=1) > np.cos(np.radians(_VIEW_DEG)))
    for first in range(0, len(near), _CHUNK):
        some = near[first : first + _CHUNK]
        row[some], column[some] = swath.pixels(points[some, 0], points[some, 1])
    breaks = np.isnan(row)
    starts = np.zeros(len(points), bool)
    starts[ends[:-1]] = True
    jump = np.concatenate([[False], np.hypot(np.diff(row), np.diff(column)) > len(swath.lines_ns) / 4 + 50])
    group = np.cumsum(breaks | starts | jump)
    shown = np.flatnonzero(~breaks)
    for part in np.split(shown, np.flatnonzero(np.diff(group[shown])) + 1):
        if len(part) > 1:
            yield np.stack([column[part], row[part]], axis=1)


def draw_overlay(
    pixels: np.ndarray,
    swath: Swath,
    *,
    station: tuple[float, float] | None = None,
    words: Sequence[str] = (),
    turn: bool = False,
) -> bytes:
    """Give a PNG of the picture (uint8, shape (h, w) or (h, w, 3)) with the lines over it and `words` under it.

    With `turn` it is turned by 180 degrees: what was scanned northward has north at its foot.

    ParameterError when the picture is too large or does not have the lines and columns of the swath.
    """
    height, width = pixels.shape[:2]
    if height * width > MOST_PIXELS or height != len(swath.lines_ns) or width != swath.scan.width:
        raise ParameterError(f"a picture of {width} x {height} is not what the geometry is for, or too large")
    image = Image.fromarray(pixels).convert("RGB")
    for lines, colour in ((graticule(), OCHRE), (coast_lines(), VERMILION)):
        mask = Image.new("L", (width * _FINE, height * _FINE))
        pen = ImageDraw.Draw(mask)
        for part in lines_in_view(swath, lines):
            for first, _ in swath.scan.fields:
                moved = (part + np.array([first + 0.5, 0.5])) * _FINE
                pen.line(
                    [tuple(point) for point in moved.tolist()],
                    fill=255,
                    width=_FINE if colour == OCHRE else 3,
                )
        image.paste(Image.new("RGB", image.size, colour), mask=mask.reduce(_FINE))
    if station is not None:
        _mark(image, swath, station)
    return _with_words(image.transpose(Image.Transpose.ROTATE_180) if turn else image, words)


def _mark(image: Image.Image, swath: Swath, station: tuple[float, float]) -> None:
    (row,), (column,) = swath.pixels(np.array([station[0]]), np.array([station[1]]))
    if np.isnan(row):
        return
    pen = ImageDraw.Draw(image)
    for first, _ in swath.scan.fields:
        x, y = first + column, row
        for size, colour in ((4, PAPER), (2, VERMILION)):
            pen.line([(x - 8, y), (x + 8, y)], fill=colour, width=size)
            pen.line([(x, y - 8), (x, y + 8)], fill=colour, width=size)


def _with_words(image: Image.Image, words: Sequence[str]) -> bytes:
    typeface = font(11 if image.width >= 1200 else 7)
    tall = round(17 * SCALE * (1 if image.width >= 1200 else 0.65))
    out = Image.new(
        "RGB", (image.width, image.height + tall * len(words) + (tall // 2 if words else 0)), PAPER
    )
    out.paste(image, (0, 0))
    pen = ImageDraw.Draw(out)
    for n, line in enumerate(words):
        at = (12, image.height + tall // 4 + tall * n)
        pen.text(at, inert(line, limit=240), fill=INK, anchor="lt", font=typeface)
    stream = io.BytesIO()
    out.save(stream, "PNG", optimize=True)
    return stream.getvalue()
