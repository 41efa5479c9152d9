"""Signals that look like another class: each made here from its definition (source beside it), none by the program."""

from dataclasses import replace
from itertools import pairwise

import emission_signals as sig
import numpy as np
import pytest

from earwitness.core.types import Samples
from earwitness.emission.identify import examine
from earwitness.emission.measure import is_sideband
from earwitness.emission.shift_keying import _element


def told(iq, rate, snr_db, seed=1):
    samples, detection, span, _, _ = sig.channel(iq, rate, snr_db, np.random.default_rng(seed))
    return examine(samples, detection, span_hz=span)[1]


def reversals(rng, seconds, rate=4000, baud=31.25):
    """BPSK of 31.25 Bd with cosine amplitude over each reversal; mostly without one, as text is (from memory)."""
    period = round(rate / baud)
    signs = np.cumprod(1 - 2 * (rng.random(int(seconds * baud) + 1) < 0.35))
    over = (1 - np.cos(np.pi * np.arange(period) / period)) / 2
    return np.concatenate([a + (b - a) * over for a, b in pairwise(signs)]) + 0j


@pytest.mark.parametrize("snr_db", [10, 20])
@pytest.mark.parametrize("seed", range(4))
def test_reversed_phase_is_no_morse(snr_db, seed):
    iq = reversals(np.random.default_rng(seed), 5)
    assert told(iq, 4000, snr_db).kind in ("psk", "unknown")


@pytest.mark.parametrize("seed", range(4))
def test_morse_that_drifts_is_morse(seed):
    rng = np.random.default_rng(seed)
    iq, rate = sig.cw(rng, 4, 22)
    t = np.arange(len(iq)) / rate
    assert told(iq * np.exp(2j * np.pi * 8 * np.sin(1.5 * t)), rate, 12).kind == "cw"


def start_stop(rng, seconds, baud, *, rests, longest):
    """Levels at 12 kHz: start, five units, a stop of one and a half (ITU-T S.3), and now and then a rest of any length."""
    parts = []
    while sum(length for _, length in parts) < seconds * baud:
        if rng.random() < rests:
            parts.append((1, rng.uniform(2, longest)))
        parts += [(-1, 1), *((2 * int(bit) - 1, 1) for bit in rng.integers(0, 2, 5)), (1, 1.5)]
    ends = np.cumsum([length for _, length in parts]) / baud
    t = np.arange(seconds * 12_000) / 12_000
    return np.array([level for level, _ in parts])[np.searchsorted(ends, t, "right")]


@pytest.mark.parametrize(("baud", "shift_hz"), [(45.45, 170), (50, 450), (75, 850)])
@pytest.mark.parametrize("snr_db", [6, 8, 15])
@pytest.mark.parametrize("seed", range(3))
def test_start_stop_telegraphy_has_the_rate_of_its_shortest_element(baud, shift_hz, seed, snr_db):
    levels = start_stop(np.random.default_rng(seed), 6, baud, rests=0.1, longest=15)
    found = told(sig.frequency_modulated(shift_hz / 2 * levels, 12_000), 12_000, snr_db, seed)
    assert found.kind == "fsk2"
    assert found.symbol_rate_hz == pytest.approx(baud, rel=0.015)


@pytest.mark.parametrize("seed", range(4))
def test_spread_chirps_in_noise_are_no_broadcast(seed):
    iq, rate = sig.spread(np.random.default_rng(seed), 0.2)
    assert told(iq, rate, 7, seed).kind == "chirp"


def test_a_silent_stereo_broadcast_is_known_by_its_pilot():
    """19 kHz at a tenth of 75 kHz (ITU-R BS.450) under quiet sound: narrower than any loud passage."""
    rate = 200_000
    t = np.arange(rate) / rate
    sound = 4000 * sig.audio(1, rate, np.random.default_rng(3), 50, 8000)
    found = told(sig.frequency_modulated(sound + 7500 * np.sin(2 * np.pi * 19_000 * t), rate), rate, 15)
    assert (found.kind, found.variant) == ("fm", "wfm")


