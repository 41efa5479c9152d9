"""Complex channel in, AIS frames out: training-sequence gate, coherent detection, FCS.

The way of a burst:

1. The channel is resampled to four samples a symbol through one low-pass (flat to +-8 kHz).
2. Gate: the known 24 training bits and start flag, as products of samples one symbol apart, which no
   carrier offset can hide. Where they stand out, a coherent fit of the known waveform over time and
   frequency confirms and measures them. Noise rarely comes this far, so it costs little.
3. Detection: Laurent's first pulse as matched filter, a phase-locked loop steered by decisions, then two
   passes that estimate carrier, amplitude and timing from all decided neighbours of each symbol but
   itself, and take the known interference of neighbours away. With h = 0.5 and BT = 0.4 this detects
   each symbol on its own within about 0.1 dB of the sequence bound.
4. Frames: NRZI makes bit k the product of pulse symbols k and k - 2. The frame is read from the start flag;
   when its FCS fails, a discriminator (which bears a wrong deviation) has a try, and last the few least
   certain symbols are reversed; the result of that must be plausible and is marked "corrected".

Hypotheses that give the same bits at the same time are one frame. All work runs on a grid of output
samples fixed by the first sample, so block lengths cannot change the outcome.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from earwitness.coding.hdlc import FLAG, HdlcFrame, frame_at, hard_bits, nrzi_encode, repairs
from earwitness.core.mode import Mode
from earwitness.core.types import Bits, Frame, Samples
from earwitness.dsp.jit import kernel
from earwitness.dsp.peaks import peaks
from earwitness.dsp.resample import Resampler
from earwitness.modes.ais.gmsk import SPAN, SYMBOL_RATE_HZ, main_pulse, modulate, phase_pulse
from earwitness.modes.ais.messages import legal, plausible
from earwitness.modes.ais.sound import LEAST_RATE_HZ, known_sounds, likeness, loudness, readings
from earwitness.modes.ais.sound import LIKE as SOUND_LIKE
from earwitness.modes.ais.sound import PASS_HZ as SOUND_PASS_HZ
from earwitness.modes.ais.sound import STOP_HZ as SOUND_STOP_HZ

OS = 4  # samples per symbol
RATE_HZ = OS * SYMBOL_RATE_HZ
HOP = 4096  # resampled samples worked on at a time
PASS_HZ, STOP_HZ = 8_000.0, 15_000.0  # of the channel filter
TRAINING = 32  # known bits: 24 of training, 8 of flag
USUAL_BITS = 300  # from there to the end of a burst of one slot and what shows that it has ended
MOST_BITS = 1290  # start of training to end flag of five slots, stuffing included
TAIL = (MOST_BITS + 16) * OS  # samples wanted after a burst's start before it is decoded
LEAD = 8 * OS  # and before it
GATE = 0.46  # normalised product sum; noise alone passes about 25 times a second
FIT = 0.28  # squared coherent correlation; noise alone passes less than once a minute
FIT_FIRST = 0.7  # of that, in whole samples; half a sample off takes a fortieth
FIT_BENEATH = 0.42  # the same in what is left of a decoded burst, which has traces of its own training
REACH_HZ = 3700.0  # carrier offsets looked at
SKIP = 2  # first training bits left out of the fit: ramps of real transmitters reach into them
SUB_PULSE = 16  # matched-filter positions per resampled sample
PULSE_REACH = (SPAN + 1) * OS // 2  # samples either side of its middle
FIRST_LOOK = 160  # symbols that are looked at first ...
LEAST_EITHER = (
    0.2  # ... and of them that lie on either side of the carrier; 0.4 in bursts, 0.02 in a foreign carrier
)
REPAIR_TRIALS = 12
REPAIR_TRIALS_COLLIDED = 4
ALONE_NOISE = 2.0  # residual over noise up to which a burst is taken to be alone
REPAIR_LARGEST = 0.6  # a symbol of nominal size 1 further out than this is not doubted
REPAIR_LEAST_RATIO = 2.5  # signal to residual below which nothing is repaired
LEAST_OCTETS, MOST_OCTETS = 5, 132  # message lengths looked at: 1008 bits and some padding at most
LEAST_BITS = 8 * LEAST_OCTETS + 16
SPAN_SAMPLES = (TRAINING + 1) * OS  # what the gate looks at
FALL = 12  # symbols the first pass runs on after a burst's end
CLUSTER = 10 * OS  # starts this near may be one burst
CLUSTER_TRIES = 4
BACK = 270 * OS  # how far before a decoded burst weaker ones are looked for: a slot
BENEATH_POWER = 0.008  # share of a burst's power that a weaker one must have to be looked for (-21 dB)
BENEATH_NOISE = 1.5  # and so much more than the noise alone
MOST_DEPTH = 2  # bursts taken off one another
STEADY = 30  # symbols either side over which a burst's amplitude is taken to be steady
PEAK = 3 * OS  # a gate peak outranks others this near
FIT_BENT = 0.5  # fit from which a burst that cannot be read may have another deviation; 0.67 at 6 dB Eb/N0
BENDS = tuple(
    np.pi / 2 * error for error in (-0.14, -0.07, 0.07, 0.14)
)  # deviations tried beside the nominal
SAME_NS = 5_000_000  # two hypotheses of one burst start within this


def _known_levels() -> np.ndarray:
    """Give the levels of training and flag, uint8 (2, 32): the training may begin with either bit."""
    training = [np.tile(np.array(pair, np.uint8), 12) for pair in ((0, 1), (1, 0))]
    return np.array([nrzi_encode(np.concatenate([bits, FLAG]), 1) for bits in training])


KNOWN_LEVELS = _known_levels()
KNOWN_SIGNS = (2.0 * KNOWN_LEVELS - 1).astype(np.float32)
_C0 = main_pulse(64)
_G = [float(np.dot(_C0[64 * n :], _C0[: len(_C0) - 64 * n])) for n in range(3)]
NEAR = np.float32(_G[1] / _G[0])  # neighbour's share in quadrature
FAR = np.float32(_G[2] / _G[0])  # second neighbour's share, in phase and negative
SUB = 4  # template positions per resampled sample


def _templates() -> np.ndarray:
    """Give the known waveforms from bit SKIP on at SUB fractions of a sample, complex64 (2, SUB, samples)."""
    count = (TRAINING - SKIP) * OS - OS // 2
    fine = [modulate(levels, RATE_HZ * SUB) for levels in KNOWN_LEVELS]
    return np.array(
        [[wave[SKIP * OS * SUB + SUB - 1 - j :: SUB][:count] for j in range(SUB)] for wave in fine],
        np.complex64,
    )  # row j: burst starts (SUB - 1 - j) / SUB of a sample before the first sample used


TEMPLATES = _templates()
KNOWN_SOUNDS = known_sounds(KNOWN_LEVELS, OS)
SOUND_HOP = 8192


@kernel("void(complex64[::1], float32[:,::1], float32[::1])", fastmath=True)
def _gate(y: np.ndarray, signs: np.ndarray, out: np.ndarray) -> None:
    """Score every start: |sum of signed one-symbol products| over their mean power, 0..1, of the better signs.

    out[n] is for a burst whose bit 0 starts at y[n].
    """
    count = signs.shape[1]
    some = 512  # starts at a time, which stay in the nearest cache; all sums run over these, on whole vectors
    size = some + count * OS
    dr = np.zeros(size, np.float32)
    di = np.zeros(size, np.float32)
    e = np.zeros(size, np.float32)
    sums = np.empty((5, some), np.float32)
    re, im, re2, im2, p = sums[0], sums[1], sums[2], sums[3], sums[4]
    for first in range(0, len(out), some):
        n_out = min(some, len(out) - first)
        before, after = y[first : first + n_out + count * OS], y[first + OS : first + OS + n_out + count * OS]
        for n in range(len(after)):
            a = before[n]
            b = after[n]
            dr[n] = b.real * a.real + b.imag * a.imag
            di[n] = b.imag * a.real - b.real * a.imag
            e[n] = (a.real * a.real + a.imag * a.imag + b.real * b.real + b.imag * b.imag) * np.float32(0.5)
        sums[:] = 0
        for k in range(count):
            s, s2 = signs[0, k], signs[1, k]
            x = dr[k * OS : k * OS + some]
            z = di[k * OS : k * OS + some]
            w = e[k * OS : k * OS + some]
            for n in range(some):
                re[n] += s * x[n]
                im[n] += s * z[n]
                re2[n] += s2 * x[n]
                im2[n] += s2 * z[n]
                p[n] += w[n]
        for n in range(n_out):
            most = max(re[n] * re[n] + im[n] * im[n], re2[n] * re2[n] + im2[n] * im2[n])
            out[first + n] = np.sqrt(most) / (p[n] + np.float32(1e-20))


FIT_GROUP = 2 * OS  # samples whose correlation is kept apart, to try carriers on
FIT_TRIES = 9
FIT_STEP = 2 * np.pi * 60.0 / RATE_HZ
_TURN = FIT_STEP * FIT_GROUP * np.arange(TEMPLATES.shape[2] // FIT_GROUP)[:, None]
_TURN = _TURN * (np.arange(FIT_TRIES) - FIT_TRIES // 2)
# what each carrier tried turns each group of samples back by: cosine and sine of (groups, tries)
FIT_TURNS = np.stack([np.cos(_TURN), -np.sin(_TURN)])


@kernel("void(complex64[::1], complex64[::1], float32, float64[:,::1], float64[::1])", fastmath=True)
def _correlated(
    y: np.ndarray, template: np.ndarray, sign: float, totals: np.ndarray, score: np.ndarray
) -> None:
    """Give the squared correlation with the template, its imaginary part times `sign`, at each carrier tried.

    `totals` (2, tries) is room to work in.
    """
    groups, tries = FIT_TURNS.shape[1:]
    re, im = totals[0], totals[1]
    totals[:] = 0
    power = np.float32(1e-30)
    for g in range(groups):
        some, own = y[g * FIT_GROUP : (g + 1) * FIT_GROUP], template[g * FIT_GROUP : (g + 1) * FIT_GROUP]
        rr = ri = ir = ii = np.float32(0)
        for i in range(FIT_GROUP):
            v = some[i]
            t = own[i]
            rr += v.real * t.real
            ii += v.imag * t.imag
            ir += v.imag * t.real
            ri += v.real * t.imag
            power += v.real * v.real + v.imag * v.imag
        a = np.float64(rr + sign * ii)
        b = np.float64(ir - sign * ri)
        cos, sin = FIT_TURNS[0, g], FIT_TURNS[1, g]
        for j in range(tries):
            re[j] += a * cos[j] - b * sin[j]
            im[j] += a * sin[j] + b * cos[j]
    for j in range(tries):
        score[j] = (re[j] * re[j] + im[j] * im[j]) / (power * groups * FIT_GROUP)


@kernel("void(complex64[::1], int64, complex64[:,::1], float64, float64, float64[::1])")
def _fit(
    y: np.ndarray, start: int, templates: np.ndarray, carrier: float, sign: float, best: np.ndarray
) -> None:
    """Search time +-1.5 samples and carrier +-240 Hz for the template (conjugated when sign < 0).

    best: squared correlation 0..1, start in samples, carrier in rad/sample; left as it is where whole samples tell that
    it is not there.
    """
    rows, count = templates.shape
    used = count // FIT_GROUP * FIT_GROUP
    first = start - 2 + SKIP * OS + 1
    turned = np.empty(used + 4, np.complex64)
    rotor = np.exp(-1j * carrier)
    now = 1.0 + 0j
    for i in range(used + 4):
        turned[i] = y[first + i] * now
        now *= rotor
    tries = FIT_TRIES
    totals = np.empty((2, tries))
    score = np.zeros((4 * rows, tries))
    for first_look in (True, False):
        for shift in range(4 * rows):
            if (shift % rows == rows // 2) == first_look:
                _correlated(
                    turned[shift // rows :], templates[shift % rows], np.float32(sign), totals, score[shift]
                )
        if score.max() < FIT_FIRST * FIT:
            return
    top = np.argmax(score)
    at, bin_ = top // tries, top % tries
    fine_t = 0.0
    fine_f = 0.0
    if 0 < at < 4 * rows - 1:
        a, b, c = score[at - 1, bin_], score[at, bin_], score[at + 1, bin_]
        if a - 2 * b + c < 0:
            fine_t = 0.5 * (a - c) / (a - 2 * b + c)
    if 0 < bin_ < tries - 1:
        a, b, c = score[at, bin_ - 1], score[at, bin_], score[at, bin_ + 1]
        if a - 2 * b + c < 0:
            fine_f = 0.5 * (a - c) / (a - 2 * b + c)
    best[0] = score[at, bin_]
    # Row j's template starts (rows - 1 - j) / rows samples into the bit, so the bit began that much earlier.
    best[1] = start + at // rows - 2 + 1 - (rows - 1 - at % rows + 0.0) / rows + fine_t / rows
    best[2] = carrier + FIT_STEP * (bin_ - tries // 2 + fine_f)


@kernel("void(complex64[::1], int64, float32[:,::1], complex64[:,:,::1], float64, float64[:,:,::1])")
def _fit_all(
    y: np.ndarray, start: int, signs: np.ndarray, templates: np.ndarray, reach: float, best: np.ndarray
) -> None:
    """Fit each form with levels as they are (row 0) and inverted (row 1), each at the carrier the products give."""
    for form in range(len(signs)):
        total = 0j
        for k in range(signs.shape[1]):
            a = y[start + k * OS]
            b = y[start + (k + 1) * OS]
            total += signs[form, k] * b * a.conjugate()
        for row in range(2):
            sign = 1.0 - 2.0 * row
            v = total * complex(0, -sign)
            carrier = np.arctan2(v.imag, v.real) / OS
            best[form, row, 0] = 0.0
            if abs(carrier) < reach:
                _fit(y, start, templates[form], carrier, sign, best[form, row])


def _pulse_table() -> np.ndarray:
    """Give matched-filter taps, float32 (SUB_PULSE, 22): row r for a middle r / SUB_PULSE past a sample."""
    sub, reach = SUB_PULSE, PULSE_REACH
    pulse = main_pulse(sub * OS)
    half = len(pulse) // 2
    index = half + (np.arange(2 * reach + 2) - reach)[None, :] * sub - np.arange(sub)[:, None]
    inside = (index >= 0) & (index < len(pulse))
    taps = np.where(inside, pulse[np.clip(index, 0, len(pulse) - 1)], 0.0)
    return (taps / np.sum(pulse[half % sub :: sub] ** 2)).astype(np.float32)


PULSE = _pulse_table()


@kernel("void(complex64[::1], float64, float32[::1], float32[::1])")
def _derotate(y: np.ndarray, carrier: float, re: np.ndarray, im: np.ndarray) -> None:
    """Turn the carrier (rad/sample) out of y, into real and imaginary parts."""
    now = 1.0 + 0j
    rotor = np.exp(-1j * carrier)
    for i in range(len(y)):
        v = y[i] * now
        re[i] = v.real
        im[i] = v.imag
        now *= rotor


@kernel("void(float32[::1], float32[::1], float64, float64, float32[:,::1], complex64[::1])", fastmath=True)
def _matched(
    res: np.ndarray, ims: np.ndarray, start: float, drift: float, table: np.ndarray, z: np.ndarray
) -> None:
    """Give matched-filter outputs z[k], turned back by j^k, for the symbols from sample `start` on.

    `drift` stretches the symbol clock (relative). Scaled so that an amplitude of 1 gives about 1.
    """
    # Unsigned places need no look whether they count from the end: only so does the sum use whole vectors.
    rows, taps = table.shape
    for k in range(len(z)):
        mid = start + (k + 1) * OS * (1 + drift)
        whole = int(np.floor(mid))
        row = int((mid - whole) * rows + 0.5)
        if row == rows:
            row = 0
            whole += 1
        base = whole - PULSE_REACH
        re = np.float32(0)
        im = np.float32(0)
        if base >= 0 and base + taps <= len(res):
            line = table[row]
            some = res[base : base + taps]
            other = ims[base : base + taps]
            for i in range(np.uint64(taps)):
                re += line[i] * some[i]
                im += line[i] * other[i]
        turn = k & 3
        if turn == 0:
            z[k] = complex(re, im)
        elif turn == 1:
            z[k] = complex(im, -re)
        elif turn == 2:
            z[k] = complex(-re, -im)
        else:
            z[k] = complex(-im, re)


STEP_GRID = 64
STEP = phase_pulse(STEP_GRID)


@kernel(
    "void(complex64[::1], float64, float64, float64, float64[::1], float32[::1], complex64[::1], float64, float32[::1])"
)
def _subtract(
    y: np.ndarray,
    start: float,
    drift: float,
    carrier: float,
    step: np.ndarray,
    signs: np.ndarray,
    amplitudes: np.ndarray,
    bend: float,
    turned: np.ndarray,
) -> None:
    """Take a burst out of y in place, rebuilt from its pulse signs and the amplitude at each symbol's end.

    `turned` is what the symbols turned the phase by beyond quarter turns, each by `bend`.
    """
    count = len(signs)
    per = OS * (1 + drift)
    low = max(int(np.ceil(start + 2.5 * per)), 0)
    high = min(int(start + (count - 2.5) * per), len(y))
    for m in range(low, high):
        at = (m - start) / per  # in symbols
        done = int(np.floor(at - 2.5))  # last symbol whose phase step is complete
        phase = 0.0
        for i in range(done + 1, min(done + 1 + SPAN, count)):
            x = (at - i + 1.5) * STEP_GRID
            n = int(x)
            if 0 <= n < SPAN * STEP_GRID:
                phase += signs[i] * signs[i - 1] * (step[n] + (x - n) * (step[n + 1] - step[n]))
        # Laurent's pulses carry j^k b_k where the phase is j^(k+1) b_k.
        angle = np.pi / 2 * (phase + (done & 3)) + bend * phase + turned[done] + carrier * m
        k = max(min(at - 1, count - 1.001), 0.0)
        n = int(k)
        a = amplitudes[n] + (k - n) * (amplitudes[n + 1] - amplitudes[n])
        y[m] -= signs[done] * a * complex(np.cos(angle), np.sin(angle))


@kernel("int64(complex64[::1], float32[::1], float32, float64, float32[::1], complex64[::1])")
def _loop(
    z: np.ndarray, known: np.ndarray, near: float, bend: float, decided: np.ndarray, track: np.ndarray
) -> int:
    """First pass: decide symbols under a second-order loop started on the known ones.

    `bend` is what each symbol turns the phase by beyond a quarter turn, in radians. Gives the number of symbols until the burst's amplitude falls away; `track` becomes the complex
    amplitude the loop had at each symbol.
    """
    count = len(z)
    lead = len(known)
    # Least squares of the known part, neighbours' quadrature share included.
    total = 0j
    power = 0.0
    angle = 0.0
    for k in range(4, lead - 1):
        model = complex(known[k], near * (known[k + 1] - known[k - 1]))
        angle += bend * known[k] * known[k - 1]
        model *= complex(np.cos(angle), np.sin(angle))
        total += z[k] * model.conjugate()
        power += model.real**2 + model.imag**2
    total /= power
    amplitude = abs(total)
    angle += np.arctan2(total.imag, total.real) + bend * known[lead - 1] * known[lead - 2]
    turn = 0.0
    short = amplitude
    for k in range(lead):
        decided[k] = known[k]
        track[k] = total
    for k in range(lead, count):
        angle += turn
        c = np.cos(angle)
        s = np.sin(angle)
        v = z[k]
        re = v.real * c + v.imag * s
        decided[k] = 1.0 if re > 0 else -1.0
        track[k] = amplitude * complex(c, s)
        # The symbol before now has both neighbours decided: its phase error without their share.
        w = z[k - 1]
        b = decided[k - 1]
        c1 = np.cos(angle - turn)
        s1 = np.sin(angle - turn)
        angle += bend * decided[k] * b
        in_phase = (w.real * c1 + w.imag * s1) * b
        cross = (w.imag * c1 - w.real * s1) * b - amplitude * near * (decided[k] - decided[k - 2]) * b
        error = max(-0.7, min(0.7, cross / (amplitude + 1e-20)))
        angle += 0.10 * error
        turn += 0.003 * error
        amplitude += (in_phase - amplitude) / 64
        short += (in_phase - short) / 12
        if short < 0.5 * amplitude or amplitude <= 0:
            return k
    return count


@kernel("float64(complex64[::1], float32, float32, float32[::1], complex64[::1], float32[::1], float32[::1])")
def _smooth(
    z: np.ndarray,
    near: float,
    far: float,
    decided: np.ndarray,
    track: np.ndarray,
    soft: np.ndarray,
    rest: np.ndarray,
) -> float:
    """Later pass: each symbol against the complex amplitude its neighbours give, without itself.

    Updates `decided` and `track`; `soft` is nominally +-1, `rest` what power each symbol leaves
    unexplained. Gives the carrier error in rad/symbol.
    """
    count = len(z)
    reach = 14
    clean = np.empty(count, np.complex64)
    u = np.empty(count, np.complex64)
    for k in range(count):
        b = decided[k]
        after = decided[k + 1] if k + 1 < count else b
        before = decided[k - 1] if k > 0 else b
        after2 = decided[k + 2] if k + 2 < count else np.float32(0)
        before2 = decided[k - 2] if k > 1 else np.float32(0)
        other = complex(-far * (after2 + before2), near * (after - before))
        clean[k] = z[k] - track[k] * other
        u[k] = clean[k] * b
    # Mean turn per symbol, from sums of 8 taken 8 apart.
    turn_sum = 0j
    for k in range(8, count - 8, 4):
        a = 0j
        c = 0j
        for i in range(8):
            a += u[k - 8 + i]
            c += u[k + i]
        turn_sum += c * a.conjugate()
    turn = np.arctan2(turn_sum.imag, turn_sum.real) / 8 if abs(turn_sum) > 0 else 0.0
    power = 0.0
    # Neighbours weigh the less the further they are. From symbol to symbol such a sum grows by what comes nearer, the
    # span after it, less what goes away, the span before it and itself.
    span = reach + 1
    still = np.zeros(count + 3 * span, np.complex128)  # symbols with the turn taken out, the first at 2 span
    there = np.zeros(len(still))
    back = np.empty(count, np.complex128)
    rotor = np.exp(1j * turn)
    now = 1.0 + 0j
    for k in range(count):
        back[k] = now
        still[k + 2 * span] = u[k] * now.conjugate()
        there[k + 2 * span] = 1.0
        now *= rotor
    total = after = before = 0j
    weight = weight_after = weight_before = 0.0
    for n in range(span, count + 2 * span):
        total += after - before
        after += still[n + span] - still[n]
        before += still[n] - still[n - span]
        weight += weight_after - weight_before
        weight_after += there[n + span] - there[n]
        weight_before += there[n] - there[n - span]
        k = n - 2 * span
        if k < 0:
            continue
        others = weight - span
        track[k] = (total - span * still[n]) * back[k] / others if others > 0.5 else 0j
        p = track[k].real ** 2 + track[k].imag ** 2
        power += p
        v = clean[k]
        soft[k] = (v.real * track[k].real + v.imag * track[k].imag) / (p + 1e-30)
        left = v - track[k] * decided[k]
        rest[k] = left.real**2 + left.imag**2
    mean = power / max(count, 1)
    for k in range(count):
        # Weight by strength, so that a faded symbol counts as uncertain.
        p = track[k].real ** 2 + track[k].imag ** 2
        soft[k] *= np.sqrt(p / (mean + 1e-30))
        decided[k] = 1.0 if soft[k] > 0 else -1.0
    return turn


@kernel("void(complex64[::1], float32[::1], float64, float32[::1], complex64[::1])")
def _unbend(z: np.ndarray, decided: np.ndarray, bend: float, turned: np.ndarray, out: np.ndarray) -> None:
    """Give z without what the decided symbols turned the phase by beyond quarter turns, and that in radians."""
    angle = 0.0
    for k in range(len(z)):
        if k > 0:
            angle += bend * decided[k] * decided[k - 1]
        turned[k] = angle
        out[k] = z[k] * complex(np.cos(angle), -np.sin(angle))


@kernel("float64(complex64[::1], float32[::1], complex64[::1])", fastmath=True)
def _agreement(z: np.ndarray, decided: np.ndarray, track: np.ndarray) -> float:
    total = np.float32(0)
    for k in range(len(z)):
        total += (z[k].real * track[k].real + z[k].imag * track[k].imag) * decided[k]
    return float(total)


@kernel("void(float32[::1], float32[::1], float64, float32[::1])")
def _discriminate(res: np.ndarray, ims: np.ndarray, start: float, out: np.ndarray) -> None:
    """Give the phase step over each symbol in units of pi/2, positive for the upper frequency.

    Samples are smoothed over about a symbol first; the steps run from edge to edge.
    """
    before = 0j
    first = int(np.floor(start))
    weight = np.exp(-0.5 * ((np.arange(-2, 4) - (start - first)) / 1.1) ** 2)
    for k in range(-1, len(out)):
        acc = 0j
        for m in range(6):
            i = first + (k + 1) * OS + m - 2
            if 0 <= i < len(res):
                acc += weight[m] * complex(res[i], ims[i])
        if k >= 0:
            step = acc * before.conjugate()
            out[k] = np.arctan2(step.imag, step.real) / (np.pi / 2)
        before = acc


_FLAG = FLAG.tobytes()


@dataclass(frozen=True, slots=True)
class _Coherent:
    """What coherent detection knows of a burst beyond its frame."""

    noise: float  # residual power in one symbol's bandwidth
    turn: float  # carrier taken out before detection, rad/sample
    drift: float  # of the symbol clock, relative
    signs: np.ndarray  # of the pulses
    z: np.ndarray  # matched-filter outputs, without what a wrong deviation turns them by
    bend: float  # what a symbol turns the phase by beyond a quarter turn, rad
    turned: np.ndarray  # and what they have together


@dataclass(frozen=True, slots=True)
class _Found:
    """A frame with the figures of its burst, positions in resampled samples."""

    frame: HdlcFrame
    start: float
    carrier: float  # rad/sample
    power: float
    coherent: _Coherent | None = None  # None when the discriminator read it


def air_bits(octets: bytes) -> Bits:
    """Give the message bits of HDLC octets: each octet was sent least significant bit first."""
    return Bits(int.from_bytes(octets, "big"), 8 * len(octets))


class Demodulator:
    """Frames of one AIS channel, or of a discriminator's audio. `Frame.time_ns` is the first message bit."""

    def __init__(self, mode: Mode):
        self._mode = mode
        self._way: _CarrierWay | _SoundWay | None = None

    def feed(self, samples: Samples) -> list[Frame]:
        """Take the next samples; gives frames some 0.25 s after their burst began."""
        if self._way is None:
            self._way = (_CarrierWay if np.iscomplexobj(samples.data) else _SoundWay)(self._mode)
        return self._way.feed(samples)

    def close(self) -> list[Frame]:
        """Decode what is still waiting."""
        out = self._way.close() if self._way else []
        self._way = None
        return out


