"""Neighbours side by side: each is an emission of its own; one emission with holes stays one.

Signals from textbook formulas made here; channel rasters and slots from the standards named.
"""

import numpy as np
import pytest
from test_hard_air import find, fm, level, low_pass_noise, noise, put

from earwitness.spectrum.stft import plan


def four_level(rng, count, rate_hz, baud=4800.0, step_hz=648.0):
    """4FSK at 4800 Bd, deviations +-648 and +-1944 Hz (ETSI TS 102 361-1), steps smoothed over half a symbol."""
    symbols = rng.choice([-3.0, -1, 1, 3], int(count / rate_hz * baud) + 2)
    track = step_hz * symbols[(np.arange(count) * baud / rate_hz).astype(int)]
    width = int(rate_hz / baud / 1.2)
    return np.exp(2j * np.pi * np.cumsum(np.convolve(track, np.ones(width) / width, "same")) / rate_hz)


def at(wave, hz, rate_hz):
    return wave * np.exp(2j * np.pi * hz / rate_hz * np.arange(len(wave)))


# What is 30 dB weaker than its neighbour is only told from that one's slope once it has been seen for a while.
@pytest.mark.parametrize(
    ("levels_db", "share"), [((25, 25, 20), 0.95), ((40, 18, 30), 0.95), ((45, 27), 0.95), ((45, 15), 0.7)]
)
def test_channels_side_by_side_are_emissions_of_their_own(levels_db, share):
    """Continuous carriers on a 12.5 kHz raster."""
    rate_hz = 1.024e6
    rng = np.random.default_rng(11)
    count = int(1.5 * rate_hz)
    data = noise(rng, count, rate_hz)
    places = [100e3 + 12.5e3 * n for n in range(len(levels_db))]
    for hz, snr_db in zip(places, levels_db, strict=True):
        put(data, level(snr_db, 8e3) * at(four_level(rng, count, rate_hz), hz, rate_hz), 0)
    found, _ = find(data, rate_hz)
    lasting = sorted((d for d in found if not d.part_of), key=lambda d: d.center_hz)
    assert [d.center_hz for d in lasting] == pytest.approx(places, abs=600)
    assert all(d.high_hz - d.low_hz < 13e3 and d.stop - d.start > share * count for d in lasting)


def in_slots(rng, data, rate_hz, places, levels_db, begins_s, bursts):
    """Add bursts of 30 ms every 60 ms with ramps of 1.25 ms between the slots (ETSI TS 102 361-1)."""
    size, ramp = int(0.03 * rate_hz), int(0.00125 * rate_hz)
    shape = np.ones(size)
    shape[:ramp] = np.sin(np.pi / 2 * np.arange(ramp) / ramp) ** 2
    shape[-ramp:] = shape[:ramp][::-1]
    for hz, snr_db, begin_s in zip(places, levels_db, begins_s, strict=True):
        for n in range(bursts):
            burst = level(snr_db, 8e3) * shape * at(four_level(rng, size, rate_hz), hz, rate_hz)
            put(data, burst, int((begin_s + 0.06 * n) * rate_hz))


def on_channels(found, places):
    """Give the detections that are bursts on one of the channels, and no more."""
    return [
        d for d in found if min(abs(d.center_hz - hz) for hz in places) < 1e3 and d.high_hz - d.low_hz < 13e3
    ]


def test_time_slots_on_neighbouring_channels_are_told_apart():
    """Three channels out of step."""
    rate_hz = 512e3
    rng = np.random.default_rng(12)
    data = noise(rng, int(2.2 * rate_hz), rate_hz)
    places = (50e3, 62.5e3, 75e3)
    in_slots(rng, data, rate_hz, places, (25, 25, 33), (0.30, 0.33, 0.305), 30)
    found, _ = find(data, rate_hz)
    right = on_channels(found, places)
    assert len(found) - len(right) <= 3
    assert 82 <= len(right) <= 93
    lengths = np.array([d.stop - d.start for d in right]) / rate_hz
    assert np.count_nonzero(np.abs(lengths - 0.029) > 0.006) <= 8


@pytest.mark.parametrize(
    ("seed", "begins_s"),
    [(32, (0.3, 0.33, 0.31, 0.345)), (34, (0.356, 0.329, 0.313, 0.322)), (35, (0.321, 0.314, 0.341, 0.3))],
)
def test_slots_that_overlap_for_a_while_are_no_tones_that_take_turns(seed, begins_s):
    """Four channels, each with a neighbour that comes up before it is over."""
    rate_hz = 512e3
    rng = np.random.default_rng(seed)
    data = noise(rng, int(3 * rate_hz), rate_hz)
    places = (50e3, 62.5e3, 75e3, 87.5e3)
    in_slots(rng, data, rate_hz, places, (25, 25, 20, 35), begins_s, 44)
    found, _ = find(data, rate_hz)
    right = on_channels(found, places)
    assert len(found) - len(right) <= 1
    assert len(right) >= 0.95 * 4 * 44


