"""Evidence pictures: calibrated levels, symbols found, no input that breaks them."""

import io

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from earwitness.core.types import Samples
from earwitness.view import pictures
from earwitness.view.canvas import ticks

RATE = 48_000.0


def noise(rng, count, power=1.0):
    return (rng.normal(size=count) + 1j * rng.normal(size=count)).astype(np.complex64) * np.sqrt(power / 2)


def size(png):
    with Image.open(io.BytesIO(png)) as image:
        image.load()
        return image.size


def test_levels_are_densities():
    """White noise of power P has the density P / rate; a tone's density adds up to its power."""
    rng = np.random.default_rng(1)
    x = noise(rng, 96_000, 1e-6)
    shown = pictures.compute_spectrogram(Samples(x, RATE, 100e6, 0, 0), resolution_hz=200)
    mean = 10 * np.log10(np.mean(10 ** (shown.density_db / 10)))
    assert mean == pytest.approx(-60 - 10 * np.log10(RATE), abs=0.1)
    tone = 0.1 * np.exp(2j * np.pi * 5000 / RATE * np.arange(96_000)).astype(np.complex64)
    shown = pictures.compute_spectrogram(Samples(tone, RATE, 100e6, 0, 0), resolution_hz=200)
    step = shown.freqs_hz[1] - shown.freqs_hz[0]
    power = np.mean(np.sum(10 ** (shown.density_db / 10), axis=1)) * step
    assert 10 * np.log10(power) == pytest.approx(-20, abs=0.05)
    assert shown.freqs_hz[shown.density_db.mean(axis=0).argmax()] == pytest.approx(100e6 + 5000, abs=step)


def test_shrinking_keeps_short_bursts():
    levels = np.full((5000, 700), -100, np.float32)
    levels[1234, 321] = -20
    assert pictures.shrink(levels, 300, 200).max() == -20
    assert pictures.shrink(levels, 300, 200).shape == (300, 200)


@pytest.mark.parametrize("order", [2, 4, 8])
def test_constellation_finds_the_points(order):
    """Random phase symbols, root-raised-cosine of textbook form, clock and carrier off, 20 dB."""
    rng = np.random.default_rng(order)
    per, count, beta = 20, 800, 0.4
    t = np.arange(-8 * per, 8 * per + 1) / per + 1e-9
    pulse = (np.sin(np.pi * t * (1 - beta)) + 4 * beta * t * np.cos(np.pi * t * (1 + beta))) / (
        np.pi * t * (1 - (4 * beta * t) ** 2)
    )
    symbols = np.exp(2j * np.pi * rng.integers(0, order, count) / order)
    impulses = np.zeros(count * per, complex)
    impulses[::per] = symbols
    wave = np.convolve(impulses, pulse, "same")
    at = np.arange(0, len(wave) - 1, 4 * (1 + 80e-6))
    wave = np.interp(at, np.arange(len(wave)), wave.real) + 1j * np.interp(
        at, np.arange(len(wave)), wave.imag
    )
    rate = 12_000.0
    wave = wave * np.exp(2j * np.pi * 30 / rate * np.arange(len(wave))) / np.sqrt(np.mean(np.abs(wave) ** 2))
    got = pictures.recover_symbols(
        (wave + noise(rng, len(wave), 0.01)).astype(np.complex64), rate, 2400, order=order
    )
    assert len(got) > 700
    inner = got[20:-20] / np.sqrt(np.mean(np.abs(got) ** 2))
    turned = inner * np.exp(-1j * np.pi / order * (order > 2))
    nearest = np.exp(2j * np.pi * np.round(np.angle(turned) * order / 2 / np.pi) / order)
    assert np.sqrt(np.mean(np.abs(turned - nearest) ** 2)) < 0.16


def test_eye_is_open_at_the_decision():
    """2400 Bd frequency keying of +-1200 Hz, 15 dB: at the decision nothing lies near the threshold."""
    rng = np.random.default_rng(3)
    per = 20
    hz = np.repeat(rng.choice([-1200.0, 1200.0], 600), per)
    hz = np.convolve(hz, np.hanning(per + 2)[1:-1] / np.hanning(per + 2).sum(), "same")[7:]
    traces = pictures.eye_traces(hz + rng.normal(size=len(hz)) * 60, RATE, 2405.0)
    assert len(traces) > 550
    middle = np.abs(traces[:, 16])
    assert np.quantile(middle, 0.02) > 800
    assert np.quantile(np.abs(traces[:, 8]), 0.3) < 500  # half a symbol away is where it crosses


def row(**facts):
    return {"class": "unknown", "frequency_hz": 100e6, "occupied_bandwidth_hz": 6000.0, **facts}


@pytest.mark.parametrize(
    ("facts", "extra"),
    [
        ({"class": "psk", "symbol_rate_hz": 2400.0, "variant": "qpsk"}, "constellation"),
        ({"class": "fsk2", "symbol_rate_hz": 2400.0}, "eye"),
        ({"class": "fm", "deviation_hz": 2500.0}, "frequency"),
        ({"class": "am"}, "envelope"),
        ({"class": "cw"}, "envelope"),
    ],
)
def test_each_class_has_its_picture(facts, extra):
    rng = np.random.default_rng(5)
    x = noise(rng, 24_000, 1e-4)
    x[6000:18_000] += np.exp(2j * np.pi * np.cumsum(rng.choice([-0.02, 0.02], 600).repeat(20))).astype(
        np.complex64
    )
    made = pictures.evidence_pictures(Samples(x, RATE, 100e6, 0, 0), row(**facts))
    assert {"spectrogram", "spectrum", extra} <= set(made)
    assert size(made["spectrogram"]) == (1280, 600)
    assert all(len(png) < 400_000 for png in made.values())


ODD = st.sampled_from([None, 0, -1.0, 1e-9, 1e12, float("nan"), float("inf"), "x", [], 100e6, 2400.0])


@settings(max_examples=25, deadline=None)
@given(
    st.sampled_from([0, 1, 63, 64, 65, 1000, 9001]),
    st.sampled_from(["zeros", "nan", "noise", "tone", "real", "huge"]),
    st.fixed_dictionaries(
        {
            "frequency_hz": ODD,
            "occupied_bandwidth_hz": ODD,
            "symbol_rate_hz": ODD,
            "deviation_hz": ODD,
            "reasons": ODD,
            "class": st.sampled_from(["psk", "fsk2", "fsk4", "fm", "am", "cw", "ook", "ssb", None, 7]),
        }
    ),
)
def test_no_samples_or_facts_break_them(count, what, facts):
    rng = np.random.default_rng(count)
    x = {
        "zeros": np.zeros(count, np.complex64),
        "nan": np.full(count, np.nan + 1j * np.inf, np.complex64),
        "noise": noise(rng, count),
        "tone": np.ones(count, np.complex64),
        "real": rng.normal(size=count).astype(np.float32),
        "huge": noise(rng, count) * np.float32(1e15),
    }[what]
    for png in pictures.evidence_pictures(Samples(x, RATE, 100e6, 0, 0), facts).values():
        assert size(png)[0] > 100


@given(st.floats(), st.floats(), st.integers(0, 20))
def test_ticks_are_few_and_inside(low, high, count):
    marks, digits = ticks(low, high, count)
    assert len(marks) <= 4 * count + 10
    assert digits >= 0
    if marks:
        slack = 1e-5 * (high - low)
        assert low - slack <= marks[0] <= marks[-1] <= high + slack
