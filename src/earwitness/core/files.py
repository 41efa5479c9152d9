"""Files that are written whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO


@contextmanager
def whole_file(path: Path) -> Iterator[BinaryIO]:
    """Give a stream that takes the path's name once all of it is on the disk, and vanishes where that fails: OSError.

    A device or a pipe is written to as it is: replaced, it would be gone for everybody. A link stays one.
    """
    if path.exists() and not path.is_file():
        with open(path, "wb") as stream:
            yield stream
        return
    target = path.resolve() if path.is_symlink() else path
    temporary = target.with_name(f".{target.name}.partial-{os.getpid()}")
    try:
        with open(temporary, "wb") as stream:
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
        temporary.replace(target)
    finally:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)
