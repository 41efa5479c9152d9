"""AIS messages 1 to 27 (ITU-R M.1371-5): layouts, legal lengths, parse, build, and who they speak of.

Each layout is declared once in the order of the published table; variable parts hang on below. Parsed
fields carry physical values, None where the standard says "not available". A few fields are derived
(texts of codes, decoded communication state); `build` ignores those.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any

from earwitness.core.bits import Field, Layout, flag, s, spare, u
from earwitness.core.errors import LayoutError
from earwitness.core.types import Bits, Frame, IdentityRef, Message
from earwitness.modes.ais.tables import (
    AID_TYPES,
    APPLICATIONS,
    EPFD,
    KINDS,
    NAV_STATUS,
    ship_type_text,
)

SOURCE = "ITU-R M.1371-5 Annex 8"
SIX_BIT = "@ABCDEFGHIJKLMNOPQRSTUVWXYZ[\\]^_ !\"#$%&'()*+,-./0123456789:;<=>?"
MOST_BITS = 1064  # message 26 in five slots


def six_bit_text(value: int, count: int) -> str | None:
    """Give `count` six-bit characters; `@` ends the text, trailing spaces are dropped, None when empty."""
    out = "".join(SIX_BIT[value >> n & 63] for n in range((count - 1) * 6, -1, -6))
    return out.split("@", 1)[0].rstrip() or None


def six_bit_raw(text: str, count: int) -> int:
    """Give the bits of a text padded with `@` to `count` characters."""
    if len(text) > count:
        raise LayoutError(f"{text!r} is longer than {count} characters")
    raw = 0
    for char in text.upper().ljust(count, "@"):
        if char not in SIX_BIT:
            raise LayoutError(f"{char!r} is not in the six-bit alphabet")
        raw = raw << 6 | SIX_BIT.index(char)
    return raw


def _text(name: str, count: int) -> Field:
    return Field(
        name,
        6 * count,
        decode=lambda raw: six_bit_text(raw, count),
        encode=lambda value: six_bit_raw(value, count),
        na=0,
    )


def _mmsi(name: str = "mmsi", *, na: int | tuple[int, ...] = ()) -> Field:
    return Field(name, 30, decode=lambda raw: f"{raw:09d}", encode=int, na=na)


def _ratio(name: str, width: int, per: int, na: int, *, signed: bool = False, digits: int = 7) -> Field:
    """Declare an integer of 1/per units; by division, so that 123 tenths read 12.3."""
    return Field(
        name,
        width,
        signed=signed,
        na=na,
        decode=lambda raw: round(raw / per, digits),
        encode=lambda value: round(value * per),
    )


def _choice(name: str, width: int, table: tuple[str, ...], na: int | tuple[int, ...] = ()) -> Field:
    def encode(value: str) -> int:
        if value not in table:
            raise LayoutError(f"{name}: {value!r} is not in its table")
        return table.index(value)

    return Field(name, width, na=na, decode=lambda raw: table[raw], encode=encode)


HEAD = (u("message_id", 6), u("repeat_indicator", 2), _mmsi())
ACCURACY = flag("position_accuracy_high")
POSITION = (
    _ratio("longitude_deg", 28, 600_000, 181 * 600_000, signed=True),
    _ratio("latitude_deg", 27, 600_000, 91 * 600_000, signed=True),
)
COARSE = (
    _ratio("longitude_deg", 18, 600, 181 * 600, signed=True, digits=5),
    _ratio("latitude_deg", 17, 600, 91 * 600, signed=True, digits=5),
)
SPEED = _ratio("speed_kn", 10, 10, 1023)
COURSE = _ratio("course_deg", 12, 10, 3600)
HEADING = u("heading_deg", 9, na=511)
STAMP = u("time_stamp", 6, na=60)
DIMENSIONS = (u("to_bow_m", 9), u("to_stern_m", 9), u("to_port_m", 6), u("to_starboard_m", 6))
EPFD_TYPE = _choice("position_fix_type", 4, EPFD, na=0)
RAIM = flag("raim_in_use")
ASSIGNED = flag("assigned_mode")
DTE = flag("dte_not_available")
SELECTOR = flag("itdma_selector")
COMM = u("communication_state_bits", 19)
SHIP_TYPE = u("ship_type", 8, na=0)
DAC_FI = (u("designated_area_code", 10), u("function_identifier", 6))
_SPEED_STEP = ("", "not engaged", "engaged", "reserved 3")

POSITION_A = Layout(
    "position report",
    168,
    SOURCE,
    (
        *HEAD,
        _choice("nav_status", 4, NAV_STATUS, na=15),
        s("rate_of_turn_code", 8, na=-128),
        SPEED,
        ACCURACY,
        *POSITION,
        COURSE,
        HEADING,
        STAMP,
        _choice("special_manoeuvre", 2, _SPEED_STEP, na=0),
        spare(3),
        RAIM,
        COMM,
    ),
)
BASE_STATION = Layout(
    "base station report",
    168,
    SOURCE,
    (
        *HEAD,
        u("utc_year", 14, na=0),
        u("utc_month", 4, na=0),
        u("utc_day", 5, na=0),
        u("utc_hour", 5, na=24),
        u("utc_minute", 6, na=60),
        u("utc_second", 6, na=60),
        ACCURACY,
        *POSITION,
        EPFD_TYPE,
        flag("long_range_transmission"),
        spare(9),
        RAIM,
        COMM,
    ),
)
STATIC_A = Layout(
    "static and voyage related data",
    424,
    SOURCE,
    (
        *HEAD,
        u("ais_version", 2),
        u("imo", 30, na=0),
        _text("callsign", 7),
        _text("ship_name", 20),
        SHIP_TYPE,
        *DIMENSIONS,
        EPFD_TYPE,
        u("eta_month", 4, na=0),
        u("eta_day", 5, na=0),
        u("eta_hour", 5, na=24),
        u("eta_minute", 6, na=60),
        _ratio("draught_m", 8, 10, 0),
        _text("destination", 20),
        DTE,
        spare(1),
    ),
)
ADDRESSED = Layout(
    "binary addressed message",
    88,
    SOURCE,
    (*HEAD, u("sequence_number", 2), _mmsi("destination_mmsi"), flag("retransmit"), spare(1), *DAC_FI),
)
ACKNOWLEDGE = Layout("acknowledgement", 40, SOURCE, (*HEAD, spare(2)))
ACKNOWLEDGE_ONE = Layout(
    "acknowledged message", 32, SOURCE, (_mmsi("destination_mmsi"), u("sequence_number", 2))
)
BROADCAST = Layout("binary broadcast message", 56, SOURCE, (*HEAD, spare(2), *DAC_FI))
SAR_AIRCRAFT = Layout(
    "SAR aircraft position report",
    168,
    SOURCE,
    (
        *HEAD,
        u("altitude_m", 12, na=4095),
        u("speed_kn", 10, na=1023),
        ACCURACY,
        *POSITION,
        COURSE,
        STAMP,
        flag("barometric_altitude"),
        spare(7),
        DTE,
        spare(3),
        ASSIGNED,
        RAIM,
        SELECTOR,
        COMM,
    ),
)
INQUIRY = Layout("UTC inquiry", 72, SOURCE, (*HEAD, spare(2), _mmsi("destination_mmsi"), spare(2)))
SAFETY_ADDRESSED = Layout(
    "addressed safety related message",
    72,
    SOURCE,
    (*HEAD, u("sequence_number", 2), _mmsi("destination_mmsi"), flag("retransmit"), spare(1)),
)
SAFETY_BROADCAST = Layout("safety related broadcast message", 40, SOURCE, (*HEAD, spare(2)))
_ASKED = (u("requested_message_id", 6), u("slot_offset", 12))
INTERROGATION = Layout("interrogation", 88, SOURCE, (*HEAD, spare(2), _mmsi("destination_mmsi"), *_ASKED))
INTERROGATION_MORE = Layout("second request", 20, SOURCE, (spare(2), *_ASKED))
INTERROGATION_OTHER = Layout(
    "second station", 52, SOURCE, (spare(2), _mmsi("destination_mmsi"), *_ASKED, spare(2))
)
ASSIGNMENT = Layout("assignment mode command", 40, SOURCE, (*HEAD, spare(2)))
ASSIGNMENT_ONE = Layout(
    "assigned station", 52, SOURCE, (_mmsi("destination_mmsi"), u("slot_offset", 12), u("increment", 10))
)
DGNSS = Layout("DGNSS broadcast", 80, SOURCE, (*HEAD, spare(2), *COARSE, spare(5)))
POSITION_B = Layout(
    "class B position report",
    168,
    SOURCE,
    (
        *HEAD,
        spare(8),
        SPEED,
        ACCURACY,
        *POSITION,
        COURSE,
        HEADING,
        STAMP,
        spare(2),
        flag("carrier_sense_unit"),
        flag("has_display"),
        flag("has_dsc"),
        flag("whole_marine_band"),
        flag("accepts_message_22"),
        ASSIGNED,
        RAIM,
        SELECTOR,
        COMM,
    ),
)
EXTENDED_B = Layout(
    "extended class B position report",
    312,
    SOURCE,
    (
        *HEAD,
        spare(8),
        SPEED,
        ACCURACY,
        *POSITION,
        COURSE,
        HEADING,
        STAMP,
        spare(4),
        _text("ship_name", 20),
        SHIP_TYPE,
        *DIMENSIONS,
        EPFD_TYPE,
        RAIM,
        DTE,
        ASSIGNED,
        spare(4),
    ),
)
LINK = Layout("data link management", 40, SOURCE, (*HEAD, spare(2)))
LINK_ONE = Layout(
    "reserved slots",
    30,
    SOURCE,
    (u("slot_offset", 12), u("slot_count", 4), u("timeout_min", 3), u("increment", 11)),
)
AID = Layout(
    "aid-to-navigation report",
    272,
    SOURCE,
    (
        *HEAD,
        _choice("aid_type", 5, AID_TYPES, na=0),
        _text("aid_name", 20),
        ACCURACY,
        *POSITION,
        *DIMENSIONS,
        EPFD_TYPE,
        STAMP,
        flag("off_position"),
        u("aid_status", 8),
        RAIM,
        flag("virtual_aid"),
        ASSIGNED,
        spare(1),
    ),
)
_CORNERS = (
    _ratio("northeast_longitude_deg", 18, 600, 181 * 600, signed=True, digits=5),
    _ratio("northeast_latitude_deg", 17, 600, 91 * 600, signed=True, digits=5),
    _ratio("southwest_longitude_deg", 18, 600, 181 * 600, signed=True, digits=5),
    _ratio("southwest_latitude_deg", 17, 600, 91 * 600, signed=True, digits=5),
)
_CHANNELS = (
    *HEAD,
    spare(2),
    u("channel_a_number", 12),
    u("channel_b_number", 12),
    u("transmit_receive_mode", 4),
    flag("low_power"),
)
_CHANNELS_END = (
    flag("addressed"),
    flag("channel_a_narrow"),
    flag("channel_b_narrow"),
    u("transition_zone_code", 3),
    spare(23),
)
CHANNELS_AREA = Layout("channel management, area", 168, SOURCE, (*_CHANNELS, *_CORNERS, *_CHANNELS_END))
CHANNELS_ADDRESSED = Layout(
    "channel management, addressed",
    168,
    SOURCE,
    (*_CHANNELS, _mmsi("destination_mmsi"), spare(5), _mmsi("destination_2_mmsi"), spare(5), *_CHANNELS_END),
)
GROUP = Layout(
    "group assignment command",
    160,
    SOURCE,
    (
        *HEAD,
        spare(2),
        *_CORNERS,
        u("station_type", 4),
        SHIP_TYPE,
        spare(22),
        u("transmit_receive_mode", 2),
        u("reporting_interval_code", 4),
        u("quiet_time_min", 4),
        spare(6),
    ),
)
STATIC_B_NAME = Layout(
    "static data report, part A", 160, SOURCE, (*HEAD, u("part", 2), _text("ship_name", 20))
)
_STATIC_B = (
    *HEAD,
    u("part", 2),
    SHIP_TYPE,
    _text("vendor", 3),
    u("unit_model", 4),
    u("serial_number", 20),
    _text("callsign", 7),
)
STATIC_B = Layout("static data report, part B", 168, SOURCE, (*_STATIC_B, *DIMENSIONS, EPFD_TYPE, spare(2)))
STATIC_B_CRAFT = Layout(
    "static data report, part B, auxiliary craft",
    168,
    SOURCE,
    (*_STATIC_B, _mmsi("mothership_mmsi"), EPFD_TYPE, spare(2)),
)
BINARY = Layout("binary message", 40, SOURCE, (*HEAD, flag("addressed"), flag("has_application")))
BINARY_TO = Layout("destination", 32, SOURCE, (_mmsi("destination_mmsi"), spare(2)))
APPLICATION = Layout("application identifier", 16, SOURCE, DAC_FI)
BINARY_END = Layout("communication state", 24, SOURCE, (spare(4), SELECTOR, COMM))
LONG_RANGE = Layout(
    "long-range position report",
    96,
    SOURCE,
    (
        *HEAD,
        ACCURACY,
        RAIM,
        _choice("nav_status", 4, NAV_STATUS, na=15),
        *COARSE,
        u("speed_kn", 6, na=63),
        u("course_deg", 9, na=511),
        flag("position_latency_over_5_s"),
        spare(1),
    ),
)

# Lengths on the air, in bits: whole octets, so 110, 70, 100 and 130 appear padded.
_LENGTHS: dict[int, range | tuple[int, ...]] = {
    **dict.fromkeys((1, 2, 3, 4, 9, 11, 18, 22), (168,)),
    5: (424,),
    6: range(88, 1009, 8),
    7: (72, 104, 136, 168),
    8: range(56, 1009, 8),
    10: (72,),
    12: range(72, 1009, 8),
    13: (72, 104, 136, 168),
    14: range(40, 1009, 8),
    15: (88, 112, 160),
    16: (96, 144),
    17: range(80, 817, 8),
    19: (312,),
    20: (72, 104, 136, 160),
    21: range(272, 361, 8),
    23: (160,),
    24: (160, 168),
    25: range(40, 169, 8),
    26: range(64, MOST_BITS + 1, 8),
    27: (96,),
}
_FIXED: dict[int, Layout] = {
    **dict.fromkeys((1, 2, 3), POSITION_A),
    **dict.fromkeys((4, 11), BASE_STATION),
    5: STATIC_A,
    9: SAR_AIRCRAFT,
    10: INQUIRY,
    18: POSITION_B,
    19: EXTENDED_B,
    23: GROUP,
    27: LONG_RANGE,
}


def message_id(bits: Bits) -> int:
    """Give the first six bits."""
    return bits.value >> (bits.size - 6) if bits.size >= 6 else 0


def legal(bits: Bits) -> bool:
    """Say whether a message of this type may have this length on the air."""
    kind = message_id(bits)
    return kind in _LENGTHS and bits.size in _LENGTHS[kind]


def plausible(bits: Bits) -> bool:
    """Say whether repaired bits are worth believing: fixed layout, spares zero, a real MMSI, values in range.

    Types of free length or content are never believed after a repair.
    """
    kind = message_id(bits)
    layout = _FIXED.get(kind) or ({0: STATIC_B_NAME, 1: STATIC_B}.get(_part(bits)) if kind == 24 else None)
    if layout is None or not legal(bits) or bits.size != layout.bits:
        return False
    at = bits.size
    for item in layout.fields:
        at -= item.width
        if not item.name and bits.value >> at & ((1 << item.width) - 1):
            return False
    values = layout.parse(bits)
    if not _real_mmsi(values["mmsi"]):
        return False
    bounds = {
        **_BOUNDS,
        "eta_month": 12,
        "eta_hour": 23,
        "eta_minute": 59,
        "utc_month": 12,
        "utc_hour": 23,
        "utc_minute": 59,
        "utc_second": 59,
        "utc_year": 2100,
        "ship_type": 99,
    }
    return all(values.get(name) is None or abs(values[name]) <= most for name, most in bounds.items())


def _part(bits: Bits) -> int:
    return bits.value >> (bits.size - 40) & 3 if bits.size >= 40 else 3


def _real_mmsi(mmsi: str) -> bool:
    """Say whether a nine-digit number is formed as ITU-R M.585 wants it (country codes 201 to 775)."""
    if len(mmsi) != 9:
        return False
    for start in ("111", "970", "972", "974"):
        if mmsi.startswith(start):
            return True
    for start in ("00", "98", "99", "8", "0", ""):
        if mmsi.startswith(start):
            return 201 <= int(mmsi[len(start) : len(start) + 3]) <= 775
    return False


def _tail(bits: Bits, start: int, stop: int | None = None) -> Bits:
    """Give the bits from index `start` to `stop`."""
    stop = bits.size if stop is None else stop
    size = max(stop - start, 0)
    return Bits(bits.value >> (bits.size - start - size) & ((1 << size) - 1) if size else 0, size)


def _data(bits: Bits) -> dict[str, Any]:
    return {"data_hex": bits.hex(), "data_bits": bits.size}


def _chars(bits: Bits, start: int) -> str | None:
    count = (bits.size - start) // 6
    return six_bit_text(_tail(bits, start, start + 6 * count).value, count) if count else None


def _repeated(bits: Bits, start: int, layout: Layout, most: int) -> list[dict[str, Any]]:
    count, size = min((bits.size - start) // layout.bits, most), layout.bits
    return [layout.parse(_tail(bits, start + n * size, start + (n + 1) * size)) for n in range(count)]


def _parse_acknowledge(bits: Bits) -> dict[str, Any]:
    return {**ACKNOWLEDGE.parse(bits), "acknowledged": _repeated(bits, 40, ACKNOWLEDGE_ONE, 4)}


def _parse_interrogation(bits: Bits) -> dict[str, Any]:
    fields = INTERROGATION.parse(bits)
    asked = [{name: fields.pop(name) for name in ("destination_mmsi", "requested_message_id", "slot_offset")}]
    if bits.size >= 108:
        more = INTERROGATION_MORE.parse(_tail(bits, 88, 108))
        if more["requested_message_id"]:
            asked.append({"destination_mmsi": asked[0]["destination_mmsi"], **more})
    if bits.size >= 160:
        asked.append(INTERROGATION_OTHER.parse(_tail(bits, 108, 160)))
    return {**fields, "requests": asked}


def _parse_binary(bits: Bits) -> dict[str, Any]:
    fields = BINARY.parse(bits)
    end = bits.size
    state: dict[str, Any] = {}
    if fields["message_id"] == 26:
        end -= BINARY_END.bits
        state = BINARY_END.parse(_tail(bits, max(end, 0)))
    at = BINARY.bits
    for wanted, layout in ((fields["addressed"], BINARY_TO), (fields["has_application"], APPLICATION)):
        if wanted:
            fields |= layout.parse(_tail(bits, at, min(at + layout.bits, end)))
            at += layout.bits
    return {**fields, **_data(_tail(bits, at, max(end, at))), **state}


def _parse_static_b(bits: Bits) -> dict[str, Any]:
    part = _part(bits)
    if part == 0:
        return STATIC_B_NAME.parse(bits)
    if part != 1:
        raise LayoutError(f"static data report part {part} is not defined")
    craft = HEAD[2].value(bits.value >> (bits.size - 38) & (1 << 30) - 1).startswith("98")
    return (STATIC_B_CRAFT if craft else STATIC_B).parse(bits)


def _parse_aid(bits: Bits) -> dict[str, Any]:
    fields = AID.parse(bits)
    extension = _chars(bits, AID.bits)
    if extension and fields["aid_name"]:
        fields["aid_name"] = (fields["aid_name"].ljust(20) + extension)[:34]
    return fields


def _parse_channels(bits: Bits) -> dict[str, Any]:
    if bits.size < 168:
        raise LayoutError(f"channel management is 168 bits; got {bits.size}")
    addressed = bits.value >> (bits.size - 140) & 1
    return (CHANNELS_ADDRESSED if addressed else CHANNELS_AREA).parse(bits)


_PARSERS: dict[int, Callable[[Bits], dict[str, Any]]] = {
    **{kind: layout.parse for kind, layout in _FIXED.items()},
    6: lambda bits: {**ADDRESSED.parse(bits), **_data(_tail(bits, 88))},
    7: _parse_acknowledge,
    8: lambda bits: {**BROADCAST.parse(bits), **_data(_tail(bits, 56))},
    12: lambda bits: {**SAFETY_ADDRESSED.parse(bits), "text": _chars(bits, 72)},
    13: _parse_acknowledge,
    14: lambda bits: {**SAFETY_BROADCAST.parse(bits), "text": _chars(bits, 40)},
    15: _parse_interrogation,
    16: lambda bits: {**ASSIGNMENT.parse(bits), "assignments": _repeated(bits, 40, ASSIGNMENT_ONE, 2)},
    17: lambda bits: {**DGNSS.parse(bits), **_data(_tail(bits, 80))},
    20: lambda bits: {**LINK.parse(bits), "reservations": _repeated(bits, 40, LINK_ONE, 4)},
    21: _parse_aid,
    22: _parse_channels,
    24: _parse_static_b,
    25: _parse_binary,
    26: _parse_binary,
}


_BOUNDS = {"longitude_deg": 180, "latitude_deg": 90, "course_deg": 360, "heading_deg": 359}


def parse(bits: Bits) -> dict[str, Any]:
    """Give the fields of one message; raises LayoutError when its type or length is not the standard's."""
    kind = message_id(bits)
    if kind not in _PARSERS or bits.size > MOST_BITS:
        raise LayoutError(f"AIS message type {kind} of {bits.size} bits is not defined")
    fields = _PARSERS[kind](bits)
    for name, most in (
        ("longitude_deg", 180),
        ("latitude_deg", 90),
        ("course_deg", 360),
        ("heading_deg", 359),
    ):
        if fields.get(name) is not None and abs(fields[name]) > most:
            fields[name] = None
    return fields | _derived(fields)