class _SoundWay:
    """Frames of a discriminator's audio."""

    def __init__(self, mode: Mode):
        self._mode = mode
        self._first: Samples | None = None
        self._resampler: Resampler | None = None
        self._sound = np.zeros(0, np.float32)
        self._at = 0  # resampled index of _sound[0]
        self._reported: list[Frame] = []

    def feed(self, samples: Samples) -> list[Frame]:
        if self._first is None:
            self._first = samples.clock()
            if samples.rate_hz >= LEAST_RATE_HZ:
                self._resampler = Resampler(
                    samples.rate_hz, RATE_HZ, SOUND_HOP, pass_hz=SOUND_PASS_HZ, stop_hz=SOUND_STOP_HZ
                )
        if self._resampler is None:
            return []
        return [frame for hop in self._resampler.feed(samples.data) for frame in self._hop(hop.real)]

    def close(self) -> list[Frame]:
        if self._resampler is None:
            return []
        rest = [*self._resampler.rest(), np.zeros(TAIL + SOUND_HOP)]
        out = [frame for hop in rest for frame in self._hop(hop.real)]
        self._first = self._resampler = None
        return out

    def _hop(self, fresh: np.ndarray) -> list[Frame]:
        """Take resampled samples; read the bursts that begin where enough is held to end them."""
        self._sound = np.concatenate([self._sound, fresh.astype(np.float32)])
        ready = len(self._sound) - TAIL
        if ready < SOUND_HOP:
            return []
        like = likeness(self._sound[: ready + KNOWN_SOUNDS.shape[1]], KNOWN_SOUNDS)
        starts = peaks(like, SOUND_LIKE, PEAK)
        out = [frame for at in starts if (frame := self._read_at(at)) is not None]
        drop = ready - 2 * PEAK
        self._sound, self._at = self._sound[drop:], self._at + drop
        return out

    def _read_at(self, at: int) -> Frame | None:
        first = self._first
        if first is None:
            raise RuntimeError("a burst before any samples")
        known = KNOWN_LEVELS.shape[1]
        for bits in readings(self._sound, float(at), OS, MOST_BITS, known):
            found = _read(bits)
            if found is None:
                continue
            step = first.rate_hz / RATE_HZ
            octets = len(found.octets)
            level = loudness(self._sound, at, found, OS)
            frame = Frame(
                mode=self._mode.name,
                time_ns=first.time_ns((self._at + at + found.start * OS) * step),
                stop_ns=first.time_ns((self._at + at + (found.stop + 8) * OS) * step),
                bits=air_bits(found.octets),
                check="pass",
                check_name=f"HDLC CRC-16 over {8 * octets} bits",
                level_dbfs=float(10 * np.log10(level + 1e-30)),
            )
            if any(
                frame.bits == other.bits and abs(frame.time_ns - other.time_ns) < SAME_NS
                for other in self._reported
            ):
                return None
            self._reported = [*self._reported[-7:], frame]
            return frame
        return None


