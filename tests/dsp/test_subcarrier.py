"""What a single sideband receiver of pictures leaves out: strong FM, but no picture, nor what begins or ends in noise."""

import numpy as np
import pytest

from earwitness.core.types import Samples
from earwitness.dsp.audio import press
from earwitness.dsp.speech import speech_like
from earwitness.dsp.subcarrier import TRACK_HZ, Subcarrier

RATE_HZ = 24_600.0
SECONDS = 4.0


def heard(iq):
    """Which seconds have anything at all in the stream that pictures are looked for in."""
    front = Subcarrier(RATE_HZ)
    parts = [*front.feed(Samples(iq, RATE_HZ, 0.0, 0, 0).data), *front.close()]
    return [bool(np.abs(part[: round(TRACK_HZ)]).max() > 0) for part in parts[: int(SECONDS)]]


def noisy(iq, snr_db):
    rng = np.random.default_rng(1)
    noise = np.sqrt(0.5) * 10 ** (-snr_db / 20)
    return (iq + noise * (rng.standard_normal((len(iq), 2)) @ np.array([1, 1j]))).astype(np.complex64)


def fm(hz):
    return np.exp(2j * np.pi * np.cumsum(hz) / RATE_HZ)


def test_strong_voice_on_fm_is_left_out():
    voice = press(speech_like(SECONDS, RATE_HZ, 4))
    assert heard(noisy(fm(3_000 * voice), 20.0))[:3] == [False] * 3


@pytest.mark.parametrize("snr_db", [11.0, 25.0, 60.0])
def test_tones_of_a_picture_are_kept(snr_db):
    rng = np.random.default_rng(2)
    tones = np.repeat(rng.uniform(-800, 400, round(1_000 * SECONDS)), 25)[: round(SECONDS * RATE_HZ)]
    iq = fm(tones + 500.0)
    iq[round(1.9 * RATE_HZ) : round(3.1 * RATE_HZ)] = 0  # noise alone for a part of a second, for all of one
    assert heard(noisy(iq, snr_db)) == [True] * 4
