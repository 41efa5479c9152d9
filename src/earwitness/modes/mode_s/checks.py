"""The format and the parity of decided bits, compiled."""

from __future__ import annotations

import numpy as np

from earwitness.dsp.jit import kernel
from earwitness.modes.mode_s.parity import SYNDROMES

SYNDROME = np.array(SYNDROMES, np.int64)


@kernel("int64(uint8[::1])")
def format_of(bits):  # type: ignore[no-untyped-def]
    """Give the downlink format of a reply's bits: the first five."""
    return bits[0] * 16 + bits[1] * 8 + bits[2] * 4 + bits[3] * 2 + bits[4]


@kernel("int64(uint8[::1], int64)")
def remainder_of(bits, size):  # type: ignore[no-untyped-def]
    """Give what the parity leaves of `size` bits (56 or 112)."""
    out = 0
    at = 112 - size
    for n in range(size):
        out ^= SYNDROME[at + n] & -np.int64(bits[n])
    return out
