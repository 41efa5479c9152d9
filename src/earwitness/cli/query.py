"""`earwitness query`: look things up in the log."""

from __future__ import annotations

import math
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from earwitness.cli.app import say
from earwitness.cli.common import UNBOUND_COLUMNS, find_identity, open_log, print_json, print_shown
from earwitness.core.errors import ParameterError
from earwitness.core.times import parse_time

if TYPE_CHECKING:
    from earwitness.log.queries import Row
    from earwitness.log.store import Log

_TIMES = {"since", "until"}
_FILTERS = {
    "emissions": {*_TIMES, "frequency", "mode"},
    "messages": {*_TIMES, "frequency", "mode", "identity", "text"},
    "identities": {*_TIMES, "identity", "text"},
    "overs": {*_TIMES, "frequency", "mode", "identity"},
    "pictures": {*_TIMES, "frequency", "mode"},
    "occupancy": {*_TIMES, "frequency"},
}
KINDS = tuple(_FILTERS)


def run_query(
    what: str,
    station: Path | None,
    *,
    json: bool,
    mode: str | None,
    since: str | None,
    until: str | None,
    frequency: str | None,
    identity: str | None,
    text: str | None,
    limit: int,
) -> None:
    """Print the rows that match, newest last."""
    if what not in KINDS:
        raise ParameterError(f"{what!r} cannot be looked up; choose from {', '.join(KINDS)}")
    asked = {
        "mode": mode,
        "since": since,
        "until": until,
        "frequency": frequency,
        "identity": identity,
        "text": text,
    }
    for name, value in asked.items():
        if value is not None and name not in _FILTERS[what]:
            kinds = ", ".join(kind for kind in KINDS if name in _FILTERS[kind])
            raise ParameterError(f"{what} cannot be looked up by --{name}; {kinds} can")
    filters: dict[str, str | int | float | None] = {
        "mode": mode,
        "since_ns": parse_time(since) if since else None,
        "until_ns": parse_time(until) if until else None,
        "identity": identity,
        "text": text,
    }
    if frequency:
        filters["low_hz"], filters["high_hz"] = _band(frequency)
    given = {key: value for key, value in filters.items() if value is not None}
    with open_log(station) as log:
        if identity:
            given["identity"] = find_identity(log, identity)
        rows = _newest(log, what, {**given, "limit": limit + 1})
    more, rows = len(rows) > limit, rows[-limit:]
    if json:
        print_json(rows)
    elif rows:
        from earwitness.view import tables

        columns = None if sys.stdout.isatty() or "COLUMNS" in os.environ else UNBOUND_COLUMNS
        print_shown(tables.table(what, rows, columns=columns))
    else:
        say(f"no {what} in the log{' that fit' if given else ''}.")
    if more:
        say(f"only the newest {limit} are shown; --limit shows more.")


def _newest(log: Log, what: str, filters: dict[str, Any]) -> list[Row]:
    """Give the newest rows, in order of time; identities that a rule ties together are one."""
    if what == "identities":
        if "identity" in filters:
            filters["id"] = filters.pop("identity")
        filters["joined"] = True
    return list(getattr(log, what)(newest=True, **filters))[::-1]


def _band(text: str) -> tuple[float, float]:
    low, dash, high = text.partition("-") if "e-" not in text else (text, "", "")
    try:
        if dash:
            band = float(low), float(high)
        else:
            band = float(text) * (1 - 20e-6) - 5000, float(text) * (1 + 20e-6) + 5000
    except ValueError:
        band = math.nan, math.nan
    if not (math.isfinite(band[1]) and band[0] <= band[1]):
        raise ParameterError(f"{text!r} is not a frequency in Hz, nor a range LOW-HIGH")
    return band
