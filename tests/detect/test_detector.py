"""Detections against signals of known place, time and level in noise of known density (textbook definitions)."""

import json
from pathlib import Path

import numpy as np
import pytest

from earwitness.core.times import parse_time
from earwitness.core.types import Samples
from earwitness.detect.detector import Detector
from earwitness.spectrum.stft import Spectrum, plan

RECORDINGS = Path(__file__).parents[3] / "shared" / "recordings" / "independent"


def noise(rng, count, density_dbfs_hz, rate_hz):
    scale = np.sqrt(10 ** (density_dbfs_hz / 10) * rate_hz / 2)
    return (rng.standard_normal(2 * count, np.float32) * np.float32(scale)).view(np.complex64)


def find(data, rate_hz, *, block=65536, center_hz=0.0):
    spectrum, detector = Spectrum(rate_hz, center_hz), Detector(rate_hz, center_hz)
    last = {}
    for start in range(0, len(data), block):
        rows = spectrum.feed(Samples(data[start : start + block], rate_hz, center_hz, start, 0))
        last.update((d.number, d) for d in (detector.feed(rows) if rows is not None else []))
    rows = spectrum.close()
    last.update((d.number, d) for d in (detector.feed(rows) if rows is not None else []))
    last.update((d.number, d) for d in detector.close())
    return sorted(last.values(), key=lambda d: d.start)


def tone(rate_hz, hz, begin_s, end_s, level_dbfs, count):
    t = np.arange(count) / rate_hz
    on = (t >= begin_s) & (t < end_s)
    return (on * 10 ** (level_dbfs / 20) * np.exp(2j * np.pi * hz * t)).astype(np.complex64)


def band(rng, rate_hz, hz, width_hz, begin_s, end_s, level_dbfs, count):
    first, length = round(begin_s * rate_hz), round((end_s - begin_s) * rate_hz)
    spectrum = np.zeros(length, complex)
    half = round(length * width_hz / rate_hz / 2)
    spectrum[np.arange(-half, half)] = rng.standard_normal(2 * half) + 1j * rng.standard_normal(2 * half)
    wave = np.fft.ifft(spectrum)
    wave *= 10 ** (level_dbfs / 20) / np.sqrt(np.mean(np.abs(wave) ** 2))
    out = np.zeros(count, np.complex64)
    out[first : first + length] = wave * np.exp(2j * np.pi * hz / rate_hz * np.arange(length))
    return out


@pytest.mark.parametrize("rate_hz", [48e3, 250e3, 2.4e6])
def test_noise_alone_gives_nothing(rate_hz):
    rng = np.random.default_rng(1)
    assert find(noise(rng, int(4 * rate_hz), -90, rate_hz), rate_hz) == []


@pytest.mark.parametrize("rate_hz", [48e3, 250e3, 2.4e6])
def test_a_carrier_is_found_where_when_and_as_strong_as_it_is(rate_hz):
    rng = np.random.default_rng(2)
    count = int(2 * rate_hz)
    hz = 0.21 * rate_hz
    data = noise(rng, count, -100, rate_hz) + tone(rate_hz, hz, 0.5, 1.5, -40, count)
    (found,) = find(data, rate_hz)
    row = plan(rate_hz)
    assert found.center_hz == pytest.approx(hz, abs=0.2 * row.bin_hz)
    assert found.start / rate_hz == pytest.approx(0.5, abs=row.row_s)
    assert found.stop / rate_hz == pytest.approx(1.5, abs=row.row_s)
    assert found.level_dbfs == pytest.approx(-40, abs=0.3)
    assert found.noise_dbfs_hz == pytest.approx(-100, abs=0.5)
    assert not found.open
    assert found.artefact is None


