"""The burst: where its bits begin, its clock and phase, and its bits with their checks.

The carrier is turned by +-1.1 rad, so of its power cos^2 stays a carrier in phase with itself and sin^2 is the
data, a quarter turn away. Half-bit sums of the signal about its carrier hold both: their sum over a bit is the
carrier, their difference the data. Beacon clocks may be 1 % off, so clock and place are searched together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from earwitness.coding.bch import Bch
from earwitness.core.types import Bits
from earwitness.dsp.jit import kernel
from earwitness.modes.beacon406.messages import (
    FIRST_CODE,
    FIRST_SIZE,
    LONG_SIZE,
    SECOND_CODE,
    SHORT_SIZE,
)

BIT_RATE = 400.0
CARRIER_S = 0.16
DEVIATION_RAD = 1.1
ONES = (1,) * 15
SYNC = {False: (0, 0, 0, 1, 0, 1, 1, 1, 1), True: (0, 1, 1, 0, 1, 0, 0, 0, 0)}  # by whether it is a self-test
PREAMBLE = {kind: 2.0 * np.array(ONES + word) - 1 for kind, word in SYNC.items()}
BITS = 144
LEAST_BITS = 112
STEPS = 8  # places tried in half a bit
CLOCK_ERRORS = (-0.0067, 0.0, 0.0067)
FINE_CLOCKS = np.linspace(-0.0115, 0.0115, 47)
FINE_PLACES = np.linspace(-0.5, 0.5, 9)  # of half a bit
# What a rescue ground station takes as a valid message (C/S T.002, from memory)
MOST_FIRST, MOST_SECOND = 2, 1
DOUBTFUL = 0.5  # a bit may be corrected when it was weaker than this share of the mean


@dataclass(frozen=True, slots=True)
class Place:
    """A preamble: where its first bit begins (samples), half a bit in samples, how alike it is (0..1)."""

    start: float
    half: float
    likeness: float


@dataclass(frozen=True, slots=True)
class Reading:
    """The message of a burst."""

    bits: Bits
    self_test: bool
    corrected: int
    second_failed: bool

    @property
    def second_agrees(self) -> bool:
        """Tell whether there is a second field, whose check passed."""
        return self.bits.size == LONG_SIZE


@kernel("void(complex64[::1], complex128[::1])")
def _running(signal: np.ndarray, out: np.ndarray) -> None:
    total = 0j
    out[0] = total
    for n in range(len(signal)):
        total += signal[n]
        out[n + 1] = total


@kernel("void(complex128[::1], float64[::1], complex128[::1])")
def _between(total: np.ndarray, places: np.ndarray, out: np.ndarray) -> None:
    last = len(total) - 1
    for k in range(len(places)):
        place = min(max(places[k], 0.0), float(last))
        whole = min(int(place), last - 1)
        out[k] = total[whole] + (place - whole) * (total[whole + 1] - total[whole])


class Sums:
    """Sums of a signal over any stretch of it, ends between samples allowed."""

    def __init__(self, signal: np.ndarray):
        self._total = np.empty(len(signal) + 1, np.complex128)
        _running(np.asarray(signal, np.complex64), self._total)

    def to(self, places: np.ndarray) -> np.ndarray:
        """Give the sum from the beginning to each place (samples)."""
        flat = np.ascontiguousarray(places, np.float64).reshape(-1)
        out = np.empty(len(flat), np.complex128)
        _between(self._total, flat, out)
        return out.reshape(np.shape(places))

    def halves(self, start: float, half: float, count: int) -> np.ndarray:
        """Give sums over `count` half bits from `start` on."""
        return np.diff(self.to(start + half * np.arange(count + 1)))


_SIGNS = np.stack([PREAMBLE[False], PREAMBLE[True]], axis=1)


@kernel("void(complex128[::1], float64[:,::1], float64[::1])", fastmath=True)
def _likenesses(bits: np.ndarray, signs: np.ndarray, out: np.ndarray) -> None:
    """Correlate every 2 STEPS-th of `bits` from each place on with both preambles, over the root of their power."""
    for place in range(len(out)):
        first = 0j
        second = 0j
        power = 1e-30
        for k in range(24):
            value = bits[place + 2 * STEPS * k]
            first += value * signs[k, 0]
            second += value * signs[k, 1]
            power += value.real * value.real + value.imag * value.imag
        most = max(
            first.real * first.real + first.imag * first.imag,
            second.real * second.real + second.imag * second.imag,
        )
        out[place] = np.sqrt(most / (24 * power))


def find_preambles(sums: Sums, begin: float, end: float, nominal_half: float, *, count: int) -> list[Place]:
    """Give the `count` likeliest preambles whose first bit begins between two places, best first.

    Likeness is the correlation of the differences of half bits with the known ones, of either sync word and
    either sense, over their power.
    """
    found: list[Place] = []
    for error in CLOCK_ERRORS:
        half = nominal_half * (1 + error)
        step = half / STEPS
        places = int((end - begin) / step) + 1
        grid = sums.to(begin + step * np.arange(places + 48 * STEPS))
        halves = grid[STEPS:] - grid[:-STEPS]
        likeness = np.empty(places)
        _likenesses(halves[:-STEPS] - halves[STEPS:], _SIGNS, likeness)
        for at in np.argsort(likeness)[-count:].tolist():
            found.append(Place(begin + step * at, half, float(likeness[at])))
    out: list[Place] = []
    for place in sorted(found, key=lambda item: -item.likeness):
        if all(abs(place.start - other.start) > 0.6 * nominal_half for other in out):
            out.append(place)
    return out[:count]


def refine(sums: Sums, place: Place, nominal_half: float) -> Place:
    """Give place and clock by the power of the data over all bits that every message has."""
    middle = place.start + 24 * place.half  # of the preamble, which the coarse clock leaves in place
    halves = nominal_half * (1 + np.repeat(FINE_CLOCKS, len(FINE_PLACES)))
    starts = middle - 24 * halves + np.tile(FINE_PLACES, len(FINE_CLOCKS)) * halves
    ends = sums.to(starts[:, None] + halves[:, None] * np.arange(2 * LEAST_BITS + 1))
    parts = np.diff(ends, axis=1)
    power = (np.abs(parts[:, ::2] - parts[:, 1::2]) ** 2).sum(axis=1) / halves**2
    best = int(power.argmax())
    return Place(float(starts[best]), float(halves[best]), place.likeness)


@kernel("void(complex128[::1], complex128[::1], float64, float64[::1], complex128[::1])")
def _phase_loop(
    carrier: np.ndarray, data: np.ndarray, phase: float, track: np.ndarray, left: np.ndarray
) -> None:
    """Follow the phase forwards: `track` is the loop's, `left` what each bit shows beyond it."""
    speed = 0.0
    cos, sin = np.cos(DEVIATION_RAD), np.sin(DEVIATION_RAD)
    for n in range(len(data)):
        phase += speed
        turn = complex(np.cos(phase), -np.sin(phase))
        level = data[n] * turn
        whole = cos * carrier[n] * turn + sin * abs(level.imag) - 1j * sin * np.sign(level.imag) * level.real
        track[n], left[n] = phase, whole
        error = np.arctan2(whole.imag, whole.real)
        phase += 0.12 * error
        speed += 0.01 * error


