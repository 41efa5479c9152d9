"""Compiled: the symbols of a burst whose start and carrier are nearly known, and the burst taken out again.

With h = 0.5 and BT = 0.4, Laurent's first pulse as matched filter leaves each symbol its neighbours' share in
quadrature and the second neighbours' in phase; once these are decided, each symbol is decided on its own within about
0.1 dB of the sequence bound.
"""

from __future__ import annotations

import numpy as np

from earwitness.dsp.jit import kernel
from earwitness.modes.ais.gmsk import SPAN, main_pulse, phase_pulse
from earwitness.modes.ais.training import OS

SUB_PULSE = 16  # matched-filter positions per resampled sample
PULSE_REACH = (SPAN + 1) * OS // 2  # samples either side of its middle
_C0 = main_pulse(64)
_G = [float(np.dot(_C0[64 * n :], _C0[: len(_C0) - 64 * n])) for n in range(3)]
NEAR = np.float32(_G[1] / _G[0])  # neighbour's share in quadrature
FAR = np.float32(_G[2] / _G[0])  # second neighbour's share, in phase and negative
STEP_GRID = 64
STEP = phase_pulse(STEP_GRID)


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
def derotate(y: np.ndarray, carrier: float, re: np.ndarray, im: np.ndarray) -> None:
    """Turn the carrier (rad/sample) out of y, into real and imaginary parts."""
    now = 1.0 + 0j
    rotor = np.exp(-1j * carrier)
    for i in range(len(y)):
        v = y[i] * now
        re[i] = v.real
        im[i] = v.imag
        now *= rotor


@kernel("void(float32[::1], float32[::1], float64, float64, float32[:,::1], complex64[::1])", fastmath=True)
def matched(
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


@kernel("int64(complex64[::1], float32[::1], float32, float64, float32[::1], complex64[::1])")
def first_pass(
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
def later_pass(
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
def unbend(z: np.ndarray, decided: np.ndarray, bend: float, turned: np.ndarray, out: np.ndarray) -> None:
    """Give z without what the decided symbols turned the phase by beyond quarter turns, and that in radians."""
    angle = 0.0
    for k in range(len(z)):
        if k > 0:
            angle += bend * decided[k] * decided[k - 1]
        turned[k] = angle
        out[k] = z[k] * complex(np.cos(angle), -np.sin(angle))


@kernel("float64(complex64[::1], float32[::1], complex64[::1])", fastmath=True)
def agreement(z: np.ndarray, decided: np.ndarray, track: np.ndarray) -> float:
    """Give how well matched-filter outputs agree with the decided symbols on the carrier they were decided with."""
    total = np.float32(0)
    for k in range(len(z)):
        total += (z[k].real * track[k].real + z[k].imag * track[k].imag) * decided[k]
    return float(total)


@kernel("void(float32[::1], float32[::1], float64, float32[::1])")
def discriminate(res: np.ndarray, ims: np.ndarray, start: float, out: np.ndarray) -> None:
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


@kernel(
    "void(complex64[::1], float64, float64, float64, float64[::1], float32[::1], complex64[::1], float64, float32[::1])"
)
def subtract(
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