@pytest.mark.parametrize("snr_db", [6, 10, 25])
def test_bursts_on_neighbouring_channels_stay_apart(snr_db):
    rate_hz, width_hz = 2.4e6, 10e3
    rng = np.random.default_rng(3)
    count = int(1.2 * rate_hz)
    level = -100 + 10 * np.log10(width_hz) + snr_db
    sent = [(-300e3, 0.3, 0.33), (-275e3, 0.31, 0.36), (400e3, 0.5, 0.9), (-300e3, 0.8, 0.82)]
    data = noise(rng, count, -100, rate_hz)
    for hz, begin_s, end_s in sent:
        data = data + band(rng, rate_hz, hz, width_hz, begin_s, end_s, level, count)
    found = [d for d in find(data, rate_hz) if d.artefact is None]
    assert len(found) == len(sent)
    for (hz, begin_s, end_s), d in zip(sent, found, strict=True):
        assert d.center_hz == pytest.approx(hz, abs=1.5e3)
        assert d.start / rate_hz == pytest.approx(begin_s, abs=0.004)
        assert d.stop / rate_hz == pytest.approx(end_s, abs=0.004)
        assert d.high_hz - d.low_hz == pytest.approx(width_hz, rel=0.4 if snr_db < 10 else 0.25)
        assert d.level_dbfs == pytest.approx(level, abs=1.5 if snr_db < 10 else 1.0)
        assert d.noise_dbfs_hz == pytest.approx(-100, abs=0.5)


def test_the_receivers_own_doing_is_told():
    rate_hz = 2.4e6
    rng = np.random.default_rng(4)
    count = int(2 * rate_hz)
    data = noise(rng, count, -100, rate_hz) + np.complex64(0.01)
    signal = band(rng, rate_hz, 300e3, 12e3, 0.5, 1.5, -25, count)
    data = data + signal + np.float32(0.03) * signal.conj()
    found = find(data, rate_hz)
    kinds = {(d.artefact or "").split(":")[0] for d in found}
    assert kinds == {"", "DC spike", "mirror image"}
    (real,) = [d for d in found if d.artefact is None]
    assert real.center_hz == pytest.approx(300e3, abs=1e3)


@pytest.mark.parametrize(
    ("center_hz", "offset_hz", "kind"),
    [
        (100e6, 2.4e6 / 3, "clock line"),
        (100e6, -2.4e6 / 8, "clock line"),
        (100e6, 2.4e6 / 10, ""),
        (144.31e6, -310e3, "crystal line"),
        (144.31e6, -313.1e3, ""),
        (100e6, 2.4e6 / 3 + 400, ""),
    ],
)
def test_steady_lines_of_the_receivers_clocks_are_told(center_hz, offset_hz, kind):
    """Fractions of the sample clock, and 5 x 28.8 MHz (common practice, no source)."""
    rate_hz = 2.4e6
    count = int(2 * rate_hz)
    data = noise(np.random.default_rng(7), count, -100, rate_hz)
    data = data + tone(rate_hz, offset_hz, 0, 2, -40, count)
    (found,) = find(data, rate_hz, center_hz=center_hz)
    assert (found.artefact or "").split(":")[0] == kind


@pytest.mark.parametrize("snr_db", [30, 50])
def test_a_strong_carrier_that_comes_and_goes_brings_nothing_beside_it(snr_db):
    """Ramps of 2 ms, as transmitters have; 90 % modulated by tones of a voice's pitch that come and go."""
    rate_hz = 250e3
    count = int(2 * rate_hz)
    t = np.arange(count) / rate_hz
    rng = np.random.default_rng(8)
    envelope = np.interp(t, np.arange(0, 2.05, 0.05), np.clip(rng.random(41) * 1.4 - 0.4, 0, 1))
    voice = envelope * sum(np.cos(2 * np.pi * 190 * k * t + k) for k in range(1, 9)) / 8
    level = 10 ** ((snr_db - 100 + 10 * np.log10(8e3)) / 20)
    ramp = np.interp(t, [0.3, 0.302, 1.7, 1.702], [0, 1, 1, 0])
    wave = ramp * level * (1 + 0.9 * voice) * np.exp(2j * np.pi * 32e3 * t)
    found = find(noise(rng, count, -100, rate_hz) + wave.astype(np.complex64), rate_hz)
    assert [round(d.center_hz, -3) for d in found] == [32e3]


def test_pulses_of_100_us_are_one_train():
    rate_hz = 2.4e6
    rng = np.random.default_rng(5)
    count = int(1.0 * rate_hz)
    data = noise(rng, count, -100, rate_hz)
    for n in range(8):
        data = data + band(rng, rate_hz, 0, 1.5e6, 0.5 + 0.002 * n, 0.5001 + 0.002 * n, -20, count)
    (train,) = find(data, rate_hz)
    assert train.start / rate_hz == pytest.approx(0.5, abs=1e-4)
    assert train.stop / rate_hz == pytest.approx(0.5141, abs=2e-4)


