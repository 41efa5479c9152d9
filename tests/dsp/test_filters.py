"""Filters against numpy's direct convolution and against the definition of the root-raised cosine."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.dsp.discriminate import phase_steps
from earwitness.dsp.filters import StreamingFir, convolve_valid, lowpass, root_raised_cosine, shaped


@settings(deadline=None)
@given(st.integers(1, 400), st.integers(0, 5000), st.booleans())
def test_convolution_is_numpys(taps, extra, complex_input):
    rng = np.random.default_rng(taps * 7919 + extra)
    h = rng.standard_normal(taps).astype(np.float32)
    x = rng.standard_normal(taps + extra).astype(np.float32)
    if complex_input:
        x = (x + 1j * rng.standard_normal(len(x))).astype(np.complex64)
    got = convolve_valid(x, h)
    assert got.dtype == x.dtype
    np.testing.assert_allclose(np.convolve(x, h, "valid"), got, atol=2e-4 * np.sqrt(taps) + 1e-5)


def test_streaming_fir_is_one_long_filter():
    rng = np.random.default_rng(1)
    x = rng.standard_normal(3000).astype(np.float32)
    taps = lowpass(0.1, 0.05, 1.0)
    fir = StreamingFir(taps)
    got = np.concatenate([fir.feed(x[:7]), fir.feed(x[7:7]), fir.feed(x[7:2000]), fir.feed(x[2000:])])
    np.testing.assert_allclose(np.convolve(x, taps)[: len(x)], got, atol=1e-5)


def test_root_raised_cosine_twice_has_no_intersymbol_interference():
    # Nyquist's first criterion
    pulse = root_raised_cosine(0.35, 8, 12)
    twice = np.convolve(pulse, pulse)
    middle = len(twice) // 2
    others = np.delete(twice[middle % 8 :: 8], middle // 8)
    assert abs(twice[middle] - 1) < 1e-9
    assert np.abs(others).max() < 2e-3


def test_phase_steps_are_numpys_angle():
    rng = np.random.default_rng(2)
    x = (rng.standard_normal(5000) + 1j * rng.standard_normal(5000)).astype(np.complex64)
    before = np.concatenate([[1], x[:-1]])
    error = np.angle(np.exp(1j * (np.angle(x * np.conj(before)) - phase_steps(x, np.complex64(1)))))
    assert np.abs(error).max() < 2e-5
    assert np.all(phase_steps(np.zeros(4, np.complex64), np.complex64(0)) == 0)


def test_shaped_pulses_do_not_disturb_each_other():
    """Nyquist's first criterion: after the matched filter, what stands at an instant is its own level alone."""
    levels = np.random.default_rng(2).choice([-1.0, 1.0], 300)
    for per, late in ((4.0, 0.0), (3.3, 0.5)):
        wave = shaped(levels, per, 0.5, late)
        pulse = root_raised_cosine(0.5, per * 32, 6)
        at = (
            np.arange(len(wave)) - (np.arange(40, 260)[:, None] + 6 + late) * per
        )  # samples from each instant
        index = np.rint(at * 32).astype(int) + len(pulse) // 2
        inside = (index >= 0) & (index < len(pulse))
        got = (wave * np.where(inside, pulse[np.clip(index, 0, len(pulse) - 1)], 0)).sum(axis=1) * np.sqrt(32)
        np.testing.assert_allclose(got, levels[40:260], atol=0.03)
