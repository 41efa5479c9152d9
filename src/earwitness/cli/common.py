"""What several commands share: the station folder and printing."""

from __future__ import annotations

import json as _json
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

from earwitness.core.errors import ParameterError

if TYPE_CHECKING:
    from rich.console import RenderableType

    from earwitness.log.queries import Queries
    from earwitness.log.store import Log


UNBOUND_COLUMNS = 160


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
