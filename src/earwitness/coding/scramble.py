"""Scramblers: the self-synchronising kind of packet radio, and additive sequences of telemetry standards."""

from __future__ import annotations

import numpy as np

from earwitness.core.errors import ParameterError
from earwitness.dsp.jit import kernel

PACKET_TAPS = (12, 17)  # 1 + x^12 + x^17: J. R. Miller 1988 for 9600 baud packet radio


@kernel("void(uint8[::1], int64[::1], uint8[::1])")
def _scramble(bits: np.ndarray, taps: np.ndarray, out: np.ndarray) -> None:
    for n in range(len(bits)):
        bit = bits[n]
        for tap in taps:
            if n >= tap:
                bit ^= out[n - tap]
        out[n] = bit


def scramble(bits: np.ndarray, taps: tuple[int, ...] = PACKET_TAPS) -> np.ndarray:
    """Give line bits s(n) = d(n) + s(n - tap) + ... modulo 2, uint8 shape (n,), started from zeros."""
    out = np.empty(len(bits), np.uint8)
    _scramble(np.ascontiguousarray(bits, np.uint8), np.array(taps, np.int64), out)
    return out


def descramble(line: np.ndarray, taps: tuple[int, ...] = PACKET_TAPS) -> np.ndarray:
    """Give data bits d(n) = r(n) + r(n - tap) + ... modulo 2; right from bit max(taps) on, whatever went before."""
    line = np.asarray(line, np.uint8)
    out = line.copy()
    for tap in taps:
        out[tap:] ^= line[: max(len(line) - tap, 0)]
    return out


def sequence(count: int, exponents: tuple[int, ...], width: int) -> np.ndarray:
    """Give `count` bits of a shift register of `width` stages started with ones, uint8.

    `exponents` are those of h(x) below `width`, as CCSDS 131.0-B prints h(x) = x^8 + x^7 + x^5 + x^3 + 1: the
    next bit is the sum of the bits width - e before it.
    """
    if not exponents or max(exponents) >= width or min(exponents) < 0:
        raise ParameterError(f"exponents {exponents} for a register of {width}; give 0 to {width - 1}")
    out = np.ones(max(count, width), np.uint8)
    lags = [width - e for e in exponents]
    for n in range(width, count):
        out[n] = sum(int(out[n - lag]) for lag in lags) & 1
    return out[:count]


CCSDS_EXPONENTS = (7, 5, 3, 0)


def ccsds_sequence(octets: int) -> bytes:
    """Give the randomizer of CCSDS telemetry: x^8 + x^7 + x^5 + x^3 + 1 from all ones, period 255 bits."""
    return np.packbits(sequence(8 * octets, CCSDS_EXPONENTS, 8)).tobytes()
