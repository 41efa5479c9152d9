"""What amateur stations send in unnumbered AX.25 frames: position, status, weather, telemetry, messages, objects.

Formats of the published APRS Protocol Reference 1.0.1 (from memory and the project's sheet of checked values).
Not read: words of weather stations that begin with #, * and !!, and maps and shelters kept for later in it.
`parse` never fails on hostile text: what does not fit its format is None, or left out.
"""

from __future__ import annotations

import re
from typing import Any

from earwitness.core.text import inert

Fields = dict[str, Any]

MOST_OCTETS = 512
MICE_STATES = {
    "standard": ("emergency", "priority", "special", "committed", "returning", "in service", "en route", "off duty"),
    "custom": ("emergency", "custom 6", "custom 5", "custom 4", "custom 3", "custom 2", "custom 1", "custom 0"),
}  # fmt: skip
_LATITUDE = re.compile(r"(\d\d)([0-5 ][\d ])\.([\d ]{2})([NSns])")
_LONGITUDE = re.compile(r"([01]\d\d)([0-5 ][\d ])\.([\d ]{2})([EWew])")
_STAMP = re.compile(r"(\d{6})([zh/])")
_ALTITUDE = re.compile(r"/A=(-?\d{5,6})")
_COURSE = re.compile(r"(\d{3}|\.{3}| {3})/(\d{3}|\.{3}| {3})")
_WEATHER = re.compile(r"([gtrpPhbLl#s])(-?\d{1,5}|\.{2,5}| {2,5})")
_WEATHER_WIDTH = {"g": 3, "t": 3, "r": 3, "p": 3, "P": 3, "h": 2, "b": 5, "L": 3, "l": 3, "s": 3, "#": 3}
_TELEMETRY = re.compile(r"T#(\d{3}|MIC),?((?:-?[\d.]{1,9},){1,5}[01]{0,8}|(?:-?[\d.]{1,9},){4}-?[\d.]{1,9})(.*)", re.DOTALL)  # fmt: skip
_MESSAGE = re.compile(r":([ -~]{9}):(.*)", re.DOTALL)
_BEARING = re.compile(r"/(\d{3})/(\d{3})")
_STORM = re.compile(r"/(TS|HC|TD)/(\d{3})\^(\d{3})/(\d{4})(?:>(\d{3}))?(?:&(\d{3}))?(?:%(\d{3}))?")
_STORMS = {"TS": "tropical storm", "HC": "hurricane", "TD": "tropical depression"}
_STORM_NAMES = ("sustained_wind_kn", "gust_kn", "central_pressure_hpa", "hurricane_radius_nmi", "storm_radius_nmi", "gale_radius_nmi")  # fmt: skip
_GRID = re.compile(r"([A-R]{2}\d\d(?:[A-Xa-x]{2})?)(.)(.)(?: |$)")


def text_of(raw: bytes, limit: int = MOST_OCTETS) -> str:
    """Give the text of octets: UTF-8 where it is that, else one character an octet; bounded and inert."""
    raw = raw[:limit].rstrip(b"\r\n\0")
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
    return inert(text, limit=limit)


def parse(info: bytes, destination: str) -> tuple[str, Fields] | None:
    """Give (kind, fields) of a frame's information; None where it is none of these formats.

    `destination` is the frame's destination call sign, which carries the latitude in Mic-E.
    """
    if not info or len(info) > MOST_OCTETS:
        return None
    raw = info.decode("latin-1").rstrip("\r\n\0")
    if not raw:
        return None
    handler = _HANDLERS.get(raw[0])
    found = handler(raw, destination) if handler else None
    if found:
        return found
    at = raw.find("!", 0, 40)  # chapter 6: a position's mark may stand after the header of an old node
    return _position_report(raw[at:], destination) if at > 0 else None


def _comment(raw: str) -> str | None:
    return text_of(raw.encode("latin-1")).strip() or None


