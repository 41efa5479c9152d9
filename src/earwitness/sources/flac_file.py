"""FLAC files through soundfile: two channels are I/Q, one channel is audio."""

from __future__ import annotations

import threading
import weakref
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np

from earwitness.core.errors import SourceError
from earwitness.sources.sample_type import SampleType, sample_type

_AHEAD = 65_536  # samples a read when looking for damage
_NEAR = 1024
_BITS = {"PCM_S8": 8, "PCM_16": 16, "PCM_24": 24}


class FlacRun:
    """Decodes what is asked; consecutive reads go on without seeking."""

    def __init__(self, path: Path):
        import soundfile

        self._failed: Any = (soundfile.LibsndfileError, RuntimeError, OSError)
        self.path = path
        self._begin()
        self._lock = threading.Lock()
        channels = self._sound.channels
        if self._sound.format != "FLAC" or channels not in (1, 2) or self._sound.subtype not in _BITS:
            raise SourceError(
                f"{path.name} is {self._sound.format} {self._sound.subtype} with {channels} channels; "
                "FLAC with two (I/Q) or one (audio) can be read"
            )
        self.bits = _BITS[self._sound.subtype]
        self.count = max(int(self._sound.frames), 0)
        self.rate_hz = int(self._sound.samplerate)
        letter = "c" if channels == 2 else "r"
        self.sample_type: SampleType = sample_type(f"{letter}i{16 if self.bits == 16 else 24}")

    def is_sound(self) -> bool:
        """Say whether samples can be read in a few places up to the end."""
        try:
            return all(len(self.native(max(self.count * n // 8 - 1, 0), 1)) for n in range(9))
        except SourceError:
            return False

    def keep_what_is_sound(self) -> int:
        """Leave out all from the first damaged place on; give how many samples that takes away."""
        stated, sound = self.count, 0
        for step in (_AHEAD, _NEAR):  # a read that fails gives nothing: look closer where one did
            self._begin()  # once a read failed no other goes well
            with suppress(SourceError):
                while got := len(self.native(sound, step)):
                    sound += got
        self._begin()
        self.count = min(sound, stated)
        return stated - self.count

    def _begin(self) -> None:
        """Open the file at its start."""
        import soundfile

        try:
            self._sound = soundfile.SoundFile(self.path)
        except self._failed as error:
            raise SourceError(f"{self.path.name} is no FLAC file or is damaged") from error
        self.close = weakref.finalize(self, self._sound.close)
        self._at = 0

    def native(self, start: int, count: int) -> np.ndarray:
        """Give native numbers shape (n, channels): int16, or int32 holding 24 bits; fewer when damaged."""
        with self._lock:
            try:
                if start != self._at:
                    self._sound.seek(start)
                wide = self.bits != 16
                got: np.ndarray = self._sound.read(count, dtype="int32" if wide else "int16", always_2d=True)
            except self._failed as error:
                self._at = -1
                raise SourceError(f"{self.path.name} is damaged at sample {start}") from error
            self._at = start + len(got)
        return got >> 8 if wide else got
