"""A transmitter of calls: a keyed sub-carrier on FM as on VHF, or the keyed carrier of MF and HF."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from earwitness.core.errors import ParameterError
from earwitness.core.types import Bits
from earwitness.modes.dsc.code import bits_of
from earwitness.modes.dsc.messages import build, parse, to_bits

VHF_BAUD, VHF_TONES_HZ, VHF_INDEX = 1200.0, (2100.0, 1300.0), 2.0  # tones of B and Y
HF_BAUD, HF_TONES_HZ = 100.0, (85.0, -85.0)
DOTS = {"vhf": 20, "hf": 200}


def symbols_of(item: Mapping[str, Any]) -> list[int]:
    """Give the information symbols of an item."""
    if "message" in item:
        return build(item["message"])
    symbols = [int(symbol) for symbol in item.get("symbols", ())]
    parse(symbols)
    return symbols


def keyed_phase(bits: np.ndarray, rate_hz: float, baud: float, tones_hz: tuple[float, float]) -> np.ndarray:
    """Give the phase in radians of phase-continuous keying between two tones, float64 (n,)."""
    count = int(len(bits) * rate_hz / baud)
    which = bits[np.minimum((np.arange(count) * (baud / rate_hz)).astype(int), len(bits) - 1)]
    return 2 * np.pi / rate_hz * np.cumsum(np.where(which > 0, tones_hz[1], tones_hz[0]))


def transmit(item: Mapping[str, Any], rate_hz: float) -> np.ndarray:
    """Give one call, complex64 of unit power at 0 Hz.

    Keys: `message` (fields) or `symbols`; `variant` ("vhf", or "hf" for the keyed carrier), `dots`, `index`.
    """
    variant = str(item.get("variant", "vhf"))
    if variant not in DOTS:
        raise ParameterError(f"variant {variant!r} is not known; vhf or hf")
    bits = bits_of(symbols_of(item), int(item.get("dots", DOTS[variant])))
    if variant == "hf":
        return np.exp(1j * keyed_phase(bits, rate_hz, HF_BAUD, HF_TONES_HZ)).astype(np.complex64)
    phase = keyed_phase(bits, rate_hz, VHF_BAUD, VHF_TONES_HZ)
    return np.exp(1j * float(item.get("index", VHF_INDEX)) * np.sin(phase)).astype(np.complex64)


def examples() -> list[dict[str, Any]]:
    """Give calls of every format; vessels and stations are invented."""
    ship, other, coast = "232001234", "232005678", "002320001"
    place = {"latitude_deg": 50.2, "longitude_deg": -6.5667, "position_utc": "12:30"}
    rows: list[dict[str, Any]] = [
        {"format": "distress", "self_id": ship, "nature": "flooding", **place, "subsequent_communication": "F3E/G3E voice"},
        {"format": "individual", "address": coast, "self_id": ship, "category": "safety", "telecommand_1": "test",
         "end_of_sequence": "RQ"},
        {"format": "all ships", "self_id": ship, "category": "urgency", "telecommand_1": "F3E/G3E voice", "channel": 16},
        {"format": "all ships", "self_id": coast, "category": "distress", "telecommand_1": "distress acknowledgement",
         "distress_id": ship, "nature": "flooding", **place, "subsequent_communication": "F3E/G3E voice"},
        {"format": "all ships", "self_id": other, "category": "distress", "telecommand_1": "distress relay",
         "distress_id": ship, "nature": "flooding", **place, "subsequent_communication": "F3E/G3E voice"},
        {"format": "individual", "address": other, "self_id": ship, "telecommand_1": "F3E/G3E voice", "channel": 72,
         "end_of_sequence": "RQ"},
        {"format": "group", "address": "023200123", "self_id": ship, "telecommand_1": "F3E/G3E voice", "channel": 8},
    ]  # fmt: skip
    high: list[dict[str, Any]] = [
        {"format": "distress", "self_id": ship, "nature": "man overboard", **place, "subsequent_communication": "J3E voice"},
        {"format": "geographic area", "area": {"north_deg": 52, "west_deg": -8, "south_deg": 49, "east_deg": -3},
         "self_id": coast, "category": "safety", "telecommand_1": "J3E voice", "called_station_receives_hz": 2182000,
         "called_station_transmits_hz": 2182000},
    ]  # fmt: skip
    return [{"message": row} for row in rows] + [{"message": row, "variant": "hf"} for row in high]


def payloads(item: Mapping[str, Any]) -> list[Bits]:
    """Give the information symbols, seven bits each, format specifier once to end of sequence."""
    return [to_bits(symbols_of(item))]
