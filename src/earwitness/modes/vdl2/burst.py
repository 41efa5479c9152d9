"""The bits of a burst: unique word, header, scrambler, Reed-Solomon rows, interleaver.

A burst is a ramp, sixteen known symbols, then scrambled bits: three reserved, seventeen of length (least
significant first), five of header check, and the octets of the data part. The data bits fill octets least
significant bit first; rows of 249 octets get six check octets each, the last, shorter row fewer; octets are
sent column by column.

Sources: ICAO Annex 10 vol. III 6.4 (read in a scan); unique word and header matrix are images there, so both
are taken from the same burst in Annex 10 vol. I app. B 3.6, whose published example all of this reproduces
except where said.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from earwitness.coding.reed_solomon import ReedSolomon
from earwitness.core.errors import ParameterError

# Phase step in eighths of a turn -> three bits, first sent most significant, and back.
STEP_TO_BITS = np.array([0b000, 0b001, 0b011, 0b010, 0b110, 0b111, 0b101, 0b100], np.uint8)
BITS_TO_STEP = np.argsort(STEP_TO_BITS).astype(np.uint8)
UNIQUE_WORD = np.array([int(d) for d in "0236015614375742"], np.uint8)  # symbols as octal digits
UNIQUE_STEPS = BITS_TO_STEP[UNIQUE_WORD]

LENGTH_BITS = 17
HEADER_BITS = 25
MOST_BITS = (1 << LENGTH_BITS) - 1
ROW = 249  # data octets
CHECKS = 6
CODE = ReedSolomon(CHECKS, 0x187, 120)
_REVERSED = bytes(int(f"{k:08b}"[::-1], 2) for k in range(256))

# Columns of the header's check matrix for the three reserved and seventeen length bits, top row first.
_HEADER_COLUMNS = [0x06, 0x07, 0x09, 0x0A, 0x0B, 0x0C, 0x0E, 0x0F, 0x11, 0x13, 0x15, 0x16, *range(0x18, 0x20)]
_HEADER_H = np.array(
    [[c >> (4 - r) & 1 for c in [*_HEADER_COLUMNS, 16, 8, 4, 2, 1]] for r in range(5)], np.uint8
)
_HEADER_SYNDROMES = _HEADER_H.T @ (1 << np.arange(4, -1, -1))


def _header_flips() -> list[list[tuple[int, ...]]]:
    """Give for each syndrome the sets of at most two bits whose reversal makes it zero."""
    out: list[list[tuple[int, ...]]] = [[] for _ in range(32)]
    out[0].append(())
    for i in range(HEADER_BITS):
        out[_HEADER_SYNDROMES[i]].append((i,))
        for j in range(i):
            out[_HEADER_SYNDROMES[i] ^ _HEADER_SYNDROMES[j]].append((i, j))
    return out


_HEADER_FLIPS = _header_flips()


def _one_period() -> np.ndarray:
    """Give the 32 767 bits of x^15 + x + 1 from the standard's start value."""
    stages = [int(b) for b in "110100101011001"]
    out = np.empty(32767, np.uint8)
    for i in range(len(out)):
        out[i] = stages[0] ^ stages[14]
        stages = [int(out[i]), *stages[:14]]
    return out


_SCRAMBLE = _one_period()


def scrambling(count: int) -> np.ndarray:
    """Give the first `count` bits that scramble what follows the unique word, uint8."""
    return np.resize(_SCRAMBLE, count)


@lru_cache(maxsize=32)
def signs(count: int) -> np.ndarray:
    """Give the factors that descramble `count` soft bits, float32: -1 where scrambling reverses, else 1."""
    return (1 - 2.0 * scrambling(count)).astype(np.float32)


def header(length: int) -> np.ndarray:
    """Give the 25 header bits, uint8, for `length` data bits."""
    if not 0 < length <= MOST_BITS:
        raise ParameterError(f"{length} data bits; a burst holds 1 to {MOST_BITS}")
    info = np.array([0, 0, 0, *(length >> k & 1 for k in range(LENGTH_BITS))], np.uint8)
    return np.concatenate([info, _HEADER_H[:, :20] @ info % 2]).astype(np.uint8)


def lengths(soft: np.ndarray, most: int = 2) -> list[int]:
    """Give the lengths that the 25 soft header bits may mean, the likeliest first.

    Candidates are the words of the header's code, reserved bits zero, within two bits of the hard decisions,
    ordered by the reliability of the bits they reverse; after them the length as received, so that a burst
    whose header check follows another rule is still tried.
    """
    hard = (soft > 0).astype(np.uint8)
    cost = np.abs(soft)
    syndrome = int(np.bitwise_xor.reduce(_HEADER_SYNDROMES[hard == 1], initial=0))
    found = [(float(sum(cost[i] for i in flips)), flips) for flips in _HEADER_FLIPS[syndrome]]
    out: list[int] = []
    for _, flips in sorted(found):
        word = hard.copy()
        word[list(flips)] ^= 1
        if not word[:3].any():
            out.append(_length(word))
        if len(out) == most:
            break
    if not hard[:3].any():
        out.append(_length(hard))
    return list(dict.fromkeys(length for length in out if length))


