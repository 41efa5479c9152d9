"""Channel coding of CCSDS telemetry against another implementation and published values."""

import binascii

import numpy as np
import pytest
import reedsolo
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.coding.ccsds import (
    BELIEVED,
    BlockCode,
    Deframer,
    attach,
    crc_frame_ok,
    find_markers,
    long_sequence,
    randomize,
    standard_codes,
)
from earwitness.core.errors import ParameterError

SYNC_HEX = "1ACFFC1D"  # CCSDS 131.0-B, attached sync marker
# CCSDS 131.0-B prints the sequence's first 40 bits as 1111 1111 0100 1000 0000 1110 1100 0000 1001 1010; twenty
# octets as computed twice elsewhere from x^8 + x^7 + x^5 + x^3 + 1 and all ones.
SEQUENCE_HEX = "FF480EC09A0D70BC8E2C93ADA7B746CE5A977DCC"


def reference(errors):
    """The same code by another library: roots a^(11 j), j from 128 - E, over 0x187."""
    powers, value = [], 1
    for _ in range(255):
        powers.append(value)
        value = value << 1 ^ (0x187 if value & 128 else 0)
    return reedsolo.RSCodec(2 * errors, prim=0x187, fcr=128 - errors, generator=powers[11])


@pytest.mark.parametrize("depth", [1, 2, 3, 4, 5, 8])
@pytest.mark.parametrize("errors", [16, 8])
def test_codeblock_equals_one_made_elsewhere(depth, errors):
    rng = np.random.default_rng(depth)
    code = BlockCode(depth, errors=errors, dual=False, randomizer="none")
    frame = rng.bytes(code.data_octets)
    words = [bytes(reference(errors).encode(frame[k::depth])) for k in range(depth)]
    block = bytes(words[n % depth][n // depth] for n in range(255 * depth))  # octet by octet
    assert code.encode(frame) == block
    damaged = bytearray(block)
    for place in rng.choice(255, errors, replace=False):
        for k in range(depth):
            damaged[place * depth + k] ^= int(rng.integers(1, 256))
    assert code.decode(bytes(damaged)) == (frame, [errors] * depth)


def test_randomizer():
    assert randomize(bytes(20)).hex().upper() == SEQUENCE_HEX
    assert randomize(bytes(510))[255:] == randomize(bytes(255))
    assert randomize(randomize(b"anything", "131071-bit"), "131071-bit") == b"anything"
    with pytest.raises(ParameterError):
        randomize(b"", "other")


def test_long_randomizer_has_its_full_period():
    """x^17 + x^14 + 1 is primitive: the period is 131071 bits and holds 65536 ones (the start is from memory)."""
    bits = np.unpackbits(np.frombuffer(long_sequence(2 * 131071 // 8 + 2), np.uint8))
    assert bits[:131071].sum() == 65536
    assert np.array_equal(bits[:131000], bits[131071 : 131071 + 131000])
    assert "".join(map(str, bits[:17])) == "11000111000111000"


def test_marker_search_counts_wrong_bits():
    rng = np.random.default_rng(1)
    bits = rng.integers(0, 2, 4000).astype(np.uint8)
    word = np.unpackbits(np.frombuffer(bytes.fromhex(SYNC_HEX), np.uint8))
    bits[100:132] = word
    bits[900:932] = 1 - word
    bits[905] ^= 1
    bits[2000:2032] = word
    bits[[2000, 2010, 2031]] ^= 1
    assert find_markers(bits, 0).tolist() == [[100, 0, 0], [900, 1, 1]]
    assert [2000, 3, 0] in find_markers(bits, 0, most=3).tolist()
    assert find_markers(bits, 132).tolist() == [[900, 1, 1]]


CODES = [
    BlockCode(),
    BlockCode(4, dual=False),
    BlockCode(5, randomizer="131071-bit"),
    BlockCode(1, errors=8),
    BlockCode(2, 180, 8, True, "none"),
    BlockCode(1, 100, 16, False),
]


@pytest.mark.parametrize("code", CODES, ids=str)
@pytest.mark.parametrize("inverted", [0, 1])
def test_blocks_are_found_among_errors(code, inverted):
    rng = np.random.default_rng(2)
    frames = [rng.bytes(code.data_octets) for _ in range(3)]
    marker = np.unpackbits(np.frombuffer(bytes.fromhex(SYNC_HEX), np.uint8))
    noise = [rng.integers(0, 2, n).astype(np.uint8) for n in (777, 400)]
    bits = np.concatenate([noise[0], attach(code, frames), marker, noise[1]]) ^ np.uint8(inverted)
    bits[rng.random(len(bits)) < 0.001] ^= 1
    deframer = Deframer(standard_codes(), any_length=True)
    got = []
    for at in range(0, len(bits), 613):
        part = bits[at : at + 613]
        got += deframer.feed(part, np.arange(at, at + len(part)))
    got += deframer.close()
    assert [block.frame for block in got] == frames
    for k, block in enumerate(got):
        assert block.code == code
        assert block.start == 777 + k * (32 + 8 * code.octets)
        assert block.chance_log10 < BELIEVED or k


def test_frame_with_only_a_crc_between_markers():
    crcmod = pytest.importorskip("crcmod")
    check = crcmod.mkCrcFun(0x11021, initCrc=0xFFFF, rev=False)  # 132.0-B: x^16 + x^12 + x^5 + 1, ones
    rng = np.random.default_rng(3)
    frame = rng.bytes(200)
    frame += check(frame).to_bytes(2, "big")
    assert crc_frame_ok(frame)
    assert not crc_frame_ok(frame[:-1] + b"\0")
    marker = bytes.fromhex(SYNC_HEX)
    bits = np.unpackbits(np.frombuffer(rng.bytes(50) + marker + frame + marker + rng.bytes(50), np.uint8))
    deframer = Deframer(standard_codes(), any_length=True)
    got = deframer.feed(bits, np.arange(len(bits))) + deframer.close()
    assert [block.frame for block in got] == [frame]
    assert got[0].code is None


def test_random_bits_give_nothing():
    bits = np.random.default_rng(4).integers(0, 2, 3_000_000).astype(np.uint8)
    places = np.arange(len(bits))
    deframer = Deframer(standard_codes(), any_length=True)
    assert deframer.feed(bits, places) + deframer.close() == []


@pytest.mark.parametrize("pattern", ["00", "FF", "AA", "55", "CC33", "0F0F1E1E"])
def test_idle_patterns_after_a_marker_are_no_frames(pattern):
    """Words of equal octets pass every Reed-Solomon check, under the randomizer too."""
    body = bytes.fromhex(pattern) * 1200
    bits = np.unpackbits(np.frombuffer(bytes.fromhex(SYNC_HEX) + body, np.uint8))
    deframer = Deframer(standard_codes(), any_length=True)
    assert deframer.feed(bits, np.arange(len(bits))) + deframer.close() == []


@pytest.mark.parametrize("kind", ["text", "zeros", "crc"])
@pytest.mark.parametrize("randomizer", ["none", "255-bit"])
@pytest.mark.parametrize("depth", [1, 4, 5])
def test_randomized_or_not_is_told_from_the_frame(kind, randomizer, depth):
    """The 255-bit sequence is a word of the code itself, at depths 1, 2, 4 and 8: both readings decode."""
    rng = np.random.default_rng(depth)
    code = BlockCode(depth, randomizer=randomizer)
    size = code.data_octets
    frame = {
        "text": (b"invented telemetry: 7.9 V 0.31 A 21 C. " * 40)[:size],
        "zeros": rng.bytes(40) + bytes(size - 50) + rng.bytes(10),
        "crc": rng.bytes(size - 2),
    }[kind]
    if kind == "crc":
        frame += binascii.crc_hqx(frame, 0xFFFF).to_bytes(2, "big")
    bits = attach(code, [frame, frame])
    deframer = Deframer(standard_codes(), any_length=True)
    got = deframer.feed(bits, np.arange(len(bits))) + deframer.close()
    assert [(block.frame, block.code) for block in got] == [(frame, code)] * 2


def test_bound_on_chance():
    """Sixteen of sixteen octets corrected: 1 in 16! words, nearly; with the marker far below a random hit."""
    code = BlockCode()
    assert code.chance(0, [16]) == pytest.approx(-32 * np.log10(2) + np.log10(2) - 13.3, abs=0.5)
    assert BlockCode(errors=8).chance(2, [8]) > BELIEVED  # never believed unless expected
    assert BlockCode(errors=8).chance(0, [4]) < BELIEVED


@settings(max_examples=40, deadline=None)
@given(st.binary(max_size=400), st.lists(st.integers(0, 400), max_size=4))
def test_any_bits_are_borne(octets, cuts):
    bits = np.unpackbits(np.frombuffer(bytes.fromhex(SYNC_HEX) + octets, np.uint8))
    deframer = Deframer(standard_codes(), any_length=True)
    for part in np.split(bits, sorted(cut % (len(bits) + 1) for cut in cuts)):
        deframer.feed(part, np.zeros(len(part)))
    deframer.close()


def test_refuses_a_frame_that_does_not_fit():
    with pytest.raises(ParameterError):
        BlockCode().encode(bytes(222))
