"""Times, bits and inert text against the standard library and published examples."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from earwitness.core import bits as b
from earwitness.core.errors import LayoutError, ParameterError
from earwitness.core.text import file_stem, inert
from earwitness.core.times import format_time, parse_time
from earwitness.core.types import Bits, Samples


@given(st.datetimes(min_value=datetime(1970, 1, 1), max_value=datetime(2200, 1, 1)))
def test_time_agrees_with_the_standard_library(moment):
    moment = moment.replace(tzinfo=UTC)
    ns = parse_time(moment.isoformat())
    assert (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1) * 1000 == ns
    assert format_time(ns) == moment.strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def test_times_of_rfc3339():
    # RFC 3339, section 5.8: the examples
    assert format_time(parse_time("1985-04-12T23:20:50.52Z")) == "1985-04-12T23:20:50.520000Z"
    assert parse_time("1996-12-19T16:39:57-08:00") == parse_time("1996-12-20T00:39:57Z")
    assert parse_time("1990-12-31T23:59:60Z") == parse_time("1990-12-31T15:59:60-08:00")
    assert parse_time("1937-01-01T12:00:27.87+00:20") == parse_time("1937-01-01T11:40:27.87Z")


@pytest.mark.parametrize(
    "text",
    [
        "",
        "yesterday",
        "2026-13-01T00:00:00Z",
        "2026-11-25 08:00",
        "2026-02-30T00:00:00Z",
        "0001-01-01T00:00:00+05:00",
    ],
)
def test_not_a_time(text):
    with pytest.raises(ParameterError):
        parse_time(text)


@given(st.text(max_size=300))
def test_inert_text_has_no_controls(text):
    out = inert(text)
    assert all(ord(char) >= 32 and char not in "\x7f\u202e\u2066\u200f\ufeff" for char in out)
    assert len(out) <= 2001
    stem = file_stem(text)
    assert stem
    assert set(stem) <= set("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789._-")
    assert not stem.startswith(".")


def test_time_of_a_sample_keeps_the_nanosecond():
    hours = 5 * 3600
    samples = Samples(None, 2.4e6, 0.0, round(2.4e6 * hours), 10**18)
    assert samples.time_ns() == 10**18 + hours * 10**9
    assert abs(samples.time_ns(1.2) - (10**18 + hours * 10**9 + 500)) <= 1


RECORD = b.Layout(
    "record", 40, "by hand", (b.u("kind", 6), b.flag("on"), b.spare(1), b.s("turn", 8, na=-128), b.text("name", 3, "@ABCDEFGHIJKLMNOPQRSTUVWXYZ[\\]^_ !\"#$%&'()*+,-./0123456789:;<=>?", pad="@", strip="@ "), b.u("speed", 6, scale=0.5)),
)  # fmt: skip


@given(st.integers(0, 2**40 - 1))
def test_parse_build_parse_is_stable(value):
    first = RECORD.parse(Bits(value, 40))
    assert RECORD.parse(RECORD.build(first)) == first


def test_layout_by_hand():
    value = int("000101" + "1" + "0" + "11111110" + "000001000010000000" + "000011", 2)
    assert RECORD.parse(Bits(value, 40)) == {"kind": 5, "on": True, "turn": -2, "name": "AB", "speed": 1.5}
    assert RECORD.parse(Bits(0x80 << 24, 40))["turn"] is None
    with pytest.raises(LayoutError):
        RECORD.parse(Bits(0, 39))
    with pytest.raises(LayoutError):
        RECORD.build({"kind": 64, "on": True, "turn": 0, "name": "", "speed": 0})
    with pytest.raises(LayoutError):
        b.Layout("short", 7, "by hand", (b.u("x", 6),))


def test_bits_as_hex():
    assert Bits(0b1, 1).hex() == "80"
    assert Bits(0x123, 12).hex() == "1230"


def test_the_quick_look_at_text_lets_nothing_else_pass():
    for code in [*range(0x300), 0x202E, 0x2066, 0xFEFF, 0xD800, 0x10FFFF]:
        text = f"a{chr(code)}b"
        slow = inert(text + "é")[:-1]  # a sign beyond ASCII: looked at one by one
        assert inert(text) == slow
    assert inert("x" * 11, limit=10) == "x" * 10 + "…"
