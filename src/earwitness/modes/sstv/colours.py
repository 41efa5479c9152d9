"""Luminance and colour differences to red, green, blue and back: ITU-R BT.601 with its 16..235 (from memory)."""

from __future__ import annotations

import numpy as np

_TO = np.array([[65.738, 129.057, 25.064], [-37.945, -74.494, 112.439], [112.439, -94.154, -18.285]]) / 256
_FROM = np.linalg.inv(_TO)
_BASE = np.array([16.0, 128.0, 128.0])


def to_yuv(rgb: np.ndarray) -> np.ndarray:
    """Give (..., 3) Y, U (blue less luminance), V (red less luminance) as levels 0..255, float64."""
    return rgb.astype(np.float64) @ _TO.T + _BASE


def to_rgb(y: np.ndarray, u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """Give uint8 (..., 3) of levels 0..255."""
    yuv = np.stack([y, u, v], axis=-1).astype(np.float64) - _BASE
    return np.clip(np.round(yuv @ _FROM.T), 0, 255).astype(np.uint8)
