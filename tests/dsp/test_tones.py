"""Sub-audible tones and codes."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.coding.golay import DCS_CODES, dcs_word
from earwitness.dsp.speech import speech_like
from earwitness.dsp.tones import CTCSS_HZ, find_ctcss, find_dcs, sub_audible

WORDS = {code: dcs_word(code) for code in DCS_CODES}


def test_list_holds_the_39_standard_tones():
    # Project sheet section 6.1 (groups A, B, C and 69.3, 97.4): 39 tones, adjacent ratio 1.0267 to 1.0555.
    standard = [
        67.0,
        69.3,
        71.9,
        74.4,
        77.0,
        79.7,
        82.5,
        85.4,
        88.5,
        91.5,
        94.8,
        97.4,
        100.0,
        103.5,
        107.2,
        110.9,
    ]
    standard += [
        114.8,
        118.8,
        123.0,
        127.3,
        131.8,
        136.5,
        141.3,
        146.2,
        151.4,
        156.7,
        162.2,
        167.9,
        173.8,
        179.9,
    ]
    standard += [186.2, 192.8, 203.5, 210.7, 218.1, 225.7, 233.6, 241.8, 250.3]
    assert len(standard) == 39
    assert set(standard) <= set(CTCSS_HZ)
    ratios = np.array(standard[1:]) / np.array(standard[:-1])
    assert 1.0266 < ratios.min() < ratios.max() < 1.0556


@pytest.mark.parametrize("off", [-0.004, 0.0, 0.004])  # encoders hold 0.5 % (TIA-603, from memory)
def test_every_tone_is_told_from_its_neighbours_in_half_a_second(off):
    rng = np.random.default_rng(1)
    time_s = np.arange(500) / 1000
    for tone in CTCSS_HZ:
        if off and min(abs(tone - other) for other in CTCSS_HZ if other != tone) < 2 * abs(off) * tone:
            continue
        low = 500 * np.sin(2 * np.pi * tone * (1 + off) * time_s) + 50 * rng.standard_normal(500)
        found = find_ctcss(low.astype(np.float32))
        assert found is not None, tone
        assert found.nominal_hz == tone


def test_tone_is_decided_a_quarter_second_in():
    time_s = np.arange(8000) / 8000
    low = sub_audible((600 * np.sin(2 * np.pi * 136.5 * time_s)).astype(np.float32))
    found = find_ctcss(low)
    assert found is not None
    assert found.first_s <= 0.26
    assert found.measured_hz == pytest.approx(136.5, abs=0.1)
    assert found.deviation_hz == pytest.approx(600, rel=0.05)


@pytest.mark.parametrize("code", ["023", "156", "364", "754"])
@pytest.mark.parametrize("rate", [0.999, 1.001])
def test_codes_with_a_wrong_clock(code, rate):
    word = dcs_word(code)
    place = (np.arange(2000) / 1000 * 134.4 * rate).astype(int) + 5
    low = 500 * np.array([2.0 * (word >> n & 1) - 1 for n in range(23)])[place % 23]
    low = low + 250 * np.random.default_rng(2).standard_normal(2000)
    found = find_dcs(low.astype(np.float32), WORDS)
    assert found is not None
    assert (found.code, found.inverted) == (code, False)
    assert find_ctcss(low.astype(np.float32)) is None


def test_inverse_of_a_code_reads_as_its_upright_twin_or_inverted():
    # Project sheet section 6.2: 023 inverted is 047; 172 is the one code whose inverse is in no list.
    for code, expected in (("023", ("047", False)), ("172", ("172", True))):
        word = dcs_word(code)
        place = (np.arange(1500) / 1000 * 134.4).astype(int)
        low = -500 * np.array([2.0 * (word >> n & 1) - 1 for n in range(23)])[place % 23]
        found = find_dcs(low.astype(np.float32), WORDS)
        assert found is not None
        assert (found.code, found.inverted) == expected


def test_turn_off_tone_is_no_code_and_no_ctcss():
    # 134.4 Hz for 150 to 200 ms ends a coded transmission (from memory).
    low = (500 * np.sin(2 * np.pi * 134.4 * np.arange(200) / 1000)).astype(np.float32)
    assert find_dcs(low, WORDS) is None
    assert find_ctcss(low) is None


def test_speech_and_noise_have_neither():
    rng = np.random.default_rng(3)
    for seed in range(20):
        for audio in (speech_like(3.0, 8000.0, 50 + seed), rng.standard_normal(16000).astype(np.float32)):
            low = sub_audible(audio)
            assert find_ctcss(low) is None
            assert find_dcs(low, WORDS) is None


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 3000), st.floats(0, 1e6), st.integers(0, 100))
def test_any_track_is_survived(count, scale, seed):
    low = (np.random.default_rng(seed).standard_normal(count) * scale).astype(np.float32)
    find_ctcss(low)
    find_dcs(low, WORDS)
    find_ctcss(np.zeros(count, np.float32))
    find_dcs(np.full(count, scale, np.float32), WORDS)
