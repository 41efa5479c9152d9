"""`earwitness export`: the log for other programs."""

from __future__ import annotations

import sys
from pathlib import Path

from earwitness.cli.common import open_log


def run_export(what: str, station: Path | None, *, form: str, output: Path | None) -> None:
    """Write one kind of row in one format."""
    from earwitness.log.export import export

    with open_log(station) as log:
        export(log, what, form, output if output is not None else sys.stdout.buffer)
