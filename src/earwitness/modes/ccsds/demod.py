"""A channel or demodulated audio in, transfer frames out: rates and keyings are found, not told.

Each octave of the channel is looked at in windows (`gate`); where a line stands, loops begin in the middle of that
window, run back over what came before and on with what follows (`dsp.carrier`), and their symbols go through
every coding at once (`coding.ccsds_lanes`). From I/Q: BPSK, QPSK, OQPSK (which MSK is too), and frequency keying by a
discriminator. From audio: a discriminator's baseband, or phase reversals near the middle of an SSB receiver's band.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from earwitness.coding.ccsds_lanes import Found, PairLanes, SerialLanes
from earwitness.core.mode import Mode
from earwitness.core.types import Bits, Frame, Samples
from earwitness.dsp import carrier
from earwitness.dsp.aligned import FixedBlocks
from earwitness.dsp.carrier import Start, acquire, follow
from earwitness.dsp.centred import Centred
from earwitness.dsp.filters import StreamingFir, lowpass
from earwitness.dsp.framed import finite
from earwitness.dsp.jit import kernel
from earwitness.modes.ccsds.gate import (
    AUDIO_RATES_HZ,
    FAR_ERROR,
    QUIET,
    RATES_HZ,
    TOGETHER,
    WINDOW,
    Chance,
    Octave,
    PhaseLooks,
    frequency_keyed,
    frequency_steps,
    narrow,
    octaves,
    power_of,
)

ROLL_OFF = 0.5
REAL_ROLL_OFF = 0.9
CHECK_EVERY = 4  # windows between comparisons of a loop with a fresh look
MISSES = 3  # windows without a line until a stream is given up
LOCK_SYMBOLS = 256  # whose lock is asked for
LOCKED = {
    carrier.BPSK: 0.25,
    carrier.QPSK: 0.2,
    carrier.OQPSK: 0.2,
}  # 0.32 and 0.25 where frames are just read
LOOK_AFTER = 4  # windows without a frame until what is being read is looked for again
MOST_STREAMS = 2  # of an octave that have seen no sync marker
# without a sync marker after which a stream is given up: the longest codeblock has 16 352
TRIAL_BITS = 17_500
TRIES = 2  # looks without a start in a row, after which one is tried less and less often
LONGEST_S = 8.0  # between two trials of what stays fruitless
VAIN_S, VAIN_LEAST = 0.4, 8  # of something without a sync marker, and windows of it, after which
# but one in so many is looked at; after a longer time, where windows are short
VAIN_EVERY, VAIN_SELDOM = 3, 6
LONG_VAIN, SLOW_HZ = 4.0, 20_000.0
FRESH = 4  # windows of something in each of which drift and frequency keying are thought of
LEAST_REST = 0.25  # of the last window that is there, below which it is not looked at
# starts that may be tried at once, and again in a second: what is none of ours has lines without end
MOST_STARTS, STARTS_S = 24, 1.0
PAUSE_S = 2.0  # without a line after which what begins is something new
LINEAR = 8.0  # how much stronger a clock in frequency must be than one in size beside it
AUDIO_MIDDLE_HZ = 1650.0
AUDIO_REVERSAL_HZ = 1200.0
ALONE = 1.02  # power over the noise of a channel below which it is not tuned
CENTRED_HZ = 250.0  # carriers within are left where they are
NOTES = 64  # windows whose carrier is remembered
FRAMING = "sync marker 1ACFFC1D"
NAMES = {carrier.REAL: "FSK", carrier.BPSK: "BPSK", carrier.QPSK: "QPSK", carrier.OQPSK: "OQPSK"}
FOLD = {carrier.REAL: 1, carrier.BPSK: 2, carrier.QPSK: 4, carrier.OQPSK: 4}
BLOCK_SYMBOLS = 16
LOUDER = 2.2  # spread of discriminator noise over a burst's own from which it is told apart
REACH = 5  # half symbols either side that frequency keying is fitted to
FIT = 2048  # symbols fitted together
LOOP_HZ = 25.0  # carrier loop's noise bandwidth, held between shares of the symbol rate:
CLOCK_WIDTH = 0.004  # clock loop's, a share
LOOP_LEAST, LOOP_MOST = 0.006, 0.01


@kernel("void(float32[::1], int64, float32[::1])", fastmath=True)
def _weights(first: np.ndarray, block: int, out: np.ndarray) -> None:
    """Give 1 where values spread little in their block, and next to nothing where they do much more than in most."""
    blocks = len(first) // block
    spread = np.empty(blocks, np.float32)
    for k in range(blocks):
        part = first[k * block : (k + 1) * block]
        mean = np.float32(0)
        for value in part:
            mean += value
        mean /= np.float32(block)
        total = np.float32(0)
        for value in part:
            total += abs(value - mean)
        spread[k] = total
    most = np.float32(LOUDER) * max(np.sort(spread)[blocks // 10], np.float32(1e-9))
    for n in range(len(first)):
        out[n] = np.float32(1) if spread[min(n // block, blocks - 1)] <= most else np.float32(1e-3)


@kernel("float32(float32[::1], float32[::1])", fastmath=True)
def _product(a: np.ndarray, b: np.ndarray) -> np.float32:
    total = np.float32(0)
    for n in range(len(a)):
        total += a[n] * b[n]
    return total


@kernel("void(float32[:,::1], float32[::1], float32[:,::1], float64[:,::1])", fastmath=True)
def _normal(rails: np.ndarray, weight: np.ndarray, weighted: np.ndarray, gram: np.ndarray) -> None:
    """Give the weighted rows of a least squares fit, and their products with those that are not weighted."""
    taps, count = 2 * REACH + 1, len(weight)
    one = np.ones(count, np.float32)
    for i in range(taps + 1):
        row = rails[i & 1, i // 2 : i // 2 + count] if i < taps else one
        made = weighted[i]
        for n in range(count):
            made[n] = weight[n] * row[n]
        for j in range(i + 1):
            other = rails[j & 1, j // 2 : j // 2 + count] if j < taps else one
            gram[i, j] = gram[j, i] = _product(made, other)


@kernel("void(float32[:,::1], float64[::1], float32[::1], float32[::1])", fastmath=True)
def _filtered(rails: np.ndarray, taps: np.ndarray, out: np.ndarray, decided: np.ndarray) -> None:
    """Give what a filter and a constant make of rails, and decisions of that."""
    count = len(out)
    out[:] = np.float32(taps[2 * REACH + 1])
    for i in range(2 * REACH + 1):
        row, tap = rails[i & 1, i // 2 : i // 2 + count], np.float32(taps[i])
        for n in range(count):
            out[n] += tap * row[n]
    for n in range(count):
        decided[n] = np.float32(1) if out[n] > 0 else np.float32(-1)


def equalised(half: np.ndarray) -> np.ndarray:
    """Give soft symbols float32 (m,) of real samples at and between instants, float32 (2 m + 2 REACH,).

    A linear filter is fitted to a first look's decisions, twice, by least squares with a constant, as louder
    stretches (noise after a discriminator) are left out.
    """
    count = (len(half) - 2 * REACH) // 2
    out = np.zeros(max(count, 0), np.float32)
    if count < 64:
        return out
    rails = np.ascontiguousarray(half[: 2 * (count + REACH)].reshape(-1, 2).T, np.float32)
    first = rails[REACH & 1, REACH // 2 : REACH // 2 + count]
    weight = np.empty(count, np.float32)
    _weights(first, BLOCK_SYMBOLS, weight)
    sound = first[weight > 0.5]
    low, high = 3 * len(sound) // 20, 17 * len(sound) // 20
    ordered = np.partition(sound, (low, high))
    decided = np.where(first > 0.5 * (ordered[low] + ordered[high]), np.float32(1), np.float32(-1))
    taps = 2 * REACH + 1
    weighted, gram = np.empty((taps + 1, count), np.float32), np.empty((taps + 1, taps + 1))
    _normal(rails, weight, weighted, gram)
    gram[np.diag_indices(taps)] += 1e-3 * np.trace(gram) / (taps + 1) + 1e-12
    for _ in range(2):
        _filtered(rails, np.linalg.solve(gram, weighted @ decided), out, decided)
    return out


class _Stream:
    """One keying at one rate, from where it was found on."""

    def __init__(
        self, chance: Chance, octave: Octave, start: Start, before: np.ndarray, window: np.ndarray, at: int,
        lag: float,
    ):  # fmt: skip
        self.chance = chance
        self.octave = octave
        self.missed = 0
        self.age = 0  # looks since a frame was read
        self.waiting = 0  # windows since then
        self.power = 1e-30  # of the signal in the octave
        self.seen = 0  # sync markers
        self._symbols = 0  # since the last of them
        self._per = start.per
        self._lag = lag
        self._last = 0.0
        self._ending = False
        self._lanes: Any
        kind = chance.kind
        if kind in (carrier.QPSK, carrier.OQPSK):
            self._lanes = PairLanes(offset=kind == carrier.OQPSK)
        else:
            self._lanes = SerialLanes()
        width = min(max(LOOP_HZ / chance.rate_hz, LOOP_LEAST), LOOP_MOST)
        roll_off = REAL_ROLL_OFF if kind == carrier.REAL else ROLL_OFF
        joined = np.concatenate([before, window])
        self._offset = at - len(before)  # of joined[0] in samples of the octave
        self._forward, half, spots = follow(
            kind, joined, replace(start, place=len(before) + start.place), roll_off=roll_off, carrier_width=width,
            clock_width=CLOCK_WIDTH, drift=0.0 if kind == carrier.REAL else chance.drift(octave.rate_hz),
        )  # fmt: skip
        self._half = np.zeros(0, np.complex64)
        self._spots = np.zeros(0)
        self._first = True
        self._pending = (half, spots)
        self._carrier: deque[tuple[float, float]] = deque(maxlen=NOTES)
        self._note()
        self.locked = self._is_locked(half[: len(half) // 2 * 2].reshape(-1, 2))

    def _note(self) -> None:
        place = (self._forward.place + self._offset - self._lag) * self.octave.factor
        self._carrier.append((place, self._forward.turn / (2 * np.pi) * self.symbol_rate_hz))

    def carrier_hz(self, place: float) -> float:
        """Give the carrier at a place in samples of the channel, relative to where that is tuned."""
        known = [item for item in self._carrier if item[0] >= place]
        if not known or len(known) == len(self._carrier):  # outside of what was noted
            at, hz = self._carrier[0 if known else -1]
            drift = self._forward.bend * (self.octave.rate_hz / self.octave.factor)
            return hz + drift * (place - at)
        places, hz_there = np.array(self._carrier).T
        return float(np.interp(place, places, hz_there))

    @property
    def still(self) -> bool:
        """Tell whether what is read is found again without a thought of drift."""
        return (
            self.chance.kind != carrier.REAL and self.chance.bend is None and self.locked and not self.missed
        )

    @property
    def symbol_rate_hz(self) -> float:
        """As measured."""
        return self.octave.rate_hz / self._forward.per

    @property
    def fruitless(self) -> bool:
        """Tell whether more symbols went by without a sync marker than any codeblock has."""
        bits = self._symbols * (1 if self.chance.kind in (carrier.REAL, carrier.BPSK) else 2)
        return bits > TRIAL_BITS * (2 if self._lanes.decoding else 1)

    def _is_locked(self, symbols: np.ndarray) -> bool:
        kind = self.chance.kind
        if kind == carrier.REAL or len(symbols) < LOCK_SYMBOLS:
            return True
        return bool(carrier.most_locked(symbols, kind, LOCK_SYMBOLS) > LOCKED[kind])

    def place_error(self, place: float, at: int) -> float:
        """Give how far a place in the window at `at` is from the loop's nearest instant, in symbols."""
        return self._forward.away(place + at - self._offset)

    def turn_error(self, turn: float, place: float, at: int) -> float:
        """Give how far a carrier at a place in the window at `at` is from the loop's, radians a symbol."""
        fold = 2 * np.pi / FOLD[self.chance.kind]
        off = (turn - self._forward.turn_at(place + at - self._offset) + fold / 2) % fold - fold / 2
        return float(abs(off))

    def settle(self, found: Found) -> None:
        """Go on with the coding that has read something, and no other."""
        self._lanes.settle(found)

    def open(self, windows: int) -> list[Found]:
        """Give what the samples up to the opening window held; before the last `windows` there was nothing in them."""
        half, spots = self._pending
        self._pending = (half[:0], spots[:0])
        out = self._take(half, spots)
        self._symbols = min(self._symbols, int(windows * WINDOW / self._per))
        return out

    def feed(self, window: np.ndarray) -> list[Found]:
        """Take the next window."""
        symbols, places = self._forward.feed(window)
        self.locked = self._is_locked(symbols)
        self._note()
        spots = np.repeat(places, 2)
        spots[1::2] += 0.5 * self._per
        return self._take(symbols.reshape(-1), spots)

    def close(self) -> list[Found]:
        """Give what is still held."""
        pad = np.zeros(64, np.complex64)
        out = self.feed(pad)
        if self.chance.kind == carrier.REAL:
            out += self._take(np.zeros(4 * REACH, np.complex64), np.full(4 * REACH, self._last))
        return out + list(self._lanes.close())

    def _take(self, half: np.ndarray, spots: np.ndarray) -> list[Found]:
        if len(spots):
            self._last = float(spots[-1])
        self._symbols += len(spots) // 2
        out = self._read(half, spots)
        if self._lanes.seen > self.seen:
            self.seen, self._symbols = self._lanes.seen, 0
        return out

    def _read(self, half: np.ndarray, spots: np.ndarray) -> list[Found]:
        kind = self.chance.kind
        scale = self.octave.factor
        if kind != carrier.REAL:
            count = len(half) // 2
            rails = half[: 2 * count].reshape(count, 2)
            places = (spots[: 2 * count : 2] + self._offset - self._lag) * scale
            if kind == carrier.BPSK:
                return list(self._lanes.feed(rails[:, 0].real.copy(), places))
            second = rails[:, 1] if kind == carrier.OQPSK else rails[:, 0]
            return list(self._lanes.feed(np.stack([rails[:, 0].real, second.imag], axis=1), places))
        if self._first:
            self._half = np.zeros(REACH, np.complex64)
            self._spots = np.zeros(REACH)
            self._first = False
        self._half = np.concatenate([self._half, half])
        self._spots = np.concatenate([self._spots, spots])
        out: list[Found] = []
        while len(self._half) >= 2 * FIT + 2 * REACH or (self._ending and len(self._half) > 2 * REACH + 128):
            count = min(FIT, (len(self._half) - 2 * REACH) // 2)
            part = np.ascontiguousarray(self._half[: 2 * count + 2 * REACH].real)
            places = (self._spots[REACH : REACH + 2 * count : 2] + self._offset - self._lag) * scale
            out += self._lanes.feed(equalised(part), places)
            self._half, self._spots = self._half[2 * count :], self._spots[2 * count :]
        return out


@dataclass(slots=True)
class _Trial:
    """How a keying that lines tell of again and again was tried before; places are samples of the channel."""

    last: float  # when its line was last there
    failed: int = 0
    fruitless: int = 0
    again: float = 0.0  # when it may be tried again


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
        kind = np.float32 if self._audio else np.complex64
        rate = samples.rate_hz
        self._blocks = FixedBlocks(WINDOW)
        self._centred = Centred(rate, CENTRED_HZ, gentle=True)
        self._fed = False
        self._taken = 0  # samples, in whole windows
        self._end = np.inf  # samples there are in all, once that is known
        self._octaves = octaves(rate, AUDIO_RATES_HZ if self._audio else RATES_HZ, kind)
        self._reversal: list[Octave] = []
        if self._audio and rate >= 4 * AUDIO_REVERSAL_HZ * 1.5:
            divide = max(int(rate // 9600.0), 1)
            self._divide = divide
            self._mixed = 0  # samples of the octave
            self._low = StreamingFir(lowpass(1500.0, 500.0, rate, stop_db=45.0))
            below = Octave(rate / divide, divide, np.complex64)
            below.rates = [AUDIO_REVERSAL_HZ]
            self._reversal = [below]
            self._spare = np.zeros(0, np.complex64)
        every = [*self._octaves, *self._reversal]
        self._vain = {id(octave): 0 for octave in every}  # windows with something but without a marker
        self._past: dict[int, deque[np.ndarray]] = {id(octave): deque(maxlen=TOGETHER) for octave in every}
        self._looks = {id(octave): PhaseLooks() for octave in every}
        self._lags: dict[tuple[int, float], float] = {}
        self._streams: dict[tuple[int, int, float], _Stream] = {}
        self._trials: dict[tuple[int, int, float], _Trial] = {}
        self._starts = {
            id(octave): (float(MOST_STARTS), 0) for octave in every
        }  # to be tried yet, as of a sample
        self._settled: tuple[int, int, float] | None = None  # the stream whose frames are read

    def feed(self, samples: Samples) -> list[Frame]:
        """Take the next samples; frames come when their codeblock is judged, a few thousand symbols late."""
        if self._first is None:
            self._begin(samples)
        if samples.noise_dbfs_hz is not None and self._noise is None:
            self._noise = samples.noise_dbfs_hz
        out: list[Frame] = []
        data = (
            finite(samples.data) if not self._audio else np.where(np.abs(samples.data) < 1e6, samples.data, 0)
        )
        data = data.astype(np.float32 if self._audio else np.complex64, copy=False)
        self._fed |= len(data) > 0
        for block in self._blocks.feed(data):
            out += self._block(block)
        return out

    def close(self) -> list[Frame]:
        """Give what is still in the streams."""
        if self._first is None:
            return []
        out: list[Frame] = []
        rest = self._blocks.rest()
        self._end = float(self._taken + len(rest))
        if self._fed:
            tail = np.zeros(WINDOW, np.float32 if self._audio else np.complex64)
            tail[: len(rest)] = rest
            out += self._block(tail)
        for number, octave in enumerate(self._octaves):
            window, at = octave.rest()
            out += self._window(octave, window, at)
            out += self._ladder(number + 1, *octave.halved(window))
        for octave in self._reversal:
            out += self._window(octave, *octave.rest())
        while self._streams:
            _, stream = self._streams.popitem()
            out += self._frames(stream, self._closed(stream))
        self._first = None
        return out

    @staticmethod
    def _closed(stream: _Stream) -> list[Found]:
        stream._ending = True
        return stream.close()

    def _block(self, block: np.ndarray) -> list[Frame]:
        if not self._audio:
            quiet = None if self._noise is None else ALONE * self._rate_hz() * 10 ** (self._noise / 10)
            self._centred.gentle = all(item[1] != carrier.REAL for item in self._streams)
            block = self._centred.feed(block, quiet)
        out = self._ladder(0, block, self._taken)
        if self._reversal:
            phase = (self._taken + np.arange(len(block))) * (AUDIO_MIDDLE_HZ / self._rate_hz()) % 1.0
            mixed = block * np.exp(-2j * np.pi * phase)
            low = np.concatenate([self._spare, self._low.feed(mixed.astype(np.complex64))])
            whole = len(low) // (2 * self._divide) * 2 * self._divide
            self._spare = low[whole:]
            octave = self._reversal[0]
            made = low[: whole : self._divide].copy()
            for window, at in octave.feed(made, self._mixed):
                out += self._window(octave, window, at)
            self._mixed += len(made)
        self._taken += len(block)
        return out

    def _ladder(self, number: int, x: np.ndarray, at: int) -> list[Frame]:
        """Take samples of an octave, and go down the ladder as far as something may be found."""
        if number == len(self._octaves):
            return []
        octave = self._octaves[number]
        out: list[Frame] = []
        for window, place in octave.feed(x, at):
            out += self._window(octave, window, place)
            read = self._settled
            if read is None or read[0] != id(octave):  # one emission has one keying
                out += self._ladder(number + 1, *octave.halved(window))
        return out

    def _rate_hz(self) -> float:
        return self._first.rate_hz if self._first is not None else 1.0

    def _window(self, octave: Octave, window: np.ndarray, at: int) -> list[Frame]:
        key = id(octave)
        rates = octave.rates
        if self._settled is not None and self._settled not in self._streams:
            self._settled = None
        settled = self._settled
        if settled is not None:  # while one keying is read, nothing else is looked for
            if settled[0] != key:
                self._forget(key)
                return []
            rates = [settled[2]]
        past = self._past[key]
        past.append(window)
        noise = 0.0
        if self._noise is not None and not self._audio:
            noise = octave.rate_hz * 10 ** (self._noise / 10)
        power, alike = power_of(window)
        asleep = self._asleep(power, alike, noise) or self._end < (at + LEAST_REST * WINDOW) * octave.factor
        if asleep:
            self._vain[key] = 0
        else:
            self._vain[key] += 1
        vain = self._vain[key]
        limit = max(VAIN_S * octave.rate_hz / WINDOW, VAIN_LEAST)
        every = VAIN_EVERY if vain < LONG_VAIN * limit or octave.rate_hz < SLOW_HZ else VAIN_SELDOM
        resting = settled is None and vain > limit and vain % every
        blind = bool(resting) or (settled is not None and self._streams[settled].waiting < LOOK_AFTER)
        chances: list[Chance] = []
        steps: dict[float, np.ndarray] = {}
        if not asleep and not blind:
            drifting = frequency = True
            if vain > limit:
                drifting = vain // every % 2 == 1
            elif vain > FRESH and octave.rate_hz > SLOW_HZ:  # a window beside tells it as well
                drifting = vain % 2 == 0
                frequency = not drifting or any(item[:2] == (key, carrier.REAL) for item in self._streams)
            chances, steps = self._chances(
                octave, window, power, alike, rates, drifting=drifting, frequency=frequency
            )
        out: list[Frame] = []
        found = {(key, chance.kind, chance.rate_hz): chance for chance in chances}
        if settled is not None:
            found = {item: chance for item, chance in found.items() if item == settled}
        own = max(power - noise, 1e-30)
        for item in [item for item in self._streams if item[0] == key]:
            if item not in self._streams:
                continue  # another has read a frame meanwhile
            stream = self._streams[item]
            found_again = item in found or stream.seen > 0
            stream.missed = 0 if found_again and stream.locked else stream.missed + (not blind)
            stream.waiting += 1
            if blind or item in found:
                stream.power = own
            part = window
            if item[1] == carrier.REAL:
                part = steps[item[2]] if item[2] in steps else self._steps(octave, item[2])
            out += self._frames(stream, stream.feed(part.astype(np.complex64, copy=False)))
            if stream.missed >= MISSES or stream.fruitless:
                out += self._frames(stream, self._closed(stream))
                self._streams.pop(item, None)
                if stream.fruitless:  # still, now that all of it was read
                    trial = self._trials.setdefault(item, _Trial(float(self._taken)))
                    wait_s = min(2.0**trial.fruitless, LONGEST_S)
                    trial.fruitless, trial.again = trial.fruitless + 1, self._taken + wait_s * self._rate_hz()
            elif stream.seen:
                self._vain[key] = 0
        for item, chance in found.items():
            if self._settled is not None and item != self._settled:
                continue
            if not self._on_one_axis(item, found) and self._may_open(item, octave):
                out += self._open(item, chance, octave, at, own)
        return sorted(out, key=lambda frame: frame.time_ns)

    def _chances(
        self,
        octave: Octave,
        window: np.ndarray,
        power: float,
        alike: float,
        rates: list[float],
        *,
        drifting: bool,
        frequency: bool,
    ) -> tuple[list[Chance], dict[float, np.ndarray]]:
        """Give what the newest window of an octave may hold, and its frequency steps as filtered for rates.

        Drifting carriers and frequency keying are thought of where that is told.
        """
        settled = self._settled
        chances: list[Chance] = []
        if np.iscomplexobj(window) and (settled is None or settled[1] != carrier.REAL):
            known = any(item[0] == id(octave) and each.still for item, each in self._streams.items())
            chances = self._looks[id(octave)].look(
                window, power, alike, octave.rate_hz, octave.rates, drifting=drifting and not known
            )
        if octave in self._reversal:
            return [chance for chance in chances if chance.kind == carrier.BPSK], {}
        if not frequency or (settled is not None and settled[1] != carrier.REAL):
            return chances, {}
        linear = {chance.rate_hz: chance.strength for chance in chances if chance.kind == carrier.QPSK}
        steps = {rate: self._steps(octave, rate) for rate in rates}
        keyed = frequency_keyed(list(steps.values()), octave.rate_hz, rates)
        chances += [item for item in keyed if item.strength > LINEAR * linear.get(item.rate_hz, 0.0)]
        return chances, steps

    def _steps(self, octave: Octave, rate_hz: float, *, before: bool = False) -> np.ndarray:
        """Give the frequency steps of an octave's newest window, or of all held before it, as filtered for a rate."""
        past = list(self._past[id(octave)])
        last = past[-1]
        early, late = (past[-2] if len(past) > 1 else last[:0]), last
        if before:
            early, late = last[:0], np.concatenate([last[:0], *past[:-1]])
        steps, self._lags[id(octave), rate_hz] = frequency_steps(early, late, octave.rate_hz / rate_hz)
        return steps

    def _forget(self, key: int) -> None:
        """Let go of what was seen of an octave, for what comes next does not follow it."""
        self._past[key].clear()
        self._looks[key].rest()

    def _asleep(self, power: float, alike: float, noise: float) -> bool:
        """Tell whether a window holds nothing that any rate of its octave could be."""
        if power < 1e-20 or power < QUIET * noise:
            return True
        return not self._audio and narrow(power, alike, noise)

    def _on_one_axis(self, item: tuple[int, int, float], found: Iterable[tuple[int, int, float]]) -> bool:
        """Tell whether a clock of four phases is one of reversals, whose carrier is there and is or was followed."""
        reversals = (item[0], carrier.BPSK, item[2])
        if item[1] != carrier.QPSK or reversals not in found:
            return False
        trial = self._trials.get(reversals)
        waiting = trial is not None and trial.fruitless > 0 and self._taken < trial.again
        return waiting or reversals in self._streams

    def _may_open(self, item: tuple[int, int, float], octave: Octave) -> bool:
        """Tell whether a keying that a line tells of is to be looked at: seldom where that has been in vain."""
        known = self._streams.get(item)
        if known is not None:
            known.age += 1
            return known.age % CHECK_EVERY == 0
        trial = self._trials.get(item)
        pause = PAUSE_S * self._rate_hz() + MISSES * WINDOW * octave.factor
        if trial is None or self._taken > trial.last + pause:
            trial = self._trials[item] = _Trial(0.0)
        trial.last = self._taken
        unproven = sum(each[0] == item[0] and not other.seen for each, other in self._streams.items())
        starts, since = self._starts[item[0]]
        starts = min(starts + (self._taken - since) / self._rate_hz() * STARTS_S, float(MOST_STARTS))
        if self._taken < trial.again or unproven >= MOST_STREAMS or starts < 1:
            return False
        self._starts[item[0]] = (starts - 1, self._taken)
        trial.failed += 1
        if trial.failed > TRIES:
            wait = WINDOW * octave.factor * (2.0 ** (trial.failed - TRIES) - 1)
            trial.again = self._taken + min(wait, LONGEST_S * self._rate_hz())
        return True

    def _open(
        self, item: tuple[int, int, float], chance: Chance, octave: Octave, at: int, power: float
    ) -> list[Frame]:
        """Begin a stream in the newest window, at `at`, or compare the one there is with it."""
        known = self._streams.get(item)
        past = list(self._past[item[0]])
        real = chance.kind == carrier.REAL
        window = self._steps(octave, chance.rate_hz).astype(np.complex64) if real else past[-1]
        per = octave.rate_hz / chance.rate_hz
        reach = min(0.4, max(0.45 / per, 3 * self._mode.offset_ok_hz / octave.rate_hz))
        lines = None if chance.carrier is None else (chance.carrier, chance.clock)
        start = acquire(
            chance.kind, window, per, roll_off=ROLL_OFF, reach=reach, clock_error=FAR_ERROR, lines=lines,
            bend=chance.bend, drift=chance.drift(octave.rate_hz),
        )  # fmt: skip
        if start is None:
            return []
        if known is not None:
            wrong_carrier = not real and known.turn_error(start.turn, start.place, at) > 0.15
            half = 2.0 if chance.kind == carrier.OQPSK else 1.0
            away = known.place_error(start.place, at) * half
            if not wrong_carrier and min(away, abs(half / 2 - away) if half > 1 else away) < 0.3:
                return []
            out = self._frames(known, self._closed(known))
            self._streams.pop(item, None)
        else:
            out = []
        earlier = [self._steps(octave, chance.rate_hz, before=True)] if real else past[:-1]
        before = np.concatenate([window[:0], *earlier]).astype(np.complex64)
        stream = _Stream(
            chance, octave, start, before, window, at, self._lags[item[0], chance.rate_hz] if real else 0.0
        )
        if not stream.locked:
            return out
        stream.power = power
        self._streams[item] = stream
        return out + self._frames(stream, stream.open(max(self._vain[item[0]], 1)))

    def _settle(self, stream: _Stream, found: Found) -> list[Frame]:
        """A stream has read a frame: the others give what they hold and end."""
        out: list[Frame] = []
        if stream.chance.kind == carrier.REAL and any(item[1] != carrier.REAL for item in self._streams):
            return out  # read coherently it is read better
        mine = [item for item, other in self._streams.items() if other is stream]
        if mine and self._settled != mine[0]:
            self._settled = mine[0]
            stream.settle(found)
            others = [self._streams.pop(item) for item in list(self._streams) if item != mine[0]]
            for other in others:
                out += self._frames(other, self._closed(other))
        return out

    def _frames(self, stream: _Stream, found: list[Found]) -> list[Frame]:
        out: list[Frame] = []
        for item in found:
            stream.age = stream.waiting = 0
            out += self._settle(stream, item)
            frame = self._frame(stream, item)
            if not any(
                frame.time_ns < other.stop_ns and other.time_ns < frame.stop_ns and frame.bits == other.bits
                for other in self._reported
            ):
                self._reported = [*self._reported[-63:], frame]
                out.append(frame)
        return out

    def _frame(self, stream: _Stream, found: Found) -> Frame:
        first, block, chance = self._first, found.block, stream.chance
        if first is None:
            raise RuntimeError("a frame before any samples")
        extra: dict[str, Any] = {
            "modulation": "MSK" if found.msk else NAMES[chance.kind],
            "symbol_rate_hz": round(stream.symbol_rate_hz * (2 if found.msk else 1), 1),
            "line_code": found.line_code,
            "convolutional": "K=7 rate 1/2" if found.convolutional else "none",
            "framing": FRAMING,
            "randomizer": block.randomizer,
            "sync_errors": block.sync_errors,
            "chance_log10": round(block.chance_log10, 1),
        }
        if block.code is not None:
            extra["interleave_depth"] = block.code.depth
        turn_hz = stream.carrier_hz(0.5 * (block.start + block.stop))
        frequency = None
        if self._audio and chance.kind != carrier.REAL:
            extra["audio_carrier_hz"] = round(AUDIO_MIDDLE_HZ + turn_hz)
        elif not self._audio:
            frequency = first.center_hz + (turn_hz if chance.kind != carrier.REAL else 0.0)
            frequency += self._centred.shift_hz(0.5 * (block.start + block.stop))
        level = 10 * float(np.log10(stream.power))
        snr = None
        if self._noise is not None and not self._audio:
            snr = level - self._noise - 10 * float(np.log10(self._mode.bandwidth_hz))
        return Frame(
            mode=self._mode.name,
            time_ns=first.time_ns(block.start),
            stop_ns=first.time_ns(max(block.stop, block.start + 1)),
            bits=Bits(int.from_bytes(block.frame, "big"), 8 * len(block.frame)),
            check="corrected" if block.corrected else "pass",
            corrected_bits=block.corrected,
            check_name=block.check_name(),
            extra=extra,
            level_dbfs=level,
            snr_db=snr,
            frequency_hz=frequency,
        )
