"""An AM voice transmission for scenes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from earwitness.core.errors import ParameterError
from earwitness.core.types import Bits
from earwitness.dsp.audio import AUDIO_RATE_HZ, band_pass, pre_emphasise, press
from earwitness.dsp.speech import speech_like

SHAPE_S = 150e-6  # microphones and modulators lift the high notes a little


def transmit(item: Mapping[str, Any], rate_hz: float) -> np.ndarray:
    """Give the transmission of an item, complex64 of unit mean power at 0 Hz.

    Keys: `duration_s` (default 3), `seed` (0), `depth` (0.85), `voice` (true; false leaves a bare carrier).
    """
    duration_s = float(item.get("duration_s", 3.0))
    depth = float(item.get("depth", 0.85))
    if not (0 < duration_s <= 3600 and 0 < depth <= 1):
        raise ParameterError(f"AM voice of {duration_s} s and depth {depth}: up to 3600 s, depth up to 1")
    count = round(duration_s * rate_hz)
    envelope = np.ones(count)
    if item.get("voice", True):
        audio = speech_like(duration_s, AUDIO_RATE_HZ, int(item.get("seed", 0)))
        audio = press(band_pass(pre_emphasise(audio, SHAPE_S, AUDIO_RATE_HZ)))
        envelope += depth * np.interp(
            np.arange(count) / rate_hz, np.arange(len(audio)) / AUDIO_RATE_HZ, audio
        )
    envelope /= np.sqrt(np.mean(envelope**2))
    return envelope.astype(np.complex64)


def examples() -> list[dict[str, Any]]:
    """Give items of every kind."""
    return [{"duration_s": 3.0, "seed": 1}, {"duration_s": 5.0, "seed": 2, "depth": 0.6}]


def payloads(item: Mapping[str, Any]) -> list[Bits]:
    """Give nothing: voice carries no bits."""
    return []
