"""ACARS blocks against worked frames of the project's aviation sheet (section 2) and independent bursts; fuzzing."""

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from earwitness.core.errors import LayoutError
from earwitness.payloads.acars_block import (
    NAK,
    Block,
    build,
    from_characters,
    parity_errors,
    parse,
    parse_frame,
)

NONE = chr(NAK)
# Worked frames A, B and C (constructed from the rules by other code): SOH to DEL as sent.
FRAMES = {
    "0132AECE3132B3C1C21551B03102D3B031C15858B0B0B03183B2607F": Block(
        "2", ".N123AB", NONE, "Q0", "1", "S01AXX0001"
    ),
    "0132AED0C8ADC1C24315C831320246B031C15858B0B0B0315445D35420CD45D3D3C1C745203132B38327A97F": Block(
        "2", ".PH-ABC", NONE, "H1", "2", "F01AXX0001TEST MESSAGE 123"
    ),
    "0132AECE3132B3C1C231DF7FC18394FC7F": Block("2", ".N123AB", "1", "_\x7f", "A", None),
}


@pytest.mark.parametrize("sent", FRAMES)
def test_worked_frames(sent):
    octets = bytes.fromhex(sent)
    assert parse_frame(octets) == FRAMES[sent]
    assert build(FRAMES[sent]) == octets[1:-1]


def test_direction_and_information_bits():
    blocks = list(FRAMES.values())
    assert [block.downlink for block in blocks] == [True, True, False]
    assert blocks[2].bits().hex() == "322E4E313233414231" + "5F7F41"


def test_independent_transmitter():
    """Blocks of a transmitter made by others (recordings/independent): fields as its truth states them."""
    path = Path(__file__).parents[2] / ".." / "shared" / "recordings" / "independent" / "vhf_air.truth.json"
    if not path.is_file():
        pytest.skip("the shared recordings are not here")
    messages = [
        m for e in json.loads(path.read_text())["emissions"] for m in e["messages"] if "block_hex" in m
    ]
    assert messages
    for message in messages:
        octets = bytes.fromhex(message["block_hex"])
        block = parse_frame(octets[4:])
        assert block is not None
        assert block.address == message["registration"]
        assert (block.mode, block.label, block.block_id) == (
            message["mode"],
            message["label"],
            message["block_id"],
        )
        assert (block.text or "") == (message["msn"] or "") + (message["flight"] or "") + message["text"]
        assert build(block) == octets[5:-1]


@given(st.binary(max_size=300))
def test_anything_is_borne(octets):
    parse_frame(octets)
    block = from_characters(bytes(c & 0x7F for c in octets))
    if block:
        assert parse(build(block)) == block


@given(st.sampled_from(list(FRAMES)), st.data())
def test_three_wrong_bits_are_noticed(sent, data):
    """A CRC of this polynomial notices up to three wrong bits in blocks this short (distance 4)."""
    octets = bytearray(bytes.fromhex(sent)[1:-1])
    places = st.sets(st.integers(0, 8 * len(octets) - 1), min_size=1, max_size=3)
    for place in data.draw(places):
        octets[place // 8] ^= 1 << place % 8
    assert parse(bytes(octets)) is None


def test_parity_names_the_octet():
    octets = bytearray(bytes.fromhex(next(iter(FRAMES)))[1:-1])
    octets[4] ^= 4
    assert parity_errors(bytes(octets)) == [4]


def test_what_does_not_fit_is_refused():
    with pytest.raises(LayoutError):
        build(Block("2", ".N12", NONE, "Q0", "1", ""))
    with pytest.raises(LayoutError):
        build(Block("2", ".N123AB", NONE, "Q0", "1", "X" * 221))
    with pytest.raises(LayoutError):
        build(Block("2", ".N123AB", NONE, "Q0", "1", "Ä"))
