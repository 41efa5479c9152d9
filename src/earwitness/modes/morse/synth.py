"""A keyed carrier sending text."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from earwitness.coding.morse_code import dot_s, keying
from earwitness.core.errors import ParameterError
from earwitness.core.types import Bits

RISE_S = 0.005  # raised-cosine edges, common practice against key clicks


def transmit(item: Mapping[str, Any], rate_hz: float) -> np.ndarray:
    """Give the transmission of an item, complex64 of unit mean power at 0 Hz.

    Keys: `text`, `words_per_minute` (20), `unevenness` (0: deviation of ln(length), for a hand), `seed` (0).
    """
    speed = float(item.get("words_per_minute", 20.0))
    runs = keying(str(item.get("text", "")))
    if not runs or not 1 <= speed <= 100:
        raise ParameterError(f"Morse of {item.get('text')!r} at {speed} words a minute: some text, 1 to 100")
    rng = np.random.default_rng(int(item.get("seed", 0)))
    lengths_s = np.array([length for _, length in runs]) * dot_s(speed)
    lengths_s = lengths_s * np.exp(float(item.get("unevenness", 0.0)) * rng.standard_normal(len(runs)))
    edges = np.round(np.cumsum(np.concatenate([[0.0], lengths_s])) * rate_hz).astype(int)
    key = np.zeros(int(edges[-1]))
    for (down, _), start, stop in zip(runs, edges[:-1], edges[1:], strict=True):
        key[start:stop] = down
    window = np.hanning(max(round(RISE_S * rate_hz), 1) + 2)[1:-1]
    key = np.convolve(key, window / window.sum(), "same")
    return (key / np.sqrt(np.mean(key**2))).astype(np.complex64)


def examples() -> list[dict[str, Any]]:
    """Give items of every kind."""
    return [
        {"text": "CQ CQ DE LX7QRM LX7QRM K", "words_per_minute": 18},
        {"text": "VVV DE QX1 = GALE WARNING 0815 SW 7/8 +", "words_per_minute": 25, "unevenness": 0.06},
    ]


def payloads(item: Mapping[str, Any]) -> list[Bits]:
    """Give the text as ASCII octets."""
    octets = " ".join(str(item["text"]).upper().split()).encode("ascii")
    return [Bits(int.from_bytes(octets, "big"), 8 * len(octets))]
