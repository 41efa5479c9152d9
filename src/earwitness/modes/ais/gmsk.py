"""The GMSK waveform of AIS (ITU-R M.1371: 9600 bit/s, h = 0.5, BT = 0.4), as phase and as a linear pulse.

Laurent (IEEE Trans. COM-34, 1986) writes binary continuous-phase modulation as a sum of amplitude-
modulated pulses. With h = 0.5 and BT = 0.4 the first pulse carries 99.9 % of the energy, so that
s(t) = sum b_k j^k C0(t - kT), where b_k is the running product of the levels (+1, -1).
"""

from __future__ import annotations

from math import erf, log, pi, sqrt

import numpy as np

SYMBOL_RATE_HZ = 9600.0
BT = 0.4
SPAN = 4  # symbols the frequency pulse is cut to


def phase_pulse(per_symbol: int, bt: float = BT) -> np.ndarray:
    """Give the share 0..1 of one symbol's phase step done so far, shape (SPAN * per_symbol + 1,).

    The frequency pulse is a rectangle of one symbol through a Gaussian filter of 3 dB bandwidth bt/T,
    its middle in the middle of the array.
    """
    k = 2 * pi * bt / sqrt(log(2))
    t = (np.arange(SPAN * per_symbol) + 0.5) / per_symbol - SPAN / 2
    pulse = np.array([erf(k * (x + 0.5) / sqrt(2)) - erf(k * (x - 0.5) / sqrt(2)) for x in t])
    return np.concatenate([[0.0], np.cumsum(pulse)]) / pulse.sum()


def main_pulse(per_symbol: int, bt: float = BT) -> np.ndarray:
    """Give Laurent's first pulse C0, shape ((SPAN + 1) * per_symbol + 1,), peak near 1 in the middle.

    The middle lies at the end of the symbol's own interval.
    """
    step = phase_pulse(per_symbol, bt)
    rise = np.sin(pi / 2 * step)
    both = np.concatenate([rise, rise[-2::-1]])
    size = (SPAN + 1) * per_symbol + 1
    out = np.ones(size)
    for i in range(SPAN):
        part = both[i * per_symbol : i * per_symbol + size]
        out *= np.pad(part, (0, size - len(part)))
    return out


def modulate(levels: np.ndarray, rate_hz: float, *, bt: float = BT) -> np.ndarray:
    """Give the unit-envelope signal of levels 0/1, complex64, len(levels) symbols long at `rate_hz`.

    Sample 0 is the start of the first symbol. Before the first and after the last symbol their levels are
    taken to go on.
    """
    grid = 32
    pad = SPAN // 2
    signs = 2.0 * np.pad(np.asarray(levels, np.int64), pad, mode="edge") - 1
    frequency = np.zeros(((len(signs) - 1) * grid + SPAN * grid,))
    pulse = np.diff(phase_pulse(grid, bt))
    for k, sign in enumerate(signs):
        frequency[k * grid : k * grid + SPAN * grid] += sign * pulse
    phase = pi / 2 * np.concatenate([[0.0], np.cumsum(frequency)])
    count = int(np.floor(len(levels) * rate_hz / SYMBOL_RATE_HZ))
    # Padded symbol k has its pulse's middle, half a symbol after its start, at (k + SPAN / 2) * grid.
    at = (np.arange(count) * SYMBOL_RATE_HZ / rate_hz + pad + SPAN / 2 - 0.5) * grid
    return np.exp(1j * np.interp(at, np.arange(len(phase)), phase)).astype(np.complex64)
