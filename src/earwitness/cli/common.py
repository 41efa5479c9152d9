"""What several commands share: the station folder and printing."""

from __future__ import annotations

import json as _json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from earwitness.core.errors import ParameterError

if TYPE_CHECKING:
    from earwitness.log.queries import Queries


def station_folder(given: Path | None) -> Path:
    """Give the station folder: the one named, else the platform's user data folder."""
    if given is not None:
        return given
    from earwitness.station.config import default_folder

    return default_folder()


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


def print_json(document: Any) -> None:
    """Print one JSON document on standard output."""
    print(_json.dumps(document, ensure_ascii=True))
