"""Scramblers: lengths, responses and the telemetry sequence against the project's sheet of checked values."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from earwitness.coding.scramble import ccsds_sequence, descramble, scramble


def test_responses_of_the_packet_scrambler():
    # the sheet: 1 and 63 zeros; 64 ones; each from the zero state
    one = np.zeros(64, np.uint8)
    one[0] = 1
    assert np.packbits(scramble(one)).tobytes().hex().upper() == "8008408028429008"
    assert np.packbits(scramble(np.ones(64, np.uint8))).tobytes().hex().upper() == "FFF07F00307CE00F"


def test_one_line_error_becomes_three():
    line = scramble(np.zeros(100, np.uint8) + 1)
    line[40] ^= 1
    assert np.flatnonzero(descramble(line) != 1).tolist() == [40, 52, 57]


@given(st.lists(st.integers(0, 1), max_size=200))
def test_there_and_back(bits):
    bits = np.array(bits, np.uint8)
    assert (descramble(scramble(bits)) == bits).all()


def test_telemetry_sequence():
    # CCSDS 131.0-B: FF 48 0E C0 9A 0D 70 BC ..., period 255 bits
    assert ccsds_sequence(20).hex().upper() == "FF480EC09A0D70BC8E2C93ADA7B746CE5A977DCC"
    bits = np.unpackbits(np.frombuffer(ccsds_sequence(128), np.uint8))
    assert (bits[:255] == bits[255:510]).all()
