"""Measurement against computed spectra: 99 % bandwidths, Bessel lines, sideband levels, the frequency bound."""

from dataclasses import replace

import emission_signals as sig
import numpy as np
import pytest
from scipy.special import jv

from earwitness.emission.identify import examine
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
    assert "forbids" in result.methods["occupied_bandwidth"]
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


@pytest.mark.parametrize("depth", [0.3, 0.5, 0.9])
@pytest.mark.parametrize("snr_db", [12, 16, 22])
def test_depth_of_a_tone_in_noise(depth, snr_db):
    """By the definition of the signal; noise adds to the peaks of a tone and must come out again."""
    rate = 48_000
    t = np.arange(3 * rate) / rate
    within = 0
    for seed in range(5):
        result, _, _ = measured(1 + depth * np.sin(2 * np.pi * 400 * t) + 0j, rate, snr_db, seed)
        off = abs(result.modulation_depth_pct - 100 * depth)
        within += off < 2 * result.modulation_depth_uncertainty_pct
        assert snr_db < 20 or (off < 1 and result.modulation_depth_uncertainty_pct < 2)
    assert within >= 4


@pytest.mark.parametrize("seed", range(3))
def test_deviation_of_shaped_keying(seed):
    """GFSK, BT 0.5, index 0.7 (so +-3360 Hz at 9600 Bd), 40 ms: what the filter leaves of single bits is no measure."""
    bits = 2.0 * np.random.default_rng(seed).integers(0, 2, 384) - 1
    iq = sig.frequency_modulated(3360 * sig.gaussian_track(bits, 10, 0.5), 96_000)
    samples, detection, span, _, _ = sig.channel(iq, 96_000, 15, np.random.default_rng(seed))
    result, found = examine(samples, detection, span_hz=span)
    assert found.kind == "fsk2"
    assert result.deviation_hz == pytest.approx(3360, rel=0.06)


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
        # SNR over 50 Hz (what the helper takes for a bare line) from 20 dB over 48 kHz.
        result, _, base = measured(np.ones(n, complex), rate, 20 + 10 * np.log10(rate / 50), seed, offset=0)
        errors.append(result.center_hz - base)
    assert np.sqrt(np.mean(np.square(errors))) < 0.1


def test_nothing_there():
    rng = np.random.default_rng(0)
    samples, detection, span, _, _ = sig.channel(*sig.gmsk(rng, 0.026), -20, rng)
    result = measure(samples, detection, span_hz=span)
    assert result.snr_db < 6


def speech_pause(rng, seconds):
    """Speech in a pass band, without carrier, with its own pauses."""
    return sig.usb(rng, max(seconds, 2.5))


# What a standard uncertainty means (JCGM 100:2008, 6.2): about 95 % of the truths lie within twice. Truths are the
# clean signals' own periodograms, made here; lengths are drawn from 50 ms to 2 s.
@pytest.mark.parametrize("snr_db", [25, 15, 8])
def test_truth_lies_within_the_uncertainty(snr_db):
    makers = {
        "gmsk": sig.gmsk,
        "gfsk": sig.gfsk,
        "c4fm": sig.c4fm,
        "qpsk": sig.qpsk,
        "8psk": sig.d8psk,
        "pi4qpsk": sig.pi4qpsk,
        "navtex": sig.navtex,
        "am": sig.am,
        "nfm": sig.nfm,
        "ook": sig.ook,
        "ofdm": sig.ofdm,
        "usb": speech_pause,
    }
    within = {"width": [], "snr": [], "level": []}
    for name, make in makers.items():
        for seed in range(4):
            rng = np.random.default_rng(100 + seed)
            iq, rate = make(rng, float(np.exp(rng.uniform(np.log(0.05), np.log(2)))))
            samples, detection, span, (low, high), _ = sig.channel(iq, rate, snr_db, rng)
            result = measure(samples, detection, span_hz=span)
            if high - low < 100:  # nothing but a line: a pause of the speech
                continue
            within["width"].append(
                (
                    name,
                    (result.occupied_bandwidth_hz - (high - low)) / result.occupied_bandwidth_uncertainty_hz,
                )
            )
            within["snr"].append((name, (result.snr_db - snr_db) / result.snr_uncertainty_db))
            within["level"].append((name, (result.level_dbfs + 26.02) / result.level_uncertainty_db))
    for figure, errors in within.items():
        good = np.mean([abs(z) < 2 for _, z in errors])
        assert good > 0.9, (figure, [(name, round(z, 1)) for name, z in errors if abs(z) >= 2])


