"""Compiled: the bits of a reply from its half-bits, by envelope and against the carrier's phase.

Where the carrier proves steady through the reply, bits are decided again against its tracked phase (1.1 dB better
at one error in a thousand bits: 0.5 exp(-x/2) against Q(sqrt x), Proakis, Digital Communications, ch. 5).
"""

from __future__ import annotations

import math

import numpy as np

from earwitness.dsp.jit import kernel
from earwitness.modes.mode_s.checks import SYNDROME


@kernel("void(float32[:,::1], int64, uint8[::1], float32[::1])", fastmath=True)
def by_envelope(energy, size, bits, certainty):  # type: ignore[no-untyped-def]
    """Decide each bit by the stronger half; its certainty is how far apart their heights are."""
    for m in range(size):
        d = math.sqrt(energy[0, m]) - math.sqrt(energy[1, m])
        bits[m] = 1 if d > 0 else 0
        certainty[m] = abs(d)


@kernel("void(float32[:,::1], int64, uint8[::1], float32[:,::1])", fastmath=True)
def mark_pulses(halves, size, bits, marks):  # type: ignore[no-untyped-def]
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
def carrier_left(marks, size):  # type: ignore[no-untyped-def]
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
def phase_follows(marks, size):  # type: ignore[no-untyped-def]
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
def turn_halves(halves, size, step):  # type: ignore[no-untyped-def]
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
def by_phase(halves, size, bits, certainty, marks, near, far, farther):  # type: ignore[no-untyped-def]
    """Decide again against the phase of the neighbouring twelve bits each side; gives the coherence.

    Band-limiting spreads each pulse into its neighbours: `near`, `far`, `farther` are the shares found 0.5, 1
    and 1.5 us away. The most likely sequence is found over a trellis of two states, the bit before (G. Ungerboeck
    1974: branch metric from matched-filter outputs and the pulse's autocorrelation); certainty is the gap
    between the best sequence with the bit and the best without.
    """
    reach = 12
    mark_pulses(halves, size, bits, marks)
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
def count_beside(bits, size, beside):  # type: ignore[no-untyped-def]
    """Count the pulses right beside the empty half of each bit: its own, and perhaps a neighbour's."""
    for m in range(1, size - 1):
        beside[m] = 1 + (bits[m] & bits[m + 1]) + ((bits[m] | bits[m - 1]) ^ 1)
    beside[0] = 1 + (bits[0] & bits[1])
    beside[size - 1] = 1 + ((bits[size - 1] | bits[size - 2]) ^ 1)


@kernel("float32(float32[:,::1], float32[::1], int64)", fastmath=True)
def leak_share(marks, beside, size):  # type: ignore[no-untyped-def]
    """Give the share of a pulse that shows in the half-bits beside it: every empty half has one or two."""
    share = np.float32(0)
    power = np.float32(0)
    for m in range(size):
        share += marks[2, m] * marks[0, m] + marks[3, m] * marks[1, m]
        power += beside[m] * (marks[0, m] * marks[0, m] + marks[1, m] * marks[1, m])
    return min(max(share / (power + np.float32(1e-30)), np.float32(0)), np.float32(0.5))


@kernel("UniTuple(float64, 5)(float32[:,::1], float32[::1], float32, int64)", fastmath=True)
def powers(marks, beside, leak, size):  # type: ignore[no-untyped-def]
    """Give the power in pulses and in empty halves, that of the first 14 pulses (a mean), of the last 28, and of others.

    The last is what other pulses left in the empty halves, in the worst run of 14 bits (a mean); the rest are sums.
    """
    on = 0.0
    off = 0.0
    begin = 1.0
    tail = 0.0
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
        alien = max(alien, float(part_rest - np.float32(0.01) * part_on) / 14)
        on += float(part_on)
        off += float(part_off)
        if run == 0:
            begin = float(part_on) / 14
        if run >= size - 28:
            tail += float(part_on)
    return on, off, begin, tail, alien


@kernel("float32(float32[::1], int64, int64)", fastmath=True)
def least_sure(values, first, last):  # type: ignore[no-untyped-def]
    """Give the least of values [first, last)."""
    out = values[first]
    for m in range(first + 1, last):
        out = min(out, values[m])
    return out


@kernel("UniTuple(int64, 3)(float32[::1], int64, float64)", fastmath=True)
def three_weakest(certainty, size, limit):  # type: ignore[no-untyped-def]
    """Give where the three least certain bits after the format are, -1 for those as certain as `limit`."""
    first = second = third = 5
    low = mid = high = np.float32(np.inf)
    for m in range(5, size):
        c = certainty[m]
        if c < low:
            high, third = mid, second
            mid, second = low, first
            low, first = c, m
        elif c < mid:
            high, third = mid, second
            mid, second = c, m
        elif c < high:
            high, third = c, m
    return first if low < limit else -1, second if mid < limit else -1, third if high < limit else -1


@kernel("int64(uint8[::1], float32[::1], int64, int64, int64, int64)")
def mend_least_sure(bits, certainty, size, wrong, pool, most):  # type: ignore[no-untyped-def]
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
