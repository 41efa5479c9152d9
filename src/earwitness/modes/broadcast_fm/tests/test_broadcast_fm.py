"""Broadcast FM: stereo by pilot, mono without, clips of bounded length."""

import numpy as np
import pytest

from earwitness.core.mode import get_mode
from earwitness.core.types import Samples

MODE = get_mode("broadcast-fm")
SYNTH = MODE.part("synth")
RATE_HZ = 251_234.0


def received(item, snr_db, seed=1):
    iq = SYNTH.transmit(item, RATE_HZ)
    iq = np.concatenate([np.zeros(round(0.2 * RATE_HZ)), iq, np.zeros(round(0.9 * RATE_HZ))])
    rng = np.random.default_rng(seed)
    scale = np.sqrt(0.5 * RATE_HZ / 180_000 * 10 ** (-snr_db / 10))
    return (iq + scale * (rng.standard_normal(len(iq)) + 1j * rng.standard_normal(len(iq)))).astype(
        np.complex64
    )


def run(iq, cuts=()):
    demodulator = MODE.demodulator()
    out = []
    for start, stop in zip([0, *cuts], [*cuts, len(iq)], strict=True):
        out += demodulator.feed(Samples(iq[start:stop], RATE_HZ, 97.4e6, start, 0))
    return out + list(demodulator.close())


def level_db(audio, hz):
    window = np.hanning(len(audio))
    line = np.sum(audio * window * np.exp(-2j * np.pi * hz / 48_000 * np.arange(len(audio))))
    return 20 * np.log10(2 * np.abs(line) / window.sum() + 1e-12)


def test_stereo_channels_are_kept_apart():
    overs = run(received({"duration_s": 2.0, "left_hz": 1_000.0, "right_hz": 3_000.0}, 35))
    assert len(overs) == 1
    over = overs[0]
    assert over.extra["stereo"] is True
    # ITU-R BS.450: the pilot deviates the carrier by 8 to 10 % of 75 kHz (from memory)
    assert 6_000 <= over.extra["pilot_deviation_hz"] <= 7_500
    left, right = over.audio[:, 9_600:-9_600]
    assert level_db(left, 1_000) - level_db(right, 1_000) > 35
    assert level_db(right, 3_000) - level_db(left, 3_000) > 35
    assert over.start_ns / 1e9 == pytest.approx(0.2, abs=0.11)
    assert over.stop_ns / 1e9 == pytest.approx(2.2, abs=0.11)


def test_mono_has_no_pilot():
    over = run(received({"duration_s": 1.5, "seed": 2, "stereo": False}, 20))[0]
    assert over.extra["stereo"] is False
    assert over.audio.ndim == 1


def test_cuts_do_not_matter():
    iq = received({"duration_s": 1.5, "seed": 3}, 20)
    whole, parts = run(iq), run(iq, [1, 100_000, 100_001, 300_000])
    assert len(whole) == len(parts) == 1
    assert np.array_equal(whole[0].audio, parts[0].audio)
