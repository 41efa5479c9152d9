"""Any number of narrow channels from one wide stream: shared forward FFT, small inverse FFT each.

Overlap-save with a zero-phase filter applied on the bins (Stockham 1966; Borgerding, "Turning
overlap-save into a multiband mixing, downsampling filter bank", IEEE SP Magazine, March 2006). A block
is transformed once however many channels want it, and not at all when none does, so that cost follows
what is on the air. A channel may start in the past: it catches up alone from what the stream still has.

Blocks stay so small that their transform fits the cache. Where that leaves skirts too wide for a narrow channel
(streams of more than about 5 MS/s), it is cut with room around it, and then again from what was cut.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import accumulate, groupby

import numpy as np

from earwitness.core.errors import ParameterError
from earwitness.core.types import Samples
from earwitness.dsp import fft
from earwitness.dsp.fft_columns import first_half, half_way, second_half, split
from earwitness.dsp.filters import kaiser_beta
from earwitness.dsp.jit import kernel
from earwitness.dsp.lanes import LANES

STOP_DB = 70.0
# One quarter of a block is overlap: the filter's length. Larger blocks cut sharper, cost cache.
_BLOCK_S = 0.014
_BLOCK_S_SLOW = 0.085  # narrow spans carry narrow signals
_MIN_BLOCK = 512
_MAX_BLOCK = (
    1 << 14
)  # the largest whose transform stays in a second-level cache: 2.5 times as fast as the next
_SKIRT_HZ = 4_000.0  # a narrow channel with wider skirts than this is cut in two steps
_LEAST_BINS, _LEAST_HZ = 64, 8_000.0  # the narrowest channel, cut in one step and in two
_NARROW = 25  # a channel is narrow up to so many skirts
_TOGETHER, _LITTLE = 16, 1 << 17  # blocks transformed and cut in one call; samples, of small blocks


def block_size(rate_hz: float) -> int:
    """Give the forward FFT size for a stream: a power of two between 512 and 16384."""
    seconds = _BLOCK_S if rate_hz > 250_000 else _BLOCK_S_SLOW
    size = 1 << round(np.log2(max(1.0, rate_hz * seconds)))
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


def skirt_hz(rate_hz: float, block: int) -> float:
    """Give the width of a channel's skirt, from flat to STOP_DB down."""
    return float((STOP_DB - 7.95) / (2.285 * (block // 4 - 1)) * rate_hz / (2 * np.pi))


def flat_width_hz(rate_hz: float, block: int, bins: int) -> float:
    """Give the width over which a channel of `bins` bins is flat."""
    return float((bins - 2) * rate_hz / block - 2 * skirt_hz(rate_hz, block))


@lru_cache(maxsize=64)
def _gain_table(block: int, widths: tuple[int, ...]) -> np.ndarray:
    """Give the filters of some widths one after the other."""
    return np.concatenate([_bin_gains(block, bins) for bins in widths])


@lru_cache(maxsize=16)
def _tables(block: int) -> tuple[int, int, np.ndarray, np.ndarray]:
    """Give the lengths of the two halves of a block's transform and the twiddles between them."""
    first, second = split(block)
    return first, second, *half_way(first, second)


@kernel("void(float32[::1], float32[::1], float32[::1], float32, float32, complex64[::1])", fastmath=True)
def _turned(re: np.ndarray, im: np.ndarray, gain: np.ndarray, p: float, q: float, out: np.ndarray) -> None:
    """Write bins re + i im times p + iq and their gains."""
    pairs = out.view(np.float32)
    for k in range(len(out)):
        a, b, g = re[k], im[k], gain[k]
        pairs[2 * k] = (a * p - b * q) * g
        pairs[2 * k + 1] = (a * q + b * p) * g


@kernel(
    "void(float32[::1], int64, int64, int64, int64, int64, float32[::1], float32[::1], int64[:,::1], float32[::1], complex64[::1])"
)
def _cut(
    x: np.ndarray,
    count: int,
    hop: int,
    start: int,
    first: int,
    second: int,
    cosines: np.ndarray,
    sines: np.ndarray,
    wanted: np.ndarray,
    gains: np.ndarray,
    out: np.ndarray,
) -> None:
    """Transform `count` blocks of pairs and pick each channel's bins, in FFT order, times its filter.

    A channel is a row of `wanted`: its shift, its bins, where its filter begins in `gains`, and where its first
    block goes in `out`. A block begins `hop` samples after the one before, the first at sample `start` of the
    stream: each is turned so that the mixer's phase goes on from one to the next.
    """
    size = first * second
    re, im = np.empty(size, np.float32), np.empty(size, np.float32)
    tr, ti = np.empty(size, np.float32), np.empty(size, np.float32)
    unwindowed = np.empty(0, np.float32)
    room, more = np.empty((4, first * LANES), np.float32), np.empty((2, second * LANES), np.float32)
    for b in range(count):
        first_half(first, second, x, np.uint64(2 * b * hop), unwindowed, cosines, sines, room, tr, ti)
        second_half(first, second, tr, ti, re, im, more)
        for c in range(len(wanted)):
            shift, bins = wanted[c, 0], wanted[c, 1]
            gain = gains[wanted[c, 2] : wanted[c, 2] + bins]
            to = wanted[c, 3] + b * bins
            picked = out[to : to + bins]
            angle = -2 * np.pi * (shift * (start + b * hop) % size) / size
            p = np.float32(np.cos(angle) * bins / size)
            q = np.float32(np.sin(angle) * bins / size)
            for begin, end in ((0, bins // 2), (bins // 2, bins)):
                low = (shift - begin) % size
                whole = min(
                    end - begin, size - low
                )  # up to the last bin of the block; the rest from its first
                middle = begin + whole
                _turned(
                    re[low : low + whole],
                    im[low : low + whole],
                    gain[begin:middle],
                    p,
                    q,
                    picked[begin:middle],
                )
                rest = end - middle
                if rest:
                    _turned(re[:rest], im[:rest], gain[middle:end], p, q, picked[middle:end])


@dataclass(slots=True)
class Channel:
    """One channel: what `take()` gives has `center_hz`, `rate_hz` and is flat over `flat_hz`.

    The bank cuts `bins` bins around `shift` of the shared FFT; a narrow channel of a fast stream is then cut
    `finer` once more.
    """

    center_hz: float
    rate_hz: float
    flat_hz: float
    bins: int
    shift: int  # bins from the stream's centre
    next_block: int
    stop_block: int | None = None  # first block not wanted any more
    pending: list[np.ndarray] = field(default_factory=list)
    pending_start: int = 0  # index of the first pending sample at the rate the bank cuts
    epoch_ns: int = 0
    finer: StreamCut | None = None
    finished: bool = False

    def take(self) -> Samples | None:
        """Give all samples cut since the last call, or None."""
        if self.finer is not None:
            return self.finer.take(self.pending_data(), last=self.finished)
        data = self.pending_data()
        if data is None:
            return None
        out = Samples(data, self.rate_hz, self.center_hz, self.pending_start, self.epoch_ns)
        self.pending_start += len(data)
        return out

    def pending_data(self) -> np.ndarray | None:
        """Give and forget what the bank has cut."""
        if not self.pending:
            return None
        data = np.concatenate(self.pending) if len(self.pending) > 1 else self.pending[0]
        self.pending = []
        return data


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
        self.skirt_hz = skirt_hz(rate_hz, self.block)
        self._in_two_steps = block is None and self.skirt_hz > _SKIRT_HZ
        self.least_rate_hz = _LEAST_HZ if self._in_two_steps else _LEAST_BINS * rate_hz / self.block
        self.overlap = self.block // 4
        self.hop = self.block - self.overlap
        self._together = max(_TOGETHER, _LITTLE // self.block)
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
        finer = None
        wanted_hz = rate_hz
        if self._in_two_steps and rate_hz < _NARROW * self.skirt_hz:
            wanted_hz = rate_hz + 3 * self.skirt_hz  # flat where the second cut looks
            finer = StreamCut(center_hz=center_hz, rate_hz=rate_hz)
        bins = self.bins_for(wanted_hz)
        shift = round((center_hz - self.center_hz) * self.block / self.rate_hz)
        first = max(0, start // self.hop)
        channel = Channel(
            center_hz=self.center_hz + shift * self.rate_hz / self.block,
            rate_hz=self.rate_hz * bins / self.block,
            flat_hz=flat_width_hz(self.rate_hz, self.block, bins),
            bins=bins,
            shift=shift,
            next_block=first,
            pending_start=first * self.hop * bins // self.block,
            epoch_ns=self.epoch_ns,
            finer=finer,
        )
        if finer is not None:
            own = finer.begin(channel.rate_hz, channel.center_hz, channel.pending_start, self.epoch_ns)
            channel.center_hz, channel.rate_hz, channel.flat_hz = own.center_hz, own.rate_hz, own.flat_hz
        self.channels.append(channel)
        return channel

    def close(self, channel: Channel, stop: int | None = None) -> None:
        """Want no more of a channel, or none after stream sample `stop`."""
        if stop is None:
            self._end(channel)
        else:
            channel.stop_block = -(-stop // self.hop)

    def _end(self, channel: Channel) -> Channel:
        self.channels.remove(channel)
        channel.finished = True
        return channel

    def advance(self, stop: int) -> Iterator[Channel]:
        """Cut all whole blocks that end before stream sample `stop`; give channels that are finished."""
        limit = (stop - self.overlap // 2) // self.hop
        for channel in list(self.channels):
            if channel.stop_block is not None and channel.next_block >= channel.stop_block:
                yield self._end(channel)
        while self.channels:
            number = min(channel.next_block for channel in self.channels)
            if number >= limit:
                break
            wanting = [channel for channel in self.channels if channel.next_block == number]
            ends = [channel.next_block for channel in self.channels if channel.next_block > number]
            ends += [channel.stop_block for channel in wanting if channel.stop_block is not None]
            count = max(1, min(limit, number + self._together, *ends) - number)
            self._cut(wanting, number, count)
            for channel in wanting:
                if channel.stop_block is not None and channel.next_block >= channel.stop_block:
                    yield self._end(channel)

    def flush(self, count: int) -> Iterator[Channel]:
        """Cut the last blocks of a stream of `count` samples, zeros taken beyond its end."""
        yield from self.advance(count + self.block)
        for channel in list(self.channels):
            yield self._end(channel)

    def _read_blocks(self, number: int, count: int) -> np.ndarray:
        """Give the samples of consecutive blocks, complex64 (count * hop + overlap,)."""
        begin = number * self.hop - self.overlap // 2
        size = count * self.hop + self.overlap
        skip = max(0, -begin)
        data = self.read(begin + skip, size - skip)
        if len(data) < size:
            padded = np.zeros(size, np.complex64)
            padded[skip : skip + len(data)] = data
            data = padded
        return np.ascontiguousarray(data, np.complex64)

    def _cut(self, channels: list[Channel], number: int, count: int) -> None:
        """Cut `count` blocks of some channels."""
        data = self._read_blocks(number, count)
        self.transforms += count
        channels = sorted(channels, key=lambda channel: channel.bins)
        widths = tuple(sorted({channel.bins for channel in channels}))
        filters = dict(zip(widths, accumulate((0, *widths)), strict=False))
        places = list(accumulate((0, *(count * channel.bins for channel in channels))))
        wanted = np.array(
            [
                (channel.shift, channel.bins, filters[channel.bins], place)
                for channel, place in zip(channels, places, strict=False)
            ]
        )
        picked = np.empty(places[-1], np.complex64)
        start = number * self.hop - self.overlap // 2
        _cut(
            data.view(np.float32), count, self.hop, start, *_tables(self.block), wanted,
            _gain_table(self.block, widths), picked,
        )  # fmt: skip
        at = 0
        for bins, alike in groupby(channels, key=lambda channel: channel.bins):
            group = list(alike)
            part = picked[at : at + len(group) * count * bins].reshape(len(group), count, bins)
            at += part.size
            edge = bins // 8
            cut = fft.inverse(part, overwrite=True)[:, :, edge : edge + bins * 3 // 4]
            for channel, samples in zip(group, cut.reshape(len(group), -1), strict=True):
                channel.pending.append(samples)
                channel.next_block = number + count


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

    def begin(self, rate_hz: float, center_hz: float, start: int, epoch_ns: int) -> Channel:
        """Say what will be fed: its rate, its centre, the index of its first sample; give the channel cut from it."""
        self._held_start = start
        self._bank = ChannelBank(
            self._read,
            rate_hz=rate_hz,
            center_hz=center_hz,
            epoch_ns=epoch_ns,
            block=_cut_block(rate_hz, self.wanted_rate_hz),
        )
        self._channel = self._bank.open(self.wanted_center_hz, rate_hz=self.wanted_rate_hz, start=start)
        return self._channel

    def feed(self, samples: Samples) -> Samples | None:
        """Take the next samples of the wider channel; give what is complete of the narrower one."""
        if self._bank is None:
            self.begin(samples.rate_hz, samples.center_hz, samples.start, samples.epoch_ns)
        self._noise = samples.noise_dbfs_hz
        return self.take(samples.data, last=False)

    def take(self, data: np.ndarray | None, *, last: bool) -> Samples | None:
        """Take the next samples as they are; give what is complete, and when they were the `last`, all."""
        if self._bank is None:
            return None
        if data is not None:
            self._held = np.concatenate([self._held, data])
        stop = self._held_start + len(self._held)
        for _ in self._bank.flush(stop) if last else self._bank.advance(stop):
            pass
        return self._release()

    def close(self) -> Samples | None:
        """Give the last samples."""
        return self.take(None, last=True)

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
