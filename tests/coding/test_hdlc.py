"""HDLC framing against the sheet's worked AIS and AX.25 bits, and round trips."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from earwitness.coding.hdlc import (
    FLAG,
    Deframer,
    encode,
    frame_at,
    hard_bits,
    nrzi_decode,
    nrzi_encode,
    repairs,
    stuff,
)
from earwitness.core.errors import ParameterError


def bits_of(text, count=None):
    return np.unpackbits(np.frombuffer(bytes.fromhex(text), np.uint8), count=count)


# Marine sheet 1.4: the whole AIS burst of a published sentence (computed there by other code).
AIS_OCTETS = bytes.fromhex("044B572F74000C4DC8EEC31C2712A92E758E006094")
AIS_BITS = bits_of("5555557E20D2EAF42E0030B21377C19C72244ABA5738800314AD373F00", 225)
AIS_LEVELS = bits_of("CCCCCCFE95C9E60D6155758948F02BBD096D26793085AAA8B263708080", 225)


def test_ais_vector():
    assert np.array_equal(AIS_BITS[24:], encode(AIS_OCTETS))
    assert np.array_equal(AIS_LEVELS, nrzi_encode(AIS_BITS, 0))
    assert np.array_equal(AIS_BITS, nrzi_decode(AIS_LEVELS, 0))
    (frame,) = Deframer().feed(AIS_BITS)
    assert (frame.octets, frame.start, frame.stop) == (AIS_OCTETS, 32, 217)
    assert frame_at(AIS_BITS, 32) == frame


@given(st.lists(st.integers(0, 1), max_size=300), st.integers(0, 1))
def test_nrzi(bits, level):
    assert nrzi_decode(nrzi_encode(np.array(bits, np.uint8), level), level).tolist() == bits


@given(st.lists(st.binary(min_size=1, max_size=60), max_size=6), st.data())
def test_stream_any_cut(payloads, data):
    line = np.concatenate([np.ones(9, np.uint8), *(encode(p) for p in payloads), FLAG])
    deframer, found, at = Deframer(max_octets=60), [], 0
    while at < len(line):
        step = data.draw(st.integers(1, 200))
        found += deframer.feed(line[at : at + step])
        at += step
    assert [f.octets for f in found] == payloads
    for frame in found:
        assert frame_at(line, frame.start) == frame
        assert np.array_equal(line[frame.start - 8 : frame.start], FLAG)


def test_one_flag_between_and_shared_zero():
    first, second = encode(b"first frame", flags_after=0), encode(b"second frame")
    assert [f.octets for f in Deframer().feed(np.concatenate([first, second]))] == [
        b"first frame",
        b"second frame",
    ]
    shared = np.concatenate([encode(b"first frame"), second[1:]])  # 011111101111110
    assert [f.octets for f in Deframer().feed(shared)] == [b"first frame", b"second frame"]


def test_limits():
    line = encode(bytes(20))
    assert Deframer(max_octets=19).feed(line) == []
    assert Deframer(min_octets=21).feed(line) == []
    assert len(Deframer(min_octets=20, max_octets=20).feed(line)) == 1
    assert frame_at(line, 8, max_octets=19) is None
    with pytest.raises(ParameterError):
        Deframer(min_octets=0)


@pytest.mark.parametrize("lag", [0, 1, 2])
def test_repair_of_weak_symbols(lag):
    rng = np.random.default_rng(5)
    bits = np.concatenate([np.zeros(8, np.uint8), encode(AIS_OCTETS)])
    symbols = np.empty(len(bits), np.float32)
    for k, bit in enumerate(bits):
        before = symbols[k - lag] > 0 if k >= lag > 0 else True
        symbols[k] = 1 if (bit == 1) == before else -1
    assert np.array_equal(hard_bits(symbols, lag)[lag:], bits[lag:])
    symbols *= rng.uniform(0.5, 1, len(symbols)).astype(np.float32)
    symbols[40] *= -0.1
    symbols[70] *= -0.2
    assert frame_at(hard_bits(symbols, lag), 16) is None
    frame = next(repairs(symbols, 16, lag=lag))
    assert (frame.octets, frame.flips) == (AIS_OCTETS, (40, 70))
    assert list(repairs(symbols, 16, lag=lag, max_flips=1)) == []
    assert list(repairs(symbols, 16, lag=lag, stop=60)) == []


@given(st.binary(max_size=400), st.integers(0, 50))
def test_hostile(data, start):
    bits = np.unpackbits(np.frombuffer(data, np.uint8))
    Deframer(max_octets=8).feed(bits)
    frame_at(bits, start, max_octets=8)
    list(repairs(bits.astype(np.float32) - 0.5, start, max_octets=8))


def test_stuff_counts_the_inserted_zero():
    assert stuff(np.ones(11, np.uint8)).tolist() == [1] * 5 + [0] + [1] * 5 + [0] + [1]
