"""`earwitness evidence`: why an entry is in the log."""

from __future__ import annotations

import sys
from pathlib import Path

from earwitness.cli.common import open_log, print_json, print_shown, station_folder
from earwitness.core.errors import StorageError


def run_evidence(entry: str, station: Path | None, *, json: bool, output: Path | None) -> None:
    """Show the facts of one entry; with a folder, copy and draw its evidence there."""
    folder = station_folder(station)
    with open_log(station) as log:
        found = log.entry(entry)
    written: list[Path] = []
    if output is not None:
        from earwitness.view.evidence import write_evidence

        try:
            written = write_evidence(found, folder, output)
        except OSError as error:
            raise StorageError(f"evidence cannot be written to {output}: {error.strerror}") from error
    if json:
        print_json({**found, "written": [str(path) for path in written]})
        return
    from earwitness.view.evidence import describe

    print_shown(describe(found))
    for path in written:
        print(path, file=sys.stderr)