def _with_comment(fields: Fields, raw: str) -> Fields:
    comment = _comment(raw)
    return {**fields, "comment": comment} if comment else fields


# -- positions ----------------------------------------------------------------------------------------


def _degrees(match: re.Match[str]) -> tuple[float, int]:
    """Give degrees of a matched angle, the middle of what its blanks leave open, and how many are blank."""
    degrees, minutes, hundredths, side = match.groups()
    digits = minutes + hundredths
    blank = digits.count(" ")
    if digits.rstrip(" ") != digits.replace(" ", ""):
        raise ValueError("a blank before a digit")
    known = digits.rstrip(" ")
    middle = {0: known, 1: known + "5", 2: known + "50", 3: known + "500", 4: "3000"}[blank]
    angle = int(degrees) + int(middle) / 6000
    return (-angle if side in "SWsw" else angle), blank


def plain_position(raw: str) -> tuple[Fields, str] | None:
    """Give fields of `DDMM.mmN/DDDMM.mmWs` and what follows; None where it is none."""
    north, east = _LATITUDE.match(raw), _LONGITUDE.match(raw, 9)
    if not north or not east or len(raw) < 19:
        return None
    try:
        latitude, blank = _degrees(north)
        longitude, _ = _degrees(east)
    except ValueError:
        return None
    if abs(latitude) > 90 or abs(longitude) > 180:
        return None
    fields: Fields = {
        "latitude_deg": round(latitude, 6),
        "longitude_deg": round(longitude, 6),
        "symbol": inert(raw[8] + raw[18]),
    }
    if blank:
        fields["position_ambiguity_digits"] = blank
    return fields, raw[19:]


def _base91(raw: str) -> int | None:
    value = 0
    for char in raw:
        if not 33 <= ord(char) <= 123:
            return None
        value = value * 91 + ord(char) - 33
    return value


def compressed_position(raw: str) -> tuple[Fields, str] | None:
    """Give fields of the thirteen characters of a compressed position and what follows; None where it is none."""
    if len(raw) < 13 or not (raw[0] in "/\\" or "A" <= raw[0] <= "Z" or "a" <= raw[0] <= "j"):
        return None
    north, east = _base91(raw[1:5]), _base91(raw[5:9])
    if north is None or east is None:
        return None
    latitude, longitude = 90 - north / 380926, -180 + east / 190463
    if abs(latitude) > 90 or abs(longitude) > 180:
        return None
    table = chr(ord(raw[0]) - ord("a") + ord("0")) if "a" <= raw[0] <= "j" else raw[0]
    fields: Fields = {
        "latitude_deg": round(latitude, 6),
        "longitude_deg": round(longitude, 6),
        "symbol": inert(table + raw[9]),
        "compressed": True,
    }
    first, second, kind = ord(raw[10]) - 33, ord(raw[11]) - 33, ord(raw[12]) - 33
    if 0 <= first <= 90 and 0 <= second <= 90 and kind >= 0:
        if kind & 0x18 == 0x10:
            fields["altitude_ft"] = round(1.002 ** (first * 91 + second))
        elif raw[10] == "{":
            fields["range_mi"] = round(2 * 1.08**second, 2)
        elif first < 90:
            fields["course_deg"] = first * 4 or 360
            fields["speed_kn"] = round(1.08**second - 1, 1)
    return fields, raw[13:]


def _position(raw: str) -> tuple[Fields, str] | None:
    return plain_position(raw) or compressed_position(raw)


