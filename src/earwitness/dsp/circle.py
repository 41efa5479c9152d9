"""The constant that a receiver adds to a signal of constant size: where the circle of its samples has its centre.

The mean would do for what turns all the time, and take the carrier away from what stands still; a circle fitted to
the samples does neither, where there is one (Kåsa's least squares, IEEE Trans. Instrumentation and Measurement 1976,
from memory).
"""

from __future__ import annotations

import numpy as np

EVEN = 0.8  # variance of the power about the centre, over its mean squared: 1 of noise, 0.6 of a signal 3 dB above it


def centre(iq: np.ndarray) -> complex | None:
    """Give the centre of the circle that complex64 (n,) lie about; None where they lie about none."""
    if len(iq) < 3:
        return None
    mean = complex(np.mean(iq, dtype=np.complex128))
    x, y = (part.astype(np.float64) for part in ((iq - mean).real, (iq - mean).imag))
    size = x * x + y * y
    xx, yy, xy = x @ x, y @ y, x @ y
    right_x, right_y = 0.5 * (size @ x), 0.5 * (size @ y)
    whole = xx * yy - xy * xy
    if whole <= 1e-9 * (xx + yy) ** 2:
        return None
    off = (yy * right_x - xy * right_y) / whole, (xx * right_y - xy * right_x) / whole
    found = mean + complex(float(off[0]), float(off[1]))
    left = iq - np.complex64(found)
    power = left.real**2 + left.imag**2
    uneven = float(np.var(power, dtype=np.float64)) / (float(np.mean(power, dtype=np.float64)) ** 2 + 1e-60)
    return found if uneven < EVEN else None
