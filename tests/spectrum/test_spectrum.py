"""The compiled transforms against numpy's double-precision FFT, and the calibration the docstrings promise."""

import numpy as np
import pytest

from earwitness.core.types import Samples
from earwitness.dsp.fft_columns import LANES, columns
from earwitness.spectrum.floor import NoiseFloor
from earwitness.spectrum.stft import Spectrum, plan, quick_plan
from earwitness.spectrum.transform import FineTransform, QuickTransform, census

RATES_HZ = (48e3, 250e3, 1e6, 2.4e6, 5e6, 20e6, 61.44e6)


def noise(count, seed=0):
    return np.random.default_rng(seed).standard_normal(2 * count, np.float32).view(np.complex64)


@pytest.mark.parametrize("length", [8, 16, 32, 64, 128, 256])
def test_columns_are_transforms(length):
    x = noise(length * LANES).reshape(length, LANES)
    re, im = np.ascontiguousarray(x.real).ravel(), np.ascontiguousarray(x.imag).ravel()
    a, b = np.empty_like(re), np.empty_like(im)
    got = a + 1j * b if columns(length, re, im, a, b) else re + 1j * im
    wanted = np.fft.fft(x.astype(complex), axis=0)
    assert np.abs(got.reshape(length, LANES) - wanted).max() < 1e-6 * np.abs(wanted).max()


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_fine_rows_are_mean_power_of_windowed_transforms(rate_hz):
    p = plan(rate_hz)
    rows = 3
    x = noise(rows * p.row + p.size)
    power, mirror = FineTransform(p.window, p.hop, p.frames).rows(x.view(np.float32), rows)
    starts = np.arange(rows * p.frames) * p.hop
    spectra = np.fft.fft(np.stack([x[s : s + p.size] * p.window.astype(float) for s in starts]), axis=1)
    wanted = (np.abs(spectra) ** 2).reshape(rows, p.frames, -1).mean(axis=1)
    assert np.abs(power - np.fft.fftshift(wanted, axes=1)).max() < 1e-6 * wanted.max()
    k = np.arange(p.size // 2)
    products = spectra[:: p.frames, k] * spectra[:: p.frames, -k]
    assert np.abs(mirror - products).max() < 1e-6 * np.abs(products).max()


@pytest.mark.parametrize("rate_hz", [rate for rate in RATES_HZ if rate >= 200e3])
@pytest.mark.parametrize("count", [1, 16, 37])
def test_quick_rows_are_power_in_groups_of_bins(rate_hz, count):
    p = plan(rate_hz)
    window = quick_plan(p).window
    x = noise(count * p.quick_hop + p.quick_size)
    got = QuickTransform(window, p.quick_hop, p.quick_group).rows(x.view(np.float32), count)
    frames = np.stack([x[i * p.quick_hop :][: p.quick_size] * window.astype(float) for i in range(count)])
    power = np.fft.fftshift(np.abs(np.fft.fft(frames, axis=1)) ** 2, axes=1)
    wanted = power.reshape(count, p.quick_bands, p.quick_group).sum(axis=2)
    assert np.abs(got.T - wanted).max() < 1e-6 * wanted.max()


def test_census_counts_what_is_there():
    x = noise(1000) * np.float32(0.1)
    x[10] = 1.0
    x[20] = -1j
    x[500:700] = 0
    clipped, zeros = np.empty(2, np.int32), np.empty(2, np.int32)
    dc, square = np.empty(2, np.complex64), np.empty(2, np.complex64)
    total = np.empty(2, np.float32)
    census(x.view(np.float32), 500, 0.995, clipped, dc, square, total, zeros)
    rows = x.reshape(2, 500)
    assert clipped.tolist() == [2, 0]
    assert zeros.tolist() == [0, 200]
    assert np.allclose(dc, rows.mean(axis=1), atol=1e-6)
    assert np.allclose(square, (rows**2).mean(axis=1), atol=1e-6)
    assert np.allclose(total, (np.abs(rows) ** 2).mean(axis=1), rtol=1e-5)


def rows_of(data, rate_hz, cuts):
    spectrum = Spectrum(rate_hz, 100e6)
    blocks = []
    for a, b in zip([0, *cuts], [*cuts, len(data)], strict=True):
        blocks.append(spectrum.feed(Samples(data[a:b], rate_hz, 100e6, a, 0)))
    blocks.append(spectrum.close())
    return [block for block in blocks if block is not None]


@pytest.mark.parametrize("rate_hz", [48e3, 2.4e6])
def test_rows_do_not_depend_on_where_blocks_were_cut(rate_hz):
    data = noise(60_000)
    whole = rows_of(data, rate_hz, [])
    parts = rows_of(data, rate_hz, [1, 777, 5_000, 40_001])
    for name in ("power", "mirror", "quick", "clipped", "total"):
        along = 1 if name == "quick" else 0
        one = np.concatenate([getattr(block, name) for block in whole], axis=along)
        two = np.concatenate([getattr(block, name) for block in parts], axis=along)
        assert np.allclose(one, two, rtol=1e-4, atol=1e-7)


@pytest.mark.parametrize("block", [1 << 12, 1 << 16, 50_000])
@pytest.mark.parametrize("rate_hz", [48e3, 2.4e6, 20e6])
def test_blocks_may_reach_into_the_next(rate_hz, block):
    data = noise(300_000)
    spectrum = Spectrum(rate_hz, 100e6)
    given = []
    for start in range(0, len(data), block):
        part = data[start : start + block + spectrum.overlap].copy()
        given.append(spectrum.feed(Samples(part, rate_hz, 100e6, start, 0)))
    given.append(spectrum.close())
    power = np.concatenate([one.power for one in given if one is not None])
    whole = np.concatenate([one.power for one in rows_of(data, rate_hz, [])])
    assert np.allclose(power, whole, rtol=1e-4, atol=1e-7)
    starts = [one.start for one in given if one is not None]
    rows = [len(one.power) for one in given if one is not None]
    assert np.array_equal(np.diff(starts), np.multiply(rows[:-1], spectrum.plan.row))


@pytest.mark.parametrize("rate_hz", [48e3, 2.4e6, 20e6])
def test_a_full_scale_tone_reads_0_dbfs_at_its_frequency(rate_hz):
    p = plan(rate_hz)
    offset = 7 * p.bin_hz
    data = np.exp(2j * np.pi * offset / rate_hz * np.arange(20 * p.row)).astype(np.complex64)
    (block,) = rows_of(data, rate_hz, [])[:1]
    peak = int(np.argmax(block.power[5]))
    assert abs(10 * np.log10(block.power[5, peak])) < 0.01
    assert block.frequencies_hz[peak] == pytest.approx(100e6 + offset)


def test_density_is_power_over_noise_bandwidth():
    rate_hz, level = 2.4e6, 0.01
    data = noise(1_000_000) * np.float32(np.sqrt(level / 2))
    (block, *_) = rows_of(data, rate_hz, [])
    density = block.power.mean() / block.enbw_hz
    assert 10 * np.log10(density * rate_hz / level) == pytest.approx(0, abs=0.05)
    floor = NoiseFloor(plan(rate_hz))
    for first in range(0, 192, 64):
        floor.update(block.power[first : first + 64])
    assert 10 * np.log10(floor.level.mean() / block.power.mean()) == pytest.approx(0, abs=0.1)


def test_one_bad_sample_spoils_no_row():
    data = noise(60_000)
    data[30_000] = np.nan
    assert all(np.isfinite(block.power).all() for block in rows_of(data, 48e3, []))
