"""`earwitness report`: the HTML page."""

from __future__ import annotations

import sys
from pathlib import Path

from earwitness.cli.common import open_log, print_json, station_folder


def run_report(station: Path | None, *, output: Path | None, json: bool) -> None:
    """Write the report of a station's log."""
    folder = station_folder(station)
    target = output or folder / "report.html"
    with open_log(station) as log:
        from earwitness.view.report import write_report

        write_report(log, folder, target)
    if json:
        print_json({"report": str(target)})
    else:
        print(f"report written: {target}", file=sys.stderr)
