"""Where a survey's results go: the log's side is `log_keeper`, tests and calibration have their own."""

from __future__ import annotations

from typing import Protocol

from earwitness.core.types import Message, Over, Picture, Samples
from earwitness.station.trains import EmissionRecord


class Keeper(Protocol):
    """Where a survey's results go."""

    def emission(self, record: EmissionRecord, *, final: bool) -> None:
        """Take a new or changed emission."""

    def message(self, message: Message, record: EmissionRecord, evidence: Samples | None) -> None:
        """Take a message and the samples it was decoded from."""

    def over(self, over: Over, record: EmissionRecord) -> None:
        """Take a voice transmission."""

    def picture(self, picture: Picture, record: EmissionRecord) -> None:
        """Take an image that was sent over the air."""

    def snippet(self, record: EmissionRecord, samples: Samples) -> None:
        """Take the start of an emission as its evidence."""

    def commit(self, position_ns: int) -> None:
        """Make all taken so far durable; everything up to a time has been surveyed."""
