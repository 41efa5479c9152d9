"""`earwitness evidence`: why an entry is in the log."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from earwitness.cli.app import say
from earwitness.cli.common import open_log, print_json, print_shown, station_folder
from earwitness.core.errors import StorageError

if TYPE_CHECKING:
    from earwitness.log.store import Log

MOST_SHOWN = 5  # messages and overs that speak for a train or an identity


def run_evidence(entry: str, station: Path | None, *, json: bool, output: Path | None) -> None:
    """Show the facts of one entry; with a folder, copy and draw its evidence there."""
    folder = station_folder(station)
    with open_log(station) as log:
        found = log.entry(entry)
        shown = list(_with_evidence(log, found))
    written: list[Path] = []
    if output is not None:
        from earwitness.view.evidence import write_evidence

        try:
            for item in shown:
                written += [path for path in write_evidence(item, folder, output) if path not in written]
        except OSError as error:
            raise StorageError(f"evidence cannot be written to {output}: {error.strerror}") from error
    if json:
        print_json({**found, "written": [str(path) for path in written]})
        return
    from earwitness.view.evidence import describe

    print_shown(describe(found))
    for path in written:
        print(path, file=sys.stderr)
    if output is not None and not written:
        say("nothing is kept of it but these facts.")


def _with_evidence(log: Log, found: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Give the entry, or where it has no evidence of its own (a train, an identity) the newest that speak for it."""
    if found["evidence"]:
        yield found
        return
    told = [*(found.get("messages") or ()), *(found.get("overs") or ())]
    for row in [row for row in told if row.get("evidence_id")][:MOST_SHOWN]:
        yield log.entry(row["id"])
