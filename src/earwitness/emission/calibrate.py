"""The receiver's frequency error, from emissions whose true frequency is known.

Most transmitters keep their channel within a few parts per million, a cheap receiver is off by tens: the
median over several emissions tells the receiver from the transmitters.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from earwitness.core.errors import ParameterError

TRANSMITTER_PPM = 2.0  # standard uncertainty of one transmitter's own frequency; land mobile 1.5 to 5 ppm


def frequency_error_ppm(
    pairs: Iterable[tuple[float, float]], *, transmitter_ppm: float = TRANSMITTER_PPM
) -> tuple[float, float]:
    """Give (error, standard uncertainty) in ppm of what the receiver reads: (read - true) / true.

    `pairs` are (frequency read in Hz, true frequency in Hz). The median is taken, so that fewer than half
    of the pairs may be wrong altogether. `transmitter_ppm` is how well a single transmitter is trusted (0
    for broadcast pilots locked to a standard). Raises ParameterError when there is no pair.
    """
    errors = []
    for read, true in pairs:
        if not (np.isfinite(read) and np.isfinite(true) and true > 0):
            raise ParameterError(
                f"frequencies {read} and {true}: both must be finite and the true one positive"
            )
        errors.append((read - true) / true * 1e6)
    if not errors:
        raise ParameterError("no emission of known frequency given; at least one is needed")
    values = np.array(errors)
    middle = float(np.median(values))
    # 1.4826 MAD is the standard deviation of Gaussian errors; a median wavers 1.2533 times as a mean.
    scatter = 1.4826 * float(np.median(np.abs(values - middle)))
    each = max(scatter if len(values) >= 3 else 0.0, transmitter_ppm)
    factor = 1.0 if len(values) < 3 else 1.2533
    return middle, factor * each / float(np.sqrt(len(values)))


def apply_ppm(read_hz: float, error_ppm: float) -> float:
    """Give the true frequency in Hz of one read by a receiver with this error."""
    return read_hz / (1 + error_ppm * 1e-6)


def raster_pairs(
    frequencies_hz: Sequence[float], step_hz: float, base_hz: float = 0.0, *, limit_ppm: float = 100.0
) -> list[tuple[float, float]]:
    """Give (read, true) pairs of emissions that lie on a channel raster base + k x step.

    The common error within +-limit_ppm that brings most of them onto the raster is found first; with few
    channels and a fine raster several errors do equally well, and the smallest is taken. Raises
    ParameterError for an empty list or a step that is not positive.
    """
    if not len(frequencies_hz) or not step_hz > 0:
        raise ParameterError("a raster needs at least one frequency and a step above zero")
    read = np.asarray(frequencies_hz, float)
    fine = 0.02 * step_hz / float(read.max()) * 1e6
    grid = np.arange(-limit_ppm, limit_ppm + fine, fine)
    off = (read[None, :] / (1 + grid[:, None] * 1e-6) - base_hz) / step_hz
    fit = np.cos(2 * np.pi * off).mean(axis=1) - 1e-4 * np.abs(grid)
    best = grid[int(np.argmax(fit))] * 1e-6
    true = base_hz + np.round((read / (1 + best) - base_hz) / step_hz) * step_hz
    return list(zip(read.tolist(), true.tolist(), strict=True))
