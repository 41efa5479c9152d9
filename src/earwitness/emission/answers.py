"""What every answer of the identification is made with: confidence, the carrier from its line, and the honest unknown."""

from __future__ import annotations

import numpy as np

from earwitness.core.types import Identification
from earwitness.emission.features import Features

BROADCAST_WIDTH_HZ = 60_000.0
SPEECH_WIDTH_HZ = 4500.0
# relative variance of the power that fading hardly has (Rayleigh's is 1), a voice's syllables have
FADED = 3.0
STEADY_LINES = 0.75  # share of the power that two lines of reversals have


def unknown(*reasons: str, variant: str | None = None, symbol_rate_hz: float | None = None) -> Identification:
    """Give the honest answer."""
    return Identification("unknown", variant, 0.0, reasons, None, symbol_rate_hz=symbol_rate_hz)


def sure(*parts: float) -> float:
    """Give a confidence from evidence parts, each 0 (none) to 1 (plenty); the weakest leads."""
    clipped = [min(max(part, 0.0), 1.0) for part in parts]
    return round(float(0.4 + 0.59 * min(clipped) ** 0.5 * np.mean(clipped) ** 0.5), 3)


def at_line(features: Features) -> dict[str, float]:
    """Give the carrier's frequency and its uncertainty from its line."""
    peak_hz, uncertainty_hz = features.carrier_peak
    return {
        "carrier_hz": features.burst.center_hz + peak_hz,
        "carrier_uncertainty_hz": float(np.hypot(uncertainty_hz, 0.01)),
    }
