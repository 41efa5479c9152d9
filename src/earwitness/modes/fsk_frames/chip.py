"""Packets as FSK transceiver chips make them: sync word of 32 bits, length octet, data, CRC-16, whitened by PN9.

From memory of the chips' data sheets and design notes: whitening by x^9 + x^5 + 1 from all ones, each octet's
sequence bits least significant first; CRC-16 of x^16 + x^15 + x^2 + 1 from all ones over length and data.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from earwitness.coding.crc import Crc
from earwitness.modes.fsk_frames.framing import Found, Word

CHIP_CRC = Crc("CRC-16/CMS", 16, 0x8005, 0xFFFF)
WORDS = (Word(0xD391D391, 32, 0), Word(0x352E352E, 32, 0))
FIXED = Word(0x930B51DE, 32, 3)
FIXED_OCTETS = 66  # of one fleet's fixed-length packets, with CRC
LEAST = 4  # octets of data: less is noise's more often


@cache
def whitening(octets: int) -> bytes:
    """Give the PN9 sequence in octets."""
    state, out = 0x1FF, bytearray()
    for _ in range(octets):
        out.append(state & 0xFF)
        for _ in range(8):
            state = state >> 1 | ((state ^ state >> 5) & 1) << 8
    return bytes(out)


def whiten(octets: bytes) -> bytes:
    """Add the sequence to octets, or take it off again."""
    return bytes(a ^ b for a, b in zip(octets, whitening(len(octets)), strict=True))


def read(bits: np.ndarray, at: int) -> Found | None:
    """Give the packet whose sync word, all bits right, begins at bits[at]."""
    octets = np.packbits(bits[at + 32 : at + 32 + 8 * 258]).tobytes()
    for name, plain in (("whitened", whiten(octets)), ("not whitened", octets)):
        size = plain[0] if plain else 0
        if size < LEAST or size + 3 > len(plain) or len(set(plain[1 : size + 1])) < 2:
            continue
        if CHIP_CRC.of(plain[: size + 1]) == int.from_bytes(plain[size + 1 : size + 3], "big"):
            sync = "".join(f"{octet:02X}" for octet in np.packbits(bits[at : at + 32]))
            check = f"CRC-16 over length and {size} octets, after sync word {sync}"
            stop = at + 32 + 8 * (size + 3)
            extra = {"sync": sync, "whitening": name}
            return Found(plain[1 : size + 1], at, stop, "chip packet", check, 0, extra)
    return None


def read_fixed(bits: np.ndarray, at: int) -> Found | None:
    """Give the packet of fixed length whose sync word begins at bits[at]."""
    octets = np.packbits(bits[at + 32 : at + 32 + 8 * FIXED_OCTETS]).tobytes()
    if len(octets) < FIXED_OCTETS:
        return None
    plain = whiten(octets)
    if CHIP_CRC.of(plain[:-2]) != int.from_bytes(plain[-2:], "big") or len(set(plain)) < 2:
        return None
    check = f"CRC-16 over {FIXED_OCTETS - 2} octets, after sync word 930B51DE"
    extra = {"sync": "930B51DE", "whitening": "whitened"}
    return Found(plain[:-2], at, at + 32 + 8 * FIXED_OCTETS, "chip packet of fixed length", check, 0, extra)
