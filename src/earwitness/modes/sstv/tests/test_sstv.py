"""Slow-scan pictures against the published tables. No independent recording is at hand: from outside come the
line times, the codes with their parity and the whole picture times of the specification sheet (its section 8.3)."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.core.mode import get_mode
from earwitness.core.types import Samples
from earwitness.modes.sstv import synth
from earwitness.modes.sstv.colours import to_rgb, to_yuv
from earwitness.modes.sstv.formats import BY_NAME, FORMATS, vis_bits

MODE = get_mode("sstv")

# name: code, bits as sent (least first), parity, line in ms, lines, seconds: the sheet's table
TABLE = {
    "Martin 1": (44, "0011010", 1, 446.446, 256, 114.290),
    "Martin 2": (40, "0001010", 0, 226.798, 256, 58.060),
    "Scottie 1": (60, "0011110", 0, 428.220, 256, 109.624),
    "Scottie 2": (56, "0001110", 1, 277.692, 256, 71.089),
    "Scottie DX": (76, "0011001", 1, 1050.300, 256, 268.877),
    "Robot 36": (8, "0001000", 1, 150.000, 240, 36.000),
    "Robot 72": (12, "0011000", 0, 300.000, 240, 72.000),
    "PD 50": (93, "1011101", 1, 388.160, 128, 49.684),
    "PD 90": (99, "1100011", 0, 703.040, 128, 89.989),
    "PD 120": (95, "1111101", 0, 508.480, 248, 126.103),
    "PD 160": (98, "0100011", 1, 804.416, 200, 160.883),
    "PD 180": (96, "0000011", 0, 754.240, 248, 187.052),
    "PD 240": (97, "1000011", 1, 1000.000, 248, 248.000),
    "PD 290": (94, "0111101", 1, 937.280, 308, 288.682),
    "SC2-180": (55, "1110110", 1, 711.023, 256, 182.022),
    "P3": (113, "1000111", 0, 409.375, 496, 203.050),
    "P5": (114, "0100111", 0, 614.065, 496, 304.576),
    "P7": (115, "1100111", 1, 818.750, 496, 406.100),
}


def receive(data, rate_hz, center_hz=145.5e6):
    demodulator = MODE.demodulator()
    return [*demodulator.feed(Samples(data, rate_hz, center_hz, 0, 0)), *demodulator.close()]


def noisy(iq, rate_hz, snr_db, seed=0, width_hz=3_000.0):
    rng = np.random.default_rng(seed)
    scale = np.sqrt(rate_hz / width_hz * 10 ** (-snr_db / 10) / 2)
    iq = np.concatenate([np.zeros(round(rate_hz)), iq, np.zeros(round(rate_hz))])
    return (0.1 * (iq + scale * (rng.standard_normal(len(iq)) + 1j * rng.standard_normal(len(iq))))).astype(
        np.complex64
    )


@pytest.mark.parametrize("kind", FORMATS, ids=lambda kind: kind.name)
def test_published_table(kind):
    code, bits, parity, line_ms, lines, seconds = TABLE[kind.name]
    assert kind.vis == code
    assert vis_bits(code) == [int(bit) for bit in bits + str(parity)]
    assert kind.line_s * 1e3 == pytest.approx(line_ms, abs=1e-3)
    assert kind.lines == lines
    assert kind.line_s * lines == pytest.approx(seconds, abs=2e-3)
    last = kind.scans[-1]
    assert last.start_s + last.length_s <= kind.line_s + 1e-9


def test_codes_and_periods_tell_all_apart():
    assert len({kind.vis for kind in FORMATS}) == len(FORMATS) == len(TABLE)
    periods = sorted(kind.line_s for kind in FORMATS)
    assert min(b / a for a, b in pairwise(periods)) > 1.01


@pytest.mark.parametrize("name", ["Martin 1", "Scottie 1", "Robot 36", "PD 90"])
def test_sent_line_is_as_long_as_the_table_says(name):
    kind = BY_NAME[name]
    short, long = (
        len(synth.transmit({"format": name, "lines": n, "vis": False}, 48_000.0)) for n in (10, 20)
    )
    assert (long - short) / 48_000.0 / 10 == pytest.approx(TABLE[name][3] / 1e3, rel=1e-4)
    assert kind.rows in (1, 2)


def test_code_in_tones_by_hand():
    """A whole Robot 36 start from the sheet's figures, then lines of plain grey: sync 9 ms, porch 3, Y 88, ..."""
    rate = 11_025.0
    tones = [(0.3, 1900), (0.01, 1200), (0.3, 1900), (0.03, 1200)]
    tones += [(0.03, 1100 if bit == "1" else 1300) for bit in "0001000" + "1"]
    tones.append((0.03, 1200))
    for line in range(60):
        tones += [(0.009, 1200), (0.003, 1500), (0.088, 1900), (0.0045, 2300 if line % 2 else 1500)]
        tones += [(0.0015, 1900), (0.044, 1900)]
    ends = np.cumsum([seconds for seconds, _ in tones])
    time_s = np.arange(int(ends[-1] * rate)) / rate
    hz = np.array([hz for _, hz in tones])[
        np.searchsorted(ends, time_s, side="right").clip(max=len(tones) - 1)
    ]
    audio = np.cos(2 * np.pi * np.cumsum(hz) / rate)
    audio = np.concatenate([np.zeros(9_000), audio, np.zeros(9_000)]) + 0.05 * np.random.default_rng(
        1
    ).standard_normal(len(audio) + 18_000)
    [picture] = receive(audio.astype(np.float32), rate, 0.0)
    assert picture.extra["sstv_mode"] == "Robot 36"
    assert picture.extra["vis"] == 8
    assert 58 <= len(picture.pixels) <= 60
    grey = picture.pixels[4:-4, 10:-10].reshape(-1, 3).mean(axis=0)
    # 1900 Hz is level 127.5 of luminance: 298.082 (Y - 16) / 256 = 129.8 (ITU-R BT.601, from memory)
    assert np.abs(grey - 129.8).max() < 4
    assert picture.frequency_hz == pytest.approx(1900, abs=5)


