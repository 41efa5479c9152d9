"""HDLC framing (ISO/IEC 13239) as radio links use it: NRZI, flags, zero insertion, 16-bit FCS.

Bits are uint8 arrays of 0 and 1 in the order of transmission; octets go least significant bit first. A
`Deframer` hunts a stream for frames. `frame_at` reads one frame whose first bit is known. `repairs`
takes soft symbols and tries, in order of likelihood, frames with the least certain symbols reversed.

The FCS alone lets one wrong frame in 65 536 pass. Whoever calls `repairs` multiplies that by the number
of trials, so it must bound them and judge the content as well.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from earwitness.coding.crc import CRC16_IBM_SDLC
from earwitness.core.errors import ParameterError
from earwitness.dsp.jit import kernel

FLAG = np.array([0, 1, 1, 1, 1, 1, 1, 0], np.uint8)
_GOOD_RESIDUE = 0xF0B8  # register over octets and FCS before the final complement, ISO/IEC 13239


@dataclass(frozen=True, slots=True)
class HdlcFrame:
    """One frame whose FCS is right, from bit `start` (after the opening flag) to `stop` (closing flag)."""

    start: int
    stop: int
    octets: bytes  # address to information, without FCS
    flips: tuple[int, ...] = ()  # symbols reversed to get it


def nrzi_encode(bits: np.ndarray, level: int = 0) -> np.ndarray:
    """Give line levels, uint8 (n,), for bits (n,): a 0 changes the level, a 1 keeps it; `level` came before."""
    return (np.cumsum(1 - np.asarray(bits, np.int64)) + level & 1).astype(np.uint8)


def nrzi_decode(levels: np.ndarray, before: int = 0) -> np.ndarray:
    """Give the bits, uint8 (n,), of line levels (n,): 1 where the level equals the one before it."""
    levels = np.asarray(levels, np.uint8)
    return (levels == np.concatenate([np.array([before], np.uint8), levels[:-1]])).astype(np.uint8)


def stuff(bits: np.ndarray) -> np.ndarray:
    """Give the bits (n,), uint8, with a 0 inserted after every five consecutive 1s (ISO/IEC 13239)."""
    out, ones = [], 0
    for bit in np.asarray(bits, np.uint8).tolist():
        out.append(bit)
        ones = ones + 1 if bit else 0
        if ones == 5:
            out.append(0)
            ones = 0
    return np.array(out, np.uint8)


def encode(octets: bytes, *, flags_before: int = 1, flags_after: int = 1) -> np.ndarray:
    """Give the bits on the line (before NRZI) of one frame: flags, stuffed octets and FCS, flags."""
    whole = octets + CRC16_IBM_SDLC.of(octets).to_bytes(2, "little")
    body = stuff(np.unpackbits(np.frombuffer(whole, np.uint8), bitorder="little"))
    return np.concatenate([np.tile(FLAG, flags_before), body, np.tile(FLAG, flags_after)])


@kernel("int64(uint8[::1], int64, int64[::1], uint8[::1], int64)")
def _hunt(bits: np.ndarray, at: int, state: np.ndarray, frame: np.ndarray, least: int) -> int:
    """Run until a frame with a good FCS ends; give the index after its closing flag, or -1.

    state: [consecutive ones, bits held (-1 when not in a frame), bits of the frame found, bits on the
    line since the opening flag]; `frame` holds the destuffed bits.
    """
    ones, count, line = state[0], state[1], state[3]
    room = len(frame)
    for i in range(at, len(bits)):
        line += 1
        if bits[i]:
            ones += 1
            if ones <= 5 and count >= 0:
                if count < room:
                    frame[count] = 1
                    count += 1
                else:
                    count = -1
            elif ones > 6:
                count = -1
            continue
        if ones == 6:
            size = count - 6  # the flag's own 0 and five 1s were held too
            if size >= least and size % 8 == 0:
                reg = 0xFFFF
                for k in range(size):
                    reg = (reg >> 1) ^ (0x8408 if (reg ^ frame[k]) & 1 else 0)
                if reg == _GOOD_RESIDUE:
                    state[0], state[1], state[2], state[3] = 0, 0, size, line
                    return i + 1
            count, line = 0, 0
        elif ones != 5 and count >= 0:
            if count < room:
                frame[count] = 0
                count += 1
            else:
                count = -1
        ones = 0
    state[0], state[1], state[3] = ones, count, line
    return -1


def _octets(frame: np.ndarray, size: int) -> bytes:
    return np.packbits(frame[: size - 16], bitorder="little").tobytes()


class Deframer:
    """Hunts a stream of bits (after NRZI) for frames of `min_octets` to `max_octets` without FCS."""

    def __init__(self, *, min_octets: int = 1, max_octets: int = 512):
        if not 0 < min_octets <= max_octets:
            raise ParameterError(f"frames of {min_octets} to {max_octets} octets; give 1 <= least <= most")
        self._least = 8 * min_octets + 16
        self._frame = np.zeros(8 * max_octets + 16 + 6, np.uint8)
        self._state = np.array([0, -1, 0, 0], np.int64)
        self._seen = 0

    def feed(self, bits: np.ndarray) -> list[HdlcFrame]:
        """Take the next bits, uint8 shape (n,); frames carry bit indices counted from the first bit fed."""
        bits = np.ascontiguousarray(bits, np.uint8)
        out, at = [], 0
        while (at := int(_hunt(bits, at, self._state, self._frame, self._least))) >= 0:
            line = int(self._state[3])
            self._state[3] = 0
            stop = self._seen + at - 8
            out.append(HdlcFrame(self._seen + at - line, stop, _octets(self._frame, int(self._state[2]))))
        self._seen += len(bits)
        return out


@kernel("int64(uint8[::1], int64, uint8[::1], int64, int64[::1])")
def _read(bits: np.ndarray, start: int, frame: np.ndarray, least: int, stop: np.ndarray) -> int:
    """Destuff from `start` to the next flag; give the bits held when the FCS is right, else 0 or less.

    stop[0] becomes the index of the closing flag's first bit, or -1 when none was met.
    """
    ones = 0
    count = 0
    stop[0] = -1
    for i in range(start, len(bits)):
        if bits[i]:
            ones += 1
            if ones > 6 or count == len(frame):
                return 0
            if ones <= 5:
                frame[count] = 1
                count += 1
            continue
        if ones == 6:
            stop[0] = i - 7
            size = count - 6
            if size < least or size % 8:
                return 0
            reg = 0xFFFF
            for k in range(size):
                reg = (reg >> 1) ^ (0x8408 if (reg ^ frame[k]) & 1 else 0)
            return size if reg == _GOOD_RESIDUE else -size
        if ones != 5:
            if count == len(frame):
                return 0
            frame[count] = 0
            count += 1
        ones = 0
    return 0


def frame_at(bits: np.ndarray, start: int, *, min_octets: int = 1, max_octets: int = 512) -> HdlcFrame | None:
    """Give the frame whose first bit is bits[start], of bits (n,), up to the next flag; None without a right FCS."""
    frame = np.empty(8 * max_octets + 22, np.uint8)
    stop = np.empty(1, np.int64)
    size = int(_read(np.ascontiguousarray(bits, np.uint8), start, frame, 8 * min_octets + 16, stop))
    return HdlcFrame(start, int(stop[0]), _octets(frame, size)) if size > 0 else None


def hard_bits(symbols: np.ndarray, lag: int) -> np.ndarray:
    """Give bits from soft symbols: 1 where a symbol has the sign of the one `lag` before it.

    lag 0: a symbol is the bit itself (positive means one). lag 1: NRZI levels. lag 2: antipodal symbols
    of coherently detected minimum-shift keying under NRZI. The first `lag` bits are 0.
    """
    signs = np.asarray(symbols) > 0
    if not lag:
        return signs.astype(np.uint8)
    out = np.zeros(len(signs), np.uint8)
    out[lag:] = signs[lag:] == signs[:-lag]
    return out


def repairs(
    symbols: np.ndarray,
    start: int,
    *,
    lag: int = 1,
    stop: int | None = None,
    suspects: int = 8,
    trials: int = 16,
    max_flips: int = 2,
    largest: float = np.inf,
    min_octets: int = 1,
    max_octets: int = 512,
) -> Iterator[HdlcFrame]:
    """Give frames that come right when a few uncertain symbols are reversed, the likeliest first.

    `symbols` are soft, float32 shape (n,), related to bits as `hard_bits` says; the frame's first bit is
    `start`. Among symbols before `stop` and up to the next flag, the `suspects` of least magnitude (all
    below `largest`) are reversed in combinations of up to `max_flips`, ordered by the summed magnitude,
    at most `trials` of them.
    The hard decisions themselves are not tried.
    """
    symbols = np.asarray(symbols, np.float32)
    bits = hard_bits(symbols, lag)
    frame = np.empty(8 * max_octets + 22, np.uint8)
    closing = np.empty(1, np.int64)
    _read(bits, start, frame, 8 * min_octets + 16, closing)
    low, high = max(start - lag, 0), len(symbols) if stop is None else min(stop, len(symbols))
    if closing[0] >= 0:
        high = min(high, int(closing[0]) + 8)
    size = np.abs(symbols[low:high])
    order = [int(k) for k in np.argsort(size, kind="stable")[:suspects] if size[k] < largest]
    sets = [flips for count in range(1, max_flips + 1) for flips in combinations(order, count)]
    sets.sort(key=lambda flips: float(sum(size[k] for k in flips)))
    for flips in sets[:trials]:
        touched = [low + k + step for k in flips for step in ((0, lag) if lag else (0,))]
        touched = [k for k in touched if k < len(bits)]
        for k in touched:  # one by one: two flips `lag` apart touch a bit twice
            bits[k] ^= 1
        got = int(_read(bits, start, frame, 8 * min_octets + 16, closing))
        for k in touched:
            bits[k] ^= 1
        if got > 0:
            yield HdlcFrame(start, int(closing[0]), _octets(frame, got), tuple(low + k for k in flips))
