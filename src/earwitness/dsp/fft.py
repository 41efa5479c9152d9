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


def good_size(n: int) -> int:
    """Give the smallest size not below n that the back end does fast."""
    return int(_fft.next_fast_len(n))
