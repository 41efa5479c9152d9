"""Fades, pauses, answers, stuck receivers, clock lines and sweeps; signals from textbook formulas made here."""

import numpy as np
import pytest

from earwitness.core.types import Samples
from earwitness.detect.clock import clock_fraction, is_clock_line
from earwitness.detect.detector import Detector
from earwitness.spectrum.stft import Spectrum, plan

DENSITY_DBFS_HZ = -100.0


def noise(rng, count, rate_hz):
    scale = np.sqrt(10 ** (DENSITY_DBFS_HZ / 10) * rate_hz / 2)
    return (rng.standard_normal(2 * count, np.float32) * np.float32(scale)).view(np.complex64)


def find(data, rate_hz, center_hz=0.0):
    spectrum, detector = Spectrum(rate_hz, center_hz), Detector(rate_hz, center_hz)
    last = {}
    for start in range(0, len(data), 65536):
        rows = spectrum.feed(Samples(data[start : start + 65536], rate_hz, center_hz, start, 0))
        last.update((d.number, d) for d in (detector.feed(rows) if rows is not None else []))
    rows = spectrum.close()
    last.update((d.number, d) for d in (detector.feed(rows) if rows is not None else []))
    last.update((d.number, d) for d in detector.close())
    return sorted(last.values(), key=lambda d: d.start), detector


def level(snr_db, width_hz):
    return 10 ** ((snr_db + DENSITY_DBFS_HZ + 10 * np.log10(width_hz)) / 20)


