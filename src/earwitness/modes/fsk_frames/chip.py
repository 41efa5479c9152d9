"""Packets as FSK transceiver chips make them: sync word of 32 bits, length octet, data, CRC-16, whitened by PN9.

From memory of the chips' data sheets and design notes: whitening by x^9 + x^5 + 1 from all ones, each octet's
sequence bits least significant first; CRC-16 of x^16 + x^15 + x^2 + 1 from all ones over length and data. Other chips
take the CCITT polynomial from FFFF, from zero, or from 1D0F and complemented.

Sync words of 16 bits count only behind a preamble. Two of them are those of IEEE 802.15.4g for uncoded 2-FSK (from
memory): 16 bits of header (fourth: FCS of 16 bits instead of 32, fifth: whitened, last eleven: length with FCS), octets
least significant bit first, FCS of the CCITT polynomial from zero or CRC-32.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from itertools import combinations

import numpy as np

from earwitness.coding.crc import CRC16_IBM_3740, CRC16_KERMIT, CRC16_XMODEM, CRC32_ISO_HDLC, Crc
from earwitness.modes.fsk_frames.framing import Found, Word, number

CHIP_CRC = Crc("CRC-16/CMS", 16, 0x8005, 0xFFFF)
WORDS = (Word(0xD391D391, 32, 0), Word(0x352E352E, 32, 0))
FIXED = Word(0x930B51DE, 32, 3)
FIXED_OCTETS = 66  # of one fleet's fixed-length packets, with CRC
SHORT = (
    Word(0x2DD4, 16, 0),
    Word(0xD391, 16, 0),
    Word(0x2D2D, 16, 0),
    Word(0xAA7E, 16, 0),
)  # the last a flag
OPEN = (Word(0x904E, 16, 0), Word(0x7A0E, 16, 0))
CRCS = (
    CHIP_CRC,
    CRC16_IBM_3740,
    CRC16_XMODEM,
    Crc("CRC-16/1D0F, complemented", 16, 0x1021, 0x1D0F, xorout=0xFFFF),
)
PREAMBLE, PREAMBLE_ERRORS = 16, 1  # alternating bits before a short sync word, and how many may be wrong
SUSPECTS, PAIRED = 16, 8  # least sure symbols that are reversed alone, and in pairs
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
    size = len(octets)
    return (int.from_bytes(octets) ^ int.from_bytes(whitening(size))).to_bytes(size)


def repaired(
    soft: np.ndarray, read_bits: Callable[[np.ndarray, int], Found | None], size: int
) -> Found | None:
    """Give what is read from soft symbols (n,), positive is one; else what is with few uncertain ones reversed.

    Reversed are single ones and pairs of those of the `size` symbols behind a sync word of 32 bits that are least sure:
    of frames whose CRC is wrong for good, one in 1500 would pass.
    """
    bits = (soft > 0).astype(np.uint8)
    found = read_bits(bits, 0)
    if found is not None or len(soft) < 32 + size:
        return found
    weak = (32 + np.argsort(np.abs(soft[32 : 32 + size]), kind="stable")[:SUSPECTS]).tolist()
    for flips in [*combinations(weak, 1), *combinations(weak[:PAIRED], 2)]:
        bits[list(flips)] ^= 1
        found = read_bits(bits, 0)
        if found is not None:
            return replace(found, corrected=len(flips))
        bits[list(flips)] ^= 1
    return None


def length(bits: np.ndarray) -> int:
    """Give how many symbols a packet behind a sync word of 32 bits has when it is whitened."""
    octets = np.packbits(bits[32:40]).tobytes()
    return 8 * ((octets[0] ^ whitening(1)[0]) + 3) if octets else 0


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


def after_preamble(bits: np.ndarray, at: int) -> bool:
    """Tell whether bits alternate before bits[at]."""
    before = bits[max(at - PREAMBLE, 0) : at]
    return len(before) == PREAMBLE and int(np.sum(before[1:] == before[:-1])) <= 2 * PREAMBLE_ERRORS


def read_short(bits: np.ndarray, at: int, word: Word) -> Found | None:
    """Give the packet whose sync word of 16 bits, behind a preamble, begins at bits[at]."""
    octets = np.packbits(bits[at + 16 : at + 16 + 8 * 258]).tobytes()
    for name, plain in (("whitened", whiten(octets)), ("not whitened", octets)):
        size = plain[0] if plain else 0
        if size < LEAST or size + 3 > len(plain) or len(set(plain[1 : size + 1])) < 2:
            continue
        for crc in CRCS:
            if crc.of(plain[: size + 1]) == int.from_bytes(plain[size + 1 : size + 3], "big"):
                sync = f"{word.value:04X}"
                check = f"{crc.name} over length and {size} octets, after preamble and sync word {sync}"
                extra = {"sync": sync, "whitening": name}
                stop = at + 16 + 8 * (size + 3)
                return Found(plain[1 : size + 1], at, stop, "chip packet", check, 0, extra)
    return None


def read_open(bits: np.ndarray, at: int, word: Word) -> Found | None:
    """Give the packet of IEEE 802.15.4g whose sync word, behind a preamble, begins at bits[at]."""
    header = number(bits[at + 16 : at + 32])
    size = header & 0x7FF
    check = 2 if header & 0x1000 else 4
    body = bits[at + 32 : at + 32 + 8 * size]
    if header & 0xE000 or size < LEAST + check or len(body) < 8 * size:
        return None
    octets = np.packbits(body, bitorder="little").tobytes()
    if header & 0x0800:
        octets = whiten(octets)
    data, fcs = octets[:-check], int.from_bytes(octets[-check:], "little")
    if len(set(data)) < 2:
        return None
    for crc in (CRC16_KERMIT,) if check == 2 else (CRC32_ISO_HDLC,):
        if crc.of(data) == fcs:
            sync = f"{word.value:04X}"
            extra = {"sync": sync, "whitening": "whitened" if header & 0x0800 else "not whitened"}
            name = f"{crc.name} over {len(data)} octets, after preamble and sync word {sync}"
            return Found(data, at, at + 32 + 8 * size, "IEEE 802.15.4g packet", name, 0, extra)
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
