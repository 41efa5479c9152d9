"""Channel coding of CCSDS telemetry above the modulation: sync marker, randomizer, interleaved Reed-Solomon.

CCSDS 131.0-B: an attached sync marker 1ACFFC1D goes before each codeblock; the codeblock (not the marker) is added
to a pseudo-random sequence that starts anew with it; `depth` Reed-Solomon words are interleaved octet by octet; the
whole may go through the convolutional code of `coding.viterbi`. The order was read in 131.0-B-2 as reprinted;
details are from memory where they say so.

A codeblock is believed only when the chance of random bits passing is negligible: `chance` bounds it from the
marker's wrong bits, the octets corrected in every word and the hypotheses tried.
"""

from __future__ import annotations

from binascii import crc_hqx
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cache
from math import comb, log10

import numpy as np

from earwitness.coding.reed_solomon import FROM_DUAL, TO_DUAL, ReedSolomon
from earwitness.coding.scramble import ccsds_sequence
from earwitness.core.errors import ParameterError
from earwitness.dsp.jit import kernel

SYNC = 0x1ACFFC1D
SYNC_BITS = 32
DEPTHS = (1, 2, 3, 4, 5, 8)
WORD = 255
MOST_OCTETS = WORD * max(DEPTHS)
RANDOMIZERS = ("none", "255-bit", "131071-bit")
SYNC_ERRORS = 2  # wrong bits of a marker where none was expected
LOCKED_ERRORS = 9  # of one exactly where it was expected
CRC_SYNC_ERRORS = 1  # of both markers around a frame that has but a CRC
MOST_LENGTHS = 4  # later markers a block's length is taken from
BELIEVED = -14.0  # log10 of the chance, per bit looked at, from which a codeblock is believed
PLAINER = 2.0  # how many more pairs of equal octets a frame has than one still under a randomizer
WHOLE_PATTERN = 2048  # octets of the long sequence made at a time
LOCKED = -8.0  # per codeblock that was expected


@cache
def long_sequence(octets: int) -> bytes:
    """Give the randomizer added by 131.0-B-5: x^17 + x^14 + 1 from 11000111000111000 (from memory), 131071 bits."""
    bits = np.zeros(8 * octets + 17, np.uint8)
    bits[:17] = [int(bit) for bit in "11000111000111000"]
    for n in range(17, len(bits)):
        bits[n] = bits[n - 17] ^ bits[n - 3]
    return np.packbits(bits[: 8 * octets]).tobytes()


