"""Tables for the terminal: they fit its width, and text from the air stays inert in them.

Every cell is a `rich.text.Text`, so nothing is read as markup; control characters were made visible before.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING, Any

from earwitness.core.errors import ParameterError
from earwitness.view.words import (
    NOTHING,
    clock,
    decibels,
    duration,
    frequency,
    moment,
    number,
    occupancy,
    plain,
    position,
    width,
)

if TYPE_CHECKING:
    from rich.table import Table

Row = Mapping[str, Any]
Cell = Callable[[Row], str]


def _span(row: Row) -> str:
    start, stop = moment(row.get("start")), moment(row.get("stop"))
    return duration((stop - start) / 1e9) if start is not None and stop is not None else NOTHING


def _what(row: Row) -> str:
    if row.get("artefact"):
        return f"receiver: {plain(row['artefact'], limit=80)}"
    told = [plain(row.get("class") or "unknown", limit=30)]
    told += [plain(row[key], limit=60) for key in ("mode", "label") if row.get(key)]
    return ", ".join(dict.fromkeys(told))


def _fields(row: Row) -> str:
    fields = row.get("fields")
    if not isinstance(fields, Mapping):
        return ""
    words = fields.get("text")
    return plain(
        words if isinstance(words, str) and words else {k: v for k, v in fields.items() if v is not None},
        limit=200,
    )


def _tone(row: Row) -> str:
    tone = row.get("tone")
    return plain(tone, limit=40) if tone else NOTHING


def _key(key: str, limit: int = 60) -> Cell:
    return lambda row: plain(row.get(key), limit=limit)


def _looks(row: Row) -> str:
    return occupancy(int(number(row.get("occupied")) or 0), int(number(row.get("samples")) or 0))


# heading, cell, how it is set: "" left, "r" right, "w" takes what width is left, "x" goes first when narrow
_COLUMNS: dict[str, tuple[tuple[str, Cell, str], ...]] = {
    "emissions": (
        ("start, UTC", lambda r: clock(r.get("start"), date=True), ""),
        ("lasting", _span, "r"),
        ("frequency", lambda r: frequency(r.get("frequency_hz"), r.get("frequency_uncertainty_hz")), "r"),
        ("width", lambda r: width(r.get("occupied_bandwidth_hz")), "rx"),
        ("SNR", lambda r: decibels(r.get("snr_db")), "r"),
        ("designator", _key("designator", 16), "x"),
        ("what", _what, "w"),
        ("id", _key("id", 24), ""),
    ),
    "messages": (
        ("time, UTC", lambda r: clock(r.get("time"), date=True), ""),
        ("frequency", lambda r: frequency(r.get("frequency_hz")), "rx"),
        ("mode", _key("mode", 12), ""),
        ("kind", _key("kind", 40), ""),
        ("says", _fields, "w"),
        ("check", _key("check", 12), "x"),
        ("id", _key("id", 24), ""),
    ),
    "identities": (
        ("kind", _key("kind", 12), ""),
        ("key", _key("key", 24), ""),
        ("names", lambda r: plain(r.get("names") or None, limit=60), "w"),
        ("messages", _key("message_count", 12), "r"),
        ("last heard, UTC", lambda r: clock(r.get("last_seen"), date=True, digits=0), ""),
        ("position", lambda r: position(r.get("latitude_deg"), r.get("longitude_deg")), "x"),
        (
            "notes",
            lambda r: plain([*(r.get("flags") or ()), *(r.get("labels") or ())] or None, limit=60),
            "x",
        ),
        ("id", _key("id", 24), ""),
    ),
    "overs": (
        ("start, UTC", lambda r: clock(r.get("start"), date=True), ""),
        ("lasting", _span, "r"),
        ("frequency", lambda r: frequency(r.get("frequency_hz")), "r"),
        ("class", _key("class", 12), ""),
        ("tone", _tone, "x"),
        ("audio", _key("audio_path", 120), "w"),
        ("id", _key("id", 24), ""),
    ),
    "pictures": (
        ("start, UTC", lambda r: clock(r.get("start"), date=True), ""),
        ("frequency", lambda r: frequency(r.get("frequency_hz")), "r"),
        ("mode", _key("mode", 12), "w"),
        ("id", _key("id", 24), ""),
    ),
    "occupancy": (
        ("from, UTC", lambda r: clock(r.get("start"), date=True, digits=0), ""),
        ("channel", lambda r: frequency(r.get("frequency_hz")), "r"),
        ("name", lambda r: plain(r.get("label") or None, limit=60), "x"),
        ("in use", _looks, "w"),
    ),
}


def table(what: str, rows: Iterable[Row], *, columns: int | None = None) -> Table:
    """Give rows as a table that fits `columns` characters (default: the terminal); ParameterError if unknown.

    When it is narrow the lesser columns are left out and the widest one wraps.
    """
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    if what not in _COLUMNS:
        raise ParameterError(f"no table of {what!r}; known: {', '.join(_COLUMNS)}")
    room = columns or Console().width
    cells = [[cell(row) for _, cell, _ in _COLUMNS[what]] for row in rows]
    shown = _fit(what, cells, room)
    out = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1), header_style="dim", show_edge=False)
    for n in shown:
        heading, _, how = _COLUMNS[what][n]
        loose = "w" in how
        out.add_column(
            heading,
            justify="right" if "r" in how else "left",
            no_wrap=not loose,
            overflow="fold" if loose else "ellipsis",
            ratio=None,
            min_width=12 if loose else None,
        )
    for row in cells:
        out.add_row(*(Text(row[n]) for n in shown))
    return out


def _fit(what: str, cells: list[list[str]], room: int) -> list[int]:
    """Choose the columns to show: lesser ones ("x") go, the last first, while the rest do not fit."""
    facts = _COLUMNS[what]
    widths = [max([len(head), *(len(row[n]) for row in cells)]) for n, (head, _, how) in enumerate(facts)]
    widths = [min(size, 24) if "w" in facts[n][2] else size for n, size in enumerate(widths)]
    shown = list(range(len(facts)))
    for n in reversed([n for n in shown if "x" in facts[n][2]]):
        if sum(widths[k] + 2 for k in shown) > room:
            shown.remove(n)
    return shown
