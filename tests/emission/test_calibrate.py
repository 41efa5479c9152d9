"""Receiver error from known emissions: arithmetic stated in each test."""

import numpy as np
import pytest

from earwitness.core.errors import ParameterError
from earwitness.emission.calibrate import apply_ppm, frequency_error_ppm


def test_one_locked_pilot():
    # 100 MHz read 1.5 kHz high is 15 ppm.
    error, uncertainty = frequency_error_ppm([(100_001_500.0, 100e6)], transmitter_ppm=0.01)
    assert error == pytest.approx(15)
    assert uncertainty == pytest.approx(0.01)
    assert apply_ppm(100_001_500.0, error) == pytest.approx(100e6)


def test_liars_are_outvoted():
    rng = np.random.default_rng(1)
    pairs = [(f * (1 + (-20 + rng.normal(0, 1)) * 1e-6), f) for f in np.linspace(150e6, 160e6, 12)]
    pairs += [(155e6, 154e6), (151.1e6, 151e6)]
    error, uncertainty = frequency_error_ppm(pairs)
    assert abs(error + 20) < 3 * uncertainty
    assert uncertainty < 1


def test_nothing_known():
    with pytest.raises(ParameterError):
        frequency_error_ppm([])
