"""BCH: the double-error-correcting (15, 7) code of textbooks, and the beacons' codes by their orders."""

from itertools import combinations

import pytest

from earwitness.coding.bch import Bch

TEXTBOOK = Bch(
    0b111010001, 15, 2
)  # g = x^8+x^7+x^6+x^4+1 (Lin and Costello, Error Control Coding, from memory)


def test_every_codeword_is_five_apart():
    words = [TEXTBOOK.encode(data) for data in range(128)]
    assert min((a ^ b).bit_count() for a, b in combinations(words, 2)) == 5
    assert all(TEXTBOOK.remainder(word) == 0 for word in words)


def test_up_to_two_errors_are_corrected():
    word = TEXTBOOK.encode(0b1010011)
    for count in range(3):
        for places in combinations(range(15), count):
            error = sum(1 << place for place in places)
            assert TEXTBOOK.decode(word ^ error) == (word, error)
            assert (TEXTBOOK.decode(word ^ error, most=1) is None) == (count > 1)


def test_chance_is_the_share_of_words_that_pass():
    passed = sum(TEXTBOOK.decode(word) is not None for word in range(1 << 15))
    assert TEXTBOOK.chance(2) == pytest.approx(passed / (1 << 15))


@pytest.mark.parametrize(("generator", "order"), [(0x26D9E3, 127), (0x1539, 63)])
def test_generators_divide_one_length_and_none_shorter(generator, order):
    """Orders as the coding guide's polynomials of degree 7 and 6 must have (C/S coding guide)."""
    code = Bch(generator, order + 1, 0)
    lengths = [n for n in range(1, order + 1) if code.remainder(1 << n | 1) == 0]
    assert lengths == [order]
