"""From soft symbols to frames: every line code, pairing and coding that the standard allows, side by side.

A half-turned or swapped pair of rails, the inverted second symbol of the convolutional code and the alignment of
its pairs are all tried at once: each is a cheap stream of bits, and the marker with its Reed-Solomon words decides.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from earwitness.coding.ccsds import Block, BlockCode, Deframer, standard_codes
from earwitness.coding.viterbi import G1, G2, Viterbi
from earwitness.dsp.jit import kernel

AGREED = 0.89  # of a decoder's path on the right pairing; 0.92 at an Eb/N0 of 2 dB, 0.86 on noise and others
BATCH = 4096  # symbols worked on together
CODED = 3.0  # deviations by which pairs keep to the code's checks from which they are decoded; 4.4 at an Eb/N0 of 2 dB
LINGER = 2  # batches that are decoded after one that does
# (rail, sign) of the first and second symbol: what turns and swaps of the rails can make of a pair
PAIRINGS = (((0, 1), (1, 1)), ((0, 1), (1, -1)), ((1, 1), (0, 1)), ((1, -1), (0, 1)))


@dataclass(frozen=True, slots=True)
class Found:
    """A block, and how its bits came about."""

    block: Block
    line_code: str  # NRZ-L, or NRZ-M where differences carry the bits
    convolutional: bool
    msk: bool = False  # read from the rails of MSK: two bits a symbol of the rails


@kernel("int64(float32[::1], int64, int64)")
def _broken(soft: np.ndarray, first: int, second: int) -> int:
    """Count in hard pairs where the sum of the two symbols' streams, each through the other's taps, is one."""
    broken = 0
    a = b = 0
    for n in range(len(soft) // 2):
        a = a >> 1 | (64 if soft[2 * n] > 0 else 0)
        b = b >> 1 | (64 if soft[2 * n + 1] > 0 else 0)
        x = (a & second) << 7 | (b & first)
        x ^= x >> 8
        x ^= x >> 4
        x ^= x >> 2
        x ^= x >> 1
        if n >= 6:
            broken += x & 1
    return broken


def keeping(soft: np.ndarray) -> float:
    """Give by how many deviations hard decisions of soft pairs float32 (2 n) keep to the code more often than by chance.

    What the first symbols' stream makes through the second's taps and the second's through the first's is the same
    (a syndrome former); negative where the second symbol is inverted.
    """
    count = len(soft) // 2 - 6
    if count < 64:
        return 0.0
    return float((count - 2 * _broken(np.ascontiguousarray(soft), G1, G2)) / np.sqrt(count))


class _Batch:
    """Holds symbols until there are enough to be worth a pass through all streams of bits."""

    def __init__(self, shape: tuple[int, ...]):
        self._empty = np.zeros((0, *shape), np.float32)
        self._symbols: list[np.ndarray] = []
        self._places: list[np.ndarray] = []
        self._count = 0

    def feed(self, symbols: np.ndarray, places: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Take symbols and places; give all held when there are BATCH of them, else none."""
        self._symbols.append(symbols)
        self._places.append(places)
        self._count += len(symbols)
        return self.rest() if self._count >= BATCH else (self._empty, np.zeros(0))

    def rest(self) -> tuple[np.ndarray, np.ndarray]:
        """Give all held."""
        symbols, places = self._symbols, self._places
        self._symbols, self._places, self._count = [], [], 0
        return (np.concatenate(symbols), np.concatenate(places)) if symbols else (self._empty, np.zeros(0))


class _Bits:
    """Deframers of one stream of bits: as it is, and as differences."""

    def __init__(self, codes: Sequence[BlockCode] | None, *, convolutional: bool):
        self._convolutional = convolutional
        self._deframers: list[tuple[str, Deframer]] = [
            (name, Deframer(standard_codes() if codes is None else codes, any_length=codes is None))
            for name in ("NRZ-L", "NRZ-M")
        ]
        self._last = np.zeros(1, np.uint8)

    @property
    def seen(self) -> int:
        """Sync markers in all."""
        return sum(deframer.seen for _, deframer in self._deframers)

    def feed(self, bits: np.ndarray, places: np.ndarray) -> Iterator[Found]:
        joined = np.concatenate([self._last, bits])
        self._last = joined[-1:]
        parts = {"NRZ-L": bits, "NRZ-M": joined[1:] ^ joined[:-1]}
        for name, deframer in self._deframers:
            part = parts[name]
            for block in deframer.feed(part, places):
                yield Found(block, name, self._convolutional)

    def settle(self, line_code: str) -> None:
        """Leave off the line codes that are not the transmission's."""
        self._deframers = [item for item in self._deframers if item[0] == line_code]

    def close(self) -> Iterator[Found]:
        for name, deframer in self._deframers:
            for block in deframer.close():
                yield Found(block, name, self._convolutional)


