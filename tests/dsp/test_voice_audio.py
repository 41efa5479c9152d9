"""Audio filters, resampling, noise reduction and the speech judge."""

import numpy as np
import pytest
from scipy.special import exp1

from earwitness.dsp import aligned, noise_reduction, voice
from earwitness.dsp.aligned import FixedBlocks, Resampler
from earwitness.dsp.audio import band_pass, de_emphasise, pre_emphasise
from earwitness.dsp.noise_reduction import exponential_integral, reduce_noise
from earwitness.dsp.over_gate import OverGate
from earwitness.dsp.speech import speech_like
from earwitness.dsp.voice import speech_facts


@pytest.mark.parametrize("rate_hz", [24_000.0, 26_301.3, 31_200.0])
@pytest.mark.parametrize("tone_hz", [100.0, 1_000.0, 3_000.0])
def test_resampler_keeps_tone_and_time(rate_hz, tone_hz):
    x = np.cos(2 * np.pi * tone_hz * np.arange(int(rate_hz)) / rate_hz).astype(np.float32)
    resampler = Resampler(rate_hz, 8_000.0, cutoff_hz=3_700.0, width_hz=600.0)
    y = np.concatenate([resampler.feed(x[at : at + 777]) for at in range(0, len(x), 777)])
    wanted = np.cos(2 * np.pi * tone_hz * np.arange(len(y)) / 8_000.0)
    assert np.abs(y - wanted)[100:-100].max() < 3e-3


@pytest.mark.parametrize(
    ("freq_hz", "gain_db"),
    [(300.0, 8.89), (1_000.0, 0.0), (3_000.0, -9.37)],  # project sheet section 5: a 750 us pole (computed)
)
def test_de_emphasis_is_that_of_a_750_us_pole(freq_hz, gain_db):
    rate_hz = 48_000.0  # high enough that the sampled pole is the analogue one
    x = np.sin(2 * np.pi * freq_hz * np.arange(48_000) / rate_hz).astype(np.float32)
    y = de_emphasise(x, 750e-6, rate_hz)
    assert 20 * np.log10(y[4_800:].std() / x[4_800:].std()) == pytest.approx(gain_db, abs=0.15)


def test_pre_emphasis_undoes_de_emphasis():
    x = np.random.default_rng(0).standard_normal(4_000).astype(np.float32)
    y = pre_emphasise(de_emphasise(x, 750e-6, 8_000.0), 750e-6, 8_000.0)
    assert np.abs(x - y).max() < 1e-4


@pytest.mark.parametrize(
    ("freq_hz", "low_db", "high_db"), [(136.5, -200, -40), (250.3, -60, -5), (1_000.0, -0.2, 0.2)]
)
def test_band_pass_keeps_speech_and_drops_tones(freq_hz, low_db, high_db):
    x = np.sin(2 * np.pi * freq_hz * np.arange(8_000) / 8_000).astype(np.float32)
    level = 20 * np.log10(band_pass(x)[1_000:-1_000].std() / x.std() + 1e-9)
    assert low_db < level < high_db


@pytest.mark.parametrize("x", [1e-5, 0.1, 0.9, 1.1, 3.0, 20.0])
def test_exponential_integral_against_scipy(x):
    assert exponential_integral(x) == pytest.approx(float(exp1(x)), rel=1e-4)


def test_noise_reduction_helps_by_three_decibels():
    rng = np.random.default_rng(1)
    clean = band_pass(speech_like(5.0, 8_000.0, 3))
    noise = band_pass(rng.standard_normal(len(clean)).astype(np.float32))
    noisy = clean + noise * np.float32(clean.std() / noise.std() * 10 ** (-5 / 20))
    got = reduce_noise(noisy)
    assert got.shape == clean.shape

    def error(x):
        return np.mean((x * np.dot(x, clean) / np.dot(x, x) - clean) ** 2)

    assert error(got) < 0.5 * error(noisy)


def test_noise_reduction_leaves_clean_speech_alone():
    clean = band_pass(speech_like(5.0, 8_000.0, 3))
    got = reduce_noise(clean)
    assert np.mean((got - clean) ** 2) < 0.01 * np.mean(clean**2)


