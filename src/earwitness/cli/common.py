"""What several commands share: the station folder and printing."""

from __future__ import annotations

import json as _json
from pathlib import Path
from typing import Any


def station_folder(given: Path | None) -> Path:
    """Give the station folder: the one named, else the platform's user data folder."""
    if given is not None:
        return given
    from earwitness.station.config import default_folder

    return default_folder()


def print_json(document: Any) -> None:
    """Print one JSON document on standard output."""
    print(_json.dumps(document, ensure_ascii=True))
