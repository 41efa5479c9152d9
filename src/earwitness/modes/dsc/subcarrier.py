"""Calls on VHF: a sub-carrier of 1300 or 2100 Hz, phase-modulated on a carrier, read without a discriminator.

A discriminator breaks down ten decibels before the call does. So a symbol is compared with what was sent: a carrier
phase-modulated by a tone is a comb of lines n tones apart with Bessel's J_n as their sizes, and the match at one
phase of the sub-carrier is their sum, each line turned by n times that phase. The carrier's own phase is not used
(the magnitude is taken); the sub-carrier's is, since it runs on from symbol to symbol: soft bits come from the best
path through its phases, forwards and backwards. That is worth three decibels. The index is not known well, but the
match falls only as J_0 of its error: 0.8 dB for 2.6 instead of 2. In demodulated audio the comb is one line, and all else is the same.

Carrier offset, clock and place of a call are found by the phasing sequence, on a grid of all three.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from earwitness.dsp.fsk import running_tone
from earwitness.dsp.jit import kernel
from earwitness.modes.dsc.reader import (
    CALL_BITS,
    PHASING_BITS,
    PHASING_SCORE,
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
        self.period = rate_hz / BAUD
        self.turns = 2 * np.pi / rate_hz * np.array(TONES_HZ)
        self.lowest = int(orders[0])
        carrier = 2 * np.pi / rate_hz * offset_hz
        self.sums = np.array(
            [[running_tone(iq, carrier + order * turn) for order in orders] for turn in self.turns]
        )

    def _matches(self, first: float, count: int, phases: int) -> np.ndarray:
        return np.asarray(
            matches(self.sums, self.turns, self.lowest, self.sizes, first, self.period, count, phases)
        )

    def quick(self, first: float, count: int) -> np.ndarray:
        """Give soft bits (count,), positive for Y, of symbols from a sample on, each by itself."""
        found = np.abs(self._matches(first, count, PHASES // 2)).max(axis=2)
        return np.asarray(found[:, 1] - found[:, 0])

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


def find_calls(iq: np.ndarray, rate_hz: float, *, reach_hz: float, span: int, sound: bool) -> list[Found]:
    """Give the calls that begin in the first `span` samples of complex samples (n,)."""
    period = rate_hz / BAUD
    steps = int(reach_hz / OFFSET_STEP_HZ)
    offsets = np.array([0.0]) if sound else OFFSET_STEP_HZ * np.arange(-steps, steps + 1)
    count = int(np.ceil(span / period)) + PHASING_BITS
    peaks: list[tuple[float, float, float]] = []
    for offset_hz in offsets:
        comb = Comb(iq[: int((count + 2) * period)], rate_hz, offset_hz, sound=sound)
        for clock in range(CLOCKS):
            begin = clock / CLOCKS * period
            scores, speaking = phasing_scores(comb.quick(begin, count))
            for at in np.flatnonzero(scores > PHASING_SCORE):
                peaks.append((float(speaking[at]), begin + at * period, float(offset_hz)))
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
    best: tuple[float, float, float, Comb] | None = None
    for shift_hz in (0.0,) if sound else (-OFFSET_STEP_HZ / 3, 0.0, OFFSET_STEP_HZ / 3):
        comb = Comb(part, rate_hz, offset_hz + shift_hz, sound=sound)
        for clock in np.arange(-2, 3) / 8:
            begin = start - origin + clock * period
            score = float(phasing_scores(comb.quick(begin, PHASING_BITS))[1][0])
            if best is None or score > best[0]:
                best = score, begin, offset_hz + shift_hz, comb
    if best is None:
        return None
    _, begin, carrier_hz, comb = best
    call = read_call(comb.soft(begin, CALL_BITS))
    if call is None:
        return None
    if not sound:
        carrier_hz += comb.turning_hz(begin, call.bits)
    on_air = part[max(int(begin), 0) : int(begin + call.stop_bit * period)]
    return Found(call, origin + begin, carrier_hz, float(np.mean(np.abs(on_air) ** 2)))