def _derived(fields: Mapping[str, Any]) -> dict[str, Any]:
    """Give what follows from the fields: texts of codes, times, sizes, the communication state."""
    out: dict[str, Any] = {}
    if "rate_of_turn_code" in fields:
        out |= _rate_of_turn(fields["rate_of_turn_code"])
    if "time_stamp" in fields and fields["message_id"] != 21:
        stamp = fields["time_stamp"]
        out["utc_second"] = stamp if stamp is not None and stamp < 60 else None
        out["positioning_mode"] = {61: "manual input", 62: "dead reckoning", 63: "inoperative"}.get(stamp)
    if "ship_type" in fields:
        code = fields["ship_type"]
        out["ship_type_text"] = None if code is None else ship_type_text(code)
    if "to_bow_m" in fields:
        out["length_m"] = fields["to_bow_m"] + fields["to_stern_m"] or None
        out["beam_m"] = fields["to_port_m"] + fields["to_starboard_m"] or None
    if "eta_month" in fields:
        out["eta"] = _moment(fields, "eta_", ("month", "day"), ("hour", "minute"))
    if "utc_year" in fields:
        out["utc"] = _moment(fields, "utc_", ("year", "month", "day"), ("hour", "minute", "second"))
    if "function_identifier" in fields:
        key = (fields["designated_area_code"], fields["function_identifier"])
        out["application"] = APPLICATIONS.get(key)
    if "communication_state_bits" in fields:
        kind = fields["message_id"]
        itdma = fields.get("itdma_selector", kind == 3)
        state = fields["communication_state_bits"]
        if fields.get("carrier_sense_unit"):
            out["communication_state"] = None  # a carrier-sense unit sends a constant there
        else:
            out["communication_state"] = _itdma(state) if itdma else _sotdma(state)
    return out


