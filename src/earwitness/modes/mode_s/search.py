"""Compiled: samples without their mean, brought down where they are many, and searched for preambles."""

from __future__ import annotations

import numpy as np

from earwitness.dsp.jit import kernel
from earwitness.modes.mode_s.pulse import COARSE

RUN = 32  # scores that are looked at together
GROUP = 64  # samples whose power is summed for the noise estimate


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
