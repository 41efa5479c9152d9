"""Controller-pilot messages of the ATN (baseline 1): protected messages in unaligned PER, as ICAO's element texts.

The grammar (PMCPDLCAPDUsVersion1, PMCPDLCMessageSetVersion1) is that of Doc 9705, from memory. A message is given decoded only
when every length fitted and the grammar used its bits up to the last; otherwise it is raw and counted.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from earwitness.payloads.cpdlc_elements import ATN_DOWNLINK, ATN_UPLINK
from earwitness.payloads.cpdlc_parts import (
    DIRECTIONS,
    PLAIN_PARTS,
    TIME_TOLERANCES,
    Grammar,
    airport,
    code,
    degrees,
    leg,
    letter,
    optional,
    place_bearing_distance,
    position_report,
    procedure,
    route_clearance,
    route_part,
    runway,
    time_of_day,
    wind,
)
from earwitness.payloads.per import NotDecodedError, Part, Reader, element

# -- places ------------------------------------------------------------------------------------------


def _angle(r: Reader, most: int, letters: str) -> tuple[str, float]:
    """Give an angle in words as sent, and in degrees."""
    kind = r.number(0, 2)
    width = len(str(most))
    if kind == 0:
        value = r.number(0, 1000 * most) / 1000
        text = f"{value:0{width + 4}.3f}"
    else:
        whole = r.number(0, most - 1)
        if kind == 1:
            minutes = r.number(0, 5999) / 100
            text, value = f"{whole:0{width}d}{minutes:05.2f}", whole + minutes / 60
        else:
            minutes, seconds = r.number(0, 59), r.number(0, 59)
            text = f"{whole:0{width}d}{minutes:02d}{seconds:02d}"
            value = whole + minutes / 60 + seconds / 3600
    side = r.bits(1)
    return text + letters[side], -value if side else value


def _lat_lon(r: Reader) -> str:
    with_latitude, with_longitude = r.flags(2)
    latitude = _angle(r, 90, "NS") if with_latitude else ("", 0.0)
    longitude = _angle(r, 180, "EW") if with_longitude else ("", 0.0)
    if with_latitude and with_longitude:
        r.note_place(latitude[1], longitude[1])
    return " ".join(text for text, _ in (latitude, longitude) if text)


def _named(r: Reader, most: int) -> str:
    """Give a fix or beacon with its place if that was sent."""
    with_place = r.bits(1)
    name = r.text(1, most)
    return f"{name} ({_lat_lon(r)})" if with_place else name


def _published(r: Reader) -> str:
    return _named(r, 4) if r.bits(1) else _named(r, 5)


def _position(r: Reader) -> str:
    kind = r.number(0, 4)
    if kind < 2:
        return _named(r, 5 - kind)
    if kind == 2:
        return airport(r)
    return _lat_lon(r) if kind == 3 else place_bearing_distance(r, GRAMMAR)


def _reporting_degrees(r: Reader, which: int) -> str:
    side = ("NS", "EW")[which][r.bits(1)]
    return f"{r.number(0, (90_000, 180_000)[which]) / 1000:g}{side}"


# -- numbers with units ------------------------------------------------------------------------------

_LEVELS: tuple[tuple[int, int, str, int], ...] = (
    (-60, 7000, "{} FT", 10),
    (-30, 25000, "{} M", 1),
    (30, 700, "FL{:03d}", 1),
    (100, 2500, "{} M (standard pressure)", 10),
)
_SPEEDS: tuple[tuple[int, int, str], ...] = (
    (0, 400, "{} KT indicated"),
    (0, 800, "{} KM/H indicated"),
    (0, 2000, "{} KT true"),
    (0, 4000, "{} KM/H true"),
    (-50, 2000, "{} KT ground speed"),
    (-100, 4000, "{} KM/H ground speed"),
    (500, 4000, "M{:.3f}"),
)


def _one_level(r: Reader) -> str:
    low, high, shape, scale = _LEVELS[r.bits(2)]
    return shape.format(r.number(low, high) * scale)


def _level(r: Reader) -> str:
    return f"BLOCK {_one_level(r)} TO {_one_level(r)}" if r.bits(1) else _one_level(r)


def _speed(r: Reader) -> str:
    kind = r.number(0, 6)
    low, high, shape = _SPEEDS[kind]
    value = r.number(low, high)
    return shape.format(value / 1000 if kind == 6 else value)


def _ground_speed(r: Reader) -> str:
    return f"{r.number(-50, 2000)} KT"


def _distance(r: Reader) -> str:
    return f"{r.number(0, 8000) / 4:g} KM" if r.bits(1) else f"{r.number(0, 9999) / 10:g} NM"


def _specified(r: Reader) -> str:
    return f"{r.number(1, 500)} KM" if r.bits(1) else f"{r.number(1, 250)} NM"


def _rate(r: Reader) -> str:
    return f"{r.number(0, 1000) * 10} M/MIN" if r.bits(1) else f"{r.number(0, 3000) * 10} FT/MIN"


def _frequency(r: Reader) -> str:
    kind = r.bits(2)
    if kind == 0:
        return f"{r.number(2850, 28000)} KHZ"
    if kind == 1:
        return f"{r.number(23600, 27398) * 5 / 1000:.3f} MHZ"
    if kind == 2:
        return f"{r.number(9000, 15999) * 25 / 1000:.3f} MHZ"
    return f"channel {r.digits(12)}"


def _rvr(r: Reader) -> str:
    return f"{r.number(0, 1500)} M" if r.bits(1) else f"{r.number(0, 6100)} FT"


def _temperature(r: Reader) -> str:
    return f"{r.number(-100, 100)} C"


def _vertical_change(r: Reader) -> str:
    way = ("UP", "DOWN")[r.bits(1)]
    return f"{way} {_rate(r)}"


def _humidity(r: Reader) -> str:
    return f"{r.number(0, 100)} PERCENT"


# -- names -------------------------------------------------------------------------------------------

FUNCTIONS = (
    "CENTER", "APPROACH", "TOWER", "FINAL", "GROUND", "CLEARANCE DELIVERY", "DEPARTURE", "CONTROL", "RADIO",
)  # fmt: skip


def _designation(r: Reader) -> str:
    return r.text(8, 8)


def _facility(r: Reader) -> str:
    return _designation(r) if r.bits(1) else "NONE"


def _unit(r: Reader) -> str:
    with_name = r.bits(1)
    where = _designation(r)
    name = f" {r.text(3, 18)}" if with_name else ""
    return f"{where}{name} {r.name(FUNCTIONS, open_ended=True)}"


def _procedure(r: Reader) -> str:
    return procedure(r, 20)


def _clearance_type(r: Reader) -> str:
    names = (
        "", "APPROACH", "DEPARTURE", "FURTHER", "START-UP", "PUSHBACK", "TAXI", "TAKE-OFF", "LANDING", "OCEANIC",
        "EN-ROUTE", "DOWNSTREAM",
    )  # fmt: skip
    return r.name(names, open_ended=True)


def _traffic(r: Reader) -> str:
    names = ("", "OPPOSITE DIRECTION", "SAME DIRECTION", "CONVERGING", "CROSSING", "DIVERGING")
    return r.name(names, open_ended=True)


def _speed_type(r: Reader) -> str:
    names = ("", "INDICATED", "TRUE", "GROUND", "MACH", "APPROACH", "CRUISE", "MINIMUM", "MAXIMUM")
    return r.name(names, open_ended=True)


def _speed_types(r: Reader) -> str:
    return " ".join(text for text in (_speed_type(r) for _ in range(3)) if text)


def _error(r: Reader) -> str:
    names = (
        "unrecognised reference number",
        "logical acknowledgement not accepted",
        "insufficient resources",
        "invalid combination of elements",
        "invalid element",
    )
    return r.name(names, open_ended=True)


def _turbulence(r: Reader) -> str:
    return r.name(("LIGHT", "MODERATE", "SEVERE"))


def _icing(r: Reader) -> str:
    return r.name(("reserved", "LIGHT", "MODERATE", "SEVERE"))


# -- clearances and reports --------------------------------------------------------------------------

GRAMMAR = Grammar(
    position=_position,
    published=_published,
    lat_lon=_lat_lon,
    level=_level,
    speed=_speed,
    distance=_distance,
    reporting_degrees=_reporting_degrees,
    more_route_parts=(("", lambda r: r.text(2, 7)),),
)


def _route(r: Reader) -> str:
    return route_clearance(r, GRAMMAR, _procedure, ())


def _route_index(r: Reader) -> str:
    return f"ROUTE CLEARANCE {r.number(1, 2)}"


def _hold(r: Reader) -> str:
    place, level, inbound = _position(r), _level(r), degrees(r)
    return f"{place} MAINTAIN {level} INBOUND TRACK {inbound} TURNS {r.name(DIRECTIONS)} {leg(r)}"


def _report(r: Reader) -> str:
    return position_report(
        r,
        GRAMMAR,
        (
            ("TEMPERATURE", _temperature),
            ("WIND", wind),
            ("TURBULENCE", _turbulence),
            ("ICING", _icing),
            ("SPEED", _speed),
            ("GROUND SPEED", _ground_speed),
            ("VERTICAL", _vertical_change),
            ("TRACK", degrees),
            ("HEADING", degrees),
            ("DISTANCE", _distance),
            ("HUMIDITY", _humidity),
        ),
    )


def _departure(r: Reader) -> str:
    with_further = r.bits(1)
    text = f"{r.text(2, 8)} CLEARED TO {_position(r)}"
    kind = r.number(0, 2)
    if kind != 1:
        text += f" ROUTE {route_part(r, GRAMMAR)}"
    if kind != 0:
        text += f" {_levels_of_flight(r)}"
    return text + (f", {_further(r)}" if with_further else "")


def _levels_of_flight(r: Reader) -> str:
    kind = r.number(0, 2)
    level = _level(r) if kind != 1 else ""
    return " ".join(text for text in (level, _procedure(r) if kind != 0 else "") if text)


def _departure_time(r: Reader) -> str:
    return optional(
        r,
        (
            ("ALLOCATED", time_of_day),
            ("CONTROLLED", _controlled),
            ("EXPECT CLEARANCE", time_of_day),
            ("INTERVAL", lambda r: f"{r.number(1, 150) / 10:g} MIN"),
        ),
    )


def _controlled(r: Reader) -> str:
    clock = time_of_day(r)
    return f"{r.name(TIME_TOLERANCES)} {clock}"


def _further(r: Reader) -> str:
    return optional(
        r,
        (
            ("SQUAWK", code),
            ("DEPARTURE FREQUENCY", lambda r: f"{_unit(r)} {_frequency(r)}"),
            ("EXPIRES", time_of_day),
            ("FROM", airport),
            ("TO", airport),
            ("DEPARTURE TIME", _departure_time),
            ("RUNWAY", runway),
            ("REVISION", lambda r: str(r.number(1, 16))),
            ("ATIS", letter),
        ),
    )


PARTS: dict[str, Part] = {
    **PLAIN_PARTS,
    "position": _position,
    "level": _level,
    "speed": _speed,
    "speed types": _speed_types,
    "frequency": _frequency,
    "unit": _unit,
    "distance": _distance,
    "offset": _specified,
    "procedure": _procedure,
    "rate": _rate,
    "facility": _facility,
    "designation": _designation,
    "error": _error,
    "traffic": _traffic,
    "clearance": _clearance_type,
    "runway": runway,
    "rvr": _rvr,
    "airport": airport,
    "route": _route_index,
    "hold": _hold,
    "report": _report,
    "departure": _departure,
}

EMERGENCY = ("DM55", "DM56", "DM57", "DM112")

USER_ABORTS = (
    "undefined", "no message identification numbers available", "duplicate message identification numbers",
    "no longer next data authority", "current data authority abort", "commanded termination", "invalid response",
    "time out of synchronisation", "unknown integrity check", "validation failure", "unable to decode message",
    "invalid PDU", "invalid message",
)  # fmt: skip
PROVIDER_ABORTS = (
    "timer expired", "undefined error", "invalid PDU", "protocol error", "communication service error",
    "communication service failure", "invalid quality of service", "expected PDU missing",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class ProtectedMessage:
    """What a protected message says, and the bits its integrity check covers."""

    fields: dict[str, Any] = field(default_factory=dict)
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    flags: tuple[str, ...] = ()
    covered: Reader | None = None
    check: int | None = None


def read_protected(r: Reader, *, downlink: bool) -> ProtectedMessage:
    """Give a protected PDU of an aircraft or of the ground that is all there is of `r`.

    Raises NotDecodedError when its frame does not fit. A message inside that cannot be decoded whole is given raw in
    `not_decoded_hex` and counted in `elements_not_decoded`.
    """
    r.closed()
    kind = r.number(0, 3 if downlink else 5)
    if kind < 2:
        what = "aborted by the user" if kind == 0 else "aborted by the provider"
        names = (USER_ABORTS, PROVIDER_ABORTS)[kind]
        reason = r.name(names, open_ended=True)
        r.finish()
        return ProtectedMessage({"controller_pilot": what, "abort_reason": reason})
    if kind > 3:
        raise NotDecodedError("forwarded between ground systems")
    fields: dict[str, Any] = {"controller_pilot": ("start", "message")[kind - 2]}
    if kind == 2 and downlink and r.bits(1):
        fields["controller_pilot"] = ("start", "start with a downstream unit")[r.bits(1)]
    r.closed()
    with_algorithm, with_message = r.flags(2)
    if with_algorithm:
        fields["integrity_algorithm"] = r.arcs(relative=True)
    covered = r.part(r.length()) if with_message else None
    size = r.length()
    check = r.bits(size)
    r.finish()
    fields["integrity_check_hex"] = f"{check << -size % 8:0{-(-size // 8) * 2}X}" if size else ""
    found = ProtectedMessage(fields, covered=covered, check=check if size == 32 else None)
    if covered is None:
        return found
    inner = covered.copy()
    try:
        message = read_message(inner, downlink=downlink)
    except NotDecodedError as error:
        raw = covered.copy().rest()
        fields |= {"elements_not_decoded": 1, "not_decoded_hex": raw, "not_decoded_why": str(error)}
        return found
    fields |= message
    place = inner.own_place if downlink else None
    urgent = any(row["element"] in EMERGENCY for row in message["elements"])
    return ProtectedMessage(
        fields,
        place[0] if place else None,
        place[1] if place else None,
        ("emergency",) if urgent else (),
        covered,
        found.check,
    )


def read_message(r: Reader, *, downlink: bool) -> dict[str, Any]:
    """Give header and elements of the message that is all there is of `r`; NotDecodedError when it does not fit."""
    table, prefix = (ATN_DOWNLINK, "DM") if downlink else (ATN_UPLINK, "UM")
    with_reference, with_acknowledgement = r.flags(2)
    fields: dict[str, Any] = {"message_number": r.bits(6), "reference": r.bits(6) if with_reference else None}
    year, month, day = r.number(1996, 2095), r.number(1, 12), r.number(1, 31)
    fields["message_time"] = f"{year}-{month:02d}-{day:02d} {time_of_day(r)}:{r.number(0, 59):02d}"
    fields["logical_acknowledgement"] = not r.bits(1) if with_acknowledgement else False
    with_routes = r.bits(1)
    elements = []
    for _ in range(r.number(1, 5)):
        r.closed()
        elements.append(element(r, r.number(0, len(table) - 1), table, prefix, PARTS))
    fields["elements"] = elements
    if with_routes:
        r.closed()
        if r.bits(1):
            fields["route_clearances"] = [_route(r) for _ in range(r.number(1, 2))]
    if named := r.named_positions():
        fields["positions"] = named
    r.finish()
    return fields


def message_checksum(octets: bytes) -> int:
    """Give the ATN's 32-bit message checksum of octets: sums of four orders modulo 255 (Doc 9705, from memory).

    The four octets bring all four sums of what they end to zero.
    """
    c0 = c1 = c2 = c3 = 0
    for octet in octets:
        c0 += octet
        c1 += c0
        c2 += c1
        c3 += c2
    tail = (-(c0 + c1 + c2 + c3), c1 + 2 * c2 + 3 * c3, -(c2 + 3 * c3), c3)
    return int.from_bytes(bytes(value % 255 for value in tail), "big")