@pytest.mark.parametrize("tone_hz", [67.0, 88.5, 151.4])
def test_a_tone_under_silence_is_no_keying(tone_hz):
    """Tone squelch (TIA-603) at 15 % of 2.5 kHz while nobody speaks."""
    t = np.arange(48_000) / 48_000
    assert (
        told(sig.frequency_modulated(375 * np.sin(2 * np.pi * tone_hz * t), 48_000), 48_000, 20).kind
        != "fsk2"
    )


@pytest.mark.parametrize("snr_db", [8, 20])
@pytest.mark.parametrize("seed", range(4))
def test_telegraphy_that_rests_is_no_carrier_with_sidebands(seed, snr_db):
    """75 Bd and 850 Hz shift (common practice, no source) that rests long and often, on its mark."""
    levels = start_stop(np.random.default_rng(seed), 4, 75, rests=0.35, longest=20)
    iq = sig.frequency_modulated(425 * levels, 12_000)
    assert told(iq, 12_000, snr_db, seed).kind in ("fsk2", "unknown")


@pytest.mark.parametrize("snr_db", [8, 25])
def test_two_carriers_are_neither_speech_nor_reversals(snr_db):
    """Their beat has a period as a voice has, and the lines of reversals, though not of one strength."""
    t = np.arange(4 * 12_000) / 12_000
    for seed in range(6):
        iq = np.exp(2j * np.pi * 100 * t) + 0.7 * np.exp(2j * np.pi * 900 * t + 1j * seed)
        assert told(iq, 12_000, snr_db, seed).kind in ("unknown", "carrier")


@pytest.mark.parametrize("seed", range(4))
def test_keyed_phases_are_known_without_their_number(seed):
    """D8PSK of 10 500 Bd, raised cosine 0.6 (ICAO Annex 10 volume III): at 6 dB its eight phases blur."""
    rng = np.random.default_rng(seed)
    phase = np.cumsum(rng.integers(0, 8, 1600)) * np.pi / 4
    assert told(sig.shaped(np.exp(1j * phase), 8, sig.rrc(0.6, 8)), 84_000, 6, seed).kind == "psk"
    levels = rng.choice([-3, -1, 1, 3], 1600) + 1j * rng.choice([-3, -1, 1, 3], 1600)
    assert told(sig.shaped(levels, 8, sig.rrc(0.6, 8)), 84_000, 10, seed).kind in ("unknown", "noise-like")


