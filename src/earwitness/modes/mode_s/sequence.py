"""The most likely bits of a reply whose pulses run into one another, and the next most likely ones.

Near 2 MS/s half a microsecond is one sample. The receiver's filter then takes most of what tells a run of ones
from a run of zeros (a square wave of 1 MHz, one against the other), so that half-bits cannot be told apart one by
one, and what is misread is a run of bits rather than a bit. The samples are explained as a whole: a trellis
whose state is three bits, with the band-limited pulse's response at the very fraction of a sample that the
reply lies at, as the reply itself shows the receiver's filter to be (maximum-likelihood sequence detection, G. D. Forney, IEEE Trans. Information Theory 1972), the carrier's height and phase followed along the bits decided before. The path that is best under
the condition that one bit is the other way tells what may have been misread together.
"""

from __future__ import annotations

import math

import numpy as np

from earwitness.dsp.jit import kernel
from earwitness.modes.mode_s.checks import SYNDROME, format_of, remainder_of
from earwitness.modes.mode_s.pulse import PREAMBLE_US, band_limited

STEPS = 16  # of a sample in the response
REACH = 4  # samples each side of a pulse's middle
STATES = 8
BESIDE = 8 * STEPS  # zeros beside the response: two bits each way
NEAR_BITS = 12  # each side whose pulses tell the carrier's height and phase
FILTER = 5  # taps, in samples, that tell the receiver's own filter from the usual one
DRAWN = 0.02  # how strongly they are drawn towards no change
LOOKS = 4  # at the bits, each after the first with the filter learnt from the last ...
HOPE = 0.7  # ... if the carrier is as steady as that: 0.9 in a reply at 9 dB, at most 0.66 in noise
RUNS = 14  # least certain runs of bits that parity may turn


def pulse_response(rate_hz: float) -> np.ndarray:
    """Give the band-limited 0.5 us pulse, height one, each 1 / STEPS of a sample from -REACH on, complex64."""
    shape, axis = band_limited(rate_hz)
    where = np.arange(-REACH * STEPS, REACH * STEPS + 1) / STEPS
    return np.interp(where, axis, shape / shape.max(), left=0.0, right=0.0).astype(np.complex64)


@kernel("complex64(complex64[::1], float64)", fastmath=True)
def _at(response, offset):  # type: ignore[no-untyped-def]
    """Give the pulse `offset` samples from its middle."""
    place = math.floor((offset + REACH) * STEPS + 0.5)
    return response[place] if 0 <= place < len(response) else np.complex64(0)


@kernel("void(float64, float64, int64, complex64[::1], complex64[:,:,::1], int64[::1])", fastmath=True)
def heights(start, us, size, response, expected, firsts):  # type: ignore[no-untyped-def]
    """Give the pulse height in the samples of each bit for every run of four bits about it.

    `start` is where the first bit begins, in samples. `expected` (size, 3, 16): bit, sample in it, the run (two
    bits before, the bit, the one after); `firsts` (size + 1) the first sample of each bit.
    """
    part = np.zeros((4, 2), np.complex64)
    wide = np.zeros(len(response) + 2 * BESIDE, np.complex64)  # so that no place lies outside
    wide[BESIDE : BESIDE + len(response)] = response
    for m in range(size + 1):
        firsts[m] = math.ceil(start + m * us)
    for m in range(size):
        place = (firsts[m] - start - (m + 0.75) * us + REACH) * STEPS + BESIDE + 0.5
        for j in range(firsts[m + 1] - firsts[m]):
            for k in range(4):
                # the one after is the last of the run
                late = place + (j + (k - 1) * us) * STEPS
                here = 0 <= m + 1 - k < size
                part[k, 0] = wide[int(late)] if here else np.complex64(0)
                part[k, 1] = wide[int(late + 0.5 * us * STEPS)] if here else np.complex64(0)
            for late in range(4):
                pair = part[2, late & 1] + part[3, late >> 1]
                for early in range(4):
                    expected[m, j, 4 * late + early] = pair + part[0, early & 1] + part[1, early >> 1]


