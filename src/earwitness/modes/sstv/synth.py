"""A slow-scan transmission of an invented picture, single sideband or through an FM transmitter."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from earwitness.core.errors import ParameterError
from earwitness.core.types import Bits
from earwitness.modes.sstv.colours import to_yuv
from earwitness.modes.sstv.formats import (
    BIT_S,
    BLACK_HZ,
    BREAK_S,
    BY_NAME,
    LEADER_HZ,
    LEADER_S,
    SYNC_HZ,
    WHITE_HZ,
    Format,
    vis_bits,
)

MIDDLE_HZ = 1900.0


def transmit(item: Mapping[str, Any], rate_hz: float) -> np.ndarray:
    """Give the transmission of an item, complex64 of unit power.

    Keys: `format` ("Martin 1"), `seed` (1), `lines` (all of the format's sync pulses), `vis` (true), `via`
    ("ssb": 1900 Hz of the audio at 0 Hz; "fm": as audio on a carrier at 0 Hz), `deviation_hz` (3000),
    `clock_ppm` (0: lines are that much too long).
    """
    kind = BY_NAME.get(str(item.get("format", "Martin 1")))
    lines = int(item.get("lines", kind.lines if kind else 0))
    if kind is None or not 1 <= lines <= kind.lines:
        raise ParameterError(f"{item.get('format')!r} of {lines} lines: known are {', '.join(BY_NAME)}")
    parts: list[tuple[float, np.ndarray]] = []  # (seconds, frequencies spread evenly over them)
    if item.get("vis", True):
        tones = [1100.0 if bit else 1300.0 for bit in vis_bits(kind.vis)]
        parts += [(LEADER_S, _tone(LEADER_HZ)), (BREAK_S, _tone(SYNC_HZ)), (LEADER_S, _tone(LEADER_HZ))]
        parts += [(BIT_S, _tone(hz)) for hz in (SYNC_HZ, *tones, SYNC_HZ)]
    parts += _lines(kind, pictures(item)[0], lines)
    stretch = 1 + float(item.get("clock_ppm", 0.0)) * 1e-6
    ends = np.cumsum([seconds for seconds, _ in parts]) * stretch
    count = int(ends[-1] * rate_hz)
    time_s = np.arange(count) / rate_hz
    which = np.minimum(np.searchsorted(ends, time_s, side="right"), len(parts) - 1)
    starts = np.concatenate([[0.0], ends[:-1]])
    offsets = np.concatenate([[0], np.cumsum([len(hz) for _, hz in parts])])
    sizes = np.diff(offsets)
    share = (time_s - starts[which]) / (ends - starts)[which]
    place = offsets[which] + np.minimum((share * sizes[which]).astype(np.int64), sizes[which] - 1)
    hz = np.concatenate([values for _, values in parts])[place]
    if item.get("via", "ssb") != "fm":
        return np.exp(2j * np.pi * np.cumsum(hz - MIDDLE_HZ) / rate_hz).astype(np.complex64)
    audio = np.cos(2 * np.pi * np.cumsum(hz) / rate_hz) * float(item.get("deviation_hz", 3_000.0))
    return np.exp(2j * np.pi * np.cumsum(audio) / rate_hz).astype(np.complex64)


def _tone(hz: float) -> np.ndarray:
    return np.array([hz])


def _level(values: np.ndarray) -> np.ndarray:
    return BLACK_HZ + (WHITE_HZ - BLACK_HZ) * np.asarray(values, np.float64) / 255


def _lines(kind: Format, rgb: np.ndarray, lines: int) -> list[tuple[float, np.ndarray]]:
    yuv = to_yuv(rgb)
    out: list[tuple[float, np.ndarray]] = []
    if kind.lead_s:
        out.append((kind.sync_s, _tone(SYNC_HZ)))
    for line in range(lines):
        top = rgb[line * kind.rows].astype(np.float64)
        ys = yuv[line * kind.rows : (line + 1) * kind.rows]
        both = yuv[line // 2 * 2 : line // 2 * 2 + 2] if kind.name == "Robot 36" else ys
        values = {
            "R": top[:, 0],
            "G": top[:, 1],
            "B": top[:, 2],
            "Y": ys[0, :, 0],
            "Y2": ys[-1, :, 0],
            "U": ys[:, :, 1].mean(axis=0),
            "V": ys[:, :, 2].mean(axis=0),
            "C": both[:, :, 1 if line % 2 else 2].mean(axis=0),
        }
        at = min(kind.scans[0].start_s, 0.0) - (1.5e-3 if kind.lead_s else 0.0)
        for scan in kind.scans:
            if at <= 0.0 < scan.start_s:  # the pulse comes first
                out.append((kind.sync_s, _tone(SYNC_HZ)))
                at = kind.sync_s
            gap_s = scan.start_s - at
            if scan.colour == "C":
                out += [(4.5e-3, _tone(WHITE_HZ if line % 2 else BLACK_HZ)), (gap_s - 4.5e-3, _tone(1900.0))]
            elif gap_s > 1e-9:
                out.append((gap_s, _tone(BLACK_HZ)))
            out.append((scan.length_s, _level(values[scan.colour])))
            at = scan.start_s + scan.length_s
            if abs(at) < 1e-9:
                at = 0.0
        rest_s = (
            kind.line_s - sum(seconds for seconds, _ in out) % kind.line_s
            if kind.name.startswith("Martin")
            else 0
        )
        if rest_s:
            out.append((0.572e-3, _tone(BLACK_HZ)))
    return out


def examples() -> list[dict[str, Any]]:
    """Give items of every kind."""
    return [
        {"format": "Robot 36", "seed": 1, "lines": 80, "via": "fm", "clock_ppm": 30},
        {"format": "Martin 2", "seed": 2, "lines": 60},
        {"format": "PD 50", "seed": 3, "lines": 48, "vis": False},
        {"format": "Scottie 2", "seed": 4, "lines": 50, "via": "fm"},
    ]


def payloads(item: Mapping[str, Any]) -> list[Bits]:
    """Give nothing: a picture carries no bits."""
    return []


def pictures(item: Mapping[str, Any]) -> list[np.ndarray]:
    """Give the picture as sent, uint8 (rows, width, 3): invented coloured shapes, seeded."""
    kind = BY_NAME[str(item.get("format", "Martin 1"))]
    rows = int(item.get("lines", kind.lines)) * kind.rows
    rng = np.random.default_rng(int(item.get("seed", 1)))
    x = np.arange(kind.width) / kind.width
    y = np.arange(rows)[:, None] / (kind.lines * kind.rows)
    out = np.empty((rows, kind.width, 3))
    for colour in range(3):
        out[:, :, colour] = 128 + 90 * np.sin(
            2 * np.pi * (rng.normal() * x + rng.normal() * y + rng.random())
        )
    for _ in range(60):
        cx, cy, size = rng.random(), rng.random(), 0.02 + 0.08 * rng.random()
        shape = np.hypot(x - cx, 0.8 * (y - cy)) < size
        if rng.random() < 0.5:
            shape = (np.abs(x - cx) < size) & (np.abs(y - cy) < 0.6 * size)
        out[shape] = rng.integers(0, 256, 3)
    return [np.clip(out, 0, 255).astype(np.uint8)]
