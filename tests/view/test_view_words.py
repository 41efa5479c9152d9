"""Figures in words. Intervals are checked against scipy and the project's sheet on measurement."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from earwitness.view import words

# report on occupancy measurement, Wilson 95 % intervals in per cent, as computed in the measurement sheet
WILSON = [
    (0, 100, 0, 3.70),
    (0, 1000, 0, 0.383),
    (5, 100, 2.15, 11.18),
    (50, 1000, 3.81, 6.53),
    (12, 360, 1.92, 5.74),
]


@pytest.mark.parametrize(("hits", "looks", "low", "high"), WILSON)
def test_wilson_sheet(hits, looks, low, high):
    found = words.wilson(hits, looks)
    assert found == pytest.approx((low / 100, high / 100), abs=6e-5)


@given(st.integers(1, 5000), st.data())
def test_wilson_is_scipys(looks, data):
    from scipy.stats import binomtest

    hits = data.draw(st.integers(0, looks))
    theirs = binomtest(hits, looks).proportion_ci(0.95, "wilson")
    assert words.wilson(hits, looks) == pytest.approx((theirs.low, theirs.high), abs=1e-9)


def test_never_seen_is_not_never():
    assert words.occupancy(0, 1000).replace("\u202f", "") == "0 of 1000, < 0.38 %"
    assert words.occupancy(5, 100) == "5 of 100: 5.0 % (2.2 % to 11.2 %)"
    assert words.occupancy(7, 7).startswith("7 of 7, > ")
    assert words.occupancy(0, 0) == "not looked at"


def test_frequency_shows_what_is_known():
    assert words.frequency(161_975_000) == "161.975 MHz"
    assert words.frequency(118_008_330) == "118.008\u202f33 MHz"
    assert words.frequency(162_025_562.4, 3.0) == "162.025\u202f562 MHz"
    assert words.frequency(162_025_562.4, 2500.0) == "162.026 MHz"
    assert words.frequency(518_000, 1.0) == "518.000 kHz"
    assert words.frequency(None) == words.frequency(float("nan")) == words.frequency("7") == "—"


def test_position_and_time():
    assert words.position(47.99603, -6.233335) == "47°59.762′N 006°14.000′W"
    assert words.position(90.5, 0) == "—"
    assert words.clock("2026-11-25T08:30:00.123456Z", date=True) == "2026-11-25 08:30:00.123"
    assert words.clock("soon") == "—"


@given(st.one_of(st.floats(), st.integers(), st.text(), st.none(), st.booleans()))
def test_no_figure_breaks_them(value):
    for say in (words.frequency, words.width, words.decibels, words.duration, words.plain, words.clock):
        text = say(value)
        assert isinstance(text, str)
        assert "\x1b" not in text
    words.position(value, value)
    words.plus_minus(value, "Hz")
    assert math.isfinite(words.number(value) or 0.0)


@pytest.mark.parametrize(
    ("seconds", "told"),
    [
        (0.05, "50 ms"),
        (0.0009997, "1 ms"),
        (0.9997, "1 s"),
        (99.4, "99.4 s"),
        (119.7, "2 min"),
        (600, "10 min"),
        (601, "10 min 1 s"),
        (5999.6, "1 h 40 min"),
        (7199, "2 h"),
        (-119.7, "-2 min"),
        (9000, "2 h 30 min"),
        (200_000, "2.3 days"),
    ],
)
def test_durations_carry_over(seconds, told):
    assert words.duration(seconds) == told


def test_tones_and_codes_of_squelch():
    """Names as the trade has them (TIA-603): CTCSS by frequency, DCS by code."""
    assert words.squelch_tone({"ctcss_hz": 103.5}) == "CTCSS 103.5 Hz"
    assert words.squelch_tone({"dcs": "023"}) == "DCS 023"
    assert words.squelch_tone({"dcs": "172", "dcs_inverted": True}) == "DCS 172 inverted"
    assert words.squelch_tone(None) is None


def test_an_uncertainty_has_two_digits_at_most():
    """ISO/IEC Guide 98-3, 7.2.6."""
    assert words.plus_minus(1849.0, "Hz") == "± 1.8 kHz"
    assert words.plus_minus(61.0, "Hz") == "± 60 Hz"


@pytest.mark.parametrize(
    ("rate", "spread", "told"),
    [
        (9599.337, 4.17, "9599 ± 4 Bd"),
        (9600.0865, 0.417, "9600.1 ± 0.4 Bd"),
        (100.00079, 0.0288, "100.00 ± 0.03 Bd"),
        (57_600.4, 32.0, "57600 ± 30 Bd"),
        (9600.0, None, "9600 Bd"),
        (None, 0.1, None),
    ],
)
def test_symbol_rates_as_far_as_they_are_known(rate, spread, told):
    """As many decimals as the uncertainty, in one figure (ISO/IEC Guide 98-3, 7.2.6, from memory)."""
    assert words.symbol_rate(rate, spread) == told
