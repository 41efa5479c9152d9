"""`earwitness query`: look things up in the log."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from earwitness.cli.app import say
from earwitness.cli.common import (
    KINDS,
    UNBOUND_COLUMNS,
    filters,
    name_identity,
    open_log,
    print_json,
    print_shown,
)
from earwitness.core.errors import ParameterError


def _unknown(mode: str | None) -> str:
    """Give a word on a mode that there is none of."""
    from earwitness.core.mode import registry

    known = list(registry())
    return (
        "" if mode is None or mode in known else f" No mode is called {mode!r}; there are {', '.join(known)}."
    )


def run_query(what: str, station: Path | None, *, json: bool, limit: int, **asked: str | None) -> None:
    """Print the rows that match, newest last."""
    if what not in KINDS:
        raise ParameterError(f"{what!r} cannot be looked up; choose from {', '.join(KINDS)}")
    given = filters(what, asked)
    with open_log(station) as log:
        name_identity(log, what, given)
        if what == "identities":
            given["joined"] = True  # those that a rule ties together are one
        rows = list(getattr(log, what)(newest=True, **given, limit=limit + 1))[::-1]
    more, rows = len(rows) > limit, rows[-limit:]
    if json:
        print_json(rows)
    elif rows:
        from earwitness.view import tables

        columns = None if sys.stdout.isatty() or "COLUMNS" in os.environ else UNBOUND_COLUMNS
        print_shown(tables.table(what, rows, columns=columns))
    else:
        say(f"no {what} in the log{' that fit' if any(asked.values()) else ''}.{_unknown(asked.get('mode'))}")
    if more:
        say(f"only the newest {limit} are shown; --limit shows more.")
