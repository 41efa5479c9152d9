"""Progress of long work on standard error: share done, rate, time left; silent when nobody looks."""

from __future__ import annotations

import sys
from types import TracebackType
from typing import Any

from earwitness.core.text import inert

WIDEST_NAME = 24  # characters of what is being done
ROOM_FOR_A_BAR = 110  # columns of a terminal


class Progress:
    """A progress line; `share(0..1)` or `part(done, total)` move it."""

    def __init__(self, what: str):
        self.what = inert(what, limit=200)
        self._bar: Any = None
        self._task: Any = None

    def __enter__(self) -> Progress:
        if sys.stderr.isatty():
            from rich.console import Console
            from rich.progress import BarColumn, TextColumn, TimeRemainingColumn
            from rich.progress import Progress as Bar
            from rich.table import Column

            console = Console(stderr=True)
            whole = Column(no_wrap=True)
            self._bar = Bar(
                TextColumn(
                    "{task.description}",
                    markup=False,
                    table_column=Column(no_wrap=True, overflow="ellipsis", max_width=WIDEST_NAME),
                ),
                *([BarColumn(bar_width=24)] if console.width >= ROOM_FOR_A_BAR else []),
                TextColumn("{task.percentage:3.0f} %  {task.fields[note]}", markup=False, table_column=whole),
                TimeRemainingColumn(compact=True, table_column=whole),
                TextColumn("left", table_column=whole),
                console=console,
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
