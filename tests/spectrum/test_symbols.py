"""Wide single carriers told by their symbols' clock; noise, filters, many carriers and pulses have none."""

import numpy as np
import pytest

from earwitness.spectrum.symbols import find_carriers

RATE = 2.4e6
COUNT = 1 << 18


def noise(rng, count):
    return (rng.standard_normal(count) + 1j * rng.standard_normal(count)) / np.sqrt(2)


def found_in(data):
    data = data.astype(np.complex64)
    return find_carriers(lambda start, count: data[start : start + count], RATE)


@pytest.mark.parametrize("symbol", [4, 2.5, 1.6])  # samples
@pytest.mark.parametrize("ratio", [2.0, 30.0])
def test_the_band_of_keying_is_found(symbol, ratio):
    """Root raised cosine, a third of excess: the slopes end at (1 + alpha) / 2 of the rate (textbook)."""
    rng = np.random.default_rng(1)
    symbols = round(COUNT / symbol)
    k = np.arange(-COUNT // 2, COUNT // 2)
    edge = np.clip((np.abs(k) / symbols - (1 - 0.3) / 2) / 0.3, 0, 1)
    drawn = np.fft.fft(rng.choice([1, 1j, -1, -1j], symbols))
    wave = np.fft.ifft(np.fft.ifftshift(drawn[k % symbols] * np.cos(np.pi / 2 * edge)))
    wave *= np.sqrt(ratio / symbol / np.mean(np.abs(wave) ** 2))
    (found,) = found_in(wave + noise(rng, COUNT))
    half = 1.3 / 2 / symbol
    assert (found.low, found.high) == pytest.approx((-half, half), abs=0.06 * half + 0.01)
    assert found.noise == pytest.approx(1 / (1 + ratio), abs=0.06)


def test_nothing_is_found_where_there_is_no_clock():
    rng = np.random.default_rng(2)
    t = np.arange(COUNT)
    place = np.fft.fftfreq(COUNT)
    filtered = np.fft.ifft(np.fft.fft(noise(rng, COUNT)) * np.where(np.abs(place) < 0.3, 1, 0.1))
    carriers = noise(rng, COUNT) + sum(
        20 * (1 + 0.5 * np.sin(2 * np.pi * t * 1e3 * n / RATE)) * np.exp(2j * np.pi * t * (n / 30 - 0.4))
        for n in range(25)
    )
    pulses = noise(rng, COUNT)
    pulses[::2400] += 300
    for data in (noise(rng, COUNT), filtered, carriers, pulses):
        assert found_in(data) == []
