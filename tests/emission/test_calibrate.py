"""Receiver error from known emissions: arithmetic stated in each test."""

import numpy as np
import pytest

from earwitness.core.errors import ParameterError
from earwitness.emission.calibrate import apply_ppm, frequency_error_ppm, raster_pairs


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


def test_raster_finds_the_common_error():
    # 12.5 kHz channels near 155 MHz read 20 ppm (3.1 kHz) low.
    true = [154.1e6, 154.3e6, 154.55e6, 155.6e6, 155.7e6, 155.8875e6]
    read = [f * (1 - 20e-6) for f in true]
    pairs = raster_pairs(read, 12_500)
    assert [t for _, t in pairs] == pytest.approx(true)
    assert frequency_error_ppm(pairs)[0] == pytest.approx(-20, abs=0.01)


def test_nothing_known():
    with pytest.raises(ParameterError):
        frequency_error_ppm([])
    with pytest.raises(ParameterError):
        raster_pairs([], 12_500)
