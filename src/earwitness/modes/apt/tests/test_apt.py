"""APT: the format's figures, greys from telemetry, sensors, marks, partial passes, recorders that are off."""

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.core.mode import get_mode
from earwitness.core.types import Picture, Samples
from earwitness.dsp.speech import speech_like
from earwitness.modes.apt import drawing, line, synth

MODE = get_mode("apt")
ITEM = {"lines": 150, "seed": 3, "first_line": 20, "channels": [2, 4], "clock_ppm": 30}


def heard(data, rate_hz, center_hz=0.0):
    demodulator = MODE.demodulator()
    return list(demodulator.feed(Samples(data, rate_hz, center_hz, 0, 0))) + list(demodulator.close())


def sound(item, rate_hz, noise=0.05, lead_s=3.0):
    wave = synth.sound(item, rate_hz)
    pad = np.zeros(round(lead_s * rate_hz))
    wave = np.concatenate([pad, wave, pad])
    return (0.3 * (wave + noise * np.random.default_rng(1).standard_normal(len(wave)))).astype(np.float32)


def test_figures_of_the_format():
    """4160 words a second, 2080 a line, 909 of video (KLM guide); pulses of 1040 and 832 Hz are 4 and 5 words."""
    assert line.WORDS * line.LINES_PER_S == 4160
    assert line.SYNC + line.SPACE + line.VIDEO + line.TELEMETRY == line.CHANNEL == 1040
    for pattern, period in ((line.SYNC_A, 4160 / 1040), (line.SYNC_B, 4160 / 832)):
        assert len(pattern) == 39
        rises = [n for n in range(1, 39) if pattern[n - 1 : n + 1] == "01"]
        assert len(rises) == 7
        assert set(np.diff(rises)) == {period}
    assert line.FRAME_LINES / line.LINES_PER_S == 64  # s


def test_telemetry_gives_greys_and_sensors():
    (got,) = heard(sound(ITEM, 11_025.0), 11_025.0)
    facts = dict(got.extra)
    json.dumps(facts, allow_nan=False)
    assert facts["greys_from"] == "telemetry"
    assert (facts["channel_a"][0], facts["channel_b"][0]) == ("2", "4")
    assert facts["channel_a_wedges"][:9] == pytest.approx([*(n / 8 for n in range(1, 9)), 0], abs=0.03)
    sent = synth.pictures(ITEM)[0]
    rows = min(len(sent), len(got.pixels)) - 2
    best = min(
        np.abs(sent[a : a + rows, 90:980].astype(float) - got.pixels[b : b + rows, 90:980]).mean()
        for a in range(3)
        for b in range(3)
    )
    assert best < 8


def test_minute_marks_are_where_they_were_sent():
    item = {**ITEM, "lines": 260, "first_line": 0}
    (got,) = heard(sound(item, 11_025.0), 11_025.0)
    marks = got.extra["minute_marks"]
    assert len(marks) >= 2
    assert np.diff(marks) == pytest.approx(120, abs=1)


@pytest.mark.parametrize("ppm", [-3000, -150, 150, 3000])
def test_recorders_that_are_off_make_no_slant(ppm):
    item = {"lines": 80, "seed": 5, "clock_ppm": ppm, "drift_ppm": 60}
    (got,) = heard(sound(item, 22_050.0), 22_050.0)
    late = (1 / (1 - 1e-6 * (ppm + 15)) - 1) * 1e6  # by so much lines are longer, on the mean
    assert got.extra["slant_ppm"] == pytest.approx(late, abs=3)
    upright = got.pixels[5:-5, 39:86].astype(float).mean(axis=1)  # space: dark in all lines but marks
    assert np.median(upright) < 30
    edges = np.argmax(got.pixels[5:-5, 1120:1140] > 127, axis=1)  # where the second channel's space begins
    assert edges.std() < 1.5


def test_a_part_of_a_pass_and_a_fade():
    rate = 11_025.0
    item = {"lines": 160, "seed": 6, "first_line": 33}
    data = sound(item, rate)
    data = data[round(13.3 * rate) :]
    rng = np.random.default_rng(2)
    gone = slice(round(30 * rate), round(37 * rate))
    data[gone] = 0.1 * rng.standard_normal(gone.stop - gone.start)
    (got,) = heard(data, rate)
    assert 125 <= len(got.pixels) <= 142
    assert got.extra["slant_ppm"] == pytest.approx(0, abs=5)


def test_two_passes_are_two_pictures():
    rate = 8_000.0
    one = sound({"lines": 60, "seed": 1}, rate, lead_s=13.0)
    got = heard(np.concatenate([one, one]), rate)
    assert len(got) == 2
    assert got[0].stop_ns < got[1].start_ns


@pytest.mark.parametrize("what", ["noise", "speech", "tone"])
def test_what_is_no_picture(what):
    rate, seconds = 8_000.0, 60.0
    count = round(rate * seconds)
    rng = np.random.default_rng(3)
    data = {
        "noise": lambda: 0.1 * rng.standard_normal(count),
        "speech": lambda: speech_like(seconds, rate, 3),
        "tone": lambda: np.sin(2 * np.pi * 2400 / rate * np.arange(count)),
    }[what]()
    assert heard(np.asarray(data, np.float32), rate) == []


@settings(max_examples=40, deadline=None)
@given(st.integers(24, 200), st.integers(0, 2**32 - 1), st.sampled_from([0.0, 1.0, 6e4]))
def test_hostile_words(lines, seed, scale):
    words = scale * np.random.default_rng(seed).standard_normal((lines, line.WORDS))
    pixels, facts = drawing.shade(words.astype(np.float32))
    assert pixels.shape == words.shape
    json.dumps(facts, allow_nan=False)


def test_a_picture_over_fm_is_a_picture():
    rate = 53_000.0
    item = {"lines": 40, "seed": 7}
    wave = synth.transmit(item, rate)
    (got,) = heard((0.1 * wave).astype(np.complex64), rate, 137.62e6)
    assert isinstance(got, Picture)
    assert got.frequency_hz == 137.62e6
    assert got.extra["over"] == "FM"