class _CarrierWay:
    """Frames of a channel's I/Q."""

    def __init__(self, mode: Mode):
        self._mode = mode
        self._first: Samples | None = None  # the first block without its data, for times
        self._noise: float | None = None
        self._resampler: Resampler | None = None
        self._y = np.zeros(LEAD, np.complex64)
        self._y_at = -LEAD  # resampled index of _y[0]
        self._made = 0  # resampled samples made
        self._scored = 0  # starts scored by the gate
        self._scores = np.zeros(2 * PEAK, np.float32)  # the last of them
        self._starts: list[tuple[int, int]] = []  # candidate starts waiting for their tail, with depth
        self._reported: list[Frame] = []

    def feed(self, samples: Samples) -> list[Frame]:
        if self._first is None or self._resampler is None:
            self._first = samples.clock()
            self._step = samples.rate_hz / RATE_HZ
            self._resampler = Resampler(samples.rate_hz, RATE_HZ, HOP, pass_hz=PASS_HZ, stop_hz=STOP_HZ)
        if samples.noise_dbfs_hz is not None:
            self._noise = samples.noise_dbfs_hz
        return [frame for hop in self._resampler.feed(samples.data) for frame in self._hop(hop)]

    def close(self) -> list[Frame]:
        if self._first is None or self._resampler is None:
            return []
        out = [frame for hop in self._resampler.rest() for frame in self._hop(hop)]
        beyond, silence = SPAN_SAMPLES + 2 * PEAK, np.zeros(TAIL + SPAN_SAMPLES + 2 * PEAK, np.complex64)
        self._made += beyond
        self._y = np.concatenate([self._y, silence])
        self._score()
        self._made += TAIL
        out += self._work()
        self._first = self._resampler = None
        return out

    def _hop(self, fresh: np.ndarray) -> list[Frame]:
        """Take resampled samples, score starts, decode the candidates that are whole."""
        self._made += len(fresh)
        self._y = np.concatenate([self._y, fresh])
        self._score()
        frames = self._work()
        keep = min([at for at, _ in self._starts[:1]] + [self._scored - 2 * PEAK]) - LEAD - BACK
        if keep > self._y_at:
            self._y, self._y_at = self._y[keep - self._y_at :], keep
        return frames

    def _score(self) -> None:
        """Run the gate over starts not yet scored and note its peaks."""
        out = np.empty(self._made - self._scored - SPAN_SAMPLES, np.float32)
        _gate(self._y[self._scored - self._y_at : self._made - self._y_at], KNOWN_SIGNS, out)
        scores = np.concatenate([self._scores, out])
        base = self._scored - 2 * PEAK
        self._starts += [(base + n, 0) for n in peaks(scores, GATE, PEAK)]
        self._scores = scores[-2 * PEAK :]
        self._scored += len(out)

    def _work(self) -> list[Frame]:
        """Decode the clusters of candidate starts whose tails are there."""
        frames: list[Frame] = []
        while self._starts:
            count = 1
            while (
                count < len(self._starts) and self._starts[count][0] - self._starts[count - 1][0] <= CLUSTER
            ):
                count += 1
            if self._starts[count - 1][0] + max(TAIL, CLUSTER) > self._made:
                break
            cluster, self._starts = self._starts[:count], self._starts[count:]
            frames += self._decode(cluster)
        return frames

    def _decode(self, cluster: list[tuple[int, int]]) -> Iterator[Frame]:
        """Give the frame of a burst that starts at one of a cluster's (resampled index, depth).

        The training sequence is periodic, so one burst raises several starts; the best fit goes first and
        ends the search when it gives a frame.
        """
        tries = []
        for start, depth in cluster:
            y = self._y[start - LEAD - self._y_at : start + TAIL - self._y_at]
            for burst in _fits(y, FIT_BENEATH if depth else FIT):
                tries.append((burst, start, depth))
        tries.sort(key=lambda item: -item[0].score)
        for burst, start, depth in tries[:CLUSTER_TRIES]:
            y = self._y[start - LEAD - self._y_at : start + TAIL - self._y_at]
            found = _detect(y, burst, self._symbol_noise(), odd=depth == 0)
            if not found:
                continue
            frame = self._frame(found, start - LEAD)
            if not any(
                frame.bits == other.bits and abs(frame.time_ns - other.time_ns) < SAME_NS
                for other in self._reported
            ):
                self._reported = [*self._reported[-7:], frame]
                yield frame
            if (
                found.coherent
                and depth < MOST_DEPTH
                and self._more_beneath(found.power, found.coherent.noise)
            ):
                self._cancel(found, found.coherent, start - LEAD, depth)
            elif found.coherent:
                self._pass_over(start - LEAD + found.start, found.frame.stop)
            return

    def _pass_over(self, begin: float, bits: int) -> None:
        """Drop the starts within a burst that left nothing but noise: a weaker one cannot be there, nor a louder one."""
        last = begin + (bits - TRAINING) * OS
        self._starts = [(at, depth) for at, depth in self._starts if not begin < at < last]

    def _more_beneath(self, power: float, rest: float) -> bool:
        """Say whether what a burst leaves unexplained is more than noise and its own imperfections."""
        return rest > max(BENEATH_POWER * power, BENEATH_NOISE * (self._symbol_noise() or 0.0))

    def _symbol_noise(self) -> float | None:
        """Give the noise power in one symbol rate's width, where detection measured it."""
        return None if self._noise is None else SYMBOL_RATE_HZ * 10 ** (self._noise / 10)

    def _cancel(self, found: _Found, burst: _Coherent, base: int, depth: int) -> None:
        """Take a decoded burst out of the samples and look for weaker ones beneath it."""
        low = base - self._y_at
        _subtract(
            self._y[low : low + LEAD + TAIL],
            found.start,
            burst.drift,
            burst.turn,
            STEP,
            burst.signs,
            _steady(burst, found.carrier),
            burst.bend,
            burst.turned,
        )
        first = max(base + int(found.start) - BACK, self._y_at + LEAD + PEAK)
        last = min(base + int(found.start) + (found.frame.stop + 8) * OS, self._scored)
        if last <= first:
            return
        out = np.empty(last - first + 2 * PEAK, np.float32)
        at = first - PEAK - self._y_at
        _gate(self._y[at : at + len(out) + SPAN_SAMPLES + OS], KNOWN_SIGNS, out)
        fresh = {first - PEAK + n: depth + 1 for n in peaks(out, GATE, PEAK)}
        self._starts = sorted({**dict(self._starts), **fresh}.items())

    def _frame(self, found: _Found, base: int) -> Frame:
        first = self._first
        if first is None:
            raise RuntimeError("a frame before any samples")
        begin = base + found.start + found.frame.start * OS
        end = base + found.start + (found.frame.stop + 8) * OS
        level = 10 * np.log10(found.power + 1e-30)
        snr = None
        if self._noise is not None:
            snr = float(level - self._noise - 10 * np.log10(self._mode.bandwidth_hz))
        elif found.coherent:
            ratio = found.power / (found.coherent.noise + 1e-30)
            snr = float(10 * np.log10(ratio * SYMBOL_RATE_HZ / self._mode.bandwidth_hz))
        octets = len(found.frame.octets)
        return Frame(
            mode=self._mode.name,
            time_ns=first.time_ns(begin * self._step),
            stop_ns=first.time_ns(end * self._step),
            bits=air_bits(found.frame.octets),
            check="corrected" if found.frame.flips else "pass",
            corrected_bits=len(found.frame.flips),
            check_name=f"HDLC CRC-16 over {8 * octets} bits",
            snr_db=snr,
            level_dbfs=float(level),
            frequency_hz=first.center_hz + found.carrier * RATE_HZ / (2 * np.pi),
        )