def _rate_of_turn(code: int | None) -> dict[str, Any]:
    """Give deg/min, positive to starboard, by ROT_AIS = 4.733 sqrt(ROT); +-127 tells the direction only."""
    if code is None:
        return {"rate_of_turn_deg_min": None, "turn": None}
    turn = "none" if code == 0 else "starboard" if code > 0 else "port"
    if abs(code) == 127:
        return {"rate_of_turn_deg_min": None, "turn": f"{turn}, more than 5 deg in 30 s"}
    rate = round((code / 4.733) ** 2, 1)
    return {"rate_of_turn_deg_min": rate if code >= 0 else -rate, "turn": turn}


def _moment(fields: Mapping[str, Any], head: str, date: tuple[str, ...], time: tuple[str, ...]) -> str | None:
    """Give date and time as digits with separators, or None when a part of them is not available."""
    parts = [fields[head + name] for name in (*date, *time)]
    if any(part is None for part in parts):
        return None
    digits = [
        f"{part:04d}" if name == "year" else f"{part:02d}"
        for name, part in zip((*date, *time), parts, strict=True)
    ]
    return "-".join(digits[: len(date)]) + "T" + ":".join(digits[len(date) :]) + "Z"


def _sotdma(state: int) -> dict[str, Any]:
    """Decode a SOTDMA communication state of 19 bits (M.1371-5 Annex 2, 3.3.7.2)."""
    timeout, sub = state >> 14 & 7, state & 0x3FFF
    out: dict[str, Any] = {"scheme": "sotdma", "sync_state": state >> 17, "slot_timeout": timeout}
    if timeout in (3, 5, 7):
        out["received_stations"] = sub
    elif timeout in (2, 4, 6):
        out["slot_number"] = sub
    elif timeout == 1:
        out |= {"utc_hour": sub >> 9, "utc_minute": sub >> 2 & 0x7F}
    else:
        out["slot_offset"] = sub
    return out


