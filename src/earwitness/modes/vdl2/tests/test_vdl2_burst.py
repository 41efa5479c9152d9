"""The bits of a burst against the published example of its twin, and worked examples made beside the project."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.core.errors import ParameterError
from earwitness.modes.vdl2 import burst
from earwitness.modes.vdl2.d8psk import raised_cosine, receive_pulse

# ICAO Annex 10 vol. I (2006), attachment D, table D-9: a VDB burst with the same scrambler, code and keying.
PLAIN = (
    "82 30 00 55 05 4B 30 20 3A 94 0F F0 40 60 30 F2 98 C0 C8 40 28 E0 61 47 5D 48 09 7B C9 00 AD D8 33 3C BF 34 07 40 "
    "AA 81 34 80 26 00 B2 15 A5 45 26 13 94 08 F0 40 60 30 86 90 A8 04 70 28 E0 3D 83 ED 48 38 C5 E9 00 4B D8 DF 46 40 "
    "3C 21 BF 8C 81 B4 80 26 00 EB 05 B2 F5 26 13 D9 7F C0 EA A1 A4 3D 54 89 D8"
)  # fmt: skip
SCRAMBLED = (
    "A4 07 88 1F 1A 53 1B FF A0 41 D6 C2 9C 26 E0 04 59 89 CB 5C 2C CF 91 2D E2 2E 5D F3 07 1E 45 F1 53 5F C0 4F 53 E4 "
    "64 F0 23 C3 ED 05 A9 E6 7F FF FF B5 49 81 DD A3 F2 B5 40 9D A0 17 90 12 60 64 7C CF E3 BE A0 1E 72 FF 61 6E E4 02 "
    "44 D9 1E D2 FD 63 D1 12 C3 5A 00 0E F8 89 FE 4C 12 0C 78 4F 9D 55 08 16 F6"
)  # fmt: skip
SYMBOLS = (
    "0000003511204546316504322300771662170713052556673176724345377776157763461661570543615214576405133401677"
    "5214231304443061301150266774341755603276241630527536540015247051420322575333462555437707605652760631444"
    "6243163101353722250120760407526435103457714077770415665273600122324007402031443362754444"
)


def bits_of(octets):
    return np.concatenate([[1], np.unpackbits(np.frombuffer(bytes.fromhex(octets), np.uint8))])


def test_scrambler_over_809_published_bits():
    sent = bits_of(SCRAMBLED)
    assert len(sent) == 809
    assert np.array_equal(bits_of(PLAIN) ^ burst.scrambling(809), sent)


def test_unique_word_and_gray_code_in_the_published_symbols():
    phases = np.array([int(digit) for digit in SYMBOLS])
    steps = np.diff(phases) % 8
    bits = np.unpackbits(burst.STEP_TO_BITS[steps][:, None], axis=1)[:, 5:].ravel()
    # 5 symbols of ramp (4 steps), 16 of unique word, then 809 bits and one of fill
    assert np.array_equal(steps[4:20], burst.UNIQUE_STEPS)
    assert np.array_equal(bits[60 : 60 + 809], bits_of(SCRAMBLED))


def test_check_octets_of_the_published_burst():
    data = bits_of(PLAIN)[25 : 25 + 736]
    octets = np.packbits(data, bitorder="little").tobytes()
    assert burst.CODE.encode(octets.ljust(249, b"\0"))[249:].hex() == "d889543da4a1"


@pytest.mark.parametrize(
    ("length", "plain", "scrambled"),
    [
        (176, "0000000110100000000001011", "0001001010111011110000011"),
        (1000, "0000001011111000000010111", "0001000111100011110011111"),
        (131071, "0001111111111111111101101", "0000110011100100001100101"),
    ],
)
def test_headers_worked_by_hand(length, plain, scrambled):
    """Worked from the printed matrix beside the project (no published VDL Mode 2 header is at hand)."""
    bits = burst.header(length)
    assert "".join(map(str, bits)) == plain
    assert "".join(map(str, bits ^ burst.scrambling(25))) == scrambled


def test_burst_worked_by_hand():
    """One receive-ready frame, worked beside the project; the order of check octets in it is memory."""
    octets = bytes.fromhex("7eb0f4d8f60442828d01074c7e")
    bits = np.unpackbits(np.frombuffer(octets, np.uint8), bitorder="little")
    words = "000002360156143757420435570206404433460541352274610153451561210043470"
    phases = "000003511204546316500717522551007602155323536165122313201734700071055"
    sent = burst.encode(bits)
    padded = np.pad(sent, (0, -len(sent) % 3)).reshape(-1, 3) @ [4, 2, 1]
    symbols = [0, 0, 0, 0, 0, *burst.UNIQUE_WORD[1:], *padded]
    assert "".join(map(str, symbols)) == words
    assert "".join(str(p) for p in np.cumsum(burst.BITS_TO_STEP[symbols]) % 8) == phases


@pytest.mark.parametrize(
    ("octets", "checks"),
    [(1, 0), (2, 0), (3, 2), (30, 2), (31, 4), (67, 4), (68, 6), (249, 6), (251, 6), (252, 8)],
)
def test_check_octets_that_are_sent(octets, checks):
    """ICAO Annex 10 vol. III 6.4: none to 2 data octets, 2 to 30, 4 to 67, else 6; rows of 249."""
    assert len(burst.layout(8 * octets).order) == octets + checks


def test_columns_are_sent_in_turn():
    shape = burst.layout(8 * 252)  # rows of 249 and 3 octets, the second with 2 check octets
    rows, columns = np.divmod(shape.order, 255)
    assert rows[:8].tolist() == [0, 1, 0, 1, 0, 1, 0, 0]
    assert columns[:8].tolist() == [0, 0, 1, 1, 2, 2, 3, 4]
    assert rows[-8:].tolist() == [0, 1, 0, 1, 0, 0, 0, 0]
    assert columns[-8:].tolist() == [249, 249, 250, 250, 251, 252, 253, 254]


@settings(max_examples=40, deadline=None)
@given(st.integers(100, 5000), st.integers(0, 2**31), st.integers(0, 25))
def test_corrects_what_the_code_can(length, seed, error_at):
    rng = np.random.default_rng(seed)
    data = rng.integers(0, 2, length).astype(np.uint8)
    sent = burst.encode(data)
    soft = (2.0 * (sent ^ burst.scrambling(len(sent))) - 1).astype(np.float32)
    if error_at < 25:
        soft[error_at] *= -0.1
    assert burst.lengths(soft[:25])[0] == length
    shape = burst.layout(length)
    place = 25 + 8 * int(rng.integers(len(shape.order)))
    soft[place : place + 8] *= -0.2
    octets = b"".join(rows[0].octets for rows in burst.readings(soft[25:], shape))
    assert np.array_equal(np.unpackbits(np.frombuffer(octets, np.uint8), bitorder="little")[:length], data)


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 6000), st.integers(0, 2**31))
def test_any_soft_bits_are_borne(length, seed):
    rng = np.random.default_rng(seed)
    shape = burst.layout(length)
    rows = burst.readings(rng.normal(size=8 * len(shape.order)).astype(np.float32), shape)
    assert [len(row.octets) for reading in rows for row in reading[:1]] == [
        min(249, shape.octets - 249 * k) for k in range(shape.rows)
    ]
    assert all(
        0 < found <= burst.MOST_BITS for found in burst.lengths(rng.normal(size=25).astype(np.float32))
    )


def test_lengths_out_of_range():
    for length in (0, 131072):
        with pytest.raises(ParameterError):
            burst.header(length)
        with pytest.raises(ParameterError):
            burst.layout(length)


def test_receive_filter_leaves_no_neighbours():
    t = np.arange(-64 * 6, 64 * 6 + 1) / 64
    pulse = receive_pulse(t, root=False)
    whole = np.convolve(raised_cosine(t), pulse, "same") / 64
    middle = len(whole) // 2
    assert whole[middle] == pytest.approx(1.0, abs=0.01)
    assert np.abs(whole[middle + 64 : middle + 64 * 4 : 64]).max() < 0.01
