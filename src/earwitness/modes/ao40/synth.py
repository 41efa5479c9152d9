"""A transmitter for scenes and tests: one frame as differential phase reversals."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from earwitness.core.errors import LayoutError
from earwitness.core.types import Bits
from earwitness.dsp.filters import root_raised_cosine
from earwitness.modes.ao40 import code

BAUD_HZ = 1200.0
LEAD_SYMBOLS, TAIL_SYMBOLS = 120, 60
FINE, SPAN = 32, 6


def data_of(item: Mapping[str, Any]) -> bytes:
    """Give the 256 octets of an item: its text, filled up with the numbers from 0."""
    words = str(item["text"]).encode("utf-8")
    if len(words) > code.DATA_OCTETS:
        raise LayoutError(f"{len(words)} octets of text; {code.DATA_OCTETS} fit a frame")
    return words + bytes(range(code.DATA_OCTETS - len(words)))


def reversals(item: Mapping[str, Any]) -> np.ndarray:
    """Give the phases as +-1: ahead of the frame and after it alternate ones and zeros."""
    idle = np.tile(np.array([1, 0], np.uint8), LEAD_SYMBOLS // 2)
    symbols = np.concatenate([idle, code.encode(data_of(item)), idle[:TAIL_SYMBOLS]])
    return 1.0 - 2.0 * (np.cumsum(1 - symbols.astype(np.int64)) & 1)


def transmit(item: Mapping[str, Any], rate_hz: float) -> np.ndarray:
    """Give the burst, complex64 shape (n,), 0 Hz carrier, unit mean power."""
    levels = reversals(item)
    pulse = root_raised_cosine(0.5, FINE, SPAN)
    fine = np.zeros(len(levels) * FINE)
    fine[::FINE] = levels
    shaped = np.convolve(fine, pulse)
    at = np.arange(int(len(shaped) / FINE / BAUD_HZ * rate_hz)) * (BAUD_HZ * FINE / rate_hz)
    out = np.interp(at, np.arange(len(shaped)), shaped)
    return (out / np.sqrt(np.mean(out**2))).astype(np.complex64)


def payloads(item: Mapping[str, Any]) -> list[Bits]:
    """Give what a right receiver reports: the 256 octets."""
    return [Bits(int.from_bytes(data_of(item), "big"), 8 * code.DATA_OCTETS)]


def examples() -> list[dict[str, Any]]:
    """Give an item; its text is invented."""
    return [{"text": "invented telemetry: 7.9 V 0.31 A 21 C"}]
