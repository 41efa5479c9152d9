"""Settings for every test: no deadline per example, since a busy machine may stall any of them; shared recordings."""

import wave
from pathlib import Path

import numpy as np
import pytest
from hypothesis import settings

from earwitness.core.types import Samples

settings.register_profile("patient", deadline=None)
settings.load_profile("patient")


@pytest.fixture
def satellite_audio():
    """Give a function that reads a recording of a satellite's audio, or skips where there is none."""

    def read(name):
        path = Path(__file__).parent / "../shared/recordings/satellite-audio" / f"{name}.wav"
        if not path.is_file():
            pytest.skip("the folder of shared recordings is not beside the project")
        with wave.open(str(path)) as file:
            rate = float(file.getframerate())
            data = np.frombuffer(file.readframes(file.getnframes()), "<i2").astype(np.float32) / 32768
        return Samples(data, rate, 0.0, 0, 0)

    return read
