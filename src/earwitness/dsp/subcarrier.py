"""Pictures sent as a tone whose frequency is the brightness: from a channel to that frequency over time.

The tone lies near 1900 Hz of the audio an SSB or FM receiver gives, so three ways lead to the same place:
`Subcarrier` brings an SSB channel's I/Q, demodulated audio, or an FM channel's I/Q (discriminated first) to
complex samples at 8 kHz with 1900 Hz at zero, and `FrequencyTrack` gives the frequency from sample to sample.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from earwitness.dsp.aligned import AlignedFir, FixedBlocks, Resampler
from earwitness.dsp.discriminate import angle_of, phase_steps
from earwitness.dsp.filters import lowpass
from earwitness.dsp.jit import kernel

TRACK_HZ = 8000.0
MIDDLE_HZ = 1900.0  # 1500 black, 2300 white: WMO-No. 386 and common practice of slow-scan pictures
REACH_HZ = 1_950.0
SOUND_HZ = 3_800.0  # of the sound, before its middle is brought to zero
STEADY = 1.15  # fourth moment over the squared second: 1 a clean constant envelope, 2 noise
STEADY_PART = 512  # samples in which it is to be so
SWING = 8  # samples over which a frequency is taken: noise has no say in it
OFTEN = 0.005  # of the time; voice on FM is beyond for 0.02 and more of it, a picture never
LIMIT = 1e4  # nothing full scale 1.0 gives
TURN = np.exp(-2j * np.pi * (MIDDLE_HZ / TRACK_HZ * np.arange(80) % 1.0)).astype(np.complex64)  # comes round


class Subcarrier:
    """Gives complex64 blocks of one second at 8 kHz; sample i of the first stands for i / 8000 s after the start.

    `from_audio`: the input is float32 audio; `from_fm`: it is an FM channel's I/Q, to be discriminated.
    Sound has a mirror image, which lies beyond 1900 Hz on one side here; with `raw` it is left to the reader's filter.
    """

    def __init__(self, rate_hz: float, *, from_audio: bool = False, from_fm: bool = False, raw: bool = False):
        self._rate_hz = rate_hz
        self._fm = from_fm
        self._sound = from_audio or from_fm
        self._last = 1 + 0j
        self._at = 0
        self._raw = FixedBlocks(max(round(rate_hz), 1))
        self._out = FixedBlocks(round(TRACK_HZ))
        cutoff_hz = SOUND_HZ if self._sound else REACH_HZ
        self._part = Resampler(
            rate_hz,
            TRACK_HZ,
            cutoff_hz=cutoff_hz,
            width_hz=700.0,
            dtype=np.float32 if self._sound else np.complex64,
        )
        self._band: AlignedFir | None = None
        if self._sound and not raw:
            self._band = AlignedFir(lowpass(REACH_HZ, 700.0, TRACK_HZ, stop_db=50.0))

    def feed(self, data: np.ndarray) -> Iterator[np.ndarray]:
        """Take the next samples (n,), complex64 or float32."""
        for block in self._raw.feed(data):
            yield from self._take(_tame(block))

    def close(self) -> Iterator[np.ndarray]:
        """Give what is left; the last block may be shorter."""
        return self._end(self._raw.rest())

    def _end(self, rest: np.ndarray) -> Iterator[np.ndarray]:
        tail = np.zeros(self._part.half + 2, rest.dtype)
        yield from self._take(_tame(np.concatenate([rest, tail])))
        if self._band is not None:
            yield from self._out.feed(self._band.feed(np.zeros(self._band.half, np.complex64)))
        left = self._out.rest()
        if len(left):
            yield left.astype(np.complex64)

    def _take(self, block: np.ndarray, steps: np.ndarray | None = None) -> Iterator[np.ndarray]:
        """Take a block; `steps` from sample to sample of its phase may be known."""
        if not self._sound:
            if steps is None:
                steps = phase_steps(block, block[0]) if len(block) else np.empty(0, np.float32)
            yield from self._out.feed(
                self._part.feed(block, silent=_swings_wide(block, steps, self._rate_hz))
            )
            return
        if self._fm:
            if steps is None:
                steps = phase_steps(block, np.complex64(self._last))
            self._last = complex(block[-1]) if len(block) else self._last
            block = steps * np.float32(1e-4 * self._rate_hz / (2 * np.pi))
        sound = self._part.feed(block)
        first = self._at % len(TURN)
        turns = np.tile(TURN, len(sound) // len(TURN) + 2)[first : first + len(sound)]
        self._at += len(sound)
        mixed = sound * turns
        yield from self._out.feed(mixed if self._band is None else self._band.feed(mixed))


class ChannelSubcarriers:
    """Both ways in which a channel's I/Q may hold such a tone, `ssb` and `fm`: what they share is done once.

    That of FM still has the mirror image of its sound, beyond 1900 Hz.
    """

    WAYS = ("ssb", "fm")

    def __init__(self, rate_hz: float) -> None:
        self._raw = FixedBlocks(max(round(rate_hz), 1))
        self._last = np.complex64(1)
        self._ways = Subcarrier(rate_hz), Subcarrier(rate_hz, from_fm=True, raw=True)

    def feed(self, data: np.ndarray) -> Iterator[tuple[str, np.ndarray]]:
        """Take the next samples, complex64 (n,); give the way with each block."""
        for raw in self._raw.feed(data):
            block = _tame(raw)
            steps = phase_steps(block, self._last)
            self._last = block[-1]
            for name, way in zip(self.WAYS, self._ways, strict=True):
                for out in way._take(block, steps):
                    yield name, out

    def close(self) -> Iterator[tuple[str, np.ndarray]]:
        """Give what is left; the last blocks may be shorter."""
        rest = self._raw.rest()
        for name, way in zip(self.WAYS, self._ways, strict=True):
            for out in way._end(rest):
                yield name, out


def _swings_wide(block: np.ndarray, steps: np.ndarray, rate_hz: float) -> bool:
    """Tell whether all parts of a block have a constant envelope, and its frequency is often beyond any tone looked for.

    `steps` are those of its phase. Then it is an FM transmission, strong enough for nothing else to be heard.
    """
    if len(block) < SWING:
        return False
    return bool(_often_beyond(block, steps, 2 * np.pi * SWING * REACH_HZ / rate_hz))


@kernel("boolean(complex64[::1], float32[::1], float64)", fastmath=True)
def _often_beyond(iq: np.ndarray, steps: np.ndarray, limit: float) -> bool:
    for at in range(0, len(iq), STEADY_PART):
        second = np.float32(0)
        fourth = np.float32(0)
        part = iq[at : at + STEADY_PART]
        for n in range(len(part)):
            power = part[n].real * part[n].real + part[n].imag * part[n].imag
            second += power
            fourth += power * power
        if not fourth * len(part) < STEADY * second * second:
            return False
    beyond = np.float32(0)  # counted in floats, with no sum that runs on: so the compiler uses whole vectors
    for n in range(len(steps) - SWING + 1):
        turned = np.float32(0)
        for k in range(SWING):
            turned += steps[n + k]
        beyond += np.float32(1) if abs(turned) > np.float32(limit) else np.float32(0)
    return bool(beyond > OFTEN * len(steps))


@kernel("boolean(float32[::1])", fastmath={"reassoc", "nsz"})
def _bounded(values: np.ndarray) -> bool:
    """Tell whether all values are numbers well below LIMIT."""
    wild = 0
    for i in range(len(values)):
        wild += 0 if abs(values[i]) < np.float32(LIMIT / 2) else 1
    return wild == 0


def _tame(block: np.ndarray) -> np.ndarray:
    """Give a block as float32 or complex64, with what is no number or beyond all bounds as silence."""
    block = np.ascontiguousarray(block, np.complex64 if np.iscomplexobj(block) else np.float32)
    if _bounded(block.view(np.float32)):
        return block
    block = np.nan_to_num(block, nan=0.0, posinf=0.0, neginf=0.0)
    return np.where(np.abs(block) < LIMIT, block, 0).astype(block.dtype)


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
        if not joined[-1] and not joined.any():
            return np.zeros(max(len(joined) - 3, 0), np.float32)
        return np.asarray(_tracked(joined, self._scale))


@kernel("float32[::1](complex64[::1], float32)", fastmath=True)
def _tracked(z: np.ndarray, scale: float) -> np.ndarray:
    """Give the angle of the step from sample to sample, over three of them, times `scale`: (n - 3,).

    The arctangent is the polynomial of `dsp.discriminate`.
    """
    count = len(z) - 3
    out = np.empty(max(count, 0), np.float32)
    for i in range(count):
        x = np.float32(0)
        y = np.float32(0)
        for k in range(3):
            a = z[i + k + 1]
            b = z[i + k]
            weight = np.float32(2) if k == 1 else np.float32(1)
            x += weight * (a.real * b.real + a.imag * b.imag)
            y += weight * (a.imag * b.real - a.real * b.imag)
        out[i] = angle_of(y, x) * scale
    return out


def unsteadiness(iq: np.ndarray, frame: int = 160) -> float:
    """Give the median over frames of E|z|^4 / (E|z|^2)^2: 1 for a steady envelope, 2 for noise, more for speech.

    Over short frames, so that fading is not taken for noise. 2.0 for silence.
    """
    return float(_peakedness(np.ascontiguousarray(iq, np.complex64), frame))


@kernel("float64(complex64[::1], int64)", fastmath={"reassoc", "nsz"})
def _peakedness(iq: np.ndarray, frame: int) -> float:
    count = len(iq) // frame
    alive = 0
    out = np.empty(count)
    for i in range(count):
        second = 0.0
        fourth = 0.0
        for k in range(i * frame, (i + 1) * frame):
            power = np.float64(iq[k].real) ** 2 + np.float64(iq[k].imag) ** 2
            second += power
            fourth += power * power
        if second > 0:
            out[alive] = fourth * frame / (second * second)
            alive += 1
    return np.median(out[:alive]) if count and 2 * alive >= count else 2.0
