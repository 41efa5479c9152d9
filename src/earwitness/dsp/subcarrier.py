"""Pictures sent as a tone whose frequency is the brightness: from a channel to that frequency over time.

The tone lies near 1900 Hz of the audio an SSB or FM receiver gives, so three ways lead to the same place:
`Subcarrier` brings an SSB channel's I/Q, demodulated audio, or an FM channel's I/Q (discriminated first) to
complex samples at 8 kHz with 1900 Hz at zero, and `FrequencyTrack` gives the frequency from sample to sample.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from earwitness.dsp.discriminate import discriminate
from earwitness.dsp.voice import FixedBlocks, Resampler

TRACK_HZ = 8000.0
MIDDLE_HZ = 1900.0  # 1500 black, 2300 white: WMO-No. 386 and common practice of slow-scan pictures
REACH_HZ = 1_950.0
LIMIT = 1e4  # nothing full scale 1.0 gives


class Subcarrier:
    """Gives complex64 blocks of one second at 8 kHz; sample i of the first stands for i / 8000 s after the start.

    `from_audio`: the input is float32 audio; `from_fm`: it is an FM channel's I/Q, to be discriminated.
    """

    def __init__(self, rate_hz: float, *, from_audio: bool = False, from_fm: bool = False):
        self._rate_hz = rate_hz
        self._fm = from_fm
        self._mix = from_audio or from_fm
        self._real = from_audio
        self._last = 1 + 0j
        self._at = 0
        self._raw = FixedBlocks(max(round(rate_hz / 4), 1))
        self._out = FixedBlocks(round(TRACK_HZ))
        self._parts = [Resampler(rate_hz, TRACK_HZ, cutoff_hz=REACH_HZ, width_hz=700.0) for _ in range(2)]

    def feed(self, data: np.ndarray) -> Iterator[np.ndarray]:
        """Take the next samples (n,), complex64 or float32."""
        for block in self._raw.feed(data):
            yield from self._out.feed(self._convert(block))

    def close(self) -> Iterator[np.ndarray]:
        """Give what is left; the last block may be shorter."""
        rest = self._raw.rest()
        tail = np.zeros(self._parts[0].half + 2, rest.dtype)
        yield from self._out.feed(self._convert(np.concatenate([rest, tail])))
        left = self._out.rest()
        if len(left):
            yield left.astype(np.complex64)

    def _convert(self, block: np.ndarray) -> np.ndarray:
        block = np.nan_to_num(block, nan=0.0, posinf=0.0, neginf=0.0)
        block = np.where(np.abs(block) < LIMIT, block, 0)
        if self._fm:
            iq = block.astype(np.complex64)
            last, self._last = self._last, complex(iq[-1]) if len(iq) else self._last
            block = discriminate(iq, rate_hz=self._rate_hz, before=last) * np.float32(1e-4)
        if self._mix:
            turn = MIDDLE_HZ / self._rate_hz * np.arange(self._at, self._at + len(block)) % 1.0
            block = block * np.exp(-2j * np.pi * turn)
        self._at += len(block)
        block = block.astype(np.complex64)
        real, imag = (
            part.feed(np.ascontiguousarray(side, np.float32))
            for part, side in zip(self._parts, (block.real, block.imag), strict=True)
        )
        return (real + 1j * imag).astype(np.complex64)


class FrequencyTrack:
    """Gives the frequency of a stream in Hz; value i is that between samples i and i + 1.

    The phase step is taken over three samples, each with its power as weight, so that where noise wins for a
    moment it counts little. It lags by two samples: feed two more at the end.
    """

    def __init__(self, rate_hz: float = TRACK_HZ):
        self._scale = np.float32(rate_hz / (2 * np.pi))
        self._held = np.zeros(1, np.complex64)  # the sample before the first

    def feed(self, iq: np.ndarray) -> np.ndarray:
        """Take complex64 (n,); give float32."""
        joined = np.concatenate([self._held, iq])
        self._held = joined[-3:]
        steps = joined[1:] * np.conj(joined[:-1])
        smooth = steps[:-2] + 2 * steps[1:-1] + steps[2:]
        return (np.angle(smooth) * self._scale).astype(np.float32)


def unsteadiness(iq: np.ndarray, frame: int = 160) -> float:
    """Give the median over frames of E|z|^4 / (E|z|^2)^2: 1 for a steady envelope, 2 for noise, more for speech.

    Over short frames, so that fading is not taken for noise. 2.0 for silence.
    """
    count = len(iq) // frame
    if not count:
        return 2.0
    power = (iq.real**2 + iq.imag**2).astype(np.float64)[: count * frame].reshape(count, frame)
    mean = power.mean(axis=1)
    alive = mean > 0
    if alive.sum() < count / 2:
        return 2.0
    return float(np.median((power[alive] ** 2).mean(axis=1) / mean[alive] ** 2))
