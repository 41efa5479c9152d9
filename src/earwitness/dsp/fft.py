"""The FFT back end: scipy's, single precision kept. `numpy.fft` is 3 to 10 times slower here."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy import fft as _fft


def forward(x: np.ndarray, n: int | None = None, *, overwrite: bool = False) -> Any:
    """Give the complex64 FFT along the last axis."""
    return _fft.fft(x, n, axis=-1, overwrite_x=overwrite)


def inverse(x: np.ndarray, n: int | None = None, *, overwrite: bool = False) -> Any:
    """Give the inverse complex64 FFT along the last axis (scaled by 1/n)."""
    return _fft.ifft(x, n, axis=-1, overwrite_x=overwrite)


def forward_real(x: np.ndarray, n: int | None = None) -> Any:
    """Give the first n // 2 + 1 values, complex64, of the FFT of float32 values along the last axis."""
    return _fft.rfft(x, n, axis=-1)


def inverse_real(x: np.ndarray, n: int) -> Any:
    """Give the n float32 values whose FFT begins with the n // 2 + 1 values along the last axis."""
    return _fft.irfft(x, n, axis=-1)


def good_size(n: int) -> int:
    """Give the smallest size not below n that the back end does fast."""
    return int(_fft.next_fast_len(n))
