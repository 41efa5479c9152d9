"""What repeats in a span, against signals made by the standards' figures: guard intervals, television lines, and neither."""

import numpy as np
import pytest

from earwitness.core.types import Samples
from earwitness.detect.detector import Detector
from earwitness.spectrum.repeats import find_repeat
from earwitness.spectrum.stft import Spectrum

RATE = 2.4e6


def noise(rng, count):
    return (rng.standard_normal(count) + 1j * rng.standard_normal(count)) / np.sqrt(2)


def resampled(data, rate, wanted, seconds):
    """Data at another rate; from wider to narrower, the middle of its band."""
    n, m = len(data), round(wanted * len(data) / rate)
    spectrum, out = np.fft.fft(data), np.zeros(m, complex)
    half = min(n, m) // 2
    out[:half], out[-half:] = spectrum[:half], spectrum[-half:]
    out = np.fft.ifft(out)[: round(wanted * seconds)]
    return out / np.sqrt(np.mean(np.abs(out) ** 2))


def television(rng, seconds, guard, wanted):
    """Terrestrial television, ETSI EN 300 744: 2k mode, 1705 carriers of 64-QAM in 7.61 MHz, boosted scattered pilots."""
    rate, levels = 64e6 / 7, np.arange(-7, 8, 2) / np.sqrt(42)
    pilots = 2.0 * rng.integers(0, 2, 1705) - 1
    out = []
    for n in range(int(seconds * rate / 2048) + 1):
        carriers = rng.choice(levels, 1705) + 1j * rng.choice(levels, 1705)
        places = np.arange(3 * (n % 4), 1705, 12)
        carriers[places] = pilots[places] * 4 / 3
        bins = np.zeros(2048, complex)
        bins[np.arange(-852, 853)] = carriers
        symbol = np.fft.ifft(bins)
        out += [symbol[2048 - round(2048 * guard) :], symbol]
    return resampled(np.concatenate(out), rate, wanted, seconds)


def detected(data, rate):
    data = data.astype(np.complex64)
    spectrum = Spectrum(rate, 0.0)
    detector = Detector(rate, 0.0, repeat=find_repeat(lambda start, count: data[start : start + count], rate))
    found = {}
    for start in range(0, len(data), 1 << 16):
        block = spectrum.feed(Samples(data[start : start + (1 << 16)], rate, 0.0, start, 0))
        for item in detector.feed(block) if block is not None else []:
            found[item.number] = item
    for item in detector.close():
        found[item.number] = item
    return [item for item in found.values() if item.artefact is None and item.part_of is None]


@pytest.mark.parametrize("guard", [1 / 32, 1 / 8, 1 / 4])
def test_a_span_within_a_television_channel_is_one_emission(guard):
    rng = np.random.default_rng(1)
    data = television(rng, 0.5, guard, RATE) + 0.2 * noise(rng, round(0.5 * RATE))
    (one,) = detected(0.1 * data, RATE)
    assert one.high_hz - one.low_hz > 0.9 * RATE
    assert one.snr_db == pytest.approx(14.0, abs=3.0)


def test_a_channel_that_takes_most_of_the_span_is_one_emission():
    rng = np.random.default_rng(2)
    data = television(rng, 0.4, 1 / 32, 10e6) + 0.3 * noise(rng, round(0.4 * 10e6))
    (one,) = detected(0.1 * data, 10e6)
    assert one.high_hz - one.low_hz == pytest.approx(7.61e6, rel=0.08)


@pytest.mark.parametrize("depth", [1.0, 1e-3])
def test_noise_repeats_nothing_whatever_the_filter(depth):
    for seed in range(4):
        spectrum = np.fft.fft(noise(np.random.default_rng(seed), 700_000))
        spectrum[np.abs(np.fft.fftfreq(len(spectrum))) > 0.42] *= depth
        data = np.fft.ifft(spectrum)
        assert find_repeat(lambda start, count, data=data: data[start : start + count], RATE) is None


@pytest.mark.parametrize("per_second", [300, 1000, 5000])
@pytest.mark.parametrize("length_s", [1e-6, 20e-6])
def test_pulses_fill_no_span(per_second, length_s):
    """Radar and switching come again and again (figures: common practice, no source); the noise between is still noise."""
    rng = np.random.default_rng(4)
    t = np.arange(round(0.3 * RATE)) / RATE
    data = noise(rng, len(t)) + 30 * (t * per_second % 1 < length_s * per_second)
    assert find_repeat(lambda start, count: data[start : start + count], RATE) is None


def test_a_row_of_carriers_is_no_picture():
    rng = np.random.default_rng(5)
    t = np.arange(round(0.3 * RATE)) / RATE
    data = noise(rng, len(t))
    for n in range(-19, 20):
        data = data + np.exp(2j * np.pi * (62_500 * n * t + rng.random()))
    assert find_repeat(lambda start, count: data[start : start + count], RATE) is None


@pytest.mark.parametrize("line", [1 / 15_625, 1.001 / 15_750])
def test_the_lines_of_a_picture_are_one_emission(line):
    """Negative vision modulation of ITU-R BT.470: sync at full carrier, blanking at 75 %, a picture that differs by line."""
    rng, rate, seconds = np.random.default_rng(3), 4e6, 0.4
    t = np.arange(round(seconds * rate)) / rate
    levels = rng.uniform(0.12, 0.7, (int(seconds / line) + 2, 6)).cumsum(axis=0) % 0.58 + 0.12
    within, number = t % line, (t / line).astype(int)
    picture = levels[number, np.minimum((within / line * 6).astype(int), 5)]
    vision = np.where(within < 4.7e-6, 1.0, np.where(within < 10.5e-6, 0.75, picture))
    data = vision * np.exp(2j * np.pi * 0.4e6 * t) + 0.5 * noise(rng, len(t))
    assert len(detected(0.1 * data, rate)) == 1
