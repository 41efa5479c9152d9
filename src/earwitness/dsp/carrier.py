"""Symbols of phase-keyed and frequency-keyed streams of known rate: lines to begin with, loops to stay with.

A stretch of about a thousand symbols is asked for its clock and carrier by their spectral lines, so that a loop
starts where it would settle; from there it follows forwards, and backwards to what came before. Loops are of
second order (F. M. Gardner, Phaselock Techniques; timing error detector: Gardner, IEEE Trans. Comm. 1986; both
from memory). The matched filter is evaluated at the instants the timing loop asks for, nowhere else.

- BPSK, QPSK: the clock is a line in |z|^2 at the symbol rate; the carrier in z^2 or, at the instants, z^4.
- A carrier that drifts smears such lines: its drift is found first (`dsp.swept`), and taken out; the loop then takes
  it out of what comes next, as it measures it from one piece to the next.
- OQPSK and MSK: z^2 has two lines, a symbol rate either side of twice the carrier; both are read from the pair.
- Frequency keying after a discriminator: real values; the clock is a line in the size of the change over half a symbol.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from earwitness.dsp import fft, swept
from earwitness.dsp.aligned import fir
from earwitness.dsp.filters import root_raised_cosine
from earwitness.dsp.jit import kernel
from earwitness.dsp.spectra import NARROWED, hann, mean_power, narrowed, smoothed

PHASES = 64  # sub-sample positions of the matched filter
SPAN = 6  # symbols each side
REAL, BPSK, QPSK, OQPSK = 0, 1, 2, 3
STATE = 12
PULL = 0.3  # of how far the carrier is from where it was expected, that is made up in the next piece
LEAST_MEASURED = 256  # symbols from which the drift is measured
PIECE = 8192  # samples that drift is taken to be even in, at most
LEAST_CLOCK = 12.0  # power of a line over what is around it
LEAST_CLOCK_BESIDE = 6.0  # where a carrier line must be there as well
NEAR_ERROR = 2e-4  # of a clock that lines are looked for first
FAR_LEAST = 4.0  # how much stronger one further away must be
AROUND = 24  # bins either side of a line that it is compared with
_ROW = 256  # values of a spectrum that tells where power lies
LEAST_CLOCK_SHARE = 0.003  # of the power that the line of |z|^2 has; 0.05 with a roll-off of 0.2 and no noise
MOST_HALF = 0.5  # of a clock's line, that one at half of it may have: 0.7 and more where that is the clock
LEAST_CARRIER = 16.0
WITHIN = 0.75  # of a share of swept.HALVES, where a drift was looked for: how well a line's place is known
LEAST_BESIDE = 8.0  # of either of two lines
# of the power that the line of the square of reversals has; more than 0.2 at -2 dB of Es/N0
LEAST_SHARE = 0.12


@lru_cache(maxsize=32)
def matched(per: float, roll_off: float) -> np.ndarray:
    """Give a root-raised-cosine filter at `per` samples a symbol, float32 (PHASES, taps), unit energy in each row."""
    fine = root_raised_cosine(roll_off, per * PHASES, SPAN) * np.sqrt(PHASES)
    half = int(SPAN * per)
    places = (np.arange(-half + 1, half + 1)[None, :] - np.arange(PHASES)[:, None] / PHASES) * PHASES
    at = np.rint(places).astype(np.int64) + len(fine) // 2
    taps = np.where((at >= 0) & (at < len(fine)), fine[np.clip(at, 0, len(fine) - 1)], 0)
    return np.ascontiguousarray(taps, np.float32)


@lru_cache(maxsize=32)
def _short(per: float, roll_off: float) -> np.ndarray:
    return root_raised_cosine(roll_off, per, 4).astype(np.float32)


@kernel("UniTuple(float32, 2)(float32[::1], float32[:,::1], float64)", fastmath=True)
def _at(x: np.ndarray, table: np.ndarray, place: float) -> tuple[np.float32, np.float32]:
    """Give the filter's output at a place in complex samples, held as pairs of floats; zero outside."""
    # Unsigned places need no look whether they count from the end: only so does the sum use whole vectors.
    rows, taps = table.shape
    half = taps // 2
    re = np.float32(0)
    im = np.float32(0)
    turned = place * rows + 0.5
    if turned < (half - 1) * rows or turned >= (len(x) // 2 - half) * rows:
        return re, im
    fine = np.uint64(turned)
    whole = fine // np.uint64(rows)
    row = table[fine - whole * np.uint64(rows)]
    base = whole - np.uint64(half - 1)
    part = x[np.uint64(2) * base : np.uint64(2) * (base + np.uint64(taps))]
    for k in range(np.uint64(taps)):
        re += part[np.uint64(2) * k] * row[k]
        im += part[np.uint64(2) * k + np.uint64(1)] * row[k]
    return re, im


@kernel("void(float32[::1], float32[:,::1], float64, float64, complex64[::1])")
def _sample(x: np.ndarray, table: np.ndarray, first: float, step: float, out: np.ndarray) -> None:
    for k in range(len(out)):
        re, im = _at(x, table, first + k * step)
        out[k] = complex(re, im)


@kernel("void(complex64[::1], float64, float64, complex64[::1])", fastmath=True)
def _mix(x: np.ndarray, cycles: float, first: float, out: np.ndarray) -> None:
    """out[n] = x[n] turned back by `cycles` times its index; x[0] has index `first`."""
    re = np.empty(64, np.float32)
    im = np.empty(64, np.float32)
    for k in range(64):
        angle = 2 * np.pi * cycles * k
        re[k] = np.cos(angle)
        im[k] = -np.sin(angle)
    for n in range(0, len(x), 64):
        angle = 2 * np.pi * ((cycles * (first + n)) % 1.0)
        cos, sin = np.float32(np.cos(angle)), np.float32(-np.sin(angle))
        part = x[n : n + 64]
        made = out[n : n + 64]
        for k in range(len(part)):
            a = cos * re[k] - sin * im[k]
            b = cos * im[k] + sin * re[k]
            v = part[k]
            made[k] = complex(v.real * a - v.imag * b, v.real * b + v.imag * a)


def mixed(x: np.ndarray, cycles: float, first: float = 0.0) -> np.ndarray:
    """Give complex64 (n,) turned back by `cycles` a sample, the first of them having index `first`."""
    out = np.empty(len(x), np.complex64)
    _mix(np.ascontiguousarray(x, np.complex64), float(cycles), float(first), out)
    return out


@kernel("float64(float64)")
def _soft(value: float) -> float:
    """A decision that does not overstate a weak value: a straight line, cut off."""
    return min(max(1.6 * value, -1.0), 1.0)


@kernel("complex128(float64)")
def _turned_back(angle: float) -> complex:
    """Give exp(-1j angle) of an angle below one by its series, within 1e-8."""
    z = angle * angle
    cos = 1 - z * (1 / 2 - z * (1 / 24 - z * (1 / 720 - z * (1 / 40320 - z / 3628800))))
    sin = angle * (1 - z * (1 / 6 - z * (1 / 120 - z * (1 / 5040 - z / 362880))))
    return complex(cos, -sin)


@kernel(
    "int64(float32[::1], float32[:,::1], int64, float64, float64, float64[::1], float64[::1],"
    " complex64[:,::1], float64[::1])"
)
def _track(
    x: np.ndarray,
    table: np.ndarray,
    kind: int,
    begin: float,
    stop: float,
    gains: np.ndarray,
    state: np.ndarray,
    out: np.ndarray,
    places: np.ndarray,
) -> int:
    """Follow symbols whose places lie before `stop`; gives how many.

    state: [place, samples a symbol, phase, turn a symbol, power, last symbol re, im, last half re, im, ...];
    `begin` is added to places written out. out[k] holds the samples at and half a symbol after each instant.
    """
    place, per, phase, turn, power = state[0], state[1], state[2], state[3], state[4]
    last = complex(state[5], state[6])
    between = complex(state[7], state[8])
    nominal = state[9]
    back = complex(np.cos(phase), -np.sin(phase))
    scale = 1.0 / np.sqrt(power + 1e-30)
    made = 0
    while place < stop and made < len(places):
        re, im = _at(x, table, place)
        a = complex(re, im) * back
        re, im = _at(x, table, place + 0.5 * per)
        b = complex(re, im) * (back * _turned_back(0.5 * turn))
        power += gains[4] * (a.real * a.real + a.imag * a.imag - power)
        a *= scale
        b *= scale
        scale = 1.0 / np.sqrt(power + 1e-30)  # for the next: the loop need not wait for it
        out[made, 0] = a
        out[made, 1] = b
        places[made] = begin + place
        made += 1
        if kind == REAL:
            late = between.real * (last.real - a.real)
        elif kind == OQPSK:
            late = between.real * (last.real - a.real) + a.imag * (between.imag - b.imag)
        else:
            late = between.real * (last.real - a.real) + between.imag * (last.imag - a.imag)
        late = min(max(late, -1.0), 1.0)
        if kind == REAL:
            off = 0.0
        elif kind == BPSK:
            off = _soft(a.real) * a.imag
        elif kind == QPSK:
            off = _soft(a.real) * a.imag - _soft(a.imag) * a.real
        else:
            off = 0.7 * (_soft(a.real) * a.imag - _soft(b.imag) * b.real)
        off = min(max(off, -1.0), 1.0)
        turn += gains[1] * off
        turn = min(max(turn, state[10] - gains[5]), state[10] + gains[5])
        step = turn + gains[0] * off
        phase += step
        back *= _turned_back(step)
        back *= 1.5 - 0.5 * (back.real * back.real + back.imag * back.imag)
        per += gains[3] * late * nominal
        per = min(max(per, nominal * (1 - 5e-4)), nominal * (1 + 5e-4))
        place += per + gains[2] * late * nominal
        last = a
        between = b
    phase -= 2 * np.pi * np.floor(phase / (2 * np.pi))
    state[0], state[1], state[2], state[3], state[4] = place, per, phase, turn, power
    state[5], state[6], state[7], state[8] = last.real, last.imag, between.real, between.imag
    return made


@kernel("float64(complex64[:,::1], int64, int64)", fastmath=True)
def most_locked(symbols: np.ndarray, kind: int, size: int) -> float:
    """Give how well phase-keyed symbols, as `Tracker` gives them, stand where decisions are, in their best `size` of them.

    The mean of z^2 (reversals) or of -z^4 over the power of that; 1 without noise, about 1 / sqrt(size) in noise alone.
    """
    best = 0.0
    for first in range(0, len(symbols) - size + 1, size):
        good = 0.0
        power = 1e-30
        for n in range(first, first + size):
            re = symbols[n, 0].real
            im = symbols[n, 1].imag if kind == OQPSK else symbols[n, 0].imag
            square = re * re - im * im
            if kind == BPSK:
                good += square
                power += re * re + im * im
            else:
                cross = 2 * re * im
                good += cross * cross - square * square
                power += cross * cross + square * square
        best = max(best, good / power)
    return best


def loop_gains(width: float) -> tuple[float, float]:
    """Give proportional and integral gain of a second-order loop of noise bandwidth `width` a symbol, damping 0.707."""
    theta = width / (0.7071 + 1 / (4 * 0.7071))
    below = 1 + 2 * 0.7071 * theta + theta * theta
    return 4 * 0.7071 * theta / below, 4 * theta * theta / below


@dataclass(frozen=True, slots=True)
class Start:
    """Where a loop begins: an instant (samples), samples a symbol, radians, radians a symbol, mean symbol power."""

    place: float
    per: float
    phase: float
    turn: float
    power: float
    strength: float  # of the carrier's line over what noise gives, 0 for frequency keying
    bend: float = 0.0  # drift of the carrier, cycles a sample, each sample


class Tracker:
    """Follows one stream from a start; `feed` complex64 samples, get symbols.

    Widths are loop noise bandwidths in cycles a symbol. Symbols come as complex64 (n, 2): at the instant and half
    a symbol after it, of unit mean power (sum over both rails); places are counted from the first sample ever fed.
    `reach` bounds how far the carrier may wander from where it began, in radians a symbol. Where `drift` is not 0, the
    carrier may drift by so many cycles a sample each sample, and as far as it likes: each piece that is fed is turned
    back by what the loop measured before.
    """

    def __init__(
        self,
        kind: int,
        start: Start,
        *,
        roll_off: float,
        carrier_width: float = 0.01,
        clock_width: float = 0.003,
        reach: float = 0.5,
        drift: float = 0.0,
    ):
        self.kind = kind
        self._table = matched(round(start.per, 2), roll_off)  # of a few that are made once
        self._margin = self._table.shape[1] + int(start.per) + 2
        self._gains = np.array([*loop_gains(carrier_width), *loop_gains(clock_width), 0.004, reach])
        self._state = np.zeros(STATE)
        self._base = (
            start.turn / start.per / (2 * np.pi)
        )  # taken out before the matched filter, cycles a sample
        self._drift = drift
        # in a piece, a drift that is not as expected takes the carrier half as far as the loop may follow
        even = 0.5 * reach / (2 * np.pi * start.per * drift) if drift else np.inf
        self._even = int(np.clip(even, PIECE // 8, PIECE if drift else sys.maxsize))
        self._bend = min(max(start.bend, -drift), drift)  # of what is fed next
        base = self._base - self._bend * start.place  # of the first sample
        phase = start.phase - 2 * np.pi * start.place * (base + 0.5 * self._bend * start.place)
        self._segments = [(0, base, self._bend)] * 2  # where it began, cycles a sample there, and drift
        self._next = base
        self._turns = 0.0
        self._seen: tuple[float, float] | None = None  # a place, and the carrier there, cycles a sample
        self._state[[0, 1, 2, 4, 9]] = start.place, start.per, phase, start.power, start.per
        self._per = start.per
        self._fed = 0
        self._held = np.zeros(0, np.complex64)
        self._at = 0  # of _held[0]

    @property
    def turn(self) -> float:
        """The carrier as the loop has it, radians a symbol."""
        return 2 * np.pi * self._cycles() * float(self._state[9])

    @property
    def place(self) -> float:
        """The instant that is next."""
        return float(self._state[0])

    @property
    def bend(self) -> float:
        """The carrier's drift as measured, cycles a sample, each sample."""
        return self._bend

    def turn_at(self, place: float) -> float:
        """Give the carrier at a place near, if it goes on drifting as it does, radians a symbol."""
        return self.turn + 2 * np.pi * self._bend * (place - float(self._state[0])) * float(self._state[9])

    def _cycles(self) -> float:
        place = float(self._state[0])
        at, base, bend = self._segments[place >= self._segments[1][0]]
        return base + bend * (place - at) + float(self._state[3] / (2 * np.pi * self._state[9]))

    def _turned(self, x: np.ndarray) -> np.ndarray:
        """Turn what is fed back by what the carrier is expected to be."""
        if not self._drift:
            return mixed(x, self._base, self._fed) if self._base else x
        if self._seen is not None and self._seen[0] > self._segments[1][0]:
            place, cycles = self._seen
            ahead = cycles + self._bend * (self._fed - place)  # where the carrier is by now
            pull = PULL * (ahead - self._next) / max(len(x), 1)
            bend = min(max(self._bend + pull, -self._drift), self._drift)
        else:
            bend = self._bend
        out = np.empty(len(x), np.complex64)
        self._segments = [self._segments[1], (self._fed, self._next, bend)]
        self._turns = float(swept.slid(np.ascontiguousarray(x), self._turns, self._next, bend, out))
        self._next += bend * len(x)
        return out

    def _measure(self) -> None:
        """Note where the carrier is, and how it drifted since it was noted last."""
        place, cycles = float(self._state[0]), self._cycles()
        if self._seen is not None and place > self._seen[0]:
            bend = (cycles - self._seen[1]) / (place - self._seen[0])
            self._bend = min(max(0.5 * (self._bend + bend), -self._drift), self._drift)
        self._seen = (place, cycles)

    @property
    def per(self) -> float:
        """Samples a symbol, the mean over what was fed last."""
        return self._per

    def away(self, place: float) -> float:
        """Give how far a place is from the nearest instant as the loop has them, in symbols."""
        off = (place - self._state[0]) / self._state[1]
        return float(abs(off - round(off)))

    def feed(self, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Take the next samples; give (symbols, places)."""
        x = np.asarray(x, np.complex64)
        if len(x) <= self._even:
            return self._piece(x)
        parts = [self._piece(x[at : at + self._even]) for at in range(0, len(x), self._even)]
        symbols, places = (np.concatenate(each) for each in zip(*parts, strict=True))
        if len(places) > 1:
            self._per = float(places[-1] - places[0]) / (len(places) - 1)
        return symbols, places

    def _piece(self, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        fresh = self._turned(x)
        self._fed += len(x)
        self._held = np.concatenate([self._held, fresh])
        state = self._state
        stop = len(self._held) - self._margin
        count = max(int((self._at + stop - state[0]) / (state[9] * (1 - 1e-2))) + 4, 0)
        out, places = np.empty((count, 2), np.complex64), np.empty(count)
        state[0] -= self._at
        made = 0
        if count:
            made = int(
                _track(
                    self._held.view(np.float32), self._table, self.kind, float(self._at), float(stop),
                    self._gains, state, out, places,
                )
            )  # fmt: skip
        if made > 1:
            self._per = float(places[made - 1] - places[0]) / (made - 1)
        drop = min(max(int(state[0]) - self._margin, 0), len(self._held))
        state[0] += self._at
        self._held, self._at = self._held[drop:], self._at + drop
        if self._drift and made > LEAST_MEASURED:
            self._measure()
        return out[:made], places[:made]


def follow(
    kind: int,
    samples: np.ndarray,
    start: Start,
    *,
    roll_off: float,
    carrier_width: float,
    clock_width: float,
    drift: float = 0.0,
) -> tuple[Tracker, np.ndarray, np.ndarray]:
    """Follow a stream from a start amid complex64 samples (n,), backwards to their beginning and on to their end.

    Gives the tracker, to be fed what comes next; samples at and half a symbol after each instant, complex64 (2 m,)
    beginning with an instant; and their places, float64 (2 m,).
    """
    options = {
        "roll_off": roll_off, "carrier_width": carrier_width, "clock_width": clock_width, "drift": drift,
    }  # fmt: skip
    samples = np.asarray(samples, np.complex64)
    pad = np.zeros(64, np.complex64)
    begin = int(start.place) + 64
    # time turned round, and the carrier's turn with it
    turned = np.concatenate([pad, samples[:begin][::-1], pad])
    last = min(begin, len(samples)) - 1
    back = Tracker(kind, replace(start, place=64 + last - start.place, turn=-start.turn), **options)
    earlier, places = back.feed(turned)
    places = last - (places - 64)
    inside = places > 0
    earlier, places = earlier[inside], places[inside]
    forward = Tracker(kind, start, **options)
    later, later_places = forward.feed(samples)
    half = np.concatenate([earlier.reshape(-1)[::-1][:-1], later.reshape(-1)])
    spots = np.repeat(places[::-1], 2)
    spots[0::2] -= 0.5 * start.per
    more = np.repeat(later_places, 2)
    more[1::2] += 0.5 * start.per
    spots = np.concatenate([spots[:-1], more])
    odd = len(earlier) > 0  # what went backwards begins between two instants
    return forward, half[int(odd) :], spots[int(odd) :]


def _spectrum(values: np.ndarray, cycles: float, reach: float) -> tuple[np.ndarray, float, int]:
    """Give a spectrum, under a Hann window, that has what is within `reach` of `cycles` and around that.

    Its middle, in cycles a sample, and how many samples each of its values was made from.
    """
    n = len(values)
    if reach + AROUND / n < 0.3 * NARROWED / n:  # near one place: turned there and thinned out
        thin = np.empty(NARROWED, np.complex64)
        narrowed(values, hann(n), cycles, thin)
        return fft.forward(thin, 2 * NARROWED), cycles, -(-n // NARROWED)
    size = 1 << (2 * n - 1).bit_length()
    return fft.forward((values * hann(n)).astype(np.complex64, copy=False), size), 0.0, 1


def _amplitude(values: np.ndarray, cycles: float) -> complex:
    """Give the complex amplitude of a line, referred to sample 0."""
    amplitude = np.empty(1, np.complex64)
    narrowed(values, hann(len(values)), cycles, amplitude)
    return complex(amplitude[0]) / (0.5 * len(values))


def line(values: np.ndarray, cycles: float, reach: float) -> tuple[float, complex, float]:
    """Find the strongest line within `reach` of `cycles` (both in cycles per sample), values complex64 or float32 (n,).

    Gives its frequency, its complex amplitude referred to sample 0, and its power over the mean power of what
    is around it. A Hann window; the frequency to about a fiftieth of a bin when strong.
    """
    values = np.ascontiguousarray(values)
    spectrum, middle, share = _spectrum(values, cycles, reach)
    around = share * AROUND / len(values)
    found, strength = _strongest(spectrum, (cycles - middle) * share, reach * share, around)
    exact = middle + found / share
    return exact, _amplitude(values, exact), strength


def _clock_line(values: np.ndarray, clock: float, error: float, least: float) -> tuple[float, complex]:
    """Give frequency and amplitude of a clock's line near `clock` (cycles per sample), or 0 where none is.

    It is looked for where good clocks are, and then, stronger by FAR_LEAST, up to `error` away.
    """
    values = np.ascontiguousarray(values)
    bin_width = 1.0 / len(values)
    spectrum, middle, share = _spectrum(values, clock, clock * error + bin_width)
    for reach, more in ((min(NEAR_ERROR, error), 0.0), (error, FAR_LEAST)):
        wide = (clock * reach + bin_width) * share
        found, strength = _strongest(spectrum, (clock - middle) * share, wide, share * AROUND * bin_width)
        if strength >= least + more:
            exact = middle + found / share
            return exact, _amplitude(values, exact)
    return 0.0, 0j


@kernel("UniTuple(float64, 2)(complex64[::1], float64, float64, float64)")
def _strongest(spectrum: np.ndarray, cycles: float, reach: float, around: float) -> tuple[float, float]:
    """Give the frequency of the strongest line in a spectrum, and its power over the mean of what is around it."""
    size = len(spectrum)
    low, high = int(np.floor((cycles - reach) * size)), int(np.ceil((cycles + reach) * size))
    top, power = low, -1.0
    for k in range(low, high + 1):
        value = spectrum[k % size]
        here = value.real * value.real + value.imag * value.imag
        if here > power:
            top, power = k, here
    a, b, c = (
        np.sqrt(abs(spectrum[(top - 1) % size])),
        np.sqrt(abs(spectrum[top % size])),
        np.sqrt(abs(spectrum[(top + 1) % size])),
    )
    bend = a - 2 * b + c
    fine = top + (0.5 * (a - c) / bend if bend < 0 else 0.0)
    wide = round(around * size)
    near = np.empty(2 * wide, np.float32)
    for k in range(2 * wide):
        value = spectrum[(top - wide + k) % size]
        near[k] = value.real * value.real + value.imag * value.imag
    return fine / size, power / (float(np.median(near)) / 0.69 + 1e-30)


@kernel("float64(float32[::1])", fastmath=True)
def _middle(power: np.ndarray) -> float:
    """Give where the power above the floor lies on average, of a smoothed spectrum, lowest first; 0 without any."""
    size = len(power)
    smooth = np.empty(size, np.float32)
    smoothed(power, 17, smooth)
    floor = np.float32(1.3) * np.sort(smooth)[size // 10]
    together = 0j
    for k in range(size):
        if smooth[k] > floor:
            angle = 2 * np.pi * (k / size - 0.5)
            together += (smooth[k] - floor) * complex(np.cos(angle), np.sin(angle))
    return np.arctan2(together.imag, together.real) / (2 * np.pi) if together != 0 else 0.0


def centroid(z: np.ndarray) -> float:
    """Give where the power above the floor lies on average, cycles per sample, of complex64 (n,); 0 without any."""
    rows = len(z) // _ROW
    if not rows:
        return 0.0
    spectra = fft.forward(z[: rows * _ROW].reshape(rows, _ROW) * hann(_ROW), overwrite=True)
    return float(_middle(mean_power(spectra)))


@kernel("float64(complex64[::1], complex64[::1], float32[::1])", fastmath=True)
def _squared(y: np.ndarray, square: np.ndarray, size: np.ndarray) -> float:
    """Give y^2, what |y|^2 is over its mean, and that mean."""
    total = 0.0
    for n in range(len(y)):
        re, im = y[n].real, y[n].imag
        square[n] = complex(re * re - im * im, np.float32(2) * re * im)
        size[n] = re * re + im * im
        total += size[n]
    mean = np.float32(total / len(y))
    for n in range(len(y)):
        size[n] -= mean
    return total / len(y)


def acquire(
    kind: int,
    z: np.ndarray,
    per: float,
    *,
    roll_off: float,
    reach: float,
    clock_error: float = 1e-4,
    coarse: float | None = None,
    lines: tuple[float, float | None] | None = None,
    bend: float | None = None,
    drift: float = 0.0,
) -> Start | None:
    """Give where a loop may begin in the middle of about a thousand symbols, complex64 (n,); None where no line is.

    `per`: samples a symbol as expected; the clock may be `clock_error` off. `reach`: how far the carrier may
    be off, cycles per sample; `coarse`: the centroid of z, where it is known already; `lines`: the carrier and, for OQPSK,
    the clock, where lines of the square have told them (cycles per sample, to a cycle or so in all of z), in
    the middle of z where `bend` is given as well, its drift as `dsp.swept` has it. `drift`: how much QPSK may drift, in cycles a
    sample each sample, where its carrier is not found without. Real streams (after a discriminator) come as complex ones without imaginary part.
    """
    n = len(z)
    middle = n // 2
    if kind == REAL:
        return _acquire_real(z, per, clock_error)
    told = None
    if lines is not None:
        coarse, told = lines
        reach = abs(coarse)
    elif coarse is None:
        coarse = centroid(z)
    coarse = min(max(coarse, -reach), reach)
    z = mixed(z, coarse)
    if bend is not None:
        z = swept.unswept(z, bend)
    taps = _short(per, roll_off)
    half = len(taps) // 2
    padded = np.zeros(n + 2 * half + 4, np.complex64)
    padded[half : half + n] = z
    y = np.empty(n, np.complex64)
    fir(padded.view(np.float32), taps, 2, y.view(np.float32))
    square, size = np.empty(n, np.complex64), np.empty(n, np.float32)
    power = float(_squared(y, square, size))
    if kind != OQPSK:
        exact, amplitude = _clock_line(size, 1 / per, clock_error, LEAST_CLOCK_BESIDE)
        if abs(amplitude) < LEAST_CLOCK_SHARE * power:
            return None  # none, or what is left of a line elsewhere, where there is no noise
        turn_to = (np.angle(amplitude) / (2 * np.pi) + exact * middle) % 1.0
        place, step = middle - turn_to / exact, 1 / exact
    left = 2.0 / n if lines else max(reach - abs(coarse), 0.25 * reach)
    rest = 0.0
    if bend is not None:
        left = WITHIN * swept.HALVES / n
        around = [0.0] if kind == BPSK or told is None else [-told, told]
        rest = 0.5 * swept.finer(square, around)
        square *= swept.turns(n, 2 * rest)
        if kind == QPSK:
            z *= swept.turns(n, rest)
        rest += bend
    if kind == OQPSK:
        start = _acquire_offset(square, power, per, coarse, left, told)
        return start and replace(start, bend=rest)
    if kind == BPSK:
        found, amplitude, strength = line(square, 0.0, min(2 * left, 0.45))
        if abs(amplitude) < LEAST_SHARE * power:
            return None  # lines of periodic data on two rails
        phase = 0.5 * (np.angle(amplitude) + 2 * np.pi * found * place)
        turn = np.pi * found * step
    else:
        count = int((n - 2 * half) / step) - 2
        first = place - (count // 2) * step
        symbols = np.empty(count, np.complex64)
        _sample(z.view(np.float32), matched(per, roll_off), first, step, symbols)
        amount = np.abs(symbols)
        fourth = symbols * symbols / (amount * np.sqrt(amount) + np.float32(1e-30))
        fourth *= fourth
        found, amplitude, strength = line(fourth, 0.0, 0.49)
        if strength < LEAST_CARRIER and drift:
            at = swept.sharpest(fourth, 4 * drift * step * step)
            top = (int(np.argmax(at.power)) / len(at.power) + 0.5) % 1.0 - 0.5
            made = fourth * swept.turns(count, at.bend)
            more = swept.finer(made, [top])
            made *= swept.turns(count, more)
            found, amplitude, strength = line(made, top, WITHIN * swept.HALVES / count)
            rest = (at.bend + more) / (4 * step * step)
        phase = 0.25 * (np.angle(-amplitude) + 2 * np.pi * found * (count // 2))
        turn = 0.5 * np.pi * found
        power = float(np.mean(amount**2))
    if strength < LEAST_CARRIER:
        return None
    back = 2 * np.pi * coarse
    return Start(place, step, phase + back * place, turn + back * step, power, strength, rest)


def _pair_near(square: np.ndarray, per: float, reach: float) -> float | None:
    """Give the middle of the two lines, two symbol rates apart, that the square of OQPSK has, cycles a sample."""
    n = len(square)
    windowed = square * hann(n)
    full = 1 << (2 * n - 1).bit_length()
    top = 0
    # first without zeros added, which hides at most a third of a line: most of what is not OQPSK ends there
    for size, least in ((full // 2, 0.6 * LEAST_CARRIER), (full, LEAST_CARRIER)):
        spectrum = fft.forward(windowed, size)
        power = spectrum.real**2 + spectrum.imag**2
        shift = round(size / per)
        widest = int(2 * reach * size) + 1
        index = np.arange(-widest, widest + 1)
        both = np.minimum(power[(index + shift) % size], power[(index - shift) % size])
        strength = float(both.max()) / (
            float(np.median(both)) / 0.35 + 1e-30
        )  # the least of two exponentials
        if strength < least:
            return None
        top = int(index[int(np.argmax(both))])
    centre = power[np.arange(top - 4, top + 5) % size].max()
    return None if centre > 2 * both.max() else top / size  # reversals have the middle line too


def _acquire_offset(
    square: np.ndarray, power: float, per: float, coarse: float, reach: float, clock: float | None
) -> Start | None:
    """As `acquire`, from the pair of lines in the square of OQPSK; with their `clock` they lie either side of 0."""
    n = len(square)
    top: float | None = 0.0
    slack = reach
    if clock is None:
        clock, slack = 1 / per, NEAR_ERROR / per + 1.0 / n
        top = _pair_near(square, per, reach)
    if top is None:
        return None
    upper, above, strength = line(square, top + clock, slack)
    lower, below, other = line(square, top - clock, slack)
    if min(strength, other) < LEAST_BESIDE:
        return None
    step = 2 / (upper - lower)
    found = 0.5 * (upper + lower)
    middle = n // 2
    up = np.angle(above) + 2 * np.pi * upper * middle
    down = np.angle(below) + 2 * np.pi * lower * middle
    phase = 0.25 * (up + down)
    turn_to = (2 * phase - up) / (2 * np.pi) % 1.0  # of a symbol, from the middle to the next instant
    place = middle + turn_to * step
    phase += np.pi * found * (place - middle)
    back = 2 * np.pi * coarse
    return Start(
        place, step, phase + back * place, np.pi * found * step + back * step, power, min(strength, other)
    )


def _acquire_real(z: np.ndarray, per: float, clock_error: float) -> Start | None:
    x = z.real
    n = len(x)
    lag = max(round(per / 2), 1) + 1
    change = np.abs(x[lag:] - x[:-lag])
    change -= change.mean()  # thinned out, that would be a line of its own
    exact, amplitude = _clock_line(change, 1 / per, clock_error, LEAST_CLOCK)
    if not exact or abs(_amplitude(change, 0.5 * exact)) > MOST_HALF * abs(amplitude):
        return None  # none, or that of half the rate twice over
    middle = n // 2
    # changes are largest midway between symbols; they are noted `lag` / 2 early
    turn_to = (np.angle(amplitude) / (2 * np.pi) + exact * (middle - 0.5 * lag) + 0.5) % 1.0
    return Start(middle - turn_to / exact, 1 / exact, 0.0, 0.0, float(np.mean(x * x)) * per, 0.0)
