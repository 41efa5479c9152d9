"""Compiled: every reply of a stretch, the known ones taken away to see what lies beneath."""

from __future__ import annotations

import math

import numpy as np

from earwitness.dsp.jit import kernel
from earwitness.modes.mode_s.checks import format_of, remainder_of
from earwitness.modes.mode_s.pulse import COARSE, FINE, PREAMBLE_US
from earwitness.modes.mode_s.reading import (
    ALIEN,
    COHERENCE,
    CONTRAST,
    FIXED,
    FREQ,
    GARBLED,
    LEVEL,
    NOISE,
    OFF,
    PLAIN_CODE,
    QUALITY,
    REMAINDER,
    SCRATCH_ROWS,
    SIZE,
    STEADY,
    SURE,
    TAKEN,
    TIGHT_US,
    WEAK,
    T,
    read,
)
from earwitness.modes.mode_s.search import RUN, search
from earwitness.modes.mode_s.slots import fixed_point, in_the_clear, unwind
from earwitness.modes.mode_s.tangle import untangle

MOST_DOUBTFUL = 48  # preambles in the clear without a reading that are looked at again in a chunk
BLOCK = 4096  # samples searched at a time: their scores stay in the nearest cache
SHIFTS = 5  # shifted templates fitted when a reply is taken away


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
        start = fixed_point(t - first + (s - SHIFTS // 2) * 0.3) + (1 << 15)
        for m in range(size + 4):
            if m < 4:
                centre = PREAMBLE_US[m] + 0.25
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
    unwind(x, first, 0, count, 1 + 0j, omega, turned, imag)
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
    unwind(turned, 0, 0, count, 1 + 0j, -omega, turned, imag)
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


@kernel(
    "int64(complex64[::1], float64, float64, float32[:,::1], float32, float64[::1], int64)", fastmath=True
)
def _doubt(x, t, us, table, noise, doubtful, doubts):  # type: ignore[no-untyped-def]
    """Note a preamble in the clear without a reading, once and where there is room before it; gives the new count."""
    for k in range(doubts):
        if abs(t - doubtful[k]) < us:
            return doubts
    if t > 32 * us and doubts < len(doubtful) and in_the_clear(x, t, us, table, noise):
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
    row[REMAINDER] = remainder_of(bits, int(row[SIZE]))
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
                df = format_of(bits[count])
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
            if _made_of(t, us, found, count) or not in_the_clear(x, t, us, table, noise):
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
        whole[4, n] = format_of(own)
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