def _itdma(state: int) -> dict[str, Any]:
    """Decode an ITDMA communication state of 19 bits (M.1371-5 Annex 2, 3.3.7.3)."""
    return {
        "scheme": "itdma",
        "sync_state": state >> 17,
        "slot_increment": state >> 4 & 0x1FFF,
        "slots_code": state >> 1 & 7,
        "keep": bool(state & 1),
    }


# --- building -----------------------------------------------------------------------------------


def _filled(layout: Layout, values: Mapping[str, Any]) -> Bits:
    """Build a layout, fields not given taking their "not available" value or zero."""
    whole = {}
    for item in layout.fields:
        if item.name and item.name in values:
            whole[item.name] = values[item.name]
        elif item.name:
            whole[item.name] = None if isinstance(item.na, int) else item.value(0)
    return layout.build(whole)


def _join(*parts: Bits) -> Bits:
    value = size = 0
    for part in parts:
        value, size = value << part.size | part.value, size + part.size
    return Bits(value, size)


def _each(layout: Layout, items: list[Mapping[str, Any]]) -> list[Bits]:
    if not 1 <= len(items) <= 4:
        raise LayoutError(f"{layout.name}: {len(items)} of them; 1 to 4 fit")
    return [_filled(layout, item) for item in items]


def _octets(bits: Bits) -> Bits:
    """Give the bits with the spare zeros that fill the last octet."""
    return Bits(bits.value << (-bits.size % 8), bits.size - bits.size % -8)


