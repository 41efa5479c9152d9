"""Averaged power spectra of short stretches."""

from __future__ import annotations

import numpy as np

from earwitness.dsp.jit import kernel


@kernel("void(complex64[:,::1], float32[::1])", fastmath=True)
def _mean_power(spectra: np.ndarray, out: np.ndarray) -> None:
    half = len(out) // 2
    out[:] = 0
    for row in range(len(spectra)):
        rising, falling = spectra[row, : len(out) - half], spectra[row, len(out) - half :]
        for some, sums in ((rising, out[half:]), (falling, out[:half])):
            for i in range(len(some)):
                sums[i] += some[i].real * some[i].real + some[i].imag * some[i].imag
    for i in range(len(out)):
        out[i] /= len(spectra)


def mean_power(spectra: np.ndarray) -> np.ndarray:
    """Give the mean power of spectra complex64 (n, bins) as float32 (bins,), lowest frequency first."""
    out = np.empty(spectra.shape[1], np.float32)
    _mean_power(spectra, out)
    return out
