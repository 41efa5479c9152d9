"""`earwitness query`: look things up in the log."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from earwitness.cli.app import say
from earwitness.cli.common import (
    KINDS,
    UNBOUND_COLUMNS,
    filters,
    name_identity,
    open_log,
    print_rows,
    print_shown,
)
from earwitness.core.errors import ParameterError

if TYPE_CHECKING:
    from earwitness.log.store import Log


def _unknown(mode: str | None) -> str:
    """Give a word on a mode that there is none of."""
    from earwitness.core.mode import registry

    known = list(registry())
    return (
        "" if mode is None or mode in known else f" No mode is called {mode!r}; there are {', '.join(known)}."
    )


def _newest(log: Log, what: str, limit: int, given: dict[str, Any]) -> tuple[Iterable[dict[str, Any]], bool]:
    """Give the newest rows, the newest last, and whether there are older ones."""
    if what == "identities":  # those that a rule ties together are one
        rows = list(log.identities(newest=True, joined=True, **given, limit=limit + 1))[::-1]
        return rows[-limit:], len(rows) > limit
    first, more = log.newest_from(what, limit, **given)
    return getattr(log, what)(from_row=first, **given), more


def run_query(what: str, station: Path | None, *, json: bool, limit: int, **asked: str | None) -> None:
    """Print the rows that match, newest last."""
    if what not in KINDS:
        raise ParameterError(f"{what!r} cannot be looked up; choose from {', '.join(KINDS)}")
    given = filters(what, asked)
    with open_log(station) as log:
        name_identity(log, what, given)
        rows, more = _newest(log, what, limit, given)
        if json:
            print_rows(rows)
        elif shown := list(rows):
            from earwitness.view import tables

            columns = None if sys.stdout.isatty() or "COLUMNS" in os.environ else UNBOUND_COLUMNS
            print_shown(tables.table(what, shown, columns=columns))
        else:
            fit = " that fit" if any(asked.values()) else ""
            say(f"no {what} in the log{fit}.{_unknown(asked.get('mode'))}")
    if more:
        say(f"only the newest {limit} are shown; --limit shows more.")