def _hex_bits(values: Mapping[str, Any]) -> Bits:
    text = values.get("data_hex", "")
    size = int(values.get("data_bits", 4 * len(text)))
    raw = bytes.fromhex(text)
    if not 0 <= size <= 8 * len(raw):
        raise LayoutError(f"data_bits {size} does not fit data_hex of {8 * len(raw)} bits")
    return Bits(int.from_bytes(raw, "big") >> (8 * len(raw) - size), size)


def _text_bits(text: str | None) -> Bits:
    text = text or ""
    return Bits(six_bit_raw(text, len(text)), 6 * len(text))


def _build_interrogation(values: Mapping[str, Any]) -> Bits:
    asked = [dict(item) for item in values["requests"]]
    if not 1 <= len(asked) <= 3:
        raise LayoutError(f"an interrogation of {len(asked)} requests; 1 to 3 fit")
    parts = [_filled(INTERROGATION, {**values, **asked[0]})]
    rest = asked[1:]
    if rest:
        same = rest.pop(0) if rest[0]["destination_mmsi"] == asked[0]["destination_mmsi"] else {}
        parts.append(_filled(INTERROGATION_MORE, same))
        parts.append(_filled(INTERROGATION_OTHER, rest[0]) if rest else Bits(0, 2))
    return _join(*parts)


