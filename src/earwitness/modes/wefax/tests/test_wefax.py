"""Charts against the published timings. No independent recording is at hand: what is checked from outside is
line length, tones, phasing and pixels a line, as the specification sheet of WMO-No. 386 states them."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.core.mode import get_mode
from earwitness.core.types import Samples
from earwitness.modes.wefax import demod, synth

RATE_HZ = 8_000.0
MODE = get_mode("wefax")


def receive(iq, rate_hz=RATE_HZ, center_hz=8e6):
    demodulator = MODE.demodulator()
    return [*demodulator.feed(Samples(iq, rate_hz, center_hz, 0, 0)), *demodulator.close()]


def by_hand(page, line_s, *, start_hz=None, white_share=0.05, phasing=0, shift_hz=800.0, inverted=False):
    """A second transmitter, written from the sheet alone: one frequency a sample, no shaping."""
    level = []
    if start_hz:
        level.append((np.sin(2 * np.pi * start_hz * np.arange(round(4 * RATE_HZ)) / RATE_HZ) > 0) * 1.0)
    count = round(phasing * line_s * RATE_HZ)
    place = np.arange(count) / (line_s * RATE_HZ) % 1.0
    level.append(np.where(place < white_share, 1.0, 0.0))
    if inverted:
        level[-1] = 1 - level[-1]
    count = int(len(page) * line_s * RATE_HZ)
    place = np.arange(count) / (line_s * RATE_HZ)
    level.append(page[place.astype(int), (place % 1.0 * page.shape[1]).astype(int)])
    hz = (np.concatenate(level) - 0.5) * shift_hz
    return np.exp(2j * np.pi * np.cumsum(hz) / RATE_HZ).astype(np.complex64)


def noisy(iq, snr_db, seed=0):
    rng = np.random.default_rng(seed)
    scale = np.sqrt(RATE_HZ / 3_000.0 * 10 ** (-snr_db / 10) / 2)
    iq = np.concatenate([np.zeros(8_000), iq, np.zeros(12_000)])
    return (0.1 * (iq + scale * (rng.standard_normal(len(iq)) + 1j * rng.standard_normal(len(iq))))).astype(
        np.complex64
    )


PAGE = synth.invent(60, 1810, 4, False) / 255.0


@pytest.mark.parametrize(
    ("per_minute", "start_hz", "ioc", "pixels"),
    # lines a minute; start tone; pixels a line are pi times the index: the sheet's section 4
    [(60, 300.0, 576, 1810), (90, 300.0, 576, 1810), (120, 300.0, 576, 1810), (240, 675.0, 288, 905)],
)
def test_speeds_and_indices(per_minute, start_hz, ioc, pixels):
    page = PAGE[: 24 if per_minute < 120 else 60]
    [chart, *_] = receive(
        noisy(by_hand(page, 60 / per_minute, start_hz=start_hz, phasing=per_minute // 6), 25), center_hz=8e6
    )
    assert chart.extra["lines_per_minute"] == per_minute
    assert chart.extra["ioc"] == ioc
    assert chart.pixels.shape[1] == pixels
    assert chart.extra["left_edge"] == "phasing"
    assert abs(len(chart.pixels) - len(page)) <= 2
    assert abs(chart.frequency_hz - 8e6) < 20


def test_inverted_phasing_and_lf_shift():
    for options in ({"inverted": True}, {"shift_hz": 300.0}):
        [chart, *_] = receive(noisy(by_hand(PAGE, 0.5, start_hz=300.0, phasing=24, **options), 25))
        assert chart.extra["left_edge"] == "phasing"
        assert abs(chart.extra["shift_hz"] - options.get("shift_hz", 800.0)) < 60
        white = chart.pixels[:, 20:70].mean(), chart.pixels[:, 1000:1200].mean()
        assert min(white) > 180  # paper is white


@pytest.mark.parametrize("ppm", [-200, 120])
def test_slant_is_the_senders_clock(ppm):
    page = synth.invent(160, 1810, 7, False) / 255.0
    iq = by_hand(page, 0.5 * (1 + ppm * 1e-6), start_hz=300.0, phasing=30)
    [chart, *_] = receive(noisy(iq, 12))
    assert abs(chart.extra["slant_ppm"] - ppm) < 8
    # 10 ppm over 1000 lines are 18 pixels (the sheet): what is left here is below two
    edge = [
        np.flatnonzero(chart.pixels[rows, 60:120].mean(axis=0) < 128)[0]
        for rows in (slice(5, 45), slice(115, 155))
    ]
    assert abs(edge[0] - edge[1]) <= 2


def test_from_the_middle_to_the_loss():
    page = synth.invent(90, 1810, 8, True) / 255.0
    [chart] = receive(noisy(by_hand(page, 0.5), 20))
    assert chart.extra["begins"] == "found in the middle"
    assert 84 <= len(chart.pixels) <= 96


def test_from_audio():
    rate = 11_025.0
    iq = synth.transmit({"lines": 60, "seed": 3, "phasing_s": 10}, rate)
    audio = (iq * np.exp(2j * np.pi * 1_900.0 / rate * np.arange(len(iq)))).real.astype(np.float32)
    [chart, *_] = receive(0.3 * audio, rate, 0.0)
    assert abs(chart.frequency_hz - 1_900.0) < 20
    assert chart.extra["ends"] == "stop tone"
    assert len(chart.pixels) == 60


def test_two_charts_in_a_row():
    one = synth.transmit({"lines": 40, "seed": 1, "phasing_s": 8}, RATE_HZ)
    two = synth.transmit({"lines": 50, "seed": 2, "phasing_s": 8}, RATE_HZ)
    charts = [
        item for item in receive(noisy(np.concatenate([one, two]), 25)) if "rendering" not in item.extra
    ]
    assert [len(chart.pixels) for chart in charts] == [40, 50]
    assert charts[0].stop_ns < charts[1].start_ns


def test_data_that_repeats_gives_nothing():
    """A character sent again half a second later (ITU-R M.493 at 100 Bd) is no line of a picture."""
    rng = np.random.default_rng(2)
    slots = rng.integers(0, 2, (900, 10))
    slots[5::2] = slots[:-5:2]
    hz = np.repeat(slots.ravel() * 170.0 - 85.0, round(RATE_HZ / 100))
    assert receive(noisy(np.exp(2j * np.pi * np.cumsum(hz) / RATE_HZ), 20)) == []


@settings(max_examples=15, deadline=None)
@given(st.binary(min_size=0, max_size=4_000), st.integers(1, 40))
def test_any_samples_are_borne(octets, times):
    data = np.frombuffer(octets[: len(octets) // 8 * 8], np.complex64)
    receive(np.tile(data, times))


def test_levels_of_a_mostly_white_page():
    track = np.where(np.arange(80_000) % 400 < 14, -400.0, 400.0).astype(np.float32)
    black, white, known = demod.levels(track)
    assert known
    assert abs(black + 400) < 20
    assert abs(white - 400) < 20


@pytest.mark.parametrize(("inverted", "snr_db"), [(False, 6.0), (True, 20.0)])
def test_dark_photographs_keep_their_first_line(inverted, snr_db):
    """A white margin beside dark clouds looks as phasing does; the chart begins where phasing ends all the same."""
    item = {"lines": 60, "seed": 6, "photo": True, "light": 0.3, "inverted_phasing": inverted, "start_s": 4}
    rate = 8_400.0
    wave = get_mode("wefax").part("synth").transmit(item, rate)
    rng = np.random.default_rng(1)
    noise = np.sqrt(0.5 * rate / 3_000 * 10 ** (-snr_db / 10))
    iq = wave + noise * (rng.standard_normal(len(wave)) + 1j * rng.standard_normal(len(wave)))
    demodulator = get_mode("wefax").demodulator()
    got = [
        *demodulator.feed(Samples((0.1 * iq).astype(np.complex64), rate, 8e6, 0, 0)),
        *demodulator.close(),
    ]
    assert got
    assert got[0].extra["left_edge"] == "phasing"
    assert abs(got[0].start_ns / 1e9 - (4 + 15)) < 0.02
