"""A broadcast FM transmission with stereo pilot."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from earwitness.core.errors import ParameterError
from earwitness.core.types import Bits
from earwitness.dsp.audio import pre_emphasise
from earwitness.dsp.speech import speech_like

PEAK_HZ = 75_000.0
PILOT_SHARE = 0.09
AUDIO_HZ = 48_000.0
EMPHASIS_S = 50e-6


def transmit(item: Mapping[str, Any], rate_hz: float) -> np.ndarray:
    """Give the transmission of an item, complex64 of unit power at 0 Hz.

    Keys: `duration_s` (default 3), `seed` (0), `stereo` (true), `left_hz` and `right_hz` (steady tones
    instead of talkers in the two channels). The rate must be 130 kHz or more.
    """
    duration_s = float(item.get("duration_s", 3.0))
    if not 0 < duration_s <= 600 or rate_hz < 130_000:
        raise ParameterError(f"broadcast FM of {duration_s} s at {rate_hz} Hz: up to 600 s, 130 kHz or more")
    count = round(duration_s * rate_hz)
    time_s = np.arange(count) / rate_hz
    stereo = bool(item.get("stereo", True))
    left = _programme(item.get("left_hz"), int(item.get("seed", 0)), duration_s, time_s)
    right = (
        _programme(item.get("right_hz"), int(item.get("seed", 0)) + 1, duration_s, time_s) if stereo else left
    )
    share = 1 - PILOT_SHARE if stereo else 1.0
    composite = share * (left + right) / 2
    if stereo:
        turn = 2 * np.pi * 19_000.0 * time_s
        composite = composite + share * (left - right) / 2 * np.sin(2 * turn) + PILOT_SHARE * np.sin(turn)
    return np.exp(2j * np.pi * np.cumsum(composite * PEAK_HZ) / rate_hz).astype(np.complex64)


def _programme(tone_hz: float | None, seed: int, duration_s: float, time_s: np.ndarray) -> np.ndarray:
    if tone_hz:
        return 0.7 * np.sin(2 * np.pi * float(tone_hz) * time_s)
    audio = pre_emphasise(speech_like(duration_s, AUDIO_HZ, seed), EMPHASIS_S, AUDIO_HZ, unity_hz=0.0)
    audio = 0.8 * audio / max(float(np.max(np.abs(audio))), 1e-9)
    return np.interp(time_s, np.arange(len(audio)) / AUDIO_HZ, audio)


def examples() -> list[dict[str, Any]]:
    """Give items of every kind."""
    return [{"duration_s": 3.0, "seed": 1}, {"duration_s": 2.0, "seed": 3, "stereo": False}]


def payloads(item: Mapping[str, Any]) -> list[Bits]:
    """Give nothing: a programme carries no bits here."""
    return []
