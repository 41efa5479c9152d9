"""A transmitter for scenes and tests: one burst of AX.25 in any of the modulations in use.

Tones and deviations: 1200 and 2200 Hz at +-3 kHz (Bell 202 tones, land mobile deviation: common practice);
direct FSK +-3 kHz at 9600 Bd with the spectrum -6 dB at 4800 Hz (J. R. Miller 1988), in proportion at other rates;
phase reversals with root-raised-cosine shaping of 0.5 (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from earwitness.coding.hdlc import FLAG, encode, nrzi_encode
from earwitness.coding.scramble import scramble
from earwitness.core.errors import LayoutError
from earwitness.core.types import Bits
from earwitness.dsp.filters import convolve_valid, gaussian, root_raised_cosine
from earwitness.modes.ax25.frame import LEAST_OCTETS, MOST_OCTETS, build

TONE_DEVIATION_HZ = 3000.0
TONE_HZ = (1200.0, 2200.0)
INDEX = 0.625  # deviation over half the rate: 3 kHz at 9600 Bd
BT = 0.5
ROLL_OFF = 0.5
LEAD_S = 0.25
TAIL_FLAGS = 3


def octets(item: Mapping[str, Any]) -> bytes:
    """Give the frame's octets without FCS: of `frame_hex`, or of source, destination, path and text."""
    if "frame_hex" in item:
        raw = bytes.fromhex(item["frame_hex"])
    else:
        info = bytes.fromhex(item["info_hex"]) if "info_hex" in item else item.get("text", "").encode("utf-8")
        raw = build(item["source"], item.get("destination", "TEST"), info, path=tuple(item.get("path", ())))
    if not LEAST_OCTETS <= len(raw) <= MOST_OCTETS:
        raise LayoutError(f"a frame of {len(raw)} octets; give {LEAST_OCTETS} to {MOST_OCTETS}")
    return raw


def line(item: Mapping[str, Any]) -> np.ndarray:
    """Give line levels 0 and 1 of a burst: flags, frame, flags, NRZI, scrambled when the item says so."""
    baud = float(item.get("baud", 1200))
    lead = max(round(float(item.get("lead_s", LEAD_S)) * baud / 8), 8)
    bits = np.concatenate([np.tile(FLAG, lead), encode(octets(item)), np.tile(FLAG, TAIL_FLAGS)])
    levels = nrzi_encode(bits)
    return scramble(levels) if item.get("scrambled") else levels


def _held(levels: np.ndarray, baud: float, rate_hz: float) -> np.ndarray:
    """Give the line as +-1 held over each symbol, float64."""
    count = int(len(levels) * rate_hz / baud)
    at = np.minimum(((np.arange(count) + 0.5) * baud / rate_hz).astype(np.int64), len(levels) - 1)
    return np.asarray(2.0 * levels[at] - 1)


def modulate(levels: np.ndarray, modulation: str, baud: float, rate_hz: float) -> np.ndarray:
    """Give the carrier at 0 Hz, complex64 (n,), amplitude 1 (mean power 1 for phase reversals)."""
    if modulation == "afsk":
        tone = np.where(_held(levels, baud, rate_hz) > 0, TONE_HZ[0], TONE_HZ[1])
        sound = np.sin(2 * np.pi * np.cumsum(tone) / rate_hz)
        return np.exp(2j * np.pi * TONE_DEVIATION_HZ * np.cumsum(sound) / rate_hz).astype(np.complex64)
    if modulation == "fsk":
        pulse = gaussian(BT, rate_hz / baud, 2).astype(np.float32)
        held = np.pad(_held(levels, baud, rate_hz), len(pulse) // 2).astype(np.float32)
        shaped = convolve_valid(held, pulse).astype(np.float64)
        return np.exp(1j * np.pi * INDEX * baud * np.cumsum(shaped) / rate_hz).astype(np.complex64)
    if modulation == "bpsk":
        per = rate_hz / baud
        pulse = root_raised_cosine(ROLL_OFF, per, 6)
        out = np.zeros(int(len(levels) * per) + len(pulse) + 1)
        span = len(pulse) // 2
        t = np.arange(-span, span + 1)
        fine = root_raised_cosine(ROLL_OFF, per * 32, 6)
        middle = len(fine) // 2
        for k, sign in enumerate((2.0 * levels - 1).tolist()):
            place = (k + 0.5) * per
            whole = int(place)
            index = middle + np.round((t - (place - whole)) * 32).astype(np.int64)
            inside = (index >= 0) & (index < len(fine))
            out[whole : whole + len(t)] += sign * np.where(inside, fine[np.clip(index, 0, len(fine) - 1)], 0)
        out = out[span : span + int(len(levels) * per)]
        return (out / np.sqrt(np.mean(out**2))).astype(np.complex64)
    raise LayoutError(f"modulation {modulation!r}; give afsk, fsk or bpsk")


def transmit(item: Mapping[str, Any], rate_hz: float) -> np.ndarray:
    """Give the burst of one frame: complex64 shape (n,), 0 Hz carrier, unit mean power."""
    out = modulate(line(item), item.get("modulation", "afsk"), float(item.get("baud", 1200)), rate_hz)
    return np.asarray(out / np.sqrt(np.mean(np.abs(out) ** 2)), np.complex64)


def payloads(item: Mapping[str, Any]) -> list[Bits]:
    """Give what a right receiver reports: address to information, octets in order."""
    raw = octets(item)
    return [Bits(int.from_bytes(raw, "big"), 8 * len(raw))]


def examples() -> list[dict[str, Any]]:
    """Give one item of each modulation and format; stations and places are invented."""
    hill = {"source": "QX1AB-9", "destination": "TEST", "path": ["QX0HIL-2*", "WIDE2-1"]}
    return [
        {**hill, "modulation": "afsk", "text": "!5030.12N/00407.50W>145/036 on the moor road"},
        {
            "source": "QX5SAT-1", "destination": "QX5GND", "modulation": "fsk", "baud": 9600, "scrambled": True,
            "info_hex": "0102030405060708" * 12,
        },
        {
            "source": "QX7SAT", "destination": "QX7GND", "modulation": "bpsk", "baud": 1200,
            "text": "invented telemetry 12.3 4.56 78",
        },
        {
            "source": "QX6SAT", "destination": "QX6GND", "modulation": "bpsk", "baud": 9600, "scrambled": True,
            "info_hex": "A55A00FF" * 20,
        },
        {"source": "QX6SAT", "destination": "QX6GND", "modulation": "fsk", "baud": 4800, "text": "beacon"},
        {**hill, "text": "@251230z/5L!!<*e7_7P[g005t077r000p010h50b09900 shore weather"},
        {**hill, "text": ">Net control until 2100"},
        {**hill, "text": "T#005,199,000,255,073,123,01101001"},
        {**hill, "text": ":QX2CD    :see you at the slipway{003"},
        {**hill, "text": ";BUOY 7   *251230z5019.50N/00409.10W-swept"},
    ]  # fmt: skip
