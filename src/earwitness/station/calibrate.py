"""The receiver's frequency error, from transmitters that are where their standard says."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from earwitness.core.mode import registry
from earwitness.core.types import Message, Over, Picture, Samples
from earwitness.sources import open_source
from earwitness.station.survey import StretchSurvey
from earwitness.station.trains import EmissionRecord

LOOK_S = 20.0  # of the recording that are looked at first


class _Forget:
    """A keeper that keeps nothing."""

    def message(self, message: Message, record: EmissionRecord, evidence: Samples | None) -> None:
        """Take no note."""

    def emission(self, record: EmissionRecord, *, final: bool) -> None:
        """Take no note."""

    def over(self, over: Over, record: EmissionRecord) -> None:
        """Take no note."""

    def picture(self, picture: Picture, record: EmissionRecord) -> None:
        """Take no note."""

    def snippet(self, record: EmissionRecord, samples: Samples) -> None:
        """Take no note."""

    def commit(self, position_ns: int) -> None:
        """Keep nothing."""


def estimate_ppm(
    path: str,
    *,
    report: Callable[[float, str], None],
    stopped: Callable[[], bool],
    **declared: Any,
) -> tuple[float, float] | None:
    """Give the receiver's error in ppm and its standard uncertainty, from a recording's first seconds.

    Positive when it shows signals too high; None when nothing of known frequency was decoded.
    """
    source = open_source(path, **declared)
    survey = StretchSurvey(source.stretches[0], list(registry().values()), _Forget())
    limit = round(LOOK_S * survey.stream.rate_hz)
    seen = 0

    def progress(position: int) -> None:
        nonlocal seen
        seen = position
        report(min(1.0, position / limit), "looking for known carriers")

    survey.run(progress=progress, stopped=lambda: stopped() or seen >= limit)
    return survey.frequency_error()
