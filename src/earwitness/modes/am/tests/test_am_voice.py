"""AM voice: overs, their times and carriers, and what is none."""

import numpy as np
import pytest

from earwitness.core.mode import get_mode
from earwitness.core.types import Samples

MODE = get_mode("am")
SYNTH = MODE.part("synth")
RATE_HZ = 16_811.3


def noisy(parts, snr_db, seed=1):
    iq = np.concatenate([np.zeros(round(x * RATE_HZ)) if isinstance(x, float) else x for x in parts])
    rng = np.random.default_rng(seed)
    scale = np.sqrt(0.5 * RATE_HZ / 8_000 * 10 ** (-snr_db / 10))
    noise = rng.standard_normal(len(iq)) + 1j * rng.standard_normal(len(iq))
    return (iq + scale * noise).astype(np.complex64)


def at(iq, hz):
    return iq * np.exp(2j * np.pi * hz / RATE_HZ * np.arange(len(iq)))


def run(iq, cuts=()):
    demodulator = MODE.demodulator()
    out = []
    for start, stop in zip([0, *cuts], [*cuts, len(iq)], strict=True):
        out += demodulator.feed(Samples(iq[start:stop], RATE_HZ, 130e6, start, 0))
    return out + list(demodulator.close())


@pytest.mark.parametrize("snr_db", [20, 8])
@pytest.mark.parametrize("offset_hz", [-700.0, 0.0, 333.0])
def test_over_with_times_and_carrier(snr_db, offset_hz):
    iq = at(SYNTH.transmit({"duration_s": 4.0, "seed": 3}, RATE_HZ), offset_hz)
    overs = run(noisy([0.4, iq, 0.9], snr_db))
    assert len(overs) == 1
    over = overs[0]
    assert over.start_ns / 1e9 == pytest.approx(0.4, abs=0.02)
    assert over.stop_ns / 1e9 == pytest.approx(4.4, abs=0.02)
    assert over.frequency_hz == pytest.approx(130e6 + offset_hz, abs=2)
    assert over.snr_db == pytest.approx(snr_db, abs=1)
    assert over.tone is None
    if snr_db == 20:
        assert over.extra["modulation_depth_pct"] == pytest.approx(85, abs=10)


def test_gain_follows_the_carrier():
    iq = SYNTH.transmit({"duration_s": 5.0, "seed": 3}, RATE_HZ)
    slope = np.exp(np.linspace(0, -3, len(iq)))  # 26 dB down
    steady = run(noisy([0.4, iq, 0.9], 40))[0].audio
    fading = run(noisy([0.4, iq * slope, 0.9], 40))[0].audio
    count = min(len(steady), len(fading))
    a, b = steady[800 : count - 800], fading[800 : count - 800]
    assert np.dot(a, b) / np.sqrt(np.dot(a, a) * np.dot(b, b)) > 0.95


def test_two_senders_with_a_short_gap_are_two_overs():
    first = at(SYNTH.transmit({"duration_s": 2.0, "seed": 4}, RATE_HZ), -120)
    second = at(SYNTH.transmit({"duration_s": 2.0, "seed": 5}, RATE_HZ), 240)
    overs = run(noisy([0.4, first, 0.2, second, 0.9], 20))
    assert [round(over.frequency_hz - 130e6) for over in overs] == [-120, 240]


def test_cuts_do_not_matter():
    iq = noisy([0.3, SYNTH.transmit({"duration_s": 2.5, "seed": 6}, RATE_HZ), 0.8], 15)
    whole, parts = run(iq), run(iq, [1, 5, 4_000, 4_001, 33_333])
    assert len(whole) == len(parts) == 1
    assert np.array_equal(whole[0].audio, parts[0].audio)


def test_bare_carrier_and_tone_are_no_overs():
    bare = SYNTH.transmit({"duration_s": 4.0, "voice": False}, RATE_HZ)
    tone = 1 + 0.8 * np.sin(2 * np.pi * 1_020 / RATE_HZ * np.arange(round(4 * RATE_HZ)))
    for snr_db in (25, 5):
        assert run(noisy([0.3, bare, 0.8], snr_db)) == []
        assert run(noisy([0.3, tone, 0.8], snr_db)) == []


def test_hostile_samples():
    bad = np.full(60_000, np.nan + 1j * np.inf, np.complex64)
    bad[::3] = 1e30
    assert run(bad) == []
