"""`earwitness export`: the log for other programs."""

from __future__ import annotations

import sys
from pathlib import Path

from earwitness.cli.common import station_folder


def run_export(what: str, station: Path | None, *, form: str, output: Path | None) -> None:
    """Write one kind of row in one format."""
    from earwitness.log.export import export
    from earwitness.log.store import Log

    with Log.open(station_folder(station), create=False) as log:
        export(log, what, form, output if output is not None else sys.stdout.buffer)
