"""Frames of satellite transceivers: sync word, length in a Golay word, Reed-Solomon, scrambled, perhaps convolutional.

From memory of data sheets; the Golay matrix, flags, scrambler, code and symbol order agree with frames of two recorded
satellites (sync word C3AA6655). The length word of 24 bits is 12 check bits, then 12 bits: four flags and a count of
octets. What follows is Reed-Solomon (255,223) shortened, conventional basis, added to the CCSDS sequence; with the
convolutional flag the count is of coded octets: rate 1/2, K = 7, G2's symbol first, none inverted, eight bits of tail.
With sync word 930B51DE the frame is the same without flags and convolutional code. With that word behind the packet radio scrambler, an octet of length stands in place of the Golay word and no
CCSDS sequence is added. Both of these are from memory alone.
"""

from __future__ import annotations

from functools import cache
from math import comb, log10

import numpy as np

from earwitness.coding import viterbi
from earwitness.coding.reed_solomon import ReedSolomon
from earwitness.coding.scramble import ccsds_sequence
from earwitness.modes.fsk_frames.framing import Found, Word, number

FLAGGED = Word(0xC3AA6655, 32, 3)
UNFLAGGED = SCRAMBLED = Word(0x930B51DE, 32, 3)
CONVOLUTIONAL = 0x100
CODED = 0x600  # Reed-Solomon and scrambler: which is which the recordings do not tell
PARITY = 32
FRAMING = "sync word, length, Reed-Solomon"
BELIEVED = -12.0  # log10 of the chance that random bits pass, per sync word
WORD_BITS, WORD_ERRORS = 24, 3  # of the Golay word, and what it corrects
# Check bits of each data bit of the extended Golay code in its usual circulant form (from memory; distance 8, tested)
GOLAY_ROWS = (0x8ED, 0x1DB, 0x3B5, 0x769, 0xED1, 0xDA3, 0xB47, 0x68F, 0xD1D, 0xA3B, 0x477, 0xFFE)


@cache
def golay_words() -> np.ndarray:
    """Give the words of the extended Golay code (24,12), int64 (4096,): 12 check bits, then the 12 data bits."""
    data = np.arange(4096)
    checks = np.zeros(4096, np.int64)
    for row in GOLAY_ROWS:
        checks = checks << 1 | np.bitwise_count(data & row) & 1
    return checks << 12 | data


def golay_decode(word: int) -> int | None:
    """Give the 12 data bits of a 24-bit word with at most three wrong bits, else None."""
    away = np.bitwise_count(golay_words() ^ word)
    best = int(away.argmin())
    return best if away[best] <= WORD_ERRORS else None


@cache
def _code() -> ReedSolomon:
    return ReedSolomon(PARITY, 0x187, 112, 11)


def _decoded(block: bytes) -> tuple[bytes, int] | None:
    """Give the data of a Reed-Solomon word and how many octets were wrong, unless chance could have made it."""
    if not PARITY < len(block) <= 255:
        return None
    got = _code().decode(block)
    if got is None or len(set(got[0])) < 2:
        return None
    inside = sum(comb(len(block), k) * 255**k for k in range(got[1] + 1))
    return got if log10(inside) - PARITY * log10(256) <= BELIEVED else None


@cache
def _sequence() -> np.ndarray:
    return np.frombuffer(ccsds_sequence(255), np.uint8)


def _unscrambled(block: bytes) -> bytes:
    return (np.frombuffer(block, np.uint8) ^ _sequence()[: len(block)]).tobytes()


def _found(got: tuple[bytes, int], size: int, at: int, stop: int, sync: Word, how: str) -> Found:
    name = f"Reed-Solomon ({size},{size - PARITY}) shortened from 255,223{how}"
    extra = {"sync": f"{sync.value:08X}", "coding": name}
    return Found(got[0], at, stop, FRAMING, name, got[1], extra)


def _length(soft: np.ndarray, at: int) -> tuple[int, int, np.ndarray] | None:
    """Give flags and count of the length word behind the sync word at soft[at], and the symbols it counts."""
    bits = (soft[at + 32 : at + 32 + WORD_BITS] > 0).astype(np.uint8)
    data = golay_decode(number(bits)) if len(bits) == WORD_BITS else None
    if data is None:
        return None
    size, first = data & 0xFF, at + 32 + WORD_BITS
    body = soft[first : first + 8 * size]
    return (data, size, body) if len(body) == 8 * size else None


def read_unflagged(soft: np.ndarray, at: int) -> Found | None:
    """Give the frame whose sync word begins at soft[at] (float32, positive is one): no flags, one code for all."""
    head = _length(soft, at)
    got = _decoded(_unscrambled(np.packbits(head[2] > 0).tobytes())) if head else None
    if head is None or got is None:
        return None
    return _found(got, head[1], at, at + 32 + WORD_BITS + len(head[2]), UNFLAGGED, "")


def read(soft: np.ndarray, at: int) -> Found | None:
    """Give the frame whose sync word begins at soft[at] (float32, positive is one)."""
    head = _length(soft, at)
    if head is None or head[0] & CODED != CODED:
        return None  # nothing to check it by
    data, size, body = head
    first = at + 32 + WORD_BITS
    if data & CONVOLUTIONAL:
        if size < 4 or size % 2:
            return None
        swapped = np.ascontiguousarray(body.reshape(-1, 2)[:, ::-1]).reshape(-1)
        plain, _ = viterbi.decode(swapped, invert_second=False, start=0)
        size = size // 2 - 1
        got = _decoded(_unscrambled(np.packbits(plain).tobytes()[:size]))
        how = ", after the convolutional code"
    else:
        got = _decoded(_unscrambled(np.packbits(body > 0).tobytes()))
        how = ""
    return _found(got, size, at, first + len(body), FLAGGED, how) if got else None


def read_octet_length(bits: np.ndarray, at: int) -> Found | None:
    """Give the frame behind the packet radio scrambler whose sync word begins at bits[at], descrambled."""
    octets = np.packbits(bits[at + 32 : at + 32 + 8 * 256]).tobytes()
    if not octets:
        return None
    tried = [(octets[1:size], size) for size in (octets[0], octets[0] + 1) if size <= len(octets)]
    results = [(got, size) for block, size in tried if (got := _decoded(block)) is not None]
    if not results:
        return None
    got, size = min(results, key=lambda item: item[0][1])  # a word an octet too long has one wrong octet more
    how = ", behind the packet radio scrambler"
    return _found(got, size - 1, at, at + 32 + 8 * size, SCRAMBLED, how)
