"""A beacon's transmitter: 160 ms of carrier, then the message as biphase-L phase modulation."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from earwitness.core.types import Bits
from earwitness.modes.beacon406.burst import BIT_RATE, CARRIER_S, DEVIATION_RAD, ONES, SYNC
from earwitness.modes.beacon406.messages import build

RISE_S = 150e-6  # from one phase to the other, as the standard allows (50 to 250 us, from memory)


def phase_of(item: Mapping[str, Any], rate_hz: float) -> np.ndarray:
    """Give the phase of a burst in radians, float64 (n,)."""
    bits = payloads(item)[0]
    message = [bits.value >> (bits.size - 1 - n) & 1 for n in range(bits.size)]
    levels = 2.0 * np.array([*ONES, *SYNC[bool(item.get("self_test"))], *message]) - 1
    halves = np.kron(levels, [1.0, -1.0])
    half_s = 0.5 / BIT_RATE / (1 + float(item.get("clock_error", 0.0)))
    count = int((CARRIER_S + len(halves) * half_s) * rate_hz)
    place = np.arange(count) / rate_hz - CARRIER_S
    which = np.floor(place / half_s).astype(int)
    padded = np.concatenate([[0.0], halves, [0.0]])
    now = padded[np.clip(which + 1, 0, len(padded) - 1)]
    then = padded[np.clip(which, 0, len(padded) - 1)]
    into = np.clip((place - which * half_s) / float(item.get("rise_s", RISE_S)), 0.0, 1.0)
    shape = then + (now - then) * 0.5 * (1 - np.cos(np.pi * into))
    return float(item.get("deviation_rad", DEVIATION_RAD)) * shape


def transmit(item: Mapping[str, Any], rate_hz: float) -> np.ndarray:
    """Give one burst, complex64 of unit power at 0 Hz.

    Keys: `message` (fields as `messages.parse` names them, or `message_hex`), `self_test`, `deviation_rad`,
    `clock_error` (of 1), `rise_s`.
    """
    return np.exp(1j * phase_of(item, rate_hz)).astype(np.complex64)


def examples() -> list[dict[str, Any]]:
    """Give bursts of every protocol; countries, ships and aircraft are invented."""
    place = {"country_code": 299, "latitude_deg": -31.2621, "longitude_deg": -22.7101}
    rows: list[dict[str, Any]] = [
        {"protocol": "standard location, MMSI", "mmsi": "299001003", "beacon_number": 1, "homing_121_5_mhz": True},
        {"protocol": "maritime user", "format": "short", "mmsi": "299001003", "beacon_number": "0",
         "homing_transmitter": "121.5 MHz", "nature": "flooding", "activation": "automatic or manual"},
        {"protocol": "national location, PLB", "national_number": 4711, "homing_121_5_mhz": True},
        {"protocol": "maritime user", "mmsi": "299001004", "beacon_number": "0", "homing_transmitter": "121.5 MHz"},
        {"protocol": "aviation user", "format": "short", "registration": "Q-EARS", "fire": True},
        {"protocol": "radio call sign user", "format": "short", "radio_call_sign": "QMP1 22", "beacon_number": "0"},
        {"protocol": "serial user, aircraft address", "format": "short", "aircraft_address": "F4C0DE"},
        {"protocol": "serial user, personal", "format": "short", "serial_number": 4321, "certificate_number": 77},
        {"protocol": "standard location, aircraft operator", "aircraft_operator": "QAW", "serial_number": 12},
        {"protocol": "standard location, test", "national_data": "ABCDEF"},
        {"protocol": "RLS location, EPIRB", "certificate_number": 12, "serial_number": 345, "return_link_automatic": True},
        {"protocol": "RLS location, MMSI", "mmsi": "299001006"},
        {"protocol": "ELT(DT), aircraft address", "aircraft_address": "F4C0DE", "altitude_above_m": 6600,
         "activation": "automatic, by flight state"},
        {"protocol": "ship security", "mmsi": "299001005"},
        {"protocol": "test user", "format": "short", "national_data": "000000000000"},
    ]  # fmt: skip
    out = [{"message": {**place, **row}} for row in rows]
    return [*out, {**out[0], "self_test": True, "clock_error": 0.008}]


def payloads(item: Mapping[str, Any]) -> list[Bits]:
    """Give bits 25 to the last of the message."""
    return [build(item["message"])]
