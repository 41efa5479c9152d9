"""`python -m earwitness`."""

from __future__ import annotations

from earwitness.cli import main

main()
