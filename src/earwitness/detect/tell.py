"""From an emission as it was followed to the detection that is told: place, level, what the receiver did itself."""

from __future__ import annotations

from math import log10

from earwitness.core.types import Detection
from earwitness.detect.artefacts import DC_SPIKE, StretchStatistics, reason
from earwitness.detect.follow import Emission
from earwitness.detect.offset import is_station
from earwitness.detect.rows import outline
from earwitness.detect.window import Window
from earwitness.spectrum.stft import looks


class Teller:
    """Words emissions as detections; `start` is the sample index of row 0, `spike` the receiver's offset if known."""

    def __init__(self, window: Window, center_hz: float, statistics: StretchStatistics):
        self._window = window
        self._plan = window.plan
        self._center_hz = center_hz
        self._statistics = statistics
        self.start = 0
        self.spike: Emission | None = None

    def detection(self, e: Emission, still_open: bool) -> Detection:
        """Give an emission as a detection, as it stands."""
        a, b = self._window.bins(e.least, e.most)
        rows = max(1, e.rows)
        scatter = 3 / (looks(self._plan, 1, 1) * rows) ** 0.5
        low, high, middle, power, noise = outline(e.excess, e.floor, a, b, rows, scatter)
        density = noise / self._plan.enbw_hz
        inside = rows - min(e.outside, rows / 2)
        level = power * rows / inside * self._plan.bin_hz / self._plan.enbw_hz
        width_hz = max(high - low, 0.5) * self._plan.bin_hz
        p = self._plan
        return Detection(
            number=e.number,
            start=round(self.start + e.start * p.row),
            stop=round(self.start + e.stop * p.row),
            low_hz=self._hz(low),
            high_hz=self._hz(max(high, low + 0.5)),
            center_hz=self._hz(middle),
            level_dbfs=10 * log10(level),
            noise_dbfs_hz=10 * log10(density),
            snr_db=10 * log10(level / (density * width_hz)),
            open=still_open,
            artefact=self._artefact(e, low, high, middle),
        )

    def _artefact(self, e: Emission, low: float, high: float, middle: float) -> str | None:
        if e.spike:
            return e.spike
        seen = self._statistics
        clipping = seen.clipped_rows / max(1, seen.rows)
        why = reason(e.traces, self._plan, self._center_hz, low, high, middle, clipping)
        if why == DC_SPIKE and is_station(e.traces, seen, self.spike.traces if self.spike else None):
            why = None
        e.artefact = why
        return why

    def _hz(self, position: float) -> float:
        return self._center_hz + (position - 0.5 - self._plan.size // 2) * self._plan.bin_hz
