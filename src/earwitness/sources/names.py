"""What a name names, told before anything is loaded to read it."""

from __future__ import annotations

import stat
from pathlib import Path

from earwitness.core.errors import SourceError
from earwitness.core.text import inert


def regular_file(path_text: str | Path) -> Path:
    """Give the path of a regular file; SourceError for anything else, saying what it is."""
    if not str(path_text):
        raise SourceError("the name of a recording is empty; give its path")
    path = Path(path_text)
    name = inert(path.name or str(path_text), limit=200)
    try:
        mode = path.stat().st_mode
    except FileNotFoundError as error:
        raise SourceError(f"there is no file {name!r}; check the path") from error
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else "the name is not usable"
        raise SourceError(f"{name!r} cannot be opened: {reason}") from error
    if stat.S_ISDIR(mode):
        raise SourceError(f"{name!r} is a folder; give a recording in it")
    if not stat.S_ISREG(mode):
        raise SourceError(f"{name!r} is not a regular file; record to a file first")
    return path
