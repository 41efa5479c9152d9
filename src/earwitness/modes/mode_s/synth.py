"""Mode S as a transponder sends it: messages from fields, bits from messages, pulses from bits.

Pulses are 0.5 us with edges of 75 ns, drawn at 40 MS/s or more and brought to the wanted rate through a
low-pass filter, so that the fraction of a sample a pulse begins at is not lost.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from earwitness.core.errors import ParameterError
from earwitness.core.types import Bits
from earwitness.dsp.filters import lowpass
from earwitness.modes.mode_s import layouts, parity
from earwitness.modes.mode_s.position import encode

EDGE_US = 0.075
PREAMBLE_US = (0.0, 1.0, 3.5, 4.5)
_AIR_POSITION = 11


def _address(item: Mapping[str, Any]) -> int:
    try:
        address = int(str(item["icao_address"]), 16)
    except (KeyError, ValueError):
        raise ParameterError(f"icao_address {item.get('icao_address')!r}: six hexadecimal digits") from None
    if not 0 < address < 1 << 24:
        raise ParameterError(f"icao_address {item['icao_address']!r} does not fit 24 bits")
    return address


def _squitter(item: Mapping[str, Any], me: Bits) -> Bits:
    head = int(item.get("df", 17)) << 27 | int(item.get("capability", 5)) << 24 | _address(item)
    return Bits(parity.seal((head << 56 | me.value) << 24, parity.LONG), parity.LONG)


def _zeros(layout: Any) -> dict[str, Any]:
    """Give a value for every field of a layout: the one that raw zero stands for."""
    return dict(layout.parse(Bits(0, layout.bits)))


def _me(layout: Any, item: Mapping[str, Any], **fixed: Any) -> Bits:
    values = _zeros(layout) | fixed
    values |= {name: value for name, value in item.items() if name in values}
    bits: Bits = layout.build(values)
    return bits


def _position(item: Mapping[str, Any], surface: bool) -> Bits:
    odd = bool(item.get("odd", False))
    yz, xz = encode(float(item["latitude_deg"]), float(item["longitude_deg"]), odd, surface)
    fixed = {"odd": odd, "cpr_latitude": yz, "cpr_longitude": xz}
    if surface:
        return _me(layouts.SURFACE_POSITION, item, type_code=7, track_valid="track_deg" in item, **fixed)
    return _me(layouts.AIRBORNE_POSITION, item, type_code=_AIR_POSITION, **fixed)


def _velocity(item: Mapping[str, Any]) -> Bits:
    if "track_deg" in item:
        angle = math.radians(float(item["track_deg"]))
        east = round(float(item["speed_kn"]) * math.sin(angle))
        north = round(float(item["speed_kn"]) * math.cos(angle))
    else:
        east, north = int(item["east_kn"]), int(item["north_kn"])
    subtype = 1 if max(abs(east), abs(north)) < 1023 else 2
    return _me(
        layouts.VELOCITY[subtype],
        {
            "vertical_source": "barometric",
            "vertical_rate_fpm": 0,
            "geometric_minus_barometric_ft": None,
            **item,
        },
        type_code=19,
        subtype=subtype,
        east_kn=east,
        north_kn=north,
    )


def _overlaid(item: Mapping[str, Any], layout: Any, df: int) -> Bits:
    head = _me(layout, item, df=df).value
    if df < 16:
        return Bits(parity.seal(head << 24, parity.SHORT, _address(item)), parity.SHORT)
    data = int(str(item.get("data_hex", "0")), 16)
    if data >> 56:
        raise ParameterError(f"data_hex {item['data_hex']!r}: at most 14 hexadecimal digits")
    return Bits(parity.seal((head << 56 | data) << 24, parity.LONG, _address(item)), parity.LONG)


def _all_call(item: Mapping[str, Any]) -> Bits:
    head = _me(layouts.ALL_CALL, item, df=11, capability=5, address=_address(item)).value
    overlay = int(item.get("interrogator_code", 0))
    return Bits(parity.seal(head << 24, parity.SHORT, overlay), parity.SHORT)


def encode_item(item: Mapping[str, Any]) -> Bits:
    """Give the 56 or 112 bits of one item; ParameterError or LayoutError when it cannot be coded."""
    if "payload_hex" in item:
        digits = str(item["payload_hex"])
        if len(digits) not in (14, 28):
            raise ParameterError(f"payload_hex {digits!r}: 14 or 28 hexadecimal digits")
        return Bits(int(digits, 16), len(digits) * 4)
    kind = item.get("kind")
    try:
        if kind == "identification":
            return _squitter(item, _me(layouts.IDENTIFICATION, item, type_code=4))
        if kind in ("airborne_position", "surface_position"):
            return _squitter(item, _position(item, kind == "surface_position"))
        if kind == "velocity":
            return _squitter(item, _velocity(item))
        if kind == "emergency_status":
            return _squitter(item, _me(layouts.EMERGENCY, item, type_code=28, subtype=1))
        if kind == "operational_status":
            return _squitter(item, _me(layouts.AIRBORNE_STATUS, item, type_code=31, version=2))
        if kind == "all_call":
            return _all_call(item)
        if kind in _REPLIES:
            layout, df = _REPLIES[kind]
            return _overlaid(item, layout, df)
    except KeyError as error:
        raise ParameterError(f"{kind} needs {error.args[0]}") from None
    raise ParameterError(f"kind {kind!r}; known: {', '.join(KINDS)}")


_REPLIES = {
    "short_air_air": (layouts.SHORT_AIR_AIR, 0),
    "altitude_reply": (layouts.ALTITUDE_REPLY, 4),
    "identity_reply": (layouts.IDENTITY_REPLY, 5),
    "long_air_air": (layouts.LONG_AIR_AIR, 16),
    "comm_b_altitude_reply": (layouts.ALTITUDE_REPLY, 20),
    "comm_b_identity_reply": (layouts.IDENTITY_REPLY, 21),
}
KINDS = (
    "identification", "airborne_position", "surface_position", "velocity", "emergency_status",
    "operational_status", "all_call", *_REPLIES)  # fmt: skip


def _trapezoid(t: np.ndarray, start: float, stop: float) -> np.ndarray:
    return np.clip(np.minimum(t - start, stop - t) / EDGE_US + 0.5, 0.0, 1.0)


def envelope(bits: Bits, t: np.ndarray) -> np.ndarray:
    """Give the pulse train at times `t` in us from the leading edge of the first preamble pulse, 0 to 1."""
    out = np.zeros(len(t))
    starts = [*PREAMBLE_US]
    for n in range(bits.size):
        one = bits.value >> (bits.size - 1 - n) & 1
        starts.append(8.0 + n + (0.0 if one else 0.5))
    for start in starts:
        first, last = np.searchsorted(t, (start - 0.1, start + 0.6))
        out[first:last] += _trapezoid(t[first:last], start, start + 0.5)
    return out


def burst(bits: Bits, rate_hz: float, *, delay_us: float = 0.0) -> np.ndarray:
    """Give one reply's pulses as complex64 at `rate_hz`, pulse height 1, starting `delay_us` + 1 us in."""
    over = max(1, math.ceil(40e6 / rate_hz))
    count = math.ceil((10 + bits.size + delay_us) * 1e-6 * rate_hz)
    taps = lowpass(0.45 * rate_hz, 0.2 * rate_hz, rate_hz * over, stop_db=50)
    half = len(taps) // 2
    at = np.arange(-half, count * over + half) / (over * rate_hz * 1e-6) - 1.0 - delay_us
    drawn = envelope(bits, at)
    return np.convolve(drawn, taps, "valid")[: count * over : over].astype(np.complex64)