@pytest.mark.parametrize("count", [0, 1, 255, 5_000])
def test_noise_reduction_of_short_and_silent_audio(count):
    assert reduce_noise(np.zeros(count, np.float32)).shape == (count,)
    assert 0 <= speech_facts(np.zeros(count, np.float32)).likelihood < 0.5


def test_speech_is_likely_and_tones_data_noise_are_not():
    rng = np.random.default_rng(2)
    time_s = np.arange(24_000) / 8_000
    assert (
        speech_facts(de_emphasise(band_pass(speech_like(3.0, 8_000.0, 1)), 750e-6, 8_000.0)).likelihood > 0.9
    )
    bits = rng.integers(0, 2, 4_000)
    hz = np.where(bits[(time_s * 1_200).astype(int)], 1_200.0, 2_200.0)
    for sound in (
        np.sin(2 * np.pi * 1_000 * time_s),
        np.sin(2 * np.pi * np.cumsum(hz) / 8_000),
        rng.standard_normal(len(time_s)),
    ):
        assert speech_facts(band_pass(sound.astype(np.float32))).likelihood < 0.05


def test_fixed_blocks_hide_the_cuts():
    blocks = FixedBlocks(10)
    x = np.arange(57.0)
    out = [block for part in np.split(x, [3, 4, 30, 31]) for block in blocks.feed(part)]
    assert np.array_equal(np.concatenate([*out, blocks.rest()]), x)
    assert {len(block) for block in out} == {10}


def test_gate_survives_a_fade_and_closes_after_the_hang():
    gate = OverGate(0.01)
    level = np.full(600, 1.0, np.float32)
    level[100:200] = level[240:400] = 10.0  # a fade of 0.4 s between
    good = level > 5
    segments = gate.feed(good, good, level[:, None], np.zeros(48_000, np.float32))
    assert [(item.start, item.stop, item.cut) for item in segments] == [(100, 400, False)]
    assert len(segments[0].audio) == 300 * 80
    assert not segments[0].held[105:235].all()


def test_gate_cuts_an_endless_over():
    gate = OverGate(0.01, longest_s=1.0)
    good = np.ones(250, bool)
    segments = gate.feed(good, good, np.ones((250, 1), np.float32), np.zeros(20_000, np.float32))
    segments += gate.close()
    assert [(item.start, item.stop, item.cut) for item in segments] == [
        (0, 100, True),
        (100, 200, True),
        (200, 250, False),
    ]


@pytest.mark.parametrize("count", [1, 100, 5000])
def test_a_filter_takes_its_delay_out(count):
    rng = np.random.default_rng(8)
    x, taps = rng.standard_normal(count).astype(np.float32), rng.standard_normal(235).astype(np.float32)
    whole = np.convolve(x.astype(float), taps.astype(float))[117 : 117 + count]
    np.testing.assert_allclose(aligned.centred(x, taps), whole, atol=1e-4)


@pytest.mark.parametrize("frames", [3, 60, 400])
def test_noise_is_told_by_a_low_quantile(frames):
    power = np.random.default_rng(9).exponential(size=(frames, 40)).astype(np.float32)
    smooth = power.astype(float)
    for i in range(1, frames):
        smooth[i] = 0.7 * smooth[i - 1] + 0.3 * smooth[i]
    starts = np.array([0, frames // 3])
    found = noise_reduction._low_quantiles(power, starts, 188)
    for first, row in zip(starts, found, strict=True):
        np.testing.assert_allclose(row, np.quantile(smooth[first : first + 188], 0.02, axis=0), rtol=1e-5)


def test_share_of_the_two_strongest_lines():
    rng = np.random.default_rng(10)
    power = rng.exponential(size=(50, 257)).astype(np.float32)
    power[np.arange(50), rng.integers(257, size=50)] += 40
    for row, share in zip(power, voice._two_lines(power), strict=True):
        away = np.abs(np.arange(257) - row.argmax())
        second = np.where(away > 5, row, -1).argmax()
        near = (away <= 5) | (np.abs(np.arange(257) - second) <= 5)
        assert share == pytest.approx(row[near].sum() / row.sum(), rel=1e-5)