def _extension(fields: Fields, rest: str) -> Fields:
    """Add what follows a position: course and speed, power and height, range, weather, altitude, comment."""
    fields = dict(fields)
    if fields["symbol"].endswith("_"):
        if "course_deg" in fields:  # compressed: course and speed are the wind's
            fields |= {
                "wind_direction_deg": fields.pop("course_deg"),
                "wind_speed_kn": fields.pop("speed_kn"),
            }
        wind = _COURSE.match(rest)
        if wind:
            fields |= _wind(wind.group(1), wind.group(2))
            rest = rest[7:]
        return _weather(fields, rest)
    moving = _COURSE.match(rest)
    if moving:
        if moving.group(1).isdigit() and moving.group(2).isdigit():
            if 0 < int(moving.group(1)) <= 360:
                fields["course_deg"] = int(moving.group(1))
            fields["speed_kn"] = int(moving.group(2))
        rest = rest[7:]
    elif re.match(r"PHG\d[!-~]\d\d", rest):
        power, height, gain, side = tuple(rest[3:7])
        fields["power_w"] = int(power) ** 2
        fields["antenna_height_ft"] = 10 * 2 ** min(ord(height) - 48, 20)
        fields["antenna_gain_db"] = int(gain)
        if int(side):
            fields["antenna_direction_deg"] = 45 * int(side)
        rest = rest[7:]
    elif re.match(r"RNG\d{4}", rest):
        fields["range_mi"] = int(rest[3:7])
        rest = rest[7:]
    elif re.match(r"DFS\d[!-~]\d\d", rest):
        strength, height, gain, side = tuple(rest[3:7])
        fields["signal_strength_s"] = int(strength)
        fields["antenna_height_ft"] = 10 * 2 ** min(ord(height) - 48, 20)
        fields["antenna_gain_db"] = int(gain)
        if int(side):
            fields["antenna_direction_deg"] = 45 * int(side)
        rest = rest[7:]
    if moving and fields["symbol"].endswith("\\") and (bearing := _BEARING.match(rest)):
        fields |= {"bearing_deg": int(bearing.group(1)), "bearing_quality": bearing.group(2)}
        rest = rest[bearing.end() :]
    if moving and fields["symbol"].endswith("@") and (storm := _STORM.match(rest)):
        fields |= {"storm": _STORMS[storm.group(1)]}
        fields |= {
            name: int(text) for name, text in zip(_STORM_NAMES, storm.groups()[1:], strict=True) if text
        }
        rest = rest[storm.end() :]
    high = _ALTITUDE.search(rest)
    if high:
        fields["altitude_ft"] = int(high.group(1))
        rest = rest[: high.start()] + rest[high.end() :]
    return _with_comment(fields, rest)


def _stamp(raw: str) -> str | None:
    """Give the seven characters of a time as read: day hour minute (UTC or local) or hour minute second UTC."""
    match = _STAMP.match(raw)
    if not match:
        return None
    d, kind = match.groups()
    a, b, c = int(d[:2]), int(d[2:4]), int(d[4:])
    if kind == "h":
        return f"{d[:2]}:{d[2:4]}:{d[4:]} UTC" if a < 24 and b < 60 and c < 60 else None
    if not (1 <= a <= 31 and b < 24 and c < 60):
        return None
    return f"day {a} {d[2:4]}:{d[4:]} {'UTC' if kind == 'z' else 'local'}"


def _position_report(raw: str, destination: str) -> tuple[str, Fields] | None:
    del destination
    head: Fields = {"can_message": raw[0] in "=@"}
    rest = raw[1:]
    if raw[0] in "/@":
        stamp = _stamp(rest)
        if stamp is None:
            return None
        head["time_stamp"] = stamp
        rest = rest[7:]
    found = _position(rest)
    if not found:
        return None
    fields = {**head, **_extension(*found)}
    return ("weather" if found[0]["symbol"].endswith("_") else "position"), fields


# -- weather ------------------------------------------------------------------------------------------


def _wind(direction: str, speed: str) -> Fields:
    out: Fields = {}
    if direction.isdigit() and int(direction) <= 360:
        out["wind_direction_deg"] = int(direction)
    if speed.isdigit():
        out["wind_speed_mph"] = int(speed)
    return out


