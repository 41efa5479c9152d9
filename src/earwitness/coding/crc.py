"""Cyclic redundancy checks of any width up to 64 bits, by the usual six parameters.

A check is written as the public catalogues write it (width, poly, init, refin, refout, xorout), so that a
line of a standard can be copied and its check value compared. Octets go through a table.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from earwitness.core.errors import ParameterError
from earwitness.core.types import Bits


def reflect(value: int, width: int) -> int:
    """Give `value` with its lowest `width` bits in reverse order."""
    return int(format(value, f"0{width}b")[::-1], 2)


@dataclass(frozen=True)
class Crc:
    """One check. `poly` is without the leading term; `init` and `poly` are written unreflected.

    `refin`: each octet enters least significant bit first. `refout`: the register is read reversed.
    """

    name: str
    width: int
    poly: int
    init: int = 0
    refin: bool = False
    refout: bool = False
    xorout: int = 0

    def __post_init__(self) -> None:
        if not 1 <= self.width <= 64:
            raise ParameterError(f"a CRC of {self.width} bits; 1 to 64 can be done")
        if max(self.poly, self.init, self.xorout) >> self.width:
            raise ParameterError(f"{self.name}: a parameter has more than {self.width} bits")

    def of(self, data: bytes) -> int:
        """Give the check of octets."""
        if self.refin:
            reg = reflect(self.init, self.width)
            for octet in data:
                reg = reg >> 8 ^ self._table[(reg ^ octet) & 255]
        else:
            # Registers narrower than an octet are held at the top of one.
            lift = max(8 - self.width, 0)
            shift, mask = self.width + lift - 8, (1 << (self.width + lift)) - 1
            reg = self.init << lift
            for octet in data:
                reg = (reg << 8 & mask) ^ self._table[reg >> shift ^ octet]
            reg >>= lift
        if self.refin != self.refout:
            reg = reflect(reg, self.width)
        return reg ^ self.xorout

    @cached_property
    def _table(self) -> tuple[int, ...]:
        out = []
        if self.refin:
            poly = reflect(self.poly, self.width)
            for reg in range(256):
                for _ in range(8):
                    reg = reg >> 1 ^ (poly if reg & 1 else 0)
                out.append(reg)
            return tuple(out)
        width = max(self.width, 8)
        poly, top, mask = self.poly << (width - self.width), 1 << (width - 1), (1 << width) - 1
        for octet in range(256):
            reg = octet << (width - 8)
            for _ in range(8):
                reg = (reg << 1 & mask) ^ (poly if reg & top else 0)
            out.append(reg)
        return tuple(out)


def unpack(bits: Bits) -> np.ndarray:
    """Give single bits, uint8 shape (size,), first bit first."""
    octets = -(-bits.size // 8)
    data = (bits.value << (octets * 8 - bits.size)).to_bytes(octets, "big")
    return np.unpackbits(np.frombuffer(data, np.uint8), count=bits.size)


def pack(bits: np.ndarray) -> Bits:
    """Give `Bits` for single bits, any shape (n,) of 0 and 1, first bit most significant."""
    size = len(bits)
    value = int.from_bytes(np.packbits(np.asarray(bits, np.uint8)).tobytes(), "big")
    return Bits(value >> (-size % 8), size)


# Names and parameters as public CRC catalogues list them; the tests hold the check values.
CRC16_IBM_SDLC = Crc("CRC-16/IBM-SDLC", 16, 0x1021, 0xFFFF, True, True, 0xFFFF)  # HDLC FCS: AIS, AX.25, VDL
CRC16_KERMIT = Crc("CRC-16/KERMIT", 16, 0x1021, 0, True, True, 0)
CRC16_GENIBUS = Crc("CRC-16/GENIBUS", 16, 0x1021, 0xFFFF, False, False, 0xFFFF)
CRC16_IBM_3740 = Crc("CRC-16/IBM-3740", 16, 0x1021, 0xFFFF)
CRC16_XMODEM = Crc("CRC-16/XMODEM", 16, 0x1021)
CRC32_ISO_HDLC = Crc("CRC-32/ISO-HDLC", 32, 0x04C11DB7, 0xFFFFFFFF, True, True, 0xFFFFFFFF)
