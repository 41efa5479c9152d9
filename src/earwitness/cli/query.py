"""`earwitness query`: look things up in the log."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from earwitness.cli.common import find_identity, print_json, station_folder
from earwitness.core.errors import ParameterError
from earwitness.core.times import parse_time

if TYPE_CHECKING:
    from earwitness.log.queries import Row
    from earwitness.log.store import Log

KINDS = ("emissions", "messages", "identities", "overs", "pictures", "occupancy")


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
    from earwitness.log.store import Log

    if what not in KINDS:
        raise ParameterError(f"{what!r} cannot be looked up; choose from {', '.join(KINDS)}")
    filters: dict[str, str | int | float | None] = {
        "mode": mode,
        "since_ns": parse_time(since) if since else None,
        "until_ns": parse_time(until) if until else None,
        "identity": identity,
        "text": text,
        "limit": limit,
    }
    if frequency:
        filters["low_hz"], filters["high_hz"] = _band(frequency)
    given = {key: value for key, value in filters.items() if value is not None}
    with Log.open(station_folder(station), create=False) as log:
        if identity:
            given["identity"] = find_identity(log, identity)
        rows = _people(log, given) if what == "identities" else list(getattr(log, what)(**given))
    if json:
        print_json(rows)
        return
    from rich.console import Console

    from earwitness.view import tables

    Console().print(tables.table(what, rows))


def _people(log: Log, filters: dict[str, Any]) -> list[Row]:
    """Give identities, those that a rule ties together as one."""
    wrong = filters.keys() & {"mode", "low_hz"}
    if wrong:
        raise ParameterError("identities cannot be looked up by mode or frequency; look up messages by them")
    if "identity" in filters:
        filters["id"] = filters.pop("identity")
    return list(log.identities(joined=True, **filters))


def _band(text: str) -> tuple[float, float]:
    low, dash, high = text.partition("-") if "e-" not in text else (text, "", "")
    try:
        if dash:
            return float(low), float(high)
        return float(text) * (1 - 20e-6) - 5000, float(text) * (1 + 20e-6) + 5000
    except ValueError:
        raise ParameterError(f"{text!r} is not a frequency in Hz, nor a range LOW-HIGH") from None