def _length(word: np.ndarray) -> int:
    return int(word[3:20] @ (1 << np.arange(LENGTH_BITS)))


@dataclass(frozen=True)
class Layout:
    """How the octets of a burst of `length` data bits lie."""

    length: int
    octets: int  # of data, the last filled with zeros
    rows: int
    checks: int  # sent of the last row
    order: np.ndarray  # int64 (sent octets,): place of each sent octet in the rows of 255, rows in sequence


@lru_cache(maxsize=32)
def layout(length: int) -> Layout:
    """Give how a burst of `length` data bits is laid out."""
    if not 0 < length <= MOST_BITS:
        raise ParameterError(f"{length} data bits; a burst holds 1 to {MOST_BITS}")
    octets = -(-length // 8)
    rows = -(-octets // ROW)
    last = octets - (rows - 1) * ROW
    checks = 0 if last <= 2 else 2 if last <= 30 else 4 if last <= 67 else 6
    sent = np.ones((rows, 255), bool)
    sent[-1, last:ROW] = False
    sent[-1, ROW + checks :] = False
    columns, row = np.nonzero(sent.T)
    return Layout(length, octets, rows, checks, row * 255 + columns)


def encode(bits: np.ndarray) -> np.ndarray:
    """Give the scrambled bits after the unique word, uint8, for data bits (flags and stuffing in them)."""
    shape = layout(len(bits))
    octets = np.packbits(np.asarray(bits, np.uint8), bitorder="little").tobytes()
    words = [
        CODE.encode(octets[k * ROW : (k + 1) * ROW].ljust(ROW, b"\0"))  # filled at the end, fill not sent
        for k in range(shape.rows)
    ]
    sent = np.frombuffer(b"".join(words), np.uint8)[shape.order]
    plain = np.concatenate([header(len(bits)), np.unpackbits(sent, bitorder="little")])
    return plain ^ scrambling(len(plain))


@dataclass(frozen=True, slots=True)
class Row:
    """One row: its data octets as they may have been sent, and how the reading was come by."""

    octets: bytes
    changed: int | None  # octets corrected; None: the code did not agree


def readings(soft: np.ndarray, shape: Layout) -> list[list[Row]]:
    """Give for every row its possible readings, the likeliest first, from descrambled soft data bits.

    `soft` is float32 (8 * sent octets,). Beside plain decoding the least reliable octets are erased, two, then
    four (generalised minimum distance, G. D. Forney 1966, from memory), and the check octets are tried in the
    three other orders of octets and bits, because the standard's note on that is cut in the scan. The octets as
    received come last.
    """
    bits = (soft > 0).astype(np.uint8)
    values = np.packbits(bits, bitorder="little")
    trust = np.abs(soft).reshape(-1, 8).min(axis=1)
    grid = np.zeros(shape.rows * 255, np.uint8)
    grid[shape.order] = values
    doubt = np.full(shape.rows * 255, np.inf)
    doubt[shape.order] = trust
    return [
        list(
            _row_readings(
                grid[k * 255 : (k + 1) * 255].tobytes(),
                doubt[k * 255 : (k + 1) * 255],
                min(shape.octets - k * ROW, ROW),
                shape.checks if k == shape.rows - 1 else CHECKS,
            )
        )
        for k in range(shape.rows)
    ]


def _row_readings(word: bytes, doubt: np.ndarray, count: int, sent: int) -> Iterator[Row]:
    raw = word[:count]
    if sent == 0:
        yield Row(raw, None)
        return
    missing = list(range(ROW + sent, 255))
    weakest = np.argsort(doubt, kind="stable")[:4].tolist()
    seen = set()
    for erased in (0, 2, 4):
        if erased <= sent:
            row = _decoded(word, [*missing, *weakest[:erased]], count)
            if row and row.octets not in seen:
                seen.add(row.octets)
                yield row
                if erased == 0 and 2 * (row.changed or 0) < sent:
                    return  # well within what the code corrects
    checks = word[ROW : ROW + sent]
    yield Row(raw, None)
    other = checks.translate(_REVERSED)
    for tail, gone in (
        (other + bytes(CHECKS - sent), missing),
        (bytes(CHECKS - sent) + checks[::-1], list(range(ROW, 255 - sent))),
        (bytes(CHECKS - sent) + other[::-1], list(range(ROW, 255 - sent))),
    ):
        row = _decoded(word[:ROW] + tail, gone, count)
        if row and row.octets not in seen:
            seen.add(row.octets)
            yield row


def _decoded(word: bytes, erasures: list[int], count: int) -> Row | None:
    """Give a row as the code corrects it; what was not sent must come out as the zeros it stood for."""
    got = CODE.decode(word, erasures)
    if got is None or any(got[0][count:]):
        return None
    changed = np.frombuffer(got[0], np.uint8) != np.frombuffer(word[:ROW], np.uint8)
    return Row(got[0][:count], int(np.count_nonzero(changed)))
