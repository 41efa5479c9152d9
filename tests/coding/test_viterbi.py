"""The K = 7 code against a textbook encoder, published weights and sync-word check values."""

from math import comb, erfc, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.coding.viterbi import Viterbi, decode, encode
from earwitness.core.errors import ParameterError

# Total bit errors of all paths at distance d, for 171/133 (J. Conan, IEEE Trans. Comm. 1984, table; from memory).
BIT_WEIGHTS = {10: 36, 12: 211, 14: 1404, 16: 11633, 18: 77433, 20: 502690, 22: 3322763}


def textbook(bits, invert_second):
    """The same code as two polynomial products modulo 2, by numpy's ordinary convolution."""
    first = np.convolve(bits, [1, 1, 1, 1, 0, 0, 1])[: len(bits)] % 2  # 171 octal
    second = np.convolve(bits, [1, 0, 1, 1, 0, 1, 1])[: len(bits)] % 2  # 133 octal
    return np.stack([first, second ^ int(invert_second)], axis=1).reshape(-1)


def noisy(symbols, eb_n0_db, rate, rng):
    es = 10 ** (eb_n0_db / 10) * rate
    return (2.0 * symbols - 1 + rng.standard_normal(len(symbols)) / np.sqrt(2 * es)).astype(np.float32)


def union_bound(eb_n0_db):
    snr = 10 ** (eb_n0_db / 10)
    return sum(weight * 0.5 * erfc(sqrt(d * 0.5 * snr)) for d, weight in BIT_WEIGHTS.items())


def test_impulse():
    """Connection vectors 171 and 133 octal with the newest bit first: 11 10 11 11 00 01 11."""
    one = np.array([1, 0, 0, 0, 0, 0, 0], np.uint8)
    assert "".join(map(str, encode(one, invert_second=False))) == "11101111000111"


@pytest.mark.parametrize("invert", [False, True])
def test_encoder_equals_the_polynomial_product(invert):
    bits = np.random.default_rng(3).integers(0, 2, 999).astype(np.uint8)
    assert np.array_equal(encode(bits, invert_second=invert), textbook(bits.astype(int), invert))


def test_sync_word_convolved():
    """1ACFFC1D from the zero state: 035D49C24FF2686B; with G2 inverted 56081C971AA73D3E (computed twice elsewhere;
    the first is the one known for weather satellites, up to the symbols that depend on what went before)."""
    word = np.unpackbits(np.frombuffer(bytes.fromhex("1ACFFC1D"), np.uint8))
    assert np.packbits(encode(word, invert_second=False)).tobytes().hex().upper() == "035D49C24FF2686B"
    assert np.packbits(encode(word)).tobytes().hex().upper() == "56081C971AA73D3E"


def test_free_distance_is_ten():
    """The lightest path that leaves the zero state and comes back: distance 10 (CCSDS 130.1-G, from memory)."""
    least = min(
        int(encode(np.array([1, *map(int, f"{k:010b}"), *[0] * 6], np.uint8), invert_second=False).sum())
        for k in range(1024)
    )
    assert least == 10


def test_error_rate_meets_the_published_weights():
    """Below the union bound of the published weights, and near it where it is tight (3 to 4 dB)."""
    rng = np.random.default_rng(8)
    bits = rng.integers(0, 2, 600_000).astype(np.uint8)
    symbols = encode(bits)
    for eb_n0_db, least in ((3.0, 0.4), (3.5, 0.5)):
        decoder = Viterbi(start=0)
        soft = noisy(symbols, eb_n0_db, 0.5, rng)
        got = np.concatenate([decoder.feed(soft), decoder.close()])
        rate = np.mean(got != bits)
        assert least * union_bound(eb_n0_db) < rate < 1.15 * union_bound(eb_n0_db)


def test_whole_block_with_tail_and_streaming_agree():
    rng = np.random.default_rng(2)
    bits = np.concatenate([rng.integers(0, 2, 5000), np.zeros(6)]).astype(np.uint8)
    soft = noisy(encode(bits), 4.0, 0.5, rng)
    whole, agreed = decode(soft, start=0, stop=0)
    assert np.array_equal(whole, bits)
    assert 0.94 < agreed < 1.0
    stream = Viterbi(start=0)
    parts = [stream.feed(part) for part in np.split(soft, [1, 700, 701, 5000, 8001])]
    assert np.array_equal(np.concatenate([*parts, stream.close()]), bits)


@settings(max_examples=25, deadline=None)
@given(st.binary(min_size=1, max_size=60), st.booleans(), st.booleans())
def test_without_noise_any_octets_come_back(octets, inverted, negate):
    bits = np.concatenate([np.unpackbits(np.frombuffer(octets, np.uint8)), np.zeros(30, np.uint8)])
    soft = 2.0 * encode(bits, invert_second=inverted) - 1
    got, agreed = decode(-soft if negate else soft, invert_second=inverted, start=63 if negate else 0)
    if negate:  # complemented symbols give complemented bits
        got = got ^ 1
    assert np.array_equal(got[: len(got) - 20], bits[: len(got) - 20])
    assert agreed == pytest.approx(1.0, abs=1e-5)


def test_noise_agrees_with_nothing():
    rng = np.random.default_rng(5)
    assert decode(rng.standard_normal(8192), start=None)[1] < 0.88  # coded at 2 dB it is 0.93


def test_corrects_every_pattern_it_must():
    """Distance 10 means that any four wrong symbols far from others are put right."""
    rng = np.random.default_rng(6)
    bits = rng.integers(0, 2, 60).astype(np.uint8)
    bits[-6:] = 0
    clean = 2.0 * encode(bits) - 1
    for _ in range(min(300, comb(30, 4))):
        soft = clean.copy()
        soft[rng.choice(120, 4, replace=False)] *= -1
        assert np.array_equal(decode(soft, stop=0)[0], bits)


def test_refuses_what_is_no_code():
    with pytest.raises(ParameterError):
        decode(np.zeros(3))
    assert len(decode(np.zeros(0))[0]) == 0
    assert len(Viterbi().close()) == 0
