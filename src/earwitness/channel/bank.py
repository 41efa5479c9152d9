"""Any number of narrow channels from one wide stream: shared forward FFT, small inverse FFT each.

Overlap-save with a zero-phase filter applied on the bins (Stockham 1966; Borgerding, "Turning
overlap-save into a multiband mixing, downsampling filter bank", IEEE SP Magazine, March 2006). A block
is transformed once however many channels want it, and not at all when none does, so that cost follows
what is on the air. A channel may start in the past: it catches up alone from what the stream still has.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np

from earwitness.core.errors import ParameterError
from earwitness.core.types import Samples
from earwitness.dsp import fft
from earwitness.dsp.filters import kaiser_beta

STOP_DB = 70.0
# One quarter of a block is overlap: the filter's length. Larger blocks cut sharper, cost cache.
_BLOCK_S = 0.014
_BLOCK_S_SLOW = 0.085  # narrow spans carry narrow signals
_MIN_BLOCK, _MAX_BLOCK = 512, 1 << 16
_CACHED_BLOCK = 1 << 14  # the largest whose transform stays in a second-level cache: 2.5 times as fast
_CACHED_UP_TO_HZ = 5e6  # above it such a block would cut with skirts of more than 4 kHz
_TOGETHER = 8  # blocks transformed and cut in one call


def block_size(rate_hz: float) -> int:
    """Give the forward FFT size for a stream: a power of two between 512 and 65536."""
    seconds = _BLOCK_S if rate_hz > 250_000 else _BLOCK_S_SLOW
    size = 1 << round(np.log2(max(1.0, rate_hz * seconds)))
    if rate_hz <= _CACHED_UP_TO_HZ:
        size = min(size, _CACHED_BLOCK)
    return int(min(_MAX_BLOCK, max(_MIN_BLOCK, size)))


@lru_cache(maxsize=64)
def _bin_gains(block: int, bins: int) -> np.ndarray:
    """Give the channel filter on `bins` bins in FFT order, float32: windowed-sinc of the overlap's length."""
    length = block // 4 - 1
    transition = (STOP_DB - 7.95) / (2.285 * length) * block / (2 * np.pi)  # in bins
    edge = bins / 2 - transition / 2 - 1  # -6 dB point: the stop band begins one bin inside the channel
    if edge < transition / 2:
        raise ParameterError(f"a channel of {bins} of {block} bins is narrower than its filter's skirts")
    n = np.arange(length) - length // 2
    taps = 2 * edge / block * np.sinc(2 * edge / block * n) * np.kaiser(length, kaiser_beta(STOP_DB))
    # response at bin m of the block, sampled directly (bins << block: no need for the whole FFT)
    padded = np.zeros(block)
    padded[n % block] = taps
    response = np.real(fft.forward(padded.astype(np.complex128)))
    half = bins // 2
    return np.concatenate([response[:half], response[block - half :]]).astype(np.float32)


