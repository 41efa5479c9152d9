"""The binary Golay code (23,12), and the 23-bit words of digital squelch (CDCSS) that it makes."""

from __future__ import annotations

from functools import cache
from itertools import combinations

GENERATOR = 0xC75  # x^11+x^10+x^6+x^5+x^4+x^2+1; its reciprocal 0xAE3 makes the mirrored code

# Standard codes of digital coded squelch, octal (TIA-603 practice; list as printed in radio service manuals)
# fmt: off
DCS_CODES: tuple[str, ...] = (
    "023", "025", "026", "031", "032", "043", "047", "051", "054", "065", "071", "072", "073", "074",
    "114", "115", "116", "125", "131", "132", "134", "143", "152", "155", "156", "162", "165", "172",
    "174", "205", "223", "226", "243", "244", "245", "251", "261", "263", "265", "271", "306", "311",
    "315", "331", "343", "346", "351", "364", "365", "371", "411", "412", "413", "423", "431", "432",
    "445", "464", "465", "466", "503", "506", "516", "532", "546", "565", "606", "612", "624", "627",
    "631", "632", "654", "662", "664", "703", "712", "723", "731", "732", "734", "743", "754",
)
# fmt: on


def remainder(word: int, bits: int = 23, generator: int = GENERATOR) -> int:
    """Give the 11-bit remainder of a word of `bits` bits, most significant first, by the generator."""
    for at in range(bits - 1, 10, -1):
        if word >> at & 1:
            word ^= generator << (at - 11)
    return word


def encode(data: int) -> int:
    """Give the systematic 23-bit word of 12 data bits: data first, then 11 parity bits."""
    word = (data & 0xFFF) << 11
    return word | remainder(word)


@cache
def _patterns() -> dict[int, int]:
    """Give the one error pattern of weight 0 to 3 of each of the 2048 syndromes: the code is perfect."""
    table = {0: 0}
    for weight in (1, 2, 3):
        for places in combinations(range(23), weight):
            error = sum(1 << place for place in places)
            table[remainder(error)] = error
    return table


def decode(word: int) -> tuple[int, int]:
    """Give the 12 data bits nearest to a 23-bit word, and how many bits were wrong (0 to 3).

    Every word is within three bits of some codeword, so this alone rejects nothing.
    """
    error = _patterns()[remainder(word & 0x7FFFFF)]
    return (word ^ error) >> 11 & 0xFFF, error.bit_count()


def dcs_word(code: str) -> int:
    """Give the 23-bit word of a DCS code such as "023": bit 0 is sent first.

    From bit 22 down: 11 parity bits, 100, the nine bits of the octal code.
    """
    data = 0b100 << 9 | int(code, 8)
    return remainder(data << 11) << 12 | data
