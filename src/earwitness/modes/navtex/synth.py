"""A transmitter of forward-error-correction broadcasts, as ITU-R M.540 and M.625 describe them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from earwitness.coding.ccir476 import broadcast_bits, to_indices
from earwitness.core.errors import ParameterError
from earwitness.core.types import Bits

BAUD = 100.0
SHIFT_HZ = 170.0
MOST_CHARACTERS = 20_000


def full_text(item: Mapping[str, Any]) -> str:
    """Give the message of an item from ZCZC to NNNN, lines ended by CR LF."""
    text = str(item.get("text", "")).upper().replace("\r\n", "\n").replace("\n", "\r\n")
    station, subject = str(item.get("station", "")).upper(), str(item.get("subject", "")).upper()
    serial = int(item.get("serial", -1))
    if len(station) != 1 or len(subject) != 1 or not 0 <= serial <= 99 or len(text) > MOST_CHARACTERS:
        raise ParameterError(
            f"message {station!r} {subject!r} {serial}: one letter of station and subject, serial 0 to 99, "
            f"at most {MOST_CHARACTERS} characters"
        )
    return f"ZCZC {station}{subject}{serial:02d}\r\n{text}\r\nNNNN"


def keyed(bits: np.ndarray, rate_hz: float, *, baud: float = BAUD, shift_hz: float = SHIFT_HZ) -> np.ndarray:
    """Give phase-continuous two-tone keying of bits (n,), complex64 of magnitude one; one is the higher tone."""
    count = int(len(bits) * rate_hz / baud)
    level = bits[np.minimum((np.arange(count) * (baud / rate_hz)).astype(int), len(bits) - 1)]
    turns = np.cumsum(np.where(level > 0, 0.5, -0.5)) * (shift_hz / rate_hz)
    return np.exp(2j * np.pi * turns).astype(np.complex64)


def transmit(item: Mapping[str, Any], rate_hz: float) -> np.ndarray:
    """Give the broadcast of one message, complex64 of unit mean power at 0 Hz.

    Keys: `station` and `subject` (letters), `serial` (0 to 99), `text`, `phasing_pairs` (16).
    """
    characters = to_indices(full_text(item) + "\r\n\n")
    bits = broadcast_bits(characters, phasing_pairs=max(2, int(item.get("phasing_pairs", 16))))
    return keyed(bits, rate_hz)


def examples() -> list[dict[str, Any]]:
    """Give items of several subjects; stations, places and names are invented."""
    return [
        {
            "station": "Q",
            "subject": "A",
            "serial": 41,
            "text": "HOLLOW SOUND. BUOY NO 7 UNLIT\nPOSITION 58-12.5N 012-30.0W",
        },
        {"station": "Q", "subject": "B", "serial": 7, "text": "GALE WARNING: SW 8, SOON"},
        {"station": "J", "subject": "D", "serial": 0, "text": "YACHT OVERDUE (WHITE, 9 M)\nREPORT SIGHTINGS"},
    ]


def payloads(item: Mapping[str, Any]) -> list[Bits]:
    """Give the message from ZCZC to NNNN as ASCII octets, lines ended by CR LF."""
    octets = full_text(item).encode("ascii")
    return [Bits(int.from_bytes(octets, "big"), 8 * len(octets))]
