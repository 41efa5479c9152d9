"""Tables for the terminal: they fit its width, and text from the air stays inert in them.

Every cell is a `rich.text.Text`, so nothing is read as markup; control characters were made visible before.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING, Any

from earwitness.core.errors import ParameterError
from earwitness.view.readable import figures_of, words_of
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
    squelch_tone,
    width,
)

if TYPE_CHECKING:
    from rich.table import Table

Row = Mapping[str, Any]
_GAP = 3  # characters between columns
_SOFT = 14  # characters of a column that wraps
Cell = Callable[[Row], str]


def _span(row: Row) -> str:
    start, stop = moment(row.get("start")), moment(row.get("stop"))
    return duration((stop - start) / 1e9) if start is not None and stop is not None else NOTHING


def _what(row: Row) -> str:
    if row.get("artefact"):
        return f"receiver: {plain(row['artefact'], limit=80).partition(': ')[0]}"
    told = [plain(row.get("class") or "unknown", limit=30)]
    told += [plain(row[key], limit=60) for key in ("mode", "label") if row.get(key)]
    told += [f"perhaps {plain(row['perhaps_satellite'], limit=60)}"] if row.get("perhaps_satellite") else []
    return ", ".join(dict.fromkeys(told))


# who sent a message, in the order in which its fields are asked
_WHO = ("mmsi", "self_id", "icao_address", "registration", "source", "source_address", "hex_id", "station")
_TELLING = (
    "callsign", "name", "ship_name", "aid_name", "destination", "altitude_ft", "squawk", "speed_kn", "course_deg",
    "track_deg", "heading_deg", "vertical_rate_fpm",
)  # fmt: skip


def _fields(row: Row) -> str:
    """Give who says what in a message: the words, else the figures people look for first."""
    fields = row.get("fields")
    if not isinstance(fields, Mapping):
        return ""
    who = next((key for key in _WHO if fields.get(key)), None)
    rest = {key: value for key, value in fields.items() if key != who}
    told = " ".join((words_of(row) or "").split())
    if not told:
        first = {key: rest[key] for key in _TELLING if key in rest}
        told = ", ".join(f"{a} {b}" for a, b in figures_of({**row, "fields": {**first, **rest}}))
    return plain(f"{plain(fields[who], limit=40)}: {told}" if who else told, limit=200)


def _key(key: str, limit: int = 60) -> Cell:
    return lambda row: plain(row.get(key), limit=limit)


def _time(key: str, digits: int = 3) -> Cell:
    return lambda row: clock(row.get(key), date=True, digits=digits)


def _looks(row: Row) -> str:
    return occupancy(int(number(row.get("occupied")) or 0), int(number(row.get("samples")) or 0))


# heading, cell, how it is set: "r" right, "w" takes what width is left, "s" wraps when narrow, "x" and then "y" go
_COLUMNS: dict[str, tuple[tuple[str, Cell, str], ...]] = {
    "emissions": (
        ("start, UTC", _time("start"), ""),
        ("lasting", _span, "ry"),
        ("frequency", lambda r: frequency(r.get("frequency_hz"), r.get("frequency_uncertainty_hz")), "r"),
        ("width", lambda r: width(r.get("occupied_bandwidth_hz")), "rx"),
        ("SNR", lambda r: decibels(r.get("snr_db")), "ry"),
        ("designator", _key("designator", 16), "x"),
        ("what", _what, "w"),
        ("id", _key("id", 24), ""),
    ),
    "messages": (
        ("time, UTC", _time("time"), ""),
        ("frequency", lambda r: frequency(r.get("frequency_hz")), "rx"),
        ("mode", _key("mode", 12), "y"),
        ("kind", _key("kind", 24), "s"),
        ("says", _fields, "w"),
        ("check", _key("check", 12), "x"),
        ("id", _key("id", 24), ""),
    ),
    "identities": (
        ("kind", _key("kind", 12), "y"),
        ("key", _key("key", 24), ""),
        ("names", lambda r: plain(r.get("names") or None, limit=60), "w"),
        ("messages", _key("message_count", 12), "ry"),
        ("last heard, UTC", _time("last_seen", 0), "y"),
        ("position", lambda r: position(r.get("latitude_deg"), r.get("longitude_deg")), "x"),
        (
            "notes",
            lambda r: plain([*(r.get("flags") or ()), *(r.get("labels") or ())] or None, limit=60),
            "x",
        ),
        ("id", _key("id", 24), ""),
    ),
    "overs": (
        ("start, UTC", _time("start"), ""),
        ("lasting", _span, "ry"),
        ("frequency", lambda r: frequency(r.get("frequency_hz")), "r"),
        ("class", _key("class", 12), "y"),
        ("tone or code", lambda r: squelch_tone(r.get("tone")) or NOTHING, "w"),
        ("audio", _key("audio_path", 120), "x"),
        ("id", _key("id", 24), ""),
    ),
    "pictures": (
        ("start, UTC", _time("start"), ""),
        ("frequency", lambda r: frequency(r.get("frequency_hz")), "r"),
        ("mode", _key("mode", 12), "w"),
        ("id", _key("id", 24), ""),
    ),
    "occupancy": (
        ("from, UTC", _time("start", 0), ""),
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
    facts = _COLUMNS[what]
    cells = [[cell(row).replace("\u202f", "") for _, cell, _ in facts] for row in rows]
    days = _days(what, cells)
    out = Table(
        box=box.SIMPLE_HEAD,
        pad_edge=False,
        padding=(0, 1),
        header_style="dim",
        show_edge=False,
        title=days[0] if len(set(days)) == 1 else None,
        title_justify="left",
        title_style="dim",
    )
    shown = _fit(what, cells, room)
    tight = len(shown) < len(facts)
    left = room - sum(_least(facts, cells, n, tight) + _GAP for n in shown if "w" not in facts[n][2])
    for n in shown:
        heading, _, how = facts[n]
        out.add_column(
            heading,
            justify="right" if "r" in how else "left",
            no_wrap="w" not in how and "s" not in how,
            overflow="fold",
            min_width=10 if "w" in how else None,
            max_width=_SOFT if "s" in how and tight else None,
        )
    told = days[0] if out.title else None
    for k, row in enumerate(cells):
        if days and days[k] != told:
            told = days[k]
            out.add_row(Text(told or NOTHING, style="dim"))
        texts = [row[n] for n in shown]
        for at, n in enumerate(shown):
            if "w" in facts[n][2] and len(texts[at]) > 3 * max(left, 10):
                texts[at] = texts[at][: 3 * max(left, 10) - 1] + "…"
        out.add_row(*map(Text, texts))
    return out


def _days(what: str, cells: list[list[str]]) -> list[str]:
    """Take the date out of the rows' times, and give it for each: told once for all that share it."""
    if "UTC" not in _COLUMNS[what][0][0]:
        return []
    days = [row[0][:-13] if "." in row[0] else row[0][:-9] for row in cells]
    for row, day in zip(cells, days, strict=True):
        row[0] = row[0].removeprefix(day).lstrip()
    return days


def _wide(facts: tuple[tuple[str, Cell, str], ...], cells: list[list[str]], n: int) -> int:
    return max([len(facts[n][0]), *(len(row[n]) for row in cells)])


def _least(facts: tuple[tuple[str, Cell, str], ...], cells: list[list[str]], n: int, tight: bool) -> int:
    wide = _wide(facts, cells, n)
    return min(wide, _SOFT) if tight and "s" in facts[n][2] else wide


def _fit(what: str, cells: list[list[str]], room: int) -> list[int]:
    """Choose the columns to show: lesser ones go, the last first, while the rest do not fit."""
    facts = _COLUMNS[what]
    shown = list(range(len(facts)))
    for rank, least in (("x", 30), ("y", 16)):
        for n in [n for n in reversed(shown) if rank in facts[n][2]]:
            sizes = [
                min(_wide(facts, cells, k), least) if "w" in facts[k][2] else _least(facts, cells, k, True)
                for k in shown
            ]
            if sum(sizes) + _GAP * len(sizes) > room:
                shown.remove(n)
    return shown
