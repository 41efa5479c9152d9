"""Golay(23,12) against its known properties, and digital squelch words against the published list."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from earwitness.coding.golay import DCS_CODES, GENERATOR, dcs_word, decode, encode, remainder

# Weight distribution of the binary Golay code (MacWilliams and Sloane, ch. 2, from memory).
WEIGHTS = {0: 1, 7: 253, 8: 506, 11: 1288, 12: 1288, 15: 506, 16: 253, 23: 1}

# Project sheet of land mobile values, section 6.2: words read in radio service manuals, last-sent bit first.
WORDS = {"023": 0x763813, "025": 0x6B7815, "131": 0x3D3859, "156": 0x4A786E, "172": 0x05F87A, "754": 0x20F9EC}


def test_weight_distribution_is_that_of_the_golay_code():
    counts: dict[int, int] = {}
    for data in range(4096):
        weight = encode(data).bit_count()
        counts[weight] = counts.get(weight, 0) + 1
    assert counts == WEIGHTS


def test_generator_divides_the_cyclic_modulus():
    # x^23 + 1 is divisible by the generator: the code is cyclic. Long division over GF(2).
    value = (1 << 23) | 1
    for at in range(23, 10, -1):
        if value >> at & 1:
            value ^= GENERATOR << (at - 11)
    assert value == 0


@given(st.integers(0, 4095), st.sets(st.integers(0, 22), max_size=3))
def test_any_three_errors_are_corrected(data, places):
    error = sum(1 << place for place in places)
    assert decode(encode(data) ^ error) == (data, len(places))


@given(st.integers(0, (1 << 23) - 1))
def test_every_word_decodes(word):
    data, errors = decode(word)
    assert 0 <= errors <= 3
    assert (encode(data) ^ word).bit_count() == errors


@pytest.mark.parametrize(("code", "word"), WORDS.items())
def test_dcs_words_match_the_published_list(code, word):
    assert dcs_word(code) == word


def test_dcs_023_on_air():
    # Same sheet: 023 on air, first bit first.
    assert "".join(str(dcs_word("023") >> n & 1) for n in range(23)) == "11001000000111000110111"


def test_dcs_list_has_83_codes_in_different_rotation_classes():
    assert len(DCS_CODES) == len(set(DCS_CODES)) == 83

    def least(word: int) -> int:
        return min((word >> n | word << (23 - n)) & 0x7FFFFF for n in range(23))

    assert len({least(dcs_word(code)) for code in DCS_CODES}) == 83
    # 023 inverted is 047 (same sheet): the reason that polarity is read as upright.
    assert least(dcs_word("023") ^ 0x7FFFFF) == least(dcs_word("047"))
    assert remainder(encode(0x5A5)) == 0