@cache
def _pattern(name: str, octets: int) -> np.ndarray:
    if name == "none":
        return np.zeros(octets, np.uint8)
    if name == "255-bit":  # whose period is 255 octets as well
        return np.resize(np.frombuffer(ccsds_sequence(255), np.uint8), octets)
    made = long_sequence(-(-octets // WHOLE_PATTERN) * WHOLE_PATTERN)
    return np.frombuffer(made, np.uint8)[:octets]


def randomize(block: bytes, name: str = "255-bit") -> bytes:
    """Add a randomizer's sequence to a codeblock, or take it off again."""
    if name not in RANDOMIZERS:
        raise ParameterError(f"randomizer {name!r}; known: {', '.join(RANDOMIZERS)}")
    return (np.frombuffer(block, np.uint8) ^ _pattern(name, len(block))).tobytes()


@cache
def _reed_solomon(errors: int) -> ReedSolomon:
    return ReedSolomon(2 * errors, 0x187, 128 - errors, 11)


@dataclass(frozen=True, slots=True)
class BlockCode:
    """How a codeblock is made: words interleaved, octets a word (255 unless shortened), octets each corrects."""

    depth: int = 1
    word: int = WORD
    errors: int = 16
    dual: bool = True
    randomizer: str = "255-bit"

    @property
    def octets(self) -> int:
        """Octets of the codeblock."""
        return self.depth * self.word

    @property
    def data_octets(self) -> int:
        """Octets of the transfer frame in it."""
        return self.depth * (self.word - 2 * self.errors)

    def encode(self, frame: bytes) -> bytes:
        """Give the codeblock of a frame of `data_octets`; raises ParameterError for another size."""
        if len(frame) != self.data_octets:
            raise ParameterError(f"{len(frame)} octets; {self.data_octets} fill the codeblock")
        code = _reed_solomon(self.errors)
        block = bytearray(self.octets)
        for k in range(self.depth):
            part = frame[k :: self.depth]
            if self.dual:
                part = code.encode(part.translate(FROM_DUAL)).translate(TO_DUAL)
            else:
                part = code.encode(part)
            block[k :: self.depth] = part
        return randomize(bytes(block), self.randomizer)

    def decode(self, block: bytes) -> tuple[bytes, list[int]] | None:
        """Give the frame of a codeblock and how many octets each word had wrong; None unless every word decodes."""
        block = randomize(block, self.randomizer)
        code = _reed_solomon(self.errors)
        frame = bytearray(self.data_octets)
        wrong = []
        for k in range(self.depth):
            part = block[k :: self.depth]
            got = code.decode(part.translate(FROM_DUAL) if self.dual else part)
            if got is None:
                return None
            frame[k :: self.depth] = got[0].translate(TO_DUAL) if self.dual else got[0]
            wrong.append(got[1])
        return bytes(frame), wrong

    def is_idle(self, frame: bytes) -> bool:
        """Tell whether a frame, or what was sent for it, has words of one octet each: no transmission of frames.

        Equal octets are a word of every code, and so is the 255-bit randomizer's sequence: what a silent or an
        unmodulated channel or a preamble gives after a marker would pass.
        """
        every = {frame, randomize(frame), randomize(frame, self.randomizer)}
        return any(octets[self.depth :] == octets[: -self.depth] for octets in every)

    def plainest(self, frame: bytes) -> tuple[BlockCode, bytes]:
        """Give what a codeblock that decoded to a frame holds, and its code: with the 255-bit randomizer or without.

        That sequence is a word of most of the codes, so that both readings pass; one with a right CRC or with far
        more equal octets than random ones have is no accident. Where neither is, the code stands.
        """
        if self.randomizer not in RANDOMIZERS[:2] or not _holds_sequence(replace(self, randomizer="none")):
            return self, frame
        other = replace(self, randomizer="none" if self.randomizer == "255-bit" else "255-bit")
        read = randomize(frame)
        checked, here = crc_frame_ok(read), crc_frame_ok(frame)
        plainer = _alike(read) > PLAINER * max(_alike(frame), len(frame) ** 2 / 256)
        return (other, read) if checked > here or (checked == here and plainer) else (self, frame)

    def chance(self, sync_errors: int, wrong: Iterable[int], *, tried: int = 1) -> float:
        """Give log10 of a bound on the chance that random bits look like this or better.

        `tried` codes on either polarity, the marker with so many wrong bits or fewer, words within so many
        octets of what was received: all words inside a sphere, over all words there are.
        """
        out = log10(tried) + sync_chance(sync_errors)
        for count in wrong:
            inside = sum(comb(self.word, k) * 255**k for k in range(count + 1))
            out += log10(inside) - 2 * self.errors * log10(256)
        return out

    def words(self) -> str:
        """Name the check for people."""
        shortened = "" if self.word == WORD else f" shortened from 255,{WORD - 2 * self.errors}"
        basis = "dual" if self.dual else "conventional"
        return (
            f"Reed-Solomon ({self.word},{self.word - 2 * self.errors}){shortened}, {self.depth} of {self.depth} words, "
            f"{basis} basis"
        )


@cache
def _holds_sequence(code: BlockCode) -> bool:
    """Tell whether the 255-bit randomizer's sequence is a codeblock of a code without one."""
    got = code.decode(randomize(bytes(code.octets)))
    return got is not None and not any(got[1])


def _alike(octets: bytes) -> int:
    """Give in how many ways two octets can be taken that are equal."""
    return int((np.bincount(np.frombuffer(octets, np.uint8)) ** 2).sum())


def sync_chance(errors: int, size: int = SYNC_BITS) -> float:
    """Give log10 of the chance that random bits come within so many of a marker of `size` bits or its complement."""
    return log10(2 * sum(comb(size, k) for k in range(errors + 1))) - size * log10(2)


def crc_frame_ok(frame: bytes) -> bool:
    """Tell whether a frame ends in its frame error control field (132.0-B: x^16 + x^12 + x^5 + 1 from all ones)."""
    return len(frame) > 8 and crc_hqx(frame, 0xFFFF) == 0  # with what it ends in the register comes out empty


@kernel("int64(uint8[::1], int64, int64, int64, int64, uint8[::1], int64[:,::1])")
def _markers(
    bits: np.ndarray, begin: int, word: int, size: int, most: int, ones: np.ndarray, out: np.ndarray
) -> int:
    """Note (first bit, wrong bits, complemented) of markers ending in bits[begin:]; gives how many.

    `ones` has how many ones there are in each octet.
    """
    found = 0
    register = np.int64(0)
    mask = (np.int64(1) << size) - 1
    first = max(begin, size - 1)
    for n in range(max(begin - size + 1, 0), min(first, len(bits))):
        register = (register << 1 | bits[n]) & mask
    for n in range(first, len(bits)):
        register = (register << 1 | bits[n]) & mask
        x = register ^ word
        some = ones[x & 0xFF]
        if most < some < 8 - most:
            continue  # the last octet alone tells
        x -= (x >> 1) & 0x5555555555555555
        x = (x & 0x3333333333333333) + ((x >> 2) & 0x3333333333333333)
        x = (x + (x >> 4)) & 0x0F0F0F0F0F0F0F0F
        x += x >> 8
        x += x >> 16
        wrong = (x + (x >> 32)) & 0x7F
        if (wrong <= most or wrong >= size - most) and found < len(out):
            out[found, 0] = n - size + 1
            out[found, 1] = min(wrong, size - wrong)
            out[found, 2] = wrong >= size - most
            found += 1
    return found


_ONES = np.bitwise_count(np.arange(256, dtype=np.uint8))


def find_markers(
    bits: np.ndarray, begin: int, *, word: int = SYNC, size: int = SYNC_BITS, most: int = SYNC_ERRORS
) -> np.ndarray:
    """Give int64 (n, 3), (first bit, wrong bits, complemented), of sync markers that end in bits[begin:]."""
    out = np.empty((max(len(bits) - begin, 0) // 8 + 8, 3), np.int64)
    count = int(_markers(np.ascontiguousarray(bits, np.uint8), begin, word, size, most, _ONES, out))
    return out[:count]


@dataclass(frozen=True, slots=True)
class Block:
    """A codeblock that decoded: the frame, where its marker began and the block ended, and how sure it is."""

    frame: bytes
    start: float
    stop: float
    code: BlockCode | None  # None: the frame has but its CRC
    randomizer: str
    sync_errors: int
    corrected: int  # octets, in all words
    chance_log10: float
    inverted: bool

    def check_name(self) -> str:
        """Name for people the check that it passed."""
        if self.code is None:
            return "CRC-16 of the frame between two sync markers"
        return f"{self.code.words()}, after sync marker 1ACFFC1D"


@dataclass(slots=True)
class _Mark:
    at: int
    errors: int
    inverted: int
    tried: int = 0  # codes


def by_length(codes: tuple[BlockCode, ...]) -> tuple[BlockCode, ...]:
    """Give codes, those of the shortest codeblocks first."""
    if codes is standard_codes():  # most deframers take these: they are sorted once
        return _standard_by_length()
    return tuple(sorted(codes, key=lambda code: code.octets))


@cache
def _standard_by_length() -> tuple[BlockCode, ...]:
    return tuple(sorted(standard_codes(), key=lambda code: code.octets))


class Deframer:
    """Finds codeblocks in a stream of bits; block lengths of the feed change nothing.

    `codes` are tried at each marker; when `any_length`, shortened codes and frames with only a CRC are tried as well
    where another marker gives the length. Each code is tried as soon as its codeblock is there; a marker in the
    place where the last block's successor must be is known with more wrong bits.
    """

    def __init__(self, codes: Iterable[BlockCode], *, any_length: bool = False):
        self._codes = by_length(tuple(codes))
        self._any = any_length
        self._longest = 8 * max(
            self._codes[-1].octets if self._codes else 0, MOST_OCTETS if any_length else 0
        )
        self._wait = self._longest + 2 * SYNC_BITS  # bits after a marker's first until it is judged
        self._bits = np.zeros(0, np.uint8)
        self._places = np.zeros(0)
        self._base = 0  # stream index of _bits[0]
        self._scanned = 0  # stream index up to which markers were looked for
        self._marks: list[_Mark] = []
        self.seen = 0  # markers in all
        self._free = 0  # stream index up to which bits belong to blocks already given
        self._due: tuple[int, BlockCode, int] | None = None  # where the next marker must be

    def feed(self, bits: np.ndarray, places: np.ndarray) -> list[Block]:
        """Take bits uint8 (n,) and where each is; give the blocks that are settled."""
        self._bits = np.concatenate([self._bits, bits])
        self._places = np.concatenate([self._places, places])
        return self._work(final=False)

    def close(self) -> list[Block]:
        """Give what the last bits held."""
        return self._work(final=True)

    def _work(self, *, final: bool) -> list[Block]:
        for at, errors, inverted in find_markers(self._bits, self._scanned - self._base).tolist():
            self._marks.append(_Mark(at + self._base, errors, inverted))
            self.seen += 1
        end = self._scanned = self._base + len(self._bits)
        out: list[Block | None] = []
        waiting: list[_Mark] = []
        marks, self._marks = self._marks, []
        while marks or self._due is not None:
            due = self._due
            if due is not None and (not marks or due[0] <= marks[0].at):
                if due[0] + SYNC_BITS + 8 * due[1].octets > end and not final:
                    break
                self._due = None
                out.append(self._expected(*due))
                continue
            mark = marks.pop(0)
            if mark.at < self._free:
                continue
            block = self._judge(mark, end)
            if block is None and not final and end < mark.at + self._wait:
                waiting.append(mark)
                continue
            if block is None and self._any:
                block = self._measured(mark, [*waiting, *marks])
            out.append(block)
        self._marks = [mark for mark in (*waiting, *marks) if mark.at >= self._free]
        held = [mark.at for mark in self._marks] + ([self._due[0]] if self._due else [])
        drop = max(min([*held, end - SYNC_BITS + 1]) - self._base, 0)
        self._bits, self._places = self._bits[drop:], self._places[drop:]
        self._base += drop
        return [block for block in out if block is not None]

    def _octets(self, first: int, count: int, inverted: int) -> bytes | None:
        low = first - self._base
        if low < 0 or low + 8 * count > len(self._bits):
            return None
        part = self._bits[low : low + 8 * count] ^ np.uint8(inverted)
        return np.packbits(part).tobytes()

    def _expected(self, at: int, code: BlockCode, inverted: int) -> Block | None:
        low = at - self._base
        head = self._octets(at, 4, inverted)
        block = self._octets(at + SYNC_BITS, code.octets, inverted)
        if low < 0 or head is None or block is None:
            return None
        errors = (int.from_bytes(head, "big") ^ SYNC).bit_count()
        if errors > LOCKED_ERRORS:
            return None
        got = code.decode(block)
        if got is None or code.is_idle(got[0]) or code.chance(errors, got[1]) > LOCKED:
            return None
        chance = code.chance(errors, got[1])
        code, frame = code.plainest(got[0])
        return self._made(at, code, (frame, got[1]), errors, inverted, chance)

    def _judge(self, mark: _Mark, end: int) -> Block | None:
        """Try the codes whose codeblock is there by now and that were not tried yet."""
        while mark.tried < len(self._codes):
            code = self._codes[mark.tried]
            if mark.at + SYNC_BITS + 8 * code.octets > end:
                break
            mark.tried += 1
            block = self._tried(mark, code, len(self._codes))
            if block is not None:
                return block
        return None

    def _tried(self, mark: _Mark, code: BlockCode, tried: int) -> Block | None:
        block = self._octets(mark.at + SYNC_BITS, code.octets, mark.inverted)
        got = code.decode(block) if block is not None else None
        if got is None or code.is_idle(got[0]):
            return None
        chance = code.chance(mark.errors, got[1], tried=tried)
        if chance > BELIEVED:
            return None
        code, frame = code.plainest(got[0])
        return self._made(mark.at, code, (frame, got[1]), mark.errors, mark.inverted, chance)

    def _measured(self, mark: _Mark, later: list[_Mark]) -> Block | None:
        """Take the length of the block from the markers that follow."""
        lengths = []
        for other in later:
            octets, odd = divmod(other.at - mark.at - SYNC_BITS, 8)
            if 0 < octets <= MOST_OCTETS and not odd and other.inverted == mark.inverted:
                lengths.append((octets, other.errors))
        for octets, _ in lengths[:MOST_LENGTHS]:
            codes = shortened(octets)
            for code in codes:
                block = self._tried(mark, code, MOST_LENGTHS * len(codes))
                if block is not None:
                    return block
        for octets, errors in lengths[:MOST_LENGTHS]:
            raw = self._octets(mark.at + SYNC_BITS, octets, mark.inverted)
            if raw is None or max(mark.errors, errors) > CRC_SYNC_ERRORS:
                continue
            for name in RANDOMIZERS:
                frame = randomize(raw, name)
                if crc_frame_ok(frame) and any(frame[:-2]):
                    chance = sync_chance(mark.errors) + sync_chance(errors) - 16 * log10(2)
                    chance += log10(len(RANDOMIZERS) * MOST_LENGTHS)
                    stop = self._free = mark.at + SYNC_BITS + 8 * octets
                    return Block(
                        frame, self._place(mark.at), self._place(stop), None, name, mark.errors, 0, round(chance, 1),
                        bool(mark.inverted),
                    )  # fmt: skip
        return None

    def _made(
        self,
        at: int,
        code: BlockCode,
        got: tuple[bytes, list[int]],
        errors: int,
        inverted: int,
        chance: float,
    ) -> Block:
        stop = at + SYNC_BITS + 8 * code.octets
        self._due, self._free = (stop, code, inverted), stop
        return Block(
            got[0],
            self._place(at),
            self._place(stop),
            code,
            code.randomizer,
            errors,
            sum(got[1]),
            round(chance, 1),
            bool(inverted),
        )

    def _place(self, index: int) -> float:
        return float(self._places[min(max(index - self._base, 0), len(self._places) - 1)])


@cache
def standard_codes() -> tuple[BlockCode, ...]:
    """Give the unshortened codes of the standard, the likely ones first."""
    return tuple(
        BlockCode(depth, WORD, errors, dual, randomizer)
        for errors in (16, 8)
        for randomizer in RANDOMIZERS[1::-1] + RANDOMIZERS[2:]
        for dual in (True, False)
        for depth in DEPTHS
    )


def shortened(octets: int) -> list[BlockCode]:
    """Give the shortened codes whose codeblock has so many octets."""
    return [
        BlockCode(depth, octets // depth, errors, dual, randomizer)
        for depth in DEPTHS
        for errors in (16, 8)
        if octets % depth == 0 and 2 * errors < octets // depth < WORD
        for randomizer in RANDOMIZERS
        for dual in (True, False)
    ]


def attach(code: BlockCode, frames: Iterable[bytes]) -> np.ndarray:
    """Give the bits of frames, each coded and behind its marker, uint8."""
    made = b"".join(SYNC.to_bytes(4, "big") + code.encode(frame) for frame in frames)
    return np.unpackbits(np.frombuffer(made, np.uint8))