def carrier_phase(carrier: np.ndarray, data: np.ndarray, first: complex) -> np.ndarray:
    """Give the carrier's phase at each bit from its sums and differences; `first` is the carrier before.

    Each bit's decision makes its data part carrier too; a loop follows that forwards, and a weighted mean of what
    it leaves, over a sixteenth of a second, takes its lag out.
    """
    track, left = np.empty(len(data)), np.empty(len(data), np.complex128)
    _phase_loop(carrier, data, float(np.angle(first)), track, left)
    window = np.hanning(27)
    reach = len(window) // 2
    smooth = np.convolve(np.pad(left, reach), window, "valid")
    return track + np.angle(smooth)


def read_bits(llr: np.ndarray) -> Reading | None:
    """Give the message of soft bits from the first of the preamble on, positive for one; None when none.

    The fifteen ones say which sense is right.
    """
    if len(llr) < LEAST_BITS:
        return None
    scores = {kind: float(llr[:24] @ signs) for kind, signs in PREAMBLE.items()}
    self_test = abs(scores[True]) > abs(scores[False])
    if scores[self_test] < 0:
        llr = -llr
    hard = (llr > 0).astype(int)
    if int((hard[:24] != (PREAMBLE[self_test] > 0)).sum()) > 5:
        return None
    first = _corrected(llr[24 : 24 + FIRST_SIZE], FIRST_CODE, MOST_FIRST)
    if first is None:
        return None
    word, corrected = first
    if not word:
        return None  # all zeros is a codeword, and no beacon's message
    long = bool(word >> (FIRST_SIZE - 1) & 1)
    if not long:
        tail = _value(hard[24 + FIRST_SIZE : 24 + SHORT_SIZE])
        return Reading(Bits(word << 6 | tail, SHORT_SIZE), self_test, corrected, False)
    second = _corrected(llr[24 + FIRST_SIZE : 24 + LONG_SIZE], SECOND_CODE, MOST_SECOND)
    if second is None:
        return Reading(Bits(word, FIRST_SIZE), self_test, corrected, True)
    return Reading(Bits(word << 38 | second[0], LONG_SIZE), self_test, corrected + second[1], False)


def _corrected(llr: np.ndarray, code: Bch, most: int) -> tuple[int, int] | None:
    """Give the codeword of soft bits and how many were wrong; only weak bits may have been."""
    if len(llr) < code.size:
        return None
    found = code.decode(_value((llr > 0).astype(int)), most)
    if found is None:
        return None
    word, error = found
    limit = DOUBTFUL * float(np.abs(llr).mean())
    wrong = [n for n in range(code.size) if error >> (code.size - 1 - n) & 1]
    if any(abs(float(llr[n])) > limit for n in wrong):
        return None
    return word, len(wrong)


def _value(bits: np.ndarray) -> int:
    return int("".join(map(str, bits)), 2)
