"""One plot on paper: a frame with two scales, drawn at twice the size it is shown at.

Curves are drawn at twice that again and reduced, which is how they get soft edges; text is set last, at
final size. Positions given to the drawing methods are data values.
"""

from __future__ import annotations

import io
import math
from functools import cache

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from earwitness.core.text import inert
from earwitness.view.palette import FAINT, INK, PAPER, QUIET, ramp, shade

SCALE = 2  # pixels of the file for one of the page
_FINE = 2  # pixels drawn for one of the file
_TEXT = str.maketrans({"−": "-", "µ": "u", "′": "'", "–": "-", "—": "-", "≤": "<", "\u202f": " "})

Colour = tuple[int, int, int]


@cache
def font(size: float) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    """Give the typeface at a size in page pixels."""
    return ImageFont.load_default(size * SCALE)


def ticks(low: float, high: float, count: int) -> tuple[list[float], int]:
    """Give about `count` round values inside low..high, and the decimals that tell them apart."""
    span = high - low
    if not 1e-200 < span < 1e200:
        return [], 0
    rough = span / max(count, 1)
    power = 10.0 ** math.floor(math.log10(rough))
    step = next((m * power for m in (1, 2, 5, 10) if m * power >= rough * 0.999), 10 * power)
    first, last = math.ceil(low / step - 1e-6), math.floor(high / step + 1e-6)
    if last - first > 4 * count + 4:
        return [], 0
    return [n * step for n in range(first, last + 1)], max(0, -math.floor(math.log10(step) + 1e-9))


def unit_for(low: float, high: float) -> tuple[str, float]:
    """Give the unit and factor in which frequencies of this range are written."""
    top = max(abs(low), abs(high))
    if top >= 2e6:
        return "MHz", 1e6
    return ("kHz", 1e3) if top >= 2e3 else ("Hz", 1.0)


