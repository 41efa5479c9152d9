"""The pulse of Mode S as a receiver shows it, and where a reply has its pulses: tables for a sample rate.

A reply is 8 us of preamble, four pulses of half a microsecond, and then a microsecond a bit: the pulse stands in
its first half for a one, in its second for a zero (ICAO Annex 10 Vol. IV 3.1.2.2).
"""

from __future__ import annotations

import numpy as np

from earwitness.dsp.filters import lowpass

PREAMBLE_US = (0.0, 1.0, 3.5, 4.5)  # where its pulses begin
QUIET_US = (2.0, 2.6, 5.4, 5.9, 6.4, 6.9, 7.4)  # and windows of half a microsecond that it leaves empty
FINE = 16  # fractions of a sample in the matched-filter table
TAPS = 4
COARSE = 2  # phases per sample in the preamble search: those between are told apart by the reading
OVER = 64  # points a sample in which the pulse is drawn


def band_limited(rate_hz: float) -> tuple[np.ndarray, np.ndarray]:
    """Give the 0.5 us pulse as a filter of 0.45 of the rate leaves it, float64 (n,), and its points in samples from its middle."""
    box = np.ones(max(1, round(0.5e-6 * rate_hz * OVER)))
    shape = np.convolve(box, lowpass(0.45, 0.35, OVER, stop_db=30))
    return shape, (np.arange(len(shape)) - (len(shape) - 1) / 2) / OVER


def matched_table(rate_hz: float) -> np.ndarray:
    """Give the matched filter for a 0.5 us pulse, float32 (FINE, TAPS), each row of unit energy.

    Row r, tap j weighs the sample at offset j - 1 from the whole part when the pulse's centre lies
    r / FINE beyond it.
    """
    shape, axis = band_limited(rate_hz)
    where = np.arange(TAPS)[None, :] - 1 - np.arange(FINE)[:, None] / FINE
    table = np.interp(where, axis, shape, left=0.0, right=0.0)
    return (table / np.sqrt((table**2).sum(1, keepdims=True))).astype(np.float32)


def pulse_spread(rate_hz: float) -> np.ndarray:
    """Give the share of a matched-filtered pulse found 0.5, 1 and 1.5 us beside it, float32 (3,)."""
    shape, _ = band_limited(rate_hz)
    own = np.correlate(shape, shape, "full")
    middle = len(own) // 2
    steps = np.round(np.array([0.5, 1.0, 1.5]) * 1e-6 * rate_hz * OVER).astype(int)
    steps = np.minimum(middle + steps, len(own) - 1)
    return (own[steps] / own[middle]).astype(np.float32)


def template_table(rate_hz: float) -> np.ndarray:
    """Give the band-limited pulse itself, float32 (FINE, 6): tap j is the sample at offset j - 2."""
    shape, axis = band_limited(rate_hz)
    where = np.arange(6)[None, :] - 2 - np.arange(FINE)[:, None] / FINE
    return np.interp(where, axis, shape / shape.max(), left=0.0, right=0.0).astype(np.float32)


def window_weights(rate_hz: float) -> np.ndarray:
    """Give the overlap of a 0.5 us window at each coarse phase with the samples, float32 (COARSE, 3).

    Up to 4 MS/s it is two samples long, and no later than half of one: the fourth has no part in it.
    """
    width = 0.5e-6 * rate_hz
    start = np.arange(COARSE)[:, None] / COARSE
    at = np.arange(3)[None, :]
    return np.clip(np.minimum(start + width, at + 0.5) - np.maximum(start, at - 0.5), 0, None).astype(
        np.float32
    )


def pulse_places(rate_hz: float) -> np.ndarray:
    """Give where each preamble pulse falls, int64 (2, COARSE, 4): phase row, then whole samples."""
    quarters = np.arange(COARSE)[:, None] + np.round(np.array(PREAMBLE_US)[None, :] * 1e-6 * rate_hz * COARSE)
    return np.stack([quarters % COARSE, quarters // COARSE]).astype(np.int64)


def quiet_places(rate_hz: float) -> np.ndarray:
    """Give the whole-sample offsets of the windows that a preamble leaves empty, int64 (7,)."""
    return np.round(np.array(QUIET_US) * 1e-6 * rate_hz).astype(np.int64)
