"""Two replies of like power, one over the other, read together.

The pulses of the one fall into the empty halves of the other, so neither can be read by which half is the
stronger. But each has a steady carrier of its own: the carriers stand out of the spectrum as lines (half of a
reply's time is pulse), and once both are known, the samples are explained by the most likely pair of bit
sequences: a trellis whose state is the last two bits of each, with both complex amplitudes followed along each
surviving path (per-survivor processing: R. Raheli, A. Polydoros, C.-K. Tzou, IEEE Trans. Communications 1995).
Nothing is believed that does not pass its parity.
"""

from __future__ import annotations

import math

import numpy as np

from earwitness.dsp.jit import kernel
from earwitness.dsp.lanes import LANES, survivors
from earwitness.modes.mode_s.checks import format_of, remainder_of
from earwitness.modes.mode_s.pulse import PREAMBLE_US, band_limited

PHASE_BITS = 6
PHASES = 1 << PHASE_BITS  # steps of a microsecond in the envelope tables
STEP_BITS = 24  # of a phase, in places that are counted on from sample to sample
LEAD = 0.3  # us before its first half that a bit shows in the samples
UNEXPLAINED = 0.1  # power that two replies read together may leave, over the product of their heights
SWELL = 2.0  # most that the product of the heights may grow over the first guesses
STARTS = 2  # of a second reply that are tried
POINTS = 256  # samples in a carrier spectrum
NEVER = np.float32(1e30)  # more than a path can leave unexplained
STATES = LANES  # bit before and bit of the first reply (low two bits), and of the second
# rows of a path: how much it leaves unexplained comes first, then both complex heights
REAL_A, IMAG_A, REAL_B, IMAG_B = (STATES * row for row in range(1, 5))
NO_PULSE = 12  # of the rows of `pair_tables`
MEAN = 2 * STATES  # in those
FORGET = 0.94  # weight of what was known of an amplitude, from sample to sample
BEFORE_US = 24  # looked at before a start for a carrier that should not be there yet
AFTER_US = 32  # and after its preamble for one that should
CARRIERS_US = (20, 65)  # after the first start: where the carrier of a second reply is looked for


def envelope_tables(rate_hz: float) -> np.ndarray:
    """Give the band-limited pulse train about a bit, float32 (13, PHASES), pulse height one.

    Rows 0 and 1: what a bit 0 or 1 adds from LEAD before its start on; rows 2 and 3: what it adds one microsecond
    later; rows 4 to 12: the preamble, from 8 us + LEAD before the first bit on.
    """
    shape, axis = band_limited(rate_hz)
    axis = axis / (rate_hz * 1e-6)
    shape = shape / shape.max()

    def pulse(at_us: np.ndarray) -> np.ndarray:
        return np.interp(at_us, axis, shape, left=0.0, right=0.0)

    phase = np.arange(PHASES) / PHASES - LEAD
    rows = [pulse(phase - 0.75), pulse(phase - 0.25), pulse(phase + 0.25), pulse(phase + 0.75)]
    rows += [
        np.sum([pulse(phase + start + 8 - 0.25 - at) for at in PREAMBLE_US], axis=0) for start in range(-8, 1)
    ]
    return np.array(rows, np.float32)


def pair_tables(tables: np.ndarray) -> np.ndarray:
    """Give envelope tables by state, float32 (NO_PULSE + 1, PHASES, 2 STATES + 2).

    Rows: nine of the preamble, the first bit, any other, what the last one adds later, nothing. Of each phase: the
    pulse height of the first reply in each state, the same of the second, their mean and mean square.
    """
    bit, before = tables[[0, 1, 0, 1]], tables[[2, 2, 3, 3]]  # by the bit before and this one
    rows = [np.tile(row, (4, 1)) for row in tables[4:13]]
    four = np.array([*rows, bit, bit + before, before, np.zeros_like(bit)], np.float32).transpose(0, 2, 1)
    out = np.empty((len(four), PHASES, 2 * STATES + 2), np.float32)
    out[:, :, :STATES] = np.tile(four, (1, 1, 4))
    out[:, :, STATES : 2 * STATES] = np.repeat(four, 4, axis=2)
    out[:, :, MEAN] = four.mean(axis=2)
    out[:, :, MEAN + 1] = (four**2).mean(axis=2)
    return out


