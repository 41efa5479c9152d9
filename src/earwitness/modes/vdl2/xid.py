"""Parameters of exchange-identification frames: who a ground station is, what it offers, what a link agreed on.

Layout and numbers (ISO 8885 groups, VDL parameters of Annex 10 vol. III and Doc 9776) are from memory. Every
parameter therefore keeps its octets in hexadecimal beside what was read from it, and one that does not have the
expected shape keeps only those.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from earwitness.core.text import inert
from earwitness.modes.vdl2.avlc import address_of

FORMAT = 0x82
MOST_PARAMETERS = 64

Reader = Callable[[bytes], Any]


@dataclass(frozen=True, slots=True)
class Xid:
    """What a frame says: its parameters as fields, where its sender stands, and what could not be read."""

    fields: dict[str, Any] = field(default_factory=dict)
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    broken: bool = False  # a length ran past the end


def _number(value: bytes) -> int | None:
    return int.from_bytes(value, "big") if 0 < len(value) <= 4 else None


def _text(value: bytes) -> str:
    return inert(value.decode("latin-1"), limit=32)


def _airports(value: bytes) -> list[str] | None:
    codes = [value[k : k + 4] for k in range(0, len(value), 4)]
    good = codes and all(len(code) == 4 and code.isalnum() and code.isascii() for code in codes)
    return [code.decode("ascii") for code in codes] if good else None


def _stations(value: bytes) -> list[str] | None:
    parts = [value[k : k + 4] for k in range(0, len(value), 4)]
    if not parts or any(len(part) != 4 or any(octet & 1 for octet in part[:3]) for part in parts):
        return None
    return [address_of(part).hex for part in parts]


def _frequency(value: bytes) -> dict[str, Any] | None:
    """Read four bits of modulation and twelve of frequency in steps of 10 kHz above 100 MHz."""
    if len(value) != 2:
        return None
    word = int.from_bytes(value, "big")
    step = word & 0xFFF
    hertz = 100_000_000 + 10_000 * step + (5_000 if step % 10 in (2, 7) else 0)
    if not 118_000_000 <= hertz <= 137_000_000:
        return None
    return {"frequency_hz": hertz, "modulation_code": word >> 12}


def _frequencies(value: bytes) -> list[dict[str, Any]] | None:
    out = []
    for k in range(0, len(value), 6):
        tuned, station = _frequency(value[k : k + 2]), _stations(value[k + 2 : k + 6])
        if tuned is None or station is None:
            return None
        out.append({**tuned, "station_address": station[0]})
    return out or None


def _place(value: bytes) -> dict[str, Any] | None:
    """Read latitude and longitude, twelve bits each in tenths of a degree, and thousands of feet if sent."""
    if len(value) not in (3, 4):
        return None
    raw = int.from_bytes(value[:3], "big")
    latitude, longitude = ((n ^ 0x800) - 0x800 for n in (raw >> 12, raw & 0xFFF))
    if abs(latitude) > 900 or abs(longitude) > 1800:
        return None
    out: dict[str, Any] = {"latitude_deg": latitude / 10, "longitude_deg": longitude / 10}
    if len(value) == 4:
        out["altitude_ft"] = 1000 * value[3]
    return out


PUBLIC: dict[int, tuple[str, Reader]] = {
    0x01: ("parameter_set", _text),
    0x02: ("procedure_classes", _number),
    0x03: ("hdlc_options", _number),
    0x05: ("n1_downlink", _number),
    0x06: ("n1_uplink", _number),
    0x07: ("k_downlink", _number),
    0x08: ("k_uplink", _number),
    0x09: ("timer_t1_downlink", _number),
    0x0A: ("counter_n2", _number),
    0x0B: ("timer_t2", _number),
}
PRIVATE: dict[int, tuple[str, Reader]] = {
    0x00: ("vdl_parameter_set", _text),
    0x01: ("connection_management", _number),
    0x02: ("signal_quality", _number),
    0x03: ("xid_sequencing", _number),
    0x04: ("avlc_options", _number),
    0x05: ("expedited_subnetwork_connection", _number),
    0x06: ("link_refusal_cause", _number),
    0x40: ("autotune_frequency", _frequency),
    0x41: ("replacement_stations", _stations),
    0x42: ("timer_t4", _number),
    0x43: ("mac_persistence", _number),
    0x44: ("counter_m1", _number),
    0x45: ("timer_tm2", _number),
    0x46: ("timer_tg5", _number),
    0x47: ("timer_t3_min", _number),
    0x48: ("station_address_filter", _stations),
    0x49: ("broadcast_connection", _number),
    0x81: ("modulation_support", _number),
    0x82: ("alternate_stations", _stations),
    0x83: ("destination_airport", _airports),
    0x84: ("aircraft_location", _place),
    0xC0: ("frequency_support", _frequencies),
    0xC1: ("airport_coverage", _airports),
    0xC3: ("nearest_airport", _airports),
    0xC4: ("router_titles", bytes.hex),
    0xC5: ("system_mask", _stations),
    0xC6: ("timer_tg3", _number),
    0xC7: ("timer_tg4", _number),
    0xC8: ("station_location", _place),
}
GROUPS = {0x80: PUBLIC, 0xF0: PRIVATE}


def parse(info: bytes) -> Xid | None:
    """Give the parameters of an exchange-identification field; None when it has another format."""
    if info[:1] != bytes([FORMAT]):
        return None
    read: dict[str, Any] = {}
    raw: list[dict[str, Any]] = []
    at, broken = 1, False
    while at + 3 <= len(info) and not broken:
        group, stop = info[at], at + 3 + int.from_bytes(info[at + 1 : at + 3], "big")
        broken = stop > len(info)
        stop, at = min(stop, len(info)), at + 3
        while at + 2 <= stop and len(raw) < MOST_PARAMETERS:
            number, count = info[at], info[at + 1]
            value, at = info[at + 2 : at + 2 + count], at + 2 + count
            if at > stop:
                broken = True
                break
            name, reader = GROUPS.get(group, {}).get(number, (None, _number))
            raw.append({"group": group, "parameter": number, "name": name, "value_hex": value.hex().upper()})
            understood = reader(value) if name else None
            if name and understood is not None:
                read[name] = understood
        at = stop
    place = read.get("station_location") or read.get("aircraft_location") or {}
    return Xid({**read, "xid_parameters": raw}, place.get("latitude_deg"), place.get("longitude_deg"), broken)
