"""`earwitness modes`: what can be decoded."""

from __future__ import annotations

from earwitness.cli.common import print_json, print_shown
from earwitness.core.mode import registry


def run_modes(*, json: bool) -> None:
    """List the modes."""
    rows = [
        {
            "name": mode.name,
            "title": mode.title,
            "family": mode.family,
            "bands_hz": [list(band) for band in mode.bands_hz],
            "classes": list(mode.classes),
            "sources": list(mode.sources),
        }
        for mode in registry().values()
    ]
    if json:
        print_json(rows)
        return
    from rich.table import Table

    table = Table(box=None, pad_edge=False)
    for heading in ("mode", "what it is", "family", "published in"):
        table.add_column(heading)
    for mode in registry().values():
        table.add_row(mode.name, mode.title, mode.family, "; ".join(mode.sources))
    print_shown(table)
