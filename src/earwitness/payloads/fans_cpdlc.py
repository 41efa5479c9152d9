"""Controller-pilot messages of FANS-1/A: elements in unaligned PER, given as the published element texts.

Element texts: read in the FAA's Aeronautical Information Manual and ICAO's GOLD where the project's aviation sheet
marks them so, the rest from memory of RTCA DO-219, as is the grammar of the parameters. Unaligned PER (ITU-T X.691):
numbers of a known range in the fewest bits, a choice as the number of its alternative, optional parts behind presence
bits. Route clearances, holding patterns and position reports are not decoded: from there on a message is given raw
and counted, since the place of what follows is not known.

The width of a downlink element's number is not certain (7 bits when the table ends at 80, 8 when it is filled up to
128). A downlink is read both ways; a reading counts when it uses up the octets to the last, with zeros to fill. When
both count and differ both are given and the message is marked so.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from earwitness.core.text import inert


class NotDecodedError(ValueError):
    """Bits end early, or a value is not one of the grammar's."""


class _Reader:
    """Takes unaligned numbers from octets."""

    def __init__(self, octets: bytes):
        self._value = int.from_bytes(octets, "big")
        self.size = 8 * len(octets)
        self.at = 0

    def bits(self, count: int) -> int:
        if self.at + count > self.size:
            raise NotDecodedError("bits end early")
        self.at += count
        return self._value >> (self.size - self.at) & ((1 << count) - 1)

    def number(self, low: int, high: int) -> int:
        """Give an integer of the range low..high."""
        value = low + self.bits((high - low).bit_length())
        if value > high:
            raise NotDecodedError(f"{value} is above {high}")
        return value

    def text(self, low: int, high: int) -> str:
        """Give an IA5 string of low..high characters, made inert."""
        return inert("".join(chr(self.bits(7)) for _ in range(self.number(low, high))))

    def rest(self) -> str:
        """Give the bits not taken, in hexadecimal with zeros to fill."""
        left = self.size - self.at
        octets = -(-left // 8)
        return (self.bits(left) << (8 * octets - left)).to_bytes(octets, "big").hex().upper()

    def ended(self) -> bool:
        """Tell whether only zeros to fill the last octet are left."""
        left = self.size - self.at
        return left < 8 and self._value & ((1 << left) - 1) == 0


def _time(r: _Reader) -> str:
    return f"{r.number(0, 23):02d}:{r.number(0, 59):02d}"


def _angle(r: _Reader, most: int, letters: str) -> str:
    minutes_there = r.bits(1)
    degrees = r.number(0, most)
    minutes = r.number(0, 599) if minutes_there else None
    letter = letters[r.bits(1)]
    width = len(str(most))
    return f"{degrees:0{width}d}{'' if minutes is None else f'{minutes / 10:04.1f}'}{letter}"


def _latitude_longitude(r: _Reader) -> str:
    return f"{_angle(r, 90, 'NS')} {_angle(r, 180, 'EW')}"


def _position(r: _Reader) -> str:
    kind = r.number(0, 4)
    if kind == 0:
        return r.text(1, 5)
    if kind == 1:
        return r.text(1, 4)
    if kind == 2:
        return r.text(4, 4)
    if kind == 3:
        return _latitude_longitude(r)
    with_place = r.bits(1)
    fix = r.text(1, 5)
    place = f" ({_latitude_longitude(r)})" if with_place else ""
    return f"{fix}{place} {_degrees(r)} {_distance(r)}"


def _altitude(r: _Reader) -> str:
    kind = r.number(0, 7)
    shapes: tuple[tuple[int, int, str, int], ...] = (
        (0, 2500, "{} FT", 10),
        (0, 16000, "{} M", 1),
        (0, 2100, "{} FT QFE", 10),
        (0, 7000, "{} M QFE", 1),
        (0, 150000, "{} FT GNSS", 1),
        (0, 50000, "{} M GNSS", 1),
        (30, 600, "FL{:03d}", 1),
        (100, 2000, "{} M (standard pressure)", 10),
    )
    low, high, shape, scale = shapes[kind]
    return shape.format(r.number(low, high) * scale)


def _speed(r: _Reader) -> str:
    kind = r.number(0, 7)
    shapes: tuple[tuple[int, int, str, int], ...] = (
        (7, 38, "{} KT indicated", 10),
        (10, 137, "{} KM/H indicated", 10),
        (7, 70, "{} KT true", 10),
        (10, 137, "{} KM/H true", 10),
        (7, 70, "{} KT ground speed", 10),
        (10, 265, "{} KM/H ground speed", 10),
        (61, 92, "M.{:02d}", 1),
        (93, 604, "M{:.2f}", 1),
    )
    low, high, shape, scale = shapes[kind]
    value = r.number(low, high) * scale
    return shape.format(value / 100 if kind == 7 else value)


def _frequency(r: _Reader) -> str:
    kind = r.number(0, 3)
    if kind == 0:
        return f"{r.number(2850, 28000)} KHZ"
    if kind == 1:
        return f"{r.number(117000, 138000) / 1000:.3f} MHZ"
    if kind == 2:
        return f"{r.number(225000, 399975) / 1000:.3f} MHZ"
    return "channel " + "".join(str(r.number(0, 10)) for _ in range(12)).replace("10", " ")


def _unit(r: _Reader) -> str:
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
    return f"{name} {functions[r.number(0, 7)]}"


def _degrees(r: _Reader) -> str:
    kind = ("MAGNETIC", "TRUE")[r.bits(1)]
    return f"{r.number(1, 360):03d} {kind}"


def _distance(r: _Reader) -> str:
    return f"{r.number(1, 1024)} KM" if r.bits(1) else f"{r.number(0, 9999) / 10:g} NM"


def _offset(r: _Reader) -> str:
    return f"{r.number(1, 256)} KM" if r.bits(1) else f"{r.number(1, 128)} NM"


def _direction(r: _Reader) -> str:
    names = [
        "LEFT",
        "RIGHT",
        "EITHER SIDE",
        "NORTH",
        "SOUTH",
        "EAST",
        "WEST",
        "NORTH EAST",
        "NORTH WEST",
        "SOUTH EAST",
        "SOUTH WEST",
    ]
    return names[r.number(0, 10)]


def _procedure(r: _Reader) -> str:
    with_transition = r.bits(1)
    kind = ("ARRIVAL", "APPROACH", "DEPARTURE")[r.number(0, 2)]
    name = r.text(1, 6)
    return f"{name}{'.' + r.text(1, 5) if with_transition else ''} {kind}"


def _code(r: _Reader) -> str:
    return "".join(str(r.bits(3)) for _ in range(4))


def _free_text(r: _Reader) -> str:
    return r.text(1, 256)


def _rate(r: _Reader) -> str:
    return f"{r.number(0, 200) * 10} M/MIN" if r.bits(1) else f"{r.number(0, 60) * 100} FT/MIN"


def _altimeter(r: _Reader) -> str:
    return f"{r.number(7500, 12500) / 10:.1f} HPA" if r.bits(1) else f"{r.number(2200, 3200) / 100:.2f} INHG"


def _letter(r: _Reader) -> str:
    return r.text(1, 1)


def _facility(r: _Reader) -> str:
    return r.text(4, 4)


def _table(r: _Reader) -> str:
    return ("LABEL A", "LABEL B")[r.bits(1)]


def _error(r: _Reader) -> str:
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
    code = r.number(0, 15)
    return names[code] if code < len(names) else f"reserved {code}"


def _version(r: _Reader) -> str:
    return str(r.number(0, 15))


def _souls(r: _Reader) -> str:
    return str(r.number(1, 1024))


def _to_from(r: _Reader) -> str:
    return ("TO", "FROM")[r.bits(1)]


PARAMETERS: dict[str, Callable[[_Reader], str]] = {
    "position": _position,
    "time": _time,
    "level": _altitude,
    "speed": _speed,
    "frequency": _frequency,
    "unit": _unit,
    "degrees": _degrees,
    "distance": _distance,
    "offset": _offset,
    "direction": _direction,
    "procedure": _procedure,
    "code": _code,
    "text": _free_text,
    "rate": _rate,
    "altimeter": _altimeter,
    "letter": _letter,
    "facility": _facility,
    "table": _table,
    "error": _error,
    "version": _version,
    "fuel": _time,
    "souls": _souls,
    "to_from": _to_from,
}
# Parameters named in the texts but not decoded: route, hold, report, departure (a pre-departure clearance), track.

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
    flags: tuple[str, ...] = ()


def read_message(octets: bytes, *, downlink: bool) -> ControllerPilot:
    """Give the elements of a message's octets; what could not be decoded is given raw and counted."""
    if not downlink:
        return ControllerPilot(_read(octets, UPLINK, "UM", UPLINK_BITS)[0])
    readings = [_read(octets, DOWNLINK, "DM", width) for width in DOWNLINK_BITS]
    whole = [fields for fields, ended in readings if ended]
    fields = whole[0] if whole else readings[0][0]
    if len(whole) > 1 and whole[0] != whole[1]:
        fields = {**fields, "other_reading": whole[1]["elements"]}
        return ControllerPilot(fields)
    if not whole:
        fields = {name: value for name, value in fields.items() if name not in ("elements", "reference")}
        return ControllerPilot({**fields, "elements_not_decoded": 1, "not_decoded_hex": octets.hex().upper()})
    urgent = any(int(row["element"][2:]) in EMERGENCY for row in fields["elements"])
    return ControllerPilot(fields, ("emergency",) if urgent else ())


def _read(octets: bytes, table: tuple[str, ...], prefix: str, width: int) -> tuple[dict[str, Any], bool]:
    """Give the fields of one reading and whether it came out whole."""
    r = _Reader(octets)
    fields: dict[str, Any] = {"elements": []}
    mark = 0
    count = 1
    try:
        more, with_reference, with_time = r.bits(1), r.bits(1), r.bits(1)
        fields["message_number"] = r.bits(6)
        fields["reference"] = r.bits(6) if with_reference else None
        fields["message_time"] = f"{_time(r)}:{r.number(0, 59):02d}" if with_time else None
        done = 0
        while done < count:
            mark = r.at
            fields["elements"].append(_element(r, table, prefix, width))
            done += 1
            if more:
                mark = r.at
                count += r.number(1, 4)
                more = 0
    except NotDecodedError:
        r.at = mark
        left = r.rest()
        return {
            **fields,
            "elements_not_decoded": count - len(fields["elements"]),
            "not_decoded_hex": left,
        }, False
    ended = r.ended()
    if not ended:
        fields |= {"elements_not_decoded": 0, "not_decoded_hex": r.rest()}
    return fields, ended


def _element(r: _Reader, table: tuple[str, ...], prefix: str, width: int) -> dict[str, str]:
    number = r.bits(width)
    if number >= len(table):
        raise NotDecodedError(f"no element {prefix}{number}")
    out = []
    for i, part in enumerate(table[number].replace("]", "[").split("[")):
        if i % 2 == 0:
            out.append(part)
        elif part in PARAMETERS:
            out.append(PARAMETERS[part](r))
        else:
            raise NotDecodedError(f"a {part} is not decoded")
    return {"element": f"{prefix}{number}", "text": "".join(out)}
