"""Reed-Solomon codes against another implementation and against published values."""

import numpy as np
import pytest
import reedsolo
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.coding.reed_solomon import FROM_DUAL, TO_DUAL, ReedSolomon
from earwitness.core.errors import ParameterError

# roots, field polynomial, first root, step: VHF data links, CCSDS 131.0-B, UAT long, a common one.
CODES = [
    (6, 0x187, 120, 1),
    (32, 0x187, 112, 11),
    (16, 0x187, 112, 11),
    (14, 0x187, 120, 1),
    (5, 0x11D, 0, 1),
]


def test_generator_of_the_vhf_data_links():
    """Product of (x - a^120) to (x - a^125) over x^8 + x^7 + x^2 + x + 1, ICAO Annex 10 vol. III (computed
    twice elsewhere from the printed rule)."""
    assert ReedSolomon(6, 0x187, 120).generator.hex() == "01d9633ed98217"


def test_check_octets_of_the_published_burst():
    """ICAO Annex 10 vol. I, attachment D table D-9: 92 application octets, zeros to 249, checks b5 to b0."""
    octets = (
        "55 05 4B 30 20 3A 94 0F F0 40 60 30 F2 98 C0 C8 40 28 E0 61 47 5D 48 09 7B C9 00 AD D8 33 3C BF 34 07 "
        "40 AA 81 34 80 26 00 B2 15 A5 45 26 13 94 08 F0 40 60 30 86 90 A8 04 70 28 E0 3D 83 ED 48 38 C5 E9 00 4B D8 "
        "DF 46 40 3C 21 BF 8C 81 B4 80 26 00 EB 05 B2 F5 26 13 D9 7F C0 EA"
    )  # fmt: skip
    sent = bytes(int(f"{octet:08b}"[::-1], 2) for octet in bytes.fromhex(octets))
    word = ReedSolomon(6, 0x187, 120).encode(sent.ljust(249, b"\0"))
    assert len(sent) == 92
    assert word[249:].hex() == "d889543da4a1"


def test_ccsds_generator_reads_the_same_both_ways():
    """CCSDS 131.0-B chooses roots a^(11 j), j = 112..143, so that the generator is its own reverse."""
    code = ReedSolomon(32, 0x187, 112, 11)
    assert code.generator == code.generator[::-1]


def test_ccsds_check_octets():
    """Check octets of 00 to DE in the usual and in the dual basis, as two other libraries compute them."""
    message = bytes(range(223))
    code = ReedSolomon(32, 0x187, 112, 11)
    plain = "2fbd4fb4748494b9acd554627212eeb3ebed41191de1d36320ea49290b25abcf"
    dual = "4ffb92dd557ec67f27fb8982cf58f8fd028ad117fcef6b2793d0418826578651"
    assert code.encode(message)[223:].hex() == plain
    assert code.encode(message.translate(FROM_DUAL)).translate(TO_DUAL)[223:].hex() == dual


def test_dual_basis():
    """CCSDS 131.0-B, annex on the change of basis: images of a^7 .. a^0 (the matrix, from memory)."""
    rows = [0b10001101, 0b11101111, 0b11101100, 0b10000110, 0b11111010, 0b10011001, 0b10101111, 0b01111011]
    assert [TO_DUAL[1 << k] for k in range(7, -1, -1)] == rows
    assert bytes(range(256)).translate(TO_DUAL).translate(FROM_DUAL) == bytes(range(256))


@pytest.mark.parametrize(("roots", "poly", "first", "step"), CODES)
def test_words_equal_those_of_another_implementation(roots, poly, first, step):
    rng = np.random.default_rng(roots)
    powers, value = [], 1
    for _ in range(255):
        powers.append(value)
        value = value << 1 ^ (poly if value & 128 else 0)
    reference = reedsolo.RSCodec(roots, prim=poly, fcr=first, generator=powers[step])
    code = ReedSolomon(roots, poly, first, step)
    for size in (1, 2, 30, 255 - roots):
        message = rng.bytes(size)
        assert code.encode(message) == bytes(reference.encode(message))


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(CODES), st.data())
def test_corrects_all_it_promises(code_facts, data):
    code = ReedSolomon(*code_facts)
    size = data.draw(st.integers(1, 255 - code.nroots))
    message = data.draw(st.binary(min_size=size, max_size=size))
    word = bytearray(code.encode(message))
    count = len(word)
    erased = data.draw(st.integers(0, min(code.nroots, count)))
    wrong = data.draw(st.integers(0, min((code.nroots - erased) // 2, count - erased)))
    places = data.draw(st.permutations(range(count)))[: erased + wrong]
    for k, place in enumerate(places):
        word[place] ^= data.draw(st.integers(0 if k < erased else 1, 255))
    got = code.decode(bytes(word), places[:erased])
    assert got is not None
    assert got[0] == message
    assert wrong <= got[1] <= wrong + erased


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from(CODES), st.binary(min_size=40, max_size=255), st.lists(st.integers(0, 39), max_size=40)
)
def test_what_it_gives_for_any_octets_is_a_word(code_facts, octets, erasures):
    code = ReedSolomon(*code_facts)
    got = code.decode(octets, erasures)
    if got is not None:
        word = code.encode(got[0])
        assert sum(a != b for a, b in zip(word, octets, strict=True)) == got[1] <= code.nroots


def test_refuses_what_is_no_code():
    for wrong in ((0, 0x187), (255, 0x187), (6, 0x11B), (6, 0x187, 0, 3)):
        with pytest.raises(ParameterError):
            ReedSolomon(*wrong)
    code = ReedSolomon(6, 0x187)
    for word, erasures in ((b"123456", ()), (bytes(256), ()), (bytes(9), (9,)), (bytes(9), (-1,))):
        with pytest.raises(ParameterError):
            code.decode(word, erasures)
    with pytest.raises(ParameterError):
        code.encode(bytes(250))
    assert code.decode(bytes(20), range(7)) is None
