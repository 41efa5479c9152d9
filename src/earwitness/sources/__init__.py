"""Samples in: recordings (and later receivers) as stretches of I/Q or audio.

`open_source`, `recordings_in`, `Source` and `Stretch` load on first use, so that a command line that only names this
room starts quickly.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from earwitness.sources.opening import open_source, recordings_in
    from earwitness.sources.stretch import Source, Stretch

__all__ = ["Source", "Stretch", "open_source", "recordings_in"]


def __getattr__(name: str) -> Any:
    if name in ("open_source", "recordings_in"):
        from earwitness.sources import opening

        return getattr(opening, name)
    if name in ("Source", "Stretch"):
        from earwitness.sources import stretch

        return getattr(stretch, name)
    raise AttributeError(name)