def _weather(fields: Fields, rest: str) -> Fields:
    fields = dict(fields)
    at = 0
    while match := _WEATHER.match(rest, at):
        key, digits = match.group(1), match.group(2)[: _WEATHER_WIDTH[match.group(1)]]
        at += 1 + len(digits)
        if not digits.lstrip("-").isdigit():
            continue
        value = int(digits)
        if key == "h":
            fields["humidity_pct"] = value or 100
        elif key == "b" and len(digits) == 5:
            fields["pressure_hpa"] = value / 10
        elif key in _WEATHER_NAMES:
            name, scale = _WEATHER_NAMES[key]
            fields[name] = round(value / scale, 2) if scale > 1 else value + (1000 if key == "l" else 0)
    return _with_comment(fields, rest[at:])


_WEATHER_NAMES = {
    "g": ("gust_mph", 1),
    "t": ("temperature_f", 1),
    "r": ("rain_last_hour_in", 100),
    "p": ("rain_last_day_in", 100),
    "P": ("rain_since_midnight_in", 100),
    "L": ("luminosity_w_m2", 1),
    "l": ("luminosity_w_m2", 1),
    "s": ("snow_last_day_in", 1),
}


def _weather_report(raw: str, destination: str) -> tuple[str, Fields] | None:
    del destination
    match = re.match(r"_(\d\d)(\d\d)(\d\d)(\d\d)c([\d. ]{3})s([\d. ]{3})", raw)
    if not match:
        return None
    month, day, hour, minute, direction, speed = match.groups()
    fields: Fields = {
        "time_stamp": f"month {int(month)} day {int(day)} {hour}:{minute}",
        **_wind(direction, speed),
    }
    return "weather", _weather(fields, raw[match.end() :])


# -- the others ---------------------------------------------------------------------------------------


def _status(raw: str, destination: str) -> tuple[str, Fields] | None:
    del destination
    fields: Fields = {}
    rest = raw[1:]
    stamp = _stamp(rest) if rest[6:7] == "z" else None
    if stamp:
        fields["time_stamp"] = stamp
        rest = rest[7:]
    grid = _GRID.match(rest)
    if grid:
        fields |= {"grid": grid.group(1).upper(), "symbol": inert(grid.group(2) + grid.group(3))}
        rest = rest[grid.end() :]
    beam = re.search(r"\^([0-9A-Z])([0-9A-K])$", rest)
    if beam:
        heading, power = beam.groups()
        fields["beam_heading_deg"] = 10 * int(heading, 36)
        fields["radiated_power_w"] = 10 * int(power, 36) ** 2
        rest = rest[: beam.start()]
    return "status", {**fields, "text": _comment(rest) or ""}


def _message(raw: str, destination: str) -> tuple[str, Fields] | None:
    del destination
    match = _MESSAGE.match(raw)
    if not match:
        return None
    to, text = match.group(1).rstrip(), match.group(2)
    fields: Fields = {"addressee": inert(to)}
    reply = re.fullmatch(r"(ack|rej)([!-~]{1,5})", text)
    if reply:
        return ("acknowledgement" if reply.group(1) == "ack" else "rejection"), {
            **fields,
            "message_number": inert(reply.group(2)),
        }
    number = re.search(r"\{([!-~]{1,5})$", text)
    if number:
        fields["message_number"] = inert(number.group(1))
        text = text[: number.start()]
    kind = "message"
    if re.match(r"BLN[0-9A-Z]|NWS-|SKY[A-Z0-9]|CWA[A-Z0-9]", to):
        kind = "bulletin"
    elif re.match(r"(PARM|UNIT|EQNS|BITS)\.", text):
        return "telemetry-definition", {
            **fields,
            **_definition(text[:4], text[5:]),
            "text": _comment(text) or "",
        }
    elif re.match(r"\?[A-Z]{3,5}", text):
        kind = "query"
    return kind, {**fields, "text": _comment(text) or ""}


