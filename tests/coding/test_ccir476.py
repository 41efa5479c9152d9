"""The seven-element code against the table and the constructed stream of the project's sheet."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from earwitness.coding import ccir476
from earwitness.core.errors import ParameterError

# Elements as ITU-R M.625 table 1 prints them (sheet of marine modes, section 3; the table there was restored from the
# constant weight and verified).
PRINTED = {
    "A": "BBBYYYB", "E": "YBBYBYB", "N": "BYYBBYB", "Q": "YBBBYBY", "Z": "BBYYYBB",
    "alpha": "BBBBYYY", "beta": "BBYYBBY", "repeat": "YBBYYBB", "figures": "YBBYBBY", "letters": "YBYBBYB",
    " ": "YYBBBYB", "\r": "YYYBBBB", "\n": "YYBBYBB", "blank": "YBYBYBB",
}  # fmt: skip
# "ZCZC AB01 CR LF TEST CR LF NNNN" with three phasing pairs (the same section; 406 bits)
STREAM = (
    "67E19F867E31F8B9E31E3B970EE3E37139D6DC6D2774D87DA36E968F2E6DAADD25CBB51FA4D979A3E69B9B366CDF137C4DF1E0"
)


def test_words_are_those_printed():
    for name, elements in PRINTED.items():
        assert "".join("YB"[bit] for bit in ccir476.WORDS[ccir476.INDEX[name]]) == elements, name


def test_all_35_words_of_weight_four():
    assert len({tuple(word) for word in ccir476.WORDS.tolist()}) == 35
    assert (ccir476.WORDS.sum(axis=1) == 4).all()


def test_constructed_stream():
    bits = ccir476.broadcast_bits(ccir476.to_indices("ZCZC AB01\r\nTEST\r\nNNNN"), phasing_pairs=3)
    assert len(bits) == 406
    assert int("".join(map(str, bits)), 2) << 2 == int(STREAM, 16)


def test_what_the_alphabet_lacks_is_refused():
    with pytest.raises(ParameterError, match="alphabet"):
        ccir476.to_indices("50%")


@given(st.text(alphabet="ABCXYZ 0189-?:().,'=/+\r\n", max_size=60))
def test_text_survives(text):
    assert ccir476.to_text(ccir476.to_indices(text)) == text


def test_second_copy_mends_a_character():
    sent = ccir476.SIGNS[ccir476.INDEX["K"]]
    spoiled = sent.copy()
    spoiled[[1, 2]] *= -0.5
    best, chance = ccir476.odds((3 * spoiled + 3 * sent)[None])
    assert best[0] == ccir476.INDEX["K"]
    assert chance[0] > 0.95
    assert ccir476.hard(sent[None])[0] == ccir476.INDEX["K"]
    assert ccir476.hard(np.ones((1, 7), np.float32))[0] == -1
