"""What is weak or fades: claimed where it can be told, and no surer than it is.

Signals by their definitions: A3E and N0N (RR App. 1), PSK31 (31.25 Bd, cosine between reversals; amateur practice, no
source), fading after Rayleigh with a steady part (textbook). Counts leave room for chance.
"""

from dataclasses import replace

import emission_signals as sig
import numpy as np
import pytest

from earwitness.emission.burst import cut
from earwitness.emission.features import Features
from earwitness.emission.identify import examine


def seen(iq, rate, snr_db, rng, **how):
    samples, detection, span, _, _ = sig.channel(iq, rate, snr_db, rng, **how)
    return examine(samples, detection, span_hz=span)[1]


def steady(snr_hz_db, rng, seconds=1.5, rate=9000.0, width=1300.0):
    """A bare carrier in a band as wide as that of speech, `snr_hz_db` over the noise in it: (Samples, Detection)."""
    n, pad = int(rate * seconds), int(0.08 * rate)
    x = np.zeros(n + 2 * pad, complex)
    x[pad : pad + n] = 1
    density = 10 ** (-snr_hz_db / 10) / width
    x += np.sqrt(density * rate / 2) * (rng.standard_normal(len(x)) + 1j * rng.standard_normal(len(x)))
    noise_db = 10 * np.log10(density)
    samples = sig.Samples(x.astype(np.complex64), rate, 100e6, 0, 0, noise_db)
    band = 100e6 - width / 2, 100e6 + width / 2
    return samples, sig.Detection(1, pad, pad + n, *band, 100e6, -26.0, noise_db, snr_hz_db, False)


def psk31(rng, seconds, rate=4000):
    """Reversals at 31.25 Bd, the amplitude a cosine through each, half of the symbols reversed."""
    sps = int(rate / 31.25)
    sign = np.cumprod(rng.choice([-1.0, 1.0], int(seconds * 31.25) + 1))
    turn = 0.5 - 0.5 * np.cos(np.pi * np.arange(sps) / sps)
    return (sign[:-1, None] * (1 - turn) + sign[1:, None] * turn).ravel() + 0j, rate


def faded(iq, rate, rng, hz, steady_part):
    t = np.arange(len(iq)) / rate
    paths = [np.exp(1j * (2 * np.pi * hz * np.cos(a) * t + b)) for a, b in rng.uniform(0, 2 * np.pi, (16, 2))]
    return iq * (steady_part + sum(paths) / 4)


def test_weak_speech_on_a_carrier():
    kinds = []
    for seed in range(8):
        rng = np.random.default_rng(400 + seed)
        kinds.append(seen(*sig.am(rng, 1.5), 6, rng).kind)
    assert kinds.count("am") >= 6


@pytest.mark.parametrize("snr_db", [3, 6, 12])
def test_noise_beside_a_carrier_is_no_sound(snr_db):
    for seed in range(12):
        samples, detection = steady(snr_db, np.random.default_rng(seed))
        assert examine(samples, detection, span_hz=samples.rate_hz)[1].kind in ("carrier", "unknown")


def test_noise_lies_along_a_carrier_as_much_as_across_it():
    ratios = []
    for seed in range(12):
        samples, detection = steady(6, np.random.default_rng(seed))
        line = Features(cut(samples, detection, samples.rate_hz, least_hz=6500.0)).carrier
        ratios.append((line.in_phase / line.uncertainty, line.quadrature / line.uncertainty))
    # The mean of twelve standard normal figures; noise that filters take from the carrier lowers it a little.
    assert np.all(np.abs(np.mean(ratios, axis=0)) < 1.0)


def test_a_carrier_is_as_sure_as_sound_would_be_seen():
    rng = np.random.default_rng(5)
    weak = seen(*sig.carrier(rng, 2.0), 8, rng)
    strong = seen(*sig.carrier(rng, 2.0), 35, rng)
    assert weak.kind == strong.kind == "carrier"
    assert weak.confidence < 0.65
    assert strong.confidence > 0.9


def test_weak_narrow_phase_keying():
    kinds = []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        kinds.append(seen(*psk31(rng, 4.0), 5, rng).kind)
    assert kinds.count("psk") >= 5


@pytest.mark.parametrize(("hz", "steady_part"), [(1.0, 0.0), (3.0, 0.7)])
def test_morse_that_fades(hz, steady_part):
    kinds = []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        iq, rate = sig.cw(rng, 6.0)
        kinds.append(seen(faded(iq, rate, rng, hz, steady_part), rate, 15, rng).kind)
    assert kinds.count("cw") >= 5


def with_a_gap(iq):
    """The same, off for three tenths of the time in its middle."""
    n = len(iq)
    return np.concatenate([iq[: int(0.35 * n)], np.zeros(int(0.3 * n)), iq[int(0.65 * n) :]])


@pytest.mark.parametrize(
    ("name", "seconds"), [("c4fm", 2.0), ("pocsag", 2.0), ("pi4-qpsk", 1.0), ("gmsk", 1.0)]
)
def test_keying_that_pauses_is_no_voice_and_no_switching(name, seconds):
    make, kind, _, _ = sig.SIGNALS[name]
    for seed in range(3):
        rng = np.random.default_rng(seed)
        iq, rate = make(rng, seconds)
        assert seen(with_a_gap(iq), rate, 20, rng).kind in (kind, "unknown")


