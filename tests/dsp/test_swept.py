"""Drifting lines in noise: what drift they are found with, and that noise has none."""

import numpy as np
import pytest

from earwitness.dsp import swept

SIZE = 8192


def noise(rng, size=SIZE):
    return (rng.standard_normal(size) + 1j * rng.standard_normal(size)) / np.sqrt(2)


@pytest.mark.parametrize("bend", [0.0, 3e-7, -5e-6, 9e-6])
def test_drift_of_a_weak_line(bend):
    """-16 dB a sample; a step of the search moves it by a bin of all from one end to the other, for 8 that are known."""
    rng = np.random.default_rng(1)
    t = np.arange(SIZE) - SIZE // 2
    for _ in range(5):
        hz = rng.uniform(-0.4, 0.4)
        wave = 10**-0.8 * np.exp(2j * np.pi * (hz * t + 0.5 * bend * t * t)) + noise(rng)
        best = swept.sharpest(wave, 1e-5)
        place = int(np.argmax(best.power)) / len(best.power)
        assert (place - hz + 0.5) % 1.0 - 0.5 == pytest.approx(0, abs=1.5 / len(best.power))
        made = swept.unswept(wave, best.bend)
        rest = swept.finer(made, [(place + 0.5) % 1.0 - 0.5])
        assert best.bend + rest == pytest.approx(bend, abs=2.0 / SIZE**2)


def test_noise_has_no_sharp_line():
    """Sums of the powers of 15 half-overlapping blocks: 1e-8 of a gamma distribution of some 14 lie beyond 3.3 means."""
    rng = np.random.default_rng(2)
    for _ in range(20):
        power = swept.sharpest(noise(rng), 1e-5, (0.37,)).power
        assert power.max() < 3.8 * np.median(power) / swept.MEDIAN


def test_turning_back_is_exact():
    """Against the complex exponential itself."""
    n = np.arange(1000)
    out = np.empty(1000, np.complex64)
    turns = swept.slid(np.ones(1000, np.complex64), 0.3, 0.12, 2e-5, out)
    expected = np.exp(-2j * np.pi * (0.3 + 0.12 * n + 1e-5 * n * n))
    assert np.allclose(out, expected, atol=1e-5)
    assert turns == pytest.approx((0.3 + 0.12 * 1000 + 1e-5 * 1e6) % 1.0, abs=1e-9)
