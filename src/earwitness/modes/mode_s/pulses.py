"""The compiled half of the Mode S receiver: find preambles, slice bits, check parity, take replies away.

Time inside these kernels is counted in samples of the working rate (2 to 4 MS/s). A reply starts at the
leading edge of its first preamble pulse; every half-microsecond slot is measured by a filter matched to
the band-limited pulse, tabled for `FINE` fractions of a sample. Decisions are made twice: by envelope,
then, where the carrier proves steady through the reply, against its tracked phase (1.1 dB better at one
error in a thousand bits: 0.5 exp(-x/2) against Q(sqrt x), Proakis, Digital Communications, ch. 5).
"""

from __future__ import annotations

import math

import numpy as np

from earwitness.dsp.filters import lowpass
from earwitness.dsp.jit import kernel
from earwitness.modes.mode_s.checks import SYNDROME
from earwitness.modes.mode_s.checks import format_of as _format
from earwitness.modes.mode_s.checks import remainder_of as _remainder
from earwitness.modes.mode_s.sequence import solve
from earwitness.modes.mode_s.tangle import untangle

FINE = 16  # fractions of a sample in the matched-filter table
TAPS = 4
TIGHT_US = 2.3  # samples a microsecond below which half-bits are no longer told apart one by one
CLOSE_US = 2.7  # and below which they are not where the carrier lies so far off the middle that the receiver's filter ...
OFF_MIDDLE_MHZ = 0.25  # ... takes its two sides unlike
STEADY = 0.85  # coherence of a reply below TIGHT_US: noise has at most 0.81, a reply at 9 dB 0.94
FOLLOWS = (
    0.35  # of phases from pulse to pulse below TIGHT_US: noise of 56 bits reaches it once in a thousand times
)
GARBLED = 2.0  # in place of plainness: read with another over it
MOST_DOUBTFUL = 48  # preambles in the clear without a reading that are looked at again in a chunk
RUN = 32  # scores that are looked at together
BLOCK = 4096  # samples searched at a time: their scores stay in the nearest cache
GROUP = 64  # samples whose power is summed for the noise estimate
COARSE = 2  # phases per sample in the preamble search: those between are told apart by the reading
SHIFTS = 5  # shifted templates fitted when a reply is taken away
PULSES_US = (0.0, 1.0, 3.5, 4.5)
QUIET_US = (2.0, 2.6, 5.4, 5.9, 6.4, 6.9, 7.4)

# columns of the result table
(
    T,
    LEVEL,
    FREQ,
    SIZE,
    FIXED,
    CONTRAST,
    REMAINDER,
    COHERENCE,
    OFF,
    STILL,
    TAKEN,
    NOISE,
    SURE,
    QUALITY,
    ALIEN,
    PLAIN_CODE,
    WEAK,
) = range(17)
COLUMNS = 20  # WEAK..WEAK+2 hold the least certain bit positions, -1 where fewer are uncertain
SCRATCH_ROWS = 12


def matched_table(rate_hz: float) -> np.ndarray:
    """Give the matched filter for a 0.5 us pulse, float32 (FINE, TAPS), each row of unit energy.

    Row r, tap j weighs the sample at offset j - 1 from the whole part when the pulse's centre lies
    r / FINE beyond it.
    """
    over = 64
    half = 0.25e-6 * rate_hz
    box = np.ones(max(1, round(2 * half * over)))
    cut = lowpass(0.45, 0.35, over, stop_db=30)
    shape = np.convolve(box, cut)
    axis = (np.arange(len(shape)) - (len(shape) - 1) / 2) / over
    where = np.arange(TAPS)[None, :] - 1 - np.arange(FINE)[:, None] / FINE
    table = np.interp(where, axis, shape, left=0.0, right=0.0)
    return (table / np.sqrt((table**2).sum(1, keepdims=True))).astype(np.float32)


def pulse_spread(rate_hz: float) -> np.ndarray:
    """Give the share of a matched-filtered pulse found 0.5, 1 and 1.5 us beside it, float32 (3,)."""
    over = 64
    box = np.ones(max(1, round(0.5e-6 * rate_hz * over)))
    shape = np.convolve(box, lowpass(0.45, 0.35, over, stop_db=30))
    own = np.correlate(shape, shape, "full")
    middle = len(own) // 2
    steps = np.round(np.array([0.5, 1.0, 1.5]) * 1e-6 * rate_hz * over).astype(int)
    steps = np.minimum(middle + steps, len(own) - 1)
    return (own[steps] / own[middle]).astype(np.float32)


def template_table(rate_hz: float) -> np.ndarray:
    """Give the band-limited pulse itself, float32 (FINE, 6): tap j is the sample at offset j - 2."""
    over = 64
    box = np.ones(max(1, round(0.5e-6 * rate_hz * over)))
    shape = np.convolve(box, lowpass(0.45, 0.35, over, stop_db=30))
    axis = (np.arange(len(shape)) - (len(shape) - 1) / 2) / over
    where = np.arange(6)[None, :] - 2 - np.arange(FINE)[:, None] / FINE
    return np.interp(where, axis, shape / shape.max(), left=0.0, right=0.0).astype(np.float32)


def window_weights(rate_hz: float) -> np.ndarray:
    """Give the overlap of a 0.5 us window at each coarse phase with the samples, float32 (COARSE, 3).

    Up to 4 MS/s it is two samples long, and no later than half of one: the fourth has no part in it.
    """
    width = 0.5e-6 * rate_hz
    start = np.arange(COARSE)[:, None] / COARSE
    at = np.arange(3)[None, :]
    return np.clip(np.minimum(start + width, at + 0.5) - np.maximum(start, at - 0.5), 0, None).astype(
        np.float32
    )


