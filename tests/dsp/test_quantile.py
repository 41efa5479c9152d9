"""Quantiles beside those of numpy."""

import numpy as np
import pytest

from earwitness.dsp.quantile import quantile


@pytest.mark.parametrize("count", [1, 2, 100, 8_192, 50_001])
@pytest.mark.parametrize("share", [0.0, 0.004, 0.5, 0.99, 0.999, 1.0])
def test_the_same_as_numpy(count, share):
    rng = np.random.default_rng(count)
    for values in (
        rng.standard_normal(count),
        np.zeros(count),
        np.sin(np.arange(count) / 30),
        np.arange(count),
    ):
        assert quantile(values, share) == pytest.approx(np.quantile(values, share), abs=1e-12)
