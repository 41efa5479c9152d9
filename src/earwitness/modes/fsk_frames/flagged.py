"""Frames between HDLC flags that are not AX.25 as radios mostly send it: other line codes, checks and codes.

Transceiver chips with an HDLC engine (from memory of a data sheet, and measured on a satellite off the air): flags,
zero insertion, octets least significant bit first, NRZ or NRZI, with or without the packet radio scrambler, and a
CRC-16 (x^16 + x^15 + x^2 + 1) or the FCS of ISO/IEC 13239. With forward error correction the stuffed bits, flags too,
go through a convolutional code of rate 1/2 and constraint length 5 (octal 23 and 35, the first symbol inverted), and
16 symbols at a time are written into a square by rows and sent by columns.

A second framing was measured on a satellite off the air: two flags, octets (least significant bit first) of a
Reed-Solomon word shortened from (255,239), field polynomial 11D, first root 1, two flags.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from math import comb, log10

import numpy as np

from earwitness.coding.crc import CRC16_IBM_SDLC, Crc
from earwitness.coding.hdlc import nrzi_decode
from earwitness.coding.reed_solomon import ReedSolomon
from earwitness.coding.scramble import descramble
from earwitness.dsp.jit import kernel
from earwitness.modes.fsk_frames.framing import Found, Word, find_words

FLAGS = Word(0x7E7E, 16, 0)
FRAMING = "flags, CRC-16"
CODED_FRAMING = "flags, Reed-Solomon"
USB = Crc("CRC-16/USB", 16, 0x8005, 0xFFFF, True, True, 0xFFFF)  # as public catalogues list it
CHECKS = (USB, CRC16_IBM_SDLC)
LEAST, MOST = 10, 1024  # octets with check
PARITY = 16
BELIEVED = -12.0  # log10 of the chance that random octets pass as a Reed-Solomon word
SIDE = 4  # of the square
TAPS = (0b10011, 0b11101)  # newest bit first
STATES = 16
RUN = 128  # pairs that are judged together
LEAST_MADE = 96  # of the checks of a run
KEPT = 0.32  # of the checks made that may be broken: one symbol in 20 wrong breaks a quarter, chance a half


@kernel("void(float32[::1], int64[::1], uint8[::1])")
def _viterbi(soft: np.ndarray, taps: np.ndarray, out: np.ndarray) -> None:
    """Give the likeliest bits of pairs of soft symbols (positive is one), the first of each pair inverted."""
    count = len(out)
    choices = np.empty((count, STATES), np.uint8)
    before = np.zeros(STATES, np.float32)
    after = np.zeros(STATES, np.float32)
    first = np.empty(2 * STATES, np.float32)
    second = np.empty(2 * STATES, np.float32)
    for register in range(2 * STATES):
        signs = np.ones(2, np.float32)
        for k in range(2):
            bits = register & taps[k]
            while bits:
                signs[k] = -signs[k]
                bits &= bits - 1
        first[register] = signs[0]
        second[register] = -signs[1]
    for n in range(count):
        a = soft[2 * n]
        b = soft[2 * n + 1]
        for state in range(STATES):
            # the newest bit is the state's highest; the bit that left is either
            low = state << 1
            even = before[low & 15] + first[low] * a + second[low] * b
            odd = before[(low | 1) & 15] + first[low | 1] * a + second[low | 1] * b
            choices[n, state] = odd > even
            after[state] = max(odd, even)
        top = after[0]
        for state in range(STATES):
            before[state] = after[state] - top
    state = int(np.argmax(before))
    for n in range(count - 1, -1, -1):
        out[n] = state >> 3
        state = (state << 1 | choices[n, state]) & 15


def deinterleaved(soft: np.ndarray) -> np.ndarray:
    """Give symbols (n,) of whole squares in the order in which the code made them."""
    squares = soft[: len(soft) // SIDE**2 * SIDE**2].reshape(-1, SIDE, SIDE)
    return np.ascontiguousarray(squares.transpose(0, 2, 1)).reshape(-1)


@kernel("void(uint8[::1], int64[:,:,::1])")
def _broken(symbols: np.ndarray, out: np.ndarray) -> None:
    """Give for each RUN pairs of hard symbols in whole squares (checks of the code that are broken, checks made).

    Row k is of squares that begin k symbols later. Where symbols repeat from square to square (flags, a preamble) they
    say nothing, and no check is made.
    """
    for start in range(len(out)):
        hard = symbols[start:]
        first = 0
        second = 0
        for run in range(out.shape[1]):
            total = 0
            made = 0
            last = (len(hard) - run * 2 * RUN) // 16
            for square in range(run * RUN // 8, run * RUN // 8 + min(RUN // 8, last)):
                wrong = 0
                changed = 0
                for place in range(0, 16, 2):
                    at = 16 * square + (place & 3) * SIDE + (place >> 2)
                    next_at = 16 * square + ((place + 1) & 3) * SIDE + (place >> 2)
                    first = (first << 1 | hard[at]) & 31
                    second = (second << 1 | hard[next_at]) & 31
                    sums = (first & 0b10111) ^ (second & 0b11001)
                    wrong += (sums ^ sums >> 4 ^ sums >> 3 ^ sums >> 2 ^ sums >> 1) & 1
                    if square:
                        changed += hard[at] ^ hard[at - 16]
                        changed += hard[next_at] ^ hard[next_at - 16]
                if changed > 2:
                    total += wrong
                    made += 8
            out[start, run, 0] = total
            out[start, run, 1] = made


def _stretches(holds: np.ndarray) -> list[tuple[int, int]]:
    """Give (first run, past the last) of runs whose checks hold, each with one more on either side."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], holds.astype(np.int8), [0]])))
    out: list[tuple[int, int]] = []
    for low, high in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        low, high = max(low - 1, 0), high + 1
        if out and low <= out[-1][1]:
            out[-1] = (out[-1][0], high)
        else:
            out.append((low, high))
    return out


