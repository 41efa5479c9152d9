"""One folder a mode; found by a scan, listed nowhere (see core/mode.py for what a folder owes)."""
