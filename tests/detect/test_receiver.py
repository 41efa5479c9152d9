"""What the receiver adds of its own neither joins what is on the air nor hides it; signals from textbook formulas made here."""

import numpy as np
import pytest
from test_crowded import at, four_level
from test_hard_air import fm, level, low_pass_noise, noise, put, ssb

from earwitness.core.types import Samples
from earwitness.detect.clock import find_clock_lines
from earwitness.detect.detector import Detector
from earwitness.spectrum.stft import Spectrum, plan

RATE_HZ = 512e3


def found_in(data, rate_hz=RATE_HZ):
    """Give the detections as a survey has them: the lines of the clock are sought first."""

    def read(start, count):
        assert count <= 65536  # sources bound what is read at once
        return data[start : start + count]

    spectrum = Spectrum(rate_hz, 0.0)
    detector = Detector(rate_hz, 0.0, lines=find_clock_lines(read, len(data), rate_hz))
    blocks = [spectrum.feed(Samples(read(n, 65536), rate_hz, 0.0, n, 0)) for n in range(0, len(data), 65536)]
    last = {}
    for rows in [*blocks, spectrum.close()]:
        last.update((d.number, d) for d in (detector.feed(rows) if rows is not None else []))
    last.update((d.number, d) for d in detector.close())
    return sorted(last.values(), key=lambda d: d.start)


def line(count, part, parts, snr_db, rate_hz=RATE_HZ, off_hz=0.0):
    """A line so far over the noise of a bin; `off_hz` from its fraction of the clock."""
    t = np.arange(count)
    turns = t * part % parts / parts + off_hz / rate_hz * t
    return level(snr_db, plan(rate_hz).enbw_hz) * np.exp(2j * np.pi * turns)


@pytest.mark.parametrize(("part", "parts"), [(1, 8), (-3, 8), (1, 3), (-1, 3)])
@pytest.mark.parametrize("snr_db", [6, 20])
def test_a_line_of_the_clock_beside_slots_joins_none_of_them(part, parts, snr_db):
    """Bursts of 30 ms every 60 ms, 4.8 kHz from the line (ETSI TS 102 361-1)."""
    rng = np.random.default_rng(21)
    count = int(3 * RATE_HZ)
    data = noise(rng, count, RATE_HZ)
    put(data, line(count, part, parts, snr_db), 0)
    size, hz = int(0.03 * RATE_HZ), part / parts * RATE_HZ + 4.8e3
    for n in range(40):
        burst = level(25, 8e3) * at(four_level(rng, size, RATE_HZ), hz, RATE_HZ)
        put(data, burst, int((0.3 + 0.06 * n) * RATE_HZ))
    found = found_in(data)
    (own,) = [d for d in found if d.artefact]
    assert own.artefact.startswith(f"clock line: steady and unmodulated at {part}/{parts}")
    assert own.center_hz == pytest.approx(part / parts * RATE_HZ, abs=0.1 * plan(RATE_HZ).bin_hz)
    assert (own.start, own.stop) == pytest.approx((0, count), abs=0.01 * count)
    bursts = [d for d in found if not d.artefact]
    assert len(bursts) == 40
    assert [d.center_hz for d in bursts] == pytest.approx([hz] * 40, abs=1e3)


def test_a_line_of_the_clock_within_speech_is_known_by_its_pauses():
    rate_hz = 48e3
    rng = np.random.default_rng(22)
    count = int(8 * rate_hz)
    data = noise(rng, count, rate_hz)
    put(data, line(count, 1, 8, 10, rate_hz), 0)
    put(data, level(25, 2.4e3) * ssb(rng, 7.0, rate_hz, 5e3, [(1.3, 0.4), (3.1, 0.9)]), int(0.5 * rate_hz))
    speech, own = sorted(found_in(data, rate_hz), key=lambda d: bool(d.artefact))
    assert own.artefact.startswith("clock line")
    assert (speech.start / rate_hz, speech.stop / rate_hz) == pytest.approx((0.5, 7.5), abs=0.15)


def keyed(count):
    on = np.zeros(count)
    on[int(0.2 * count) : int(0.9 * count)] = 1
    return on


def spoken(count):
    return 1 + 0.25 * low_pass_noise(np.random.default_rng(23), count, RATE_HZ, 300, 2700)


@pytest.mark.parametrize(("shape", "off_hz"), [(np.ones, 0.3), (np.ones, 7.0), (keyed, 0.0), (spoken, 0.0)])
def test_what_only_lies_at_a_fraction_of_the_clock_is_no_line_of_it(shape, off_hz):
    """A crystal is off by some tenth of a hertz at least; a station goes off, or speaks."""
    count = int(4 * RATE_HZ)
    data = noise(np.random.default_rng(24), count, RATE_HZ)
    put(data, shape(count) * line(count, 1, 8, 20, off_hz=off_hz), 0)
    assert find_clock_lines(lambda start, n: data[start : start + n], len(data), RATE_HZ) == []