@pytest.mark.parametrize(("seconds", "snr_db"), [(0.05, 20), (0.2, 10), (1.0, 15), (3.0, 25)])
def test_carrier_within_its_uncertainty(seconds, snr_db):
    # Rife and Boorstyn 1974: no estimate is better than the bound; a Hann window costs 1.5 times (2.34 in variance).
    errors, stated = [], []
    for seed in range(12):
        samples, detection, span, _, base = sig.channel(
            np.ones(round(seconds * 12_000), complex), 12_000, snr_db, np.random.default_rng(seed)
        )
        result, answer = examine(samples, detection, span_hz=span)
        errors.append(result.center_hz - base)
        stated.append(result.center_uncertainty_hz)
        assert answer.carrier_hz in (None, result.center_hz)
    z = np.array(errors) / np.array(stated)
    assert np.mean(np.abs(z) < 2) > 0.9, z
    bound = np.sqrt(6 / (10 ** (snr_db / 10) * 50 * seconds)) / (2 * np.pi * seconds)
    if seconds >= 1:  # shorter ones lose part of their length to finding where they begin and end
        assert np.sqrt(np.mean(np.square(errors))) < 2 * max(bound, 1e-3)


def test_a_band_seen_too_wide_is_looked_at_again():
    # A detector with 1 kHz cells sees 3 kHz where 50 Bd keying with 450 Hz shift (common practice) takes 640 Hz.
    rng = np.random.default_rng(5)
    iq, rate = sig.fsk(rng, 3.0, 50, 225, 48_000)
    samples, detection, span, (low, high), base = sig.channel(iq, rate, 12, rng, ratio=16)
    wide = replace(detection, low_hz=base - 1700, high_hz=base + 1300)
    result, answer = examine(samples, wide, span_hz=span)
    assert answer.kind == "fsk2"
    assert answer.symbol_rate_hz == pytest.approx(50, rel=1e-3)
    assert abs(result.center_hz - base) < 2 * result.center_uncertainty_hz
    assert abs(result.occupied_bandwidth_hz - (high - low)) < 2 * result.occupied_bandwidth_uncertainty_hz


def test_suppressed_carrier_is_as_well_known_as_its_uncertainty_says():
    """J3E of speech with all overtones of its pitch at 0 Hz (definition): 95 % within twice (JCGM 100:2008), most to a few Hz."""
    errors, doubts = [], []
    for seed in range(12):
        rng = np.random.default_rng(800 + seed)
        iq, rate = sig.usb(rng, rng.uniform(1.3, 2.5))
        samples, detection, span, _, base = sig.channel(iq, rate, rng.choice([8, 20]), rng)
        result, found = examine(samples, detection, span_hz=span)
        if found.kind == "ssb":
            errors.append(abs(result.center_hz - base))
            doubts.append(result.center_uncertainty_hz)
    assert len(errors) >= 10
    assert np.sum(np.array(errors) > 2 * np.array(doubts)) <= 1
    assert np.median(doubts) < 15


