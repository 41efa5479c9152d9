"""The colours of every picture: one ramp from paper to ink, and a few inks for marks.

The ramp is straight in lightness and even in step, so that equal decibels look equally different, in grey
print and to colour-blind eyes too. It is laid out in OKLab (B. Ottosson 2020; matrices as printed in
W3C CSS Color 4, section on OKLab).
"""

from __future__ import annotations

from functools import cache

import numpy as np

PAPER = (252, 250, 244)
INK = (38, 36, 48)
FAINT = (221, 216, 204)  # grid lines
QUIET = (112, 107, 103)  # axis text
VERMILION = (196, 66, 28)  # marks over the ramp: warm against its blue-greens
OCHRE = (168, 118, 16)
SLATE = (58, 104, 124)  # curves

_LMS = np.array(
    [
        [1.0, 0.3963377774, 0.2158037573],
        [1.0, -0.1055613458, -0.0638541728],
        [1.0, -0.0894841775, -1.2914855480],
    ]
)
_RGB = np.array(
    [
        [4.0767416621, -3.3077115913, 0.2309699292],
        [-1.2684380046, 2.6097574011, -0.3413193965],
        [-0.0041960863, -0.7034186147, 1.7076147010],
    ]
)

# lightness, chroma, hue in degrees: paper, lichen, tarn, night
_STOPS = np.array(
    [
        [0.985, 0.008, 95.0],
        [0.840, 0.048, 150.0],
        [0.630, 0.074, 205.0],
        [0.420, 0.082, 255.0],
        [0.215, 0.055, 295.0],
    ]
)


def oklab_to_srgb(lab: np.ndarray) -> np.ndarray:
    """Give sRGB 0..1, shape (n, 3), clipped, of OKLab values shape (n, 3)."""
    linear = ((lab @ _LMS.T) ** 3) @ _RGB.T
    linear = np.clip(linear, 0, 1)
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)


def srgb_to_oklab(rgb: np.ndarray) -> np.ndarray:
    """Give OKLab values shape (n, 3) of sRGB 0..1 shape (n, 3)."""
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    return np.cbrt(linear @ np.linalg.inv(_RGB).T) @ np.linalg.inv(_LMS).T


@cache
def ramp(count: int = 256) -> np.ndarray:
    """Give the ramp as uint8 shape (count, 3), paper first; steps are equal in OKLab."""
    at = np.linspace(0, len(_STOPS) - 1, 4001)
    grid = np.arange(len(_STOPS))
    lightness, chroma, hue = (np.interp(at, grid, _STOPS[:, k]) for k in range(3))
    smooth = np.hanning(401)
    smooth /= smooth.sum()

    def soften(x: np.ndarray) -> np.ndarray:
        padded = np.concatenate([2 * x[0] - x[200:0:-1], x, 2 * x[-1] - x[-2:-202:-1]])
        return np.convolve(padded, smooth, "valid")

    angle = np.deg2rad(soften(hue))
    chroma = soften(chroma)
    lab = np.stack([soften(lightness), chroma * np.cos(angle), chroma * np.sin(angle)], axis=1)
    length = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(lab, axis=0), axis=1))])
    wanted = np.linspace(0, length[-1], count)
    even = np.stack([np.interp(wanted, length, lab[:, k]) for k in range(3)], axis=1)
    return np.round(oklab_to_srgb(even) * 255).astype(np.uint8)


def shade(level: np.ndarray) -> np.ndarray:
    """Give uint8 RGB shape (..., 3) of levels 0..1."""
    index = (np.clip(np.nan_to_num(level), 0, 1) * 255).astype(np.uint8)
    return ramp()[index]
