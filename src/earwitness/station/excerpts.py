"""Samples of a stretch read a second time, around what was found in them: the evidence of its messages."""

from __future__ import annotations

from dataclasses import replace
from typing import Protocol

import numpy as np

from earwitness.channel.bank import ChannelBank
from earwitness.core.types import Frame, Samples

BLOCK = 1 << 16  # samples
MOST_SAMPLES = 1 << 20
PULSE_MARGIN_S = 150e-6  # kept around a pulse frame: who spoke into it may have begun 120 µs earlier
MARGIN_S = 0.01
LEAD, LONGEST_LEAD_S = 0.5, 4.0  # of a frame's length, before it: what it is found by belongs to the evidence
LONGEST_S = 30.0


class Stream(Protocol):
    """What a survey needs of a stretch of samples."""

    rate_hz: float
    center_hz: float
    epoch_ns: int
    kind: str

    @property
    def count(self) -> int:
        """Samples there are."""

    def read(self, start: int, count: int) -> np.ndarray:
        """Give complex64 samples (float32 for audio); fewer at the end."""


def time_ns(stream: Stream, index: float) -> int:
    """Give when a sample of a stream was taken."""
    return stream.epoch_ns + round(index * 1e9 / stream.rate_hz)


class Excerpts:
    """Cuts excerpts out of a stream."""

    def __init__(self, stream: Stream):
        self._stream = stream
        self._asked = self._block = -1  # the block last read from, the one that is kept
        self._kept = np.zeros(0, np.complex64)

    def around(self, frame: Frame, margin_s: float = PULSE_MARGIN_S) -> Samples | None:
        """Give the stream's own samples around a frame."""
        stream = self._stream
        begin = max(0, self._index(frame.time_ns, -margin_s)) // 2 * 2  # see `audio.audio_of`
        end = self._index(frame.stop_ns, margin_s)
        data = self._read(begin, min(end - begin, MOST_SAMPLES))
        return Samples(data, stream.rate_hz, stream.center_hz, begin, stream.epoch_ns) if len(data) else None

    def span(self, frame: Frame) -> tuple[int, int]:
        """Give the stream's samples [begin, end) that are the evidence of a frame of a channel."""
        length_s = (frame.stop_ns - frame.time_ns) / 1e9
        begin = max(0, self._index(frame.time_ns, -min(max(MARGIN_S, LEAD * length_s), LONGEST_LEAD_S)))
        return begin, self._index(min(frame.stop_ns, frame.time_ns + round(LONGEST_S * 1e9)), MARGIN_S)

    def of_channel(self, center_hz: float, rate_hz: float, frame: Frame) -> Samples | None:
        """Give a channel's samples around a frame."""
        stream = self._stream
        begin, end = self.span(frame)
        bank = ChannelBank(
            stream.read, rate_hz=stream.rate_hz, center_hz=stream.center_hz, epoch_ns=stream.epoch_ns
        )
        channel = bank.open(center_hz, rate_hz=rate_hz, start=begin)
        list(bank.advance(min(stream.count, max(end, begin + bank.block)) + bank.block))
        samples = channel.take()
        if samples is None:
            return None
        ratio = samples.rate_hz / stream.rate_hz
        skip = max(0, int(begin * ratio) - samples.start)
        data = samples.data[skip : max(skip + 1, int(end * ratio) - samples.start)]
        return replace(samples, data=data, start=samples.start + skip)

    def _index(self, time_ns: int, more_s: float) -> int:
        return int(((time_ns - self._stream.epoch_ns) / 1e9 + more_s) * self._stream.rate_hz)

    def _read(self, begin: int, count: int) -> np.ndarray:
        """Give samples of the stream; where several short reads fall into one block, that is read once."""
        block, last = begin // BLOCK, (begin + count - 1) // BLOCK
        if block != last:
            return self._stream.read(begin, count)
        if block != self._block:
            if block != self._asked:
                self._asked = block
                return self._stream.read(begin, count)
            self._block, self._kept = block, self._stream.read(block * BLOCK, BLOCK)
        at = begin - block * BLOCK
        return self._kept[at : at + count].copy()