def test_lost_samples_end_what_was_open():
    rate_hz = 48e3
    rng = np.random.default_rng(6)
    count = int(2 * rate_hz)
    data = noise(rng, count, -80, rate_hz) + tone(rate_hz, 5e3, 0, 2, -30, count)
    spectrum, detector = Spectrum(rate_hz, 0.0), Detector(rate_hz, 0.0)
    found = {}
    for start in (0, count + 5000):
        rows = spectrum.feed(Samples(data, rate_hz, 0.0, start, 0))
        found.update((d.number, d) for d in detector.feed(rows))
    found.update((d.number, d) for d in detector.close())
    assert len(found) == 2
    assert detector.statistics.jumps


@pytest.mark.skipif(not RECORDINGS.exists(), reason="the shared recordings are not here")
def test_every_slot_of_an_independent_recording_is_detected():
    """The truth file of `marine162` (independent transmitters; shared/recordings/INDEX.md)."""
    meta = json.loads((RECORDINGS / "marine162.sigmf-meta").read_text())
    truth = json.loads((RECORDINGS / "marine162.truth.json").read_text())
    rate_hz, center_hz = truth["sample_rate"], truth["center_hz"]
    assert meta["global"]["core:datatype"] == "cu8"
    raw = np.fromfile(RECORDINGS / "marine162.sigmf-data", np.uint8)
    data = ((raw.astype(np.float32) - 127.5) / 127.5).view(np.complex64)
    found = [d for d in find(data, rate_hz, center_hz=center_hz) if d.artefact is None]
    assert parse_time(truth["start"]) > 0
    matched = set()
    for sent in truth["emissions"]:
        hits = [
            n
            for n, d in enumerate(found)
            if d.low_hz < sent["freq_in_file_hz"] < d.high_hz
            and d.start / rate_hz < sent["t_stop"]
            and d.stop / rate_hz > sent["t_start"]
        ]
        assert hits, sent["freq_in_file_hz"]
        matched.update(hits)
    assert len(matched) == len(found)  # and nothing else


def wide_fm(rng, rate_hz, seconds):
    """Stereo broadcasting with pauses: 75 kHz peak, pilot at a tenth of it (ITU-R BS.450), mostly a narrow swing."""
    t = np.arange(int(rate_hz * seconds)) / rate_hz
    loud = np.interp(t, np.arange(0, seconds + 0.2, 0.1), rng.uniform(0.05, 1, int(seconds / 0.1) + 2))
    sound = loud * (0.6 * np.sin(2 * np.pi * 620 * t) + 0.25 * np.sin(2 * np.pi * 2300 * t))
    turns = np.cumsum(75e3 * (0.8 * sound + 0.1 * np.sin(2 * np.pi * 19e3 * t))) / rate_hz
    return np.exp(2j * np.pi * turns).astype(np.complex64)


def test_weak_wide_fm_is_one_emission_though_it_begins_in_pieces():
    rate = 1.2e6
    rng = np.random.default_rng(8)
    data = noise(rng, int(3 * rate), -100, rate)
    amplitude = 10 ** ((-100 + 10 * np.log10(150e3) + 10) / 20)
    data = data + (amplitude * wide_fm(rng, rate, 3.0)).astype(np.complex64)
    found = [d for d in find(data, rate) if d.part_of is None]
    long = [d for d in found if d.stop - d.start > rate]
    assert len(long) == 1
    assert long[0].start < 0.1 * rate
    assert long[0].high_hz - long[0].low_hz > 60e3


