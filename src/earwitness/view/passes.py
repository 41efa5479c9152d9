"""Passes of satellites for people: a table, the way over the sky and the Doppler curves as a picture, a calendar."""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np
from PIL import Image, ImageDraw

from earwitness.core.text import inert
from earwitness.orbit.passes import Horizon, sweep
from earwitness.view.canvas import SCALE, Plot, encode, font, unit_for
from earwitness.view.palette import FAINT, INK, OCHRE, PAPER, QUIET, SLATE, VERMILION
from earwitness.view.words import NOTHING, clock, duration, frequency, plain

if TYPE_CHECKING:
    from rich.table import Table

    from earwitness.station.passes import Plan, Planned

SKY = 420  # page pixels of the sky, square
CURVES = (560, 420)
MOST_DRAWN = 12
_FINE = 2
_INKS = (SLATE, VERMILION, OCHRE)
_POINTS = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")


def compass(azimuth_deg: float) -> str:
    """Give an azimuth in degrees with its point of the compass."""
    return f"{round(azimuth_deg) % 360:03d}° {_POINTS[round(azimuth_deg / 45) % 8]}"


def pass_table(plan: Plan, *, columns: int | None = None) -> Table:
    """Give the passes as a table that fits `columns` characters (default: the terminal); lesser columns go first."""
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    room = columns or Console().width
    out = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1), header_style="dim", show_edge=False)
    cells = [[cell(item) for _, _, cell in _COLUMNS] for item in plan.passes]
    wide = [max([len(head), *(len(row[n]) for row in cells)]) for n, (head, _, _) in enumerate(_COLUMNS)]
    shown = list(range(len(_COLUMNS)))
    for n in sorted(shown, key=lambda n: -_COLUMNS[n][1]):
        if _COLUMNS[n][1] and sum(min(wide[k], 24) + 3 for k in shown) > room:
            shown.remove(n)
    for n in shown:
        heading = _COLUMNS[n][0]
        loose = heading in ("satellite", "receiver")
        out.add_column(heading, no_wrap=not loose, overflow="fold", min_width=8 if loose else None)
    for row in cells:
        out.add_row(*(Text(row[n]) for n in shown))
    return out


def _lit(share: float) -> str:
    return "lit" if share > 0.99 else "shadow" if share < 0.01 else "partly"


# heading, rank (the higher go first when the terminal is narrow), cell
_COLUMNS: tuple[tuple[str, int, Callable[[Planned], str]], ...] = (
    ("AOS, UTC", 0, lambda item: clock(item.found.aos.time_ns, date=True, digits=0)),
    ("from", 2, lambda item: compass(item.found.aos.azimuth_deg)),
    ("TCA", 3, lambda item: clock(item.found.tca.time_ns, digits=0)),
    ("highest", 0, lambda item: f"{item.found.culmination.elevation_deg:.0f}°"),
    ("LOS", 0, lambda item: clock(item.found.los.time_ns, digits=0) + ("" if item.found.whole else " +")),
    ("to", 2, lambda item: compass(item.found.los.azimuth_deg)),
    ("satellite", 0, lambda item: plain(item.found.elements.name or item.satellite.name, limit=30)),
    ("frequency", 1, lambda item: frequency(item.satellite.frequency_hz).replace("\u202f", "")),
    ("Doppler, kHz", 4, lambda item: f"{item.doppler_hz[0] / 1000:+.2f} {item.doppler_hz[1] / 1000:+.2f}"),
    ("sun", 5, lambda item: _lit(item.sunlit)),
    ("receiver", 0, lambda item: item.receiver or f"{NOTHING} {item.why}".rstrip()),
)


# -- picture -------------------------------------------------------------------------------------------


def pass_picture(plan: Plan, horizon: Horizon | None = None) -> bytes:
    """Give a PNG: the sky with the way of each pass, and its Doppler shift over the time from closest approach.

    At most the twelve passes that rise first are drawn, numbered in that order; a pass on several frequencies is one
    line over the sky.
    """
    drawn = _distinct(plan.passes)[:MOST_DRAWN]
    sky = _sky(plan, drawn, horizon or Horizon())
    curves = Image.open(io.BytesIO(_curves(plan, drawn))).convert("RGB")
    out = Image.new("RGB", (sky.width + curves.width, max(sky.height, curves.height)), PAPER)
    out.paste(sky, (0, 0))
    out.paste(curves, (sky.width, 0))
    return encode(out)