def _steady(burst: _Coherent, carrier: float) -> np.ndarray:
    """Give a burst's complex amplitude per symbol, complex64, smoothed for taking the burst out.

    A weaker burst in the same slot sends the same training sequence at the same time, so over the known
    part its share cannot be told from the stronger one's: there the amplitude is carried on from later.
    """
    b = burst.signs.astype(np.float64)
    model = b.astype(np.complex128)
    model[1:-1] += 1j * NEAR * (b[2:] - b[:-2])
    turn = np.exp(1j * (carrier - burst.turn) * OS * np.arange(len(b)))
    window = np.bartlett(2 * STEADY + 1)[1:-1]
    margin = len(window) // 2
    top = np.convolve(burst.z * turn.conj() * model.conj(), window)[margin:-margin]
    power = np.convolve(np.abs(model) ** 2, window)[margin:-margin]
    first = TRAINING + 8
    data = slice(first, min(first + 110, len(b) - 8))
    k = np.arange(len(b))
    weight = np.abs(model[data])
    line = np.polyfit(k[data], (burst.z * turn.conj() / model)[data], 1, w=weight)
    out = top / power
    blend = np.clip((k - first) / STEADY, 0, 1)
    return ((blend * out + (1 - blend) * np.polyval(line, k)) * turn).astype(np.complex64)