@pytest.mark.parametrize("snr_db", [9, 25])
def test_lines_that_mirror_each_other_are_one_emission(snr_db):
    """A tone of 7 kHz on FM with 20 kHz deviation: lines 7 kHz apart after Bessel's functions (textbook)."""
    rate_hz = 1.024e6
    rng = np.random.default_rng(13)
    count = int(1.2 * rate_hz)
    t = np.arange(int(0.8 * rate_hz)) / rate_hz
    wave = np.exp(1j * (20 / 7 * np.sin(2 * np.pi * 7e3 * t) + 2 * np.pi * 20e3 * t))
    data = noise(rng, count, rate_hz)
    put(data, level(snr_db, 55e3) * wave, int(0.2 * rate_hz))
    found, _ = find(data, rate_hz)
    assert len([d for d in found if not d.part_of]) == 1


def rolled(data):
    """The slope of a filter before the converter: 1 / (1 + (f / 0.47)^24) in power, f as a share of the rate."""
    f = np.fft.fftfreq(len(data))
    return np.fft.ifft(np.fft.fft(data) / np.sqrt(1 + (np.abs(f) / 0.47) ** 24)).astype(np.complex64)


@pytest.mark.parametrize("rate_hz", [250e3, 1.024e6])
def test_a_filter_s_slope_and_a_fall_of_the_gain_are_no_emissions(rate_hz):
    data = rolled(noise(np.random.default_rng(14), int(3.2 * rate_hz), rate_hz))
    data[len(data) // 2 :] *= np.float32(10 ** (-3 / 20))
    found, _ = find(data, rate_hz)
    assert found == []


@pytest.mark.parametrize("snr_db", [20, 30])
def test_a_quiet_stereo_station_beside_the_receivers_offset_is_one_emission(snr_db):
    """Pilot at 19 kHz swings a tenth of 75 kHz; what differs between left and right stands about 38 kHz (ITU-R BS.450)."""
    rate = 2.4e6
    rng = np.random.default_rng(15)
    count = int(1.6 * rate)
    t = np.arange(count) / rate
    left, right = (
        low_pass_noise(rng, count, rate, 40, 14e3)
        * np.interp(t, np.arange(0, 1.8, 0.2), rng.uniform(0.1, 1, 9))
        for _ in range(2)
    )
    sound = 0.02 * (left + right) + 0.02 * (left - right) * np.sin(4 * np.pi * 19e3 * t)
    wave = np.exp(2j * np.pi * 75e3 * np.cumsum(sound + 0.1 * np.sin(2 * np.pi * 19e3 * t)) / rate)
    data = noise(rng, count, rate) + np.complex64(0.004)
    put(data, level(snr_db, 45e3) * at(wave, 50e3, rate), 0)
    found, _ = find(data, rate)
    (station,) = [d for d in found if not d.artefact]
    assert station.center_hz == pytest.approx(50e3, abs=1e3)
    assert 38e3 < station.high_hz - station.low_hz < 80e3


def test_a_slow_sweep_is_one_emission_and_so_is_each_station_it_crosses():
    """A chirp sounder of 100 kHz/s (a usual speed; common practice, no source); AM by definition, 35 dB at most."""
    rate, seconds = 768e3, 4.0
    rng = np.random.default_rng(16)
    count = int(seconds * rate)
    t = np.arange(count) / rate
    data = noise(rng, count, rate)
    put(data, level(20, 50) * np.exp(2j * np.pi * (-190e3 * t + 50e3 * t**2)), 0)
    places = (-100e3, -90e3, 10e3, 80e3)
    for hz, snr_db in zip(places, (25, 35, 15, 30), strict=True):
        wave = 1 + 0.25 * low_pass_noise(rng, count, rate, 80, 4500)
        put(data, level(snr_db, 1e3) * at(wave, hz, rate), 0)
    found, _ = find(data, rate)
    stations = [d for d in found if min(abs(d.center_hz - hz) for hz in places) < 500]
    assert [d.center_hz for d in sorted(stations, key=lambda d: d.center_hz)] == pytest.approx(
        places, abs=100
    )
    assert all(d.stop - d.start > 0.98 * count and d.high_hz - d.low_hz < 10e3 for d in stations)
    (sweep,) = [d for d in found if d not in stations]
    assert (sweep.stop - sweep.start) / rate == pytest.approx(seconds, abs=0.1)
    assert sweep.high_hz - sweep.low_hz == pytest.approx(400e3, rel=0.08)


def test_keying_beside_a_line_that_stays_is_an_emission_of_its_own():
    """Bits of half a millisecond on and off, edges of an eighth, 45 dB, 43 kHz from a carrier that is always there."""
    rate = 1.024e6
    rng = np.random.default_rng(17)
    count = int(2.4 * rate)
    data = noise(rng, count, rate)
    put(data, level(30, plan(rate).enbw_hz) * at(np.ones(count), 130e3, rate), 0)
    begins = (0.9, 1.4, 1.9)
    for begin in begins:
        bits = np.repeat(rng.integers(0, 2, 200).astype(float), int(5e-4 * rate))
        bits = np.convolve(bits, np.ones(128) / 128, "same")
        put(data, level(45, 6e3) * at(bits, 87e3, rate), int(begin * rate))
    found, _ = find(data, rate)
    line, *bursts = found
    assert line.center_hz == pytest.approx(130e3, abs=1e3)
    assert line.stop - line.start > 0.99 * count
    assert [d.start / rate for d in bursts] == pytest.approx(begins, abs=0.01)
    assert [d.center_hz for d in bursts] == pytest.approx([87e3] * 3, abs=500)


@pytest.mark.parametrize(("baud", "deviation_hz", "snr_db"), [(50e3, 25e3, 10), (10e3, 20e3, 20)])
def test_bursts_keyed_between_two_far_tones_are_one_emission_each(baud, deviation_hz, snr_db):
    """Frequency shift of two to four times the symbol rate, as telemetry at 433 and 868 MHz uses (no source)."""
    rate_hz, count, rng = 2e6, 12, np.random.default_rng(3)
    size = int(0.05 * rate_hz)
    data = noise(rng, int((0.6 + 0.35 * count) * rate_hz), rate_hz)
    for n in range(count):
        symbols = rng.choice([-1.0, 1.0], int(0.05 * baud) + 1)
        track = deviation_hz * symbols[(np.arange(size) * baud / rate_hz).astype(int)]
        wave = np.exp(2j * np.pi * np.cumsum(track) / rate_hz)
        hz = (n % 5 - 2) * rate_hz / 8 + 7e3
        begin_s = 0.5 + 0.35 * n + rng.uniform(0, 0.1)
        put(
            data,
            level(snr_db, 2 * deviation_hz + baud) * at(wave, hz, rate_hz),
            int(begin_s * rate_hz),
        )
    found = [d for d in find(data, rate_hz)[0] if d.part_of is None]
    assert count <= len(found) <= count + 2


@pytest.mark.parametrize("begin_s", [0.0, 0.04])
def test_a_strong_carrier_and_sound_that_begins_after_it_are_one_emission(begin_s):
    """Sound broadcasting at 45 dB (double sideband, sound to 4.5 kHz) in bins that show the carrier by itself."""
    rate_hz = 192e3
    rng = np.random.default_rng(21)
    data = noise(rng, int(1.2 * rate_hz), rate_hz)
    sound = low_pass_noise(rng, len(data), rate_hz, 80, 4500)
    sound[: int(begin_s * rate_hz)] = 0
    sound *= 0.25 / sound.std()
    put(data, level(45, 9e3) * at(1 + sound, 20e3, rate_hz), 0)
    found, _ = find(data, rate_hz)
    lasting = [d.center_hz for d in found if not d.part_of and d.stop - d.start > 0.5 * rate_hz]
    assert lasting == pytest.approx([20e3], abs=60)


def test_two_narrow_stations_half_a_kilohertz_apart_are_two():
    """Frequency-shift keying of 50 Bd +-42.5 Hz beside Morse, 700 Hz apart, in 192 kS/s."""
    rate_hz = 192e3
    rng = np.random.default_rng(22)
    data = noise(rng, int(4 * rate_hz), rate_hz)
    t = np.arange(len(data)) / rate_hz
    keys = rng.integers(0, 2, 250)[(t * 50).astype(int)]
    put(data, level(25, 100) * np.exp(2j * np.pi * np.cumsum(20e3 + 85.0 * keys - 42.5) / rate_hz), 0)
    dots = np.convolve(rng.integers(0, 2, 80)[(t / 0.06).astype(int)], np.ones(960) / 960, "same")
    put(data, level(25, 100) * dots * np.exp(2j * np.pi * 20.7e3 * t), 0)
    found, _ = find(data, rate_hz)
    lasting = sorted(d.center_hz for d in found if not d.part_of and d.stop - d.start > 2 * rate_hz)
    assert lasting == pytest.approx([20e3, 20.7e3], abs=60)


@pytest.mark.parametrize("seed", [25, 26, 27])
def test_side_lobes_of_a_burst_leave_nothing_after_it(seed):
    """Keying at 38.4 kBd +-25 kHz without a filter, 40 dB, 30 ms: its lobes reach far, and long boxes beyond its end."""
    rate_hz = 1.024e6
    rng = np.random.default_rng(seed)
    size = int(0.03 * rate_hz)
    data = noise(rng, int(1.5 * rate_hz), rate_hz)
    for begin_s in (0.4, 0.71, 1.03):
        bits = 2.0 * rng.integers(0, 2, 1200)[(np.arange(size) / rate_hz * 38_400).astype(int)] - 1
        wave = at(np.exp(2j * np.pi * np.cumsum(25e3 * bits) / rate_hz), 250e3, rate_hz)
        put(data, level(40, 95e3) * wave, int(begin_s * rate_hz))
    found, _ = find(data, rate_hz)
    assert len([d for d in found if not d.part_of]) == 3


def test_a_weak_burst_just_after_a_strong_one_is_found():
    """Slot after slot on one channel, from stations near and far: 22 dB between them."""
    rate_hz = 1.024e6
    rng = np.random.default_rng(34)
    missed = 0
    for offset in range(0, 64, 8):  # wherever the batch begins
        data = noise(rng, int(0.7 * rate_hz), rate_hz)
        size = int(0.025 * rate_hz)
        begin = int((0.4 + offset * 1e-3) * rate_hz)
        for start, snr_db in ((begin, 37), (begin + int(0.0267 * rate_hz), 15)):
            put(data, level(snr_db, 8e3) * at(four_level(rng, size, rate_hz), 50e3, rate_hz), start)
        found, _ = find(data, rate_hz)
        late = begin + int(0.03 * rate_hz)
        missed += not any(
            d.start > late - int(0.006 * rate_hz) and d.stop > late + int(0.015 * rate_hz) for d in found
        )
    assert missed <= 1


@pytest.mark.parametrize("seed", [41, 42, 43])
def test_speech_across_a_weak_offset_begins_when_it_begins(seed):
    """A sideband of 300 to 2700 Hz, keyed by syllables, over a constant a decibel over the noise in a kilohertz."""
    rate_hz = 1.024e6
    rng = np.random.default_rng(seed)
    count = int(4 * rate_hz)
    data = noise(rng, count, rate_hz) + np.complex64(level(1, 1e3))
    size = int(2 * rate_hz)
    spectrum = np.fft.fft(low_pass_noise(rng, size, rate_hz, 300, 2700))
    spectrum[size // 2 :] = 0
    voice = np.fft.ifft(spectrum)
    voice *= np.interp(np.arange(size) / rate_hz, np.arange(0, 2.2, 0.11), rng.uniform(0.1, 1, 20))
    voice /= np.sqrt(np.mean(np.abs(voice) ** 2))
    put(data, level(22, 2.4e3) * at(voice, -1000, rate_hz), int(1.4 * rate_hz))
    found, _ = find(data, rate_hz)
    speech = [d for d in found if not d.artefact and not d.part_of and d.stop - d.start > rate_hz]
    assert len(speech) == 1
    assert speech[0].start / rate_hz == pytest.approx(1.4, abs=0.1)
    assert any((d.artefact or "").startswith("DC") and d.start < 0.05 * rate_hz for d in found)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_voices_that_come_up_on_every_channel_are_emissions_of_their_own(seed):
    """Channels of 25 kHz (common practice, no source): what is left at their edges adds up to nothing wide."""
    rate_hz, seconds = 2.56e6, 1.6
    rng = np.random.default_rng(seed)
    data = noise(rng, int(seconds * rate_hz), rate_hz)
    places = [700e3 + 25e3 * n for n in range(16)]
    for hz in places:
        begin_s = rng.uniform(0.3, 0.7)
        wave = fm(rng, seconds - begin_s, rate_hz, hz)
        put(data, level(rng.uniform(8, 25), 12.5e3) * wave, int(begin_s * rate_hz))
    found, _ = find(data, rate_hz)
    lasting = sorted((d for d in found if not d.part_of), key=lambda d: d.center_hz)
    assert [d.center_hz for d in lasting] == pytest.approx(places, abs=1e3)
    assert all(d.high_hz - d.low_hz < 20e3 for d in lasting)
