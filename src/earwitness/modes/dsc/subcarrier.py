"""Calls on VHF: a sub-carrier of 1300 or 2100 Hz, phase-modulated on a carrier, read without a discriminator.

A discriminator breaks down ten decibels before the call does. So a symbol is compared with what was sent: a carrier
phase-modulated by a tone is a comb of lines n tones apart with Bessel's J_n as their sizes, and the match at one
phase of the sub-carrier is their sum, each line turned by n times that phase. The carrier's own phase is not used
(the magnitude is taken); the sub-carrier's is, since it runs on from symbol to symbol: soft bits come from the best
path through its phases, forwards and backwards. That is worth three decibels. The index is not known well, but the
match falls only as J_0 of its error: 0.8 dB for 2.6 instead of 2. In demodulated audio the comb is one line, and all else is the same.

Carrier offset, clock and place of a call are found by the phasing sequence, on a grid of all three: one short
transform a third of a symbol holds the lines of every offset. What is found there must hold on a finer grid, and once
more with the phase running on, before a call is read from it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from earwitness.dsp import fft
from earwitness.dsp.fsk import running_tone
from earwitness.dsp.jit import kernel
from earwitness.modes.dsc.reader import (
    CALL_BITS,
    EXPECTED,
    PHASING_BITS,
    PLACES,
    Call,
    phasing_scores,
    read_call,
)

BAUD = 1200.0
TONES_HZ = (2100.0, 1300.0)  # of B and Y
LINES = np.arange(-3, 4)
# J_n(2.0), Abramowitz and Stegun table 9.1 and 9.2: the index is 2.0 within a tenth (ITU-R M.493)
INDEX_TWO = np.array([-0.128943, 0.352834, -0.576725, 0.223891, 0.576725, 0.352834, 0.128943])
AUDIO_LINES = np.array([1])
AUDIO_SIZES = np.array([1.0])
PHASES = 24  # of the sub-carrier; both tones come a whole number of them further in a symbol
STEPS = tuple(round(PHASES * tone / BAUD) % PHASES for tone in TONES_HZ)
SLIP_COST = 0.3  # of a symbol's usual match, for a step more or less: tones may be 10 Hz off
OFFSET_STEP_HZ = 250.0  # a symbol bears half of it with a loss of 0.2 dB
CLOCKS = 3  # places a symbol in the search
BINS = 64  # of the search's transform of a symbol: a line 170 Hz from its bin loses 0.3 dB
# Calls at the edge of reception score 0.73 in the search, those phasing characters that are all alike 0.69.
SEARCH_SCORE = 0.55
FIRST_SCORE = 0.4  # of the characters alike, before the others are looked at
AT_ONCE = 512  # windows that stay in the nearest cache
SURE_SCORE = 0.8  # what phasing must reach with the phase running on: calls reach 0.95, voice and data 0.77
CANDIDATES = 3
APART_S = 0.1


@kernel(
    "complex64[:,:,::1](complex128[:,:,::1], float64[::1], int64, float64[::1], float64, float64, int64, int64)",
    fastmath=True,
)
def matches(
    sums: np.ndarray,
    turns: np.ndarray,
    lowest: int,
    sizes: np.ndarray,
    first: float,
    period: float,
    count: int,
    phases: int,
) -> np.ndarray:
    """Give the match of symbols with each tone at each phase, complex64 (count, tones, phases).

    `sums` are running sums of each tone's lines (tones, lines, n + 1), from order `lowest` on, `sizes` the lines'
    sizes, `turns` the tones in radians a sample. Phases are those of the sub-carrier at the symbol's start.
    """
    tones, lines, _ = sums.shape
    out = np.empty((count, tones, phases), np.complex64)
    steps = np.empty((phases, lines), np.complex128)
    for p in range(phases):
        for n in range(lines):
            angle = -2 * np.pi * p / phases * (lowest + n)
            steps[p, n] = sizes[n] * complex(np.cos(angle), np.sin(angle))
    found = np.empty(lines, np.complex128)
    last = sums.shape[2] - 1
    for k in range(count):
        begin = first + k * period
        a = min(max(begin, 0.0), float(last))
        b = min(max(begin + period, 0.0), float(last))
        ia = min(int(a), last - 1)
        ib = min(int(b), last - 1)
        fa = a - ia
        fb = b - ib
        for tone in range(tones):
            angle = turns[tone] * begin
            step = complex(np.cos(angle), np.sin(angle))
            turned = complex(np.cos(angle * lowest), np.sin(angle * lowest))
            for n in range(lines):
                row = sums[tone, n]
                part = row[ib] + fb * (row[ib + 1] - row[ib]) - row[ia] - fa * (row[ia + 1] - row[ia])
                found[n] = part * turned
                turned *= step
            for p in range(phases):
                total = complex(0.0, 0.0)
                for n in range(lines):
                    total += found[n] * steps[p, n]
                out[k, tone, p] = total
    return out


@kernel("float32[::1](float32[:,:,::1], int64, int64, float64)")
def along_phases(found: np.ndarray, zero_step: int, one_step: int, slip_cost: float) -> np.ndarray:
    """Give soft bits (count,) of matches (count, 2, phases): best path with a one less best path with a zero.

    The phase goes on by `zero_step` or `one_step` in a symbol, one more or less at a cost.
    """
    count, _, phases = found.shape
    cost = np.float32(slip_cost)
    back = np.zeros((count + 1, phases), np.float32)
    for k in range(count - 1, -1, -1):
        for p in range(phases):
            best = np.float32(-1e30)
            for tone in range(2):
                to = (p + (zero_step if tone == 0 else one_step)) % phases
                beside = max(back[k + 1, (to + 1) % phases], back[k + 1, (to - 1) % phases])
                best = max(best, found[k, tone, p] + max(back[k + 1, to], beside - cost))
            back[k, p] = best
        back[k] -= back[k].max()
    out = np.empty(count, np.float32)
    ahead = np.zeros(phases, np.float32)
    following = np.empty(phases, np.float32)
    best_of = np.empty(2, np.float32)
    for k in range(count):
        following[:] = np.float32(-1e30)
        best_of[:] = np.float32(-1e30)
        for p in range(phases):
            for tone in range(2):
                to = (p + (zero_step if tone == 0 else one_step)) % phases
                value = ahead[p] + found[k, tone, p]
                for slip in range(-1, 2):
                    place = (to + slip) % phases
                    here = value if slip == 0 else value - cost
                    following[place] = max(following[place], here)
                    best_of[tone] = max(best_of[tone], here + back[k + 1, place])
        out[k] = best_of[1] - best_of[0]
        ahead[:] = following - following.max()
    return out


@kernel(
    "float32[::1](float32[:,:,::1], int64[:,::1], complex64[:,:,::1], int64[::1])",
    fastmath={"reassoc", "nsz", "contract"},
)
def quick_bits(spectra: np.ndarray, bins: np.ndarray, weights: np.ndarray, orders: np.ndarray) -> np.ndarray:
    """Give soft bits (windows,), positive for the second tone, of windows each by itself.

    `spectra` are real and imaginary parts (2, bins, windows), `bins` those of the lines (tones, lines), `weights`
    theirs for phases over half a turn of the sub-carrier (tones, phases, lines); half a turn on, odd lines change sign.
    """
    count = spectra.shape[2]
    tones, phases, lines = weights.shape
    out = np.zeros(count, np.float32)
    best = np.empty(AT_ONCE, np.float32)
    sums = np.empty((4, AT_ONCE), np.float32)
    for begin in range(0, count, AT_ONCE):
        size = min(AT_ONCE, count - begin)
        for tone in range(tones):
            best[:] = np.float32(0)
            for p in range(phases):
                sums[:] = np.float32(0)
                for n in range(lines):
                    res = spectra[0, bins[tone, n], begin : begin + size]
                    ims = spectra[1, bins[tone, n], begin : begin + size]
                    a = weights[tone, p, n].real
                    b = weights[tone, p, n].imag
                    to_re = sums[2 * (orders[n] & 1)]
                    to_im = sums[2 * (orders[n] & 1) + 1]
                    for i in range(size):
                        to_re[i] += a * res[i] - b * ims[i]
                        to_im[i] += a * ims[i] + b * res[i]
                even_re, even_im, odd_re, odd_im = sums[0], sums[1], sums[2], sums[3]
                for i in range(size):
                    power = even_re[i] ** 2 + even_im[i] ** 2 + odd_re[i] ** 2 + odd_im[i] ** 2
                    power += np.float32(2) * abs(even_re[i] * odd_re[i] + even_im[i] * odd_im[i])
                    best[i] = max(best[i], power)
            for i in range(size):
                out[begin + i] += np.sqrt(best[i]) if tone == 1 else -np.sqrt(best[i])
    return out


@kernel(
    "int64(float32[::1], int64[::1], float32[::1], int64, float64, float64, float64[:,::1])",
    fastmath={"reassoc", "nsz", "contract"},
)
def phasing_places(
    soft: np.ndarray,
    places: np.ndarray,
    expected: np.ndarray,
    clocks: int,
    first_score: float,
    score: float,
    out: np.ndarray,
) -> int:
    """Find where phasing may begin in soft bits (n,), `clocks` of them a symbol; gives how many rows `out` got.

    A row is how much speaks for it and the place. The first characters in every second slot are all alike: their
    sum is cheap, and the rest is looked at only where it reaches `first_score` of its weight.
    """
    count = len(soft) - clocks * places[-1]
    reach = len(soft) - 9 * clocks
    word = np.zeros(reach, np.float32)
    size = np.zeros(reach, np.float32)
    weights = np.abs(soft)
    for bit in range(10):
        sign = expected[bit]
        values = soft[bit * clocks : bit * clocks + reach]
        beside = weights[bit * clocks : bit * clocks + reach]
        for i in range(reach):
            word[i] += sign * values[i]
            size[i] += beside[i]
    alike = np.zeros(count, np.float32)
    weight = np.zeros(count, np.float32)
    for slot in range(6):
        words = word[20 * slot * clocks : 20 * slot * clocks + count]
        sizes = size[20 * slot * clocks : 20 * slot * clocks + count]
        for i in range(count):
            alike[i] += words[i]
            weight[i] += sizes[i]
    found = 0
    for i in range(count):
        if alike[i] > first_score * weight[i] and found < len(out):
            speaking = np.float32(0)
            against = np.float32(1e-9)
            for j in range(len(places)):
                value = soft[i + clocks * places[j]]
                speaking += expected[j] * value
                against += abs(value)
            if speaking > score * against:
                out[found, 0] = speaking
                out[found, 1] = i
                found += 1
    return found


@dataclass(frozen=True, slots=True)
class Found:
    """A call in a stretch: `start` is its first phasing bit's sample, `offset_hz` its carrier."""

    call: Call
    start: float
    offset_hz: float
    level: float  # power, full scale squared


