"""The noise floor against the noise that was put in: under wide signals, beside them, and down a passband's slope."""

import numpy as np
import pytest

from earwitness.core.types import Samples
from earwitness.spectrum.floor import NoiseFloor
from earwitness.spectrum.stft import Spectrum

RATE = 2.4e6


def shaped(gain, count, seed):
    """Noise of unit power per sample times `gain` (share of the span from -0.5 to 0.5 -> power)."""
    rng = np.random.default_rng(seed)
    spectrum = rng.standard_normal(count) + 1j * rng.standard_normal(count)
    return np.fft.ifft(spectrum * np.sqrt(gain(np.fft.fftfreq(count)) / 2)) * np.sqrt(count)


def floor_of(data):
    """The floor after a second and a half, dBFS per bin, and each bin's place in the span."""
    spectrum = Spectrum(RATE, 0.0)
    floor = NoiseFloor(spectrum.plan)
    for start in range(0, len(data), 1 << 16):
        block = spectrum.feed(Samples(data[start : start + (1 << 16)], RATE, 0.0, start, 0))
        if block is not None and len(block.power) >= 8:
            floor.update(block.power[: len(block.power) // 8 * 8])
    bins = spectrum.plan.size
    return floor.level / (spectrum.plan.enbw_hz / RATE), np.arange(bins) / bins - 0.5


@pytest.mark.parametrize(
    ("low", "high"), [(-0.1, 0.14), (0.1, 0.3), (-0.32, 0.32), (-0.5, -0.2), (0.25, 0.5), (-0.4, -0.34)]
)
@pytest.mark.parametrize("over", [1.8, 10, 300])
def test_a_wide_signal_is_no_noise(low, high, over):
    data = shaped(lambda f: 1.0 + over * ((f >= low) & (f < high)), 3_600_000, 1).astype(np.complex64)
    level, _ = floor_of(data)
    assert np.abs(10 * np.log10(level)).max() < 0.6


@pytest.mark.parametrize("part", [0.06, 0.12, 0.2])
@pytest.mark.parametrize("depth_db", [3, 12, 40])
def test_a_passband_that_falls_to_its_ends_is_no_signal(part, depth_db):
    def gain(f):
        outside = np.clip((np.abs(f) - (0.5 - part)) / part, 0, 1)
        return 10 ** (-depth_db / 10 * np.sin(np.pi / 2 * outside) ** 2)

    level, place = floor_of(shaped(gain, 3_600_000, 2).astype(np.complex64))
    flat = np.abs(place) < 0.5 - part - 0.07  # windows reach half their width beyond
    assert np.abs(10 * np.log10(level[flat])).max() < 0.3


def test_a_steep_filter_leaves_a_passband():
    level, place = floor_of(
        shaped(lambda f: np.where(np.abs(f) < 0.4, 1.0, 1e-5), 3_600_000, 3).astype(np.complex64)
    )
    assert np.abs(10 * np.log10(level[np.abs(place) < 0.3])).max() < 0.3


def test_a_recording_that_begins_with_nothing_has_a_floor_later():
    """Demodulated audio is all zeros while the squelch is closed; a survey of such a file had stopped there."""
    rng = np.random.default_rng(3)
    noise = 0.01 * rng.standard_normal(1 << 20, np.float32).view(np.complex64)
    level, _ = floor_of(np.concatenate([np.zeros(1 << 20, np.complex64), noise, noise, noise]))
    assert np.median(level) == pytest.approx(2e-4, rel=0.2)
