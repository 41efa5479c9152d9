"""Controller-pilot messages of FANS-1/A: elements in unaligned PER, given as the published element texts.

Element texts: read in the FAA's Aeronautical Information Manual and ICAO's GOLD where the project's aviation sheet
marks them so, the rest from memory of RTCA DO-219, as is the grammar of the parameters. Unaligned PER (ITU-T X.691):
numbers of a known range in the fewest bits, a choice as the number of its alternative, optional parts behind presence
bits. Where an element cannot be decoded the message is given raw from there on and counted, since the place of what
follows is not known.

The width of a downlink element's number is not certain (7 bits when the table ends at 80, 8 when it is filled up to
128). A downlink is read both ways; a reading counts when it uses up the octets to the last, with zeros to fill. When
both count and differ both are given and the message is marked so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from earwitness.payloads.cpdlc_parts import (
    Grammar,
    airport,
    altimeter,
    code,
    degrees,
    direction,
    free_text,
    leg,
    letter,
    place_bearing_distance,
    position_report,
    procedure,
    route_clearance,
    several,
    souls,
    time_of_day,
    to_from,
    version,
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
    "position": _position,
    "time": time_of_day,
    "level": _altitude,
    "speed": _speed,
    "frequency": _frequency,
    "unit": _unit,
    "degrees": degrees,
    "distance": _distance,
    "offset": _offset,
    "direction": direction,
    "procedure": _procedure,
    "code": code,
    "text": free_text,
    "rate": _rate,
    "altimeter": altimeter,
    "letter": letter,
    "facility": airport,  # four letters as well
    "table": _table,
    "error": _error,
    "version": version,
    "fuel": time_of_day,
    "souls": souls,
    "to_from": to_from,
    "route": _route,
    "hold": _hold,
    "report": _report,
    "departure": _departure,
    "track": _track,
}

_UPLINK = """UNABLE|STANDBY|REQUEST DEFERRED|ROGER|AFFIRM|NEGATIVE|EXPECT [level]|EXPECT CLIMB AT [time]|
EXPECT CLIMB AT [position]|EXPECT DESCENT AT [time]|EXPECT DESCENT AT [position]|EXPECT CRUISE CLIMB AT [time]|
EXPECT CRUISE CLIMB AT [position]|AT [time] EXPECT CLIMB TO [level]|AT [position] EXPECT CLIMB TO [level]|
AT [time] EXPECT DESCENT TO [level]|AT [position] EXPECT DESCENT TO [level]|
AT [time] EXPECT CRUISE CLIMB TO [level]|AT [position] EXPECT CRUISE CLIMB TO [level]|MAINTAIN [level]|
CLIMB TO AND MAINTAIN [level]|AT [time] CLIMB TO AND MAINTAIN [level]|AT [position] CLIMB TO AND MAINTAIN [level]|
DESCEND TO AND MAINTAIN [level]|AT [time] DESCEND TO AND MAINTAIN [level]|
AT [position] DESCEND TO AND MAINTAIN [level]|CLIMB TO REACH [level] BY [time]|CLIMB TO REACH [level] BY [position]|
DESCEND TO REACH [level] BY [time]|DESCEND TO REACH [level] BY [position]|MAINTAIN BLOCK [level] TO [level]|
CLIMB TO AND MAINTAIN BLOCK [level] TO [level]|DESCEND TO AND MAINTAIN BLOCK [level] TO [level]|CRUISE [level]|
CRUISE CLIMB TO [level]|CRUISE CLIMB ABOVE [level]|EXPEDITE CLIMB TO [level]|EXPEDITE DESCENT TO [level]|
IMMEDIATELY CLIMB TO [level]|IMMEDIATELY DESCEND TO [level]|IMMEDIATELY STOP CLIMB AT [level]|
IMMEDIATELY STOP DESCENT AT [level]|EXPECT TO CROSS [position] AT [level]|
EXPECT TO CROSS [position] AT OR ABOVE [level]|EXPECT TO CROSS [position] AT OR BELOW [level]|
EXPECT TO CROSS [position] AT AND MAINTAIN [level]|CROSS [position] AT [level]|CROSS [position] AT OR ABOVE [level]|
CROSS [position] AT OR BELOW [level]|CROSS [position] AT AND MAINTAIN [level]|
CROSS [position] BETWEEN [level] AND [level]|CROSS [position] AT [time]|CROSS [position] AT OR BEFORE [time]|
CROSS [position] AT OR AFTER [time]|CROSS [position] BETWEEN [time] AND [time]|CROSS [position] AT [speed]|
CROSS [position] AT OR LESS THAN [speed]|CROSS [position] AT OR GREATER THAN [speed]|
CROSS [position] AT [time] AT [level]|CROSS [position] AT OR BEFORE [time] AT [level]|
CROSS [position] AT OR AFTER [time] AT [level]|CROSS [position] AT AND MAINTAIN [level] AT [speed]|
AT [time] CROSS [position] AT AND MAINTAIN [level]|AT [time] CROSS [position] AT AND MAINTAIN [level] AT [speed]|
OFFSET [offset] [direction] OF ROUTE|AT [position] OFFSET [offset] [direction] OF ROUTE|
AT [time] OFFSET [offset] [direction] OF ROUTE|PROCEED BACK ON ROUTE|REJOIN ROUTE BY [position]|
REJOIN ROUTE BY [time]|EXPECT BACK ON ROUTE BY [position]|EXPECT BACK ON ROUTE BY [time]|RESUME OWN NAVIGATION|
[departure]|PROCEED DIRECT TO [position]|WHEN ABLE PROCEED DIRECT TO [position]|
AT [time] PROCEED DIRECT TO [position]|AT [position] PROCEED DIRECT TO [position]|
AT [level] PROCEED DIRECT TO [position]|CLEARED TO [position] VIA [route]|CLEARED [route]|CLEARED [procedure]|
CLEARED TO DEVIATE UP TO [offset] [direction] OF ROUTE|AT [position] CLEARED [route]|
AT [position] CLEARED [procedure]|EXPECT [route]|AT [position] EXPECT [route]|EXPECT DIRECT TO [position]|
AT [position] EXPECT DIRECT TO [position]|AT [time] EXPECT DIRECT TO [position]|
AT [level] EXPECT DIRECT TO [position]|HOLD AT [hold]|HOLD AT [position] AS PUBLISHED MAINTAIN [level]|
EXPECT FURTHER CLEARANCE AT [time]|TURN [direction] HEADING [degrees]|TURN [direction] GROUND TRACK [degrees]|
FLY PRESENT HEADING|AT [position] FLY HEADING [degrees]|IMMEDIATELY TURN [direction] HEADING [degrees]|
EXPECT [procedure]|AT [time] EXPECT [speed]|AT [position] EXPECT [speed]|AT [level] EXPECT [speed]|
AT [time] EXPECT [speed] TO [speed]|AT [position] EXPECT [speed] TO [speed]|AT [level] EXPECT [speed] TO [speed]|
MAINTAIN [speed]|MAINTAIN PRESENT SPEED|MAINTAIN [speed] OR GREATER|MAINTAIN [speed] OR LESS|
MAINTAIN [speed] TO [speed]|INCREASE SPEED TO [speed]|INCREASE SPEED TO [speed] OR GREATER|REDUCE SPEED TO [speed]|
REDUCE SPEED TO [speed] OR LESS|DO NOT EXCEED [speed]|RESUME NORMAL SPEED|CONTACT [unit] [frequency]|
AT [position] CONTACT [unit] [frequency]|AT [time] CONTACT [unit] [frequency]|MONITOR [unit] [frequency]|
AT [position] MONITOR [unit] [frequency]|AT [time] MONITOR [unit] [frequency]|SQUAWK [code]|STOP SQUAWK|
SQUAWK ALTITUDE|STOP ALTITUDE SQUAWK|REPORT BACK ON ROUTE|REPORT LEAVING [level]|REPORT LEVEL [level]|
REPORT PASSING [position]|REPORT REMAINING FUEL AND SOULS ON BOARD|CONFIRM POSITION|CONFIRM ALTITUDE|CONFIRM SPEED|
CONFIRM ASSIGNED ALTITUDE|CONFIRM ASSIGNED SPEED|CONFIRM ASSIGNED ROUTE|CONFIRM TIME OVER REPORTED WAYPOINT|
CONFIRM REPORTED WAYPOINT|CONFIRM NEXT WAYPOINT|CONFIRM NEXT WAYPOINT ETA|CONFIRM ENSUING WAYPOINT|CONFIRM REQUEST|
CONFIRM SQUAWK|CONFIRM HEADING|CONFIRM GROUND TRACK|REQUEST POSITION REPORT|WHEN CAN YOU ACCEPT [level]|
CAN YOU ACCEPT [level] AT [position]|CAN YOU ACCEPT [level] AT [time]|WHEN CAN YOU ACCEPT [speed]|
WHEN CAN YOU ACCEPT [direction] [offset] OFFSET|ALTIMETER [altimeter]|RADAR SERVICES TERMINATED|
RADAR CONTACT [position]|RADAR CONTACT LOST|CHECK STUCK MICROPHONE [frequency]|ATIS [letter]|ERROR [error]|
NEXT DATA AUTHORITY [facility]|END SERVICE|SERVICE UNAVAILABLE|[facility] [table]|WHEN READY|THEN|DUE TO TRAFFIC|
DUE TO AIRSPACE RESTRICTION|DISREGARD|[text]|[text]|CLIMB AT [rate] MINIMUM|CLIMB AT [rate] MAXIMUM|
DESCEND AT [rate] MINIMUM|DESCEND AT [rate] MAXIMUM|REPORT REACHING [level]|MAINTAIN OWN SEPARATION AND VMC|
AT PILOTS DISCRETION|[track]|SQUAWK IDENT|REPORT REACHING BLOCK [level] TO [level]|
REPORT DISTANCE [to_from] [position]|CONFIRM ATIS CODE"""

_DOWNLINK = """WILCO|UNABLE|STANDBY|ROGER|AFFIRM|NEGATIVE|REQUEST [level]|REQUEST BLOCK [level] TO [level]|
REQUEST CRUISE CLIMB TO [level]|REQUEST CLIMB TO [level]|REQUEST DESCENT TO [level]|
AT [position] REQUEST CLIMB TO [level]|AT [position] REQUEST DESCENT TO [level]|AT [time] REQUEST CLIMB TO [level]|
AT [time] REQUEST DESCENT TO [level]|REQUEST OFFSET [offset] [direction] OF ROUTE|
AT [position] REQUEST OFFSET [offset] [direction] OF ROUTE|AT [time] REQUEST OFFSET [offset] [direction] OF ROUTE|
REQUEST [speed]|REQUEST [speed] TO [speed]|REQUEST VOICE CONTACT|REQUEST VOICE CONTACT [frequency]|
REQUEST DIRECT TO [position]|REQUEST [procedure]|REQUEST [route]|REQUEST CLEARANCE|
REQUEST WEATHER DEVIATION TO [position] VIA [route]|REQUEST WEATHER DEVIATION UP TO [offset] [direction] OF ROUTE|
LEAVING [level]|CLIMBING TO [level]|DESCENDING TO [level]|PASSING [position]|PRESENT ALTITUDE [level]|
PRESENT POSITION [position]|PRESENT SPEED [speed]|PRESENT HEADING [degrees]|PRESENT GROUND TRACK [degrees]|
LEVEL [level]|ASSIGNED ALTITUDE [level]|ASSIGNED SPEED [speed]|ASSIGNED ROUTE [route]|BACK ON ROUTE|
NEXT WAYPOINT [position]|NEXT WAYPOINT ETA [time]|ENSUING WAYPOINT [position]|REPORTED WAYPOINT [position]|
REPORTED WAYPOINT [time]|SQUAWKING [code]|POSITION REPORT [report]|WHEN CAN WE EXPECT [speed]|
WHEN CAN WE EXPECT [speed] TO [speed]|WHEN CAN WE EXPECT BACK ON ROUTE|WHEN CAN WE EXPECT LOWER ALTITUDE|
WHEN CAN WE EXPECT HIGHER ALTITUDE|WHEN CAN WE EXPECT CRUISE CLIMB TO [level]|PAN PAN PAN|MAYDAY MAYDAY MAYDAY|
[fuel] OF FUEL REMAINING AND [souls] SOULS ON BOARD|CANCEL EMERGENCY|DIVERTING TO [position] VIA [route]|
OFFSETTING [offset] [direction] OF ROUTE|DESCENDING TO [level]|ERROR [error]|NOT CURRENT DATA AUTHORITY|[facility]|
DUE TO WEATHER|DUE TO AIRCRAFT PERFORMANCE|[text]|[text]|REQUEST VMC DESCENT|REQUEST HEADING [degrees]|
REQUEST GROUND TRACK [degrees]|REACHING [level]|VERSION [version]|MAINTAIN OWN SEPARATION AND VMC|
AT PILOTS DISCRETION|REACHING BLOCK [level] TO [level]|ASSIGNED BLOCK [level] TO [level]|
AT [time] [distance] [to_from] [position]|ATIS [letter]|DEVIATING [offset] [direction] OF ROUTE"""

UPLINK = tuple(_UPLINK.replace("\n", "").split("|"))
DOWNLINK = tuple(_DOWNLINK.replace("\n", "").split("|"))
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
        return ControllerPilot(_read(octets, UPLINK, "UM", UPLINK_BITS)[0])
    readings = [_read(octets, DOWNLINK, "DM", width) for width in DOWNLINK_BITS]
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
