"""The command line. `main` is the entry point; commands live one file each and load when run."""

from __future__ import annotations


def main() -> None:
    """Run the command line."""
    from earwitness.cli.app import run

    run()