def _distinct(passes: Sequence[Planned]) -> list[Planned]:
    return list(
        {(item.found.elements.number, item.found.aos.time_ns): item for item in reversed(passes)}.values()
    )[::-1]


def _sky(plan: Plan, drawn: Sequence[Planned], horizon: Horizon) -> Image.Image:
    fine = SCALE * _FINE
    image = Image.new("RGB", (SKY * fine, SKY * fine), PAPER)
    pen = ImageDraw.Draw(image)
    middle, reach = SKY / 2 * fine, (SKY / 2 - 44) * fine
    texts: list[tuple[float, float, str, tuple[int, int, int]]] = []

    def spot(azimuth_deg: Any, elevation_deg: Any) -> tuple[Any, Any]:
        far = reach * (1 - np.clip(elevation_deg, 0, 90) / 90)
        turn = np.radians(azimuth_deg)
        return middle + far * np.sin(turn), middle - far * np.cos(turn)

    around = np.arange(0, 361, 2.0)
    if max(e for _, e in horizon.points) > 0:
        edge = list(zip(*spot(around, np.zeros_like(around)), strict=True))
        inner = list(zip(*spot(around, horizon.at(around)), strict=True))
        pen.polygon(edge, fill=FAINT)
        pen.polygon(inner, fill=PAPER)
    for ring in (0, 30, 60):
        points = list(zip(*spot(around, np.full_like(around, ring)), strict=True))
        pen.line(points, fill=QUIET if ring == 0 else FAINT, width=4 if ring == 0 else 3)
        if ring:
            texts.append((*spot(0.0, float(ring)), f"{ring}°", QUIET))
    for n, name in enumerate(_POINTS):
        pen.line([spot(45.0 * n, 0.0), spot(45.0 * n, 90.0)], fill=FAINT, width=3 if n % 2 == 0 else 1)
        far = reach + 16 * fine
        turn = math.radians(45 * n)
        texts.append(
            (middle + far * math.sin(turn), middle - far * math.cos(turn), name, INK if n % 2 == 0 else QUIET)
        )
    for n, item in enumerate(drawn):
        look = sweep(item.found, plan.site)
        colour = _INKS[n % len(_INKS)]
        x, y = spot(look.azimuth_deg, look.elevation_deg)
        points = list(zip(x.tolist(), y.tolist(), strict=True))
        pen.line(points, fill=colour, width=round((2.2 if item.receiver else 1.0) * fine), joint="curve")
        (ax, ay), (bx, by) = points[-4], points[-1]
        turn = math.atan2(by - ay, bx - ax)
        head = [(bx + 9 * fine * math.cos(turn + a), by + 9 * fine * math.sin(turn + a)) for a in (2.6, -2.6)]
        pen.polygon([(bx, by), *head], fill=colour)
        mark = len(points) // 5
        texts.append((*points[mark], str(n + 1), colour))
    small = image.reduce(_FINE)
    pen = ImageDraw.Draw(small)
    for px, py, words, colour in texts:
        at = (px / _FINE, py / _FINE)
        pen.text(at, words, fill=colour, anchor="mm", font=font(11), stroke_width=4, stroke_fill=PAPER)
    place = f"{abs(plan.site.latitude_deg):.2f}° {'NS'[plan.site.latitude_deg < 0]}  {abs(plan.site.longitude_deg):.2f}° {'EW'[plan.site.longitude_deg < 0]}"
    pen.text((12 * SCALE, 7 * SCALE), "The sky, zenith in the middle", fill=INK, anchor="lt", font=font(13))
    pen.text((12 * SCALE, (SKY - 10) * SCALE), place, fill=QUIET, anchor="lb", font=font(11))
    return small


