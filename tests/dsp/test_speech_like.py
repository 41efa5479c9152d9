"""The speech-like generator: shape of its spectrum, its pauses, and the same words at every rate."""

import numpy as np
import pytest

from earwitness.core.errors import ParameterError
from earwitness.dsp import fft
from earwitness.dsp.speech import speech_like


def test_length_peak_and_seed() -> None:
    audio = speech_like(3.0, 8000, 7)
    assert audio.shape == (24_000,)
    assert audio.dtype == np.float32
    assert np.max(np.abs(audio)) == pytest.approx(1.0, abs=1e-6)
    assert np.array_equal(audio, speech_like(3.0, 8000, 7))
    assert not np.array_equal(audio, speech_like(3.0, 8000, 8))


def test_energy_sits_in_the_telephone_band() -> None:
    audio = speech_like(10.0, 48_000, 3)
    power = np.abs(fft.forward(audio.astype(np.complex64))[: len(audio) // 2]) ** 2
    freq = np.arange(len(power)) * 48_000 / len(audio)
    assert power[(freq > 90) & (freq < 3400)].sum() > 0.9 * power.sum()
    assert power[freq > 5500].sum() < 1e-6 * power.sum()


def test_it_pauses_like_a_talker() -> None:
    audio = speech_like(20.0, 8000, 5)
    level = np.sqrt(np.mean(audio[: len(audio) // 800 * 800].reshape(-1, 800) ** 2, axis=1))
    quiet = np.mean(level < 0.02 * level.max())
    assert 0.03 < quiet < 0.5


def test_same_words_at_two_rates() -> None:
    slow = speech_like(2.0, 16_000, 11)
    fast = speech_like(2.0, 48_000, 11)
    assert np.corrcoef(slow, fast[::3])[0, 1] > 0.999


@pytest.mark.parametrize(("duration_s", "rate_hz"), [(0, 8000), (1, 0), (-1, 8000), (float("nan"), 8000)])
def test_nonsense_is_refused(duration_s: float, rate_hz: float) -> None:
    with pytest.raises(ParameterError):
        speech_like(duration_s, rate_hz, 1)
