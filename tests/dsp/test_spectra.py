"""Mean power of spectra against numpy's own order of frequencies."""

import numpy as np
import pytest

from earwitness.dsp.spectra import mean_power


@pytest.mark.parametrize("bins", [2, 7, 64, 375])
def test_order_and_mean_are_numpys(bins):
    rng = np.random.default_rng(bins)
    spectra = (rng.standard_normal((5, bins)) + 1j * rng.standard_normal((5, bins))).astype(np.complex64)
    wanted = np.fft.fftshift((np.abs(spectra) ** 2).mean(axis=0))
    assert mean_power(spectra) == pytest.approx(wanted, rel=1e-5)
