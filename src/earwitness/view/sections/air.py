"""The air as it was: each stretch drawn with its emissions on it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from earwitness.view.canvas import heat_png, ticks, unit_for
from earwitness.view.data import Overview, Recording, Row
from earwitness.view.markup import Markup, anchor, embed, join, slug, tag
from earwitness.view.page import (
    Page,
    Section,
    pct,
    table,
)
from earwitness.view.pictures import shrink, span_db
from earwitness.view.words import (
    clock,
    count,
    duration,
    frequency,
    grouped,
    moment,
    number,
    plain,
    width,
)

MOST_BOXES = 1200
MOST_STOPS = 40  # frames of one picture that the keyboard stops at; the table holds the same links
MOST_OVERVIEWS = 12


def air(page: Page) -> Section | None:
    """Draw every stretch and list the recordings."""
    if not page.data.recordings:
        return None
    views = [(rec, view) for rec in page.data.recordings for view in rec.overviews]
    parts: list[Any] = []
    for rec, view in views[:MOST_OVERVIEWS]:
        parts.append(_overview(page, rec, view))
    if len(views) > MOST_OVERVIEWS:
        parts.append(
            tag(
                "p",
                f"{grouped(len(views) - MOST_OVERVIEWS)} more stretches are not drawn.",
                class_="quiet",
            )
        )
    if len(page.data.recordings) > 1 or not views:
        parts.append(_recordings_table(page))
    return "air", "The air", join(parts)


def _recordings_table(page: Page) -> Markup:
    rows = [
        tag(
            "tr",
            tag("th", plain(r.name, limit=120), scope="row"),
            tag("td", clock(r.start_ns, date=True, digits=0), data_label="Start"),
            tag("td", duration((r.stop_ns - r.start_ns) / 1e9), class_="fig", data_label="Length"),
            tag("td", "audio" if r.audio else frequency(r.center_hz), class_="fig", data_label="Centre"),
            tag("td", width(r.rate_hz and r.rate_hz / (1 + r.audio)), class_="fig", data_label="Width"),
        )
        for r in page.data.recordings[:200]
    ]
    return table("Recordings", ("Recording", "Start, UTC", "Length", "Centre", "Width"), rows)


def _overview(page: Page, rec: Recording, view: Overview) -> Markup:
    """Draw one stretch: the picture, the emissions on it as links, and scales that stay readable."""
    levels = view.level_db
    span_s = max((view.stop_ns - view.start_ns) / 1e9, 1e-9)
    inside = [
        row
        for row in page.real + page.false
        if (moment(row.get("start")) or 0) < view.stop_ns
        and (moment(row.get("stop")) or 0) > view.start_ns
        and row.get("recording") in (None, rec.id)
        and view.low_hz <= (number(row.get("frequency_hz")) or 0) <= view.high_hz
    ]
    inside.sort(key=lambda row: -(number(row.get("snr_db")) or 0))
    traces = sum(1 for row in inside if row.get("artefact"))
    marked = [count(len(inside) - traces, "emission")]
    if traces:
        marked.append(f"{count(traces, 'trace')} of the receiver itself")
    reached = len(inside) <= MOST_STOPS
    marks = [_mark(page, row, view, reached=reached) for row in inside[:MOST_BOXES]]
    labels = _mark_labels(page, inside[:MOST_BOXES], view)
    image: Markup | None = None
    if levels.size:
        low, high = span_db(levels)
        small = shrink(levels, 1400, 460)
        png = heat_png(np.clip((small - low) / (high - low), 0, 1).T[::-1], colours=40)
        image = tag(
            "image", href=embed(png, "image/png"), width="100%", height="100%", preserveAspectRatio="none"
        )
    unit, factor = unit_for(view.low_hz, view.high_hz)
    f_marks, f_digits = ticks(view.low_hz / factor, view.high_hz / factor, 7)
    t_marks, t_digits = ticks(0, span_s, 8)
    up = [
        (pct(1 - (f * factor - view.low_hz) / (view.high_hz - view.low_hz)), f"{f:.{f_digits}f}")
        for f in f_marks
        if f * factor < view.high_hz - 0.05 * (view.high_hz - view.low_hz)  # the unit stands there
    ]
    along = [(pct(t / span_s), f"{t:.{t_digits}f}") for t in t_marks]
    title = f"Spectrogram of {plain(rec.name, limit=80)}"
    said = (
        f"{duration(span_s)} from {clock(view.start_ns, date=True)} UTC, "
        f"{frequency(view.low_hz, 100)} to {frequency(view.high_hz, 100)}, with "
        f"{' and '.join(marked)} marked."
    )
    more = f" The {grouped(MOST_BOXES)} strongest are drawn." if len(inside) > MOST_BOXES else ""
    scale = (
        f" Paper to ink spans {low:.0f} to {high:.0f} dBFS in a cell.".replace("-", "−")
        if levels.size
        else ""
    )
    return tag(
        "figure",
        tag(
            "div",
            tag(
                "svg",
                *(tag("text", word, x="100%", y=at, dx=-8, dy=4, class_="end") for at, word in up),
                tag("text", unit, x="100%", y=10, dx=-8, class_="end unit"),
                class_="left",
                aria_hidden="true",
            ),
            tag(
                "svg",
                tag("title", f"{title}. {said}"),
                image,
                *(tag("line", x1=at, x2=at, y1="0%", y2="100%", class_="hair") for at, _ in along),
                *marks,
                *labels,
                class_="plane",
                role="group",
                aria_label=title,
            ),
            _profile(levels),
            tag(
                "svg",
                *(tag("text", word, x=at, y=16, class_="mid") for at, word in along),
                class_="under",
                aria_hidden="true",
            ),
            tag("p", "seconds", class_="x-unit", aria_hidden="true"),
            class_="score",
        ),
        tag(
            "figcaption",
            tag("b", plain(rec.name, limit=120)),
            " ",
            said,
            more,
            scale,
            " Each frame leads to its row below, if it is listed; dashed frames are traces of the receiver itself."
            if len(page.listed) < page.emission_count
            else " Each frame leads to its row below; dashed frames are traces of the receiver itself.",
        ),
        class_="wide",
    )


def _mark(page: Page, row: Row, view: Overview, *, reached: bool) -> Markup:
    x0, x1, y0, y1 = _frame(row, view)
    ident = str(row.get("id"))
    place = {"x": pct(x0), "y": pct(y0), "width": pct(x1 - x0), "height": pct(y1 - y0)}
    artefact = row.get("artefact")
    words = f"{frequency(row.get('frequency_hz'))}, {page.clock(row.get('start'))} UTC: "
    words += f"receiver artefact, {plain(artefact, limit=80)}" if artefact else page.what(row)
    target = "receiver" if artefact else f"em-{ident}"
    linked = bool(artefact) or page.has_row(target)
    return tag(
        "a" if linked else "g",
        tag("title", words),
        tag("rect", class_="reach", **place),
        tag("rect", class_="frame", **place),
        href=anchor(target) if linked else None,
        class_="mark aside" if artefact else "mark",
        data_row=slug(target) if linked and not artefact else None,
        tabindex="-1" if linked and not reached else None,
    )


def _mark_labels(page: Page, rows: Sequence[Row], view: Overview) -> list[Markup]:
    """Number the strongest frames where there is room."""
    taken: list[tuple[float, float]] = []
    out = []
    for row in rows:
        n = page.number.get(str(row.get("id")))
        x0, _, y0, _ = _frame(row, view)
        if n is None or len(taken) >= 80 or any(abs(x0 - a) < 0.028 and abs(y0 - b) < 0.05 for a, b in taken):
            continue
        taken.append((x0, y0))
        late = x0 > 0.96  # there is no room to the right
        out.append(
            tag(
                "text",
                str(n),
                x=pct(x0),
                y=pct(y0),
                dy=13 if y0 < 0.06 else -4,
                dx=-2 if late else 2,
                class_="num end" if late else "num",
            )
        )
    return out


def _profile(levels: np.ndarray) -> Markup:
    """Draw beside the picture the middle and the strongest level over time of each frequency."""
    if not levels.size:
        return tag("svg", class_="side")
    few = shrink(levels, len(levels), 400)
    middle, top = np.median(few, axis=0), few.max(axis=0)
    low, high = float(np.quantile(middle, 0.02)) - 2, float(top.max()) + 1

    def line(values: np.ndarray) -> str:
        xs = (values - low) / max(high - low, 1e-6) * 100
        ys = np.linspace(100, 0, len(values))
        return "L".join(f"{x:.1f} {y:.1f}" for x, y in zip(xs, ys, strict=True))

    inner = tag(
        "svg",
        tag("path", d=Markup(f"M0 100L{line(top)}L0 0Z"), class_="most"),
        tag("path", d=Markup(f"M{line(middle)}"), class_="usual"),
        viewBox="0 0 100 100",
        preserveAspectRatio="none",
        width="100%",
        height="100%",
    )
    title = "Level over frequency: shaded the strongest, line the middle of all times"
    return tag("svg", tag("title", title), inner, class_="side", role="img", aria_label=title)


def _frame(row: Row, view: Overview) -> tuple[float, float, float, float]:
    """Give left, right, top, bottom of an emission on its picture, as parts of one."""
    long, tall = max(view.stop_ns - view.start_ns, 1), max(view.high_hz - view.low_hz, 1e-9)
    start, stop = moment(row.get("start")) or view.start_ns, moment(row.get("stop")) or view.start_ns
    middle = number(row.get("frequency_hz")) or view.low_hz
    half = max((number(row.get("occupied_bandwidth_hz")) or 0) / 2, tall * 0.009)
    x0, x1 = (start - view.start_ns) / long, (stop - view.start_ns) / long
    if x1 - x0 < 0.004:
        x0, x1 = (x0 + x1) / 2 - 0.002, (x0 + x1) / 2 + 0.002
    y0, y1 = 1 - (middle + half - view.low_hz) / tall, 1 - (middle - half - view.low_hz) / tall
    return max(x0, 0.0), min(x1, 1.0), max(y0, 0.0), min(y1, 1.0)
