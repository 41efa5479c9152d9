"""Power density beside strong lines."""

import numpy as np
import pytest

from earwitness.core.types import Samples
from earwitness.emission.measure import density_beside


def test_density_beside_strong_lines_is_the_noise_there():
    """Parseval: white noise of unit power a sample has the density 1 / rate, whatever stands in the parts left out."""
    rate = 1e6
    rng = np.random.default_rng(3)
    n = np.arange(20_000)
    x = (rng.standard_normal(len(n)) + 1j * rng.standard_normal(len(n))) / np.sqrt(2)
    x = x + 30 * np.exp(2j * np.pi * 0.1 * n)
    samples = Samples(x.astype(np.complex64), rate, 100e6, 0, 0)
    beside, bins = density_beside(samples, (99.8e6, 100.3e6), [(100.09e6, 100.11e6)])
    assert bins == pytest.approx(0.48 * len(n), rel=0.01)
    assert beside * rate == pytest.approx(1.0, abs=0.05)
    with_line, _ = density_beside(samples, (99.8e6, 100.3e6), [])
    assert with_line == pytest.approx(beside, rel=0.05)  # a line of something else does not count
    assert density_beside(samples, (99.8e6, 100.3e6), [(99e6, 101e6)]) == (0.0, 0)