class Plot:
    """A framed plot of `width` x `height` page pixels."""

    def __init__(
        self,
        width: int,
        height: int,
        x: tuple[float, float],
        y: tuple[float, float],
        *,
        left: int = 62,
        right: int = 16,
        top: int = 34,
        bottom: int = 46,
    ) -> None:
        self.width, self.height = width, height
        self.box = (left, top, width - right, height - bottom)
        self.x, self.y = _open(x), _open(y)
        size = (width * SCALE * _FINE, height * SCALE * _FINE)
        self._image = Image.new("RGB", size, PAPER)
        self._draw = ImageDraw.Draw(self._image)
        self._texts: list[tuple[float, float, str, str, float, Colour, Colour | None]] = []
        self._frames: list[tuple[tuple[float, float, float, float], Colour]] = []

    def _px(self, x: float, y: float) -> tuple[float, float]:
        left, top, right, bottom = self.box
        fine = SCALE * _FINE
        across = left + (x - self.x[0]) / (self.x[1] - self.x[0]) * (right - left)
        down = bottom - (y - self.y[0]) / (self.y[1] - self.y[0]) * (bottom - top)
        return min(max(across, left), right) * fine, min(max(down, top), bottom) * fine

    def picture(
        self, rgb: np.ndarray, *, smooth: bool = False, at: tuple[int, int, int, int] | None = None
    ) -> None:
        """Fill the frame, or page pixels `at`, with uint8 RGB shape (rows, columns, 3), first row on top."""
        left, top, right, bottom = (v * SCALE * _FINE for v in at or self.box)
        how = Image.Resampling.BILINEAR if smooth else Image.Resampling.NEAREST
        self._image.paste(Image.fromarray(rgb).resize((right - left, bottom - top), how), (left, top))

    def grid(self, xs: list[float], ys: list[float]) -> None:
        """Draw faint lines at the scale's marks."""
        for x in xs:
            self._draw.line([self._px(x, self.y[0]), self._px(x, self.y[1])], fill=FAINT, width=2)
        for y in ys:
            self._draw.line([self._px(self.x[0], y), self._px(self.x[1], y)], fill=FAINT, width=2)

    def curve(self, x: np.ndarray, y: np.ndarray, colour: Colour, *, weight: float = 1.2) -> None:
        """Draw a line through finite points; long ones are thinned to their extremes per column."""
        good = np.isfinite(x) & np.isfinite(y)
        x, y = _thin(x[good], y[good], 2 * (self.box[2] - self.box[0]) * SCALE)
        points = [self._px(a, b) for a, b in zip(x.tolist(), y.tolist(), strict=True)]
        if len(points) > 1:
            self._draw.line(points, fill=colour, width=round(weight * SCALE * _FINE), joint="curve")

    def fill(self, x: np.ndarray, y: np.ndarray, colour: Colour) -> None:
        """Fill between a curve and the bottom of the frame."""
        good = np.isfinite(x) & np.isfinite(y)
        x, y = _thin(x[good], y[good], 2 * (self.box[2] - self.box[0]) * SCALE)
        if len(x) > 1:
            points = [self._px(a, b) for a, b in zip(x.tolist(), y.tolist(), strict=True)]
            corners = [self._px(x[-1], self.y[0]), self._px(x[0], self.y[0])]
            self._draw.polygon(points + corners, fill=colour)

    def band(self, low: float, high: float, colour: Colour) -> None:
        """Tint a range of x."""
        self._draw.rectangle([self._px(low, self.y[1]), self._px(high, self.y[0])], fill=colour)

    def rule(
        self, *, x: float | None = None, y: float | None = None, colour: Colour, dash: float = 0
    ) -> None:
        """Draw a line across the frame at one x or one y, dashed when `dash` says how long."""
        if x is not None:
            start, stop = self._px(x, self.y[0]), self._px(x, self.y[1])
        else:
            at = self.y[0] if y is None else y
            start, stop = self._px(self.x[0], at), self._px(self.x[1], at)
        length = math.dist(start, stop)
        step = dash * SCALE * _FINE if dash else length
        at = 0.0
        while at < length - 1e-6:
            ends = [at / length, min(at + step, length) / length]
            line = [(start[0] + (stop[0] - start[0]) * f, start[1] + (stop[1] - start[1]) * f) for f in ends]
            self._draw.line(line, fill=colour, width=round(1.2 * SCALE * _FINE))
            at += 2 * step

    def frame(self, x0: float, x1: float, y0: float, y1: float, colour: Colour) -> None:
        """Draw a box round a range, kept at least a few pixels wide, with a pale edge to stand off."""
        (a, b), (c, d) = self._px(x0, y1), self._px(x1, y0)
        grow_x, grow_y = max(0.0, 10 - (c - a)) / 2, max(0.0, 10 - (d - b)) / 2
        self._frames.append(((a - grow_x, b - grow_y, c + grow_x, d + grow_y), colour))

    def text(
        self,
        x: float,
        y: float,
        words: str,
        *,
        anchor: str = "lm",
        size: float = 11,
        colour: Colour = QUIET,
        halo: Colour | None = None,
    ) -> None:
        """Set text at page pixels, anchored as Pillow names anchors, over a `halo` of paper on wish."""
        self._texts.append((x, y, inert(words.translate(_TEXT), limit=120), anchor, size, colour, halo))

    def note(self, x: float, y: float, words: str, colour: Colour, *, anchor: str = "lb") -> None:
        """Set a word at data values."""
        px, py = self._px(x, y)
        self.text(
            px / SCALE / _FINE + (3 if anchor[0] == "l" else -3),
            py / SCALE / _FINE - 2,
            words,
            anchor=anchor,
            colour=colour,
            halo=PAPER,
        )

    def scales(
        self,
        title: str,
        x_label: str,
        y_label: str,
        *,
        x_unit: float = 1.0,
        y_unit: float = 1.0,
        x_marks: bool = True,
        y_marks: bool = True,
        behind: bool = True,
    ) -> None:
        """Set title, marks and labels; with `behind` the grid is drawn now, under what follows."""
        left, top, right, bottom = self.box
        xs, x_digits = ticks(self.x[0] / x_unit, self.x[1] / x_unit, max(2, (right - left) // 95))
        ys, y_digits = ticks(self.y[0] / y_unit, self.y[1] / y_unit, max(2, (bottom - top) // 42))
        if behind:
            self.grid(
                [v * x_unit for v in xs] if x_marks else [], [v * y_unit for v in ys] if y_marks else []
            )
        fine = SCALE * _FINE
        for v in xs if x_marks else []:
            px = self._px(v * x_unit, self.y[0])[0]
            self._draw.line([(px, bottom * fine), (px, (bottom + 4) * fine)], fill=QUIET, width=3)
            self.text(px / fine, bottom + 7, f"{v:.{x_digits}f}", anchor="mt")
        for v in ys if y_marks else []:
            py = self._px(self.x[0], v * y_unit)[1]
            self._draw.line([((left - 4) * fine, py), (left * fine, py)], fill=QUIET, width=3)
            self.text(left - 8, py / fine, f"{v:.{y_digits}f}", anchor="rm")
        self.text(left, 7, title, anchor="lt", size=13, colour=INK)
        self.text(right, bottom + 26, x_label, anchor="rt")
        self.text(right, 9, y_label, anchor="rt")

    def png(self) -> bytes:
        """Give the finished PNG."""
        left, top, right, bottom = (v * SCALE * _FINE for v in self.box)
        self._draw.line([(left, top), (left, bottom), (right, bottom)], fill=QUIET, width=3)
        for (a, b, c, d), colour in self._frames:
            self._draw.rectangle([a - 3, b - 3, c + 3, d + 3], outline=PAPER, width=3)
            self._draw.rectangle([a, b, c, d], outline=colour, width=6)
        image = self._image.reduce(_FINE)
        pen = ImageDraw.Draw(image)
        for x, y, words, anchor, size, colour, halo in self._texts:
            at = (x * SCALE, y * SCALE)
            pen.text(
                at,
                words,
                fill=colour,
                anchor=anchor,
                font=font(size),
                stroke_width=3 if halo else 0,
                stroke_fill=halo,
            )
        return encode(image)


def encode(image: Image.Image, colours: int = 128) -> bytes:
    """Give a PNG of at most `colours` colours, which is a third of the size of a full one."""
    out = io.BytesIO()
    small = image.quantize(colours, method=Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE)
    small.save(out, "PNG", optimize=True)
    return out.getvalue()


def heat_png(level: np.ndarray, *, colours: int = 64) -> bytes:
    """Give the PNG of levels 0..1 shape (rows, columns) through the ramp, a pixel each, first row on top."""
    index = np.clip(np.clip(np.nan_to_num(level), 0, 1) * colours, 0, colours - 1).astype(np.uint8)
    image = Image.fromarray(index, "L").convert("P")
    image.putpalette(ramp(colours).tobytes())
    out = io.BytesIO()
    image.save(out, "PNG", optimize=True)
    return out.getvalue()


def heat(level: np.ndarray) -> np.ndarray:
    """Give uint8 RGB of levels 0..1."""
    return shade(level)


def _open(span: tuple[float, float]) -> tuple[float, float]:
    low, high = span
    if not (math.isfinite(low) and math.isfinite(high)):
        return 0.0, 1.0
    return (low, high) if high > low else (low - 0.5, low + 0.5)


def _thin(x: np.ndarray, y: np.ndarray, most: int) -> tuple[np.ndarray, np.ndarray]:
    if len(x) <= most:
        return x, y
    groups = max(most // 2, 1)
    size = len(x) // groups
    kept = groups * size
    block = y[:kept].reshape(groups, size)
    index = np.sort(np.stack([block.argmin(axis=1), block.argmax(axis=1)]), axis=0) + np.arange(groups) * size
    order = index.T.ravel()
    return x[order], y[order]