@dataclass(frozen=True, slots=True)
class _Burst:
    """A start of burst that fits: position and carrier in resampled samples, sign of the levels."""

    score: float
    start: float
    carrier: float
    sign: float
    form: int  # which training sequence: row of KNOWN_LEVELS


def _fits(y: np.ndarray, least: float = FIT) -> list[_Burst]:
    """Give the ways the known waveform fits at y[LEAD], the best first; none when it is not there.

    Products of samples a symbol apart cannot tell a carrier from one half a symbol rate off with the
    levels inverted, so both are tried where both lie in reach.
    """
    if len(y) < LEAD + SPAN_SAMPLES:
        return []
    best = np.empty((len(KNOWN_SIGNS), 2, 3))
    _fit_all(y, LEAD, KNOWN_SIGNS, TEMPLATES, 2 * np.pi * REACH_HZ / RATE_HZ, best)
    return sorted(
        (
            _Burst(score, start, carrier, sign, form)
            for form, rows in enumerate(best.tolist())
            for (score, start, carrier), sign in zip(rows, (1.0, -1.0), strict=True)
            if score > least
        ),
        key=lambda burst: -burst.score,
    )


def _keyed(y: np.ndarray, burst: _Burst) -> bool:
    """Tell whether what follows the training sequence goes to either side of the carrier, as data do."""
    head = y[: int(burst.start) + (FIRST_LOOK + 2) * OS]
    res, ims = np.empty((2, len(head)), np.float32)
    _derotate(head, burst.carrier, res, ims)
    steps = np.empty(FIRST_LOOK, np.float32)
    _discriminate(res, ims, burst.start, steps)
    above = float(np.count_nonzero(steps[TRAINING:] > 0)) / (FIRST_LOOK - TRAINING)
    return LEAST_EITHER < above < 1 - LEAST_EITHER