@kernel("int64(uint8[::1], int64, int64)")
def _run(bits, m, size):  # type: ignore[no-untyped-def]
    out = 0
    for other in range(m - 2, m + 2):
        out = 2 * out + (bits[other] if 0 <= other < size else 0)
    return out


@kernel(
    "float64(complex64[::1], int64, float64, complex64[:,:,::1], int64[::1], uint8[::1], float32[:,:,::1], complex64[::1])",
    fastmath=True,
)
def weigh(x, size, turn, expected, firsts, bits, cost, carrier):  # type: ignore[no-untyped-def]
    """Put into `cost` (size, 16) what each run leaves unexplained; gives the coherence, 1 for a steady carrier.

    The carrier, `turn` radians a sample, has the height and phase that the neighbours' pulses have if `bits` are right.
    """
    across = np.zeros(size, np.complex64)
    along = np.zeros(size, np.float32)
    y = np.zeros((size, 3), np.complex64)
    spin = complex(math.cos(turn * firsts[0]), -math.sin(turn * firsts[0]))
    step = complex(math.cos(turn), -math.sin(turn))
    power = 0.0
    for m in range(size):
        run = _run(bits, m, size)
        for j in range(firsts[m + 1] - firsts[m]):
            v = x[firsts[m] + j] * spin
            spin *= step
            g = expected[m, j, run]
            y[m, j] = v
            across[m] += g.conjugate() * v
            along[m] += g.real * g.real + g.imag * g.imag
    whole = 0.0
    total = complex(0.0, 0.0)
    weight = 0.0
    for m in range(min(NEAR_BITS, size)):
        total += across[m]
        weight += along[m]
    for m in range(size):
        if m + NEAR_BITS < size:
            total += across[m + NEAR_BITS]
            weight += along[m + NEAR_BITS]
        if m - NEAR_BITS - 1 >= 0:
            total -= across[m - NEAR_BITS - 1]
            weight -= along[m - NEAR_BITS - 1]
        others = total - across[m]
        length = abs(others) + 1e-30
        c = others.real / length
        s = others.imag / length
        height = np.float32(length / (weight - along[m] + 1e-30))
        power += across[m].real * c + across[m].imag * s
        whole += abs(across[m])
        own = np.complex64(complex(c, -s))
        carrier[m] = own
        for run in range(16):
            cost[m, 0, run] = 0
        for j in range(firsts[m + 1] - firsts[m]):
            r = y[m, j] * own
            for run in range(16):
                e = r - height * expected[m, j, run]
                cost[m, 0, run] += e.real * e.real + e.imag * e.imag
    return power / (whole + 1e-30)


@kernel(
    "float64(int64, float32[:,:,::1], uint8[::1], float32[::1], float32[:,::1], float32[:,::1])",
    fastmath=True,
)
def decide(size, cost, bits, certainty, ahead, behind):  # type: ignore[no-untyped-def]
    """Put the most likely sequence into `bits`; gives what it leaves unexplained.

    `certainty` gets how much more the best sequence with the other bit leaves. `ahead` and `behind` (size + 1,
    STATES) get what the best path leaves from the first bit to a state and from it to the last.
    """
    far = np.float32(1e30)
    for state in range(STATES):
        ahead[0, state] = 0 if state < 2 else far
        behind[size, state] = 0 if state & 1 == 0 else far
    for m in range(size):
        for state in range(STATES):
            zero = ahead[m, state >> 1] + cost[m, 0, state]
            one = ahead[m, state >> 1 | 4] + cost[m, 0, state | 8]
            ahead[m + 1, state] = min(zero, one)
    for m in range(size - 1, -1, -1):
        for state in range(STATES):
            run = state << 1
            zero = cost[m, 0, run] + behind[m + 1, run & 7]
            one = cost[m, 0, run | 1] + behind[m + 1, run & 7 | 1]
            behind[m, state] = min(zero, one)
    least = min(behind[0, 0], behind[0, 1])
    for m in range(size):
        zero = one = far
        for state in range(STATES):
            whole = ahead[m, state] + behind[m, state]
            if state & 1:
                one = min(one, whole)
            else:
                zero = min(zero, whole)
        bits[m] = 1 if one < zero else 0
        certainty[m] = abs(one - zero)
    return least


