"""One kind of keying each: what its symbols are cut from, the line of their clock, and the hunt for frames in them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from earwitness.dsp.aligned import Resampler
from earwitness.dsp.jit import kernel
from earwitness.dsp.symbols.clock import Clock
from earwitness.dsp.symbols.reversals import Upright
from earwitness.dsp.symbols.slicer import Slicer
from earwitness.dsp.symbols.strength import OS
from earwitness.modes.ax25.hunt import FrameHunter, Hit

TONE_HZ = (1200.0, 2200.0)
TONE_OS = 8
LOUDER = 2.2  # spread of discriminator noise over a burst's own from which it is told apart


class _Symbols:
    """What all streams share once there are symbols: hunting with and without the scrambler."""

    offsets: tuple[int, ...] = (0, -4, -2, 2, 4)
    louder = LOUDER
    delay = 0.0  # of the lanes, in their samples

    def __init__(self, baud: float, channel_hz: float, lanes: int, *, gated: bool = False):
        self._scale = channel_hz / (OS * baud)  # samples of the channel per sample of the stream
        self._clock = Clock(lanes, self.offsets, gated=gated)
        self._slicer = Slicer(lanes * len(self.offsets), louder=self.louder)
        self._hunters: list[FrameHunter] = []  # none before there is something to hunt in
        self._begun = False  # there were symbols

    def lanes(self, x: np.ndarray) -> np.ndarray:
        """Give the lanes of the next samples, float32 (lanes, n) at OS a symbol."""
        raise NotImplementedError

    def look(self, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Give samples around symbols, (width, n), and the first look at them, from those of each lane."""
        raise NotImplementedError

    def feed(self, x: np.ndarray, *, last: bool = False) -> list[tuple[bool, Hit]]:
        """Take the next samples; after the `last` nothing is held back."""
        places, samples = self._clock.feed(self.lanes(x), last=last)
        self._begun = self._begun or len(places) > 0
        return self._read(places, samples, last) if len(places) or (last and self._begun) else []

    def _read(self, places: np.ndarray, x: np.ndarray, last: bool) -> list[tuple[bool, Hit]]:
        return self._hunt(places, *self.look(x), last)

    def _hunt(
        self, places: np.ndarray, x: np.ndarray, first: np.ndarray, last: bool
    ) -> list[tuple[bool, Hit]]:
        places, soft, _ = self._slicer.feed(places, x, first, last=last)
        if not len(soft):
            return []
        if not self._hunters:
            self._hunters = [FrameHunter(scrambled=False), FrameHunter(scrambled=True)]
        at = (places - self.delay) * self._scale
        return [(hunter.scrambled, hit) for hunter in self._hunters for hit in hunter.feed(soft, at)]


class Direct(_Symbols):
    """Two-level direct FSK: the discriminator's output is the line itself."""

    offsets = (0, -8, -6, -4, -2, 2, 4, 6, 8)

    def __init__(self, baud: float, channel_hz: float, rate_hz: float):
        super().__init__(baud, channel_hz, 1)
        self._resampler = Resampler(rate_hz, OS * baud, cutoff_hz=0.6 * baud, width_hz=0.4 * baud)

    def lanes(self, x: np.ndarray) -> np.ndarray:
        """Give the lanes of the next samples."""
        return self._resampler.feed(x)[None, :]

    def look(self, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Give samples around symbols, and the first look at them."""
        return x[0], x[0, 0]


@kernel("void(float32[::1], complex64[:,::1], int64, float32[:,::1])", fastmath=True)
def _tones(x: np.ndarray, taps: np.ndarray, step: int, out: np.ndarray) -> None:
    """Give the size of x's correlation with each row of taps, every `step` samples."""
    for f in range(len(taps)):
        for m in range(out.shape[1]):
            re = np.float32(0)
            im = np.float32(0)
            for i in range(taps.shape[1]):
                re += taps[f, i].real * x[m * step + i]
                im += taps[f, i].imag * x[m * step + i]
            out[f, m] = np.sqrt(re * re + im * im)


class Tones(_Symbols):
    """Two audio tones: the sizes of their correlations over a symbol are the two lanes."""

    def __init__(self, baud: float, channel_hz: float, rate_hz: float):
        super().__init__(baud, channel_hz, 2)
        rate = TONE_OS * baud
        self._resampler = Resampler(rate_hz, rate, cutoff_hz=3200.0, width_hz=1000.0)
        turns = 2j * np.pi * np.array(TONE_HZ)[:, None] / rate * np.arange(TONE_OS)[None, :]
        self._taps = (np.exp(-turns) / TONE_OS).astype(np.complex64)
        self._held = np.zeros(TONE_OS // 2, np.float32)
        self._step = TONE_OS // OS
        self.delay = 0.5 / self._step

    def lanes(self, x: np.ndarray) -> np.ndarray:
        """Give the lanes of the next samples."""
        self._held = np.concatenate([self._held, self._resampler.feed(x)])
        count = max((len(self._held) - TONE_OS) // self._step + 1, 0)
        lanes = np.empty((2, count), np.float32)
        _tones(self._held, self._taps, self._step, lanes)
        self._held = self._held[count * self._step :].copy()
        return lanes

    def look(self, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Give samples around symbols, and the first look at them."""
        return x.reshape(2 * len(self.offsets), x.shape[2]), x[0, 0] - x[1, 0]


class Reversals(_Symbols):
    """Symbols of phase reversals whose carrier is taken out."""

    louder = np.inf

    def __init__(self, baud: float, channel_hz: float, rate_hz: float):
        super().__init__(baud, channel_hz, 2, gated=True)
        low = 0.6 * baud
        self._low = Resampler(rate_hz, OS * baud, cutoff_hz=low, width_hz=0.4 * baud, dtype=np.complex64)
        self._upright = Upright(16, 0)

    def lanes(self, x: np.ndarray) -> np.ndarray:
        """Give the lanes of the next samples."""
        low = self._low.feed(x)
        return np.stack([low.real, low.imag])

    def _read(self, places: np.ndarray, x: np.ndarray, last: bool) -> list[tuple[bool, Hit]]:
        places, turned = self._upright.feed(places, x[0] + 1j * x[1], last=last)
        if not len(places) and not last:
            return []
        both = np.concatenate([turned.real, turned.imag])
        return self._hunt(places, both, np.ascontiguousarray(turned.real[0]), last)


def moved(hit: Hit, samples: float) -> Hit:
    """Give a hit whose places are counted from `samples` earlier."""
    return replace(hit, start=hit.start + samples, stop=hit.stop + samples)
