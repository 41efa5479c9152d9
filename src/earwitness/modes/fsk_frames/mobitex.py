"""Mobitex-like frames: blocks of 18 octets, each octet with four check bits, interleaved, scrambled, with a CRC-16.

From memory of radio modem data sheets; the check matrix, interleaver, scrambler and CRC agree with 31 blocks in a
row of one recorded satellite and with bursts of two others. A frame is

- a sync word of 16 bits (5765, or 0EF0 of which each station of a fleet may use its own),
- two control octets and an octet with four check bits for each,
- in one fleet's variant the sender's call sign, six octets, and its CRC-16,
- blocks of 240 bits: 18 octets and their CRC (that of HDLC), each of the 20 octets followed by four check bits,
  sent column by column, added to the sequence of x^9 + x^5 + 1 that begins with nine ones at the first block.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from earwitness.coding.crc import CRC16_IBM_SDLC, CRC16_XMODEM
from earwitness.modes.fsk_frames.framing import Found, Word, number

WORDS = (Word(0x5765, 16, 1), Word(0x0EF0, 16, 1))
CHECKS = (0b11101100, 0b11010011, 0b10111010, 0b01110101)  # which bits of the octet each check bit adds up
PLAIN_BITS, CALLED_BITS = 40, 104  # from the sync word to the first block
BLOCK_BITS, BLOCK_OCTETS = 240, 18
MOST_BLOCKS = 64
FIRST_WRONG = 12  # wrong bits of the first block: noise has some 22, and its CRC is right once in 65536
LATER_WRONG = 20
LOST = 3  # blocks in a row after which the frame has ended
FAILED = 99


def check_bits(octet: int) -> int:
    """Give the four check bits of an octet."""
    return sum(((octet & row).bit_count() & 1) << (3 - k) for k, row in enumerate(CHECKS))


@cache
def _table() -> tuple[np.ndarray, np.ndarray]:
    """Give the octet and the wrong bits (FAILED: two or more) of each word of 12 bits."""
    octets = np.arange(4096) >> 4
    wrong = np.full(4096, FAILED)
    for octet in range(256):
        word = octet << 4 | check_bits(octet)
        octets[word], wrong[word] = octet, 0
        for k in range(12):
            octets[word ^ 1 << k], wrong[word ^ 1 << k] = octet, 1
    return octets.astype(np.uint8), wrong


@cache
def scrambler() -> np.ndarray:
    """Give the 511 bits of x^9 + x^5 + 1 from nine ones, uint8."""
    out = np.ones(511, np.uint8)
    for n in range(9, 511):
        out[n] = out[n - 9] ^ out[n - 5]
    return out


@cache
def _code_words() -> np.ndarray:
    """Give the 256 words of 12 bits as +-1, float32 (12, 256)."""
    words = np.array([octet << 4 | check_bits(octet) for octet in range(256)])
    return (2.0 * (words[None, :] >> np.arange(11, -1, -1)[:, None] & 1) - 1).astype(np.float32)


def blocks_of(soft: np.ndarray) -> list[tuple[bytes, int]]:
    """Give the octets with CRC (20) of each whole block in soft bits float32, likeliest words, and wrong bits."""
    count = min(len(soft) // BLOCK_BITS, MOST_BLOCKS)
    sign = 1 - 2 * np.resize(scrambler(), count * BLOCK_BITS).astype(np.float32)
    rows = (soft[: count * BLOCK_BITS] * sign).reshape(count, 12, 20).transpose(0, 2, 1)
    codes = _code_words()
    octets = np.argmax(rows @ codes, axis=2)
    wrong = np.count_nonzero((rows > 0) != (codes.T[octets] > 0), axis=(1, 2))
    return [(row.astype(np.uint8).tobytes(), int(bad)) for row, bad in zip(octets, wrong, strict=True)]


def least_wrong(soft: np.ndarray) -> int:
    """Give how many bits are wrong at least in a whole block of soft bits float32; none in less than one."""
    if len(soft) < BLOCK_BITS:
        return 0
    bits = ((soft > 0) ^ (scrambler()[:BLOCK_BITS] > 0)).reshape(12, 20)
    words = (1 << np.arange(11, -1, -1)) @ bits
    return int(np.minimum(_table()[1][words], 2).sum())


def block_bits(octets: bytes) -> np.ndarray:
    """Give the 240 bits of a block of 18 octets before scrambling, uint8."""
    whole = octets + CRC16_IBM_SDLC.of(octets).to_bytes(2, "big")
    words = np.array([octet << 4 | check_bits(octet) for octet in whole])
    return (words[None, :] >> np.arange(11, -1, -1)[:, None] & 1).astype(np.uint8).reshape(-1)


def _call(bits: np.ndarray) -> str | None:
    octets = np.packbits(bits[40:104]).tobytes()
    if len(octets) < 8 or CRC16_XMODEM.of(octets[:6]) != int.from_bytes(octets[6:], "big"):
        return None
    return octets[:6].decode("ascii", "replace").strip()


def read(soft: np.ndarray) -> Found | None:
    """Give the frame whose sync word soft (float32, positive is one) begins with; None unless its first block passes."""
    bits = (soft[:CALLED_BITS] > 0).astype(np.uint8)
    if len(bits) < PLAIN_BITS:
        return None
    control = number(bits[16:40])
    octets, wrong = _table()
    pair = [(control >> 12 & 0xFF0) | (control >> 4 & 15), (control >> 4 & 0xFF0) | (control & 15)]
    if wrong[pair].max() == FAILED:
        return None
    for head in (PLAIN_BITS, CALLED_BITS):
        first = soft[head : head + BLOCK_BITS]
        if least_wrong(first) > FIRST_WRONG:
            continue
        # what follows a burst is louder than it, and may begin within the last block
        usual = np.float32(max(float(np.median(np.abs(soft[: len(bits)]))), 1e-9))
        for row, count in blocks_of(np.clip(first / usual, -1, 1)):
            if count <= FIRST_WRONG and _right(row):
                call = _call(bits) if head == CALLED_BITS else None
                return _frame(np.clip(soft / usual, -1, 1), head, octets[pair].tobytes(), call)
    return None


def _right(row: bytes) -> bool:
    return CRC16_IBM_SDLC.of(row[:BLOCK_OCTETS]) == int.from_bytes(row[BLOCK_OCTETS:], "big")


def _frame(soft: np.ndarray, first: int, control: bytes, call: str | None) -> Found:
    data = b""
    good: list[int] = []
    corrected = 0
    for k, (row, count) in enumerate(blocks_of(soft[first : first + MOST_BLOCKS * BLOCK_BITS])):
        if count <= LATER_WRONG and _right(row):
            data += row[:BLOCK_OCTETS]
            corrected += count
            good.append(k)
        elif k - good[-1] >= LOST:
            break
    last = good[-1] + 1
    extra = {
        "sync": f"{number(soft[:16] > 0):04X}",
        "control_hex": control.hex().upper(),
        "blocks": len(good),
        "blocks_lost": [k for k in range(last) if k not in good],
    }
    if call:
        extra["call"] = call
    name = f"CRC-16 of each of {len(good)} blocks of 18 octets, after check bits of every octet"
    return Found(data, 0, first + last * BLOCK_BITS, "Mobitex blocks", name, corrected, extra)
