"""Controller-pilot messages of FANS-1/A: elements in unaligned PER, given as the published element texts.

The grammar of the parameters is from memory of RTCA DO-219. Unaligned PER (ITU-T X.691): numbers of a known range in
the fewest bits, a choice as the number of its alternative, optional parts behind presence bits. Where an element cannot
be decoded the message is given raw from there on and counted, since the place of what follows is not known.

The width of a downlink element's number is not certain (7 bits when the table ends at 80, 8 when it is filled up to
128). A downlink is read both ways; a reading counts when it uses up the octets to the last, with zeros to fill. When
both count and differ both are given and the message is marked so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from earwitness.payloads.cpdlc_elements import FANS_DOWNLINK, FANS_UPLINK
from earwitness.payloads.cpdlc_parts import (
    PLAIN_PARTS,
    Grammar,
    airport,
    code,
    degrees,
    direction,
    leg,
    place_bearing_distance,
    position_report,
    procedure,
    route_clearance,
    several,
    time_of_day,
    wind,
)
from earwitness.payloads.per import NotDecodedError, Part, Reader, element


def _angle(r: Reader, most: int, letters: str) -> tuple[str, float]:
    """Give an angle in words as sent, and in degrees."""
    minutes_there = r.bits(1)
    whole = r.number(0, most)
    minutes = r.number(0, 599) / 10 if minutes_there else None
    side = r.bits(1)
    width = len(str(most))
    text = f"{whole:0{width}d}{'' if minutes is None else f'{minutes:04.1f}'}{letters[side]}"
    value = whole + (minutes or 0) / 60
    if value > most:
        raise NotDecodedError(f"{value} degrees")
    return text, -value if side else value


def _lat_lon(r: Reader) -> str:
    latitude, longitude = _angle(r, 90, "NS"), _angle(r, 180, "EW")
    r.note_place(latitude[1], longitude[1])
    return f"{latitude[0]} {longitude[0]}"


def _published(r: Reader) -> str:
    with_place = r.bits(1)
    name = r.text(1, 5)
    return f"{name} ({_lat_lon(r)})" if with_place else name


def _position(r: Reader) -> str:
    kind = r.number(0, 4)
    if kind < 2:
        return r.text(1, 5 - kind)
    if kind == 2:
        return airport(r)
    return _lat_lon(r) if kind == 3 else place_bearing_distance(r, GRAMMAR)


def _reporting_degrees(r: Reader, which: int) -> str:
    side = ("NS", "EW")[which][r.bits(1)]
    return f"{r.number(0, (90, 180)[which])}{side}"


_ALTITUDES: tuple[tuple[int, int, str, int], ...] = (
    (0, 2500, "{} FT", 10),
    (0, 16000, "{} M", 1),
    (0, 2100, "{} FT QFE", 10),
    (0, 7000, "{} M QFE", 1),
    (0, 150000, "{} FT GNSS", 1),
    (0, 50000, "{} M GNSS", 1),
    (30, 600, "FL{:03d}", 1),
    (100, 2000, "{} M (standard pressure)", 10),
)
_SPEEDS: tuple[tuple[int, int, str, int], ...] = (
    (7, 38, "{} KT indicated", 10),
    (10, 137, "{} KM/H indicated", 10),
    (7, 70, "{} KT true", 10),
    (10, 137, "{} KM/H true", 10),
    (7, 70, "{} KT ground speed", 10),
    (10, 265, "{} KM/H ground speed", 10),
    (61, 92, "M.{:02d}", 1),
    (93, 604, "M{:.2f}", 1),
)


def _altitude(r: Reader) -> str:
    low, high, shape, scale = _ALTITUDES[r.bits(3)]
    return shape.format(r.number(low, high) * scale)


def _speed(r: Reader) -> str:
    kind = r.bits(3)
    low, high, shape, scale = _SPEEDS[kind]
    value = r.number(low, high) * scale
    return shape.format(value / 100 if kind == 7 else value)


def _frequency(r: Reader) -> str:
    kind = r.bits(2)
    if kind == 0:
        return f"{r.number(2850, 28000)} KHZ"
    if kind == 1:
        return f"{r.number(117000, 138000) / 1000:.3f} MHZ"
    if kind == 2:
        return f"{r.number(225000, 399975) / 1000:.3f} MHZ"
    return f"channel {r.digits(12)}"


def _unit(r: Reader) -> str:
    name = r.text(3, 18) if r.bits(1) else r.text(4, 4)
    functions = (
        "CENTER",
        "APPROACH",
        "TOWER",
        "FINAL",
        "GROUND",
        "CLEARANCE DELIVERY",
        "DEPARTURE",
        "CONTROL",
    )
    return f"{name} {r.name(functions)}"


def _distance(r: Reader) -> str:
    return f"{r.number(1, 1024)} KM" if r.bits(1) else f"{r.number(0, 9999) / 10:g} NM"


def _offset(r: Reader) -> str:
    return f"{r.number(1, 256)} KM" if r.bits(1) else f"{r.number(1, 128)} NM"


def _procedure(r: Reader) -> str:
    return procedure(r, 6)


def _rate(r: Reader) -> str:
    return f"{r.number(0, 200) * 10} M/MIN" if r.bits(1) else f"{r.number(0, 60) * 100} FT/MIN"


def _table(r: Reader) -> str:
    return ("LABEL A", "LABEL B")[r.bits(1)]


def _error(r: Reader) -> str:
    names = [
        "application error",
        "duplicate message number",
        "unrecognised reference number",
        "end of service with messages pending",
        "end of service without valid response",
        "storage full",
        "no message number free",
        "commanded termination",
        "insufficient data",
        "unexpected data",
        "invalid data",
    ]
    number = r.number(0, 15)
    return names[number] if number < len(names) else f"reserved {number}"


def _track(r: Reader) -> str:
    return f"TRACK {r.text(3, 6)} {several(r, 128, _lat_lon)}"


GRAMMAR = Grammar(
    position=_position,
    published=_published,
    lat_lon=_lat_lon,
    level=_altitude,
    speed=_speed,
    distance=_distance,
    reporting_degrees=_reporting_degrees,
    more_route_parts=(("", lambda r: r.text(2, 7)), ("", _track)),
)


def _route(r: Reader) -> str:
    return route_clearance(r, GRAMMAR, _procedure, (("INTERCEPT AIRWAY", lambda r: r.text(2, 7)),))


def _hold(r: Reader) -> str:
    with_leg = r.bits(1)
    place, level, inbound = _position(r), _altitude(r), degrees(r)
    text = f"{place} MAINTAIN {level} INBOUND TRACK {inbound} TURNS {direction(r)}"
    return f"{text} {leg(r)}" if with_leg else text


def _temperature(r: Reader) -> str:
    return f"{r.number(-105, 150)} F" if r.bits(1) else f"{r.number(-80, 47)} C"


def _vertical_change(r: Reader) -> str:
    way = ("UP", "DOWN")[r.bits(1)]
    return f"{way} {_rate(r)}"


def _report(r: Reader) -> str:
    return position_report(
        r,
        GRAMMAR,
        (
            ("TEMPERATURE", _temperature),
            ("WIND", wind),
            ("TURBULENCE", lambda r: r.name(("LIGHT", "MODERATE", "SEVERE"))),
            ("ICING", lambda r: r.name(("TRACE", "LIGHT", "MODERATE", "SEVERE"))),
            ("SPEED", _speed),
            ("GROUND SPEED", lambda r: f"{10 * r.number(7, 70)} KT"),
            ("VERTICAL", _vertical_change),
            ("TRACK", degrees),
            ("TRUE HEADING", degrees),
            ("DISTANCE", _distance),
            ("REMARKS", lambda r: r.text(1, 128)),
        ),
    )


_EQUIPMENT = (
    "LORAN A", "LORAN C", "LORAN D", "DECCA", "DME", "ADF", "GNSS", "HF", "INERTIAL", "ILS", "OMEGA", "VOR", "DOPPLER",
    "RNAV", "TACAN", "UHF", "VHF",
)  # fmt: skip
_TRANSPONDERS = (
    "NO TRANSPONDER",
    "MODE A",
    "MODE A C",
    "MODE S",
    "MODE S ALTITUDE",
    "MODE S IDENT",
    "MODE S BOTH",
)


def _equipment(r: Reader) -> str:
    available = ("WITHOUT", "WITH")[r.bits(1)]
    return f"{available} {several(r, 16, lambda r: r.name(_EQUIPMENT))}, {r.name(_TRANSPONDERS)}"


def _departure(r: Reader) -> str:
    with_type, with_equipment, with_restriction = r.flags(3)
    text = r.text(2, 8)
    text += f" {r.text(2, 4)}" if with_type else ""
    text += f" {_equipment(r)}" if with_equipment else ""
    text += f" DEPARTURE AT {time_of_day(r)}, {_route(r)}"
    text += f", MAINTAIN {_altitude(r)}" if with_restriction else ""
    return f"{text}, DEPARTURE FREQUENCY {_frequency(r)}, SQUAWK {code(r)}, REVISION {r.number(1, 16)}"


PARTS: dict[str, Part] = {
    **PLAIN_PARTS,
    "position": _position,
    "level": _altitude,
    "speed": _speed,
    "frequency": _frequency,
    "unit": _unit,
    "distance": _distance,
    "offset": _offset,
    "procedure": _procedure,
    "rate": _rate,
    "facility": airport,  # four letters as well
    "table": _table,
    "error": _error,
    "route": _route,
    "hold": _hold,
    "report": _report,
    "departure": _departure,
    "track": _track,
}

UPLINK_BITS = 8
DOWNLINK_BITS = (7, 8)
EMERGENCY = (55, 56, 57)  # downlinks: urgency, distress, and what goes with them


@dataclass(frozen=True, slots=True)
class ControllerPilot:
    """What a controller-pilot message says."""

    fields: Mapping[str, Any] = field(default_factory=dict)
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    flags: tuple[str, ...] = ()


def read_message(octets: bytes, *, downlink: bool) -> ControllerPilot:
    """Give the elements of a message's octets; what could not be decoded is given raw and counted."""
    if not downlink:
        return ControllerPilot(_read(octets, FANS_UPLINK, "UM", UPLINK_BITS)[0])
    readings = [_read(octets, FANS_DOWNLINK, "DM", width) for width in DOWNLINK_BITS]
    whole = [(fields, place) for fields, ended, place in readings if ended]
    fields, place = whole[0] if whole else (readings[0][0], None)
    if len(whole) > 1 and whole[0] != whole[1]:
        return ControllerPilot({**fields, "other_reading": whole[1][0]["elements"]})
    if not whole:
        fields = {name: value for name, value in fields.items() if name not in ("elements", "reference")}
        return ControllerPilot({**fields, "elements_not_decoded": 1, "not_decoded_hex": octets.hex().upper()})
    urgent = any(int(row["element"][2:]) in EMERGENCY for row in fields["elements"])
    latitude, longitude = place or (None, None)
    return ControllerPilot(fields, latitude, longitude, ("emergency",) if urgent else ())


