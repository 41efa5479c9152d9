"""Measurement against computed spectra: 99 % bandwidths, Bessel lines, sideband levels, the frequency bound."""

import emission_signals as sig
import numpy as np
import pytest
from scipy.special import jv

from earwitness.emission.measure import measure


def measured(iq, rate, snr_db, seed=0, **how):
    rng = np.random.default_rng(seed)
    samples, detection, span, band, base = sig.channel(iq, rate, snr_db, rng, **how)
    return measure(samples, detection, span_hz=span), band, base


def bits(count, seed=0):
    return 2.0 * np.random.default_rng(seed).integers(0, 2, count) - 1


# 99 % bandwidth over the symbol rate: MSK and GMSK computed from their autocorrelation, as Murota and
# Hirade 1981 print them (0.79, 0.86, 1.04, MSK 1.20); RRC from the closed form of its spectrum.
@pytest.mark.parametrize(("bt", "ratio"), [(None, 1.182), (0.3, 0.911), (0.5, 1.033)])
def test_msk_and_gmsk_bandwidth(bt, ratio):
    rate, sps = 96_000, 10
    data = bits(6000)
    track = np.repeat(data, sps) if bt is None else sig.gaussian_track(data, sps, bt)
    result, _, _ = measured(sig.frequency_modulated(2400 * track, rate), rate, 45, edges=0.02, offset=0.02)
    assert result.occupied_bandwidth_hz == pytest.approx(ratio * 9600, rel=0.03)
    assert "beta/2" in result.methods["occupied_bandwidth"]


@pytest.mark.parametrize(("alpha", "ratio"), [(0.2, 1.073), (0.35, 1.167), (0.5, 1.268)])
def test_rrc_bandwidth(alpha, ratio):
    rng = np.random.default_rng(2)
    iq, rate = sig.psk(rng, 1.0, 4800, 4, alpha, sps=8)
    result, _, _ = measured(iq, rate, 40)
    assert result.occupied_bandwidth_hz == pytest.approx(ratio * 4800, rel=0.02)
    # -26 dB widths of the same spectra: 1.187, 1.328, 1.468.
    assert result.xdb == 26
    assert result.xdb_bandwidth_hz == pytest.approx(
        {0.2: 1.187, 0.35: 1.328, 0.5: 1.468}[alpha] * 4800, rel=0.04
    )


@pytest.mark.parametrize("snr_db", [20, 15])
def test_noise_does_not_widen_it(snr_db):
    # Without subtraction, 20 dB reads 2.610 and 15 dB 3.533 symbol rates instead of 1.167.
    iq, rate = sig.psk(np.random.default_rng(3), 1.0, 4800, 4, 0.35, sps=8)
    result, _, _ = measured(iq, rate, snr_db)
    assert result.occupied_bandwidth_hz == pytest.approx(1.167 * 4800, rel=0.05)
    assert result.snr_db == pytest.approx(snr_db, abs=0.5)


def test_low_snr_says_that_it_is_not_the_beta_method():
    iq, rate = sig.gmsk(np.random.default_rng(4), 0.026)
    result, (low, high), _ = measured(iq, rate, 6)
    assert "in its place" in result.methods["occupied_bandwidth"]
    assert abs(result.occupied_bandwidth_hz - (high - low)) < 3 * result.occupied_bandwidth_uncertainty_hz


@pytest.mark.parametrize(
    ("tone", "deviation", "lines"), [(15_000, 75_000, 6), (1000, 3000, 4), (3000, 5000, 3)]
)
def test_fm_tone(tone, deviation, lines):
    # Bessel: sidebands needed for 99 % of the power; +-6 x 15 kHz = 180 kHz, 8 kHz, 18 kHz.
    beta = deviation / tone
    assert jv(0, beta) ** 2 + 2 * sum(jv(k, beta) ** 2 for k in range(1, lines + 1)) > 0.99
    rate = 20 * deviation
    t = np.arange(int(0.2 * rate)) / rate
    iq = np.exp(1j * beta * np.sin(2 * np.pi * tone * t))
    result, _, base = measured(iq, rate, 35, edges=0.02)
    assert result.occupied_bandwidth_hz == pytest.approx(2 * lines * tone, rel=0.06)
    assert result.deviation_hz == pytest.approx(deviation, rel=0.05)
    assert result.center_hz - base == pytest.approx(0, abs=max(3 * result.center_uncertainty_hz, 0.01 * tone))


@pytest.mark.parametrize("depth", [0.3, 0.5, 0.8])
def test_am_tone(depth):
    # Total over carrier power is 1 + m^2/2: 1.045, 1.125, 1.32.
    rate = 24_000
    t = np.arange(rate) / rate
    iq = 1 + depth * np.cos(2 * np.pi * 1000 * t) + 0j
    assert np.mean(np.abs(iq) ** 2) == pytest.approx(1 + depth**2 / 2, rel=1e-3)
    result, _, base = measured(iq, rate, 30)
    assert result.modulation_depth_pct == pytest.approx(100 * depth, abs=3)
    assert result.deviation_hz is None
    assert result.center_hz - base == pytest.approx(0, abs=1)


def test_level_and_snr():
    # The channel helper gives bursts a mean power of 0.05^2: -26.02 dBFS.
    for seed in range(4):
        iq, rate = sig.gmsk(np.random.default_rng(seed), 0.1)
        result, _, _ = measured(iq, rate, 18, seed)
        assert result.level_dbfs == pytest.approx(-26.02, abs=0.3)
        assert result.snr_db == pytest.approx(18, abs=0.6)


def test_carrier_frequency_near_the_bound():
    # Rife and Boorstyn 1974: 48 kS/s, 4800 samples, 20 dB per sample: 5.63 mHz.
    rate, n = 48_000, 4800
    bound = rate / (2 * np.pi) * np.sqrt(6 / (100 * n * (n**2 - 1)))
    assert bound == pytest.approx(5.63e-3, rel=1e-2)
    errors = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        # SNR over 50 Hz (what the helper takes for a bare line) from 20 dB over 48 kHz.
        result, _, base = measured(np.ones(n, complex), rate, 20 + 10 * np.log10(rate / 50), seed, offset=0)
        errors.append(result.center_hz - base)
        assert rng is not None
    assert np.sqrt(np.mean(np.square(errors))) < 0.1


def test_nothing_there():
    rng = np.random.default_rng(0)
    samples, detection, span, _, _ = sig.channel(*sig.gmsk(rng, 0.026), -20, rng)
    result = measure(samples, detection, span_hz=span)
    assert result.snr_db < 6
