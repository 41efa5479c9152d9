"""`earwitness identity`: who an identity is, what ties it to others, and what the user says of it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from earwitness.cli.common import find_identity, print_json, station_folder
from earwitness.core.errors import ParameterError

if TYPE_CHECKING:
    from earwitness.log.store import Log


def run_identity(
    entry: str,
    station: Path | None,
    *,
    json: bool,
    label: str | None,
    unlabel: str | None,
    part: str | None,
    join: str | None,
) -> None:
    """Do what is asked, then show the identity."""
    from earwitness.log.store import Log

    with Log.open(station_folder(station), create=False) as log:
        who = find_identity(log, entry)
        if unlabel is not None:
            _take_off(log, who, unlabel)
        if label is not None:
            log.label(who, label)
        for relation, undone in ((part, True), (join, False)):
            if relation is not None:
                if relation not in {tie["id"] for tie in log.relations(who)}:
                    raise ParameterError(f"{entry} has no relation {relation!r}; it shows those it has")
                log.undo_relation(relation, undone=undone)
        found = log.entry(who)
    if json:
        print_json(found)
        return
    from rich.console import Console

    from earwitness.view.evidence import describe

    Console().print(describe(found))


def _take_off(log: Log, who: str, label: str) -> None:
    if label not in log.entry(who)["labels"]:
        raise ParameterError(f"there is no label {label!r} on it")
    log.unlabel(who, label)