def pulse_places(rate_hz: float) -> np.ndarray:
    """Give where each preamble pulse falls, int64 (2, COARSE, 4): phase row, then whole samples."""
    quarters = np.arange(COARSE)[:, None] + np.round(np.array(PULSES_US)[None, :] * 1e-6 * rate_hz * COARSE)
    return np.stack([quarters % COARSE, quarters // COARSE]).astype(np.int64)


def quiet_places(rate_hz: float) -> np.ndarray:
    """Give the whole-sample offsets of the windows that a preamble leaves empty, int64 (7,)."""
    return np.round(np.array(QUIET_US) * 1e-6 * rate_hz).astype(np.int64)


@kernel("void(complex64[::1], complex64[::1], float32[::1], float32[::1])", fastmath=True)
def take(raw: np.ndarray, x: np.ndarray, power: np.ndarray, groups: np.ndarray) -> None:
    """Give raw samples without their mean (x may be raw), their power and its sum over each GROUP samples."""
    real = np.float32(0)
    imag = np.float32(0)
    for k in range(len(raw)):
        real += raw[k].real
        imag += raw[k].imag
    share = np.float32(1) / np.float32(len(raw))
    real *= share
    imag *= share
    for g in range(len(groups)):
        part = raw[g * GROUP : g * GROUP + GROUP]
        clean = x[g * GROUP : g * GROUP + GROUP]
        energy = power[g * GROUP : g * GROUP + GROUP]
        total = np.float32(0)
        for k in range(GROUP):
            r = part[k].real - real
            i = part[k].imag - imag
            e = r * r + i * i
            clean[k] = complex(r, i)
            energy[k] = e
            total += e
        groups[g] = total


@kernel(
    "void(float32[::1], int64, int64, float32[:,::1], int64[:,:,::1], int64[::1], float32, float32, float32[:,::1], float32[::1], boolean[::1])",
    fastmath=True,
)
def search(power, start, stop, weights, places, quiet, floor, ratio, window, score, busy):  # type: ignore[no-untyped-def]
    """Score every sample of [start, stop) as the start of a preamble; 0 where it is none.

    The score is the energy in the four pulse windows at the best of COARSE phases. It counts only above
    `floor` and above `ratio` times what stands in the windows that must be empty. `busy` tells which RUNs of
    scores may have any: those of the others say nothing. `power` must reach 13 us
    past `stop`; `window` is scratch (COARSE, >= stop - start + 13 us).
    """
    span = 0
    for k in range(4):
        for f in range(COARSE):
            span = max(span, places[1, f, k])
    for k in range(7):
        span = max(span, quiet[k])
    count = stop - start
    size = 2048
    for base in range(0, count, size):
        n = min(size, count - base)
        reach = n + span + 1
        p = power[start + base : start + base + reach + 4]
        for f in range(COARSE):
            w0 = weights[f, 0]
            w1 = weights[f, 1]
            w2 = weights[f, 2]
            row = window[f]
            for i in range(reach):
                row[i] = w0 * p[i] + w1 * p[i + 1] + w2 * p[i + 2]
        out = score[base : base + n]
        r0 = window[0]
        q0 = r0[quiet[0] :]
        q1 = r0[quiet[1] :]
        q2 = r0[quiet[2] :]
        q3 = r0[quiet[3] :]
        q4 = r0[quiet[4] :]
        q5 = r0[quiet[5] :]
        q6 = r0[quiet[6] :]
        a0 = window[places[0, 0, 0]][places[1, 0, 0] :]
        a1 = window[places[0, 0, 1]][places[1, 0, 1] :]
        a2 = window[places[0, 0, 2]][places[1, 0, 2] :]
        a3 = window[places[0, 0, 3]][places[1, 0, 3] :]
        b0 = window[places[0, 1, 0]][places[1, 1, 0] :]
        b1 = window[places[0, 1, 1]][places[1, 1, 1] :]
        b2 = window[places[0, 1, 2]][places[1, 1, 2] :]
        b3 = window[places[0, 1, 3]][places[1, 1, 3] :]
        share = ratio * np.float32(4.0 / 7.0)
        for i in range(n):
            out[i] = max(a0[i] + a1[i] + a2[i] + a3[i], b0[i] + b1[i] + b2[i] + b3[i])
        for run in range(0, n, RUN):
            some = out[run : run + RUN]
            most = np.float32(0)
            for i in range(len(some)):
                most = max(most, some[i])
            if most <= floor:
                busy[(base + run) // RUN] = False
                continue
            end = run + len(some)
            v0, v1, v2, v3 = q0[run:end], q1[run:end], q2[run:end], q3[run:end]
            v4, v5, v6 = q4[run:end], q5[run:end], q6[run:end]
            left = np.int32(0)
            for i in range(len(some)):
                still = share * (v0[i] + v1[i] + v2[i] + v3[i] + v4[i] + v5[i] + v6[i])
                some[i] = some[i] if some[i] > max(floor, still) else np.float32(0)
                left += np.int32(some[i] > 0)
            busy[(base + run) // RUN] = left > 0


@kernel("float32(complex64)", fastmath=True)
def _energy(y):  # type: ignore[no-untyped-def]
    return y.real * y.real + y.imag * y.imag


@kernel("complex64(complex64[::1], int64, float32[:,::1])", fastmath=True)
def _slot(x, centre, table):  # type: ignore[no-untyped-def]
    """Measure the pulse whose centre lies at `centre` / 2^20 samples."""
    centre += 1 << 15
    part = (centre >> 16) & 15
    i = np.uint64((centre >> 20) - 1)  # unsigned: an index that cannot count from the end costs less
    return (
        x[i] * table[part, 0]
        + x[i + np.uint64(1)] * table[part, 1]
        + x[i + np.uint64(2)] * table[part, 2]
        + x[i + np.uint64(3)] * table[part, 3]
    )


@kernel("int64(float64)")
def _fixed(samples):  # type: ignore[no-untyped-def]
    return int(samples * 1048576.0 + 0.5)


@kernel(
    "void(complex64[::1], float64, float64, int64, int64, float32[:,::1], float32[:,::1], float32[:,::1])",
    fastmath=True,
)
def _slice(x, t, us, first, last, table, halves, energy):  # type: ignore[no-untyped-def]
    """Measure both halves of bits [first, last) of a reply that starts at t; `us` samples a microsecond.

    Rows of `halves`: real and imaginary part of the first half, then of the second; of `energy`: their powers.
    """
    start = _fixed(t + 8.25 * us)
    step = _fixed(us * 64)
    half = _fixed(us * 0.5)
    for m in range(first, last):
        centre = start + (step * m >> 6)
        a = _slot(x, centre, table)
        b = _slot(x, centre + half, table)
        halves[0, m] = a.real
        halves[1, m] = a.imag
        halves[2, m] = b.real
        halves[3, m] = b.imag
        energy[0, m] = _energy(a)
        energy[1, m] = _energy(b)


@kernel("float64(complex64[::1], float64, float64, float32[:,::1])", fastmath=True)
def _preamble(x, t, us, table):  # type: ignore[no-untyped-def]
    total = 0.0
    for offset in (0.25, 1.25, 3.75, 4.75):
        total += _energy(_slot(x, _fixed(t + offset * us), table))
    return total


@kernel("UniTuple(float64, 2)(complex64[::1], float64, float64, float32[:,::1])", fastmath=True)
def _timed(x, t, us, table):  # type: ignore[no-untyped-def]
    """Give where in t to t + 0.75, in samples, the preamble holds most, and how much."""
    best = 0.0
    start = t
    for k in range(4):
        e = _preamble(x, t + k * 0.25, us, table)
        if e > best:
            best = e
            start = t + k * 0.25
    return start, best


@kernel("float64(complex64[::1], float64, float64, float32[:,::1])", fastmath=True)
def _still(x, t, us, table):  # type: ignore[no-untyped-def]
    """Give the mean power of the slots that a preamble leaves empty."""
    total = 0.0
    for k in range(7):
        total += _energy(_slot(x, _fixed(t + (QUIET_US[k] + 0.25) * us), table))
    return total / 7


@kernel("float64(float32[:,::1], int64)", fastmath=True)
def _apart(energy, count):  # type: ignore[no-untyped-def]
    """Give how far apart the halves of the first `count` bits stand: highest at the right timing."""
    total = np.float32(0)
    for m in range(count):
        total += abs(energy[0, m] - energy[1, m])
    return total


@kernel("float64(complex64[::1], float64, float64, int64, float32[:,::1])", fastmath=True)
def _edge(x, t, us, count, table):  # type: ignore[no-untyped-def]
    """Give the same of a reply that starts at t."""
    start = _fixed(t + 8.25 * us)
    step = _fixed(us * 64)
    half = _fixed(us * 0.5)
    total = np.float32(0)
    for m in range(count):
        centre = start + (step * m >> 6)
        total += abs(_energy(_slot(x, centre, table)) - _energy(_slot(x, centre + half, table)))
    return total


@kernel(
    "Tuple((int64, complex128))(complex64[::1], int64, int64, int64, complex128, float64, complex64[::1], float32[::1])",
    fastmath=True,
)
def _unwind(x, origin, begin, count, spin, omega, out, turns):  # type: ignore[no-untyped-def]
    """Put samples `begin` to at least `count` from `origin` on into `out`, turned back by `omega` radians a sample.

    They come in runs of 16; `spin` is the turn of the first, and `turns` room to work in. Gives where it would go on,
    and the turn there.
    """
    one = complex(math.cos(omega), -math.sin(omega))
    step = complex(1.0, 0.0)
    for k in range(16):
        turns[k] = step.real
        turns[16 + k] = step.imag
        step *= one
    at = begin
    while at < count:
        c = np.float32(spin.real)
        s = np.float32(spin.imag)
        here = x[origin + at : origin + at + 16]
        there = out[at : at + 16]
        for k in range(16):
            real = c * turns[k] - s * turns[16 + k]
            imag = c * turns[16 + k] + s * turns[k]
            there[k] = complex(
                here[k].real * real - here[k].imag * imag, here[k].real * imag + here[k].imag * real
            )
        spin *= step
        at += 16
    return at, spin


@kernel("float32(float32[:,::1], int64)", fastmath=True)
def _contrast(energy, count):  # type: ignore[no-untyped-def]
    """Give the energy in the stronger halves over that in the weaker ones: 3 in noise."""
    high = np.float32(0)
    low = np.float32(0)
    for m in range(count):
        a = energy[0, m]
        b = energy[1, m]
        high += max(a, b)
        low += min(a, b)
    return high / (low + np.float32(1e-30))


@kernel("float32(float32[:,::1], int64)", fastmath=True)
def _level(energy, size):  # type: ignore[no-untyped-def]
    """Give the energy in the stronger halves."""
    total = np.float32(0)
    for m in range(size):
        total += max(energy[0, m], energy[1, m])
    return total


@kernel("int64(float32[:,::1], int64, float32)", fastmath=True)
def _holes(energy, size, level):  # type: ignore[no-untyped-def]
    """Count the bits in which neither half holds a quarter of the mean pulse; `level` is their sum."""
    limit = np.float32(0.25) * level / np.float32(size)
    count = np.int32(0)
    for m in range(size):
        count += np.int32(max(energy[0, m], energy[1, m]) < limit)
    return count


@kernel("boolean(int64)")
def _known(df):  # type: ignore[no-untyped-def]
    return df in (0, 4, 5, 11) or 16 <= df <= 21 or df >= 24


@kernel("void(float32[:,::1], int64, uint8[::1], float32[::1])", fastmath=True)
def _by_envelope(energy, size, bits, certainty):  # type: ignore[no-untyped-def]
    for m in range(size):
        d = math.sqrt(energy[0, m]) - math.sqrt(energy[1, m])
        bits[m] = 1 if d > 0 else 0
        certainty[m] = abs(d)


@kernel("void(float32[:,::1], int64, uint8[::1], float32[:,::1])", fastmath=True)
def _mark(halves, size, bits, marks):  # type: ignore[no-untyped-def]
    """Put the half with the pulse into rows 0 and 1 of `marks`, the empty one into rows 2 and 3."""
    for part in range(2):
        first = halves[part]
        second = halves[2 + part]
        pulse = marks[part]
        empty = marks[2 + part]
        for m in range(size):
            own = bits[m] != 0
            a = first[m]
            b = second[m]
            pulse[m] = a if own else b
            empty[m] = b if own else a


@kernel("float64(float32[:,::1], int64)", fastmath=True)
def _drift(marks, size):  # type: ignore[no-untyped-def]
    """Give the carrier left in the decided pulses, in radians per microsecond.

    From the mean phase step over 1, then 6, then 24 bits, each finer than the one before.
    """
    step = 0.0
    for lag in (1, 6, 24):
        real = np.float32(0)
        imag = np.float32(0)
        ar = marks[0]
        ai = marks[1]
        br = ar[lag:]
        bi = ai[lag:]
        for m in range(size - lag):
            real += br[m] * ar[m] + bi[m] * ai[m]
            imag += bi[m] * ar[m] - br[m] * ai[m]
        left = math.atan2(imag, real) - step * lag
        step += (left - 2 * math.pi * math.floor(left / (2 * math.pi) + 0.5)) / lag
    return step


@kernel("float64(float32[:,::1], int64)", fastmath=True)
def _follow(marks, size):  # type: ignore[no-untyped-def]
    """Give how well each pulse's phase tells the next one's, 0 to 1: about 1 / sqrt(size) in noise."""
    real = np.float32(0)
    imag = np.float32(0)
    power = np.float32(1e-30)
    ar = marks[0]
    ai = marks[1]
    for m in range(size - 1):
        real += ar[m + 1] * ar[m] + ai[m + 1] * ai[m]
        imag += ai[m + 1] * ar[m] - ar[m + 1] * ai[m]
        power += ar[m] * ar[m] + ai[m] * ai[m]
    return math.sqrt(real * real + imag * imag) / power


@kernel("void(float32[:,::1], int64, float64)", fastmath=True)
def _turn(halves, size, step):  # type: ignore[no-untyped-def]
    """Take `step` radians per microsecond out of both halves of every bit."""
    half = complex(math.cos(step / 2), -math.sin(step / 2))
    spin = complex(1.0, 0.0)
    for m in range(size):
        for row in range(0, 4, 2):
            real = halves[row, m]
            imag = halves[row + 1, m]
            halves[row, m] = real * spin.real - imag * spin.imag
            halves[row + 1, m] = real * spin.imag + imag * spin.real
            spin *= half


@kernel(
    "float64(float32[:,::1], int64, uint8[::1], float32[::1], float32[:,::1], float32, float32, float32)",
    fastmath=True,
)
def _by_phase(halves, size, bits, certainty, marks, near, far, farther):  # type: ignore[no-untyped-def]
    """Decide again against the phase of the neighbouring twelve bits each side; gives the coherence.

    Band-limiting spreads each pulse into its neighbours: `near`, `far`, `farther` are the shares found 0.5, 1
    and 1.5 us away. The most likely sequence is found over a trellis of two states, the bit before (G. Ungerboeck
    1974: branch metric from matched-filter outputs and the pulse's autocorrelation); certainty is the gap
    between the best sequence with the bit and the best without.
    """
    reach = 12
    _mark(halves, size, bits, marks)
    real = np.float32(0)
    imag = np.float32(0)
    for m in range(reach):
        real += marks[0, m]
        imag += marks[1, m]
    along = 0.0
    whole = 0.0
    aligned = np.empty((2, size), np.float32)
    height = np.empty(size, np.float32)
    swell = 1 + np.float32(0.5) * near + far  # what neighbours add to a pulse on average
    for m in range(size):
        if m + reach < size:
            real += marks[0, m + reach]
            imag += marks[1, m + reach]
        if m - reach - 1 >= 0:
            real -= marks[0, m - reach - 1]
            imag -= marks[1, m - reach - 1]
        own_real = marks[0, m]
        own_imag = marks[1, m]
        r = real - own_real
        i = imag - own_imag
        length = math.sqrt(r * r + i * i) + np.float32(1e-30)
        c = r / length
        s = i / length
        along += own_real * c + own_imag * s
        whole += math.sqrt(own_real * own_real + own_imag * own_imag)
        aligned[1, m] = halves[0, m] * c + halves[1, m] * s
        aligned[0, m] = halves[2, m] * c + halves[3, m] * s
        height[m] = length / (min(m, reach) + min(size - 1 - m, reach)) / swell
    steady = along / (whole + 1e-30)
    if steady < 0.7:
        return steady
    ahead = np.empty((2, size), np.float32)
    ahead[0, 0] = aligned[0, 0]
    ahead[1, 0] = aligned[1, 0]
    for m in range(1, size):
        h = height[m]
        zero, one = ahead[0, m - 1], ahead[1, m - 1]
        ahead[0, m] = aligned[0, m] + max(zero - h * far, one - h * farther)
        ahead[1, m] = aligned[1, m] + max(zero - h * near, one - h * far)
    back_zero = np.float32(0)
    back_one = np.float32(0)
    for m in range(size - 1, -1, -1):
        gap = (ahead[1, m] + back_one) - (ahead[0, m] + back_zero)
        bits[m] = 1 if gap > 0 else 0
        certainty[m] = abs(gap)
        h = height[m]
        zero, one = aligned[0, m] + back_zero, aligned[1, m] + back_one
        back_zero = max(zero - h * far, one - h * near)
        back_one = max(zero - h * farther, one - h * far)
    return steady


@kernel("void(uint8[::1], int64, float32[::1])")
def _beside(bits, size, beside):  # type: ignore[no-untyped-def]
    """Count the pulses right beside the empty half of each bit: its own, and perhaps a neighbour's."""
    for m in range(1, size - 1):
        beside[m] = 1 + (bits[m] & bits[m + 1]) + ((bits[m] | bits[m - 1]) ^ 1)
    beside[0] = 1 + (bits[0] & bits[1])
    beside[size - 1] = 1 + ((bits[size - 1] | bits[size - 2]) ^ 1)


@kernel("float32(float32[:,::1], float32[::1], int64)", fastmath=True)
def _leak(marks, beside, size):  # type: ignore[no-untyped-def]
    """Give the share of a pulse that shows in the half-bits beside it: every empty half has one or two."""
    share = np.float32(0)
    power = np.float32(0)
    for m in range(size):
        share += marks[2, m] * marks[0, m] + marks[3, m] * marks[1, m]
        power += beside[m] * (marks[0, m] * marks[0, m] + marks[1, m] * marks[1, m])
    return min(max(share / (power + np.float32(1e-30)), np.float32(0)), np.float32(0.5))


@kernel("float32(float32[::1], int64, int64)", fastmath=True)
def _least(values, first, last):  # type: ignore[no-untyped-def]
    out = values[first]
    for m in range(first + 1, last):
        out = min(out, values[m])
    return out


@kernel("int64(uint8[::1], float32[::1], int64, int64, int64, int64)")
def _mend(bits, certainty, size, wrong, pool, most):  # type: ignore[no-untyped-def]
    """Flip up to `most` of the `pool` least certain bits so that the remainder `wrong` becomes zero.

    Gives how many were flipped, 0 when none of the combinations serves.
    """
    weak = np.empty(pool, np.int64)
    for k in range(pool):
        best = -1
        for m in range(5, size):
            taken = False
            for j in range(k):
                taken |= weak[j] == m
            if not taken and (best < 0 or certainty[m] < certainty[best]):
                best = m
        weak[k] = best
    at = 112 - size
    for i in range(pool):
        if SYNDROME[at + weak[i]] == wrong:
            bits[weak[i]] ^= 1
            return 1
    if most >= 2:
        for i in range(pool):
            for j in range(i):
                if SYNDROME[at + weak[i]] ^ SYNDROME[at + weak[j]] == wrong:
                    bits[weak[i]] ^= 1
                    bits[weak[j]] ^= 1
                    return 2
    return 0


@kernel(
    "boolean(complex64[::1], float64, float64, float32[:,::1], float32[::1], complex64[::1], float32, complex64[::1],"
    " float32[:,::1], uint8[::1], float64[::1])",
    fastmath=True,
)
def read(x, t, us, table, spread, response, noise, turned, scratch, bits, out):  # type: ignore[no-untyped-def]
    """Read the reply whose preamble was seen near sample t of x; true when it looks like one.

    `out` gets its columns, `bits` its decided bits. x must hold 2 us before and 124 us after t. `turned` and
    `scratch` (SCRATCH_ROWS, 112) are room to work in.
    """
    halves = scratch[0:4]
    energy = scratch[4:6]
    marks = scratch[6:10]
    certainty = scratch[10]
    beside = scratch[11]
    # timing by the preamble; the search looked at t to t + 0.75
    start, best = _timed(x, t, us, table)
    # most of what noise brings here goes after a look at 16 bits
    _slice(x, start, us, 0, 16, table, halves, energy)
    # below TIGHT_US a pulse may fall between two samples, and its halves are told apart by sequence only
    tight = us <= TIGHT_US
    # echoes fill the empty halves too: a clear preamble well above the noise is left to the parity
    loose = tight or (best > 64 * noise and _still(x, start, us, table) < 0.06 * best)
    if _contrast(energy, 16) < (1.6 if loose else 3.4 if best > 64 * noise else 2.8):
        return False
    # and what other pulses bring goes by its format, or by pulses where the preamble has none
    begin = _level(energy, 16)
    df = 0
    doubtful = False
    for m in range(5):
        a = energy[0, m]
        b = energy[1, m]
        df = 2 * df + (a > b)
        doubtful |= max(a, b) < 4 * min(a, b)
    if not (doubtful or tight):
        if not _known(df):
            return False
        if df not in {11, 17, 18} and best / 4 - _still(x, start, us, table) < 0.3 * begin / 16:
            return False
    # carrier from sample to sample over preamble and first bits
    first = int(start)
    real = np.float32(0)
    imag = np.float32(0)
    here = x[first : first + int(32 * us)]
    there = x[first + 1 : first + 1 + int(32 * us)]
    for i in range(len(here)):
        real += there[i].real * here[i].real + there[i].imag * here[i].imag
        imag += there[i].imag * here[i].real - there[i].real * here[i].imag
    omega = math.atan2(imag, real)
    origin = first - 3
    shift = start - origin
    begun, spin = _unwind(x, origin, 0, int(65 * us) + 8, 1 + 0j, omega, turned, beside)
    _slice(turned, shift, us, 0, 56, table, halves, energy)
    level = _level(energy, 56)
    if _contrast(energy, 56) < (1.6 if tight else 1.8 if loose else 3.6) or _holes(energy, 56, level) > 14:
        return False
    size = 112 if energy[0, 0] > energy[1, 0] else 56
    if size == 112:
        _unwind(x, origin, begun, int(121 * us) + 8, spin, omega, turned, beside)
    # timing again, by the data
    here_edge = _apart(energy, 24)
    sliced = 56  # bits, at the right timing
    for direction in (-0.125, 0.125):
        moved = False
        for _ in range(3):
            there_edge = _edge(turned, shift + direction, us, 24, table)
            if there_edge <= here_edge:
                break
            here_edge = there_edge
            shift += direction
            moved = True
        if moved:
            sliced = 0
            break
    _slice(turned, shift, us, sliced, size, table, halves, energy)
    _by_envelope(energy, size, bits, certainty)
    df = _format(bits)
    if not tight and (not _known(df) or (df >= 16) != (size == 112)):
        return False
    contrast = _contrast(energy, size)
    level = _level(energy, size)
    # a train that stops before the reply ends, or has holes in it, was something else's
    if not 17 <= df <= 19 and 3 * _holes(energy, size, level) > size:
        return False
    # a preamble in the noise before a strong reply has far less power than the bits "it" sends
    ahead = _preamble(turned, shift, us, table)
    if contrast < (1.6 if tight else 1.9 if loose else 4.0) or level * 4 > 5 * size * ahead:
        return False
    wrong = _remainder(bits, size)
    turn = 0.0
    steady = 0.0
    best_shift = shift
    fixed = 0
    # where every bit is plain to see, parity that fails cannot be mended: these are other pulses. With half-bits that run
    # into one another what is plain may be a neighbour's
    weakest = _least(certainty, 0, size)
    plain = not tight and weakest * weakest > max(0.1 * level / size, 9 * noise)
    if plain and wrong != 0 and (17 <= df <= 19 or (df == 11 and wrong >= 80)):
        return False
    if plain:
        steady = 1.0
    for attempt in range(3):
        if attempt > 0:
            # parity fails: a fading pulse train may have misled the timing
            shift = best_shift + (0.25 if attempt == 1 else -0.25)
            _slice(turned, shift, us, 0, size, table, halves, energy)
            _by_envelope(energy, size, bits, certainty)
            wrong = _remainder(bits, size)
        _mark(halves, size, bits, marks)
        if tight and _follow(marks, size) < FOLLOWS:
            return False
        turn = _drift(marks, size)
        if wrong != 0 and not plain and tight:
            start = shift + 8 * us
            steady, fixed = solve(turned, start, us, size, turn / us, response, bits, certainty)
            wrong = _remainder(bits, size)
        elif wrong != 0 and not plain:
            _turn(halves, size, turn)
            for _ in range(2):
                _mark(halves, size, bits, marks)
                _beside(bits, size, beside)
                near = _leak(marks, beside, size)
                steady = _by_phase(halves, size, bits, certainty, marks, near, spread[1], spread[2])
            wrong = _remainder(bits, size)
            off = abs(omega * us + turn) > 2 * math.pi * OFF_MIDDLE_MHZ
            if wrong != 0 and off and us <= CLOSE_US and steady > STEADY and attempt == 0:
                start = shift + 8 * us
                steady, fixed = solve(turned, start, us, size, turn / us, response, bits, certainty)
                wrong = _remainder(bits, size)
        df = _format(bits)
        squitter = 17 <= df <= 19
        if squitter and wrong != 0 and not tight and contrast > (2.2 if loose else 4.0):
            fixed = _mend(bits, certainty, size, wrong, 10, 2)
            if fixed > 0:
                wrong = 0
        if not squitter or wrong == 0 or (steady > 0.7 and not tight):
            break
    if not _known(df) or (df >= 16) != (size == 112):
        return False
    if squitter and wrong != 0:
        return False
    if df == 11 and wrong >= 80:
        fixed = _mend(bits, certainty, size, wrong, 8, 2)
        if fixed == 0:
            return False
        wrong = 0
    still = _still(turned, shift, us, table)
    ahead = _preamble(turned, shift, us, table) / 4
    _mark(halves, size, bits, marks)
    _beside(bits, size, beside)
    leak = _leak(marks, beside, size)
    mean_on = 0.0
    mean_off = 0.0
    tail = 0.0
    begin = 1.0
    alien = 0.0
    for run in range(0, size, 14):
        part_on = np.float32(0)
        part_off = np.float32(0)
        part_rest = np.float32(0)
        for m in range(run, run + 14):
            on_real, on_imag = marks[0, m], marks[1, m]
            off_real, off_imag = marks[2, m], marks[3, m]
            share = leak * beside[m]
            rest_real = off_real - on_real * share
            rest_imag = off_imag - on_imag * share
            part_on += on_real * on_real + on_imag * on_imag
            part_off += off_real * off_real + off_imag * off_imag
            part_rest += rest_real * rest_real + rest_imag * rest_imag
        # what other pulses left in the empty halves, in the worst run of bits
        alien = max(alien, float(part_rest - np.float32(0.01) * part_on) / 14)
        mean_on += float(part_on)
        mean_off += float(part_off)
        if run == 0:
            begin = float(part_on) / 14
        if run >= size - 28:
            tail += float(part_on)
    # a train that stops before the reply ends was another reply's
    if not squitter and tail * size < 0.4 * 28 * mean_on:
        return False
    out[TAKEN] = 0
    out[NOISE] = noise
    out[ALIEN] = alien
    # an all-call's last seven bits are guarded by nothing but their own clarity
    weakest = _least(certainty, size - 7, size)
    plain = weakest * weakest * size > 0.16 * mean_on and alien < 2.2 * noise
    if tight:  # neighbours fill the empty halves: what another reply left there does not show, a carrier less steady does
        sum_of = np.float32(0)
        for m in range(size):
            sum_of += certainty[m] * certainty[m]
        plain = weakest * weakest * size > 0.16 * sum_of and weakest * weakest > 12 * noise and steady > 0.9
    out[PLAIN_CODE] = 1.0 if plain else 0.0
    if df != 11 and alien > 0.1 * mean_on / size + 2.2 * noise:
        out[PLAIN_CODE] = GARBLED
    # 1 for a preamble as strong as the bits with silence in its gaps; 0.2 when one is seen in other pulses
    out[QUALITY] = (ahead - still) / begin
    out[STILL] = still
    out[T] = origin + shift
    out[LEVEL] = mean_on / size
    out[OFF] = mean_off / size
    out[FREQ] = (omega * us + turn) / (2 * math.pi) * 1e6
    out[SIZE] = size
    out[FIXED] = fixed
    out[CONTRAST] = contrast
    out[REMAINDER] = wrong
    out[COHERENCE] = steady
    if squitter:
        return True
    first_weak = second_weak = third_weak = 5
    low = mid = high = np.float32(np.inf)
    for m in range(5, size):
        c = certainty[m]
        if c < low:
            high, third_weak = mid, second_weak
            mid, second_weak = low, first_weak
            low, first_weak = c, m
        elif c < mid:
            high, third_weak = mid, second_weak
            mid, second_weak = c, m
        elif c < high:
            high, third_weak = c, m
    # only what is less sure than half a pulse can have been misread
    limit = np.float32(0.5) * math.sqrt(mean_on / size)
    out[WEAK] = first_weak if low < limit else -1
    out[WEAK + 1] = second_weak if mid < limit else -1
    out[WEAK + 2] = third_weak if high < limit else -1
    return True


@kernel("void(float32[::1], complex64[::1], int64, int64)", fastmath=True)
def _repower(power, x, start, stop):  # type: ignore[no-untyped-def]
    for i in range(start, stop):
        v = x[i]
        power[i] = v.real * v.real + v.imag * v.imag


@kernel(
    "void(complex64[::1], float32[::1], float64, float64, int64, uint8[::1], float64, float32[:,::1],"
    " complex64[::1], float32[:,::1])",
    fastmath=True,
)
def take_away(x, power, t, us, size, bits, omega, shapes, turned, train):  # type: ignore[no-untyped-def]
    """Fit the known reply to x by least squares and subtract it, in place.

    The fit is a sum of the reply's pulse train at SHIFTS small delays (which makes up for the unknown pulse
    shape and a timing error) and of one that grows along the reply (a carrier not quite known), each with a
    complex weight; `omega` is its carrier in radians a sample. `turned` and `train` (SHIFTS + 3, >= 121 us)
    are room to work in.
    """
    unknowns = SHIFTS + 1
    first = int(t) - 4
    count = int((8.0 + size) * us) + 10
    for s in range(SHIFTS):
        row = train[s]
        row[:count] = 0
        start = _fixed(t - first + (s - SHIFTS // 2) * 0.3) + (1 << 15)
        for m in range(size + 4):
            if m < 4:
                centre = PULSES_US[m] + 0.25
            else:
                centre = m + (4.25 if bits[m - 4] else 4.75)
            at = start + int(centre * us * 1048576.0)
            shape = shapes[(at >> 16) & 15]
            place = (at >> 20) - 2
            pulse = row[place : place + 6]
            for j in range(6):
                pulse[j] += shape[j]
    middle = train[SHIFTS // 2]
    grown = train[SHIFTS]
    slope = np.float32(2.0 / count)
    for k in range(count):
        grown[k] = middle[k] * (slope * np.float32(k) - np.float32(1))
    real = train[SHIFTS + 1]
    imag = train[SHIFTS + 2]
    _unwind(x, first, 0, count, 1 + 0j, omega, turned, imag)
    for k in range(count):
        real[k] = turned[k].real
        imag[k] = turned[k].imag
    a = np.zeros((SHIFTS + 1, SHIFTS + 3))
    for i in range(unknowns):
        one = train[i]
        for j in range(i, unknowns + 2):
            other = train[j]
            total = np.float32(0)
            for k in range(count):
                total += one[k] * other[k]
            a[i, j] = total
            if j < unknowns:
                a[j, i] = total
    for i in range(unknowns):
        a[i, i] += 1e-3 * a[SHIFTS // 2, SHIFTS // 2]
    for i in range(unknowns):
        for j in range(i + 1, unknowns):
            f = a[j, i] / a[i, i]
            for k in range(i, unknowns + 2):
                a[j, k] -= f * a[i, k]
    weights = np.zeros((2, SHIFTS + 1), np.float32)
    for part in range(2):
        for i in range(unknowns - 1, -1, -1):
            total = a[i, unknowns + part]
            for j in range(i + 1, unknowns):
                total -= a[i, j] * weights[part, j]
            weights[part, i] = total / a[i, i]
    real[:count] = 0
    imag[:count] = 0
    for i in range(unknowns):
        row = train[i]
        wr = weights[0, i]
        wi = weights[1, i]
        for k in range(count):
            real[k] += wr * row[k]
            imag[k] += wi * row[k]
    for k in range(count):
        turned[k] = complex(real[k], imag[k])
    _unwind(turned, 0, 0, count, 1 + 0j, -omega, turned, imag)
    for k in range(count):
        x[first + k] -= turned[k]
    _repower(power, x, first, first + count)


@kernel("int64(float64, float64, float64[:,::1], int64, int64)")
def _same(t, us, found, first, count):  # type: ignore[no-untyped-def]
    """Give the row of the reply that starts at t; -1 where there is none."""
    for k in range(first, count):
        if abs(t - found[k, T]) < 0.6 * us:
            return k
    return -1


@kernel("boolean(float64, float64, float64[:,::1], int64)")
def _made_of(t, us, found, count):  # type: ignore[no-untyped-def]
    """Say whether a preamble at t is a certain reply's own or made of its first pulses."""
    for k in range(count):
        if found[k, SURE] >= 2 and found[k, FIXED] == 0 and -0.6 * us < found[k, T] - t < 5 * us:
            return True
    return False


@kernel("boolean(float64, float64, float64[:,::1], int64, int64, float32)")
def _explained(t, us, found, first, count, score):  # type: ignore[no-untyped-def]
    """Say whether a preamble at t is a known reply's own, or no stronger than the reply it lies in."""
    for k in range(first, count):
        since = t - found[k, T]
        if abs(since) < 0.6 * us:
            return True
        inside = found[k, SURE] > 0 and found[k, TAKEN] == 0 and 0 < since < (8 + found[k, SIZE]) * us
        if inside and score < 6 * found[k, LEVEL]:
            return True
    return False


@kernel("boolean(complex64[::1], float64, float64, float32[:,::1], float32)", fastmath=True)
def _clear(x, t, us, table, noise):  # type: ignore[no-untyped-def]
    """Say whether a preamble near t comes out of silence well above the noise, and pulses as strong follow it."""
    start, best = _timed(x, t, us, table)
    if best < 4 * 16 * noise or _still(x, start, us, table) > 0.1 * best:
        return False
    before = 0.0
    for m in range(16):
        before += _energy(_slot(x, _fixed(start - (0.75 + 0.5 * m) * us), table))
    if before / 16 > 0.03 * best:
        return False
    total = 0.0
    for m in range(24):
        total += _energy(_slot(x, _fixed(start + (8.25 + m) * us), table))
        total += _energy(_slot(x, _fixed(start + (8.75 + m) * us), table))
    return 0.6 < total / (6 * best) < 12


@kernel(
    "int64(complex64[::1], float64, float64, float32[:,::1], float32, float64[::1], int64)", fastmath=True
)
def _doubt(x, t, us, table, noise, doubtful, doubts):  # type: ignore[no-untyped-def]
    """Note a preamble in the clear without a reading, once and where there is room before it; gives the new count."""
    for k in range(doubts):
        if abs(t - doubtful[k]) < us:
            return doubts
    if t > 32 * us and doubts < len(doubtful) and _clear(x, t, us, table, noise):
        doubtful[doubts] = t
        doubts += 1
    return doubts


@kernel("void(uint8[::1], float64[::1], float64, float32, float32[:,::1], float64[::1])")
def _untangled_row(bits, figures, us, noise, shapes, row):  # type: ignore[no-untyped-def]
    """Put a reply read together with another, known by start, carrier in radians a sample and height, into a row."""
    energy = 0.0
    for part in range(FINE):
        for j in range(shapes.shape[1]):
            energy += shapes[part, j] * shapes[part, j] / FINE
    row[:] = 0
    row[T] = figures[0]
    row[FREQ] = figures[1] * us / (2 * math.pi) * 1e6
    row[LEVEL] = figures[2] * figures[2] * energy
    row[SIZE] = 112 if bits[0] else 56
    row[CONTRAST] = 10.0
    row[NOISE] = noise
    row[REMAINDER] = _remainder(bits, int(row[SIZE]))
    row[SURE] = 2.0 if row[REMAINDER] == 0 else 1.0
    row[QUALITY] = 1.0
    row[ALIEN] = row[LEVEL]  # another lies over it
    row[PLAIN_CODE] = GARBLED
    row[WEAK : WEAK + 3] = -1


@kernel(
    "int64(complex64[::1], float32[::1], int64, int64, float64, float32[:,::1], float32[::1], complex64[::1],"
    " float32[:,::1], float32[:,::1], float32[:,:,::1], float32[:,::1], int64[:,:,::1], int64[::1], float32, float64[:,::1], uint8[:,::1], int64)",
    fastmath=True,
)
def receive(  # type: ignore[no-untyped-def]
    x,
    power,
    start,
    stop,
    us,
    table,
    spread,
    response,
    shapes,
    tables,
    pairs,
    weights,
    places,
    quiet,
    noise,
    found,
    bits,
    count,
):
    """Read every reply that starts in [start, stop), taking decided ones away to see what lies beneath.

    Where a preamble in the clear leads to nothing, two replies of like power are tried. `found` and `bits` hold `count` earlier replies on entry and gain the new ones; gives the new count.
    """
    width = 0.5 * us
    floor = np.float32(noise * (4 * width) * 3.0)
    ratio = np.float32(2.6)
    back = int(124 * us)
    window = np.empty((COARSE, 2048 + int(14 * us)), np.float32)
    score = np.empty(BLOCK + 8, np.float32)
    busy = np.empty((BLOCK + 8) // RUN + 1, np.bool_)
    turned = np.empty(int(124 * us) + 32, np.complex64)
    scratch = np.empty((SCRATCH_ROWS, 112), np.float32)
    train = np.empty((SHIFTS + 3, len(turned)), np.float32)
    near = 1 if us < 3 else 2
    low = start
    high = stop
    extra = np.float32(0)
    taken = -1
    examined = count
    known = count
    recent = 0
    doubtful = np.empty(MOST_DOUBTFUL)
    doubts = looked = 0
    pair = np.empty((2, 112), np.uint8)
    figures = np.empty((2, 3))
    while True:
        for block in range(low, high, BLOCK):
            first = max(block - near, low)
            last = min(block + BLOCK, high)
            span = min(last + near, high) - first
            limit = floor + extra
            search(power, first, first + span, weights, places, quiet, limit, ratio, window, score, busy)
            i = block - first
            while i < last - first:
                if not busy[i // RUN]:
                    i = (i // RUN + 1) * RUN
                    continue
                s = score[i]
                i += 1
                if s == 0:
                    continue
                at = i - 1
                peak = True
                for k in range(1, near + 1):
                    if (at + k < span and score[at + k] > s) or (at - k >= 0 and score[at - k] >= s):
                        peak = False
                if not peak or count >= len(found):
                    continue
                t = float(first + at)
                while taken < 0 and recent < count and found[recent, T] < t - back:
                    recent += 1
                if _explained(t, us, found, recent, count, s):
                    continue
                if not read(
                    x, t, us, table, spread, response, noise, turned, scratch, bits[count], found[count]
                ):
                    doubts = _doubt(x, t, us, table, noise, doubtful, doubts)
                    continue
                row = found[count]
                if row[LEVEL] < extra / 4:
                    continue
                df = _format(bits[count])
                sure = 17 <= df <= 19 or (df == 11 and row[REMAINDER] == 0)
                garbled = row[ALIEN] > 0.1 * row[LEVEL] and (not sure or row[FIXED] > 0)
                if garbled:
                    doubts = _doubt(x, t, us, table, noise, doubtful, doubts)
                clear = row[CONTRAST] > 6 and row[QUALITY] > 0.7 and row[LEVEL] > 20 * noise
                row[SURE] = 2.0 if sure else (1.0 if clear else 0.0)
                if not sure and (row[QUALITY] < 0.45 or (us > TIGHT_US and row[CONTRAST] < 4.2)):
                    continue
                # half-bits that run into one another leave little contrast: a steady carrier tells them from noise
                if not sure and us <= TIGHT_US and row[COHERENCE] < STEADY:
                    continue
                place = count
                for k in range(recent, count):
                    apart = abs(row[T] - found[k, T])
                    if apart < 0.6 * us:
                        place = -1
                    elif apart < 9 * us and place >= 0:
                        # two readings of one train of pulses: parity decides, then the better preamble
                        certain = found[k, SURE] >= 2 or found[k, TAKEN] > 0 or k < known
                        if certain or (not sure and found[k, QUALITY] >= row[QUALITY]):
                            place = -1 if not sure else place
                        else:
                            place = k
                if place < 0:
                    continue
                if place < count:
                    found[place] = found[count]
                    bits[place] = bits[count]
                else:
                    count += 1
        # the next reply that hides something; when there is none, two of which neither could be read
        taken = -1
        recent = 0
        while taken < 0:
            while examined < count and taken < 0:
                row = found[examined]
                solid = row[FIXED] == 0 and row[CONTRAST] > 6 and row[LEVEL] > 6 * noise
                if solid and row[ALIEN] > 1.6 * noise:
                    taken = examined
                examined += 1
            if taken >= 0:
                break
            if looked == doubts or count + 2 > len(found):
                return count
            t = doubtful[looked]
            looked += 1
            # what seemed a preamble was made of a certain reply's first pulses, or went with one that was taken away
            if _made_of(t, us, found, count) or not _clear(x, t, us, table, noise):
                continue
            sure = untangle(x, t, us, noise, tables, pairs, pair, figures)
            for which in range(2):
                if not sure >> which & 5:
                    continue
                k = _same(figures[which, 0], us, found, 0, count)
                if k >= 0 and (k < known or found[k, TAKEN] > 0):
                    continue
                if k < 0:
                    k = count
                    count += 1
                _untangled_row(pair[which], figures[which], us, noise, shapes, found[k])
                bits[k] = pair[which]
                examined = min(examined, k)
        row = found[taken]
        omega = row[FREQ] * 2e-6 * math.pi / us
        take_away(x, power, row[T], us, int(row[SIZE]), bits[taken], omega, shapes, turned, train)
        row[TAKEN] = 1
        extra = np.float32(0.08 * row[LEVEL])
        low = max(int(row[T]) - back, int(3 * us))
        high = min(int(row[T] + (8 + row[SIZE]) * us), stop)


@kernel("int64(float64[:,::1], uint8[:,::1], int64, float64, float64)")
def pass_on(found, bits, count, step, least):  # type: ignore[no-untyped-def]
    """Count time from `step` samples later, keeping the replies that then begin after `least`; gives how many."""
    kept = 0
    for k in range(count):
        if found[k, T] - step > least:
            found[kept] = found[k]
            found[kept, T] -= step
            bits[kept] = bits[k]
            kept += 1
    return kept


@kernel(
    "void(float64[:,::1], uint8[:,::1], int64, int64, float64, float64, float64, int64[:,::1], float64[:,::1])"
)
def tell(found, bits, first, count, sample_ns, energy, snr_share, whole, figures):  # type: ignore[no-untyped-def]
    """Put the replies [first, count) into words of their bits, whole numbers and figures, a column each.

    Rows of `whole`: start in ns, last 64 bits (or 56), the 48 before, size, format, corrected bits, remainder,
    plainness of an all-call's code, three weak bits; of `figures`: SNR in dB, level in dBFS, carrier in Hz from
    the centre. `energy` is that of a pulse of height one, `snr_share` the noise power in the working samples over
    that in the bandwidth of the SNR.
    """
    for n in range(count - first):
        row = found[first + n]
        own = bits[first + n]
        size = int(row[SIZE])
        high = low = 0
        for m in range(size):
            if m < size - 64:
                high = high << 1 | own[m]
            else:
                low = low << 1 | own[m]
        whole[0, n] = int(np.rint(row[T] * sample_ns))
        whole[1, n] = low
        whole[2, n] = high
        whole[3, n] = size
        whole[4, n] = _format(own)
        whole[5, n] = int(row[FIXED])
        whole[6, n] = int(row[REMAINDER])
        whole[7, n] = int(row[PLAIN_CODE])
        for k in range(3):
            whole[8 + k, n] = int(row[WEAK + k])
        pulse = max(row[LEVEL] - row[OFF], 1e-20) / energy
        level = 10 * math.log10(pulse * (size + 4) / (2 * (size + 8)))
        figures[0, n] = level - 10 * math.log10(row[NOISE] * snr_share)
        figures[1, n] = level
        figures[2, n] = row[FREQ]


@kernel("void(complex64[::1], float32[::1], int64, complex64[::1])", fastmath=True)
def decimate(x, taps, by, out):  # type: ignore[no-untyped-def]
    """Fill `out` with samples of x filtered by `taps`, one for each `by` of it."""
    n = len(taps)
    for m in range(len(out)):
        real = np.float32(0)
        imag = np.float32(0)
        at = m * by
        for k in range(n):
            v = x[at + k]
            real += taps[k] * v.real
            imag += taps[k] * v.imag
        out[m] = complex(real, imag)
