"""A satellite nobody launched sends clouds nobody saw."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from earwitness.core.errors import ParameterError
from earwitness.core.types import Bits
from earwitness.modes.apt.line import (
    CHANNEL,
    CYCLES,
    DEVIATION_HZ,
    GREYS,
    LEAST,
    LINES_PER_S,
    MARK_LINES,
    MINUTE_LINES,
    SPACE,
    SUBCARRIER_HZ,
    SYNC,
    SYNC_A,
    SYNC_B,
    VIDEO,
    WEDGE_LINES,
    WEDGES,
    WORDS,
    sync_words,
)


def pictures(item: Mapping[str, Any]) -> list[np.ndarray]:
    """Give the lines as sent, uint8 (lines, 2080)."""
    lines, seed = int(item.get("lines", 60)), int(item.get("seed", 1))
    if not 1 <= lines <= 3000:
        raise ParameterError(f"{lines} lines are no pass")
    first = int(item.get("first_line", 0))
    out = np.empty((lines, WORDS))
    rng = np.random.default_rng(seed)
    ids = item.get("channels", (2, 4))
    calibration = rng.uniform(0.3, 0.7, 6)
    number = first + np.arange(lines)
    marked = number % MINUTE_LINES < MARK_LINES
    for channel, pattern in enumerate((SYNC_A, SYNC_B)):
        at = channel * CHANNEL
        space = float(channel)
        out[:, at : at + SYNC] = sync_words(pattern)
        out[:, at + SYNC : at + SYNC + SPACE] = np.where(marked, 1 - space, space)[:, None]
        out[:, at + SYNC + SPACE : at + SYNC + SPACE + VIDEO] = _clouds(rng, number)
        wedges = np.array([*GREYS, *calibration, GREYS[int(ids[channel]) - 1]])
        out[:, at + SYNC + SPACE + VIDEO : at + CHANNEL] = wedges[number // WEDGE_LINES % WEDGES][:, None]
    return [np.round(255 * out).astype(np.uint8)]


def _clouds(rng: np.random.Generator, number: np.ndarray) -> np.ndarray:
    x, y = np.arange(VIDEO) / VIDEO, number[:, None] / VIDEO
    field = np.zeros((len(number), VIDEO))
    for _ in range(40):
        fx, fy = rng.normal(0, 9.0, 2)
        field += rng.normal() / (1 + np.hypot(fx, fy)) * np.cos(2 * np.pi * (fx * x + fy * y + rng.random()))
    return np.clip(0.5 + 0.25 * field / field.std(), 0, 1)


def sound(item: Mapping[str, Any], rate_hz: float) -> np.ndarray:
    """Give the audio of an item, float64 (n,), at most 1.

    Keys: `lines` (60), `seed`, `first_line` (0), `channels` (the numbers of wedge 16), `clock_ppm` (0), `drift_ppm`
    (0: by so much the clock changes over the whole, as Doppler does).
    """
    page = pictures(item)[0].astype(np.float64) / 255
    seconds = len(page) / LINES_PER_S
    count = int(seconds * rate_hz)
    ppm = float(item.get("clock_ppm", 0.0)), float(item.get("drift_ppm", 0.0))
    time_s = np.arange(count) / rate_hz
    lines = LINES_PER_S * time_s * (1 - 1e-6 * (ppm[0] + ppm[1] * (time_s / seconds - 0.5) * 0.5))
    word = lines * WORDS - 0.5
    level = np.interp(word, np.arange(page.size), page.ravel())  # the transmitter's filter rounds the words
    return (LEAST + (1 - LEAST) * level) * np.cos(2 * np.pi * CYCLES * lines)


def transmit(item: Mapping[str, Any], rate_hz: float) -> np.ndarray:
    """Give the FM transmission of an item, complex64 of unit power at 0 Hz. For keys see `sound`."""
    if rate_hz < 4 * SUBCARRIER_HZ:
        raise ParameterError(f"{rate_hz} Hz are too few for this")
    turn = np.cumsum(sound(item, rate_hz)) * (DEVIATION_HZ / rate_hz)
    return np.exp(2j * np.pi * (turn % 1.0)).astype(np.complex64)


def examples() -> list[dict[str, Any]]:
    """Give items of every kind."""
    return [
        {"lines": 60, "seed": 1, "first_line": 30},
        {"lines": 50, "seed": 2, "first_line": 100, "clock_ppm": 120},
        {"lines": 150, "seed": 3, "channels": [3, 5], "clock_ppm": -60, "drift_ppm": 40},
    ]


def payloads(item: Mapping[str, Any]) -> list[Bits]:
    """Give nothing: a picture carries no bits."""
    return []
