"""IEC 61162-1 sentences against published examples, and hostile lines."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from earwitness.core.errors import ParameterError
from earwitness.core.types import Bits
from earwitness.payloads.iec61162 import (
    SentenceAssembler,
    armour,
    checksum,
    parse_sentence,
    sentences,
    unarmour,
)

# Marine sheet 1.4, "Published": off-air sentences from four public origins, a type 5 in two parts among
# them, and the example of the standard's VDM annex (from memory; its checksum is right).
PUBLISHED = [
    ["!AIVDM,1,1,,A,14eG;o@034o8sd<L9i:a;WF>062D,0*7D"],
    ["!AIVDM,1,1,,A,?03Ovk1GP0?`000,2*33"],
    ["!AIVDM,1,1,,A,?03Ovk1GP`FP000,2*2A"],
    ["!AIVDM,1,1,,A,?03Ovk1a08oP000,2*1D"],
    [
        "!AIVDM,2,1,3,B,55P5TL01VIaAL@7WKO@mBplU@<PDhh000000001S;AJ::4A80?4i@E53,0*3E",
        "!AIVDM,2,2,3,B,1@0000000000000,2*55",
    ],
    ["!AIVDM,1,1,,A,1P000Oh1IT1svTP2r:43grwb0Eq4,0*01"],
]


@pytest.mark.parametrize("lines", PUBLISHED, ids=lambda lines: lines[0][7:20])
def test_published(lines):
    assembler = SentenceAssembler()
    results = [assembler.feed(line + "\r\n") for line in lines]
    assert results[:-1] == [None] * (len(lines) - 1)
    bits, channel = results[-1]
    if len(lines) == 1:
        assert sentences(bits, channel=channel) == lines
    else:
        assert bits.size == 424  # "msg 5, 424 bits" as its origin prints
        rebuilt = sentences(bits, channel=channel, sequence=3)
        again = SentenceAssembler()
        assert [again.feed(line) for line in rebuilt][-1] == (bits, channel)


def test_standard_armour_example():
    """Bits 000001 100000 become "1P", as a text of the standard shows (sheet 1.2, R8)."""
    assert armour(Bits(0b000001100000, 12)) == ("1P", 0)


@given(st.integers(1, 1064), st.data(), st.sampled_from([None, "A", "B"]), st.integers(0, 9))
def test_round_trip(size, data, channel, sequence):
    bits = Bits(data.draw(st.integers(0, (1 << size) - 1)), size)
    lines = sentences(bits, channel=channel, sequence=sequence)
    assert all(len(line) + 2 <= 82 for line in lines)
    assembler = SentenceAssembler()
    assert [assembler.feed(line) for line in lines][-1] == (bits, channel)


def test_wrong_lines():
    good = PUBLISHED[0][0]
    assert parse_sentence(good)
    for bad in (good[:-1] + "C", good.replace("VDM", "VDX"), good[1:], "", "!AIVDM,1,2,,A,0,0*00", "!" * 500):
        assert parse_sentence(bad) is None
    first, second = PUBLISHED[4]
    assembler = SentenceAssembler()
    assert assembler.feed(second) is None  # no first part
    assert assembler.feed(first) is None
    assert assembler.feed(first) is None  # starts over
    assert assembler.feed(second) is not None


def test_open_messages_are_bounded():
    assembler = SentenceAssembler(most_open=2)
    starts = []
    for sequence in range(3):
        lines = sentences(Bits(1, 424), channel="A", sequence=sequence)
        starts.append(lines)
        assembler.feed(lines[0])
    assert assembler.feed(starts[0][1]) is None
    assert assembler.feed(starts[2][1]) == (Bits(1, 424), "A")


@given(st.text(max_size=90) | st.text("!AIVDMO,0123456789*ABCDEFGPQ\r\n", max_size=90))
def test_hostile_lines(line):
    SentenceAssembler().feed(line)
    SentenceAssembler().feed(f"!{line}*{checksum(line)}")


def test_refusals():
    with pytest.raises(ParameterError, match="not a character"):
        unarmour("x")
    with pytest.raises(ParameterError, match="fill"):
        unarmour("0", 7)
    with pytest.raises(ParameterError, match="9 are allowed"):
        sentences(Bits(0, 60 * 6 * 9 + 1))
    with pytest.raises(ParameterError, match="channel"):
        sentences(Bits(0, 6), channel="C")