def _detect(y: np.ndarray, burst: _Burst, noise: float | None = None, *, odd: bool = True) -> _Found | None:
    """Detect the symbols of a burst and give its frame, if any reading of it holds.

    `noise` is the noise power in the symbol rate. What is left of a burst beyond it is another burst, whose
    errors are many and anywhere: then few repairs are tried.

    `odd`: bursts of wrong deviation or through a null of a fade are worth a try with the discriminator.
    """
    if not _keyed(y, burst):
        return None
    carrier = burst.carrier
    known = np.cumprod(burst.sign * KNOWN_SIGNS[burst.form]).astype(np.float32)
    frame = None
    for size in (USUAL_BITS, MOST_BITS):  # few bursts are longer than a slot
        part = y[: LEAD + (size + 16) * OS]
        res, ims = np.empty((2, len(part)), np.float32)
        _derotate(part, carrier, res, ims)
        sight = _symbols(res, ims, burst.start, known, size)
        if len(sight.soft) < TRAINING + LEAST_BITS:
            break
        frame = _read(hard_bits(sight.soft, 2))
        if frame is not None or len(sight.soft) < size:
            break
    if frame is None and burst.score > FIT_BENT:
        bent = _bent(res, ims, burst.start, known, sight)
        if bent is not None:
            sight = bent
            frame = _read(hard_bits(sight.soft, 2))
    if frame is None:
        steps = np.empty(MOST_BITS if odd else 0, np.float32)
        if odd:
            if len(res) < len(y):
                res, ims = np.empty((2, len(y)), np.float32)
                _derotate(y, carrier, res, ims)
            _discriminate(res, ims, burst.start, steps)
        plain = _read(hard_bits(steps, 1)) if odd else None
        if plain:
            part = y[int(burst.start) : int(burst.start) + plain.stop * OS]
            steps = steps[: plain.stop]
            # Upper and lower steps would have opposite means without a carrier error.
            error = (np.mean(steps[steps > 0]) + np.mean(steps[steps < 0])) / 2
            carrier += float(error) * np.pi / 2 / OS
            return _Found(plain, burst.start, carrier, float(np.mean(np.abs(part) ** 2)))
        if len(sight.soft) < TRAINING + LEAST_BITS or sight.ratio() < REPAIR_LEAST_RATIO:
            return None
        alone = noise is not None and np.mean(sight.rest) < ALONE_NOISE * noise
        frame = _repaired(sight.soft, REPAIR_TRIALS if alone else REPAIR_TRIALS_COLLIDED)
        if frame is None:
            return None
    inner = slice(3, frame.stop + 6)  # the outermost lack a decided neighbour
    kept = slice(0, frame.stop + 10)
    return _Found(
        frame,
        sight.start,
        carrier + sight.turn / OS,
        float(np.mean(np.abs(sight.track[inner]) ** 2)),
        _Coherent(
            float(np.mean(sight.rest[inner])),
            carrier,
            sight.drift,
            sight.decided[kept],
            sight.z[kept],
            sight.bend,
            sight.turned[kept],
        ),
    )