def transmit(item: Mapping[str, Any], rate_hz: float) -> np.ndarray:
    """Give the burst (or the bursts of `messages`, `gap_s` apart) of an item: complex64, unit mean power."""
    parts = []
    for single in _singles(item):
        parts += [
            burst(encode_item(single), rate_hz),
            np.zeros(round(float(item.get("gap_s", 1e-3)) * rate_hz)),
        ]
    out = np.concatenate(parts[:-1]).astype(np.complex64)
    on = np.mean(np.concatenate([np.abs(part) ** 2 for part in parts[::2]]))
    return (out / np.sqrt(on)).astype(np.complex64)


def payloads(item: Mapping[str, Any]) -> list[Bits]:
    """Give the bits that a receiver must report of an item."""
    return [encode_item(single) for single in _singles(item)]


def _singles(item: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    messages = item.get("messages")
    return [item] if messages is None else list(messages)


def examples() -> list[dict[str, Any]]:
    """Give items that `transmit` takes: an invented aircraft's squitters, and replies after one."""
    who = {"icao_address": "ABCDE1"}
    where = {"latitude_deg": 47.25, "longitude_deg": 8.75, "altitude_ft": 21000}
    identification = {"kind": "identification", **who, "callsign": "TEST12", "category": 3}
    return [
        identification,
        {"kind": "airborne_position", **who, **where, "odd": False},
        {"kind": "airborne_position", **who, **where, "odd": True},
        {"kind": "velocity", **who, "speed_kn": 420, "track_deg": 200, "vertical_rate_fpm": -1024},
        {"kind": "all_call", **who},
        {"kind": "emergency_status", **who, "emergency_state": 1, "squawk": "7700"},
        {"payload_hex": "8D4840D6202CC371C32CE0576098"},
        {
            "gap_s": 0.002,
            "messages": [
                identification,
                {"kind": "altitude_reply", **who, "altitude_ft": 21000},
                {"kind": "identity_reply", **who, "squawk": "2341"},
                {"kind": "comm_b_altitude_reply", **who, "altitude_ft": 21000, "data_hex": "2050D4D4C72820"},
            ],
        },
    ]
