"""Instantaneous frequency of a signal: the FM demodulator everything else builds on."""

from __future__ import annotations

import numpy as np

from earwitness.dsp.jit import kernel


@kernel("float32(float32, float32)")
def angle_of(y: np.float32, x: np.float32) -> np.float32:
    """Give atan2(y, x) in radians by an odd minimax polynomial of five terms, error below 2e-5.

    The coefficients were fitted for this project over 0..1.
    """
    ax = abs(x)
    ay = abs(y)
    top = max(ax, ay)
    z = min(ax, ay) / top if top > np.float32(1e-36) else np.float32(0)  # 1 / top must not overflow
    z2 = z * z
    a = z * (
        np.float32(0.99986633)
        + z2
        * (
            np.float32(-0.33030479)
            + z2 * (np.float32(0.1801593) + z2 * (np.float32(-0.08515635) + z2 * np.float32(0.02084511)))
        )
    )
    if ay > ax:
        a = np.float32(np.pi / 2) - a
    if x < 0:
        a = np.float32(np.pi) - a
    return -a if y < 0 else a


@kernel("float32[::1](complex64[::1], complex64)", fastmath=True)
def phase_steps(iq: np.ndarray, before: complex) -> np.ndarray:
    """Give the phase step in radians from each sample's predecessor, float32 shape (n,).

    `before` is the sample that came before iq[0].
    """
    out = np.empty(len(iq), np.float32)
    pr = before.real
    pi = before.imag
    for i in range(len(iq)):
        r = iq[i].real
        m = iq[i].imag
        x = r * pr + m * pi
        y = m * pr - r * pi
        out[i] = angle_of(y, x)
        pr = r
        pi = m
    return out


def discriminate(iq: np.ndarray, *, rate_hz: float, before: complex = 1 + 0j) -> np.ndarray:
    """Give the instantaneous frequency in Hz, float32 shape (n,), of complex64 I/Q shape (n,)."""
    return phase_steps(np.ascontiguousarray(iq, np.complex64), np.complex64(before)) * np.float32(
        rate_hz / (2 * np.pi)
    )
