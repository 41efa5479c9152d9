"""A channel moved to what is in it: found anywhere, followed while it drifts, left alone where that does no harm."""

import numpy as np
import pytest

from earwitness.dsp.centred import SLIDE_HZ_S, Centred

RATE_HZ = 48_000.0
PIECE = 4_000


def noise(rng, count, sigma=0.1):
    return (sigma * (rng.standard_normal(count) + 1j * rng.standard_normal(count))).astype(np.complex64)


def band(rng, count, hz, width_hz):
    """Noise of a width about a frequency given per sample or once."""
    spectrum = np.zeros(count, complex)
    f = np.fft.fftfreq(count, 1 / RATE_HZ)
    inside = np.abs(f) < width_hz / 2
    spectrum[inside] = rng.standard_normal(inside.sum()) + 1j * rng.standard_normal(inside.sum())
    x = np.fft.ifft(spectrum)
    turns = np.cumsum(np.broadcast_to(hz, count)) / RATE_HZ
    return x / np.sqrt(np.mean(np.abs(x) ** 2)) * np.exp(2j * np.pi * turns)


def middle_hz(x):
    power = np.abs(np.fft.fft(x)) ** 2
    over = np.maximum(power - 4 * np.median(power), 0)
    angle = np.angle(np.sum(over * np.exp(2j * np.pi * np.arange(len(x)) / len(x))))
    return float(angle / (2 * np.pi) * RATE_HZ)


def moved(x, least_hz=500.0, gentle=False):
    centred = Centred(RATE_HZ, least_hz, gentle=gentle)
    out = np.concatenate([centred.feed(x[at : at + PIECE]) for at in range(0, len(x), PIECE)])
    return out, centred


@pytest.mark.parametrize("hz", [-15_000.0, -4_000.0, 9_000.0])
@pytest.mark.parametrize("width_hz", [1_500.0, 9_000.0])
def test_what_stands_out_is_brought_to_the_middle(hz, width_hz):
    rng = np.random.default_rng(1)
    x = np.concatenate([noise(rng, 40_000), band(rng, 48_000, hz, width_hz) + noise(rng, 48_000)])
    out, centred = moved(x.astype(np.complex64))
    assert len(out) == len(x)
    assert np.allclose(np.abs(out), np.abs(x), atol=1e-3)  # turned, nothing else
    assert abs(middle_hz(out[52_000:])) < 400
    assert centred.shift_hz(60_000) == pytest.approx(hz, abs=400)
    assert centred.shift_hz(20_000) == 0


def test_noise_and_what_is_borne_are_left_alone():
    rng = np.random.default_rng(2)
    x = noise(rng, 480_000)
    out, _ = moved(x)
    assert np.array_equal(out, x)
    x = (band(rng, 96_000, 1_500.0, 9_000.0) + noise(rng, 96_000)).astype(np.complex64)
    out, _ = moved(x)
    assert np.array_equal(out, x)


def test_a_louder_neighbour_does_not_take_it_away():
    rng = np.random.default_rng(3)
    own = band(rng, 96_000, 0.0, 2_000.0)
    x = own + noise(rng, 96_000)
    x[48_000:] += 5 * band(rng, 48_000, 12_000.0, 2_000.0)
    out, _ = moved(x.astype(np.complex64))
    assert np.array_equal(out, x.astype(np.complex64))


def test_drift_is_followed_without_jumps():
    rng = np.random.default_rng(4)
    count = 20 * 48_000
    hz = 1_200.0 - 100.0 * np.arange(count) / RATE_HZ
    out, centred = moved((band(rng, count, hz, 1_500.0) + noise(rng, count, 0.3)).astype(np.complex64))
    tuned = np.array([centred.shift_hz(at) for at in range(2 * PIECE, count, PIECE)])
    assert np.abs(np.diff(tuned)).max() <= SLIDE_HZ_S * PIECE / RATE_HZ + 1
    for at in range(96_000, count - 48_000, 48_000):
        assert abs(middle_hz(out[at : at + 24_000])) < 900


def test_what_is_narrow_is_followed_gently():
    rng = np.random.default_rng(5)
    count = 30 * 48_000
    hz = 50.0 * np.arange(count) / RATE_HZ
    _, centred = moved(
        (band(rng, count, hz, 1_500.0) + noise(rng, count, 0.3)).astype(np.complex64), gentle=True
    )
    tuned = np.array([centred.shift_hz(at) for at in range(2 * PIECE, count, PIECE)])
    slide_hz_s = np.diff(tuned) * RATE_HZ / PIECE
    assert tuned[-1] > 700
    assert slide_hz_s.max() < 80
    assert np.abs(np.diff(slide_hz_s)).max() < 5


@pytest.mark.parametrize("gentle", [False, True])
@pytest.mark.parametrize("hz", [0.0, 300.0, 6_000.0])
def test_a_block_is_moved_as_its_pieces_are(hz, gentle):
    rng = np.random.default_rng(int(hz))
    x = (np.exp(2j * np.pi * np.cumsum(np.full(50_500, hz)) / RATE_HZ) + noise(rng, 50_500)).astype(
        np.complex64
    )
    pieces, one = moved(x, gentle=gentle)
    other = Centred(RATE_HZ, 500.0, gentle=gentle)
    blocks = [other.feed_block(x[at : at + 5 * PIECE], PIECE) for at in range(0, len(x), 5 * PIECE)]
    assert np.array_equal(np.concatenate(blocks), pieces)
    assert [one.shift_hz(at) for at in range(0, len(x), PIECE)] == [
        other.shift_hz(at) for at in range(0, len(x), PIECE)
    ]
