"""Compiled: one reply read where its preamble was seen, with what the log and the parity need to know of it."""

from __future__ import annotations

import math

import numpy as np

from earwitness.dsp.jit import kernel
from earwitness.modes.mode_s.bits import (
    by_envelope,
    by_phase,
    carrier_left,
    count_beside,
    leak_share,
    least_sure,
    mark_pulses,
    mend_least_sure,
    phase_follows,
    powers,
    three_weakest,
    turn_halves,
)
from earwitness.modes.mode_s.checks import format_of, remainder_of
from earwitness.modes.mode_s.sequence import solve
from earwitness.modes.mode_s.slots import (
    apart_at,
    best_start,
    carrier_of,
    contrast_of,
    count_holes,
    halves_apart,
    level_of,
    preamble_energy,
    slice_bits,
    still_power,
    unwind,
)

# columns of the result table: start in samples, power of a pulse, carrier in Hz, bits, corrected bits, power in pulses over
# that in gaps, what parity leaves, steadiness of the carrier, power in gaps, whether it was taken
# away, noise, 2 for certain and 1 for clear, likeness of the preamble, power of others over it, how plain an all-call's
# code is, and the three least certain bit positions, -1 where fewer are uncertain
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
    TAKEN,
    NOISE,
    SURE,
    QUALITY,
    ALIEN,
    PLAIN_CODE,
    WEAK,
) = range(16)
COLUMNS = WEAK + 3
SCRATCH_ROWS = 12
TIGHT_US = 2.3  # samples a microsecond below which half-bits are no longer told apart one by one
CLOSE_US = 2.7  # and below which they are not where the carrier lies so far off the middle that the receiver's filter ...
OFF_MIDDLE_MHZ = 0.25  # ... takes its two sides unlike
STEADY = 0.85  # coherence of a reply below TIGHT_US: noise has at most 0.81, a reply at 9 dB 0.94
FOLLOWS = 0.35  # of phases from pulse to pulse below TIGHT_US: noise of 56 bits reaches it once in a thousand
CLEAR_BIT = 9.0  # of a bit that no parity guards: its halves apart times the pulse's height, over noise
GARBLED = 2.0  # in place of plainness: read with another over it


