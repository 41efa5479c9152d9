"""`earwitness passes`: which satellites can be heard when, and who records them."""

from __future__ import annotations

import sys
import time
from pathlib import Path

from earwitness.cli.app import say
from earwitness.cli.common import print_json, station_folder
from earwitness.core.errors import ParameterError
from earwitness.core.times import parse_time

MOST_HOURS = 24 * 30
MOST_SAID = 20  # problems with elements, those of one run together


def run_passes(
    station: Path | None,
    *,
    json: bool,
    hours: float,
    start: str | None,
    satellite: str | None,
    elements: list[Path],
    schedule: bool,
    ical: Path | None,
    picture: Path | None,
) -> None:
    """Take in elements, then list the passes; write schedule, calendar and picture on wish."""
    from earwitness.station.config import load_station
    from earwitness.station.passes import (
        keep_elements,
        parse_horizon,
        plan_passes,
        station_site,
        stored_elements,
        write_schedule,
    )

    if not 0 < hours <= MOST_HOURS:
        raise ParameterError(f"--hours takes more than 0 and at most {MOST_HOURS}; got {hours:g}")
    folder = station_folder(station)
    settings = load_station(folder)
    for path in elements:
        kept, problems = keep_elements(path, settings)
        _say(problems)
        if not kept:
            raise ParameterError(f"{path}: no elements to keep")
        say(f"{path.name}: {kept} sets of elements kept.")
    station_site(settings)  # a missing place is said before anything else
    sets, problems = stored_elements(folder)
    now = time.time_ns()
    begin = parse_time(start) if start else now
    plan = plan_passes(settings, sets, begin, begin + round(hours * 3.6e12), only=satellite)
    _say(problems)
    for said in plan.warnings:
        say(said)
    written: list[Path] = []
    if schedule:
        written.append(write_schedule(plan, folder))
    if ical is not None:
        from earwitness.view.passes import calendar

        written.append(_write(ical, calendar(plan, now, settings.place.name).encode()))
    if picture is not None:
        from earwitness.view.passes import pass_picture

        written.append(_write(picture, pass_picture(plan, parse_horizon(settings.place.horizon))))
    if json:
        print_json({"station": str(folder), **plan.facts(), "written": [str(path) for path in written]})
        return
    if plan.passes:
        from rich.console import Console

        from earwitness.view.passes import pass_table

        Console().print(pass_table(plan))
    else:
        print(f"no passes in {hours:g} hours")
    for path in written:
        print(path, file=sys.stderr)


def _say(problems: list[str]) -> None:
    """Say the first of any number of problems, and how many there are more."""
    for said in problems[:MOST_SAID]:
        say(said)
    if len(problems) > MOST_SAID:
        say(f"and {len(problems) - MOST_SAID} problems more.")


def _write(path: Path, content: bytes) -> Path:
    try:
        path.write_bytes(content)
    except OSError as error:
        raise ParameterError(f"{path} cannot be written: {error.strerror}") from error
    return path
