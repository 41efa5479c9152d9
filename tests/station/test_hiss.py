"""The noise of a discriminator in demodulated audio is no emission; what is sent through it is."""

from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
from scipy.signal import firwin, lfilter

from earwitness.core.times import parse_time
from earwitness.dsp.speech import speech_like
from earwitness.log.store import Log
from earwitness.station.audio import HISS, is_hiss
from earwitness.station.run import survey_file

RATE = 48_000.0
SHARED = Path(__file__).parents[2] / ".." / "shared" / "recordings" / "satellite-audio"


def discriminator(iq, low_hz=300, high_hz=3400, rate_hz=RATE):
    """Audio of a receiver of FM, by what the textbook says one does: no code of the station's."""
    channel = lfilter(firwin(129, 6500, fs=rate_hz), 1, iq)
    turns = np.angle(channel[1:] * np.conj(channel[:-1]))
    return lfilter(firwin(401, [low_hz, high_hz], fs=rate_hz, pass_zero=False), 1, turns).astype(np.float32)


def noise(seconds, seed=1):
    rng = np.random.default_rng(seed)
    return rng.standard_normal(2 * round(seconds * RATE), np.float32).view(np.complex64)


@pytest.mark.parametrize("seconds", [0.15, 0.5, 2.0])
@pytest.mark.parametrize("seed", range(4))
def test_hiss_is_hiss(seconds, seed):
    audio = discriminator(noise(seconds + 0.1, seed))[2400:]
    assert is_hiss(audio, RATE, 400, 3300)


def test_what_is_sent_is_no_hiss():
    rng = np.random.default_rng(2)
    symbols = np.repeat(rng.choice([-1.0, 1.0], 9600 * 2), 5)
    data = lfilter(
        firwin(41, 4800, fs=RATE), 1, symbols
    )  # two levels at 9600 Bd, as a discriminator gives them
    assert not is_hiss(data.astype(np.float32), RATE, 0, 5000)
    t = np.arange(round(2 * RATE)) / RATE
    tones = np.cos(2 * np.pi * np.cumsum(np.repeat(rng.choice([1200.0, 2200.0], 2400), 40)) / RATE)
    assert not is_hiss(tones.astype(np.float32), RATE, 800, 2600)
    assert not is_hiss(np.sin(2 * np.pi * 1000 * t).astype(np.float32), RATE, 900, 1100)
    for seed in range(6):
        assert not is_hiss(speech_like(2.0, RATE, seed).astype(np.float32), RATE, 300, 3000)
    assert not is_hiss(np.zeros(96_000, np.float32), RATE, 300, 3000)


def test_an_open_squelch_is_an_artefact(tmp_path):
    """A carrier quietens a receiver of FM; before and after it, the noise is as loud as speech."""
    iq = noise(8.0)
    iq[round(4 * RATE) : round(6 * RATE)] = 20
    audio = discriminator(iq)
    audio[: round(2 * RATE)] *= 0.001
    sf.write(tmp_path / "open.wav", 0.5 * audio / np.abs(audio).max(), round(RATE))
    survey_file(str(tmp_path / "open.wav"), tmp_path / "s", start="2026-05-01T10:00:00Z")
    with Log.open(tmp_path / "s") as log:
        found = list(log.emissions())
    assert any(row["artefact"] == HISS for row in found)
    lasting = [row for row in found if parse_time(row["stop"]) - parse_time(row["start"]) > 20_000_000]
    assert [
        row["class"] for row in lasting if not row["artefact"]
    ] == []  # what is left is the click of switching


@pytest.mark.skipif(not SHARED.is_dir(), reason="recordings off the air are not at hand")
def test_hiss_off_the_air(tmp_path):
    """Four stretches of steady noise beside an unsteady one and a line; packets elsewhere stay what they were."""
    survey_file(str(SHARED / "by02.wav"), tmp_path)
    with Log.open(tmp_path) as log:
        assert sum(row["artefact"] == HISS for row in log.emissions()) >= 3