class Coded:
    """One alignment of the convolutional code: soft pairs in, blocks out.

    When `gated`, pairs that do not keep to the code are not decoded: what was fed before is held until some do.
    """

    def __init__(self, codes: Sequence[BlockCode] | None = None, *, gated: bool = False):
        self._viterbi: Viterbi | None = None
        self._bits = _Bits(codes, convolutional=True)
        self._places = np.zeros(0)
        self._gated = gated
        self._held: tuple[np.ndarray, np.ndarray] | None = None  # what was fed last, not decoded
        self.left = 0  # times yet that what is fed is decoded

    @property
    def agreement(self) -> float:
        """How far the decoder's path agreed with the latest symbols."""
        return self._viterbi.agreement if self._viterbi else 0.0

    @property
    def seen(self) -> int:
        """Sync markers in all."""
        return self._bits.seen

    def settle(self, line_code: str) -> None:
        """Leave off the line codes that are not the transmission's."""
        self._bits.settle(line_code)
        self._gated = False

    def feed(self, soft: np.ndarray, places: np.ndarray, kept: float | None = None) -> Iterator[Found]:
        """Take soft pairs (2 n) and the place of each pair (n,); `kept` is what `keeping` gives where it is known."""
        if self._gated and len(soft):
            if (keeping(soft) if kept is None else kept) > CODED:
                self.left = LINGER + 1
            if not self.left:
                self._held = soft, places
                return
            self.left -= 1
            if self._held is not None:
                held, self._held = self._held, None
                yield from self._decoded(*held)
        yield from self._decoded(soft, places)
        if self._gated and not self.left:
            yield from self._flush()

    def close(self) -> Iterator[Found]:
        """Give what is still held."""
        yield from self._flush()
        yield from self._bits.close()

    def _flush(self) -> Iterator[Found]:
        """Give what the decoder holds; what comes next need not follow it."""
        if self._viterbi is not None:
            yield from self._take(self._viterbi.close(), np.zeros(0))
        self._viterbi, self._places = None, np.zeros(0)

    def _decoded(self, soft: np.ndarray, places: np.ndarray) -> Iterator[Found]:
        if self._viterbi is None:
            self._viterbi = Viterbi(invert_second=False)
        yield from self._take(self._viterbi.feed(soft), places)

    def _take(self, bits: np.ndarray, places: np.ndarray) -> Iterator[Found]:
        self._places = np.concatenate([self._places, places])
        here, self._places = self._places[: len(bits)], self._places[len(bits) :]
        if len(bits):
            yield from self._bits.feed(bits, here)


