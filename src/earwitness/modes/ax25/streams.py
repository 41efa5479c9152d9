"""Streams that listen for one keying at one rate, and go no further than to the line of its clock or carrier."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache, partial

import numpy as np

from earwitness.dsp import fft
from earwitness.dsp.aligned import AlignedFir
from earwitness.dsp.filters import lowpass
from earwitness.dsp.jit import kernel
from earwitness.dsp.runs import runs
from earwitness.dsp.symbols.look import ClockLook, thinned
from earwitness.dsp.symbols.reversals import ReversalCarrier
from earwitness.dsp.symbols.strength import HOP
from earwitness.modes.ax25.hunt import Hit
from earwitness.modes.ax25.levels import Steps
from earwitness.modes.ax25.symbols import TONE_HZ, Direct, Reversals, Tones, moved

QUIET_HOPS = 4  # without a carrier after which symbols are no longer waited for
NOTHING = np.zeros(0, np.complex64)
# Of a clock's line where no receiver's audio filters have been: there frames of 20 octets that can be read have 1.02
LEAST_IN_CHANNEL = 1.0
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
SOUND_HZ = 8000.0  # -6 dB edge of the filter before the discriminator, each side


class ClockedStream:
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
        self._symbols: Direct | Tones | None = None
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
                    make = Tones if self._tones else Direct
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
        return [(scrambled, moved(hit, self._origin)) for scrambled, hit in symbols.feed(x, last=last)]


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


class BusyLook:
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


class FastStream:
    """Direct FSK of a fast rate in a channel, which is listened to while the channel is busy."""

    def __init__(self, baud: float, rate_hz: float):
        self.name = f"FSK {baud:.0f}"
        self._baud = baud
        self._rate_hz = rate_hz
        self._at = 0
        self._began = 0
        self._stream: ClockedStream | None = None

    def feed(
        self, before: np.ndarray, block: np.ndarray, *, busy: bool, last: bool
    ) -> list[tuple[bool, Hit]]:
        """Take the next block and what came before it, complex64 (n,), and whether it is busy."""
        at, self._at = self._at, self._at + len(block)
        if busy and self._stream is None:
            self._stream = ClockedStream(self._baud, self._rate_hz, "", self._rate_hz, LEAST_IN_CHANNEL)
            wide = FSK_SOURCES[self._baud] == "sound"
            self._filter = (
                AlignedFir(lowpass(SOUND_HZ, 3000.0, self._rate_hz, stop_db=50.0)) if wide else None
            )
            self._steps = Steps()
            self._began = at - len(before)
            block = np.concatenate([before, block])
        if self._stream is None:
            return []
        block = block if busy else block[:BUSY_LEAD]
        heard = self._steps.feed(self._filter.feed(block) if self._filter else block)
        hits = self._stream.feed(heard, last=last or not busy)
        if not busy:
            self._stream = None
        return [(scrambled, moved(hit, self._began)) for scrambled, hit in hits]

    def carrier_hz(self, start: float, stop: float) -> float | None:
        """Give the carrier where the stream knows it: never."""
        del start, stop
        return None


class ReversalStream:
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
        self._symbols: Reversals | None = None
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
            self._symbols = Reversals(self.baud, self._channel_hz, self._rate_hz)
            self._origin = at
        symbols = self._symbols
        if symbols is None:
            return []
        last = last or self._quiet > QUIET_HOPS * self._hop
        if last:
            self._symbols = None
        return [(scrambled, moved(hit, self._origin)) for scrambled, hit in symbols.feed(z, last=last)]
