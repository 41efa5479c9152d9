"""SSB voice: the side, the place of the suppressed carrier, and the audio."""

import numpy as np
import pytest

from earwitness.core.mode import get_mode
from earwitness.core.types import Samples
from earwitness.dsp.audio import band_pass
from earwitness.dsp.speech import speech_like

MODE = get_mode("ssb")
SYNTH = MODE.part("synth")
RATE_HZ = 9_377.7


def received(item, snr_db, carrier_hz, seed=1):
    iq = SYNTH.transmit(item, RATE_HZ)
    iq = iq * np.exp(2j * np.pi * carrier_hz / RATE_HZ * np.arange(len(iq)))
    iq = np.concatenate([np.zeros(round(0.4 * RATE_HZ)), iq, np.zeros(round(1.8 * RATE_HZ))])
    rng = np.random.default_rng(seed)
    power = RATE_HZ / 4_000 * 10 ** (-snr_db / 10)
    noise = (rng.standard_normal(len(iq)) + 1j * rng.standard_normal(len(iq))) * np.sqrt(0.5 * power)
    return (iq + noise).astype(np.complex64), 10 * np.log10(power / RATE_HZ)


def run(iq, density, cuts=()):
    demodulator = MODE.demodulator()
    out = []
    for start, stop in zip([0, *cuts], [*cuts, len(iq)], strict=True):
        out += demodulator.feed(Samples(iq[start:stop], RATE_HZ, 14.2e6, start, 0, density))
    return out + list(demodulator.close())


@pytest.mark.parametrize(("sideband", "carrier_hz"), [("upper", -1_620.0), ("lower", 1_333.0)])
@pytest.mark.parametrize("snr_db", [20, 8])
@pytest.mark.parametrize("known", [True, False])
def test_side_and_carrier(sideband, carrier_hz, snr_db, known):
    iq, density = received({"duration_s": 5.0, "seed": 4, "sideband": sideband}, snr_db, carrier_hz)
    overs = run(iq, density if known else None)
    assert len(overs) == 1
    over = overs[0]
    assert over.extra["sideband"] == sideband
    assert over.frequency_hz == pytest.approx(14.2e6 + carrier_hz, abs=20)
    assert over.start_ns / 1e9 == pytest.approx(0.4, abs=0.25)  # speech begins with a breath
    assert over.stop_ns / 1e9 == pytest.approx(5.4, abs=0.25)


def test_audio_is_the_speech():
    iq, density = received({"duration_s": 5.0, "seed": 4}, 30, -1_500.0)
    over = run(iq, density)[0]
    wanted = band_pass(speech_like(5.0, 8_000.0, 4))
    frame = 400

    def envelope(x):
        return np.sqrt(np.mean(x[: len(x) // frame * frame].reshape(-1, frame) ** 2, axis=1))

    lead = round((over.start_ns / 1e9 - 0.4) * 8_000)
    a, b = envelope(wanted[max(lead, 0) :]), envelope(over.audio)
    count = min(len(a), len(b))
    assert np.corrcoef(a[:count], b[:count])[0, 1] > 0.7


def test_cuts_do_not_matter():
    iq, density = received({"duration_s": 3.0, "seed": 2}, 15, -1_400.0)
    whole, parts = run(iq, density), run(iq, density, [1, 2_000, 2_001, 20_000])
    assert len(whole) == len(parts) == 1
    assert np.array_equal(whole[0].audio, parts[0].audio)


def test_tones_are_no_voice():
    time_s = np.arange(round(3 * RATE_HZ)) / RATE_HZ
    rng = np.random.default_rng(3)
    iq = np.exp(2j * np.pi * 700 * time_s) + np.exp(-2j * np.pi * 500 * time_s)
    iq = iq + 0.1 * (rng.standard_normal(len(iq)) + 1j * rng.standard_normal(len(iq)))
    assert run(iq.astype(np.complex64), -60.0) == []
