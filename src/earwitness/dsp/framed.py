"""A channel receiver that works in fixed blocks: the part of a voice demodulator that knows no modulation."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

from earwitness.core.errors import ParameterError
from earwitness.core.mode import Mode
from earwitness.core.types import Samples
from earwitness.dsp.aligned import AlignedFir, FixedBlocks
from earwitness.dsp.jit import kernel


class FramedReceiver:
    """Re-blocks, channel-filters and flushes a channel; a mode's demodulator fills in the rest.

    `begin(rate_hz)` is called once and gives the channel filter's taps; `block(iq)` gets complex64 blocks
    of `block_frames` frames of `frame` samples, sample i of the first one being sample i of the channel;
    `finish()` is called at the end, after `flush_blocks` blocks of zeros.
    """

    frame_s = 0.01
    block_frames = 25
    flush_blocks = 1

    def __init__(self, mode: Mode):
        self.mode = mode
        self.clock: Samples | None = None

    def begin(self, rate_hz: float) -> np.ndarray:
        """Set up for a rate; give the channel filter's taps."""
        raise NotImplementedError

    def block(self, iq: np.ndarray) -> list[Any]:
        """Take the next block of filtered samples."""
        raise NotImplementedError

    def finish(self) -> list[Any]:
        """Give what is still held."""
        raise NotImplementedError

    def time_ns(self, sample: float) -> int:
        """Give the time of a channel sample counted from the first one fed."""
        if self.clock is None:
            raise ParameterError("a receiver that was fed nothing has no time")
        return self.clock.time_ns(sample)

    def feed(self, samples: Samples) -> Iterable[Any]:
        """Take the next samples."""
        if self.clock is None:
            self.clock = samples.clock()
            self.rate_hz = samples.rate_hz
            self.frame = round(samples.rate_hz * self.frame_s)
            self._size = self.frame * self.block_frames
            self._raw = FixedBlocks(self._size)
            self._filter = AlignedFir(self.begin(samples.rate_hz))
            self._filtered = FixedBlocks(self._size)
            self.count = 0
        self.count += len(samples.data)
        out: list[Any] = []
        for block in self._raw.feed(samples.data):
            out += self._take(self._filter.feed(finite(block)))
        return out

    def close(self) -> Iterable[Any]:
        """Say that no more samples come."""
        if self.clock is None:
            return []
        tail = np.concatenate([finite(self._raw.rest()), np.zeros(self._filter.half, np.complex64)])
        out = self._take(self._filter.feed(tail.astype(np.complex64)))
        left = self._filtered.rest()
        if len(left):
            out += self.block(np.pad(left, (0, self._size - len(left))).astype(np.complex64))
        for _ in range(self.flush_blocks):
            out += self.block(np.zeros(self._size, np.complex64))
        out += self.finish()
        self.clock = None
        return out

    def _take(self, filtered: np.ndarray) -> list[Any]:
        return [item for block in self._filtered.feed(filtered) for item in self.block(block)]


@kernel("boolean(float32[::1])", fastmath={"reassoc", "nsz"})
def _tame(values: np.ndarray) -> bool:
    """Tell whether all values are numbers below 7e8."""
    wild = 0
    for i in range(len(values)):
        wild += 0 if abs(values[i]) < np.float32(7e8) else 1
    return wild == 0


def finite(iq: np.ndarray) -> np.ndarray:
    """Give samples (n,) as complex64 with NaN and infinity as silence, and nothing that overflows when squared."""
    iq = np.ascontiguousarray(iq, np.complex64)
    if _tame(iq.view(np.float32)):
        return iq
    good = np.isfinite(iq)
    if not good.all():
        iq = np.where(good, iq, 0)
    return np.where(np.abs(iq) < 1e9, iq, 0).astype(np.complex64)
