"""Parity, altitude and identity codes, compact positions, against published values."""

import itertools
import math

import crcmod
import pytest
from hypothesis import given
from hypothesis import strategies as st

from earwitness.core.errors import LayoutError
from earwitness.modes.mode_s import codes, parity, position

# J. Sun, The 1090 Megahertz Riddle, 2nd ed.: frames and the remainder (address, code or zero) printed there
BOOK_REMAINDERS = {
    "8D406B902015A678D4D220AA4BDA": 0,
    "8D4CA251204994B1C36E60A5343D": 0x10,
    "8D4840D6202CC371C32CE0576098": 0,
    "5D484FDEA248F5": 22,
    "2000171806A983": 0x4CA7E8,
    "2A00516D492B80": 0x510AF9,
    "A000083E202CC371C31DE0AA1CCF": 0x484163,
    "A8001EBCAEE57730A80106DE1344": 0x48548E,
}


@pytest.mark.parametrize(("digits", "expected"), BOOK_REMAINDERS.items())
def test_remainder_of_published_frames(digits, expected):
    assert parity.remainder(int(digits, 16), 4 * len(digits)) == expected


def test_parity_of_a_published_frame():
    # the book prints the parity field of this frame as AA4BDA
    assert parity.seal(0x8D406B902015A678D4D220000000, 112) & 0xFFFFFF == 0xAA4BDA


@given(st.binary(min_size=11, max_size=11))
def test_parity_against_a_reference_library(octets):
    reference = crcmod.mkCrcFun(0x1FFF409, initCrc=0, rev=False)
    assert parity.seal(int.from_bytes(octets, "big") << 24, 112) & 0xFFFFFF == reference(octets)


# the Gillham words of the altitude tables in ICAO Annex 10 Vol. IV appendix to chapter 3, in the 13-bit order
GILLHAM = {
    -1000: 0x0400, 0: 0x040A, 100: 0x140A, 500: 0x0408, 1000: 0x0428, 8000: 0x068A, 30000: 0x0C02,
    50000: 0x0623, 62700: 0x0101,
}  # fmt: skip


@pytest.mark.parametrize(("feet", "word"), GILLHAM.items())
def test_gillham(feet, word):
    assert codes.altitude_ft(word) == feet
    assert codes.gillham_code(feet) == word


def test_gillham_steps_change_one_bit():
    words = [codes.gillham_code(feet) for feet in range(-1200, 126800, 100)]
    assert all((a ^ b).bit_count() == 1 for a, b in itertools.pairwise(words))
    assert [codes.altitude_ft(word) for word in words] == list(range(-1200, 126800, 100))


@given(st.integers(0, 0x1FFF))
def test_any_altitude_code_is_borne(raw):
    feet = codes.altitude_ft(raw)
    assert feet is None or -1200 <= feet <= 126700


@given(st.integers(-40, 2007))
def test_altitude_in_25_ft_steps(n):
    assert codes.altitude_ft(codes.altitude_code(25 * n)) == 25 * n


@given(st.text("01234567", min_size=4, max_size=4))
def test_squawk_round_trip(digits):
    assert codes.squawk(codes.squawk_code(digits)) == digits


def test_squawk_published():
    # the book's DF5 example, squawk 0356
    assert codes.squawk(0x2A00516D & 0x1FFF) == "0356"
    with pytest.raises(LayoutError):
        codes.squawk_code("0389")


# latitudes where NL drops from the key to the next number (ICAO Doc 9871 appendix, the NL table)
TRANSITIONS = {59: 10.47047130, 58: 14.82817437, 36: 53.09516153, 35: 54.27817472, 3: 86.53536998, 2: 87.0}


@pytest.mark.parametrize(("number", "latitude"), TRANSITIONS.items())
def test_longitude_zones(number, latitude):
    assert position.zones(latitude - 1e-6) == number
    assert position.zones(-latitude - 1e-6) == number - 1


def test_published_pair():
    # the book: 8D40621D58C382D690C8AC2863A7 (even) and 8D40621D58C386435CC412692AD6 (odd)
    even, odd = (93000, 51372), (74158, 50194)
    assert position.decode_pair(even, odd, False) == pytest.approx((52.2572021484375, 3.91937255859375))
    assert position.decode_pair(even, odd, True)[0] == pytest.approx(52.26578017412606)
    near = position.decode_within(*even, False, 52.258, 3.918, False, 1.0)
    assert near == pytest.approx((52.2572021484375, 3.91937255859375, 1.0, 52.257202, 3.919373))
    assert position.decode_within(*even, False, 52.278, 3.918, False, 1.0)[2] == 0.0


def test_published_surface_pair():
    # the book: 8C4841753AAB238733C8CD4020B1 and 8C4841753A8A35323FAEBDAC702D near 51.990, 4.375
    found = position.decode_pair((115609, 116941), (39199, 110269), True, (51.990, 4.375))
    assert found == pytest.approx((52.320607, 4.734735), abs=2e-6)


@given(
    st.floats(-85, 85), st.floats(-180, 179.99), st.booleans(), st.booleans(), st.floats(-0.2, 0.2), st.floats(-0.2, 0.2)
)  # fmt: skip
def test_positions_return(latitude, longitude, odd, surface, north, east):
    raw = position.encode(latitude, longitude, odd, surface)
    near = position.decode_within(*raw, odd, latitude + north, longitude + east, surface, 13.0)
    found = near[:2]
    assert near[2] == position.within_nm(found, (latitude + north, longitude + east), 13.0)
    assert near[3:] == pytest.approx(found, abs=6e-7)
    assert position.distance_nm(found, (latitude, longitude)) < 0.01
    pair = position.decode_pair(
        position.encode(latitude, longitude, False, surface),
        position.encode(latitude, longitude, True, surface),
        odd,
        (latitude + north, longitude + east) if surface else None,
    )
    if pair is not None:  # None beside a zone's edge
        assert position.distance_nm(pair, (latitude, longitude)) < 0.01


def test_distance_of_a_degree():
    # 60 NM to a degree of latitude, by the mile's definition as a minute of arc (mean radius: 0.07 % off)
    assert position.distance_nm((0, 0), (1, 0)) == pytest.approx(60, rel=2e-3)
    assert math.isclose(
        position.distance_nm((10, 179.9), (10, -179.9)), position.distance_nm((10, 0), (10, 0.2))
    )
