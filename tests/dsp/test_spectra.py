"""Mean power of spectra against numpy's own order of frequencies."""

import numpy as np
import pytest

from earwitness.dsp.spectra import hann, mean_power, narrowed


@pytest.mark.parametrize("bins", [2, 7, 64, 375])
def test_order_and_mean_are_numpys(bins):
    rng = np.random.default_rng(bins)
    spectra = (rng.standard_normal((5, bins)) + 1j * rng.standard_normal((5, bins))).astype(np.complex64)
    wanted = np.fft.fftshift((np.abs(spectra) ** 2).mean(axis=0))
    assert mean_power(spectra) == pytest.approx(wanted, rel=1e-5)


@pytest.mark.parametrize(("size", "parts"), [(8192, 256), (8192, 1), (777, 1), (1500, 256), (100, 256)])
@pytest.mark.parametrize("kind", [np.complex64, np.float32])
def test_turned_and_thinned_out(size, parts, kind):
    """Against the sum itself, in double precision."""
    rng = np.random.default_rng(size)
    values = rng.standard_normal(size) + 1j * rng.standard_normal(size)
    values = (values if kind is np.complex64 else values.real).astype(kind)
    out = np.empty(parts, np.complex64)
    narrowed(values, hann(size), 0.2371, out)
    turned = values * hann(size) * np.exp(-2j * np.pi * 0.2371 * np.arange(size))
    share = -(-size // parts)
    expected = np.concatenate([turned, np.zeros(share * parts - size)]).reshape(parts, share).sum(axis=1)
    assert np.abs(out - expected).max() < 1e-6 * np.abs(expected).max()