def convolved(soft: np.ndarray) -> list[Found]:
    """Give the frames behind the convolutional code in soft symbols float32 (n,), positive is one."""
    hard = (soft > 0).astype(np.uint8)
    out: list[Found] = []
    size = SIDE**2
    counts = np.empty((size, len(hard) // (2 * RUN), 2), np.int64)
    _broken(hard, counts)
    wrong, made = counts[:, :, 0], counts[:, :, 1]
    kept = made >= LEAST_MADE
    both = kept & (wrong < KEPT * made), kept & (made - wrong < KEPT * made)
    for start in np.flatnonzero((both[0] | both[1]).any(axis=1)).tolist():
        for inverted, holds in enumerate(both):
            for low, high in _stretches(holds[start]):
                at = start + low * 2 * RUN
                part = deinterleaved(soft[at : start + high * 2 * RUN + size])
                bits = np.empty(len(part) // 2, np.uint8)
                _viterbi(np.float32(-1 if inverted else 1) * part, np.array(TAPS, np.int64), bits)
                for found in between_flags(bits, "NRZ", CHECKS):
                    extra = {**found.extra, "coding": "K=5 rate 1/2, square of 16"}
                    name = found.check_name + ", after the convolutional code"
                    out.append(
                        replace(
                            found,
                            start=at + 2 * found.start,
                            stop=at + 2 * found.stop,
                            extra=extra,
                            check_name=name,
                        )
                    )
    return out


@kernel("int64(uint8[::1], int64, uint8[::1])")
def _destuff(bits: np.ndarray, at: int, out: np.ndarray) -> int:
    """Leave in out the bits from `at` to the next flag without the zeros put in; give where the flag begins, or -1.

    out[-4:] is how many there are, as a little-endian number; seven ones end it as well.
    """
    ones = 0
    count = 0
    for n in range(at, len(bits)):
        bit = bits[n]
        if bit:
            ones += 1
            if ones == 7:
                return -1
        else:
            if ones == 6:
                count -= 7  # the flag itself, but for its last zero
                for k in range(4):
                    out[len(out) - 4 + k] = (max(count, 0) >> (8 * k)) & 255
                return n - 7
            if ones == 5:
                ones = 0
                continue
            ones = 0
        if count == len(out) - 4:
            return -1
        out[count] = bit
        count += 1
    return -1


def _addressed(octets: bytes) -> bool:
    """Tell whether octets begin as AX.25 addresses do: six characters one bit up."""
    return all(not octet & 1 and octet >= 0x40 for octet in octets[:6])


def between_flags(bits: np.ndarray, line_code: str, checks: tuple[Crc, ...]) -> list[Found]:
    """Give the frames that begin after two flags at least and end at the next, with one of the checks right."""
    out: list[Found] = []
    held = np.empty(8 * MOST + 16, np.uint8)
    for at, _, inverted in find_words(bits, (FLAGS,)):
        if inverted:
            continue
        first = at + 16
        stop = int(_destuff(bits, first, held))
        size = int.from_bytes(held[-4:].tobytes(), "little") if stop >= 0 else 0
        if size % 8 or not 8 * LEAST <= size <= 8 * MOST:
            continue
        octets = np.packbits(held[:size], bitorder="little").tobytes()
        if len(set(octets)) < 4:
            continue
        for check in checks:
            if check is CRC16_IBM_SDLC and _addressed(octets):
                continue  # of mode ax25, heard by way of its reversals
            if check.of(octets[:-2]) == int.from_bytes(octets[-2:], "little"):
                name = f"{check.name} over {len(octets) - 2} octets"
                out.append(Found(octets[:-2], at, stop + 8, FRAMING, name, 0, {"line_code": line_code}))
                break
    return out


def plain(bits: np.ndarray) -> list[Found]:
    """Give the frames in line bits uint8 (n,) of every line code, but for what mode ax25 reads (NRZI with its FCS)."""
    same, clear = nrzi_decode(bits), descramble(bits)
    out: list[Found] = []
    for name, each in (("NRZ", bits), ("NRZ, inverted", 1 - bits), ("NRZ, scrambled", clear), ("NRZ, inverted, scrambled", 1 - clear)):  # fmt: skip
        out += between_flags(each.astype(np.uint8), name, CHECKS)
    out += between_flags(same, "NRZI", (USB,))
    return out + between_flags(descramble(same), "NRZI, scrambled", (USB,))


@cache
def _code() -> ReedSolomon:
    return ReedSolomon(PARITY, 0x11D, 1, 1)


def words(bits: np.ndarray) -> list[Found]:
    """Give the Reed-Solomon words between pairs of flags in line bits uint8 (n,)."""
    places = [(at, inverted) for at, _, inverted in find_words(bits, (FLAGS,))]
    out: list[Found] = []
    for k, (at, inverted) in enumerate(places):
        if any(other.start < at < other.stop for other in out):
            continue
        for end, same in places[k + 1 :]:
            size = end - at - 16
            if size > 8 * 255:
                break
            if same != inverted or size % 8 or size < 8 * (PARITY + LEAST):
                continue
            block = np.packbits(bits[at + 16 : end] ^ np.uint8(inverted), bitorder="little").tobytes()
            got = _code().decode(block)
            if got is None or len(set(got[0])) < 4:
                continue
            chance = sum(comb(len(block), j) * 255**j for j in range(got[1] + 1))
            if log10(chance) - PARITY * log10(256) > BELIEVED:
                continue
            name = f"Reed-Solomon ({len(block)},{len(got[0])}) shortened from 255,239"
            out.append(Found(got[0], at, end + 16, CODED_FRAMING, name, got[1]))
            break
    return out
