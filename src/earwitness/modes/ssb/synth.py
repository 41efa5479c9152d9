"""An SSB voice transmission for scenes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from earwitness.core.errors import ParameterError
from earwitness.core.types import Bits
from earwitness.dsp import fft
from earwitness.dsp.audio import AUDIO_RATE_HZ, band_pass, pre_emphasise, press
from earwitness.dsp.speech import speech_like

SHAPE_S = 150e-6


def transmit(item: Mapping[str, Any], rate_hz: float) -> np.ndarray:
    """Give the transmission of an item, complex64 of unit mean power; the suppressed carrier is at 0 Hz.

    Keys: `duration_s` (default 4), `seed` (0), `sideband` ("upper"; or "lower").
    """
    duration_s = float(item.get("duration_s", 4.0))
    sideband = item.get("sideband", "upper")
    if not 0 < duration_s <= 3600 or sideband not in ("upper", "lower") or rate_hz < 7_000:
        raise ParameterError(f"SSB voice of {duration_s} s, {sideband!r} sideband, at {rate_hz} Hz")
    audio = speech_like(duration_s, AUDIO_RATE_HZ, int(item.get("seed", 0)))
    audio = press(band_pass(pre_emphasise(audio, SHAPE_S, AUDIO_RATE_HZ), 300.0, 2_700.0))
    audio = band_pass(audio, 300.0, 2_700.0)
    spectrum = fft.forward(audio.astype(np.complex64))
    spectrum[len(audio) // 2 :] = 0  # the analytic signal: positive frequencies only
    wanted = round(duration_s * rate_hz)
    out = np.zeros(wanted, np.complex64)
    keep = min(wanted, len(audio)) // 2
    out[:keep] = spectrum[:keep]
    iq = fft.inverse(out)
    if sideband == "lower":
        iq = np.conj(iq)
    return (iq / np.sqrt(np.mean(np.abs(iq) ** 2))).astype(np.complex64)


def examples() -> list[dict[str, Any]]:
    """Give items of every kind."""
    return [{"duration_s": 5.0, "seed": 1}, {"duration_s": 5.0, "seed": 2, "sideband": "lower"}]


def payloads(item: Mapping[str, Any]) -> list[Bits]:
    """Give nothing: voice carries no bits."""
    return []