def _build_binary(values: Mapping[str, Any]) -> Bits:
    parts = [_filled(BINARY, values)]
    if values.get("addressed"):
        parts.append(_filled(BINARY_TO, values))
    if values.get("has_application"):
        parts.append(_filled(APPLICATION, values))
    parts.append(_hex_bits(values))
    if values["message_id"] == 26:
        parts.append(_filled(BINARY_END, values))
    return _join(*parts)


def _build_assignment(values: Mapping[str, Any]) -> Bits:
    stations = [_filled(ASSIGNMENT_ONE, item) for item in values["assignments"][:2]]
    return _join(_filled(ASSIGNMENT, values), *stations, Bits(0, 4 if len(stations) == 1 else 0))


def _build_aid(values: Mapping[str, Any]) -> Bits:
    name = values.get("aid_name") or ""
    return _join(_filled(AID, {**values, "aid_name": name[:20] or None}), _text_bits(name[20:34]))


def _build_static_b(values: Mapping[str, Any]) -> Bits:
    if values.get("part", 0) == 0:
        return _filled(STATIC_B_NAME, values)
    return _filled(STATIC_B_CRAFT if values["mmsi"].startswith("98") else STATIC_B, values)


_BUILDERS: dict[int, Callable[[Mapping[str, Any]], Bits]] = {
    **{kind: partial(_filled, layout) for kind, layout in _FIXED.items()},
    6: lambda v: _join(_filled(ADDRESSED, v), _hex_bits(v)),
    7: lambda v: _join(
        _filled(ACKNOWLEDGE, v), *(_filled(ACKNOWLEDGE_ONE, a) for a in v["acknowledged"][:4])
    ),
    8: lambda v: _join(_filled(BROADCAST, v), _hex_bits(v)),
    12: lambda v: _join(_filled(SAFETY_ADDRESSED, v), _text_bits(v.get("text"))),
    14: lambda v: _join(_filled(SAFETY_BROADCAST, v), _text_bits(v.get("text"))),
    15: _build_interrogation,
    16: _build_assignment,
    17: lambda v: _join(_filled(DGNSS, v), _hex_bits(v)),
    20: lambda v: _octets(_join(_filled(LINK, v), *_each(LINK_ONE, v["reservations"]))),
    21: _build_aid,
    22: lambda v: _filled(CHANNELS_ADDRESSED if v.get("addressed") else CHANNELS_AREA, v),
    24: _build_static_b,
    25: _build_binary,
    26: _build_binary,
}
_BUILDERS[13] = _BUILDERS[7]