@pytest.mark.parametrize(("off_hz", "stop_s", "lines"), [(0.0, 20, 1), (0.05, 20, 0), (0.0, 12, 0)])
def test_a_carrier_by_chance_at_a_fraction_of_the_clock_is_known_by_the_whole_stretch(off_hz, stop_s, lines):
    """It turns by 0.2 of a turn in four seconds, or goes off; a line of the clock does neither."""
    rate_hz = 48e3
    count = int(20 * rate_hz)
    data = noise(np.random.default_rng(26), count, rate_hz)
    put(data, line(count, 1, 8, 20, rate_hz, off_hz)[: int(stop_s * rate_hz)], 0)
    assert len(find_clock_lines(lambda start, n: data[start : start + n], count, rate_hz)) == lines


@pytest.mark.parametrize("rate_hz", [48e3, 2.4e6])
def test_noise_has_no_lines_of_a_clock(rate_hz):
    data = noise(np.random.default_rng(25), int(4 * rate_hz), rate_hz)
    for first in range(0, len(data), len(data) // 4):
        part = data[first : first + len(data) // 4]
        assert find_clock_lines(lambda start, n, part=part: part[start : start + n], len(part), rate_hz) == []


def test_a_weaker_station_after_a_stronger_one_leaves_no_scrap_between():
    """It goes on without a pause 30 dB down, as a mirror image does."""
    rng = np.random.default_rng(26)
    data = noise(rng, int(2.5 * RATE_HZ), RATE_HZ)
    strong = level(45, 8e3) * fm(rng, 1.0, RATE_HZ, 60e3)
    strong[:1024] *= np.sin(np.pi / 2 * np.arange(1024) / 1024) ** 2
    put(data, strong, int(0.301 * RATE_HZ))
    put(data, level(15, 8e3) * fm(rng, 0.7, RATE_HZ, 60e3), int(1.301 * RATE_HZ))
    found = found_in(data)
    assert [d.start / RATE_HZ for d in found] == pytest.approx([0.301, 1.301], abs=0.0015)
    assert [d.stop / RATE_HZ for d in found] == pytest.approx([1.301, 2.001], abs=0.004)


def test_what_clipping_throws_about_is_told_though_its_rows_hold_more():
    """Two loud stations on the rails of a converter for 4 ms at a time: third-order products (textbook)."""
    rng = np.random.default_rng(27)
    count = int(2 * RATE_HZ)
    t = np.arange(count) / RATE_HZ
    swell = 1 + 0.6 * (np.abs(t % 0.25 - 0.12) < 0.002)
    loud = 0.45 * swell * (np.exp(2j * np.pi * 40e3 * t) + np.exp(2j * np.pi * 55e3 * t))
    data = noise(rng, count, RATE_HZ) + loud.astype(np.complex64)
    data = np.clip(data.real, -1, 1) + 1j * np.clip(data.imag, -1, 1)
    found = found_in(data.astype(np.complex64))
    products = [d for d in found if d.stop - d.start < 0.5 * RATE_HZ and d.start < 1.9 * RATE_HZ]
    assert products
    assert all((d.artefact or "").startswith("clipping product") for d in products)


@pytest.mark.parametrize("seed", [28, 29, 30])
def test_a_mirror_image_beside_a_voice_parts_none_of_its_formants(seed):
    """Two voices on either side of the centre, their images 30 dB down beside them; one speaks low and then high."""
    rate_hz = 48e3
    rng = np.random.default_rng(seed)
    count = int(6 * rate_hz)
    data = noise(rng, count, rate_hz)
    t = np.arange(int(5 * rate_hz)) / rate_hz
    low = sum(np.exp(2j * np.pi * (-5000 + hz) * t + 1j * hz) for hz in (380, 570, 760, 950))
    high = np.exp(2j * np.pi * (-5000 + 2500) * t) * (np.abs(t % 1.5 - 1.2) < 0.08)
    swell = np.abs(np.sin(np.pi * t / 0.2)) ** 1.5
    put(data, level(35, 2.4e3) / 2 * swell * (low + 0.1 * high), int(0.5 * rate_hz))
    put(data, level(35, 2.4e3) * ssb(rng, 5.0, rate_hz, 5.2e3), int(0.5 * rate_hz))
    data += np.complex64(10 ** (-30 / 20)) * np.conj(data)
    own = [d for d in found_in(data, rate_hz) if not d.artefact and not d.part_of]
    assert [round(d.center_hz, -3) for d in own] in ([-4e3, 7e3], [7e3, -4e3])