@kernel("boolean(int64)")
def known_format(df):  # type: ignore[no-untyped-def]
    """Say whether replies come in this downlink format."""
    return df in (0, 4, 5, 11) or 16 <= df <= 21 or df >= 24


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
    start, best = best_start(x, t, us, table)
    # most of what noise brings here goes after a look at 16 bits
    slice_bits(x, start, us, 0, 16, table, halves, energy)
    # below TIGHT_US a pulse may fall between two samples, and its halves are told apart by sequence only
    tight = us <= TIGHT_US
    # echoes fill the empty halves too: a clear preamble well above the noise is left to the parity
    loose = tight or (best > 64 * noise and still_power(x, start, us, table) < 0.06 * best)
    if contrast_of(energy, 16) < (1.6 if loose else 3.4 if best > 64 * noise else 2.8):
        return False
    # and what other pulses bring goes by its format, or by pulses where the preamble has none
    begin = level_of(energy, 16)
    df = 0
    doubtful = False
    for m in range(5):
        a = energy[0, m]
        b = energy[1, m]
        df = 2 * df + (a > b)
        doubtful |= max(a, b) < 4 * min(a, b)
    if not (doubtful or tight):
        if not known_format(df):
            return False
        if df not in {11, 17, 18} and best / 4 - still_power(x, start, us, table) < 0.3 * begin / 16:
            return False
    # carrier from sample to sample over preamble and first bits
    first = int(start)
    omega = carrier_of(x, first, int(32 * us))
    origin = first - 3
    shift = start - origin
    begun, spin = unwind(x, origin, 0, int(65 * us) + 8, 1 + 0j, omega, turned, beside)
    slice_bits(turned, shift, us, 0, 56, table, halves, energy)
    level = level_of(energy, 56)
    if (
        contrast_of(energy, 56) < (1.6 if tight else 1.8 if loose else 3.6)
        or count_holes(energy, 56, level) > 14
    ):
        return False
    size = 112 if energy[0, 0] > energy[1, 0] else 56
    if size == 112:
        unwind(x, origin, begun, int(121 * us) + 8, spin, omega, turned, beside)
    # timing again, by the data
    here_edge = halves_apart(energy, 24)
    sliced = 56  # bits, at the right timing
    for direction in (-0.125, 0.125):
        moved = False
        for _ in range(3):
            there_edge = apart_at(turned, shift + direction, us, 24, table)
            if there_edge <= here_edge:
                break
            here_edge = there_edge
            shift += direction
            moved = True
        if moved:
            sliced = 0
            break
    slice_bits(turned, shift, us, sliced, size, table, halves, energy)
    by_envelope(energy, size, bits, certainty)
    df = format_of(bits)
    if not tight and (not known_format(df) or (df >= 16) != (size == 112)):
        return False
    contrast = contrast_of(energy, size)
    level = level_of(energy, size)
    # a train that stops before the reply ends, or has holes in it, was something else's
    if not 17 <= df <= 19 and 3 * count_holes(energy, size, level) > size:
        return False
    # a preamble in the noise before a strong reply has far less power than the bits "it" sends
    ahead = preamble_energy(turned, shift, us, table)
    if contrast < (1.6 if tight else 1.9 if loose else 4.0) or level * 4 > 5 * size * ahead:
        return False
    wrong = remainder_of(bits, size)
    turn = 0.0
    steady = 0.0
    best_shift = shift
    fixed = 0
    # where every bit is plain to see, parity that fails cannot be mended: these are other pulses. With half-bits that run
    # into one another what is plain may be a neighbour's
    weakest = least_sure(certainty, 0, size)
    plain = not tight and weakest * weakest > max(0.1 * level / size, 9 * noise)
    if plain and wrong != 0 and (17 <= df <= 19 or (df == 11 and wrong >= 80)):
        return False
    if plain:
        steady = 1.0
    for attempt in range(3):
        if attempt > 0:
            # parity fails: a fading pulse train may have misled the timing
            shift = best_shift + (0.25 if attempt == 1 else -0.25)
            slice_bits(turned, shift, us, 0, size, table, halves, energy)
            by_envelope(energy, size, bits, certainty)
            wrong = remainder_of(bits, size)
        mark_pulses(halves, size, bits, marks)
        if tight and phase_follows(marks, size) < FOLLOWS:
            return False
        turn = carrier_left(marks, size)
        if wrong != 0 and not plain and tight:
            start = shift + 8 * us
            steady, fixed = solve(turned, start, us, size, turn / us, response, bits, certainty)
            wrong = remainder_of(bits, size)
        elif wrong != 0 and not plain:
            turn_halves(halves, size, turn)
            for _ in range(2):
                mark_pulses(halves, size, bits, marks)
                count_beside(bits, size, beside)
                near = leak_share(marks, beside, size)
                steady = by_phase(halves, size, bits, certainty, marks, near, spread[1], spread[2])
            wrong = remainder_of(bits, size)
            off = abs(omega * us + turn) > 2 * math.pi * OFF_MIDDLE_MHZ
            if wrong != 0 and off and us <= CLOSE_US and steady > STEADY and attempt == 0:
                start = shift + 8 * us
                steady, fixed = solve(turned, start, us, size, turn / us, response, bits, certainty)
                wrong = remainder_of(bits, size)
        df = format_of(bits)
        squitter = 17 <= df <= 19
        if squitter and wrong != 0 and not tight and contrast > (2.2 if loose else 4.0):
            fixed = mend_least_sure(bits, certainty, size, wrong, 10, 2)
            if fixed > 0:
                wrong = 0
        if not squitter or wrong == 0 or (steady > 0.7 and not tight):
            break
    if not known_format(df) or (df >= 16) != (size == 112):
        return False
    if squitter and wrong != 0:
        return False
    if df == 11 and wrong >= 80:
        fixed = mend_least_sure(bits, certainty, size, wrong, 8, 2)
        if fixed == 0:
            return False
        wrong = 0
    still = still_power(turned, shift, us, table)
    ahead = preamble_energy(turned, shift, us, table) / 4
    mark_pulses(halves, size, bits, marks)
    count_beside(bits, size, beside)
    leak = leak_share(marks, beside, size)
    mean_on, mean_off, begin, tail, alien = powers(marks, beside, leak, size)
    # a train that stops before the reply ends was another reply's
    if not squitter and tail * size < 0.4 * 28 * mean_on:
        return False
    out[TAKEN] = 0
    out[NOISE] = noise
    out[ALIEN] = alien
    # an all-call's last seven bits are guarded by nothing but their own clarity
    weakest = least_sure(certainty, size - 7, size)
    plain = weakest * weakest * size > 0.16 * mean_on and alien < 2.2 * noise
    # in noise that is normal it is exp(2 * CLEAR_BIT) times likelier to stand as it was sent than turned
    plain = plain and weakest * math.sqrt(mean_on / size) > CLEAR_BIT * noise
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
    # only what is less sure than half a pulse can have been misread
    out[WEAK], out[WEAK + 1], out[WEAK + 2] = three_weakest(certainty, size, 0.5 * math.sqrt(mean_on / size))
    return True