_WINDOW = (0.5 - 0.5 * np.cos((2 * np.arange(POINTS) + 1) * np.pi / POINTS)).astype(np.float32)
_TWIDDLES = np.exp(-2j * np.pi * np.arange(POINTS // 2) / POINTS)
# of each stage after the other: spans of half the points, a quarter of them and so on
_COSINE = np.concatenate([_TWIDDLES[:: 1 << n].real for n in range(POINTS.bit_length() - 1)]).astype(
    np.float32
)
_SINE = np.concatenate([_TWIDDLES[:: 1 << n].imag for n in range(POINTS.bit_length() - 1)]).astype(np.float32)
_REVERSED = np.zeros(1, np.int64)
while len(_REVERSED) < POINTS:
    _REVERSED = np.concatenate([2 * _REVERSED, 2 * _REVERSED + 1])


@kernel("void(float32[::1], float32[::1])", fastmath=True)
def _spectrum(real, imag):  # type: ignore[no-untyped-def]
    """Transform POINTS samples in place (decimation in frequency, bins left in bit-reversed order).

    Small enough to be done where it is needed, inside a kernel that no library is called from.
    """
    span = POINTS // 2
    table = 0
    while span >= 1:
        cosine = _COSINE[table : table + span]
        sine = _SINE[table : table + span]
        for at in range(0, POINTS, 2 * span):
            ar, ai = real[at : at + span], imag[at : at + span]
            br, bi = real[at + span : at + 2 * span], imag[at + span : at + 2 * span]
            for k in range(span):
                r = ar[k] - br[k]
                i = ai[k] - bi[k]
                ar[k] += br[k]
                ai[k] += bi[k]
                br[k] = r * cosine[k] - i * sine[k]
                bi[k] = r * sine[k] + i * cosine[k]
        table += span
        span //= 2


@kernel("void(complex64[::1], int64, float32[:,::1], float32[::1], float64[::1])", fastmath=True)
def carriers(x, first, room, power, lines):  # type: ignore[no-untyped-def]
    """Give the three strongest carriers in the POINTS samples from `first` on, in radians a sample.

    `room` (2, POINTS) and `power` (POINTS) are room to work in.
    """
    real, imag = room[0], room[1]
    here = x[first : first + POINTS]
    for k in range(POINTS):
        real[k] = here[k].real * _WINDOW[k]
        imag[k] = here[k].imag * _WINDOW[k]
    _spectrum(real, imag)
    for k in range(POINTS):
        power[_REVERSED[k]] = real[k] * real[k] + imag[k] * imag[k]
    for n in range(len(lines)):
        best = 0
        for k in range(POINTS):
            if power[k] > power[best]:
                best = k
        low = math.sqrt(power[best - 1])
        high = math.sqrt(power[(best + 1) % POINTS])
        middle = math.sqrt(power[best])
        # the middle of a line between bins, for a raised-cosine window: three magnitudes tell it
        if high > low:
            part = (2 * high - middle) / (high + middle + 1e-30)
        else:
            part = -(2 * low - middle) / (low + middle + 1e-30)
        bin_ = best + part
        if bin_ > POINTS / 2:
            bin_ -= POINTS
        lines[n] = bin_ * 2 * math.pi / POINTS
        for k in range(best - 2, best + 3):
            power[k % POINTS] = 0


@kernel("complex128(complex64[::1], float64, float64, float64, float32[:,::1])", fastmath=True)
def _known_part(x, t, us, omega, tables):  # type: ignore[no-untyped-def]
    """Give the complex height of the pulses of a preamble at t on a carrier of `omega`, referred to sample 0."""
    real = 0.0
    imag = 0.0
    weight = 0.0
    first = int(t - 0.3 * us) + 1
    turn = complex(math.cos(omega * first), -math.sin(omega * first))
    step = complex(math.cos(omega), -math.sin(omega))
    per_sample = PHASES / us
    where = (first - t) * per_sample + LEAD * PHASES
    for k in range(first, first + int(5.8 * us)):
        place = int(where)
        g = tables[4 + (place >> PHASE_BITS), place & PHASES - 1]
        v = x[k] * turn
        real += g * v.real
        imag += g * v.imag
        weight += g * g
        turn *= step
        where += per_sample
    return complex(real / weight, imag / weight)


@kernel("complex128(complex64[::1], int64, int64, float64, int64)", fastmath=True)
def _mean(x, first, count, omega, origin):  # type: ignore[no-untyped-def]
    """Give the mean of samples turned back by `omega` a sample; sample 0 of x is number `origin`."""
    turn = complex(math.cos(omega * (first + origin)), -math.sin(omega * (first + origin)))
    step = complex(math.cos(omega), -math.sin(omega))
    total = complex(0.0, 0.0)
    for k in range(first, first + count):
        total += x[k] * turn
        turn *= step
    return total / count


@kernel("void(float64, int64, int64, float32[:,::1])", fastmath=True)
def _turns(omega, first, count, turns):  # type: ignore[no-untyped-def]
    """Put cosines and sines of `omega` radians a sample into both rows of `turns`, for at least `count` from `first` on.

    They come in runs of LANES.
    """
    cosine = np.empty(LANES, np.float32)
    sine = np.empty(LANES, np.float32)
    one = complex(math.cos(omega), math.sin(omega))
    step = complex(1.0, 0.0)
    for k in range(LANES):
        cosine[k] = step.real
        sine[k] = step.imag
        step *= one
    spin = complex(math.cos(omega * first), math.sin(omega * first))
    for at in range(0, count, LANES):
        c = np.float32(spin.real)
        s = np.float32(spin.imag)
        real = turns[0, at : at + LANES]
        imag = turns[1, at : at + LANES]
        for k in range(LANES):
            real[k] = c * cosine[k] - s * sine[k]
            imag[k] = c * sine[k] + s * cosine[k]
        spin *= step


# A state of the first reply is the low two bits, one of the second the high two; of each the bit before is the upper
# and is left behind. The new bit is the lower: states that have it are barred after the last.
_next_of_first = survivors(
    [k & 12 | k >> 1 & 1 for k in range(STATES)],
    [k & 12 | k >> 1 & 1 | 2 for k in range(STATES)],
    [k for k in range(STATES) if k & 1],
    5,
)
_next_of_second = survivors(
    [k >> 3 << 2 | k & 3 for k in range(STATES)],
    [k >> 3 << 2 | k & 3 | 8 for k in range(STATES)],
    [k for k in range(STATES) if k & 4],
    5,
)


@kernel("int64(float32[::1], int64)")
def _likeliest(paths, states):  # type: ignore[no-untyped-def]
    best = 0
    for state in range(states):
        if paths[state] < paths[best]:
            best = state
    return best


@kernel("int64(uint8[:,:,::1], float32[::1], int64[::1], int64, int64, int64)")
def _first_bit(back, paths, order, events, states, which):  # type: ignore[no-untyped-def]
    """Give the first bit of a reply on the likeliest path so far: it tells its length."""
    state = _likeliest(paths, states)
    at = np.zeros(2, np.int64)
    for event in range(events):
        at[order[event]] += 1
    bit = 0
    for event in range(events - 1, -1, -1):
        one = order[event]
        at[one] -= 1
        shift = 2 * one
        own = state >> shift & 3
        if one == which:
            bit = own & 1
        state = (state & ~(3 << shift)) | ((own >> 1) | np.int64(back[one, at[one], state]) << 1) << shift
    return bit


@kernel("int64(int64, int64)")
def _case(m, size):  # type: ignore[no-untyped-def]
    """Give the row of `pair_tables` for bit m of `size`, or microsecond m before the first."""
    if m <= 0:
        return 9 + m if m >= -9 else NO_PULSE
    if m < size:
        return NO_PULSE - 2
    return NO_PULSE - 1 if m == size else NO_PULSE


@kernel(
    "float64(complex64[::1], int64, float64, float64, float64, float64, complex128, complex128, float64,"
    " float32[:,:,::1], uint8[:,::1], float64[::1], float64)",
    fastmath=True,
)
def both(x, stop, ta, tb, wa, wb, ha, hb, us, pairs, bits, heights, limit):  # type: ignore[no-untyped-def]
    """Read the replies that start at samples ta < tb on carriers wa and wb (radians a sample) together.

    `pairs` are `pair_tables`; `ha` and `hb` are first guesses of their complex heights referred to sample 0; a tb past `stop` says that there
    is no second reply. `bits` (2, 112) gets the most likely sequences and `heights` the heights at their ends;
    gives the mean power that they leave unexplained. Where that is sure to be above `limit`, it gives up: 1e30.
    """
    # rows of STATES in one array, so that the compiler sees that they do not overlap
    paths = np.zeros(5 * STATES, np.float32)
    back = np.empty((2, 113, STATES), np.uint8)  # by reply and bit: which bit each path left behind
    order = np.empty(226, np.int64)  # the replies whose bits came, in turn
    paths[1:STATES] = NEVER
    paths[REAL_A : REAL_A + STATES] = ha.real
    paths[IMAG_A : IMAG_A + STATES] = ha.imag
    paths[REAL_B : REAL_B + STATES] = hb.real
    paths[IMAG_B : IMAG_B + STATES] = hb.imag
    nought = np.uint64(0)
    weight_a = np.float32(2.0)
    weight_b = np.float32(0.5)
    size = np.full(2, 112)
    at = np.full(2, -1)
    events = 0
    states = 4 if tb >= stop else STATES
    first = int(ta - 0.3 * us)
    turn_a = np.empty((2, stop - first + LANES), np.float32)
    turn_b = np.empty((2, stop - first + LANES), np.float32)
    _turns(wa, first, stop - first, turn_a)
    if states == STATES:
        _turns(wb, first, stop - first, turn_b)
    fade = np.float32(1 - FORGET)
    # places in the tables in 2^-STEP_BITS phases
    step = int(PHASES / us * (1 << STEP_BITS) + 0.5)
    pa = math.floor(((first - ta) / us - 8 + LEAD) * PHASES * (1 << STEP_BITS) + 0.5)
    pb = math.floor(((first - tb) / us - 8 + LEAD) * PHASES * (1 << STEP_BITS) + 0.5)
    most = np.float32(limit * (stop - first))
    for k in range(first, stop):
        ia = pa >> STEP_BITS + PHASE_BITS
        ib = pb >> STEP_BITS + PHASE_BITS
        for which in range(2):
            new = ib if which else ia
            if new <= at[which] or new >= 112:
                continue
            at[which] = new
            if new == 20 and _first_bit(back, paths, order, events, states, which) == 0:
                size[which] = 56
            more = NEVER if new == 0 else np.float32(0)
            bar = NEVER if new >= size[which] else np.float32(0)
            to = np.uint64((which * 113 + new) * STATES)
            if which:
                _next_of_second(paths, nought, back, to, more, bar)
            else:
                _next_of_first(paths, nought, back, to, more, bar)
            order[events] = which
            events += 1
            if new & 7 == 7 and paths[:states].min() > most:
                return 1e30
        ga = pairs[_case(ia, size[0]), pa >> STEP_BITS & PHASES - 1]
        xr = x[k].real
        xi = x[k].imag
        ar = turn_a[0, k - first]
        ai = turn_a[1, k - first]
        weight_a = weight_a * (np.float32(1) - fade * ga[MEAN]) + ga[MEAN + 1]
        # while the second one's preamble is new, what surprises is laid to it
        gain_a = (np.float32(0.25) if -9 <= ib < 0 else np.float32(1)) / weight_a
        if states == 4:
            for state in range(4):
                g = ga[state]
                hr = paths[REAL_A + state]
                hi = paths[IMAG_A + state]
                er = xr - g * (hr * ar - hi * ai)
                ei = xi - g * (hr * ai + hi * ar)
                paths[state] += er * er + ei * ei
                u = g * gain_a
                paths[REAL_A + state] = hr + u * (er * ar + ei * ai)
                paths[IMAG_A + state] = hi + u * (ei * ar - er * ai)
        else:
            gb = pairs[_case(ib, size[1]), pb >> STEP_BITS & PHASES - 1]
            br = turn_b[0, k - first]
            bi = turn_b[1, k - first]
            weight_b = weight_b * (np.float32(1) - fade * gb[MEAN]) + gb[MEAN + 1]
            gain_b = np.float32(1) / weight_b
            second = gb[STATES:MEAN]
            for state in range(STATES):
                g = ga[state]
                h = second[state]
                hr = paths[REAL_A + state]
                hi = paths[IMAG_A + state]
                kr = paths[REAL_B + state]
                ki = paths[IMAG_B + state]
                er = xr - g * (hr * ar - hi * ai) - h * (kr * br - ki * bi)
                ei = xi - g * (hr * ai + hi * ar) - h * (kr * bi + ki * br)
                paths[state] += er * er + ei * ei
                g *= gain_a
                h *= gain_b
                paths[REAL_A + state] = hr + g * (er * ar + ei * ai)
                paths[IMAG_A + state] = hi + g * (ei * ar - er * ai)
                paths[REAL_B + state] = kr + h * (er * br + ei * bi)
                paths[IMAG_B + state] = ki + h * (ei * br - er * bi)
        pa += step
        pb += step
    state = _likeliest(paths, states)
    for which in range(2):
        row = REAL_B if which else REAL_A
        heights[which] = math.sqrt(paths[row + state] ** 2 + paths[row + STATES + state] ** 2)
    left = paths[state] / (stop - first)
    bits[:] = 0
    for event in range(events - 1, -1, -1):
        which = order[event]
        m = at[which]
        at[which] -= 1
        shift = 2 * which
        own = state >> shift & 3
        bits[which, m] = own & 1
        state = (state & ~(3 << shift)) | ((own >> 1) | np.int64(back[which, m, state]) << 1) << shift
    return left


@kernel("boolean(uint8[::1])")
def _certain(bits):  # type: ignore[no-untyped-def]
    """Say whether bits are a squitter or an all-call to nobody whose parity is clean."""
    df = format_of(bits)
    if 17 <= df <= 19:
        return remainder_of(bits, 112) == 0
    return df == 11 and remainder_of(bits, 56) == 0


@kernel("boolean(uint8[::1])")
def _overlaid(bits):  # type: ignore[no-untyped-def]
    """Say whether bits are of a format whose parity is overlaid with an address."""
    df = format_of(bits)
    return df in (0, 4, 5, 16, 20, 21)


@kernel(
    "void(complex64[::1], float64, float64, float64, float32[:,::1], complex64[::1], complex128[::1], float64[::1])",
    fastmath=True,
)
def _starts(x, ta, us, omega, tables, y, sums, starts):  # type: ignore[no-untyped-def]
    """Give where a second reply on carrier `omega` most likely starts in one that started at ta, best first.

    It is where its preamble shows, its carrier begins and no carrier was before. `y` and `sums` are room.
    """
    first = int(ta - BEFORE_US * us)
    count = int((BEFORE_US + 120 + 8 + AFTER_US) * us) + 2
    turn = complex(math.cos(omega * first), -math.sin(omega * first))
    step = complex(math.cos(omega), -math.sin(omega))
    total = complex(0.0, 0.0)
    for k in range(count):
        v = x[first + k] * turn
        y[k] = v
        sums[k] = total
        total += v
        turn *= step
    span = int(8 * us)
    behind = int(BEFORE_US * us)
    ahead = int(AFTER_US * us)
    score = np.full(2 * count, np.float32(-1e9))
    apart = np.empty((2, count), np.float32)
    for k in range(count):
        apart[0, k] = y[k].real
        apart[1, k] = y[k].imag
    found = np.empty((2, count), np.float32)
    low = int(2 * (BEFORE_US + 1.5) * us)
    high = int(2 * (BEFORE_US + 119) * us)
    for part in range(2):
        begin_first = (low + 1 - part) // 2
        begin_last = (high + 1 - part) // 2
        found[:] = 0
        weight = np.float32(0)
        for k in range(span):
            place = int(((k - part * 0.5) / us + LEAD) * PHASES)
            row = place // PHASES
            g = tables[4 + row, place - row * PHASES]
            weight += g * g
            if g == 0:
                continue
            for which in range(2):
                total_row = found[which, begin_first:begin_last]
                here = apart[which, begin_first + k : begin_last + k]
                for n in range(len(total_row)):
                    total_row[n] += g * here[n]
        for begin in range(begin_first, begin_last):
            after = sums[begin + span + ahead] - sums[begin + span]
            before = sums[begin] - sums[begin - behind]
            height = after * (2.0 / ahead)  # pulses fill half of the time
            power = height.real * height.real + height.imag * height.imag
            # twice the logarithms of likelihood, but for the noise: preamble, carrier after, none before
            along = height.real * found[0, begin] + height.imag * found[1, begin]
            preamble = 2 * along - power * weight
            begun = power * ahead * 0.25
            older = height.real * before.real + height.imag * before.imag - 0.25 * power * behind
            score[2 * begin + part] = preamble + begun - older
    for n in range(len(starts)):
        best = low
        for at in range(low, high):
            if score[at] > score[best]:
                best = at
        starts[n] = first + best / 2
        for at in range(best - 1, best + 2):
            score[at] = -1e9


@kernel(
    "void(complex64[::1], int64, int64, float64, float64, complex128, float64, float32[:,::1], uint8[::1], int64,"
    " complex64[::1])",
    fastmath=True,
)
def _without(x, first, stop, t, omega, height, us, tables, bits, size, out):  # type: ignore[no-untyped-def]
    """Fill `out` with samples [first, stop) of x less the reply of `bits` at t, its height followed along it."""
    turn = complex(math.cos(omega * first), math.sin(omega * first))
    step = complex(math.cos(omega), math.sin(omega))
    weight = 2.0
    per_sample = PHASES / us
    where = ((first - t) / us - 8 + LEAD) * PHASES
    for k in range(first, stop):
        place = math.floor(where)
        where += per_sample
        m = place >> PHASE_BITS
        j = place & PHASES - 1
        g = 0.0
        if -9 <= m < 0:
            g = tables[13 + m, j]
        elif m >= 0:
            if m < size:
                g = tables[bits[m], j]
            if 0 < m <= size:
                g += tables[2 + bits[m - 1], j]
        left = x[k] - g * height * turn
        out[k - first] = left
        weight = weight * (1 - (1 - FORGET) * g) + g * g
        height += g / weight * left * complex(turn.real, -turn.imag)
        turn *= step


@kernel(
    "int64(complex64[::1], float64, float64, float32, float32[:,::1], float32[:,:,::1], uint8[:,::1], float64[:,::1])",
    fastmath=True,
)
def untangle(x, t, us, noise, tables, pairs, bits, figures):  # type: ignore[no-untyped-def]
    """Read two replies, the first of which has its preamble in the clear near sample t.

    Bits of the answer: 1, the first is certain by its parity; 2, the second is; 4 and 8, the same where the parity
    is overlaid with an address, so that only its owner's other frames can tell. `noise` is the power of the noise.
    `bits` (2, 112) gets them; rows of `figures` start
    in samples, carrier in radians a sample and height. x must reach 18 us before t and 250 us after it.
    """
    parts = np.empty((2, POINTS), np.float32)
    power = np.empty(POINTS, np.float32)
    lines = np.empty(3)
    heights = np.empty(2)
    carriers(x, int(t), parts, power, lines)
    wa = lines[0]
    ta = t
    best = -1.0
    for n in range(3):
        for part in range(4):
            h = abs(_known_part(x, t + part * 0.25, us, lines[n], tables))
            if h > best:
                best = h
                wa = lines[n]
                ta = t + part * 0.25
    ha = _known_part(x, ta, us, wa, tables)
    stop = int(ta + 121 * us)
    both(x, stop, ta, 1e9, wa, 0.0, ha, 0j, us, pairs, bits, heights, 1e30)
    figures[0, 0] = ta
    figures[0, 1] = wa
    figures[0, 2] = heights[0]
    if _certain(bits[0]):
        return 1
    size = 112 if bits[0, 0] else 56
    first = int(ta - BEFORE_US * us) - 1
    count = int((BEFORE_US + 120 + 8 + AFTER_US) * us) + 4
    # as far as a start, or the last look for a carrier, reaches
    rest = np.empty(max(count, int((BEFORE_US + CARRIERS_US[-1]) * us) + 2 + POINTS), np.complex64)
    room = np.empty(count, np.complex64)
    sums = np.empty(count, np.complex128)
    _without(x, first, first + len(rest), ta, wa, ha, us, tables, bits[0], size, rest)
    near = 1.5 * 2 * math.pi / POINTS
    starts = np.empty(STARTS)
    tried = 100.0
    for after_us in CARRIERS_US:
        carriers(rest, int(ta + after_us * us) - first, parts, power, lines)
        wb = lines[0]
        if abs(wb - tried) < near:
            continue
        tried = wb
        _starts(rest, ta - first, us, wb, tables, room, sums, starts)
        for start in starts:
            # pulses fill 14 of the first 32 us
            hb = _mean(rest, int(start), int(32 * us), wb, first) * (32 / 14)
            if abs(hb) < 0.25 * abs(ha):  # so weak a one does not spoil the first
                continue
            tb = start + first
            most = SWELL * UNEXPLAINED * abs(ha) * abs(hb) + 1.5 * noise
            left = both(x, int(tb + 121 * us), ta, tb, wa, wb, ha, hb, us, pairs, bits, heights, most)
            # rightly placed pairs leave 3 to 6 % and the noise, wrongly placed ones 15 % and more
            if left > UNEXPLAINED * heights[0] * heights[1] + 1.5 * noise:
                continue
            sure = 0
            for which in range(2):
                if _certain(bits[which]):
                    sure |= 1 << which
                elif _overlaid(bits[which]):
                    sure |= 4 << which
            if sure:
                figures[0, 2] = heights[0]
                figures[1, 0] = tb
                figures[1, 1] = wb
                figures[1, 2] = heights[1]
                return sure
    return 0