def flat_width_hz(rate_hz: float, block: int, bins: int) -> float:
    """Give the width over which a channel of `bins` bins is flat."""
    transition = (STOP_DB - 7.95) / (2.285 * (block // 4 - 1)) * block / (2 * np.pi)
    return float((bins - 2 * transition - 2) * rate_hz / block)


@dataclass(slots=True)
class Channel:
    """One channel: `center_hz` lies on a bin of the shared FFT, `rate_hz` is a fraction of the stream's."""

    center_hz: float
    rate_hz: float
    bins: int
    flat_hz: float
    shift: int  # bins from the stream's centre
    next_block: int
    stop_block: int | None = None  # first block not wanted any more
    pending: list[np.ndarray] = field(default_factory=list)
    pending_start: int = 0  # index of the first pending sample at the channel's rate
    epoch_ns: int = 0

    def take(self) -> Samples | None:
        """Give all samples cut since the last call, or None."""
        if not self.pending:
            return None
        data = np.concatenate(self.pending) if len(self.pending) > 1 else self.pending[0]
        out = Samples(data, self.rate_hz, self.center_hz, self.pending_start, self.epoch_ns)
        self.pending_start += len(data)
        self.pending = []
        return out


class ChannelBank:
    """Cuts channels out of a stream that `read(start, count)` gives as complex64.

    Block b covers samples [b*hop - overlap/2, b*hop + hop + overlap/2); it yields channel output for
    [b*hop, b*hop + hop), so channel sample k sits exactly at stream sample k * stream rate / channel rate.
    """

    def __init__(
        self,
        read: Callable[[int, int], np.ndarray],
        *,
        rate_hz: float,
        center_hz: float,
        epoch_ns: int = 0,
        block: int | None = None,
    ):
        self.read = read
        self.rate_hz = rate_hz
        self.center_hz = center_hz
        self.epoch_ns = epoch_ns
        self.block = block or block_size(rate_hz)
        self.overlap = self.block // 4
        self.hop = self.block - self.overlap
        self.channels: list[Channel] = []
        self.transforms = 0  # forward FFTs done: what the band cost

    def bins_for(self, rate_hz: float) -> int:
        """Give the smallest fast inverse size that reaches `rate_hz`.

        A multiple of eight, so that the overlap's half is a whole number of channel samples too.
        """
        wanted = max(16, int(np.ceil(rate_hz * self.block / self.rate_hz - 1e-6)))
        bins = -(-wanted // 8) * 8
        while fft.good_size(bins) != bins:
            bins += 8
        return min(bins, self.block)

    def open(self, center_hz: float, *, rate_hz: float, start: int) -> Channel:
        """Open a channel from stream sample `start` on; it gets `rate_hz` or a little more."""
        bins = self.bins_for(rate_hz)
        shift = round((center_hz - self.center_hz) * self.block / self.rate_hz)
        first = max(0, start // self.hop)
        channel = Channel(
            center_hz=self.center_hz + shift * self.rate_hz / self.block,
            rate_hz=self.rate_hz * bins / self.block,
            bins=bins,
            flat_hz=flat_width_hz(self.rate_hz, self.block, bins),
            shift=shift,
            next_block=first,
            pending_start=first * self.hop * bins // self.block,
            epoch_ns=self.epoch_ns,
        )
        self.channels.append(channel)
        return channel

    def close(self, channel: Channel, stop: int | None = None) -> None:
        """Want no more of a channel, or none after stream sample `stop`."""
        if stop is None:
            self.channels.remove(channel)
        else:
            channel.stop_block = -(-stop // self.hop)

    def advance(self, stop: int) -> Iterator[Channel]:
        """Cut all whole blocks that end before stream sample `stop`; give channels that are finished."""
        limit = (stop - self.overlap // 2) // self.hop
        for channel in list(self.channels):
            if channel.stop_block is not None and channel.next_block >= channel.stop_block:
                self.channels.remove(channel)
                yield channel
        while self.channels:
            number = min(channel.next_block for channel in self.channels)
            if number >= limit:
                break
            wanting = [channel for channel in self.channels if channel.next_block == number]
            ends = [channel.next_block for channel in self.channels if channel.next_block > number]
            ends += [channel.stop_block for channel in wanting if channel.stop_block is not None]
            count = max(1, min(limit, number + _TOGETHER, *ends) - number)
            spectra = self._transform(number, count)
            for channel in wanting:
                self._cut(channel, spectra, number)
                if channel.stop_block is not None and channel.next_block >= channel.stop_block:
                    self.channels.remove(channel)
                    yield channel

    def flush(self, count: int) -> Iterator[Channel]:
        """Cut the last blocks of a stream of `count` samples, zeros taken beyond its end."""
        yield from self.advance(count + self.block)
        for channel in list(self.channels):
            self.channels.remove(channel)
            yield channel

    def _transform(self, number: int, count: int) -> np.ndarray:
        """Give the spectra of consecutive blocks, complex64 (count, block)."""
        begin = number * self.hop - self.overlap // 2
        size = count * self.hop + self.overlap
        skip = max(0, -begin)
        data = self.read(begin + skip, size - skip)
        if len(data) < size:
            padded = np.zeros(size, np.complex64)
            padded[skip : skip + len(data)] = data
            data = padded
        self.transforms += count
        step = data.strides[0]
        blocks = np.lib.stride_tricks.as_strided(
            data, (count, self.block), (self.hop * step, step), writeable=False
        )
        return fft.forward(blocks)

    def _cut(self, channel: Channel, spectra: np.ndarray, number: int) -> None:
        count = len(spectra)
        bins, half = channel.bins, channel.bins // 2
        picked = np.empty((count, bins), np.complex64)
        at = channel.shift
        _take_circular(spectra, at, picked[:, :half])
        _take_circular(spectra, at - half, picked[:, half:])
        picked *= _bin_gains(self.block, bins)
        # each block starts hop samples after the last one: keep the mixer's phase continuous
        begin = (number + np.arange(count)) * self.hop - self.overlap // 2
        turns = (at * begin) % self.block / self.block
        picked *= (bins / self.block * np.exp(-2j * np.pi * turns)).astype(np.complex64)[:, None]
        cut = fft.inverse(picked, overwrite=True)
        edge = bins // 8
        channel.pending.append(cut[:, edge : edge + bins * 3 // 4].reshape(-1))
        channel.next_block = number + count


def _take_circular(source: np.ndarray, begin: int, out: np.ndarray) -> None:
    """Copy columns of `source` from `begin` on into `out`, indices taken modulo their number."""
    n, wanted = source.shape[1], out.shape[1]
    begin %= n
    first = min(wanted, n - begin)
    out[:, :first] = source[:, begin : begin + first]
    if first < wanted:
        out[:, first:] = source[:, : wanted - first]


class StreamCut:
    """One channel cut from another channel's samples: the same filter bank on a stream that is fed."""

    def __init__(self, *, center_hz: float, rate_hz: float):
        self.wanted_center_hz = center_hz
        self.wanted_rate_hz = rate_hz
        self._bank: ChannelBank | None = None
        self._channel: Channel | None = None
        self._held = np.empty(0, np.complex64)
        self._held_start = 0
        self._noise: float | None = None

    def feed(self, samples: Samples) -> Samples | None:
        """Take the next samples of the wider channel; give what is complete of the narrower one."""
        if self._bank is None:
            self._held_start = samples.start
            self._bank = ChannelBank(
                self._read,
                rate_hz=samples.rate_hz,
                center_hz=samples.center_hz,
                epoch_ns=samples.epoch_ns,
                block=_cut_block(samples.rate_hz, self.wanted_rate_hz),
            )
            self._channel = self._bank.open(
                self.wanted_center_hz, rate_hz=self.wanted_rate_hz, start=samples.start
            )
        self._noise = samples.noise_dbfs_hz
        self._held = np.concatenate([self._held, samples.data])
        for _ in self._bank.advance(self._held_start + len(self._held)):
            pass
        return self._release()

    def close(self) -> Samples | None:
        """Give the last samples."""
        if self._bank is None:
            return None
        for _ in self._bank.flush(self._held_start + len(self._held)):
            pass
        return self._release()

    def _read(self, start: int, count: int) -> np.ndarray:
        begin = start - self._held_start
        if begin < 0:  # before the channel began: silence
            head = np.zeros(min(count, -begin), np.complex64)
            return np.concatenate([head, self._held[: max(0, count + begin)]])
        return self._held[begin : begin + count]

    def _release(self) -> Samples | None:
        if self._bank is None or self._channel is None:
            return None
        keep = self._channel.next_block * self._bank.hop - self._bank.overlap
        drop = min(len(self._held), keep - self._held_start)
        if drop > 0:
            self._held = self._held[drop:]
            self._held_start += drop
        out = self._channel.take()
        if out is None:
            return None
        return Samples(out.data, out.rate_hz, out.center_hz, out.start, out.epoch_ns, self._noise)


def _cut_block(rate_hz: float, wanted_hz: float) -> int:
    """Give a block so that the cut's skirts are about a tenth of the wanted rate."""
    size = 1 << int(np.ceil(np.log2(60 * rate_hz / wanted_hz)))
    return int(min(_MAX_BLOCK, max(_MIN_BLOCK, size)))