def _definition(what: str, text: str) -> Fields:
    """Give what a station says its telemetry means: names, units, three coefficients a channel, or sense of bits."""
    parts = [inert(part.strip()) for part in text.split(",")[:15]]
    if what == "PARM":
        return {"channel_names": parts}
    if what == "UNIT":
        return {"channel_units": parts}
    if what == "BITS":
        return (
            {"bit_sense": parts[0], "project": ",".join(parts[1:])}
            if re.fullmatch(r"[01]{8}", parts[0])
            else {}
        )
    numbers = [float(part) for part in parts if re.fullmatch(r"-?\d{0,9}\.?\d{1,9}|-?\d{1,9}\.", part)]
    if len(numbers) != len(parts) or len(parts) % 3:
        return {}
    return {"coefficients": [numbers[at : at + 3] for at in range(0, len(numbers), 3)]}


def _object(raw: str, destination: str) -> tuple[str, Fields] | None:
    del destination
    if len(raw) < 18 or raw[10] not in "*_":
        return None
    stamp, found = _stamp(raw[11:18]), _position(raw[18:])
    if stamp is None or not found:
        return None
    head = {"object_name": inert(raw[1:10].rstrip()), "alive": raw[10] == "*", "time_stamp": stamp}
    return "object", {**head, **_extension(*found)}


def _item(raw: str, destination: str) -> tuple[str, Fields] | None:
    del destination
    match = re.match(r"\)([ -~]{3,9}?)([!_])", raw)
    found = _position(raw[match.end() :]) if match else None
    if not match or not found:
        return None
    return "object", {
        "object_name": inert(match.group(1).rstrip()),
        "alive": match.group(2) == "!",
        **_extension(*found),
    }


def _telemetry(raw: str, destination: str) -> tuple[str, Fields] | None:
    del destination
    match = _TELEMETRY.fullmatch(raw)
    if not match:
        return None
    parts = match.group(2).split(",")
    bits = parts.pop() if re.fullmatch(r"[01]{8}|", parts[-1]) and len(parts) > 1 else ""
    try:
        values = [float(part) for part in parts if part]
    except ValueError:
        return None
    if not values:
        return None
    fields: Fields = {"sequence": match.group(1), "analog": values}
    if bits:
        fields["digital"] = bits
    return "telemetry", _with_comment(fields, match.group(3))


def _capabilities(raw: str, destination: str) -> tuple[str, Fields] | None:
    del destination
    return "capabilities", {"text": _comment(raw[1:]) or ""}


def _query(raw: str, destination: str) -> tuple[str, Fields] | None:
    del destination
    fields: Fields = {"text": _comment(raw[1:]) or ""}
    match = re.fullmatch(
        r"\?([A-Z]{2,9})\?(?: *(-?\d{1,3}\.\d{1,6}), *(-?\d{1,3}\.\d{1,6}),(\d{4}))?\s*", raw
    )
    if match:
        fields["query"] = match.group(1)
        if match.group(2) and abs(float(match.group(2))) <= 90 and abs(float(match.group(3))) <= 180:
            fields["area_latitude_deg"] = float(match.group(2))
            fields["area_longitude_deg"] = float(match.group(3))
            fields["area_radius_mi"] = int(match.group(4))
    return "query", fields


def _locator(raw: str, destination: str) -> tuple[str, Fields] | None:
    """A beacon that gives its grid locator only (chapter 8, kept for old stations)."""
    del destination
    match = re.match(r"\[([A-R]{2}\d\d(?:[A-X]{2})?)\]", raw)
    return ("locator", _with_comment({"grid": match.group(1)}, raw[match.end() :])) if match else None


def _user_defined(raw: str, destination: str) -> tuple[str, Fields] | None:
    del destination
    if len(raw) < 3:
        return None
    return "user-defined", {
        "user_id": inert(raw[1]),
        "user_type": inert(raw[2]),
        "text": _comment(raw[3:]) or "",
    }


