"""`earwitness recheck`: stored evidence judged again by this version."""

from __future__ import annotations

from pathlib import Path

from earwitness.cli.common import open_log, print_json, station_folder
from earwitness.cli.progress import Progress
from earwitness.cli.survey import Stop


def run_recheck(station: Path | None, *, json: bool) -> None:
    """Judge all stored evidence again and say what changed."""
    folder = station_folder(station)
    with open_log(station) as log:
        from earwitness.cli.prepare import compile_new
        from earwitness.station.recheck import recheck

        compile_new()
        with Stop() as stop, Progress("judging evidence again") as progress:
            verdict = recheck(log, folder, report=progress.share, stopped=lambda: stop.asked)
    if json:
        print_json(vars(verdict))
        return
    print(
        f"{verdict.same} claims stand, {len(verdict.changed)} came out otherwise, "
        f"{verdict.removed} have no evidence any more"
    )
    for item in verdict.changed:
        print(f"  {item['id']}: {item['before']} -> {item['after']}")
