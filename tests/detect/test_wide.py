"""Wide signals that take much of the span: one emission each, where they are.

Signals are made here by the standards' figures: root raised cosine of ETSI EN 300 421, 3GPP TS 25.104 and ITU-T J.83,
vestigial sideband of ATSC A/53.
"""

import numpy as np
import pytest
from test_hard_air import DENSITY_DBFS_HZ, noise

from earwitness.core.types import Samples
from earwitness.detect.detector import Detector
from earwitness.spectrum.repeats import find_repeat
from earwitness.spectrum.stft import Spectrum
from earwitness.spectrum.symbols import find_carriers

SECONDS = 0.4


def root_raised_cosine(hz, baud, alpha):
    edge = np.clip((np.abs(hz) - baud * (1 - alpha) / 2) / (baud * alpha), 0, 1)
    return np.cos(np.pi / 2 * edge)


def single_carrier(rng, rate_hz, hz, baud, alpha, snr_db, *, levels=(-1.0, 1.0), vestigial=False):
    """Samples of a signal, and its band (99 %): symbols are drawn, their spectrum repeats and is shaped."""
    count, symbols = round(SECONDS * rate_hz), round(SECONDS * baud)
    drawn = rng.choice(levels, symbols) + (1.25 if vestigial else 1j * rng.choice(levels, symbols))
    places = np.arange(-count // 2, count // 2)
    own = places / SECONDS - hz
    shape = root_raised_cosine(own - baud / 4, baud / 2, alpha) if vestigial else root_raised_cosine(own, baud, alpha)  # fmt: skip
    part = np.fft.fft(drawn)[(places - round(hz * SECONDS)) % symbols] * shape
    share = np.cumsum(np.abs(part) ** 2) / np.sum(np.abs(part) ** 2)
    low, high = (places[np.searchsorted(share, s)] / SECONDS for s in (0.005, 0.995))
    wave = np.fft.ifft(np.fft.ifftshift(part))
    power = 10 ** ((snr_db + DENSITY_DBFS_HZ) / 10) * (high - low)
    return wave * np.sqrt(power / np.mean(np.abs(wave) ** 2)), (low, high)


def found_in(data, rate_hz):
    data = data.astype(np.complex64)
    spectrum = Spectrum(rate_hz, 0.0)

    def read(start, count):
        return data[start : start + count]

    repeat, carriers = find_repeat(read, rate_hz), find_carriers(read, rate_hz)
    detector = Detector(rate_hz, 0.0, repeat=repeat, carriers=carriers)
    last = {}
    for start in range(0, len(data), 65536):
        rows = spectrum.feed(Samples(data[start : start + 65536], rate_hz, 0.0, start, 0))
        last.update((d.number, d) for d in (detector.feed(rows) if rows is not None else []))
    last.update((d.number, d) for d in detector.close())
    return sorted((d for d in last.values() if not d.part_of and not d.artefact), key=lambda d: d.center_hz)


@pytest.mark.parametrize(
    ("rate_hz", "baud", "alpha", "snr_db", "levels"),
    [
        (2.4e6, 1.0e6, 0.35, 4, (-1, 1)),
        (2.4e6, 1.5e6, 0.25, 10, (-1, 1)),
        (2.4e6, 1.8e6, 0.2, 25, (-1, 1)),
        (8.0e6, 5.056941e6, 0.18, 10, (-7, -5, -3, -1, 1, 3, 5, 7)),
        (6.4e6, 3.84e6, 0.22, 25, (-1, 1)),
    ],
)
def test_a_signal_that_takes_most_of_the_span_is_one_emission(rate_hz, baud, alpha, snr_db, levels):
    rng = np.random.default_rng(31)
    wave, (low, high) = single_carrier(rng, rate_hz, 20e3, baud, alpha, snr_db, levels=levels)
    (found,) = found_in(noise(rng, len(wave), rate_hz) + wave, rate_hz)
    assert (found.low_hz, found.high_hz) == pytest.approx((low, high), abs=0.02 * (high - low))
    assert found.snr_db == pytest.approx(snr_db, abs=0.7)
    assert found.stop - found.start > 0.95 * len(wave)


def test_neighbours_whose_edges_meet_are_two():
    """1.2288 Mchip/s at 1.25 MHz: no gap is left between the slopes."""
    rate_hz = 3.2e6
    rng = np.random.default_rng(32)
    one, two = (single_carrier(rng, rate_hz, hz, 1.2288e6, 0.1, 12) for hz in (-625e3, 625e3))
    found = found_in(noise(rng, len(one[0]), rate_hz) + one[0] + two[0], rate_hz)
    assert [d.center_hz for d in found] == pytest.approx([-625e3, 625e3], abs=20e3)
    assert [d.high_hz - d.low_hz for d in found] == pytest.approx([1.25e6, 1.25e6], rel=0.05)


def test_television_of_eight_levels_is_one_emission():
    rate_hz = 8e6
    rng = np.random.default_rng(33)
    wave, (low, high) = single_carrier(
        rng, rate_hz, -2.69e6, 10.762238e6, 0.1152, 10, levels=np.arange(-7, 8, 2.0), vestigial=True
    )
    (found,) = found_in(noise(rng, len(wave), rate_hz) + wave, rate_hz)
    assert (found.low_hz, found.high_hz) == pytest.approx((low, high), abs=0.1e6)


def multi_carrier(rng, rate_hz, blocks, load):
    """Downlink of 15 kHz carriers (3GPP TS 36.211): resource blocks come and go by the millisecond, every sixth carrier stays."""
    size, count = round(rate_hz / 15e3), 12 * blocks
    carriers = np.r_[-count // 2 : 0, 1 : count // 2 + 1]
    out = []
    for _ in range(round(1000 * SECONDS)):
        on = np.repeat(rng.random(blocks) < load, 12)
        for n in range(14):
            used = carriers[on] if n > 2 else carriers[rng.random(count) < 0.3]
            if n in (0, 4, 7, 11):
                used = np.union1d(used, carriers[0 if n % 7 == 0 else 3 :: 6])
            symbol = np.zeros(size, complex)
            symbol[used] = rng.choice([1, 1j, -1, -1j], len(used))
            symbol = np.fft.ifft(symbol)
            guard = round((160 if n % 7 == 0 else 144) * size / 2048)
            out += [symbol[-guard:], symbol]
    return np.concatenate(out)


@pytest.mark.parametrize("load", [0.4, 1.0])
def test_packets_of_mobile_telephony_are_one_emission(load):
    rate_hz = 3.84e6
    rng = np.random.default_rng(34)
    wave = multi_carrier(rng, rate_hz, 12, load)
    wave *= 10 ** ((12 + DENSITY_DBFS_HZ) / 20) * np.sqrt(2.16e6 / np.mean(np.abs(wave) ** 2))
    (found,) = found_in(noise(rng, len(wave), rate_hz) + wave, rate_hz)
    assert (found.low_hz, found.high_hz) == pytest.approx((-1.08e6, 1.08e6), abs=0.05e6)
    assert found.stop - found.start > 0.95 * len(wave)