@dataclass(frozen=True, slots=True)
class _Symbols:
    """What the passes of coherent detection make of a burst: a value each symbol, and its clock and carrier."""

    z: np.ndarray
    decided: np.ndarray
    track: np.ndarray
    soft: np.ndarray
    rest: np.ndarray
    turned: np.ndarray
    start: float
    drift: float
    turn: float
    bend: float

    def ratio(self) -> float:
        """Give the power explained over the power that is not."""
        return float(np.mean(np.abs(self.track) ** 2) / (np.mean(self.rest) + 1e-30))


def _symbols(
    res: np.ndarray, ims: np.ndarray, start: float, known: np.ndarray, size: int, bend: float = 0.0
) -> _Symbols:
    """Detect up to `size` symbols of a burst whose symbols turn the phase by `bend` beyond a quarter turn."""
    z, track = np.empty((2, size), np.complex64)
    decided = np.empty(size, np.float32)
    drift = 0.0
    _matched(res, ims, start, drift, PULSE, z)
    count = int(_loop(z, known, NEAR, bend, decided, track))
    z, decided, track = z[:count], decided[:count], track[:count]
    soft, rest, turned = np.zeros((3, count), np.float32)
    turn = 0.0
    if count >= TRAINING + LEAST_BITS:
        for again in range(3):
            if again:
                turns = track * np.exp(1j * turned) if bend else track
                late, stretch = _timing(res, ims, start, drift, decided, turns)
                start, drift = start + late, drift + stretch
                _matched(res, ims, start, drift, PULSE, z)
            if bend:
                straight = np.empty(count, np.complex64)
                _unbend(z, decided, bend, turned, straight)
                if not again:
                    track *= np.exp(-1j * turned)
                turn = _smooth(straight, NEAR, FAR, decided, track, soft, rest)
            else:
                turn = _smooth(z, NEAR, FAR, decided, track, soft, rest)
        if bend:
            _unbend(z.copy(), decided, bend, turned, z)
    return _Symbols(z, decided, track, soft, rest, turned, start, drift, turn, bend)