def _receiver(raw: str, destination: str) -> tuple[str, Fields] | None:
    """A sentence of a satellite navigation receiver as it came, or the words of a weather station."""
    del destination
    if raw.startswith("$ULTW"):
        return _hex_weather(raw[5:])
    match = re.fullmatch(r"\$(G[PN](?:RMC|GGA|GLL),[ -)+-~]{10,90})(?:\*([0-9A-Fa-f]{2}))?\s*", raw)
    if not match:
        return None
    body, check = match.groups()
    if check:
        total = 0
        for char in body:
            total ^= ord(char)
        if total != int(check, 16):
            return None
    parts = body.split(",")
    kind = parts[0][2:]
    least, first, valid = {"RMC": (9, 3, 2), "GGA": (10, 2, 6), "GLL": (5, 1, None)}[kind]
    if len(parts) < least or (valid is not None and parts[valid] in ("V", "0", "")):
        return None
    place = _ddmm(*parts[first : first + 4])
    if place is None:
        return None
    fields: Fields = {"latitude_deg": place[0], "longitude_deg": place[1], "sentence": kind}
    stamp = parts[1] if kind != "GLL" else ""
    if re.match(r"([01]\d|2[0-3])[0-5]\d[0-5]\d", stamp):
        fields["time_stamp"] = f"{stamp[:2]}:{stamp[2:4]}:{stamp[4:6]} UTC"
    extras = {"RMC": ((7, "speed_kn"), (8, "course_deg")), "GGA": ((9, "altitude_m"),), "GLL": ()}[kind]
    for at, name in extras:
        if re.fullmatch(r"-?\d{1,6}(\.\d{0,4})?", parts[at]):
            fields[name] = float(parts[at])
    return "position", fields


def _ddmm(north: str, side: str, east: str, hand: str) -> tuple[float, float] | None:
    a = re.fullmatch(r"(\d\d)([0-5]\d(?:\.\d{0,6})?)", north)
    b = re.fullmatch(r"(\d{3})([0-5]\d(?:\.\d{0,6})?)", east)
    if not a or not b or side not in ("N", "S") or hand not in ("E", "W"):
        return None
    latitude, longitude = (int(m.group(1)) + float(m.group(2)) / 60 for m in (a, b))
    if latitude > 90 or longitude > 180:
        return None
    return round(latitude if side == "N" else -latitude, 6), round(
        longitude if hand == "E" else -longitude, 6
    )


# Fields of four hexadecimal digits, ---- where the station has no sensor (chapter 12, from memory): name and scale
_KPH = 0.1 / 1.609344  # of a tenth of a kilometre an hour, in miles an hour
_PACKET_MODE = (
    ("gust_mph", _KPH), ("wind_direction_deg", 360 / 256), ("temperature_f", 0.1), ("rain_total_in", 0.01),
    ("pressure_hpa", 0.1), ("", 1), ("", 1), ("", 1), ("humidity_pct", 0.1), ("", 1), ("", 1),
    ("rain_since_midnight_in", 0.01), ("wind_speed_mph", _KPH),
)  # fmt: skip


def _hex_weather(raw: str) -> tuple[str, Fields] | None:
    match = re.match(r"(?:[0-9A-F]{4}|-{4}){10,13}", raw)
    if not match:
        return None
    words = [match.group()[at : at + 4] for at in range(0, len(match.group()), 4)]
    fields: Fields = {}
    for word, (name, scale) in zip(words, _PACKET_MODE, strict=False):
        if name and word != "----":
            value = int(word, 16)
            if name == "wind_direction_deg":
                value &= 0xFF
            elif name.endswith("temperature_f") and value >= 0x8000:
                value -= 0x10000
            if name != "pressure_hpa" or 8000 <= value <= 11_000:
                fields[name] = round(value * scale, 2)
    return ("weather", fields) if fields else None