class Comb:
    """Matches symbols of one stretch at one carrier offset."""

    def __init__(self, iq: np.ndarray, rate_hz: float, offset_hz: float, *, sound: bool):
        orders, self.sizes = (AUDIO_LINES, AUDIO_SIZES) if sound else (LINES, INDEX_TWO)
        self.offset_hz = offset_hz
        self.period = rate_hz / BAUD
        self.turns = 2 * np.pi / rate_hz * np.array(TONES_HZ)
        self.lowest = int(orders[0])
        carrier = 2 * np.pi / rate_hz * offset_hz
        self.sums = np.empty((len(self.turns), len(orders), len(iq) + 1), np.complex128)
        for row, turn in zip(self.sums, self.turns, strict=True):
            for n, order in enumerate(orders):
                row[n] = running_tone(iq, carrier + order * turn)

    def _matches(self, first: float, count: int, phases: int) -> np.ndarray:
        return np.asarray(
            matches(self.sums, self.turns, self.lowest, self.sizes, first, self.period, count, phases)
        )

    def quick(self, first: float, count: int) -> np.ndarray:
        """Give soft bits (count,), positive for Y, of symbols from a sample on, each by itself."""
        found = np.abs(self._matches(first, count, PHASES // 2)).max(axis=2)
        return np.asarray(found[:, 1] - found[:, 0])

    def speaks(self, first: float) -> float:
        """Give how much speaks for phasing from a sample on."""
        return float(phasing_scores(self.quick(first, PHASING_BITS))[1][0])

    def soft(self, first: float, count: int) -> np.ndarray:
        """Give soft bits (count,), positive for Y, with the sub-carrier's phase running on."""
        found = np.abs(self._matches(first, count, PHASES))
        usual = float(np.median(found.max(axis=(1, 2))))
        return np.asarray(along_phases(found, *STEPS, SLIP_COST * usual))

    def turning_hz(self, first: float, bits: np.ndarray) -> float:
        """Give how far the carrier is from where it was thought, from its phase in symbols of known bits."""
        found = self._matches(first, len(bits), PHASES)[np.arange(len(bits)), bits]
        carrier = found[np.arange(len(bits)), np.abs(found).argmax(axis=1)]
        return float(np.angle(np.vdot(carrier[:-1], carrier[1:])) * BAUD / (2 * np.pi))


@lru_cache(maxsize=8)
def _grid(
    rate_hz: float, reach_hz: float, *, sound: bool
) -> tuple[np.ndarray, int, list[tuple[float, np.ndarray, np.ndarray]], np.ndarray]:
    """Give the search's orders of lines, size of transform, and for each offset its bins and weights; a window."""
    orders, sizes = (AUDIO_LINES, AUDIO_SIZES) if sound else (LINES, INDEX_TWO)
    steps = 0 if sound else int(reach_hz / OFFSET_STEP_HZ)
    width = round(rate_hz / BAUD)
    size = max(BINS, 1 << (width - 1).bit_length())
    angles = 2 * np.pi / PHASES * np.arange(0, PHASES // 2, 2)
    out = []
    for offset_hz in OFFSET_STEP_HZ * np.arange(-steps, steps + 1):
        bins = np.rint((offset_hz + np.outer(TONES_HZ, orders)) * size / rate_hz).astype(np.int64)
        middle = np.exp(1j * np.pi * (width - 1) / size * bins)  # phases count from the middle of the window
        weights = sizes * np.exp(-1j * np.outer(angles, orders)) * middle[:, None, :]
        out.append((float(offset_hz), bins % size, weights.astype(np.complex64)))
    return orders, size, out, np.arange(width)


def _search(
    iq: np.ndarray, rate_hz: float, reach_hz: float, count: int, *, sound: bool
) -> list[tuple[float, float, float]]:
    """Give where phasing may begin within `count` symbols: (how much speaks for it, sample, carrier offset)."""
    period = rate_hz / BAUD
    orders, size, offsets, window = _grid(rate_hz, reach_hz, sound=sound)
    starts = np.rint(np.arange(CLOCKS * count) * period / CLOCKS).astype(np.int64)
    padded = np.pad(iq, (0, max(0, int(starts[-1]) + len(window) - len(iq))))
    windows = np.zeros((len(starts), size), np.complex64)
    windows[:, : len(window)] = padded[starts[:, None] + window]
    turned = fft.forward(windows).T
    spectra = np.array([turned.real, turned.imag], np.float32, order="C")
    peaks = np.empty((len(starts), 2))
    out: list[tuple[float, float, float]] = []
    for offset_hz, bins, weights in offsets:
        soft = quick_bits(spectra, bins, weights, orders)
        found = phasing_places(soft, PLACES, EXPECTED, CLOCKS, FIRST_SCORE, SEARCH_SCORE, peaks)
        out += [(speaking, at * period / CLOCKS, offset_hz) for speaking, at in peaks[:found].tolist()]
    return out


def find_calls(iq: np.ndarray, rate_hz: float, *, reach_hz: float, span: int, sound: bool) -> list[Found]:
    """Give the calls that begin in the first `span` samples of complex samples (n,)."""
    period = rate_hz / BAUD
    count = int(np.ceil(span / period)) + PHASING_BITS
    peaks = _search(iq, rate_hz, reach_hz, count, sound=sound)
    out: list[Found] = []
    tried: list[float] = []
    for _, start, offset_hz in sorted(peaks, reverse=True):
        if any(abs(start - other) < APART_S * rate_hz for other in tried):
            continue
        tried.append(start)
        found = _read(iq, rate_hz, start, offset_hz, sound=sound)
        if found is not None:
            out.append(found)
        if len(tried) >= CANDIDATES:
            break
    return out


def _read(iq: np.ndarray, rate_hz: float, start: float, offset_hz: float, *, sound: bool) -> Found | None:
    """Read the call near a place and offset."""
    period = rate_hz / BAUD
    origin = max(0, int(start - 2 * period))
    part = iq[origin : origin + int((CALL_BITS + 6) * period)]
    head = part[: int((PHASING_BITS + 6) * period)]
    near = start - origin
    comb = Comb(head, rate_hz, offset_hz, sound=sound)
    tries = [(comb.speaks(near + clock * period), near + clock * period) for clock in np.arange(-2, 3) / 8]
    score, begin = max(tries)
    for shift_hz in () if sound else (-OFFSET_STEP_HZ / 3, OFFSET_STEP_HZ / 3):
        other = Comb(head, rate_hz, offset_hz + shift_hz, sound=sound)
        if (here := other.speaks(begin)) > score:
            score, comb = here, other
    carrier_hz = comb.offset_hz
    if phasing_scores(comb.soft(begin, PHASING_BITS))[0][0] < SURE_SCORE:
        return None
    comb = Comb(part, rate_hz, carrier_hz, sound=sound)
    call = read_call(comb.soft(begin, CALL_BITS))
    if call is None:
        return None
    if not sound:
        carrier_hz += comb.turning_hz(begin, call.bits)
    on_air = part[max(int(begin), 0) : int(begin + call.stop_bit * period)]
    return Found(call, origin + begin, carrier_hz, float(np.mean(np.abs(on_air) ** 2)))