class SerialLanes:
    """Symbols that come one after the other: BPSK and frequency keying."""

    def __init__(self) -> None:
        self._batch = _Batch(())
        self._plain: _Bits | None = _Bits(None, convolutional=False)
        self._coded = [Coded(gated=True) for _ in range(4)]  # alignment, second symbol inverted or not
        self._soft = np.zeros(0, np.float32)
        self._places = np.zeros(0)

    def feed(self, symbols: np.ndarray, places: np.ndarray) -> Iterator[Found]:
        """Take soft symbols float32 (n,) and their places."""
        symbols, places = self._batch.feed(symbols, places)
        if len(symbols):
            yield from self._work(symbols, places)

    def _work(self, symbols: np.ndarray, places: np.ndarray) -> Iterator[Found]:
        if self._plain is not None:
            yield from self._plain.feed((symbols > 0).astype(np.uint8), places)
        soft = np.concatenate([self._soft, symbols])
        where = np.concatenate([self._places, places])
        count = max((len(soft) - 1) // 2, 0)
        kept = [keeping(soft[k : k + 2 * count]) for k in (0, 1)] if self._coded else []
        for k, coded in enumerate(self._coded):
            part = soft[k & 1 : (k & 1) + 2 * count].copy()
            if k & 2:
                part[1::2] *= -1
            sign = -1 if k & 2 else 1
            yield from coded.feed(part, where[k & 1 : (k & 1) + 2 * count : 2], sign * kept[k & 1])
        self._soft, self._places = soft[2 * count :], where[2 * count :]

    @property
    def seen(self) -> int:
        """Sync markers in all."""
        return (self._plain.seen if self._plain else 0) + sum(coded.seen for coded in self._coded)

    @property
    def decoding(self) -> bool:
        """Tell whether the latest symbols keep to the convolutional code."""
        return any(coded.left for coded in self._coded)

    def settle(self, found: Found) -> None:
        """Leave off what has not read the transmission, once something has."""
        if found.convolutional:
            self._plain = None
        else:
            self._coded = []
        if self._plain is not None:
            self._plain.settle(found.line_code)
        for coded in self._coded:
            coded.settle(found.line_code)

    def close(self) -> Iterator[Found]:
        """Give what is still held."""
        yield from self._work(*self._batch.rest())
        if self._plain is not None:
            yield from self._plain.close()
        for coded in self._coded:
            yield from coded.close()


class PairLanes:
    """Symbols that come in pairs on two rails: QPSK, and OQPSK, whose second rail comes half a symbol later.

    With `codes` given, only those are looked for, behind the convolutional code.
    """

    def __init__(self, *, offset: bool, codes: Sequence[BlockCode] | None = None):
        self._offset = offset
        self._batch = _Batch((2,))
        self._plain = [_Bits(None, convolutional=False) for _ in PAIRINGS] if codes is None else []
        self._coded = [Coded(codes, gated=codes is None) for _ in PAIRINGS]
        self._msk = SerialLanes() if offset and codes is None else None
        self._half = np.zeros(1, np.float32)
        self._rails = np.zeros((0, 2), np.float32)
        self._places = np.zeros(0)
        self._reading: int | None = None  # the pairing that gives blocks

    def feed(self, rails: np.ndarray, places: np.ndarray) -> Iterator[Found]:
        """Take soft rails float32 (n, 2) and the places of the symbols."""
        rails, places = self._batch.feed(rails, places)
        if len(rails):
            yield from self._work(rails, places)

    def _work(self, rails: np.ndarray, places: np.ndarray) -> Iterator[Found]:
        if self._msk is not None and len(rails):
            yield from self._differences(self._msk, rails, places)
        rails = np.concatenate([self._rails, rails])
        where = np.concatenate([self._places, places])
        count = max(len(rails) - 1, 0)
        reading, self._reading = self._reading, None
        order = sorted(range(len(PAIRINGS)), key=lambda k: k != reading)
        for k in order if self._plain or self._coded else []:
            first, second = PAIRINGS[k]
            late = int(self._offset and first[0] == 1)  # the later rail is followed by the earlier one's next
            soft = np.empty((count, 2), np.float32)
            soft[:, 0] = rails[:count, first[0]] * first[1]
            soft[:, 1] = rails[late : count + late, second[0]] * second[1]
            flat = soft.reshape(-1)
            if self._plain:
                yield from self._plain[k].feed((flat > 0).astype(np.uint8), np.repeat(where[:count], 2))
            if self._coded:
                for item in self._coded[k].feed(flat, where[:count]):
                    self._reading = k
                    yield item
                if not self._plain and k == reading and self._coded[k].agreement > AGREED:
                    self._reading = k  # it still reads: the other turns of the rails cannot
                    break
        self._rails, self._places = rails[count:], where[count:]

    @property
    def seen(self) -> int:
        """Sync markers in all."""
        seen = sum(plain.seen for plain in self._plain) + sum(coded.seen for coded in self._coded)
        return seen + (self._msk.seen if self._msk else 0)

    @property
    def decoding(self) -> bool:
        """Tell whether the latest symbols keep to the convolutional code."""
        return any(coded.left for coded in self._coded) or bool(self._msk and self._msk.decoding)

    def _differences(self, lanes: SerialLanes, rails: np.ndarray, places: np.ndarray) -> Iterator[Found]:
        """Read the rails as MSK: each bit turns a quarter, so it is the product of neighbours, every other reversed."""
        half = np.concatenate([self._half, rails.reshape(-1)])
        self._half = half[-1:]
        size = np.minimum(np.abs(half[1:]), np.abs(half[:-1]))
        soft = np.where(half[1:] * half[:-1] > 0, size, -size).astype(np.float32)
        soft[1::2] *= -1
        for item in lanes.feed(soft, np.repeat(places, 2)):
            yield replace(item, msk=True)

    def settle(self, found: Found) -> None:
        """Leave off what has not read the transmission, once something has."""
        if found.msk and self._msk is not None:
            self._plain, self._coded = [], []
            self._msk.settle(found)
            return
        self._msk = None
        if found.convolutional:
            self._plain = []
        else:
            self._coded = []
        for plain in self._plain:
            plain.settle(found.line_code)
        for coded in self._coded:
            coded.settle(found.line_code)

    def close(self) -> Iterator[Found]:
        """Give what is still held."""
        yield from self._work(*self._batch.rest())
        for plain in self._plain:
            yield from plain.close()
        for coded in self._coded:
            yield from coded.close()
        if self._msk is not None:
            for item in self._msk.close():
                yield replace(item, msk=True)