@kernel(
    "int64(int64, int64, float32[:,:,::1], uint8[::1], float32[:,::1], float32[:,::1], uint8[::1])",
    fastmath=True,
)
def _other(at, size, cost, bits, ahead, behind, turned):  # type: ignore[no-untyped-def]
    """Mark in `turned` the bits in which the best path with bit `at` the other way differs; gives its syndrome."""
    state = -1
    for k in range(STATES):
        if k & 1 != bits[at] and (
            state < 0 or ahead[at, k] + behind[at, k] < ahead[at, state] + behind[at, state]
        ):
            state = k
    base = 112 - size
    turned[:size] = 0
    wrong = 0
    there = state
    for m in range(at, -1, -1):
        if there & 1 != bits[m]:
            turned[m] = 1
            wrong ^= SYNDROME[base + m]
        if m > 0:
            before = there >> 1
            zero = ahead[m - 1, before] + cost[m - 1, 0, there]
            one = ahead[m - 1, before | 4] + cost[m - 1, 0, there | 8]
            there = before | 4 if one < zero else before
    there = state
    for m in range(at, size - 1):
        run = there << 1
        zero = cost[m, 0, run] + behind[m + 1, run & 7]
        one = cost[m, 0, run | 1] + behind[m + 1, run & 7 | 1]
        there = (run & 7) | int(one < zero)
        if there & 1 != bits[m + 1]:
            turned[m + 1] = 1
            wrong ^= SYNDROME[base + m + 1]
    return wrong


@kernel("int64(int64, float32[:,:,::1], uint8[::1], float32[::1], float32[:,::1], float32[:,::1], int64)")
def mend(size, cost, bits, certainty, ahead, behind, wrong):  # type: ignore[no-untyped-def]
    """Turn one or two of the RUNS least certain runs of bits so that the remainder `wrong` becomes zero.

    Gives how many bits were turned, 0 when none of the combinations serves. The format stays as it is.
    """
    marks = np.zeros((RUNS, 112), np.uint8)
    syndromes = np.zeros(RUNS, np.int64)
    seen = np.zeros(112, np.uint8)
    count = 0
    while count < RUNS:
        best = -1
        for m in range(5, size):
            if not seen[m] and (best < 0 or certainty[m] < certainty[best]):
                best = m
        if best < 0:
            break
        seen[best] = 1
        syndrome = _other(best, size, cost, bits, ahead, behind, marks[count])
        fresh = True
        for m in range(5):
            fresh &= marks[count, m] == 0
        for k in range(count):
            fresh &= syndromes[k] != syndrome
        if fresh:
            syndromes[count] = syndrome
            count += 1
    for i in range(count):
        for j in range(-1, i):
            together = syndromes[i] if j < 0 else syndromes[i] ^ syndromes[j]
            if together == wrong:
                turned = 0
                for m in range(size):
                    change = marks[i, m] ^ (marks[j, m] if j >= 0 else np.uint8(0))
                    bits[m] ^= change
                    turned += change
                return turned
    return 0