def low_pass_noise(rng, count, rate_hz, low_hz, high_hz):
    """Noise of unit power between two frequencies, real."""
    spectrum = np.zeros(count // 2 + 1, complex)
    hz = np.fft.rfftfreq(count, 1 / rate_hz)
    inside = (hz > low_hz) & (hz < high_hz)
    spectrum[inside] = rng.standard_normal(inside.sum()) + 1j * rng.standard_normal(inside.sum())
    out = np.fft.irfft(spectrum, count)
    return out / out.std()


def fm(rng, seconds, rate_hz, hz):
    """Narrow-band FM by a noise of the voice's band, 2 kHz rms deviation."""
    sound = low_pass_noise(rng, int(seconds * rate_hz), rate_hz, 300, 2700)
    return np.exp(2j * np.pi * np.cumsum(hz + 2e3 * sound) / rate_hz)


def ssb(rng, seconds, rate_hz, hz, pauses=()):
    """Noise of the voice's band swelling in syllables of 0.2 s, without carrier."""
    count = int(seconds * rate_hz)
    t = np.arange(count) / rate_hz
    sound = low_pass_noise(rng, count, rate_hz, 300, 2700) * np.abs(np.sin(np.pi * t / 0.2)) ** 1.5
    for begin, length in pauses:
        sound[(t >= begin) & (t < begin + length)] = 0
    spectrum = np.fft.fft(sound)
    spectrum[count // 2 :] = 0
    wave = np.fft.ifft(spectrum)
    return wave / np.sqrt(np.mean(np.abs(wave) ** 2)) * np.exp(2j * np.pi * hz * t)


def put(data, wave, begin):
    data[begin : begin + len(wave)] += wave.astype(np.complex64)


@pytest.mark.parametrize("gap_s", [0.2, 0.5])
def test_a_fade_does_not_end_a_transmission(gap_s):
    """Two paths that cancel for a moment: the envelope is |t| about the null (textbook)."""
    rate_hz = 250e3
    rng = np.random.default_rng(1)
    data = noise(rng, int(6 * rate_hz), rate_hz)
    wave = fm(rng, 4.5, rate_hz, 40e3)
    t = np.arange(len(wave)) / rate_hz
    fade = np.minimum(np.abs(t - 2.2) * 10 ** (-21 / 20) / (gap_s / 2), 1)
    put(data, level(18, 10e3) * fade * wave, int(rate_hz))
    (found,), _ = find(data, rate_hz)
    assert found.start / rate_hz == pytest.approx(1.0, abs=0.02)
    assert found.stop / rate_hz == pytest.approx(5.5, abs=0.02)


@pytest.mark.parametrize("gap_s", [0.3, 0.7])
@pytest.mark.parametrize("kind", [fm, ssb])
def test_another_station_that_answers_is_another_emission(kind, gap_s):
    rate_hz = 250e3 if kind is fm else 48e3
    rng = np.random.default_rng(2)
    data = noise(rng, int(8 * rate_hz), rate_hz)
    put(data, level(22, 10e3) * kind(rng, 3.0, rate_hz, 10e3), int(rate_hz))
    put(data, level(12, 10e3) * kind(rng, 3.0, rate_hz, 10.25e3), int((4 + gap_s) * rate_hz))
    found, _ = find(data, rate_hz)
    assert [round(d.start / rate_hz, 1) for d in found] == [1.0, pytest.approx(4 + gap_s, abs=0.11)]


@pytest.mark.parametrize("snr_db", [8, 20])
def test_speech_without_a_carrier_bridges_its_pauses(snr_db):
    rate_hz = 48e3
    rng = np.random.default_rng(3)
    data = noise(rng, int(11 * rate_hz), rate_hz)
    wave = ssb(rng, 9.0, rate_hz, 5e3, [(1.3, 0.4), (3.1, 0.9), (5.6, 1.4)])
    put(data, level(snr_db, 2.4e3) * wave, int(rate_hz))
    (found,), _ = find(data, rate_hz)
    assert found.stop / rate_hz == pytest.approx(10.0, abs=0.15)


@pytest.mark.parametrize("rate_hz", [48e3, 2.4e6])
@pytest.mark.parametrize("value", [0, 0.1 - 0.2j])
def test_a_stuck_receiver_gives_nothing_and_is_told(rate_hz, value):
    count = int(2.4 * rate_hz)
    data = noise(np.random.default_rng(4), count, rate_hz)
    data[count // 3 : 2 * count // 3] = value
    found, detector = find(data, rate_hz)
    assert found == []
    assert detector.statistics.stuck / rate_hz == pytest.approx(0.8, abs=0.02)
    found, _ = find(np.full(count, value, np.complex64), rate_hz)
    assert found == []


@pytest.mark.parametrize(
    ("off_hz", "snr_db", "is_line"), [(0, 0, True), (0, 20, True), (2, 0, False), (8, 20, False)]
)
def test_a_line_of_the_clock_is_told_by_its_phase(off_hz, snr_db, is_line):
    rate_hz = 240e3
    count = int(6 * rate_hz)
    t = np.arange(count)
    wave = level(snr_db, plan(rate_hz).enbw_hz) * np.exp(2j * np.pi * (t / 3 + off_hz / rate_hz * t))
    data = noise(np.random.default_rng(5), count, rate_hz) + wave.astype(np.complex64)
    (found,), _ = find(data, rate_hz, 124e6)
    place = clock_fraction(found, rate_hz, 124e6, plan(rate_hz).bin_hz)
    assert place == (1, 3)
    assert is_clock_line(lambda start, n: data[start : start + n], found, rate_hz, *place) is is_line


def test_a_voice_exactly_at_a_fraction_of_the_clock_is_no_line_of_it():
    rate_hz = 240e3
    count = int(6 * rate_hz)
    rng = np.random.default_rng(6)
    sound = 1 + 0.25 * low_pass_noise(rng, count, rate_hz, 300, 2700)
    wave = level(10, 6e3) * sound * np.exp(2j * np.pi * np.arange(count) / 3)
    data = noise(rng, count, rate_hz) + wave.astype(np.complex64)
    (found,), _ = find(data, rate_hz, 124e6)
    assert is_clock_line(lambda start, n: data[start : start + n], found, rate_hz, 1, 3) is False


@pytest.mark.parametrize("speed_hz_s", [100e3, 1e6])
def test_what_a_sweep_crosses_stays_what_it_is(speed_hz_s):
    rate_hz = 2.4e6
    rng = np.random.default_rng(7)
    count = int(2.4 * rate_hz)
    data = noise(rng, count, rate_hz)
    put(data, level(20, 10e3) * fm(rng, 2.2, rate_hz, -100e3), int(0.1 * rate_hz))
    t = np.arange(int(1.0 * rate_hz)) / rate_hz
    sweep = np.exp(2j * np.pi * (-100e3 * t + speed_hz_s * ((t - 0.4) ** 2) / 2))
    put(data, level(20, 10e3) * sweep, int(1.0 * rate_hz))
    found, _ = find(data, rate_hz)
    longest = max(found, key=lambda d: d.stop - d.start)
    assert longest.center_hz == pytest.approx(-100e3, abs=1.5e3)
    assert longest.high_hz - longest.low_hz < 25e3
    assert (longest.stop - longest.start) / rate_hz == pytest.approx(2.2, abs=0.03)
    assert len(found) <= 8


@pytest.mark.parametrize(
    ("wpm", "rate_hz"), [(6, 96_000), (8, 96_000), (12, 96_000), (12, 1_024_000), (16, 1_024_000)]
)
def test_slow_morse_is_one_emission(wpm, rate_hz):
    """The words THE FOX twice; seven dots between words, a dash three (ITU-R M.1677)."""
    rng = np.random.default_rng(wpm)
    code = {"T": "-", "H": "....", "E": ".", "F": "..-.", "O": "---", "X": "-..-"}
    key = []
    for word in ("THE", "FOX", "THE", "FOX"):
        for character in word:
            for mark in code[character]:
                key += [1.0] * (1 if mark == "." else 3) + [0.0]
            key += [0.0] * 2
        key += [0.0] * 4
    wave = np.repeat(key, round(1.2 / wpm * rate_hz))
    data = noise(rng, len(wave) + rate_hz, rate_hz)
    at = np.arange(len(wave)) / rate_hz
    put(data, level(14, 150) * wave * np.exp(2j * np.pi * 7000 * at), rate_hz // 2)
    assert len(find(data, rate_hz)[0]) == 1


@pytest.mark.parametrize("seconds", [0.54, 1.5])
def test_a_carrier_too_weak_for_a_batch_ends_where_it_does(seconds):
    """29 dBHz over the noise, in bins of 1 kHz."""
    rate_hz, begin_s, rng = 1.024e6, 1.13, np.random.default_rng(3)
    count = int((begin_s + seconds + 2) * rate_hz)
    on = np.arange(int(seconds * rate_hz))
    data = noise(rng, count, rate_hz)
    put(data, level(29, 1) * np.exp(2j * np.pi * 100_300 / rate_hz * on), int(begin_s * rate_hz))
    (found,), _ = find(data, rate_hz)
    assert abs(found.start / rate_hz - begin_s) < 0.13
    assert abs(found.stop / rate_hz - begin_s - seconds) < 0.13


def test_a_formant_that_comes_first_is_part_of_the_voice():
    """Two kilohertz over the others, 50 ms earlier, then silent: one emission, as a voice on a suppressed carrier."""
    rate_hz, rng = 48_000, np.random.default_rng(9)
    count = 6 * rate_hz
    data = noise(rng, count, rate_hz)
    first = low_pass_noise(rng, rate_hz // 8, rate_hz, 2450, 2650) * np.hanning(rate_hz // 8)
    wave = ssb(rng, 4.0, rate_hz, 0.0)
    low = np.fft.fft(wave)
    hz = np.fft.fftfreq(len(wave), 1 / rate_hz)
    low[(hz < 300) | (hz > 1500)] = 0
    put(data, level(25, 2400) * np.fft.ifft(low), rate_hz)
    analytic = np.fft.fft(first)
    analytic[len(first) // 2 :] = 0
    put(data, level(10, 2400) * 2 * np.fft.ifft(analytic), rate_hz - rate_hz // 20)
    found = [item for item in find(data, rate_hz)[0] if item.part_of is None]
    assert len(found) == 1
