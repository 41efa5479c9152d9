"""Frames of an open packet protocol for amateur FSK: sync word, size tag, Reed-Solomon word of one of seven sizes.

From memory of the protocol's published description alone, not met off the air yet: sync word 5DE62A7E; a tag of 24 bits,
one of seven far apart, tells the size; the word is added to the CCSDS sequence; its data are an octet (the lowest five
bits count the padding at the end), the payload, and the FCS of ISO/IEC 13239 over both.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from earwitness.coding.crc import CRC16_IBM_SDLC
from earwitness.coding.reed_solomon import ReedSolomon
from earwitness.coding.scramble import ccsds_sequence
from earwitness.modes.fsk_frames.framing import Found, Word, number

SYNC = Word(0x5DE62A7E, 32, 3)
SIZES = {  # tag: octets of the word, check octets among them
    0x3B49CD: (47, 16), 0x4DDA57: (79, 16), 0x76939A: (111, 16), 0x9BB4AE: (159, 32),
    0xA0FD63: (191, 32), 0xD66EF9: (223, 32), 0xED2734: (255, 32),
}  # fmt: skip
TAG_ERRORS = 5
FIRST_ROOTS = (112, 120)  # of the code with 16 check octets it is not sure which; with 32 it is the first


@cache
def _code(parity: int, first: int) -> ReedSolomon:
    return ReedSolomon(parity, 0x187, first, 11)


def read(bits: np.ndarray, at: int) -> Found | None:
    """Give the frame whose sync word begins at bits[at]."""
    tag = number(bits[at + 32 : at + 56])
    wrong, nearest = min(((tag ^ each).bit_count(), each) for each in SIZES)
    size, parity = SIZES[nearest]
    first = at + 56
    body = bits[first : first + 8 * size]
    if wrong > TAG_ERRORS or len(body) < 8 * size:
        return None
    block = np.packbits(body) ^ np.frombuffer(ccsds_sequence(255), np.uint8)[:size]
    for root in FIRST_ROOTS[: 2 if parity == 16 else 1]:
        got = _code(parity, root).decode(block.tobytes())
        if got is None:
            continue
        data, corrected = got
        end = len(data) - 2 - (data[0] & 31)
        if end < 2 or CRC16_IBM_SDLC.of(data[:end]) != int.from_bytes(data[end : end + 2], "big"):
            continue
        name = f"Reed-Solomon ({size},{size - parity}) shortened, and CRC-16 inside"
        extra = {"sync": f"{SYNC.value:08X}", "flags": data[0] >> 5}
        return Found(data[1:end], at, first + 8 * size, "sync word, size tag", name, corrected, extra)
    return None