@pytest.mark.parametrize("baud", [1000, 5000])
def test_strong_keying_of_a_drifting_oscillator_is_switched(baud):
    """A resonator of a remote control slides by 3 kHz while it is keyed (common practice, no source)."""
    rate = 96_000
    for seed in range(4):
        rng = np.random.default_rng(seed)
        wave = np.repeat(rng.integers(0, 2, 200), rate // baud).astype(float)
        ramp = np.hanning(rate // baud // 4 + 2)
        wave = np.convolve(wave, ramp / ramp.sum(), "same")
        slide = np.cumsum(np.linspace(0, 3000, len(wave))) / rate
        assert told(wave * np.exp(2j * np.pi * slide), rate, 25, seed).kind == "ook"


def sound(rng, count, rate, low, high):
    spectrum = np.fft.rfft(rng.standard_normal(count))
    hz = np.fft.rfftfreq(count, 1 / rate)
    wave = np.fft.irfft(np.where((hz > low) & (hz < high), spectrum, 0), count)
    return wave / np.std(wave)


@pytest.mark.parametrize("side", [-1, 1])
@pytest.mark.parametrize("seed", range(4))
def test_sidebands_lie_along_their_carrier_and_neighbours_do_not(side, seed):
    rng = np.random.default_rng(seed)
    rate, count, density = 96_000, 96_000, 1e-9
    t = np.arange(count) / rate
    fade = 1 + 0.6 * np.exp(2j * np.pi * 0.7 * t + 1j * seed)  # two paths
    noise = np.sqrt(density * rate / 2) * (rng.standard_normal(count) + 1j * rng.standard_normal(count))
    line = np.exp(2j * np.pi * 7_003 * t) * fade
    talk = sound(rng, count, rate, 600, 2400)
    band = (100e6 + 7_003 + side * 600, 100e6 + 7_003 + side * 2400)
    around = (100e6 + 6_950, 100e6 + 7_060)
    double = line * (1 + 0.1 * talk) + noise
    spectrum = np.fft.fft(talk)
    spectrum[(np.fft.fftfreq(count) * side) < 0] = 0
    single = line + 0.2 * np.fft.ifft(spectrum) * np.exp(2j * np.pi * 7_003 * t) + noise
    for iq, wanted in ((double, True), (single, False)):
        samples = Samples(iq.astype(np.complex64), rate, 100e6, 0, 0)
        assert is_sideband(samples, (min(band), max(band)), around, 10 * np.log10(density)) == wanted


@pytest.mark.parametrize("seed", range(4))
def test_a_tone_at_nearly_full_depth_is_no_switching(seed):
    """A3E at 90 %, 1 kHz (RR App. 1): through a clean receiver its envelope nearly has two levels."""
    t = np.arange(96_000) / 48_000
    samples, detection, span, _, _ = sig.channel(
        1 + 0.9 * np.sin(2 * np.pi * 1000 * t) + 0j, 48_000, 36, np.random.default_rng(seed), bits=8
    )
    assert examine(samples, detection, span_hz=span)[1].kind == "am"


@pytest.mark.parametrize("seed", range(4))
def test_reversals_without_end_are_no_morse(seed):
    """Idle 31.25 Bd BPSK is two lines of one strength (its definition): weak, each seems to go on and off."""
    rate, baud = 4000, 31.25
    t = np.arange(5 * rate) / rate
    samples, detection, span, _, base = sig.channel(
        np.cos(np.pi * baud * t) + 0j, rate, 16, np.random.default_rng(seed), offset=0
    )
    wide = replace(detection, low_hz=base - 180, high_hz=base + 180)
    assert examine(samples, wide, span_hz=span)[1].kind == "psk"


@pytest.mark.parametrize("seconds_before", [1.0, 1.5, 2.5])
@pytest.mark.parametrize("seed", range(3))
def test_a_carrier_that_talks_at_last_is_fm(seconds_before, seed):
    """A push-to-talk key is pressed before anything is said (common practice, no source)."""
    rng = np.random.default_rng(seed)
    said, rate = sig.nfm(rng, 1.2)
    samples, detection, span, _, base = sig.channel(
        np.concatenate([np.ones(int(seconds_before * rate)), said]), rate, 15, rng, ratio=6
    )
    result, found = examine(samples, detection, span_hz=span)
    assert found.kind == "fm"
    assert abs(found.carrier_hz - base) < 4 * result.center_uncertainty_hz


@pytest.mark.parametrize("snr_db", [10, 20])
@pytest.mark.parametrize("seed", range(3))
def test_eight_slow_levels_are_no_voice(snr_db, seed):
    """600 Bd over eight frequencies 300 Hz apart (CPFSK of index 1/2, textbook): no class here has eight."""
    levels = np.random.default_rng(seed).integers(0, 8, 600) * 2 - 7
    track = 150.0 * sig.held(levels, 80)
    assert told(sig.frequency_modulated(track, 48_000), 48_000, snr_db, seed).kind in ("unknown", "fsk4")


@pytest.mark.parametrize(("seed", "snr_db"), [(10, 10), (13, 12), (0, 10)])
def test_sixteen_tones_are_not_keyed_between_two(seed, snr_db):
    """15.625 Bd, sixteen frequencies as far apart (amateur practice, from memory), seen for 1.3 s."""
    tones = np.random.default_rng(seed).integers(0, 16, 21) * 15.625
    samples, detection, span, _, _ = sig.channel(
        sig.frequency_modulated(sig.held(tones, 768), 12_000), 12_000, snr_db, np.random.default_rng(seed)
    )
    middle = detection.center_hz
    wide = replace(detection, low_hz=middle - 225, high_hz=middle + 225)
    assert examine(samples, wide, span_hz=span)[1].kind in ("unknown", "fsk4")


@pytest.mark.parametrize("seed", range(4))
def test_sound_on_fm_60_khz_wide_is_fm(seed):
    """Speech with all its tones at +-60 kHz, without a pilot, as of wireless microphones (common practice, no source)."""
    rng = np.random.default_rng(seed)
    rate = 240_000
    sound = np.interp(
        np.arange(rate) / rate, np.arange(48_000) / 48_000, sig.audio(1, 48_000, rng, 50, 12_000)
    )
    found = told(sig.frequency_modulated(60_000 * np.clip(sound, -1, 1), rate), rate, 20, seed)
    assert (found.kind, found.variant) == ("fm", "wfm")


def clipped(iq):
    """Through a receiver that is overloaded by half of the speech: I and Q cut off each by itself."""
    most = 0.9 * np.quantile(np.abs(iq), 0.97)
    return np.clip(iq.real, -most, most) + 1j * np.clip(iq.imag, -most, most)


@pytest.mark.parametrize("snr_db", [10, 20])
@pytest.mark.parametrize("seed", range(4))
def test_clipped_speech_is_no_switching(snr_db, seed):
    iq, rate = sig.usb(np.random.default_rng(seed), 4)
    strong = clipped(np.fft.ifft(np.pad(np.fft.fft(iq), (0, 3 * len(iq)))) * np.exp(0.3j))
    assert told(strong, 4 * rate, snr_db, seed).kind in ("ssb", "unknown")


@pytest.mark.parametrize("seed", range(4))
def test_crackle_on_keying_is_not_noise(seed):
    """4800 Bd C4FM under impulses on 2 % of the time (ignition noise; common practice, no source)."""
    rng = np.random.default_rng(seed)
    iq, rate = sig.c4fm(rng, 1)
    samples, detection, span, _, _ = sig.channel(iq, rate, 20, rng)
    hit = rng.random(len(samples.data)) < 0.002
    data = samples.data + np.where(hit, 0.3 * np.exp(2j * np.pi * rng.random(len(hit))), 0)
    crackle = replace(samples, data=data.astype(np.complex64))
    assert examine(crackle, detection, span_hz=span)[1].kind in ("fsk4", "unknown")


@pytest.mark.parametrize("seed", range(4))
def test_am_that_drifts_is_no_sweep(seed):
    """15 Hz a second, as an oscillator warming up (common practice, no source), under speech."""
    rng = np.random.default_rng(40 + seed)
    iq, rate = sig.am(rng, 4)
    t = np.arange(len(iq)) / rate
    assert told(iq * np.exp(1j * np.pi * 15 * t * t), rate, 15, seed).kind in ("am", "unknown")


@pytest.mark.parametrize("seed", range(4))
def test_phase_keying_in_fast_fading_is_no_speech(seed):
    """1200 Bd through Rayleigh fading of 20 Hz (sum of waves from all round, textbook)."""
    rng = np.random.default_rng(seed)
    iq, rate = sig.psk(rng, 0.5, 1200, 2, 0.5, sps=20)
    t = np.arange(len(iq)) / rate
    ways = [np.exp(1j * (2 * np.pi * 20 * np.cos(a) * t + b)) for a, b in rng.uniform(0, 2 * np.pi, (16, 2))]
    assert told(iq * sum(ways), rate, 20, seed).kind in ("psk", "unknown")


def test_runs_longer_than_any_element_have_none():
    """NAVTEX heard beside another station ended a survey here: no run was near a multiple of any element tried."""
    assert _element(np.full(40, 10.0), 1e-3, 0.01) is None