def test_colours_of_bt601():
    # ITU-R BT.601 levels of full colours, from memory: white 235, black 16, red Y 82, green Y 145, blue Y 41
    full = np.array([[255, 255, 255], [0, 0, 0], [255, 0, 0], [0, 255, 0], [0, 0, 255]])
    yuv = to_yuv(full)
    assert np.abs(yuv[:, 0] - [235, 16, 82, 145, 41]).max() < 1
    assert np.abs(to_rgb(*np.moveaxis(yuv, -1, 0)) - full).max() <= 1


@pytest.mark.parametrize("ppm", [-180, 90])
def test_slant_and_found_in_the_middle(ppm):
    iq = synth.transmit({"format": "Scottie 2", "vis": False, "lines": 120, "clock_ppm": ppm}, 8_200.0)
    [picture] = receive(noisy(iq, 8_200.0, 15), 8_200.0)
    assert picture.extra["begins"] == "found in the middle"
    assert picture.extra["vis"] is None
    assert abs(picture.extra["slant_ppm"] - ppm) < 12
    assert 116 <= len(picture.pixels) <= 121


def test_lost_half_way_is_given_as_far_as_it_came():
    iq = synth.transmit({"format": "Robot 72", "lines": 70, "via": "fm"}, 24_500.0)
    [picture] = receive(noisy(iq, 24_500.0, 12, width_hz=16_000.0), 24_500.0)
    assert picture.extra["vis"] == 12
    assert picture.extra["whole"] is False
    assert picture.extra["over"] == "FM"
    assert 68 <= len(picture.pixels) <= 71


def test_two_pictures_in_a_row():
    parts = [synth.transmit({"format": name, "lines": 60}, 8_000.0) for name in ("Robot 36", "Martin 2")]
    got = receive(noisy(np.concatenate(parts), 8_000.0, 20), 8_000.0)
    assert [picture.extra["sstv_mode"] for picture in got] == ["Robot 36", "Martin 2"]


def test_a_code_alone_is_no_picture():
    iq = synth.transmit({"format": "Robot 36", "lines": 2}, 8_000.0)
    tone = np.exp(2j * np.pi * 100 / 8_000 * np.arange(200_000))
    assert receive(noisy(np.concatenate([iq, tone]), 8_000.0, 20), 8_000.0) == []


@settings(max_examples=10, deadline=None)
@given(st.binary(min_size=0, max_size=4_000), st.integers(1, 60))
def test_any_samples_are_borne(octets, times):
    receive(np.tile(np.frombuffer(octets[: len(octets) // 8 * 8], np.complex64), times), 24_000.0)
