"""The receiver's frequency error, from emissions whose true frequency is known.

Most transmitters keep their channel within a few parts per million, a cheap receiver is off by tens: the
median over several emissions tells the receiver from the transmitters.
"""

from __future__ import annotations

from collections.abc import Iterable

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
