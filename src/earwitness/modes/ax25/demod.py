"""A channel or demodulated audio in, AX.25 frames out: every modulation in use tried side by side.

Nothing on the air says rate, modulation or scrambler, and a satellite's beacon may be one frame long. So each
hypothesis listens all the time, but no further than to the line that its own symbols would make (of their
clock, of a carrier in the squares), measured at the rate the samples come; only where that stands out are what
was heard since before it resampled, symbols cut and hunted for frames, with and without the scrambler. The FCS and a legal address field decide; a frame found twice is one.

From I/Q the channel is discriminated for the tones and for direct FSK, and taken as it is for phase
reversals. Demodulated audio may be a discriminator's (direct FSK is its baseband, tones are tones) or an SSB
receiver's (phase reversals of a carrier near 1500 Hz).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache, partial

import numpy as np

from earwitness.core.mode import Mode
from earwitness.core.types import Bits, Frame, Samples
from earwitness.dsp import fft
from earwitness.dsp.centred import Centred
from earwitness.dsp.discriminate import phase_steps
from earwitness.dsp.filters import lowpass
from earwitness.dsp.jit import kernel
from earwitness.dsp.resample import Resampler as ChannelResampler
from earwitness.dsp.runs import runs
from earwitness.dsp.spectra import hann
from earwitness.dsp.symbols.clock import Clock
from earwitness.dsp.symbols.look import ClockLook, thinned
from earwitness.dsp.symbols.reversals import ReversalCarrier, Upright
from earwitness.dsp.symbols.slicer import Slicer
from earwitness.dsp.symbols.strength import DRIFT, HOP, LEAST, OS
from earwitness.dsp.thin import Thin
from earwitness.dsp.voice import AlignedFir, FixedBlocks, Resampler
from earwitness.modes.ax25.hunt import LEAST_BITS, FrameHunter, Hit

RATE_HZ = 48_000.0  # at least; what comes with up to half as much again is taken as it is
BLOCK = 48_000  # samples worked on at a time
PIECE = 12_000  # of it that is tuned to, and judged by its envelope, at once
LEAST_SYMBOLS = (LEAST_BITS + 15) / (
    1 + DRIFT
)  # of a burst: a flag lacks its first bit where there was nothing before
# Of a short channel: samples a part whose power is told; over the noise, that of parts of a burst that stands out and
# most of those beside it, which no frame of 2400 symbols a second or more that can be read has (bench_ax25.py); how long
# such a burst is at most, and the parts beside it that are kept
LOUD_PART, LOUD, QUIET, LOUD_S, LOUD_MARGIN = 240, 5.0, 1.4, 0.06, 4
QUIET_HOPS = 4  # without a carrier after which symbols are no longer waited for
TAIL = 400  # samples the filters before them lag by, at most
TONE_HZ = (1200.0, 2200.0)
TONE_BAUD = 1200.0
TONE_OS = 8
NOTHING = np.zeros(0, np.complex64)
RECORDER_CLOCKS = (
    0.9715,
    0.9855,
    1.0145,
    1.0285,
)  # recordings run by up to 3 % too fast or slow; each bears 0.7 %
# Of a clock's line where no receiver's audio filters have been: there frames of 20 octets that can be read have 1.02
LEAST_IN_CHANNEL = 1.0
LOW_HZ = 16_000.0  # a slower rate that serves the slower bauds, at least
# Bauds of direct FSK and what each is taken from: the discriminator after the tuned, the wide filter or none
FSK_SOURCES = {1200.0: "tuned", 2400.0: "tuned", 4800.0: "tuned", 9600.0: "sound", 19200.0: "open"}
# Of a channel the fast ones are listened for only where the discriminator has something in the band that their clock's
# line is made of: (low, high, width of the filter's edges, Hz; least deviation in it over half the hops, of the baud).
# Voices end below it; frames that could be read, of deviations from a quarter of the baud on, had 0.050 and 0.089
BUSY = {9600.0: (3600.0, 5200.0, 800.0, 0.034), 19200.0: (6000.0, 9600.0, 900.0, 0.055)}
BUSY_STRIDE = 12  # samples between two that are looked at
BUSY_PART = 32  # symbols; of two that follow each other the mean is taken
BUSY_LEAD = 4_800  # samples before what is busy, and after it, that are listened to with it
# Bauds of phase reversals and what each is taken from, and how many squares the look for their carrier adds up
PSK_SOURCES = {1200.0: ("low", 1), 9600.0: ("channel", 4)}
PSK_REACH_HZ = 2500.0
CENTRED_HZ, CENTRED_PIECE = 1_500.0, 2_000  # carriers within are left where they are; samples tuned at once
AUDIO_MIDDLE_HZ = 1650.0  # the SSB audio band is 150 to 3150 Hz
AUDIO_REACH_HZ = 1250.0
CHANNEL_HZ = 17_000.0  # half the width kept where a channel is resampled
SOUND_HZ = 8000.0  # -6 dB edge of the filter before the discriminator, each side
TUNED_HZ = (
    1500.0,
    3000.0,
    5500.0,
)  # the same where the slower bauds are listened for, by what the signal takes
TUNED_SHARE, TUNED_PART = (
    0.98,
    0.67,
)  # so much of the power over the noise must lie in that part of the filter
TUNED_BINS = 256
TUNED_STEP_HZ = 250.0  # the filter is not moved by less
TUNED_PIECE = 3_072  # samples it is fitted to at a time
TUNED_DOUBT = 2.0  # deviations of the noise that is left over beyond which power outside is the signal's
OWN_SHARE = 0.3  # of the power beside it that a piece must hold to be tuned to by itself
LARGEST = 1e6
# Where there is nothing but a strong transmission in FM, its filter takes nothing from its discriminator: what is left
# is to thin the channel's own. (Hz: kept whole, and how much wider until all is gone that would fold into it)
PLAIN_HZ, PLAIN_WIDTH_HZ = 5_500.0, 4_500.0
PLAIN_HELD = 1_024  # samples kept for a change from the one way to the other
STEADY = 1.15  # fourth moment over the squared second: 1 a clean constant envelope, 2 noise, shaped reversals 1.3 and more
STRONG = 1.1  # the same where a discriminator of the whole channel has no clicks: 12 dB over the noise in it
JUMP_RAD = 1.8  # between samples: no deviation in use takes the phase so far
MOST_JUMPS = 10  # in a piece by noise alone
LEVEL_SAMPLES = 480  # samples a level and frequency reading is taken over
LEVELS_KEPT = 1600
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


class _Direct(_Symbols):
    """Two-level direct FSK: the discriminator's output is the line itself."""

    offsets = (0, -8, -6, -4, -2, 2, 4, 6, 8)

    def __init__(self, baud: float, channel_hz: float, rate_hz: float):
        super().__init__(baud, channel_hz, 1)
        self._resampler = Resampler(rate_hz, OS * baud, cutoff_hz=0.6 * baud, width_hz=0.4 * baud)

    def lanes(self, x: np.ndarray) -> np.ndarray:
        return self._resampler.feed(x)[None, :]

    def look(self, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
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


class _Tones(_Symbols):
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
        self._held = np.concatenate([self._held, self._resampler.feed(x)])
        count = max((len(self._held) - TONE_OS) // self._step + 1, 0)
        lanes = np.empty((2, count), np.float32)
        _tones(self._held, self._taps, self._step, lanes)
        self._held = self._held[count * self._step :].copy()
        return lanes

    def look(self, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return x.reshape(2 * len(self.offsets), x.shape[2]), x[0, 0] - x[1, 0]


class _Reversals(_Symbols):
    """Symbols of phase reversals whose carrier is taken out."""

    louder = np.inf

    def __init__(self, baud: float, channel_hz: float, rate_hz: float):
        super().__init__(baud, channel_hz, 2, gated=True)
        low = 0.6 * baud
        self._low = Resampler(rate_hz, OS * baud, cutoff_hz=low, width_hz=0.4 * baud, dtype=np.complex64)
        self._upright = Upright(16, 0)

    def lanes(self, x: np.ndarray) -> np.ndarray:
        low = self._low.feed(x)
        return np.stack([low.real, low.imag])

    def _read(self, places: np.ndarray, x: np.ndarray, last: bool) -> list[tuple[bool, Hit]]:
        places, turned = self._upright.feed(places, x[0] + 1j * x[1], last=last)
        if not len(places) and not last:
            return []
        both = np.concatenate([turned.real, turned.imag])
        return self._hunt(places, both, np.ascontiguousarray(turned.real[0]), last)


class _ClockedStream:
    """Symbols whose clock is looked for first; what reads them is there only while there may be some."""

    def __init__(
        self,
        baud: float,
        channel_hz: float,
        source: str,
        rate_hz: float,
        least: float,
        *,
        clock: float = 1.0,
        tones: bool = False,
    ):
        self.name = f"{'AFSK' if tones else 'FSK'} {baud:.0f}"
        self.baud = clock * baud
        self.source = source
        self._rate_hz = rate_hz
        self._channel_hz = channel_hz
        self._tones = tones
        self._look = ClockLook(self._rate_hz, self.baud, TONE_HZ if tones else (), least)
        self._held: list[np.ndarray] = []  # samples not yet decided on
        self._at = 0  # of the first of them
        self._symbols: _Direct | _Tones | None = None
        self._origin = 0.0  # in the channel's samples, where it began

    def feed(self, x: np.ndarray, *, last: bool = False) -> list[tuple[bool, Hit]]:
        """Take the next samples of the source; after the `last` nothing is held back."""
        self._held.append(x)
        if last:
            self._held.append(np.zeros(self._look.hop, np.float32))
        out = self._decided(self._look.feed(x, last=last))
        return out + self._read(np.empty(0, np.float32), last=True) if last else out

    def carrier_hz(self, start: float, stop: float) -> float | None:
        """Give the carrier where the stream knows it: never."""
        del start, stop
        return None

    def _decided(self, near: np.ndarray) -> list[tuple[bool, Hit]]:
        if not len(near):
            return []
        hop = self._look.hop
        out: list[tuple[bool, Hit]] = []
        if not near[0]:
            out += self._read(np.empty(0, np.float32), last=True)
        spans = runs(near)
        if spans:
            held = np.concatenate(self._held)
            self._held = [held]
            for begin, end in spans:
                if self._symbols is None:
                    make = _Tones if self._tones else _Direct
                    self._symbols = make(self.baud, self._channel_hz, self._rate_hz)
                    self._origin = (self._at + begin * hop) * self._channel_hz / self._rate_hz
                out += self._read(held[begin * hop : end * hop], last=end < len(near))
        self._at += len(near) * hop
        drop = len(near) * hop
        while drop:
            part = min(drop, len(self._held[0]))
            self._held[0] = self._held[0][part:]
            drop -= part
            if not len(self._held[0]):
                self._held.pop(0)
        return out

    def _read(self, x: np.ndarray, *, last: bool) -> list[tuple[bool, Hit]]:
        symbols = self._symbols
        if symbols is None:
            return []
        if last:
            self._symbols = None
        return [(scrambled, _moved(hit, self._origin)) for scrambled, hit in symbols.feed(x, last=last)]


@kernel("float64(float32[::1], int64)", fastmath=True)
def _largest_mean(x: np.ndarray, part: int) -> float:
    """Give the largest mean square of two parts that follow each other."""
    largest = before = np.float32(0)
    for at in range(0, len(x) - part + 1, part):
        total = np.float32(0)
        some = x[at : at + part]
        for i in range(part):
            total += some[i] * some[i]
        largest = np.float32(max(largest, before + total))
        before = total
    return float(largest) / (2 * part)


@lru_cache(maxsize=16)
def _busy_taps(bauds: tuple[float, ...], rate_hz: float) -> np.ndarray:
    """Give a band-pass for each baud, float32 (bauds, n)."""
    rows = [
        lowpass(high, width, rate_hz, stop_db=30.0) - lowpass(low, width, rate_hz, stop_db=30.0)
        for low, high, width, _ in (BUSY[baud] for baud in bauds)
    ]
    size = max(map(len, rows), default=0)
    out = np.zeros((len(rows), size), np.float32)
    for taps, row in zip(out, rows, strict=True):
        taps[(size - len(row)) // 2 :][: len(row)] = row
    return out


class _BusyLook:
    """Tells of blocks of a discriminator's output whether fast symbols may be in them, by bauds."""

    def __init__(self, bauds: Sequence[float], rate_hz: float):
        self._parts = [int(BUSY_PART * rate_hz / baud / BUSY_STRIDE) for baud in bauds]
        self._least = [(2 * np.pi / rate_hz * BUSY[baud][3] * baud) ** 2 for baud in bauds]
        self._taps = _busy_taps(tuple(bauds), rate_hz)
        self._held = np.zeros(self._taps.shape[1] + 2 * BUSY_STRIDE * max(self._parts, default=0), np.float32)

    def feed(self, steps: np.ndarray) -> list[bool]:
        """Take the next block, float32 (n,)."""
        held = np.concatenate([self._held, steps])
        self._held = held[len(steps) :].copy()
        out = np.empty((len(self._taps), (len(held) - self._taps.shape[1]) // BUSY_STRIDE), np.float32)
        thinned(held, self._taps, BUSY_STRIDE, out)
        return [
            bool(_largest_mean(row, part) > least)
            for row, part, least in zip(out, self._parts, self._least, strict=True)
        ]


class _FastStream:
    """Direct FSK of a fast rate in a channel, which is listened to while the channel is busy."""

    def __init__(self, baud: float, rate_hz: float):
        self.name = f"FSK {baud:.0f}"
        self._baud = baud
        self._rate_hz = rate_hz
        self._at = 0
        self._began = 0
        self._stream: _ClockedStream | None = None

    def feed(
        self, before: np.ndarray, block: np.ndarray, *, busy: bool, last: bool
    ) -> list[tuple[bool, Hit]]:
        """Take the next block and what came before it, complex64 (n,), and whether it is busy."""
        at, self._at = self._at, self._at + len(block)
        if busy and self._stream is None:
            self._stream = _ClockedStream(self._baud, self._rate_hz, "", self._rate_hz, LEAST_IN_CHANNEL)
            wide = FSK_SOURCES[self._baud] == "sound"
            self._filter = (
                AlignedFir(lowpass(SOUND_HZ, 3000.0, self._rate_hz, stop_db=50.0)) if wide else None
            )
            self._steps = _Steps()
            self._began = at - len(before)
            block = np.concatenate([before, block])
        if self._stream is None:
            return []
        block = block if busy else block[:BUSY_LEAD]
        heard = self._steps.feed(self._filter.feed(block) if self._filter else block)
        hits = self._stream.feed(heard, last=last or not busy)
        if not busy:
            self._stream = None
        return [(scrambled, _moved(hit, self._began)) for scrambled, hit in hits]

    def carrier_hz(self, start: float, stop: float) -> float | None:
        """Give the carrier where the stream knows it: never."""
        del start, stop
        return None


class _ReversalStream:
    """Phase reversals of a carrier anywhere within reach; what follows the carrier is there while one is."""

    def __init__(self, baud: float, channel_hz: float, low_hz: float, reach_hz: float):
        self.name = f"BPSK {baud:.0f}"
        self.baud = baud
        self.source, fold = PSK_SOURCES[baud]
        self._rate_hz = low_hz if self.source == "low" else channel_hz
        self._channel_hz = channel_hz
        self._hop = 2 * fold * fft.good_size(round(HOP * self._rate_hz / baud / (2 * fold)))
        self._make = partial(ReversalCarrier, self._hop, reach_hz / self._rate_hz, fold)
        self._carrier: ReversalCarrier | None = None
        self._began = 0  # in the source's samples, when the carrier stage began
        self._fed = 0
        self._symbols: _Reversals | None = None
        self._origin = 0.0  # in the channel's samples, where it began
        self._given = 0  # samples the carrier stage has given
        self._quiet = 0  # the latest of them without a carrier
        self._lines = np.zeros(0)
        self._lines_at = 0

    def feed(self, z: np.ndarray | None, count: int, *, last: bool = False) -> list[tuple[bool, Hit]]:
        """Take the next `count` samples of the source, or None for those in which there is nothing to look for.

        After these, or after the `last`, nothing is held back.
        """
        out = []
        if z is not None and self._carrier is None:
            self._carrier, self._began = self._make(), self._fed
            self._given = self._lines_at = 0
            self._lines = np.zeros(0)
        if self._carrier is not None:
            last = last or z is None
            out = self._upright(*self._carrier.feed(NOTHING if z is None else z, last=last), last=last)
            if last:
                self._carrier = None
        self._fed += count
        return out

    def carrier_hz(self, start: float, stop: float) -> float | None:
        """Give the mean carrier between two places in the channel's samples."""
        hop = self._hop * self._channel_hz / self._rate_hz
        before = self._began / self._hop + self._lines_at
        low = max(int(start / hop - before), 0)
        part = self._lines[low : max(int(stop / hop - before) + 1, low + 1)]
        return float(np.median(part)) * self._rate_hz if len(part) else 0.0

    def _upright(self, z: np.ndarray, line: np.ndarray, *, last: bool = False) -> list[tuple[bool, Hit]]:
        if not len(z) and not last:
            return []
        self._lines = np.concatenate([self._lines, line])
        drop = max(len(self._lines) - 2000, 0)
        self._lines, self._lines_at = self._lines[drop:], self._lines_at + drop
        at = (self._began + self._given) * self._channel_hz / self._rate_hz
        self._given += len(z)
        self._quiet = 0 if z.any() else self._quiet + len(z)
        if self._quiet == 0 and self._symbols is None:
            self._symbols = _Reversals(self.baud, self._channel_hz, self._rate_hz)
            self._origin = at
        symbols = self._symbols
        if symbols is None:
            return []
        last = last or self._quiet > QUIET_HOPS * self._hop
        if last:
            self._symbols = None
        return [(scrambled, _moved(hit, self._origin)) for scrambled, hit in symbols.feed(z, last=last)]


@dataclass(frozen=True, slots=True)
class _Found:
    stream: str
    scrambled: bool
    hit: Hit
    carrier_hz: float | None


@kernel("void(complex64[::1], int64, float64[::1], complex128[::1])", fastmath=True)
def _levels(block: np.ndarray, size: int, power: np.ndarray, turn: np.ndarray) -> None:
    """Give mean power and summed turn from sample to sample of each `size` samples."""
    for row in range(len(power)):
        total = np.float32(0)
        re = np.float32(0)
        im = np.float32(0)
        before = block[row * size : (row + 1) * size - 1]
        after = block[row * size + 1 : (row + 1) * size]
        for n in range(size - 1):
            a, b = after[n].real, after[n].imag
            c, d = before[n].real, before[n].imag
            total += a * a + b * b
            re += a * c + b * d
            im += b * c - a * d
        power[row] = total / (size - 1)
        turn[row] = complex(re, im)


class _Levels:
    """Levels of the block stream, kept for the figures of frames."""

    def __init__(self) -> None:
        self._power = np.zeros(0)
        self._turn = np.zeros(0, complex)
        self._at = 0

    def note(self, block: np.ndarray) -> None:
        power = np.empty(len(block) // LEVEL_SAMPLES)
        turn = np.empty(len(power), complex)
        _levels(block, LEVEL_SAMPLES, power, turn)
        self._power = np.concatenate([self._power, power])
        self._turn = np.concatenate([self._turn, turn])
        drop = max(len(self._power) - LEVELS_KEPT, 0)
        self._power, self._turn, self._at = self._power[drop:], self._turn[drop:], self._at + drop

    def _part(self, start: float, stop: float) -> slice:
        low = min(max(int(start / LEVEL_SAMPLES) - self._at, 0), max(len(self._power) - 1, 0))
        return slice(low, max(int(stop / LEVEL_SAMPLES) - self._at, low + 1))

    def level_dbfs(self, start: float, stop: float) -> float:
        return float(10 * np.log10(np.mean(self._power[self._part(start, stop)]) + 1e-30))

    def frequency(self, start: float, stop: float) -> float:
        """Give the mean frequency in cycles per sample."""
        return float(np.angle(np.sum(self._turn[self._part(start, stop)])) / (2 * np.pi))


class _Steps:
    """The discriminator over a stream of blocks."""

    def __init__(self) -> None:
        self._before = np.complex64(1)

    def feed(self, iq: np.ndarray) -> np.ndarray:
        if not len(iq):
            return np.empty(0, np.float32)
        steps = phase_steps(iq, self._before)
        self._before = iq[-1]
        return np.asarray(steps)


class _Tuner:
    """Discriminates what there is in the slow channel: a filter about its power, no wider than it takes.

    Noise that gets into a discriminator decides where its threshold lies, and a carrier is seldom where it should be.
    """

    def __init__(self, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self._taps = np.stack([lowpass(edge, 2000.0, rate_hz, stop_db=50.0) for edge in TUNED_HZ])
        self.half = self._taps.shape[1] // 2
        self._held = np.zeros(self.half, np.complex64)  # from half a filter before the next piece on
        self._steps = _Steps()
        self._state = np.zeros(4)  # what the piece before holds, and where the filter is
        self._fits = np.empty((0, 3))  # what the next piece holds, where that is known

    def feed(self, z: np.ndarray, *, last: bool = False) -> np.ndarray:
        """Take the next block; gives what has a piece after it, all but the filter's half with the `last`."""
        held = np.concatenate([self._held, z])
        left = len(held) - 2 * self.half
        count = -(-left // TUNED_PIECE) if last else left // TUNED_PIECE - 1
        if count <= 0:
            self._held = held
            return np.empty(0, np.float32)
        fits = self._fitted(held, count if last else count + 1)
        tuned = np.empty(left if last else count * TUNED_PIECE, np.complex64)
        _tuned(held, fits, self._taps, self._rate_hz, self._state, tuned)
        self._fits = fits[count:]
        self._held = held[len(tuned) :].copy()
        return self._steps.feed(tuned)

    def _fitted(self, held: np.ndarray, count: int) -> np.ndarray:
        """Give power over the noise, in bins of noise, its middle and which of TUNED_HZ lets it through, by pieces."""
        fresh = count - len(self._fits)
        first = len(self._fits) * TUNED_PIECE
        rows = min((len(held) - first) // TUNED_BINS, fresh * (TUNED_PIECE // TUNED_BINS))
        fits = np.empty((fresh, 3))
        if fresh:
            parts = held[first : first + rows * TUNED_BINS].reshape(rows, TUNED_BINS) * hann(TUNED_BINS)
            _fits(fft.forward(parts, overwrite=True) if rows else parts, self._rate_hz, fits)
        return np.concatenate([self._fits, fits])


class _Slow:
    """The channel at the slower rate, and its discriminator's output there, tuned."""

    def __init__(self, rate_hz: float, down: int) -> None:
        self._rate_hz = rate_hz
        self._down = down
        self._taps = lowpass(8000.0, 5000.0, rate_hz, stop_db=55.0)
        plain = lowpass(PLAIN_HZ + PLAIN_WIDTH_HZ / 2, PLAIN_WIDTH_HZ, rate_hz, stop_db=50.0)
        self._plain_taps = np.ascontiguousarray(down * plain[None, :], np.float32)
        self._tuner: _Tuner | None = None
        self._at = 0  # channel samples taken
        self._low_given = self._given = 0  # at the slower rate: of the channel, and of the discriminator
        self._skip_low = self._skip = 0  # of what comes next of these, given already
        self._before = np.zeros(PLAIN_HELD, np.complex64)
        self._steps = np.zeros(PLAIN_HELD, np.float32)  # of them

    def feed(
        self, block: np.ndarray, steps: np.ndarray, *, plain: bool, last: bool
    ) -> tuple[np.ndarray | None, int, np.ndarray]:
        """Take the next block of the channel, (n,), and the steps of its phase.

        Gives the channel at the slower rate, or None where it is a `plain` transmission in FM and nothing else; how
        many samples that are; and the discriminator's output.
        """
        if plain:
            low, tuned = None, self._thinned(block, steps, last)
            count = max((self._at + len(block) - len(self._taps) // 2 - 1) // self._down + 1, 0)
            count -= self._low_given
        else:
            low, tuned = self._filtered(block, last)
            count = len(low)
        self._low_given += count
        self._given += len(tuned)
        self._at += len(block)
        if len(block) >= PLAIN_HELD:
            self._before, self._steps = block[-PLAIN_HELD:].copy(), steps[-PLAIN_HELD:].copy()
        return low, count, tuned

    def _filtered(self, block: np.ndarray, last: bool) -> tuple[np.ndarray, np.ndarray]:
        if self._tuner is None:
            self._tuner = _Tuner(self._rate_hz / self._down)
            self._thin = Thin(self._taps, self._down, np.complex64)
            if self._at:  # the filters go on: so much before what is wanted that they have settled
                lead = self._tuner.half + 2 + len(self._taps) // self._down + 1
                first = min(self._low_given, self._given) - lead
                self._skip_low, self._skip = self._low_given - first, self._given - first
                block = np.concatenate([self._before[PLAIN_HELD - self._at + first * self._down :], block])
        low = self._thin.feed(block)
        tuned = self._tuner.feed(low, last=last)
        skip_low, skip = min(self._skip_low, len(low)), min(self._skip, len(tuned))
        self._skip_low -= skip_low
        self._skip -= skip
        return low[skip_low:], tuned[skip:]

    def _thinned(self, block: np.ndarray, steps: np.ndarray, last: bool) -> np.ndarray:
        out = []
        if self._tuner is not None:
            some = self._thin.feed(block[: 2 * len(self._taps)])
            out.append(self._tuner.feed(some, last=True)[self._skip :])
            self._tuner, self._skip_low, self._skip = None, 0, 0
        begun = self._given + sum(map(len, out))
        half = self._plain_taps.shape[1] // 2
        held = np.concatenate([self._steps, steps, np.zeros(half + self._down if last else 0, np.float32)])
        # a step of the slower rate is the sum of so many, of which this is the middle one
        first = PLAIN_HELD - self._at + self._down * begun - (self._down - 1) // 2 - half
        some = held[first:]
        thin = np.empty((1, max((len(some) - 2 * half - 1) // self._down + 1, 0)), np.float32)
        thinned(some, self._plain_taps, self._down, thin)
        return np.concatenate([*out, thin[0]])


@kernel("UniTuple(float64, 3)(float32[::1], float64, int64)")
def _fit(power: np.ndarray, rate_hz: float, rows: int) -> tuple[float, float, float]:
    """Give power over the noise (bins of noise), its middle and which of TUNED_HZ lets it through; a mean of `rows`."""
    size = len(power)
    noise = np.partition(power, size // 4)[size // 4] + 1e-30
    over = np.maximum(power / noise - 2, 0)
    total = 0.0
    moment = 0.0
    for i in range(size):
        total += over[i]
        moment += over[i] * (i - size // 2) * (rate_hz / size)
    widest = float(len(TUNED_HZ) - 1)
    if total <= 0:
        return 0.0, 0.0, widest
    center = min(max(moment / total, -PSK_REACH_HZ), PSK_REACH_HZ)
    # so much more than its share may be noise that is left over
    doubt = TUNED_DOUBT * np.sqrt(size / rows)
    if total < 4 * doubt:
        return total, center, widest
    for which, edge in enumerate(TUNED_HZ):
        outside = 0.0
        for i in range(size):
            if abs((i - size // 2) * (rate_hz / size) - center) > TUNED_PART * edge:
                outside += over[i]
        if outside <= (1 - TUNED_SHARE) * total + doubt:
            return total, center, float(which)
    return total, center, widest


@kernel("void(complex64[:,::1], float64, float64[:,::1])", fastmath=True)
def _fits(spectra: np.ndarray, rate_hz: float, out: np.ndarray) -> None:
    """Give `_fit` of the mean power of each TUNED_PIECE // TUNED_BINS spectra; the last ones may be fewer."""
    rows = TUNED_PIECE // TUNED_BINS
    half = TUNED_BINS // 2
    power = np.empty(TUNED_BINS, np.float32)
    for k in range(len(out)):
        count = min(rows, len(spectra) - k * rows)
        if count <= 0:
            out[k, 0], out[k, 1], out[k, 2] = 0.0, 0.0, len(TUNED_HZ) - 1.0
            continue
        power[:] = 0
        for row in range(k * rows, k * rows + count):
            for some, sums in ((spectra[row, :half], power[half:]), (spectra[row, half:], power[:half])):
                for i in range(half):
                    sums[i] += some[i].real * some[i].real + some[i].imag * some[i].imag
        for i in range(TUNED_BINS):
            power[i] /= count
        out[k, 0], out[k, 1], out[k, 2] = _fit(power, rate_hz, count)


@kernel("void(complex64[::1], float32[::1], float32[::1], complex64[::1])", fastmath=True)
def _complex_fir(x: np.ndarray, re: np.ndarray, im: np.ndarray, out: np.ndarray) -> None:
    """Fill out[i] with the sum of taps[k] x[i + k]."""
    some = 512  # at a time, which stay in the nearest cache
    size = len(re)
    a = np.empty(some, np.float32)
    b = np.empty(some, np.float32)
    xr = np.zeros(some + size - 1, np.float32)  # apart, so that the sums below run on whole vectors
    xi = np.zeros(some + size - 1, np.float32)
    for first in range(0, len(out), some):
        count = min(some, len(out) - first)
        for i in range(count + size - 1):
            xr[i] = x[first + i].real
            xi[i] = x[first + i].imag
        a[:] = 0
        b[:] = 0
        for k in range(size):
            c, d = re[k], im[k]
            u, v = xr[k : k + some], xi[k : k + some]
            for i in range(some):
                a[i] += c * u[i] - d * v[i]
                b[i] += c * v[i] + d * u[i]
        for i in range(count):
            out[first + i] = complex(a[i], b[i])


@kernel("void(complex64[::1], float64[:,::1], float32[:,::1], float64, float64[::1], complex64[::1])")
def _tuned(
    held: np.ndarray, fits: np.ndarray, taps: np.ndarray, rate_hz: float, state: np.ndarray, out: np.ndarray
) -> None:
    """Filter pieces by what they hold, and what those beside them hold."""
    size = taps.shape[1]
    moved = np.empty((2, size), np.float32)
    for k in range(-(-len(out) // TUNED_PIECE)):
        # what begins or ends here is better seen in the piece beside
        chosen = fits[k].copy()
        if state[0] > chosen[0]:
            chosen[:] = state[:3]
        if k + 1 < len(fits) and fits[k + 1, 0] > chosen[0]:
            chosen[:] = fits[k + 1]
        if fits[k, 0] >= OWN_SHARE * chosen[0]:
            chosen[:] = fits[k]
        state[:3] = fits[k]
        if abs(chosen[1] - state[3]) >= TUNED_STEP_HZ:
            state[3] = chosen[1]
        # the filter is moved, not the signal: what it lets through keeps its frequency from piece to piece
        for i in range(size):
            angle = 2 * np.pi * state[3] / rate_hz * (size // 2 - i)
            moved[0, i] = taps[int(chosen[2]), i] * np.cos(angle)
            moved[1, i] = taps[int(chosen[2]), i] * np.sin(angle)
        begin = k * TUNED_PIECE
        some = out[begin : begin + TUNED_PIECE]
        _complex_fir(held[begin : begin + len(some) + size - 1], moved[0], moved[1], some)


class Demodulator:
    """Frames of one channel, or of one recording of demodulated audio."""

    def __init__(self, mode: Mode):
        self._mode = mode
        self._first: Samples | None = None
        self._noise: float | None = None
        self._reported: list[Frame] = []

    def _begin(self, samples: Samples) -> None:
        self._first = samples.clock()
        self._audio = not np.iscomplexobj(samples.data)
        rate = samples.rate_hz
        self._rate_hz = rate if RATE_HZ <= rate <= 1.5 * RATE_HZ else RATE_HZ
        self._ratio = rate / self._rate_hz
        self._resampler: ChannelResampler | None = None
        if rate != self._rate_hz:
            pass_hz = min(CHANNEL_HZ, 0.36 * rate)
            stop_hz = min(rate, RATE_HZ) - pass_hz
            self._resampler = ChannelResampler(rate, RATE_HZ, PIECE, pass_hz=pass_hz, stop_hz=stop_hz)
        self._cut = FixedBlocks(BLOCK)
        self._only = True  # block: none came before
        self._core = slice(None)  # of it: what is neither noise nor partly so
        self._front = _Levels()
        self._bauds = [baud for baud in FSK_SOURCES if baud <= 0.55 * samples.rate_hz]

    def _listen(self, seconds: float) -> None:
        """Begin to listen for all that is quick enough for a frame in a channel so short."""
        rate = self._rate_hz
        clocks = (1.0, *RECORDER_CLOCKS) if self._audio else (1.0,)
        least = LEAST if self._audio else LEAST_IN_CHANNEL
        down = int(rate / LOW_HZ)
        low = LOW_HZ if self._audio else rate / down
        quick = LEAST_SYMBOLS / max(seconds, 1e-3)
        bauds = [baud for baud in self._bauds if baud >= quick]
        self._streams: list[_ClockedStream | _ReversalStream] = [
            _ClockedStream(TONE_BAUD, rate, "tuned", low, least, clock=clock, tones=True)
            for clock in clocks
            if clock * TONE_BAUD >= quick
        ]
        for baud in bauds:
            if self._audio or baud not in BUSY:
                source = FSK_SOURCES[baud]
                self._streams.append(
                    _ClockedStream(baud, rate, source, low if source == "tuned" else rate, least)
                )
        reversals = (TONE_BAUD,) if self._audio else PSK_SOURCES
        reach_hz = AUDIO_REACH_HZ if self._audio else PSK_REACH_HZ
        self._streams += [_ReversalStream(baud, rate, low, reach_hz) for baud in reversals if baud >= quick]
        if self._audio:
            self._slow = Resampler(rate, LOW_HZ, cutoff_hz=8000.0, width_hz=8000.0)
            self._side = AlignedFir(lowpass(1700.0, 500.0, LOW_HZ, stop_db=50.0))
            self._turned = 0
        else:
            fast = [baud for baud in self._bauds if baud in BUSY]
            self._fast = [_FastStream(baud, rate) for baud in fast]
            self._open = _Steps()
            self._busy = _BusyLook(fast, rate)
            self._before = np.zeros(0, np.complex64)
            self._slow_channel = _Slow(rate, down)
            self._centred = Centred(rate, CENTRED_HZ)

    def feed(self, samples: Samples) -> list[Frame]:
        """Take the next samples; gives frames up to three seconds after their end."""
        if self._first is None:
            self._begin(samples)
        if samples.noise_dbfs_hz is not None:
            self._noise = samples.noise_dbfs_hz
        return self._blocks(samples.data)

    def close(self) -> list[Frame]:
        """Give what is still in the streams."""
        if self._first is None:
            return []
        pieces = self._resampler.rest() if self._resampler else []
        out = [frame for piece in pieces for block in self._cut.feed(piece) for frame in self._block(block)]
        rest = self._cut.rest()
        if self._only:
            rest, seconds = self._loud(rest, self._first)
            self._listen(seconds)
        out += self._block(np.concatenate([rest, np.zeros(TAIL, np.complex64)]), last=True)
        self._first = None
        return out

    def _blocks(self, data: np.ndarray) -> list[Frame]:
        data = np.asarray(data, np.complex64)
        pieces = self._resampler.feed(data) if self._resampler else [data]
        return [frame for piece in pieces for block in self._cut.feed(piece) for frame in self._block(block)]

    def _block(self, block: np.ndarray, *, last: bool = False) -> list[Frame]:
        if self._only and not last:
            self._listen(np.inf)
        if not _tame(block.view(np.float32)):
            block = np.clip(np.nan_to_num(block.view(np.float32)), -LARGEST, LARGEST).view(np.complex64)
        if not self._audio:
            block = self._centred.feed_block(block, CENTRED_PIECE)
        self._front.note(block)
        first, self._only = self._only, False
        found = []
        still = False
        if self._audio:
            heard = self._from_audio(block)
            sources: dict[str, np.ndarray | None] = {**heard}
            counts = {"low": len(heard["low"])}
        else:
            steps = self._open.feed(block)
            # what is modulated in frequency has no reversals to look for
            some, turns = block[self._core], steps[self._core]
            evenness = max(
                (
                    _unevenness(some[at : at + PIECE], turns[at : at + PIECE])
                    for at in range(0, len(some), PIECE)
                ),
                default=1.0,
            )
            still = evenness < STEADY
            for fast, busy in zip(self._fast, self._busy.feed(steps), strict=True):
                found += self._heard(fast, fast.feed(self._before, block, busy=busy, last=last))
            self._before = block[-BUSY_LEAD:].copy()
            plain = evenness < STRONG and not (first and last)
            low, count, tuned = self._slow_channel.feed(block, steps, plain=plain, last=last)
            sources = {"channel": block, "low": low, "tuned": tuned}
            counts = {"low": count, "channel": len(block)}
        for stream in self._streams:
            x = sources[stream.source]
            if isinstance(stream, _ReversalStream):
                hits = stream.feed(None if still else x, counts[stream.source], last=last)
            else:
                hits = stream.feed(np.asarray(x), last=last)
            found += self._heard(stream, hits)
        return self._frames(found, self._first)

    def _loud(self, block: np.ndarray, first: Samples) -> tuple[np.ndarray, float]:
        """Give what there is in a short channel, (n,), and for how long, s: a short loud burst without the noise beside it."""
        seconds = len(block) / self._rate_hz
        if self._audio or self._noise is None:
            return block, seconds
        power = np.empty(len(block) // LOUD_PART)
        _levels(block, LOUD_PART, power, np.empty(len(power), complex))
        power /= self._rate_hz * 10 ** (self._noise / 10)
        above = np.flatnonzero(power > QUIET)
        if np.count_nonzero(power > LOUD) < max(len(above) - 2, 1):
            return block, seconds
        begin, end = int(above[0]), int(above[-1]) + 1
        part_s = LOUD_PART / self._rate_hz
        # what it leaves out has no room for slow symbols, which may lie beneath the noise
        beside = max(begin, len(power) - end) * part_s
        if (end - begin) * part_s > LOUD_S or beside > LEAST_SYMBOLS / min(FSK_SOURCES):
            return block, seconds
        kept = max(begin - LOUD_MARGIN, 0)
        self._core = slice((begin + 1 - kept) * LOUD_PART, (end - 1 - kept) * LOUD_PART)
        self._first = replace(first, start=first.start + round(kept * LOUD_PART * self._ratio))
        return block[kept * LOUD_PART : (end + LOUD_MARGIN) * LOUD_PART], (end - begin) * part_s

    def _from_audio(self, block: np.ndarray) -> dict[str, np.ndarray]:
        sound = np.ascontiguousarray(block.real)
        slow = self._slow.feed(sound)
        # the SSB audio band about 0 Hz
        at = self._turned + np.arange(len(slow))
        self._turned += len(slow)
        turn = np.exp(-2j * np.pi * (at * AUDIO_MIDDLE_HZ / LOW_HZ % 1.0)).astype(np.complex64)
        return {"sound": sound, "open": sound, "tuned": slow, "low": self._side.feed(slow * turn)}

    def _heard(
        self, stream: _ClockedStream | _FastStream | _ReversalStream, hits: list[tuple[bool, Hit]]
    ) -> list[_Found]:
        out = []
        for scrambled, hit in hits:
            carrier = stream.carrier_hz(hit.start, hit.stop)
            if carrier is not None and self._audio:
                carrier += AUDIO_MIDDLE_HZ
            out.append(_Found(stream.name, scrambled, hit, carrier))
        return out

    def _frames(self, found: list[_Found], first: Samples | None) -> list[Frame]:
        if first is None:
            raise RuntimeError("frames before any samples")
        out = []
        for item in sorted(found, key=lambda item: (item.hit.start, item.hit.flips)):
            frame = self._frame(item, first)
            if not self._known(frame):
                self._reported = [*self._reported[-31:], frame]
                out.append(frame)
        return out

    def _known(self, frame: Frame) -> bool:
        return any(
            frame.bits == other.bits and frame.time_ns < other.stop_ns and other.time_ns < frame.stop_ns
            for other in self._reported
        )

    def _frame(self, found: _Found, first: Samples) -> Frame:
        hit = found.hit
        level = self._front.level_dbfs(hit.start, hit.stop)
        snr = frequency = None
        if not self._audio:
            offset = found.carrier_hz
            if offset is None:
                offset = self._rate_hz * self._front.frequency(hit.start, hit.stop)
            moved = self._centred.shift_hz(0.5 * (hit.start + hit.stop))
            frequency = first.center_hz + offset + moved
            if self._noise is not None:
                snr = level - self._noise - 10 * float(np.log10(self._mode.bandwidth_hz))
        extra = {"modulation": found.stream, "scrambled": found.scrambled}
        if self._audio and found.carrier_hz is not None:
            extra["audio_carrier_hz"] = round(found.carrier_hz)
        return Frame(
            mode=self._mode.name,
            time_ns=first.time_ns(hit.start * self._ratio),
            stop_ns=first.time_ns(hit.stop * self._ratio),
            bits=Bits(int.from_bytes(hit.octets, "big"), 8 * len(hit.octets)),
            check="corrected" if hit.flips else "pass",
            corrected_bits=hit.flips,
            check_name=f"HDLC CRC-16 over {8 * len(hit.octets)} bits and a legal address field",
            extra=extra,
            snr_db=snr,
            level_dbfs=level,
            frequency_hz=frequency,
        )


@kernel("boolean(float32[::1])", fastmath={"reassoc", "nsz"})
def _tame(values: np.ndarray) -> bool:
    """Tell whether all values are numbers no larger than LARGEST."""
    wild = 0
    for i in range(len(values)):
        wild += 0 if abs(values[i]) <= np.float32(LARGEST) else 1
    return wild == 0


@kernel("float64(complex64[::1], float32[::1])", fastmath=True)
def _unevenness(block: np.ndarray, steps: np.ndarray) -> float:
    """Give the fourth moment of a block's envelope over the squared second; much where its phase jumps.

    Below STEADY it is modulated in frequency, or a carrier.
    """
    second = np.float32(0)
    fourth = np.float32(0)
    for n in range(len(block)):
        power = block[n].real * block[n].real + block[n].imag * block[n].imag
        second += power
        fourth += power * power
    uneven = fourth * len(block) / (second * second + np.float32(1e-30))
    jumps = 0
    if uneven < STEADY:
        for n in range(len(steps)):
            jumps += abs(steps[n]) > JUMP_RAD
    return float(uneven) if jumps < MOST_JUMPS and second > 0 else 10.0


def _moved(hit: Hit, samples: float) -> Hit:
    return replace(hit, start=hit.start + samples, stop=hit.stop + samples)
