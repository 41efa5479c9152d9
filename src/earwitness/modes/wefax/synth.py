"""A weather chart by facsimile: start tone, phasing, an invented chart, stop tone."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from earwitness.core.errors import ParameterError
from earwitness.core.types import Bits

START_TONE_HZ = {576: 300.0, 288: 675.0}
STOP_TONE_HZ = 450.0
PULSE_SHARE = 0.05  # of a phasing line
VIDEO_HZ = 1_400.0  # what a transmitter's audio filter leaves of sharp edges


def transmit(item: Mapping[str, Any], rate_hz: float) -> np.ndarray:
    """Give the transmission of an item, complex64 of unit power, the middle between black and white at 0 Hz.

    Keys: `lines` (60), `seed` (1), `ioc` (576), `lines_per_minute` (120), `shift_hz` (800; 300 at LF),
    `start_s` (5; 0: no tone), `phasing_s` (15), `inverted_phasing`, `stop_s` (5), `black_s` (0: after the
    stop tone), `clock_ppm` (0: the sender's lines are that much too long), `photo` (false: greys), `light` (1: of a photograph; less is darker).
    """
    lines, ioc = int(item.get("lines", 60)), int(item.get("ioc", 576))
    per_minute, shift = float(item.get("lines_per_minute", 120)), float(item.get("shift_hz", 800.0))
    if ioc not in START_TONE_HZ or not 1 <= lines <= 5000 or not 30 <= per_minute <= 360:
        raise ParameterError(f"a chart of {lines} lines, IOC {ioc}, {per_minute} lines a minute is none")
    line_s = 60.0 / per_minute * (1 + float(item.get("clock_ppm", 0.0)) * 1e-6)
    chart = pictures(item)[0].astype(np.float32) / 255
    white_first = np.zeros(chart.shape[1], np.float32)
    white_first[: round(PULSE_SHARE * len(white_first))] = 1
    if item.get("inverted_phasing"):
        white_first = 1 - white_first
    phasing = round(float(item.get("phasing_s", 15.0)) / line_s)
    page = np.concatenate([np.tile(white_first, (phasing, 1)), chart])
    level = [
        _alternating(float(item.get("start_s", 5.0)), START_TONE_HZ[ioc], rate_hz),
        _scanned(page, line_s, rate_hz),
        _alternating(float(item.get("stop_s", 5.0)), STOP_TONE_HZ, rate_hz),
        np.zeros(round(float(item.get("black_s", 0.0)) * rate_hz)),
    ]
    hz = (np.concatenate(level) - 0.5) * shift
    taps = np.hanning(max(round(rate_hz / VIDEO_HZ), 1) + 2)[1:-1]
    hz = np.convolve(hz, taps / taps.sum(), "same")
    return np.exp(2j * np.pi * np.cumsum(hz) / rate_hz).astype(np.complex64)


def _alternating(seconds: float, tone_hz: float, rate_hz: float) -> np.ndarray:
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    return (np.floor(2 * tone_hz * time_s) % 2).astype(np.float64)


def _scanned(page: np.ndarray, line_s: float, rate_hz: float) -> np.ndarray:
    place = np.arange(round(len(page) * line_s * rate_hz)) / (rate_hz * line_s) * page.shape[1]
    return page.ravel()[np.minimum(place.astype(np.int64), page.size - 1)].astype(np.float64)


def examples() -> list[dict[str, Any]]:
    """Give items of every kind."""
    return [
        {"lines": 40, "seed": 1, "phasing_s": 8, "start_s": 3, "stop_s": 3, "clock_ppm": 40},
        {
            "lines": 30,
            "seed": 2,
            "ioc": 288,
            "lines_per_minute": 60,
            "phasing_s": 8,
            "start_s": 3,
            "stop_s": 3,
        },
        {"lines": 48, "seed": 3, "phasing_s": 0, "start_s": 0, "stop_s": 0, "photo": True},
    ]


def payloads(item: Mapping[str, Any]) -> list[Bits]:
    """Give nothing: a picture carries no bits."""
    return []


def pictures(item: Mapping[str, Any]) -> list[np.ndarray]:
    """Give the chart as sent, uint8 (lines, pixels)."""
    width = round(np.pi * int(item.get("ioc", 576)))
    light = float(item.get("light", 1.0))
    return [
        invent(int(item.get("lines", 60)), width, int(item.get("seed", 1)), bool(item.get("photo")), light)
    ]


def invent(lines: int, width: int, seed: int, photo: bool, light: float = 1.0) -> np.ndarray:
    """Give a chart nobody drew: isobars of a made-up field, a frame, meridians, labels; or a cloud photograph."""
    rng = np.random.default_rng(seed)
    x, y = np.arange(width) / width, np.arange(lines)[:, None] / 1200.0
    field = np.zeros((lines, width))
    for _ in range(14):
        fx, fy = rng.normal(0, 3.0, 2)
        field += rng.normal() / (1 + np.hypot(fx, fy)) * np.cos(2 * np.pi * (fx * x + fy * y + rng.random()))
    if photo:
        grain = np.cumsum(rng.standard_normal((lines, width)), axis=1)
        grain -= np.linspace(0, 1, width) * grain[:, -1:]
        field = field / field.std() + 0.3 * grain / grain.std()
        out = np.clip(127 + 70 * field, 0, 255) * light
    else:
        level = 6.0 * field / field.std()
        slope = np.hypot(*np.gradient(level)) + 1e-6
        line = np.abs(level - np.round(level)) / slope < 1.3  # isobars about three pixels wide
        out = np.where(line, 0.0, 255.0)
        for at in np.arange(0.1, 1.0, 0.2):
            out[:, int(at * width) : int(at * width) + 2] = 0
        for _ in range(max(lines * width // 30_000, 1)):  # labels: blocks of strokes
            top, left = rng.integers(0, max(lines - 14, 1)), rng.integers(0, width - 60)
            out[top : top + 14, left : left + 40] = np.repeat(rng.integers(0, 2, (7, 10)) * 255, 2, 0).repeat(
                4, 1
            )[: max(min(14, lines - top), 0)]
    border = max(width // 200, 2)
    out[:, : round(0.045 * width)] = 255  # the sector in which the drum's clamp was
    out[:, round(0.045 * width) : round(0.045 * width) + border] = 0
    out[:, -border:] = 0
    return out.astype(np.uint8)