def _relayed(raw: str, destination: str) -> tuple[str, Fields] | None:
    """A frame of another network, quoted: header as text, then its information."""
    del destination
    match = re.match(r"\}([A-Z0-9-]{1,9})>([A-Z0-9-]{1,9})((?:,[A-Z0-9*-]{1,10}){0,8}):(.*)", raw, re.DOTALL)
    if not match or match.group(4).startswith("}"):
        return None
    source, to, path, info = match.groups()
    inner = parse(info.encode("latin-1"), to.split("-")[0])
    fields: Fields = {
        "relayed_source": source,
        "relayed_destination": to,
        "relayed_path": path.split(",")[1:],
    }
    if inner:
        return "relayed", {**fields, "relayed_kind": inner[0], **inner[1]}
    return "relayed", _with_comment(fields, info)


# -- Mic-E --------------------------------------------------------------------------------------------


def _mice(raw: str, destination: str) -> tuple[str, Fields] | None:
    """Latitude and message in the destination's six characters, the rest in the information's first nine."""
    if len(raw) < 9 or not re.fullmatch(r"[0-9A-LP-Z]{3}[0-9LP-Z]{3}", destination):
        return None
    digits, blank = "", 0
    for char in destination:
        if char in "KLZ":
            blank += 1
            digits += " "
        elif char <= "9":
            digits += char
        else:
            digits += chr(ord(char) - (17 if char <= "J" else 32))
    match = _LATITUDE.match(f"{digits[:4]}.{digits[4:]}{'N' if destination[3] >= 'P' else 'S'}")
    if not match:
        return None
    try:
        latitude, blank = _degrees(match)
    except ValueError:
        return None
    values = [ord(char) - 28 for char in raw[1:7]]
    if not (10 <= values[0] <= 99 and 10 <= values[1] <= 99 and 0 <= values[2] <= 99 and min(values) >= 0):
        return None
    if max(values[3:]) > 99:
        return None
    degrees = values[0] + (100 if destination[4] >= "P" else 0)
    if 180 <= degrees <= 189:
        degrees -= 80
    elif 190 <= degrees <= 199:
        degrees -= 190
    minutes = values[1] - 60 if values[1] >= 60 else values[1]
    longitude = degrees + (minutes + values[2] / 100) / 60
    if destination[5] >= "P":
        longitude = -longitude
    if abs(latitude) > 90 or abs(longitude) > 180:
        return None
    speed = values[3] * 10 + values[4] // 10
    course = values[4] % 10 * 100 + values[5]
    fields: Fields = {
        "latitude_deg": round(latitude, 6),
        "longitude_deg": round(longitude, 6),
        "symbol": inert(raw[8] + raw[7]),
        "speed_kn": speed - 800 if speed >= 800 else speed,
        "state": _mice_state(destination),
        "current": raw[0] == "`",
    }
    course = course - 400 if course >= 400 else course
    if 0 < course <= 360:
        fields["course_deg"] = course
    if blank:
        fields["position_ambiguity_digits"] = blank
    rest = raw[9:]
    high = re.match(r"[>\]`']?([!-{]{3})\}", rest)
    if high:
        value = _base91(high.group(1))
        if value is not None:
            fields["altitude_m"] = value - 10_000
        rest = rest[high.end() :]
    return "position", _with_comment(fields, rest)


def _mice_state(destination: str) -> str:
    bits, kinds = 0, set()
    for char in destination[:3]:
        one = char >= "A" and char != "L"
        bits = bits << 1 | one
        if one:
            kinds.add("custom" if "A" <= char <= "K" else "standard")
    if len(kinds) > 1:
        return "unknown"
    return MICE_STATES[kinds.pop() if kinds else "standard"][bits]


_HANDLERS = {
    "!": _position_report,
    "=": _position_report,
    "/": _position_report,
    "@": _position_report,
    ">": _status,
    ":": _message,
    ";": _object,
    ")": _item,
    "T": _telemetry,
    "_": _weather_report,
    "`": _mice,
    "'": _mice,
    "<": _capabilities,
    "?": _query,
    "}": _relayed,
    "[": _locator,
    "{": _user_defined,
    "$": _receiver,
}
