"""The AO-40 code: two Reed-Solomon words, scrambler, convolutional code, and an interleaver with a sync column.

From memory of the published format; every step agrees with a frame recorded off the air (all 65 sync symbols and
both words without an error). 256 octets go alternately into two words of (160,128), CCSDS Reed-Solomon in
the conventional basis shortened; their 320 octets, again alternately, are added to the CCSDS sequence; rate 1/2,
K = 7, as CCSDS has it, with six zeros of tail gives 5132 symbols. They are written down the columns 1 to 79 of
65 rows of 80 (the last three places are unused), column 0 holds 65 bits of a shift register sequence, and rows
are sent. A one is sent as no change of phase.
"""

from __future__ import annotations

from functools import cache
from math import comb, log10

import numpy as np

from earwitness.coding import viterbi
from earwitness.coding.reed_solomon import ReedSolomon
from earwitness.coding.scramble import ccsds_sequence
from earwitness.core.errors import LayoutError

ROWS, COLUMNS = 65, 80
SYMBOLS = ROWS * COLUMNS
DATA_OCTETS, WORD, PARITY = 256, 160, 32
BITS = 8 * 2 * WORD
CODED = 2 * (BITS + viterbi.MEMORY)
BELIEVED = -20.0  # log10 of the chance that random bits pass


@cache
def _code() -> ReedSolomon:
    return ReedSolomon(PARITY, 0x187, 112, 11)


@cache
def _sequence() -> np.ndarray:
    return np.frombuffer(ccsds_sequence(2 * WORD), np.uint8)


@cache
def sync_bits() -> np.ndarray:
    """Give the 65 bits of the sync column, uint8: x^7 + x^4 + 1 from ones, most significant stage out."""
    out, register = [], 0x7F
    for _ in range(ROWS):
        out.append(register >> 6 & 1)
        register = register << 1 & 0x7F | (register & 0x48).bit_count() & 1
    return np.array(out, np.uint8)


def encode(data: bytes) -> np.ndarray:
    """Give the 5200 symbols of 256 octets, uint8; raises LayoutError for another size."""
    if len(data) != DATA_OCTETS:
        raise LayoutError(f"{len(data)} octets; {DATA_OCTETS} make a frame")
    block = bytearray(2 * WORD)
    for k in (0, 1):
        block[k::2] = _code().encode(data[k::2])
    plain = np.frombuffer(bytes(block), np.uint8) ^ _sequence()
    bits = np.concatenate([np.unpackbits(plain), np.zeros(viterbi.MEMORY, np.uint8)])
    columns = np.zeros((COLUMNS, ROWS), np.uint8)
    columns[0] = sync_bits()
    columns[1:].reshape(-1)[:CODED] = viterbi.encode(bits)
    return np.ascontiguousarray(columns.T).reshape(-1)


def decode(soft: np.ndarray) -> tuple[bytes, list[int], float] | None:
    """Give data, wrong octets of each word and agreement of the path of 5200 soft symbols; None unless both decode."""
    columns = np.ascontiguousarray(soft.reshape(ROWS, COLUMNS)[:, 1:].T, np.float32).reshape(-1)[:CODED]
    bits, agreement = viterbi.decode(columns, start=0, stop=0)
    block = np.packbits(bits[:BITS]) ^ _sequence()
    data = bytearray(DATA_OCTETS)
    wrong = []
    chance = 0.0
    for k in (0, 1):
        got = _code().decode(block[k::2].tobytes())
        if got is None:
            return None
        data[k::2] = got[0]
        wrong.append(got[1])
        chance += log10(sum(comb(WORD, n) * 255**n for n in range(got[1] + 1))) - PARITY * log10(256)
    if chance > BELIEVED or len(set(data)) < 2:
        return None
    return bytes(data), wrong, agreement
