"""Speech on a suppressed carrier in recordings whose bins are wide: one emission, pauses, syllables and all."""

import numpy as np
import pytest

from earwitness.core.types import Samples
from earwitness.detect.detector import Detector
from earwitness.spectrum.stft import Spectrum


def speech(rng, rate, seconds):
    """Syllables of 0.12 to 0.3 s with pauses up to 0.35 s, harmonics of a moving pitch from 300 to 2700 Hz.

    The band is that of single-sideband telephony (Rec. ITU-R SM.328, 300 Hz to 2700 or 3000 Hz); lengths of syllables
    and pauses are common practice, no source.
    """
    n = np.arange(round(seconds * rate))
    out = np.zeros(len(n), np.complex64)
    at = 0.0
    while at < seconds - 0.3:
        length = rng.uniform(0.12, 0.3)
        part = slice(round(at * rate), round((at + length) * rate))
        t = n[part] / rate
        turn = 2 * np.pi * np.cumsum(np.full(len(t), rng.uniform(90, 180)) * (1 + 0.1 * np.sin(9 * t))) / rate
        peak = rng.uniform(400, 1800)
        for k in range(2, 24):
            hz = k * turn[-1] / (2 * np.pi * length)
            if 300 < hz < 2700:
                out[part] += np.exp(1j * (k * turn + rng.uniform(0, 6))) / (1 + ((hz - peak) / 300) ** 2)
        out[part] *= np.hanning(len(t)) ** 0.3
        at += length + rng.uniform(0.02, 0.35)
    return out / np.sqrt(np.mean(np.abs(out) ** 2))


@pytest.mark.parametrize("rate", [384e3, 1.024e6, 2.4e6])
def test_a_voice_is_one_emission(rate):
    rng = np.random.default_rng(2)
    seconds = 6.0
    count = round(seconds * rate)
    x = (rng.standard_normal(count) + 1j * rng.standard_normal(count)) * np.sqrt(0.5)
    voice = speech(rng, rate, 4.5)
    begin = round(0.7 * rate)
    turn = np.exp(2j * np.pi * 0.21 * np.arange(len(voice)))
    x[begin : begin + len(voice)] += (
        np.sqrt(10**1.8 * 2400 / rate) * voice * turn
    )  # 18 dB over the noise in 2.4 kHz
    x = (0.05 * x).astype(np.complex64)
    spectrum, detector = Spectrum(rate, 14.2e6), Detector(rate, 14.2e6)
    last = {}
    for at in range(0, count, 1 << 16):
        block = spectrum.feed(Samples(x[at : at + (1 << 16)], rate, 14.2e6, at, 0))
        for found in detector.feed(block) if block is not None else []:
            last[found.number] = found
    for found in detector.close():
        last[found.number] = found
    near = [f for f in last.values() if f.high_hz - f.low_hz < 2e4 and f.part_of is None and not f.artefact]
    assert len(near) == 1
    assert near[0].stop / rate > 4.4
