"""Compiled: what stands in the half-microsecond slots of a reply.

Time is counted in samples of the working rate (2 to 4 MS/s). A reply starts at the leading edge of its first
preamble pulse; every slot is measured by a filter matched to the band-limited pulse, tabled for `FINE` fractions
of a sample.
"""

from __future__ import annotations

import math

import numpy as np

from earwitness.dsp.jit import kernel
from earwitness.modes.mode_s.pulse import PREAMBLE_US, QUIET_US


@kernel("float32(complex64)", fastmath=True)
def energy_of(y):  # type: ignore[no-untyped-def]
    """Give the power of a sample."""
    return y.real * y.real + y.imag * y.imag


@kernel("complex64(complex64[::1], int64, float32[:,::1])", fastmath=True)
def slot(x, centre, table):  # type: ignore[no-untyped-def]
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
def fixed_point(samples):  # type: ignore[no-untyped-def]
    """Give a place in samples as `slot` takes it: a whole number of 2^-20 samples."""
    return int(samples * 1048576.0 + 0.5)


@kernel(
    "void(complex64[::1], float64, float64, int64, int64, float32[:,::1], float32[:,::1], float32[:,::1])",
    fastmath=True,
)
def slice_bits(x, t, us, first, last, table, halves, energy):  # type: ignore[no-untyped-def]
    """Measure both halves of bits [first, last) of a reply that starts at t; `us` samples a microsecond.

    Rows of `halves`: real and imaginary part of the first half, then of the second; of `energy`: their powers.
    """
    start = fixed_point(t + 8.25 * us)
    step = fixed_point(us * 64)
    half = fixed_point(us * 0.5)
    for m in range(first, last):
        centre = start + (step * m >> 6)
        a = slot(x, centre, table)
        b = slot(x, centre + half, table)
        halves[0, m] = a.real
        halves[1, m] = a.imag
        halves[2, m] = b.real
        halves[3, m] = b.imag
        energy[0, m] = energy_of(a)
        energy[1, m] = energy_of(b)


@kernel("float64(complex64[::1], float64, float64, float32[:,::1])", fastmath=True)
def preamble_energy(x, t, us, table):  # type: ignore[no-untyped-def]
    """Give the summed power of the four pulses of a preamble at t."""
    total = 0.0
    for k in range(4):
        total += energy_of(slot(x, fixed_point(t + (PREAMBLE_US[k] + 0.25) * us), table))
    return total


@kernel("UniTuple(float64, 2)(complex64[::1], float64, float64, float32[:,::1])", fastmath=True)
def best_start(x, t, us, table):  # type: ignore[no-untyped-def]
    """Give where in t to t + 0.75, in samples, the preamble holds most, and how much."""
    best = 0.0
    start = t
    for k in range(4):
        e = preamble_energy(x, t + k * 0.25, us, table)
        if e > best:
            best = e
            start = t + k * 0.25
    return start, best


@kernel("float64(complex64[::1], float64, float64, float32[:,::1])", fastmath=True)
def still_power(x, t, us, table):  # type: ignore[no-untyped-def]
    """Give the mean power of the slots that a preamble leaves empty."""
    total = 0.0
    for k in range(7):
        total += energy_of(slot(x, fixed_point(t + (QUIET_US[k] + 0.25) * us), table))
    return total / 7


@kernel("boolean(complex64[::1], float64, float64, float32[:,::1], float32)", fastmath=True)
def in_the_clear(x, t, us, table, noise):  # type: ignore[no-untyped-def]
    """Say whether a preamble near t comes out of silence well above the noise, and pulses as strong follow it."""
    start, best = best_start(x, t, us, table)
    if best < 4 * 16 * noise or still_power(x, start, us, table) > 0.1 * best:
        return False
    before = 0.0
    for m in range(16):
        before += energy_of(slot(x, fixed_point(start - (0.75 + 0.5 * m) * us), table))
    if before / 16 > 0.03 * best:
        return False
    total = 0.0
    for m in range(24):
        total += energy_of(slot(x, fixed_point(start + (8.25 + m) * us), table))
        total += energy_of(slot(x, fixed_point(start + (8.75 + m) * us), table))
    return 0.6 < total / (6 * best) < 12


@kernel("float64(float32[:,::1], int64)", fastmath=True)
def halves_apart(energy, count):  # type: ignore[no-untyped-def]
    """Give how far apart the halves of the first `count` bits stand: highest at the right timing."""
    total = np.float32(0)
    for m in range(count):
        total += abs(energy[0, m] - energy[1, m])
    return total


@kernel("float64(complex64[::1], float64, float64, int64, float32[:,::1])", fastmath=True)
def apart_at(x, t, us, count, table):  # type: ignore[no-untyped-def]
    """Give the same of a reply that starts at t."""
    start = fixed_point(t + 8.25 * us)
    step = fixed_point(us * 64)
    half = fixed_point(us * 0.5)
    total = np.float32(0)
    for m in range(count):
        centre = start + (step * m >> 6)
        total += abs(energy_of(slot(x, centre, table)) - energy_of(slot(x, centre + half, table)))
    return total


@kernel(
    "Tuple((int64, complex128))(complex64[::1], int64, int64, int64, complex128, float64, complex64[::1], float32[::1])",
    fastmath=True,
)
def unwind(x, origin, begin, count, spin, omega, out, turns):  # type: ignore[no-untyped-def]
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
def contrast_of(energy, count):  # type: ignore[no-untyped-def]
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
def level_of(energy, size):  # type: ignore[no-untyped-def]
    """Give the energy in the stronger halves."""
    total = np.float32(0)
    for m in range(size):
        total += max(energy[0, m], energy[1, m])
    return total


@kernel("int64(float32[:,::1], int64, float32)", fastmath=True)
def count_holes(energy, size, level):  # type: ignore[no-untyped-def]
    """Count the bits in which neither half holds a quarter of the mean pulse; `level` is their sum."""
    limit = np.float32(0.25) * level / np.float32(size)
    count = np.int32(0)
    for m in range(size):
        count += np.int32(max(energy[0, m], energy[1, m]) < limit)
    return count


@kernel("float64(complex64[::1], int64, int64)", fastmath=True)
def carrier_of(x, first, count):  # type: ignore[no-untyped-def]
    """Give the mean phase step from sample to sample over `count` samples, in radians."""
    real = np.float32(0)
    imag = np.float32(0)
    here = x[first : first + count]
    there = x[first + 1 : first + 1 + count]
    for i in range(len(here)):
        real += there[i].real * here[i].real + there[i].imag * here[i].imag
        imag += there[i].imag * here[i].real - there[i].real * here[i].imag
    return math.atan2(imag, real)