def build(fields: Mapping[str, Any]) -> Bits:
    """Give the bits of a message from `parse`'s fields; only message_id and mmsi must be there.

    `rate_of_turn_deg_min` may stand for `rate_of_turn_code`. Raises LayoutError when a value does not fit.
    """
    values = dict(fields)
    kind = values.get("message_id")
    if kind not in _BUILDERS or "mmsi" not in values:
        raise LayoutError(f"message_id {kind!r} is not one of AIS's 1 to 27, or there is no mmsi")
    rate = values.get("rate_of_turn_deg_min")
    if rate is not None and values.get("rate_of_turn_code") is None:
        code = min(round(4.733 * abs(rate) ** 0.5), 126)
        values["rate_of_turn_code"] = code if rate >= 0 else -code
    try:
        bits = _BUILDERS[kind](values)
    except (KeyError, TypeError, AttributeError) as error:
        raise LayoutError(f"AIS message {kind}: {error!r} in its fields") from error
    unknown = set(fields) - set(parse(bits)) - {"channel"}
    if unknown:
        raise LayoutError(f"AIS message {kind} has no field {', '.join(sorted(unknown))}")
    return bits


# --- messages -----------------------------------------------------------------------------------

CHANNEL_HZ = {"A": 161.975e6, "B": 162.025e6, "75": 156.775e6, "76": 156.825e6}