def _curves(plan: Plan, drawn: Sequence[Planned]) -> bytes:
    looks = [sweep(item.found, plan.site) for item in drawn]
    shifts = [look.doppler_hz(item.satellite.frequency_hz) for look, item in zip(looks, drawn, strict=True)]
    times = [(look.times_ns - item.found.tca.time_ns) / 6e10 for look, item in zip(looks, drawn, strict=True)]
    reach = max([float(np.abs(shift).max()) for shift in shifts], default=1000.0) * 1.08
    long = max([float(np.abs(t).max()) for t in times], default=8.0) * 1.02
    lines = len(drawn)
    plot = Plot(*CURVES, (-long, long), (-reach, reach), bottom=46 + 15 * min(lines, MOST_DRAWN) // 2 + 8)
    label, unit = unit_for(-reach, reach)
    plot.scales("Doppler shift from AOS to LOS", "minutes from closest approach", label, y_unit=unit)
    plot.rule(y=0.0, colour=QUIET, dash=3)
    plot.rule(x=0.0, colour=QUIET, dash=3)
    for n, (t, shift) in enumerate(zip(times, shifts, strict=True)):
        item = drawn[n]
        plot.curve(t, shift, _INKS[n % len(_INKS)], weight=2.2 if item.receiver else 1.0)
        plot.note(float(t[4]), float(shift[4]), str(n + 1), _INKS[n % len(_INKS)])
    left, _, _, bottom = plot.box
    for n, item in enumerate(drawn):
        words = (
            f"{n + 1}  {clock(item.found.aos.time_ns, digits=0)[:5]}  {item.found.elements.name or item.satellite.name}"[
                :24
            ]
            + f"  {item.found.culmination.elevation_deg:.0f}°"
        )
        column, row = n % 2, n // 2
        plot.text(left + column * 250, bottom + 46 + 15 * row, words, colour=_INKS[n % len(_INKS)])
    return plot.png()


# -- calendar ------------------------------------------------------------------------------------------


def calendar(plan: Plan, now_ns: int, place: str | None = None) -> str:
    """Give the passes as an iCalendar object (RFC 5545): one event each, in UTC, lines folded at 75 octets."""
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//Earwitness//passes//EN", "CALSCALE:GREGORIAN"]
    for item in plan.passes:
        one = item.found
        name = one.elements.name or item.satellite.name
        told = (
            f"Rises {compass(one.aos.azimuth_deg)}, highest {one.culmination.elevation_deg:.0f}° at "
            f"{clock(one.culmination.time_ns, digits=0)} UTC, sets {compass(one.los.azimuth_deg)}; "
            f"{duration(one.duration_s)}.\n"
            f"Doppler shift {item.doppler_hz[0]:+.0f} to {item.doppler_hz[1]:+.0f} Hz.\n"
            f"Receiver: {item.receiver or item.why or NOTHING}.\n"
            f"Elements of {clock(one.elements.epoch_ns, date=True, digits=0)} UTC; "
            f"it may come {item.trust.timing_s:.1f} s early or late."
        )
        lines += [
            "BEGIN:VEVENT",
            f"UID:{one.elements.number}-{round(one.tca.time_ns / 6e10)}-{round(item.satellite.frequency_hz)}@earwitness",
            f"DTSTAMP:{_stamp(now_ns)}",
            f"DTSTART:{_stamp(one.aos.time_ns)}",
            f"DTEND:{_stamp(one.los.time_ns + 999_999_999)}",
            f"SUMMARY:{_escaped(f'{name} on {frequency(item.satellite.frequency_hz)}, {one.culmination.elevation_deg:.0f}°')}",
            f"DESCRIPTION:{_escaped(told)}",
            *([f"LOCATION:{_escaped(place)}"] if place else []),
            f"GEO:{plan.site.latitude_deg:.6f};{plan.site.longitude_deg:.6f}",
            f"CATEGORIES:{'RECORDED' if item.receiver else 'NOT RECORDED'}",
            "TRANSP:TRANSPARENT",
            "END:VEVENT",
        ]
    lines.append("END:VCALENDAR")
    return "".join(_folded(line) + "\r\n" for line in lines)


def _stamp(ns: int) -> str:
    return datetime.fromtimestamp(ns // 1_000_000_000, UTC).strftime("%Y%m%dT%H%M%SZ")


def _escaped(text: str) -> str:
    """Escape a TEXT value (RFC 5545, 3.3.11)."""
    text = inert(text, limit=2000, keep_lines=True).replace("\u202f", " ")
    return text.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,").replace("\n", "\\n")


def _folded(line: str) -> str:
    """Fold a line so that none has more than 75 octets and no character is cut (RFC 5545, 3.1)."""
    out, size = [], 0
    for char in line:
        octets = len(char.encode())
        if size + octets > 75:
            out.append("\r\n ")
            size = 1
        out.append(char)
        size += octets
    return "".join(out)
