"""Where an AIS burst begins: its training sequence and start flag, found without and fitted with the carrier.

Products of samples one symbol apart score every start, whatever the carrier; where they stand out, the known
waveform is fitted over time and frequency. Noise rarely comes this far.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from earwitness.coding.hdlc import FLAG, nrzi_encode
from earwitness.dsp.jit import kernel
from earwitness.dsp.peaks import vertex
from earwitness.modes.ais.gmsk import SYMBOL_RATE_HZ, modulate

OS = 4  # samples per symbol
RATE_HZ = OS * SYMBOL_RATE_HZ
TRAINING = 32  # known bits: 24 of training, 8 of flag
LEAD = 8 * OS  # samples wanted before a burst's start
SPAN_SAMPLES = (TRAINING + 1) * OS  # what the gate looks at
GATE = 0.46  # normalised product sum; noise alone passes about 25 times a second
FIT = 0.28  # squared coherent correlation; noise alone passes less than once a minute
FIT_FIRST = 0.7  # of that, in whole samples; half a sample off takes a fortieth
REACH_HZ = 3700.0  # carrier offsets looked at
SKIP = 2  # first training bits left out of the fit: ramps of real transmitters reach into them
SUB = 4  # template positions per resampled sample


def _known_levels() -> np.ndarray:
    """Give the levels of training and flag, uint8 (2, 32): the training may begin with either bit."""
    training = [np.tile(np.array(pair, np.uint8), 12) for pair in ((0, 1), (1, 0))]
    return np.array([nrzi_encode(np.concatenate([bits, FLAG]), 1) for bits in training])


KNOWN_LEVELS = _known_levels()
KNOWN_SIGNS = (2.0 * KNOWN_LEVELS - 1).astype(np.float32)


def _templates() -> np.ndarray:
    """Give the known waveforms from bit SKIP on at SUB fractions of a sample, complex64 (2, SUB, samples)."""
    count = (TRAINING - SKIP) * OS - OS // 2
    fine = [modulate(levels, RATE_HZ * SUB) for levels in KNOWN_LEVELS]
    return np.array(
        [[wave[SKIP * OS * SUB + SUB - 1 - j :: SUB][:count] for j in range(SUB)] for wave in fine],
        np.complex64,
    )  # row j: burst starts (SUB - 1 - j) / SUB of a sample before the first sample used


TEMPLATES = _templates()
FIT_GROUP = 2 * OS  # samples whose correlation is kept apart, to try carriers on
FIT_TRIES = 9
FIT_STEP = 2 * np.pi * 60.0 / RATE_HZ
_TURN = FIT_STEP * FIT_GROUP * np.arange(TEMPLATES.shape[2] // FIT_GROUP)[:, None]
_TURN = _TURN * (np.arange(FIT_TRIES) - FIT_TRIES // 2)
# what each carrier tried turns each group of samples back by: cosine and sine of (groups, tries)
FIT_TURNS = np.stack([np.cos(_TURN), -np.sin(_TURN)])


@kernel("void(complex64[::1], float32[:,::1], float32[::1])", fastmath=True)
def gate(y: np.ndarray, signs: np.ndarray, out: np.ndarray) -> None:
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
        fine_t = vertex(score[at - 1, bin_], score[at, bin_], score[at + 1, bin_])
    if 0 < bin_ < tries - 1:
        fine_f = vertex(score[at, bin_ - 1], score[at, bin_], score[at, bin_ + 1])
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


@dataclass(frozen=True, slots=True)
class Fit:
    """A start of burst that fits: position and carrier in resampled samples, sign of the levels."""

    score: float
    start: float
    carrier: float
    sign: float
    form: int  # which training sequence: row of KNOWN_LEVELS


def fits(y: np.ndarray, least: float = FIT) -> list[Fit]:
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
            Fit(score, start, carrier, sign, form)
            for form, rows in enumerate(best.tolist())
            for (score, start, carrier), sign in zip(rows, (1.0, -1.0), strict=True)
            if score > least
        ),
        key=lambda burst: -burst.score,
    )
