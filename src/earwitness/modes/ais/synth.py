"""An AIS transmitter for scenes and tests: message to burst, as ITU-R M.1371-5 Annex 2 draws a slot."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from earwitness.coding.hdlc import encode, nrzi_encode
from earwitness.core.errors import LayoutError
from earwitness.core.types import Bits
from earwitness.modes.ais.gmsk import SYMBOL_RATE_HZ, modulate
from earwitness.modes.ais.messages import build

RAMP_BITS = 8  # before the training sequence
FALL_BITS = 4  # after the closing flag
TRAINING = np.tile(np.array([0, 1], np.uint8), 12)


def message_bits(item: Mapping[str, Any]) -> Bits:
    """Give the message bits of an item: {"message": fields} or {"payload_hex": ..., "payload_bits": ...}."""
    if "message" in item:
        return build(item["message"])
    raw = bytes.fromhex(item["payload_hex"])
    size = int(item.get("payload_bits", 8 * len(raw)))
    if not 0 < size <= 8 * len(raw):
        raise LayoutError(f"payload_bits {size} does not fit payload_hex of {8 * len(raw)} bits")
    return Bits(int.from_bytes(raw, "big") >> (8 * len(raw) - size), size)


def burst_bits(item: Mapping[str, Any]) -> np.ndarray:
    """Give the bits of a burst before NRZI, training sequence to closing flag, uint8 shape (n,)."""
    bits = _padded(message_bits(item))
    return np.concatenate([TRAINING, encode(bits.value.to_bytes(bits.size // 8, "big"))])


def _padded(bits: Bits) -> Bits:
    """Give the bits filled with zeros to whole octets, as they go on the air."""
    fill = -bits.size % 8
    return Bits(bits.value << fill, bits.size + fill)


def transmit(item: Mapping[str, Any], rate_hz: float) -> np.ndarray:
    """Give the burst of one message: complex64 shape (n,), 0 Hz carrier, unit mean power, ramps included."""
    core = burst_bits(item)
    # The carrier is up before the training sequence; its levels go on from there.
    bits = np.concatenate([np.tile(TRAINING[:2], RAMP_BITS // 2), core, np.zeros(FALL_BITS, np.uint8)])
    out = modulate(nrzi_encode(bits, 1), rate_hz)
    symbol = rate_hz / SYMBOL_RATE_HZ
    rise, fall = round(6 * symbol), round(FALL_BITS * symbol)
    out[:rise] *= (0.5 - 0.5 * np.cos(np.pi * (np.arange(rise) + 0.5) / rise)).astype(np.float32)
    out[len(out) - fall :] *= (0.5 + 0.5 * np.cos(np.pi * (np.arange(fall) + 0.5) / fall)).astype(np.float32)
    return out / np.sqrt(np.mean(np.abs(out) ** 2))


def payloads(item: Mapping[str, Any]) -> list[Bits]:
    """Give what a right receiver reports: the message bits with their padding to whole octets."""
    return [_padded(message_bits(item))]


def examples() -> list[dict[str, Any]]:
    """Give one item of every message type; vessels, numbers and places are invented."""
    ship, other, coast = "232001234", "232005678", "002320001"
    place = {"longitude_deg": -4.125, "latitude_deg": 50.35}
    area = {
        "northeast_longitude_deg": -4.0,
        "northeast_latitude_deg": 51.0,
        "southwest_longitude_deg": -5.0,
        "southwest_latitude_deg": 50.0,
    }
    moving = {**place, "speed_kn": 12.3, "course_deg": 225.1, "heading_deg": 224, "time_stamp": 37}
    hull = {"to_bow_m": 100, "to_stern_m": 50, "to_port_m": 10, "to_starboard_m": 15}
    clock = {
        "utc_year": 2026,
        "utc_month": 11,
        "utc_day": 25,
        "utc_hour": 8,
        "utc_minute": 30,
        "utc_second": 15,
        "position_fix_type": "surveyed",
    }
    data = {"designated_area_code": 1, "function_identifier": 31, "data_hex": "0123456789ABCDEF"}
    beside = {"destination_mmsi": other, "slot_offset": 200, "increment": 0}
    rows: list[dict[str, Any]] = [
        {
            "message_id": 1,
            "mmsi": ship,
            **moving,
            "nav_status": "under way sailing",
            "rate_of_turn_deg_min": 20.0,
        },
        {"message_id": 2, "mmsi": ship, **moving, "nav_status": "at anchor", "speed_kn": 0.0},
        {"message_id": 3, "mmsi": ship, **moving, "nav_status": "engaged in fishing"},
        {"message_id": 4, "mmsi": coast, **place, **clock},
        {
            "message_id": 5,
            "mmsi": ship,
            "imo": 9074729,
            "callsign": "GABC1",
            "ship_name": "EXAMPLE ONE",
            "ship_type": 70,
            **hull,
            "position_fix_type": "GPS",
            "eta_month": 12,
            "eta_day": 24,
            "eta_hour": 18,
            "eta_minute": 5,
            "draught_m": 7.3,
            "destination": "NORTH HARBOUR",
        },
        {"message_id": 6, "mmsi": ship, "destination_mmsi": other, **data},
        {"message_id": 7, "mmsi": ship, "acknowledged": [{"destination_mmsi": other, "sequence_number": 1}]},
        {"message_id": 8, "mmsi": ship, **data},
        {
            "message_id": 9,
            "mmsi": "111232511",
            **place,
            "altitude_m": 303,
            "speed_kn": 142,
            "course_deg": 90.0,
        },
        {"message_id": 10, "mmsi": ship, "destination_mmsi": coast},
        {"message_id": 11, "mmsi": ship, **place, **clock, "position_fix_type": "GPS"},
        {"message_id": 12, "mmsi": ship, "destination_mmsi": other, "text": "KEEP CLEAR"},
        {"message_id": 13, "mmsi": ship, "acknowledged": [{"destination_mmsi": other, "sequence_number": 2}]},
        {"message_id": 14, "mmsi": ship, "text": "BUOY ADRIFT NEAR NORTH HARBOUR"},
        {
            "message_id": 15,
            "mmsi": coast,
            "requests": [{"destination_mmsi": ship, "requested_message_id": 5, "slot_offset": 0}],
        },
        {"message_id": 16, "mmsi": coast, "assignments": [beside]},
        {
            "message_id": 17,
            "mmsi": coast,
            "longitude_deg": -4.1,
            "latitude_deg": 50.3,
            "data_hex": "0102030405",
        },
        {"message_id": 18, "mmsi": ship, **moving, "carrier_sense_unit": True, "has_dsc": True},
        {"message_id": 19, "mmsi": ship, **moving, "ship_name": "SMALL BOAT", "ship_type": 36},
        {
            "message_id": 20,
            "mmsi": coast,
            "reservations": [{"slot_offset": 2182, "slot_count": 5, "timeout_min": 7, "increment": 225}],
        },
        {
            "message_id": 21,
            "mmsi": "992351001",
            "aid_type": "light, with sectors",
            "aid_name": "BREAKWATER LIGHT OF NORTH",
            **place,
        },
        {"message_id": 22, "mmsi": coast, "channel_a_number": 2087, "channel_b_number": 2088, **area},
        {"message_id": 23, "mmsi": coast, **area, "station_type": 6, "reporting_interval_code": 9},
        {"message_id": 24, "mmsi": ship, "part": 0, "ship_name": "SMALL BOAT"},
        {"message_id": 24, "mmsi": ship, "part": 1, "ship_type": 36, "callsign": "MXYZ9", "vendor": "ABC"},
        {"message_id": 25, "mmsi": ship, "has_application": True, **data},
        {"message_id": 26, "mmsi": ship, "has_application": True, **data, "data_hex": "5A" * 90},
        {
            "message_id": 27,
            "mmsi": ship,
            "longitude_deg": -4.125,
            "latitude_deg": 50.35,
            "speed_kn": 12,
            "course_deg": 225,
        },
    ]
    return [{"message": row} for row in rows]