def test_broadcasting_with_pauses_and_hisses_is_one_emission():
    # Double sideband by definition: vowels near the carrier, hisses far from it, pauses; fading to a seventh.
    # Not at the very centre: there nothing tells a steady carrier from the receiver's offset.
    rate, seconds = 192e3, 12.0
    rng = np.random.default_rng(4)
    count = int(rate * seconds)
    place = np.abs(np.fft.fftfreq(count, 1 / rate))
    low, high = (
        np.fft.ifft(np.fft.fft(rng.standard_normal(count)) * ((place > a) & (place < b))).real
        for a, b in ((80, 1500), (2600, 4500))
    )
    which = np.repeat(rng.integers(0, 3, int(seconds / 0.15) + 1), int(0.15 * rate))[:count]
    sound = low / low.std() * (which == 0) + 0.3 * high / high.std() * (which == 1)
    steps = np.linspace(0, count, int(seconds) + 2)
    fading = np.maximum(np.interp(np.arange(count), steps, rng.rayleigh(0.7, len(steps))), 0.15)
    wave = fading * (1 + 0.25 * sound)
    wave = 10 ** (-40 / 20) * wave * np.exp(2j * np.pi * 700 / rate * np.arange(count))
    found = find(noise(rng, count, -110, rate) + wave.astype(np.complex64), rate)
    assert len(found) == 1
    assert found[0].stop - found[0].start > 0.99 * count


def test_two_wide_stations_on_neighbouring_channels_are_two():
    # 200 kHz apart; broadcast FM swings over 150 kHz at most (ITU-R BS.450).
    rate = 1.2e6
    rng = np.random.default_rng(9)
    count = int(2 * rate)
    data = noise(rng, count, -100, rate)
    for hz, snr_db in ((-100e3, 25), (100e3, 20)):
        amplitude = 10 ** ((-100 + 10 * np.log10(150e3) + snr_db) / 20)
        turn = np.exp(2j * np.pi * hz / rate * np.arange(count))
        data = data + (amplitude * wide_fm(rng, rate, 2.0) * turn).astype(np.complex64)
    long = [d for d in find(data, rate) if d.part_of is None and d.stop - d.start > rate]
    assert [d.center_hz for d in long] == pytest.approx([-100e3, 100e3], abs=5e3)


@pytest.mark.parametrize("rate", [96e3, 250e3])
def test_a_station_beside_the_receivers_offset_is_an_emission_of_its_own(rate):
    # Amplitude modulation by definition, 300 Hz from the centre, begun after the offset of one part in a hundred.
    rng = np.random.default_rng(1)
    count = int(4 * rate)
    t = np.arange(count) / rate
    sound = np.convolve(rng.standard_normal(8 * 4000), np.ones(3) / 3, "same") * np.repeat(
        rng.random(80), 400
    )
    wave = (
        (t > 1.5) * (1 + 0.5 * np.interp(t, np.arange(len(sound)) / 8000, sound)) * np.exp(600j * np.pi * t)
    )
    data = noise(rng, count, -110, rate) + (10 ** (-45 / 20) * wave + 0.006 - 0.008j).astype(np.complex64)
    spike, station = (d for d in find(data, rate) if d.start < 3.9 * rate)  # not where it is cut off
    assert spike.artefact.startswith("DC spike")
    assert (spike.start, station.artefact) == (pytest.approx(0, abs=0.01 * rate), None)
    assert station.start == pytest.approx(1.5 * rate, abs=0.01 * rate)


@pytest.mark.parametrize("rate", [250e3, 2.4e6])
def test_a_carrier_that_comes_on_at_the_centre_is_no_offset(rate):
    rng = np.random.default_rng(2)
    count = int(3 * rate)
    on = np.arange(count) > rate
    (found,) = find(noise(rng, count, -110, rate) + (0.003 * on).astype(np.complex64), rate)
    assert found.artefact is None


def test_wide_signals_towards_the_ends_make_no_slope_of_the_noise():
    # Noise-like bands where a filter's slope is measured from; what their peaks throw over the span is over at once.
    rate, rng = 300e3, np.random.default_rng(5)
    count = int(33 * rate)
    data = noise(rng, count, -110, rate)
    data += band(rng, rate, 65e3, 96e3, 3.0, 12.6, -47, count)
    data += band(rng, rate, -105e3, 34e3, 1.0, 32.0, -47, count)
    found = find(data, rate)
    assert len([d for d in found if d.stop - d.start > 0.02 * rate]) == 2


def test_noise_at_a_hundred_samples_a_second_gives_no_more_than_is_stated():
    rng = np.random.default_rng(1)
    hours = 2.0
    found = find(noise(rng, int(hours * 3600 * 100), -90, 100.0), 100.0)
    assert len(found) <= 6  # one an hour is stated: a Poisson variable of mean 2 is more once in 200
