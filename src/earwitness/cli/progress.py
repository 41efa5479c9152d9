"""Progress of long work on standard error: share done, rate, time left; silent when nobody looks."""

from __future__ import annotations

import sys
from types import TracebackType
from typing import Any


class Progress:
    """A progress line; `share(0..1)` or `part(done, total)` move it."""

    def __init__(self, what: str):
        self.what = what
        self._bar: Any = None
        self._task: Any = None

    def __enter__(self) -> Progress:
        if sys.stderr.isatty():
            from rich.console import Console
            from rich.progress import BarColumn, TextColumn, TimeRemainingColumn
            from rich.progress import Progress as Bar

            self._bar = Bar(
                TextColumn("{task.description}"),
                BarColumn(bar_width=24),
                TextColumn("{task.percentage:3.0f} %  {task.fields[note]}"),
                TimeRemainingColumn(compact=True),
                TextColumn("left"),
                console=Console(stderr=True),
                transient=True,
            )
            self._bar.start()
            self._task = self._bar.add_task(self.what, total=1.0, note="")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._bar is not None:
            self._bar.stop()

    def share(self, done: float, note: str = "") -> None:
        """Say which share of the work is done."""
        if self._bar is not None:
            self._bar.update(self._task, completed=min(1.0, done), note=note)

    def part(self, done: int, total: int) -> None:
        """Say how much of how much is done."""
        self.share(done / max(1, total))
