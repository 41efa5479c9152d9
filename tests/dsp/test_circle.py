"""The constant beside a turning signal is found; a carrier that stands still is not taken for one."""

import numpy as np
import pytest

from earwitness.dsp.circle import centre


def noise(rng, count, size):
    return size * (rng.standard_normal(count) + 1j * rng.standard_normal(count)) / np.sqrt(2)


@pytest.mark.parametrize("snr_db", [3.0, 20.0])
@pytest.mark.parametrize("constant", [0.0, 0.2 - 0.1j, 2.0j])
def test_constant_beside_frequency_modulation(snr_db, constant):
    rng = np.random.default_rng(1)
    phase = 0.5 * np.cumsum(np.sin(2 * np.pi * 0.04 * np.arange(50_000))) + 1e-4 * np.arange(50_000)
    data = np.exp(1j * phase) + constant + noise(rng, 50_000, 10 ** (-snr_db / 20))
    assert centre(data.astype(np.complex64)) == pytest.approx(constant, abs=0.05)


@pytest.mark.parametrize("size", [0.0, 0.1, 1.0])
def test_a_carrier_is_no_constant(size):
    data = 1 + noise(np.random.default_rng(2), 50_000, size)
    assert centre(data.astype(np.complex64)) is None


def test_odd_input():
    assert centre(np.zeros(0, np.complex64)) is None
    assert centre(np.zeros(100, np.complex64)) is None