def _bent(
    res: np.ndarray, ims: np.ndarray, start: float, known: np.ndarray, plain: _Symbols
) -> _Symbols | None:
    """Give the best detection with a deviation other than the nominal; None where the nominal explains more."""
    count = len(plain.soft)
    best = None
    ratio = plain.ratio() if count >= TRAINING + LEAST_BITS else 0.0
    for bend in BENDS:
        bent = _symbols(res, ims, start, known, max(count, USUAL_BITS), bend)
        if len(bent.soft) >= max(TRAINING + LEAST_BITS, 0.9 * count) and bent.ratio() > ratio:
            best, ratio = bent, bent.ratio()
    return best


def _repaired(soft: np.ndarray, tried: int) -> HdlcFrame | None:
    """Give the first plausible frame that a few reversed symbols make."""
    trials = repairs(
        soft,
        TRAINING,
        lag=2,
        stop=len(soft) - FALL,
        suspects=8,
        trials=tried,
        largest=REPAIR_LARGEST,
        min_octets=LEAST_OCTETS,
        max_octets=MOST_OCTETS,
    )
    return next((frame for frame in trials if plausible(air_bits(frame.octets))), None)


def _timing(
    res: np.ndarray, ims: np.ndarray, start: float, drift: float, decided: np.ndarray, track: np.ndarray
) -> tuple[float, float]:
    """Give how much later the burst starts than thought, and how much slower its clock is (relative).

    Early and late matched filters against the decided symbols; the clock only where a burst of several
    slots lets it be seen.
    """
    count = len(decided)
    z = np.empty((3, count), np.complex64)
    for row, shift in enumerate((-1.0, 0.0, 1.0)):
        _matched(res, ims, start + shift, drift, PULSE, z[row])

    def peak(low: int, high: int) -> float:
        a, b, c = (_agreement(z[row, low:high], decided[low:high], track[low:high]) for row in range(3))
        bend = a - 2 * b + c
        return min(max(0.5 * (a - c) / bend, -1.0), 1.0) if bend < 0 else 0.0

    if count < 400:
        return peak(0, count), 0.0
    first, second = peak(0, count // 2), peak(count // 2, count)
    slope = (second - first) / (count // 2 * OS)
    return first - slope * count / 4 * OS, slope


def _read(bits: np.ndarray) -> HdlcFrame | None:
    """Give the frame after the start flag: where it should be, or where else near there a flag stands."""
    near = bits[TRAINING - 28 : TRAINING + 8].tobytes()
    for at in (TRAINING, *(at for at in range(TRAINING - 20, TRAINING + 9) if at != TRAINING)):
        if at != TRAINING and near[at - TRAINING + 20 : at - TRAINING + 28] != _FLAG:
            continue
        frame = frame_at(bits, at, min_octets=LEAST_OCTETS, max_octets=MOST_OCTETS)
        if frame and legal(air_bits(frame.octets)):
            return frame
    return None
