"""Picture packets: fourteen blocks of eight by eight pixels each, coded as baseline JPEG codes them.

Discrete cosine transform, quantisation (ITU-T T.81 table K.1 scaled by a quality factor), zigzag order and the
Huffman tables K.3 and K.5 are those of the standard; restart markers, byte stuffing and headers are left out,
and the DC prediction starts anew in each packet. The scaling is the usual one of JPEG practice (no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from earwitness.core.bits import Layout, u
from earwitness.core.errors import LayoutError
from earwitness.core.types import Bits
from earwitness.dsp.jit import kernel

BLOCKS = 14  # a packet
STRIP_BLOCKS = 196  # a strip of eight lines
WIDTH = 8 * STRIP_BLOCKS
HEAD = 14  # octets of a packet's data before the coded blocks

# ITU-T T.81 table K.1, luminance quantisation, row by row
QUANTISATION = np.array(
    [
        [16, 11, 10, 16, 24, 40, 51, 61], [12, 12, 14, 19, 26, 58, 60, 55], [14, 13, 16, 24, 40, 57, 69, 56],
        [14, 17, 22, 29, 51, 87, 80, 62], [18, 22, 37, 56, 68, 109, 103, 77], [24, 35, 55, 64, 81, 104, 113, 92],
        [49, 64, 78, 87, 103, 121, 120, 101], [72, 92, 95, 98, 112, 100, 103, 99],
    ],
    np.int64,
)  # fmt: skip

# ITU-T T.81 tables K.3 and K.5 by their lists BITS and HUFFVAL
DC_BITS = (0, 1, 5, 1, 1, 1, 1, 1, 1, 0, 0, 0, 0, 0, 0, 0)
DC_VALUES = bytes(range(12))
AC_BITS = (0, 2, 1, 3, 3, 2, 4, 3, 5, 5, 4, 4, 0, 0, 1, 0x7D)
AC_VALUES = bytes.fromhex(
    "0102030004110512213141061351610722711432 8191a1082342b1c11552d1f02433627282090a161718191a25262728292a"
    "3435363738393a434445464748494a535455565758595a636465666768696a737475767778797a838485868788898a"
    "92939495969798999aa2a3a4a5a6a7a8a9aab2b3b4b5b6b7b8b9bac2c3c4c5c6c7c8c9cad2d3d4d5d6d7d8d9da"
    "e1e2e3e4e5e6e7e8e9eaf1f2f3f4f5f6f7f8f9fa"
)

PICTURE_HEAD = Layout(
    "picture packet secondary header and scan header", 8 * HEAD, "practice of Meteor-M (from memory)",
    (
        u("day", 16), u("milliseconds", 32), u("microseconds", 16), u("block", 8), u("table", 8), u("huffman", 8),
        u("marker", 16), u("quality", 8),
    ),
)  # fmt: skip
MARKER = 0xFFF0
DAY_MS = 86_400_000


def codes(bits: tuple[int, ...], values: bytes) -> dict[int, tuple[int, int]]:
    """Give (code, length) of each value of a Huffman table (T.81 Annex C)."""
    out = {}
    code = at = 0
    for length, count in enumerate(bits, 1):
        for _ in range(count):
            out[values[at]] = (code, length)
            code += 1
            at += 1
        code <<= 1
    return out


@cache
def _lookup(name: str) -> np.ndarray:
    """Give int32 (65536,): length << 8 | value by the next sixteen bits; 0 where no code begins so."""
    table = np.zeros(1 << 16, np.int32)
    made = codes(DC_BITS, DC_VALUES) if name == "dc" else codes(AC_BITS, AC_VALUES)
    for value, (code, length) in made.items():
        table[code << (16 - length) : (code + 1) << (16 - length)] = length << 8 | value
    return table


def _zigzag() -> np.ndarray:
    order = sorted(range(64), key=lambda k: (k // 8 + k % 8, k // 8 if (k // 8 + k % 8) & 1 else k % 8))
    return np.array(order, np.int64)


ZIGZAG = _zigzag()  # T.81 figure 5: place in the block of each coefficient in order
_K = np.arange(8)
_COSINE = np.where(
    _K[:, None] == 0, np.sqrt(1 / 8), 0.5 * np.cos((2 * _K[None, :] + 1) * _K[:, None] * np.pi / 16)
)


@cache
def quantisation(quality: int) -> np.ndarray:
    """Give the steps int64 (8, 8) for a quality factor 1 to 100."""
    quality = min(max(quality, 1), 100)
    scale = 5000 // quality if quality < 50 else 200 - 2 * quality
    return np.clip((QUANTISATION * scale + 50) // 100, 1, 255)


@kernel("int64(uint8[::1], int32[::1], int32[::1], int64[::1], int64[:,::1])")
def _read(octets: np.ndarray, dc: np.ndarray, ac: np.ndarray, order: np.ndarray, out: np.ndarray) -> int:
    """Decode blocks of quantised coefficients; gives how many were whole before a code that is none, or the end."""
    size = 8 * len(octets)
    at = 0
    level = np.int64(0)
    for block in range(len(out)):
        k = 0
        while k < 64:
            window = np.int64(0)
            first = at >> 3
            for i in range(5):
                window = window << 8 | (octets[first + i] if first + i < len(octets) else 0)
            window = window << (at & 7) & 0xFFFFFFFFFF  # 40 bits, the next at the top
            entry = dc[window >> 24] if k == 0 else ac[window >> 24]
            length = entry >> 8
            value = entry & 0xFF
            if length == 0:
                return block
            extra = value & 15
            run = value >> 4
            if at + length + extra > size:
                return block
            amount = np.int64(0)
            if extra:
                amount = window << length >> (40 - extra) & ((1 << extra) - 1)
                if amount < 1 << (extra - 1):
                    amount -= (1 << extra) - 1
            at += length + extra
            if k == 0:
                level += amount
                if abs(level) > 4096:
                    return block
                out[block, 0] = level
                k = 1
            elif extra == 0:
                if run != 15:
                    break  # the rest is zero
                k += 16
            else:
                k += run
                if k > 63:
                    return block
                out[block, order[k]] = amount
                k += 1
    return len(out)


@kernel("void(int64[:,::1], int64[:,::1], float64[:,::1], uint8[:,::1])")
def _draw(found: np.ndarray, steps: np.ndarray, cosine: np.ndarray, out: np.ndarray) -> None:
    """Turn blocks of quantised coefficients into pixels side by side (T.81 A.3.3, level shift of 128)."""
    half = np.empty((8, 8))
    for block in range(out.shape[1] // 8):
        for row in range(8):
            for x in range(8):
                total = 0.0
                for k in range(8):
                    total += found[block, 8 * row + k] * steps[row, k] * cosine[k, x]
                half[row, x] = total
        for y in range(8):
            for x in range(8):
                total = 128.0
                for row in range(8):
                    total += cosine[row, y] * half[row, x]
                out[y, 8 * block + x] = int(min(max(np.rint(total), 0.0), 255.0))


@dataclass(frozen=True, slots=True)
class Segment:
    """One packet's share of a strip: pixels uint8 (8, 8 n) of the blocks that decoded, and where it begins."""

    block: int
    quality: int
    day: int
    milliseconds: int
    pixels: np.ndarray


