"""An FM voice transmission for scenes: speech-like audio, with or without tone or code."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from earwitness.coding.golay import DCS_CODES, dcs_word
from earwitness.core.errors import ParameterError
from earwitness.core.types import Bits
from earwitness.dsp.audio import AUDIO_RATE_HZ, band_pass, pre_emphasise, press
from earwitness.dsp.speech import speech_like
from earwitness.dsp.tones import DCS_RATE_HZ

EMPHASIS_S = 750e-6
TONE_SHARE = 0.12  # of the deviation; 500 to 1000 Hz of 5000 (service manuals)


def transmit(item: Mapping[str, Any], rate_hz: float) -> np.ndarray:
    """Give the transmission of an item, complex64 of unit power at 0 Hz.

    Keys: `duration_s` (default 3), `seed` (0), `deviation_hz` (5000; 2500 in 12.5 kHz channels),
    `ctcss_hz`, `dcs` (octal text), `dcs_inverted`, `voice` (true; false leaves a bare carrier with its
    tone), `tail_s` (0: unmodulated carrier with the turn-off tone of a code, at the end).
    """
    duration_s = float(item.get("duration_s", 3.0))
    deviation_hz = float(item.get("deviation_hz", 5_000.0))
    tail_s = min(float(item.get("tail_s", 0.0)), duration_s)
    if not (0 < duration_s <= 3600 and 0 < deviation_hz <= 10_000):
        raise ParameterError(
            f"FM voice of {duration_s} s and {deviation_hz} Hz deviation: up to 3600 s, 10 kHz"
        )
    count = round(duration_s * rate_hz)
    time_s = np.arange(count) / rate_hz
    talking = time_s < duration_s - tail_s
    hz = np.zeros(count)
    if item.get("voice", True):
        audio = speech_like(duration_s, AUDIO_RATE_HZ, int(item.get("seed", 0)))
        audio = press(band_pass(pre_emphasise(audio, EMPHASIS_S, AUDIO_RATE_HZ)))
        hz += (
            np.interp(time_s, np.arange(len(audio)) / AUDIO_RATE_HZ, audio)
            * deviation_hz
            * (1 - TONE_SHARE)
            * talking
        )
    tone_hz = item.get("ctcss_hz")
    if tone_hz:
        hz += TONE_SHARE * deviation_hz * np.sin(2 * np.pi * float(tone_hz) * time_s) * talking
    code = item.get("dcs")
    if code:
        if code not in DCS_CODES:
            raise ParameterError(f"{code!r} is not a standard code; they are {' '.join(DCS_CODES)}")
        word = dcs_word(code)
        place = (time_s * DCS_RATE_HZ).astype(int)
        bits = np.array([word >> n & 1 for n in range(23)])[place % 23] * 2.0 - 1
        off = np.sign(np.sin(2 * np.pi * DCS_RATE_HZ * time_s))  # turn-off: a steady 134.4 Hz
        wave = np.where(talking, bits, off)
        sign = -1 if item.get("dcs_inverted") else 1
        hz += sign * TONE_SHARE * deviation_hz * smooth(wave, rate_hz)
    return np.exp(2j * np.pi * np.cumsum(hz) / rate_hz).astype(np.complex64)


def smooth(wave: np.ndarray, rate_hz: float) -> np.ndarray:
    """Give a code's square wave through a gentle low-pass of about 250 Hz, as transmitters do."""
    size = max(round(rate_hz / 500), 1)
    window = np.hanning(size + 2)[1:-1]
    return np.convolve(wave, window / window.sum(), "same")


def examples() -> list[dict[str, Any]]:
    """Give items of every kind."""
    return [
        {"duration_s": 4.0, "seed": 1},
        {"duration_s": 4.0, "seed": 2, "ctcss_hz": 136.5},
        {"duration_s": 4.0, "seed": 3, "dcs": "023"},
        {"duration_s": 4.0, "seed": 4, "dcs": "172", "dcs_inverted": True},
        {"duration_s": 4.0, "seed": 5, "ctcss_hz": 67.0, "deviation_hz": 2_500.0},
    ]


def payloads(item: Mapping[str, Any]) -> list[Bits]:
    """Give nothing: voice carries no bits."""
    return []