@pytest.mark.parametrize("name", ["c4fm", "pocsag", "gmsk"])
def test_keying_that_fades_is_no_voice(name):
    make, kind, _, _ = sig.SIGNALS[name]
    for seed in range(3):
        rng = np.random.default_rng(seed)
        iq, rate = make(rng, 2.0)
        assert seen(faded(iq, rate, rng, 2.0, 0.3), rate, 20, rng).kind in (kind, "unknown")


def test_narrow_phase_keying_that_drifts():
    kinds = []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        iq, rate = psk31(rng, 6.0)
        t = np.arange(len(iq)) / rate
        kinds.append(seen(iq * np.exp(1j * np.pi * 0.6 * t**2), rate, 10, rng).kind)
    assert kinds.count("psk") >= 5


def test_a_tone_of_67_hz_is_no_code_of_134_bd():
    rng = np.random.default_rng(3)
    t = np.arange(96_000) / 48_000
    found = seen(sig.frequency_modulated(375 * np.sin(2 * np.pi * 67.0 * t), 48_000), 48_000, 15, rng)
    assert found.kind == "fm"
    assert not any("code" in reason for reason in found.reasons)


@pytest.mark.parametrize("seed", range(3))
def test_strong_morse_that_drifts_beside_another_station(seed):
    """30 dB and 15 dB, 800 Hz apart, in one band; a receiver at 430 MHz warms by a seventh of a part in a million a second."""
    rng = np.random.default_rng(seed)
    (strong, rate), (weak, _) = sig.cw(rng, 5.0), sig.cw(rng, 5.0)
    t = np.arange(len(strong)) / rate
    x = strong + 10 ** (-15 / 20) * weak * np.exp(-2j * np.pi * 800 * t)
    density = 10**-3.0 / 120
    x = x * np.exp(1j * np.pi * 65 * t**2)
    x += np.sqrt(density * rate / 2) * (rng.standard_normal(len(x)) + 1j * rng.standard_normal(len(x)))
    noise_db = 10 * np.log10(density)
    samples = sig.Samples(x.astype(np.complex64), rate, 100e6, 0, 0, noise_db)
    band = 100e6 - 650, 100e6 + 700
    detection = sig.Detection(1, 0, len(x), *band, 100e6, -26.0, noise_db, 30, False)
    assert examine(samples, detection, span_hz=rate)[1].kind == "cw"


def test_speech_whose_carrier_an_echo_weakens_is_no_switching():
    """Two paths that meet nearly opposite at the carrier leave sidebands stronger than it, as switching does."""
    for seed in range(4):
        rng = np.random.default_rng(seed)
        iq, rate = sig.am(rng, 2.0)
        assert seen(iq - 0.75, rate, 15, rng).kind != "ook"


def test_weak_morse_is_keyed_and_no_sound():
    """12 words a minute at 6 dB in its 99 % bandwidth, seen in three times that."""
    kinds = []
    for seed in range(10):
        rng = np.random.default_rng(900 + seed)
        samples, detection, span, _, _ = sig.channel(*sig.cw(rng, 2.4, 12), 6, rng, offset=0.0)
        wide = replace(detection, low_hz=detection.center_hz - 140, high_hz=detection.center_hz + 140)
        kinds.append(examine(samples, wide, span_hz=span)[1].kind)
    assert not {"am", "carrier"} & set(kinds)
    assert kinds.count("cw") >= 8


def test_sound_found_beside_a_carrier_is_measured_with_it():
    """99 % bandwidth (RR 1.153) of speech at 85 %, whose carrier alone stands out: by the periodogram before the noise."""
    rng = np.random.default_rng(3)
    iq, rate = sig.am(rng, 3)
    samples, detection, span, band, base = sig.channel(iq, rate, 14, rng)
    narrow = replace(detection, low_hz=base - 60, high_hz=base + 60, center_hz=base)
    figures, found = examine(samples, narrow, span_hz=span)
    assert found.kind == "am"
    off = figures.occupied_bandwidth_hz - (band[1] - band[0])
    assert abs(off) < 2.5 * figures.occupied_bandwidth_uncertainty_hz


def test_quiet_speech_on_a_carrier_and_hum():
    """Speech at a fifth of full depth, and mains hum with its harmonics (50 Hz, from memory), 30 dB over 50 Hz of noise."""
    kinds = {"speech": [], "hum": []}
    for seed in range(6):
        rng = np.random.default_rng(60 + seed)
        rate = 24_000
        t = np.arange(4 * rate) / rate
        parts = zip((1, 2, 3, 4, 6, 8), (0.3, 1, 0.2, 0.3, 0.15, 0.06), strict=True)
        hum = sum(a * np.sin(2 * np.pi * 50 * k * t + rng.uniform(0, 6)) for k, a in parts)
        for name, sound in (("speech", 0.2 * sig.audio(4, rate, rng)), ("hum", 0.02 * hum)):
            samples, detection, span, _, base = sig.channel(1 + sound + 0j, rate, 34, rng, ratio=6)
            near = replace(detection, low_hz=base - 60, high_hz=base + 60, center_hz=base)
            kinds[name].append(examine(samples, near, span_hz=span)[1].kind)
    assert kinds["speech"].count("am") >= 5
    assert kinds["hum"].count("carrier") == 6