@kernel(
    "void(complex64[::1], float64, float64, int64, float64, int64[::1], complex64[::1], complex64[::1], uint8[::1], complex64[::1])",
    fastmath=True,
)
def learn(x, start, us, size, turn, firsts, carrier, response, bits, shape):  # type: ignore[no-untyped-def]
    """Put into `shape` the pulse that the receiver's own filter made of `response`, by the reply itself.

    What a filter with another edge, or a carrier off its middle, does to the samples is done by a few complex taps:
    those that bring the pulses of the preamble and of `bits` nearest to the samples (least squares, drawn a little
    towards no change). Phases are those of `carrier`, one a bit.
    """
    ahead = 8 * us
    first = max(math.ceil(start - ahead) - 1, 0)
    last = firsts[size]
    half = FILTER // 2
    train = np.zeros(last - first + 2 * half, np.float32)
    for k in range(4 + size):
        if k < 4:
            middle = start - ahead + (PREAMBLE_US[k] + 0.25) * us
        else:
            middle = start + (k - 4 + (0.25 if bits[k - 4] else 0.75)) * us
        begin = max(int(middle) - REACH, first - half)
        for n in range(begin, min(int(middle) + REACH + 2, last + half)):
            train[n - first + half] += _at(response, n - middle).real
    rows = np.zeros((FILTER, FILTER + 1), np.complex128)
    alike = np.zeros(FILTER, np.float64)  # the train against itself so many samples later
    for n in range(len(train) - FILTER):
        for b in range(FILTER):
            alike[b] += train[n] * train[n + b]
    spin = complex(math.cos(turn * first), -math.sin(turn * first))
    step = complex(math.cos(turn), -math.sin(turn))
    m = 0
    for n in range(first, last):
        while m + 1 < size and n >= firsts[m + 1]:
            m += 1
        v = x[n] * spin * carrier[m]
        spin *= step
        for a in range(FILTER):
            rows[a, FILTER] += train[n - first + 2 * half - a] * v
    rows[half, FILTER] *= 1 + DRAWN
    for a in range(FILTER):
        for b in range(FILTER):
            rows[a, b] = alike[abs(a - b)] * (1 + DRAWN * (a == b))
    for a in range(FILTER):
        for b in range(a + 1, FILTER):
            share = rows[b, a] / rows[a, a]
            for k in range(a, FILTER + 1):
                rows[b, k] -= share * rows[a, k]
    taps = np.zeros(FILTER, np.complex128)
    for a in range(FILTER - 1, -1, -1):
        rest = rows[a, FILTER]
        for b in range(a + 1, FILTER):
            rest -= rows[a, b] * taps[b]
        taps[a] = rest / rows[a, a]
    scale = 1 / (abs(taps[half]) + 1e-30)
    shape[:] = 0
    for a in range(FILTER):
        shift = (a - half) * STEPS
        tap = np.complex64(taps[a] * scale)
        for k in range(max(0, shift), min(len(shape), len(shape) + shift)):
            shape[k] += tap * response[k - shift]


@kernel(
    "Tuple((float64, int64))(complex64[::1], float64, float64, int64, float64, complex64[::1], uint8[::1], float32[::1])",
    fastmath=True,
)
def solve(x, start, us, size, turn, response, bits, certainty):  # type: ignore[no-untyped-def]
    """Decide the bits of a reply again, given first guesses; gives the coherence and how many bits parity turned.

    Its first bit begins at sample `start` of x, its carrier is `turn` radians a sample.
    """
    expected = np.empty((size, 3, 16), np.complex64)
    carrier = np.empty(size, np.complex64)
    shape = response.copy()
    cost = np.empty((size, 1, 16), np.float32)
    firsts = np.empty(size + 1, np.int64)
    ahead = np.empty((size + 1, STATES), np.float32)
    behind = np.empty((size + 1, STATES), np.float32)
    before = np.empty(size, np.uint8)
    steady = 0.0
    for look in range(LOOKS):
        before[:] = bits[:size]
        if look > 0:
            learn(x, start, us, size, turn, firsts, carrier, response, bits, shape)
        heights(start, us, size, shape, expected, firsts)
        steady = weigh(x, size, turn, expected, firsts, bits, cost, carrier)
        decide(size, cost, bits, certainty, ahead, behind)
        same = True
        for m in range(size):
            same &= bits[m] == before[m]
        if steady < HOPE or (same and look > 0):
            break
    wrong = remainder_of(bits, size)
    df = format_of(bits)
    fixed = 0
    if wrong != 0 and (17 <= df <= 19 or (df == 11 and wrong >= 80)):
        fixed = mend(size, cost, bits, certainty, ahead, behind, wrong)
    for m in range(size):
        certainty[m] = math.sqrt(certainty[m])  # a height, as other ways to decide tell it
    return steady, fixed
