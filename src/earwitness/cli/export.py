"""`earwitness export`: the log for other programs."""

from __future__ import annotations

import sys
from pathlib import Path

from earwitness.cli.app import say
from earwitness.cli.common import filters, name_identity, open_log, print_json
from earwitness.core.errors import ParameterError


def run_export(
    what: str, station: Path | None, *, form: str, output: Path | None, json: bool, **asked: str | None
) -> None:
    """Write one kind of row in one format; say how many where they go to a file."""
    from earwitness.log.export import check_form, export

    check_form(what, form)
    if json and output is None:
        raise ParameterError(
            "--json tells what was written to a file: give --output too, or export without --json"
        )
    given = filters(what, asked)
    with open_log(station) as log:
        name_identity(log, what, given)
        count = export(log, what, form, output if output is not None else sys.stdout.buffer, **given)
    if json:
        print_json({"what": what, "format": form, "output": str(output), "rows": count})
    elif output is not None:
        rows = "rows of occupancy" if what == "occupancy" else what
        say(f"{count} {rows} written to {output}.")
