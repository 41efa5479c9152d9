"""What several commands share: the station folder and printing."""

from __future__ import annotations

import json as _json
import math
import os
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from earwitness.core.errors import ParameterError
from earwitness.core.times import parse_time

if TYPE_CHECKING:
    from rich.console import RenderableType

    from earwitness.log.queries import Queries
    from earwitness.log.store import Log


UNBOUND_COLUMNS = 160

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


def station_folder(given: Path | None) -> Path:
    """Give the station folder: the one named, else the platform's user data folder."""
    if given is not None:
        return given
    from earwitness.station.config import default_folder

    return default_folder()


def open_log(station: Path | None) -> Log:
    """Open the log of a station for reading, in its folder or where its settings say; it must be there."""
    from earwitness.log.store import Log
    from earwitness.station.config import load_station

    folder = station_folder(station)
    return Log.open(folder, create=False, url=load_station(folder, create=False).log.url)


def find_identity(log: Queries, given: str) -> str:
    """Give the id of the identity that an id or a key (an address, an MMSI, a registration) names.

    ParameterError when the log knows none, or several kinds with this key.
    """
    found = [row["id"] for row in log.identities(id=given)] or [
        row["id"] for row in log.identities(key=given)
    ]
    if not found:
        raise ParameterError(f"no identity {given!r} in the log")
    if len(found) > 1:
        raise ParameterError(
            f"{given!r} names {len(found)} identities; choose one by its id: {', '.join(found)}"
        )
    return found[0]


def filters(what: str, asked: Mapping[str, str | None]) -> dict[str, Any]:
    """Give the log's filters for what a user asked of one of KINDS; ParameterError where it makes no sense."""
    given: dict[str, Any] = {}
    for name, value in asked.items():
        if value is None:
            continue
        if name not in _FILTERS[what]:
            kinds = ", ".join(kind for kind in KINDS if name in _FILTERS[kind])
            raise ParameterError(f"{what} cannot be looked up by --{name}; {kinds} can")
        if name in _TIMES:
            given[f"{name}_ns"] = parse_time(value)
        elif name == "frequency":
            given["low_hz"], given["high_hz"] = _band(value)
        else:
            given[name] = value
    return given


def name_identity(log: Queries, what: str, given: dict[str, Any]) -> None:
    """Put the id of the identity that was asked for in the place of what names it."""
    if "identity" in given:
        given["id" if what == "identities" else "identity"] = find_identity(log, given.pop("identity"))


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


def print_shown(*shown: RenderableType) -> None:
    """Print tables or facts: as wide as the terminal, 160 characters where there is none to fit into."""
    from rich.console import Console

    console = Console()
    if not console.is_terminal and "COLUMNS" not in os.environ:
        console = Console(width=UNBOUND_COLUMNS)
    for item in shown:
        console.print(item)


def print_json(document: Any) -> None:
    """Print one JSON document on standard output."""
    print(_json.dumps(document, ensure_ascii=True))


def print_rows(rows: Iterable[Mapping[str, Any]]) -> None:
    """Print rows as one JSON document, an array, each as it comes."""
    print("[", end="")
    for n, row in enumerate(rows):
        print(",\n" if n else "", _json.dumps(row, ensure_ascii=True), sep="", end="")
    print("]")
