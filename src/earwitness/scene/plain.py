"""Emissions of no mode: the plain kinds a scene may state beside the modes' own transmitters.

Each makes a burst of complex64 at 0 Hz and any mean power from its parameters, with data from `rng`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from earwitness.dsp import fft
from earwitness.dsp.filters import gaussian, root_raised_cosine

# kind -> its parameters with their defaults
KINDS: dict[str, dict[str, float]] = {
    "carrier": {"duration_s": 1.0},
    "noise": {"duration_s": 1.0, "bandwidth_hz": 10_000.0},
    "chirp": {"duration_s": 1.0, "bandwidth_hz": 10_000.0},
    "ook": {"duration_s": 1.0, "symbol_rate_hz": 1000.0},
    "fsk2": {"duration_s": 1.0, "symbol_rate_hz": 4800.0, "deviation_hz": 2400.0, "bt": 0.0},
    "fsk4": {"duration_s": 1.0, "symbol_rate_hz": 4800.0, "deviation_hz": 1944.0, "bt": 0.0},
    "psk": {"duration_s": 1.0, "symbol_rate_hz": 10_500.0, "order": 4.0, "alpha": 0.35},
    "ofdm": {"duration_s": 1.0, "bandwidth_hz": 100_000.0, "carriers": 64.0},
}


def width_hz(kind: str, item: Mapping[str, Any]) -> float:
    """Give the width of a plain emission in Hz: Carson's for FSK, (1 + alpha) x rate for PSK."""
    facts = {**KINDS[kind], **item}
    if kind == "carrier":
        return 100.0
    if kind == "ook":
        return 4 * float(facts["symbol_rate_hz"])
    if kind in ("fsk2", "fsk4"):
        return 2 * float(facts["deviation_hz"]) + float(facts["symbol_rate_hz"])
    if kind == "psk":
        return (1 + float(facts["alpha"])) * float(facts["symbol_rate_hz"])
    return float(facts["bandwidth_hz"])


def plain_burst(kind: str, item: Mapping[str, Any], rate_hz: float, rng: np.random.Generator) -> np.ndarray:
    """Give one burst, complex64 shape (duration_s * rate_hz,)."""
    facts = {**KINDS[kind], **item}
    count = max(int(float(facts["duration_s"]) * rate_hz), 1)
    if kind == "carrier":
        return np.ones(count, np.complex64)
    if kind == "noise":
        return _shaped_noise(count, float(facts["bandwidth_hz"]) / rate_hz, rng)
    if kind == "chirp":
        sweep = float(facts["bandwidth_hz"]) / rate_hz
        n = np.arange(count, dtype=float)
        return np.exp(2j * np.pi * sweep * (n * n / (2 * count) - n / 2)).astype(np.complex64)
    if kind == "ofdm":
        return _ofdm(count, float(facts["bandwidth_hz"]) / rate_hz, int(facts["carriers"]), rng)
    per_symbol = rate_hz / float(facts["symbol_rate_hz"])
    symbols = int(count / per_symbol) + 1
    if kind == "ook":
        keyed = rng.integers(0, 2, symbols)
        keyed[:1] = 1
        edges = np.hanning(max(int(per_symbol / 5), 3) + 2)[1:-1]
        shape = np.convolve(_held(keyed.astype(float), per_symbol, count), edges / edges.sum(), "same")
        return shape.astype(np.complex64)
    if kind == "psk":
        return _psk(count, per_symbol, int(facts["order"]), float(facts["alpha"]), rng)
    levels = np.array([-1.0, 1.0]) if kind == "fsk2" else np.array([-1.0, -1 / 3, 1 / 3, 1.0])
    freq_hz = _held(levels[rng.integers(0, len(levels), symbols)], per_symbol, count)
    if facts["bt"]:
        freq_hz = np.convolve(freq_hz, gaussian(float(facts["bt"]), per_symbol, 3), "same")
    turns = np.cumsum(freq_hz * float(facts["deviation_hz"])) / rate_hz
    return np.exp(2j * np.pi * turns).astype(np.complex64)


def _held(values: np.ndarray, per_symbol: float, count: int) -> np.ndarray:
    return values[np.minimum((np.arange(count) / per_symbol).astype(int), len(values) - 1)]


def _shaped_noise(count: int, part: float, rng: np.random.Generator) -> np.ndarray:
    size = fft.good_size(count)
    spectrum = rng.standard_normal((size, 2)).astype(np.float32).view(np.complex64)[:, 0]
    freq = np.abs((np.arange(size) + size // 2) % size - size // 2) / size
    spectrum[freq > part / 2] = 0
    return np.asarray(fft.inverse(spectrum))[:count] * np.float32(size**0.5)


def _psk(count: int, per_symbol: float, order: int, alpha: float, rng: np.random.Generator) -> np.ndarray:
    """Root-raised-cosine pulses at fractional places: each symbol adds its own shifted pulse."""
    fine = 64
    symbols = int(count / per_symbol) + 1
    data = np.exp(2j * np.pi * (rng.integers(0, order, symbols) + 0.5 * (order > 2)) / order)
    pulse = root_raised_cosine(alpha, fine, 8)
    at = np.arange(symbols) * per_symbol
    reach = int(8 * per_symbol)
    out = np.zeros(count + 2 * reach + 2, complex)
    steps = np.arange(-reach, reach + 1)
    first = np.round(at).astype(int)
    for step in steps:
        place = (first + step - at) / per_symbol * fine + len(pulse) // 2
        weight = np.interp(place, np.arange(len(pulse)), pulse, left=0, right=0)
        out[first + step + reach] += data * weight  # places of one step are distinct
    return out[reach : reach + count].astype(np.complex64)


def _ofdm(count: int, part: float, carriers: int, rng: np.random.Generator) -> np.ndarray:
    """Cyclic-prefix symbols of random four-phase carriers, prefix one eighth."""
    useful = max(round(carriers / part), carriers)
    prefix = useful // 8
    blocks = []
    for _ in range(count // (useful + prefix) + 1):
        spectrum = np.zeros(useful, np.complex64)
        spectrum[np.arange(carriers) - carriers // 2] = np.exp(0.5j * np.pi * rng.integers(0, 4, carriers))
        symbol = np.asarray(fft.inverse(spectrum)) * np.float32(useful)
        blocks += [symbol[useful - prefix :], symbol]
    return np.concatenate(blocks)[:count].astype(np.complex64)