def test_bandwidth_of_morse_is_as_well_known_as_its_uncertainty_says():
    """Keying falls off so slowly that its outer hundredth lies under the noise: 95 % within twice (JCGM 100:2008)."""
    beyond = 0
    for seed in range(16):
        rng = np.random.default_rng(700 + seed)
        result, (low, high), _ = measured(*sig.cw(rng, 5, rng.uniform(12, 40)), (14, 22)[seed % 2], seed)
        off = result.occupied_bandwidth_hz - (high - low)
        beyond += abs(off) > 2 * result.occupied_bandwidth_uncertainty_hz
    assert beyond <= 2


def test_level_of_what_fades_is_no_better_known_than_it_is():
    """50 Bd through Rayleigh fading of 0.5 Hz of which two seconds are seen: the truth is its mean over eight."""
    off = []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        iq, rate = sig.fsk(rng, 8, 50, 225, 12_000)
        t = np.arange(len(iq)) / rate
        ways = [np.exp(1j * (np.pi * np.cos(a) * t + b)) for a, b in rng.uniform(0, 2 * np.pi, (16, 2))]
        faded = iq * sum(ways) / 4
        faded /= np.sqrt(np.mean(np.abs(faded) ** 2))
        first = faded[: 2 * rate]
        level_db = 10 * np.log10(np.mean(np.abs(first) ** 2))
        result, _, _ = measured(first, rate, 20, seed)
        off.append(abs(result.level_dbfs + level_db + 26.02) / result.level_uncertainty_db)
    assert np.mean(np.array(off) < 3) >= 0.85


def truths_met(make, truth, figure, snrs, seeds=8):
    """Give the share of truths within twice the standard uncertainty of a figure: about 95 % (JCGM 100:2008, 6.2)."""
    off = []
    for snr_db in snrs:
        for seed in range(seeds):
            rng = np.random.default_rng(seed)
            iq, rate, modulating = make(rng)
            samples, detection, span, _, _ = sig.channel(iq, rate, snr_db, rng)
            result, _ = examine(samples, detection, span_hz=span)
            value, error = (getattr(result, name) for name in figure)
            if value is not None:
                off.append(abs(value - truth(modulating)) / error)
    assert len(off) > len(snrs) * seeds / 2
    return np.mean(np.array(off) < 2)


def am_speech(rng, depth):
    wave = sig.audio(2.0, 24_000, rng)
    return 1 + depth * np.clip(wave, -1, 1) + 0j, 24_000, depth * np.clip(wave, -1, 1)


def fm_speech(rng, deviation):
    wave = np.clip(sig.audio(2.0, 48_000, rng), -1, 1)
    return sig.frequency_modulated(deviation * wave, 48_000), 48_000, deviation * wave


@pytest.mark.parametrize(("depth", "snrs"), [(0.5, (20, 30)), (0.85, (10, 20, 30))])
def test_depth_of_speech_is_that_of_all_of_it(depth, snrs):
    def swing_pct(wave):
        return 50 * (np.quantile(wave, 0.995) - np.quantile(wave, 0.005))

    figure = "modulation_depth_pct", "modulation_depth_uncertainty_pct"
    assert truths_met(lambda rng: am_speech(rng, depth), swing_pct, figure, snrs) > 0.85


@pytest.mark.parametrize("deviation", [2500, 4500])
def test_deviation_of_speech_is_that_of_all_of_it(deviation):
    def swing_hz(track):
        return (np.quantile(track, 0.999) - np.quantile(track, 0.001)) / 2

    figure = "deviation_hz", "deviation_uncertainty_hz"
    assert truths_met(lambda rng: fm_speech(rng, deviation), swing_hz, figure, (10, 20, 30)) > 0.85


@pytest.mark.parametrize("seconds", [0.01, 0.05])
def test_level_of_a_carrier_that_is_brief(seconds):
    # The channel helper gives it a mean power of 0.05^2: -26.02 dBFS.
    off = []
    for seed in range(12):
        result, _, _ = measured(np.ones(round(seconds * 12_000), complex), 12_000, 25, seed)
        off.append(result.level_dbfs + 26.02)
    assert abs(np.mean(off)) < 0.17