def _read(
    octets: bytes, table: tuple[str, ...], prefix: str, width: int
) -> tuple[dict[str, Any], bool, tuple[float, float] | None]:
    """Give the fields of one reading, whether it came out whole, and the place it reports of the aircraft."""
    r = Reader(octets)
    fields: dict[str, Any] = {"elements": []}
    mark = 0
    count = 1
    try:
        more, with_reference, with_time = r.bits(1), r.bits(1), r.bits(1)
        fields["message_number"] = r.bits(6)
        fields["reference"] = r.bits(6) if with_reference else None
        fields["message_time"] = f"{time_of_day(r)}:{r.number(0, 59):02d}" if with_time else None
        done = 0
        while done < count:
            mark = r.at
            number = r.bits(width)
            if number >= len(table):
                raise NotDecodedError(f"no element {prefix}{number}")
            fields["elements"].append(element(r, number, table, prefix, PARTS))
            done += 1
            if more:
                mark = r.at
                count += r.number(1, 4)
                more = 0
    except NotDecodedError:
        r.at = mark
        left = r.rest()
        undone = count - len(fields["elements"])
        return {**fields, "elements_not_decoded": undone, "not_decoded_hex": left}, False, None
    ended = r.ended()
    if ended and (named := r.named_positions()):
        fields["positions"] = named
    if not ended:
        fields |= {"elements_not_decoded": 0, "not_decoded_hex": r.rest()}
    return fields, ended, r.own_place