def read_segment(data: bytes) -> Segment | None:
    """Read the data field of a picture packet; None when its head is not that of one or no block decodes."""
    if len(data) <= HEAD:
        return None
    head = PICTURE_HEAD.parse(Bits(int.from_bytes(data[:HEAD], "big"), 8 * HEAD))
    if head["block"] % BLOCKS or head["block"] >= STRIP_BLOCKS or head["milliseconds"] >= DAY_MS:
        return None
    if head["table"] or head["huffman"] or head["marker"] != MARKER or not 0 < head["quality"] <= 100:
        return None
    found = np.zeros((BLOCKS, 64), np.int64)
    octets = np.frombuffer(bytearray(data[HEAD:]), np.uint8)
    count = int(_read(octets, _lookup("dc"), _lookup("ac"), ZIGZAG, found))
    if not count:
        return None
    pixels = np.empty((8, 8 * count), np.uint8)
    _draw(found, quantisation(head["quality"]), _COSINE, pixels)
    return Segment(head["block"], head["quality"], head["day"], head["milliseconds"], pixels)


def _append(bits: list[str], code: tuple[int, int], value: int) -> None:
    bits.append(format(code[0], f"0{code[1]}b"))
    extra = abs(value).bit_length()
    if extra:
        bits.append(format(value if value > 0 else value + (1 << extra) - 1, f"0{extra}b"))


def write_segment(
    pixels: np.ndarray, block: int, quality: int, *, day: int = 0, milliseconds: int = 0
) -> bytes:
    """Give the data field of a picture packet for pixels uint8 (8, 112); raises LayoutError for another shape."""
    if pixels.shape != (8, 8 * BLOCKS):
        raise LayoutError(f"pixels of shape {pixels.shape}; (8, {8 * BLOCKS}) are a packet")
    dc, ac = codes(DC_BITS, DC_VALUES), codes(AC_BITS, AC_VALUES)
    steps = quantisation(quality)
    bits: list[str] = []
    before = 0
    for k in range(BLOCKS):
        square = pixels[:, 8 * k : 8 * k + 8].astype(np.float64) - 128
        levels = np.rint(_COSINE @ square @ _COSINE.T / steps).astype(np.int64).reshape(-1)[ZIGZAG].tolist()
        step = levels[0] - before
        before = levels[0]
        _append(bits, dc[abs(step).bit_length()], step)
        run = 0
        last = max((n for n in range(1, 64) if levels[n]), default=0)
        for value in levels[1 : last + 1]:
            if not value:
                run += 1
                continue
            while run > 15:
                bits.append(format(ac[0xF0][0], f"0{ac[0xF0][1]}b"))
                run -= 16
            _append(bits, ac[run << 4 | abs(value).bit_length()], value)
            run = 0
        if last < 63:
            bits.append(format(ac[0][0], f"0{ac[0][1]}b"))
    text = "".join(bits)
    text += "1" * (-len(text) % 8)
    head = PICTURE_HEAD.build(
        {
            "day": day, "milliseconds": milliseconds, "microseconds": 0, "block": block, "table": 0, "huffman": 0,
            "marker": MARKER, "quality": quality,
        }
    )  # fmt: skip
    return head.value.to_bytes(HEAD, "big") + int(text, 2).to_bytes(len(text) // 8, "big")