def channel_of(frequency_hz: float | None) -> str | None:
    """Give A or B (AIS 1, AIS 2), 75 or 76 (long range), by the nearest channel within 12.5 kHz."""
    if frequency_hz is None:
        return None
    name, centre = min(CHANNEL_HZ.items(), key=lambda item: abs(item[1] - frequency_hz))
    return name if abs(centre - frequency_hz) < 12_500 else None


def _who(
    mmsi: str, kind: int, names: tuple[str, ...] = (), fields: Mapping[str, Any] | None = None
) -> IdentityRef:
    """Give the identity of a number: a vessel, or a station (shore, aid, SAR aircraft, distress beacon)."""
    station = mmsi.startswith(("00", "99", "111", "970", "972", "974")) or (
        kind in (4, 16, 17, 20, 21, 22, 23) and not "2" <= mmsi[0] <= "7"
    )
    latitude = longitude = None
    if fields and fields.get("latitude_deg") is not None and fields.get("longitude_deg") is not None:
        latitude, longitude = fields["latitude_deg"], fields["longitude_deg"]
    return IdentityRef("station" if station else "vessel", mmsi, names, latitude, longitude)


SAME_BURST_NS = 2_000_000
WAIT_NS = 2_000_000_000
_LISTS = ("acknowledged", "requests", "assignments")


class Assembler:
    """One message per burst; the parts of message 24 meet at the identity.

    No station sends the same bits twice at one time, so equal frames a moment apart are one burst met
    again: a receiver's mirror image of it, or a channel beside. The strongest is kept. Channels come one after the
    other, a second or so of each at a time, so frames wait until one WAIT_NS later comes.
    """

    def __init__(self) -> None:
        self._waiting: list[Frame] = []

    def feed(self, frame: Frame) -> list[Message]:
        """Give the messages of earlier frames that nothing can outdo any more."""
        due_ns = frame.time_ns - WAIT_NS
        ready = [other for other in self._waiting if other.time_ns < due_ns]
        self._waiting = [other for other in self._waiting if other.time_ns >= due_ns]
        for n, other in enumerate(self._waiting):
            if other.bits == frame.bits and abs(other.time_ns - frame.time_ns) <= SAME_BURST_NS:
                if _level(frame) > _level(other):
                    self._waiting[n] = frame
                break
        else:
            self._waiting.append(frame)
        return [message for other in ready for message in _messages(other)]

    def close(self) -> list[Message]:
        """Give the messages of the frames still waiting."""
        ready, self._waiting = self._waiting, []
        return [message for frame in ready for message in _messages(frame)]


def _level(frame: Frame) -> float:
    return float("-inf") if frame.level_dbfs is None else frame.level_dbfs


def _messages(frame: Frame) -> list[Message]:
    """Give the message of a frame, or nothing when its type and length do not exist."""
    try:
        if not legal(frame.bits):
            return []
        fields = parse(frame.bits)
    except LayoutError:
        return []  # passed the FCS by chance or undefined content: no message of the standard
    kind = fields["message_id"]
    mmsi = fields["mmsi"]
    name = fields.get("ship_name") or fields.get("aid_name")
    addressed = [
        item["destination_mmsi"]
        for item in (fields, *(part for group in _LISTS for part in fields.get(group, ())))
        if item.get("destination_mmsi") is not None
    ]
    message = Message(
        frame=frame,
        kind=KINDS[kind],
        fields=fields | {"channel": channel_of(frame.frequency_hz)},
        check=frame.check or "pass",
        identity=_who(mmsi, kind, (name,) if name else (), fields),
        related=tuple(_who(other, 0) for other in dict.fromkeys(addressed) if other != mmsi),
        flags=_flags(fields),
    )
    return [message]


def _flags(fields: Mapping[str, Any]) -> tuple[str, ...]:
    """Give the flags: beacons of distress (970, 972, 974) unless they say they test, and safety texts."""
    out = []
    if fields["mmsi"].startswith(("970", "972", "974")):
        text = fields.get("text") or ""
        testing = "TEST" in text or ("nav_status" in fields and fields["nav_status"] is None)
        out.append("test" if testing else "distress")
    if fields["message_id"] in (12, 14):
        out.append("safety")
    return tuple(out)
