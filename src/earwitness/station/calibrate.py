"""The receiver's frequency error, from transmitters that are where their standard says."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from earwitness.core.mode import Mode, registry
from earwitness.core.types import Message, Over, Picture, Samples
from earwitness.emission.calibrate import frequency_error_ppm
from earwitness.sources import open_source
from earwitness.station.survey import StretchSurvey
from earwitness.station.trains import EmissionRecord

LOOK_S = 20.0  # of the recording that are looked at first


class _Carriers:
    """A keeper that only notes measured against nominal frequencies of decoded messages."""

    def __init__(self, modes: dict[str, Mode]):
        self.pairs: list[tuple[float, float]] = []
        self._modes = modes

    def message(self, message: Message, record: EmissionRecord, evidence: Samples | None) -> None:
        """Note the carrier of a message whose mode has known channels."""
        mode, measured = self._modes[message.frame.mode], message.frame.frequency_hz
        if measured is None or mode.wideband or not mode.bands_hz:
            return
        nominal = _nearest_channel(mode, measured)
        if nominal is not None:
            self.pairs.append((measured, nominal))

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


def _nearest_channel(mode: Mode, frequency_hz: float) -> float | None:
    """Give the mode's channel nearest to a frequency: of its raster, or the middle of a narrow band."""
    channels = []
    for low, high in mode.bands_hz:
        if mode.raster_hz:
            step = round((frequency_hz - mode.raster_base_hz) / mode.raster_hz)
            channels.append(min(max(mode.raster_base_hz + step * mode.raster_hz, low), high))
        elif high - low <= 2 * mode.bandwidth_hz:
            channels.append((low + high) / 2)
    return min(channels, key=lambda hz: abs(hz - frequency_hz), default=None)


def estimate_ppm(
    path: str,
    *,
    report: Callable[[float, str], None],
    stopped: Callable[[], bool],
    **declared: Any,
) -> float | None:
    """Give the correction in ppm that the first seconds of a recording ask for; None when nothing known is on."""
    source = open_source(path, **declared)
    stretch = source.stretches[0]
    modes = registry()
    carriers = _Carriers(modes)
    survey = StretchSurvey(stretch, list(modes.values()), carriers)
    limit = round(LOOK_S * survey.stream.rate_hz)
    seen = 0

    def progress(position: int) -> None:
        nonlocal seen
        seen = position
        report(min(1.0, position / limit) * 0.5, "looking for known carriers")

    survey.run(progress=progress, stopped=lambda: stopped() or seen >= limit)
    if not carriers.pairs:
        return None
    ppm, _ = frequency_error_ppm(carriers.pairs)
    return float(ppm)
