"""Synthesised recordings with their truth, for demo, tests and benchmarks."""

from __future__ import annotations

from pathlib import Path


def demo_scenes() -> list[Path]:
    """Give the scene files of the demo, in the order to survey them."""
    return sorted(Path(__file__).parent.glob("demo_*.toml"))
