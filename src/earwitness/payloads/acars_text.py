"""What ACARS texts say: labels in plain words, and the formats that are published or in general use.

Labels: an avionics communication unit's user guide, the introduction of ARINC and personal list pages as the
project's aviation sheet collected them; further ones, and the layouts below, from memory of ARINC 620, 622, 623
and 702A, the weather reports from WMO-No. 306 (FM 15). Meanings beyond the network's own labels vary by airline.
A reader gives only what its pattern matches; all else stays text.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from earwitness.core.types import IdentityRef
from earwitness.payloads import arinc622


@dataclass(frozen=True, slots=True)
class TextFacts:
    """What was read from a text."""

    fields: Mapping[str, Any] = field(default_factory=dict)
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    related: tuple[IdentityRef, ...] = ()
    flags: tuple[str, ...] = ()


LABELS = {
    "_d": "general response, no text",
    "00": "emergency report",
    "10": "airline defined, often movement report",
    "51": "ground clock request",
    "52": "ground clock request",
    "54": "voice contact request",
    "57": "position report",
    "58": "position report",
    "5D": "ATIS request",
    "5P": "temporary suspension",
    "5R": "position report",
    "5U": "weather request",
    "5Y": "revision of estimated arrival",
    "5Z": "airline defined downlink",
    "7A": "aircraft initiated engine data",
    "7B": "aircraft initiated miscellaneous data",
    "A0": "air traffic facility notification",
    "A1": "oceanic clearance",
    "A2": "departure clearance request or status",
    "A3": "departure clearance",
    "A4": "departure clearance, acknowledgement",
    "A5": "position report request",
    "A6": "automatic dependent surveillance, request",
    "A7": "free text, air traffic services",
    "A8": "departure slot",
    "A9": "ATIS",
    "AA": "controller-pilot data link",
    "AB": "terminal weather",
    "AC": "pushback clearance",
    "AD": "expected taxi clearance",
    "B0": "air traffic facility notification",
    "B1": "oceanic clearance request",
    "B2": "oceanic clearance readback",
    "B3": "departure clearance request",
    "B4": "departure clearance readback",
    "B5": "waypoint position report",
    "B6": "automatic dependent surveillance report",
    "B7": "free text, air traffic services",
    "B8": "departure slot request",
    "B9": "ATIS request",
    "BA": "controller-pilot data link",
    "BB": "terminal weather request",
    "BC": "pushback clearance request",
    "BD": "expected taxi clearance request",
    "C0": "to the cockpit printer, all call",
    "C1": "to the cockpit printer",
    "F3": "dedicated transceiver advisory",
    "H1": "message to or from a terminal on board",
    "HX": "undelivered uplink report",
    "M1": "IATA departure message",
    "Q0": "link test",
    "Q1": "departure and arrival report",
    "Q2": "estimated time of arrival",
    "Q3": "clock update",
    "Q4": "voice circuit busy",
    "Q5": "unable to process uplink",
    "Q6": "voice-to-data change advisory",
    "Q7": "delay message",
    "QA": "out, with fuel",
    "QB": "off",
    "QC": "on",
    "QD": "in, with fuel",
    "QE": "out, with fuel and destination",
    "QF": "off, with destination",
    "QG": "out, returned in",
    "QH": "out",
    "QK": "landed",
    "QL": "arrival",
    "QM": "arrival information",
    "QN": "diversion",
    "QP": "out",
    "QQ": "off",
    "QR": "on",
    "QS": "in",
    "QT": "out, returned in",
    "QX": "intercept",
    "RA": "command or response",
    "RB": "response to a command",
    "SA": "media advisory",
    "SQ": "squitter of a ground station",
    ":;": "frequency change",
}

ORIGINS = {  # of H1 texts, after "#"; downlinks name a unit on board, uplinks after "- #"
    "M1": "flight management computer, left",
    "M2": "flight management computer, right",
    "M3": "flight management computer, third",
    "MD": "flight management computer, selected",
    "DF": "digital flight data unit",
    "CF": "central fault display",
    "EI": "engine indication",
    "EC": "engine control display",
    "T1": "cabin terminal 1",
    "T2": "cabin terminal 2",
    "T3": "cabin terminal 3",
    "T4": "cabin terminal 4",
    "PS": "keyboard and display",
    "HD": "head-up display",
}

KINDS = {  # the identifier after the origin, by which flight management computers sort messages (702A)
    "FPN": "flight plan",
    "FTX": "free text",
    "INI": "flight initialisation",
    "LDI": "load information",
    "PER": "performance data",
    "POS": "position report",
    "PRG": "progress report",
    "PWI": "predicted wind information",
    "REJ": "rejection",
    "REQ": "request",
    "RES": "response",
}


def label_meaning(label: str, *, downlink: bool) -> str:
    """Give a label in plain words; "label XY" where it has no general meaning."""
    label = label.replace("\x7f", "d")
    if label == "A6" and downlink:
        return "automatic dependent surveillance report"
    if re.fullmatch("8[0-9]", label):
        return "airline defined, addressed by the crew"
    plain = label if re.fullmatch("[!-~]{2}", label) else "of unusual characters"
    return LABELS.get(label, f"label {plain}")


def read_text(label: str, text: str, *, downlink: bool) -> TextFacts:
    """Give what the text of a label says: positions, movements, weather, clearances, air traffic data link."""
    label = label.replace("\x7f", "d")
    flags: tuple[str, ...] = ("emergency",) if label == "00" else ()
    air_traffic = arinc622.read(text, downlink=downlink)
    if air_traffic is not None:
        return TextFacts(
            air_traffic.fields,
            air_traffic.latitude_deg,
            air_traffic.longitude_deg,
            flags=(*flags, *air_traffic.flags),
        )
    fields, related = _notification(text)
    if label == "H1":
        fields |= _terminal(text)
    elif label == "SA":
        fields |= _media(text)
    elif label == "SQ":
        fields |= _squitter(text)
    elif label.startswith("Q"):
        fields |= _movement(label, text)
    if "latitude_deg" not in fields and label != "SQ":
        fields |= _position(text)
    fields |= {key: value for key, value in _words(text).items() if key not in fields}
    fields |= _clearance(text)
    fields |= _broadcast(text, label)
    weather = list(_weather(text))
    if weather:
        fields["weather"] = weather
    forecasts = list(_forecasts(text))
    if forecasts:
        fields["forecasts"] = forecasts
    own = label != "SQ" and downlink
    return TextFacts(
        fields,
        fields.get("latitude_deg") if own else None,
        fields.get("longitude_deg") if own else None,
        related,
        flags,
    )


# Positions as flight management computers write them: N51304W000274 is 51 deg 30.4 min north.
_TENTHS = re.compile(r"(?<![A-Z0-9])(?:POS)?([NS])(\d\d)(\d\d)(\d)([EW])(\d{3})(\d\d)(\d)(?!\d)")
_MINUTES = re.compile(
    r"(?<![A-Z0-9])([NS]) ?(\d\d)[ -]?(\d\d\.\d+)[,/ ]?([EW]) ?(\d{3})[ -]?(\d\d\.\d+)(?!\d)"
)
_DEGREES = re.compile(
    r"(?<![A-Z0-9])(?:POS ?|LAT ?)?([NS]) ?(\d\d\.\d{2,6})[,/ ]*(?:LON ?)?([EW]) ?(\d{1,3}\.\d{2,6})(?!\d)"
)
_WHOLE = re.compile(r"(?<![A-Z0-9])(\d\d)(\d\d)([NS]) ?(\d{3})(\d\d)([EW])(?![A-Z0-9])")


def _signed(degrees: float, minutes: float, letter: str) -> float | None:
    limit = 90 if letter in "NS" else 180
    value = degrees + minutes / 60
    if minutes >= 60 or value > limit:
        return None
    return round(-value if letter in "SW" else value, 6)


def _position(text: str) -> dict[str, float]:
    """Give the first position a text states; nothing when it states none."""
    pairs: list[tuple[float | None, float | None]] = []
    if m := _TENTHS.search(text):
        lat = _signed(int(m[2]), int(m[3]) + int(m[4]) / 10, m[1])
        pairs.append((lat, _signed(int(m[6]), int(m[7]) + int(m[8]) / 10, m[5])))
    if m := _MINUTES.search(text):
        pairs.append((_signed(int(m[2]), float(m[3]), m[1]), _signed(int(m[5]), float(m[6]), m[4])))
    if m := _DEGREES.search(text):
        pairs.append((_signed(float(m[2]), 0, m[1]), _signed(float(m[4]), 0, m[3])))
    if m := _WHOLE.search(text):
        pairs.append((_signed(int(m[1]), int(m[2]), m[3]), _signed(int(m[4]), int(m[5]), m[6])))
    for latitude, longitude in pairs:
        if latitude is not None and longitude is not None:
            return {"latitude_deg": latitude, "longitude_deg": longitude}
    return {}


def _clock(digits: str) -> str | None:
    """Give hh:mm or hh:mm:ss for 4 or 6 digits; None when they are no time of day."""
    parts = [digits[i : i + 2] for i in range(0, len(digits), 2)]
    if len(digits) not in (4, 6) or not digits.isdecimal() or not digits.isascii():
        return None
    if int(parts[0]) > 23 or any(int(part) > 59 for part in parts[1:]):
        return None
    return ":".join(parts)


def _terminal(text: str) -> dict[str, Any]:
    """Give origin and kind of an H1 text, and the content of the kinds that are known."""
    head = re.match(r"\s*(?:- )?#([A-Z0-9]{2})([A-Z]?)", text)
    out: dict[str, Any] = {}
    rest = text
    if head:
        out["terminal"] = ORIGINS.get(head[1], f"unit {head[1]}")
        rest = text[head.end() :]
        # the letter after the unit's name is its sub-address, unless it already begins the kind
        if rest[:3] not in KINDS and (head[2] + rest)[:3] in KINDS:
            rest = head[2] + rest
    if rest[:3] not in KINDS:
        return out
    out["terminal_message"] = KINDS[rest[:3]]
    if rest.startswith("POS"):
        out |= _report(rest)
    elif rest.startswith("FPN"):
        out |= _plan(rest)
    return out


def _report(text: str) -> dict[str, Any]:
    """Give a position report: position, fix, time, level, next fix, its time, fix after, temperature, wind."""
    parts = text[3:1000].strip().split(",")
    out: dict[str, Any] = dict(_position(parts[0]))
    if not out or len(parts) < 4:
        return out
    names = ("at_fix", "at_time", "level", "next_fix", "next_time", "fix_after", "temperature", "wind")
    values = dict(zip(names, (part.strip() for part in parts[1:9]), strict=False))
    for name in ("at_fix", "next_fix", "fix_after"):
        if re.fullmatch(r"[A-Z0-9]{2,12}", values.get(name, "")):
            out[name] = values[name]
    for name in ("at_time", "next_time"):
        if clock := _clock(values.get(name, "")):
            out[name] = clock
    if re.fullmatch(r"\d{2,3}", values.get("level", "")):
        out["altitude_ft"] = 100 * int(values["level"])
    if m := re.fullmatch(r"([MP])(\d{1,2})", values.get("temperature", "")):
        out["temperature_c"] = int(m[2]) * (-1 if m[1] == "M" else 1)
    if (m := re.fullmatch(r"(\d{3})(\d{2,3})", values.get("wind", ""))) and int(m[1]) <= 360:
        out |= {"wind_direction_deg": int(m[1]), "wind_speed_kn": int(m[2])}
    return out


def _plan(text: str) -> dict[str, Any]:
    """Give places and route of a flight plan."""
    out = {}
    for key, name in (("DA", "departure"), ("AA", "destination"), ("F", "route"), ("FN", "plan_flight")):
        if m := re.search(rf":{key}:([A-Z0-9.,-]{{1,200}})", text):
            out[name] = m[1].strip(".,")
    return out


def _media(text: str) -> dict[str, Any]:
    """Give a media advisory: which link was established or lost, when, and which are there."""
    links = {
        "V": "VHF",
        "S": "satellite",
        "H": "HF",
        "G": "satellite, other",
        "C": "ICAO satellite",
        "2": "VDL mode 2",
        "X": "Inmarsat Aero",
        "I": "Iridium",
    }
    m = re.match(r"0([EL])([VSHGC2XI])(\d{6})([VSHGC2XI]{0,8})(/.{0,200})?\s*$", text, re.DOTALL)
    if not m or not (clock := _clock(m[3])):
        return {}
    return {
        "link_event": "established" if m[1] == "E" else "lost",
        "link": links[m[2]],
        "link_time": clock,
        "links_available": [links[letter] for letter in m[4]],
    }


def _squitter(text: str) -> dict[str, Any]:
    """Give a ground station's squitter: place and where to call it."""
    m = re.match(
        r"0[0-9]X([A-Z])([A-Z]{3})([A-Z]{4})\d(\d\d)(\d\d)([NS])(\d{3})(\d\d)([EW])(?:V(\d{6})|B(\d{6}))?",
        text,
    )
    if not m:
        return {}
    latitude, longitude = _signed(int(m[4]), int(m[5]), m[6]), _signed(int(m[7]), int(m[8]), m[9])
    out: dict[str, Any] = {"station_iata": m[2], "station_icao": m[3]}
    if latitude is not None and longitude is not None:
        out |= {"station_latitude_deg": latitude, "station_longitude_deg": longitude}
    if digits := m[10] or m[11]:
        out["station_frequency_hz"] = int(digits) * 1000
    return out


# Labels of movements: what stands in them, in order. D departure, A arrival, T time of the event, E estimate, F fuel.
_MOVEMENTS = {
    "QA": ("out_time", "D T F"),
    "QB": ("off_time", "D T"),
    "QC": ("on_time", "A T"),
    "QD": ("in_time", "A T F"),
    "QE": ("out_time", "D T F A"),
    "QF": ("off_time", "D T A"),
    "QK": ("on_time", "D T A"),
    "QL": ("in_time", "A T D"),
    "QP": ("out_time", "D A T"),
    "QQ": ("off_time", "D A T"),
    "QR": ("on_time", "D A T"),
    "QS": ("in_time", "D A T"),
    "Q2": ("eta", "A T"),
}


def _movement(label: str, text: str) -> dict[str, Any]:
    """Give places and times of an out/off/on/in report; nothing when the text has another layout."""
    if label not in _MOVEMENTS:
        return {}
    event, order = _MOVEMENTS[label]
    shapes = {"D": r"(?P<departure>[A-Z]{4})", "A": r"(?P<destination>[A-Z]{4})", "T": r"(?P<time>\d{4})"}
    shapes["F"] = r"(?P<fuel>[ \d]{2,5})?"
    m = re.match(r"\s*" + r"[ ,/]?".join(shapes[item] for item in order.split()), text)
    clock = _clock(m["time"]) if m else None
    if not m or not clock:
        return {}
    found = {name: value for name, value in m.groupdict().items() if value and name != "time"}
    fuel = found.pop("fuel", "").strip()
    return {**found, event: clock, **({"fuel_report": fuel} if fuel else {})}


def _words(text: str) -> dict[str, Any]:
    """Give what stands behind the usual words: OUT, OFF, ON, IN, ETA with a time, FOB with a figure, GATE."""
    out: dict[str, Any] = {}
    for word in ("OUT", "OFF", "ON", "IN", "ETA", "ETD"):
        m = re.search(rf"(?<![A-Z0-9]){word}[ :/]?(\d{{4}})Z?(?![0-9.])", text)
        if m and (clock := _clock(m[1])):
            out[word.lower() if word.startswith("ET") else f"{word.lower()}_time"] = clock
    if m := re.search(r"(?<![A-Z0-9])FOB[ :/]?(\d{1,6}(?:\.\d{1,2})?)(?!\d)", text):
        out["fuel_on_board"] = float(m[1])  # the unit is the airline's: tonnes, kilograms or pounds
    if m := re.search(r"(?<![A-Z0-9])GATE[ :/]?([A-Z]?\d{1,3}[A-Z]?)(?![A-Z0-9])", text):
        out["gate"] = m[1]
    m = re.search(r"\d\d/\d\d ([A-Z]{4})/([A-Z]{4})(?![A-Z0-9])", text) or re.search(
        r"^/?[A-Z0-9]{2} ([A-Z]{4}) ([A-Z]{4}) (?:ETA|ETD|OUT|OFF)", text
    )
    if m:
        out |= {"departure": m[1], "destination": m[2]}
    return out


def _clearance(text: str) -> dict[str, Any]:
    """Give the parts of a departure or oceanic clearance, or of the request for one."""
    out: dict[str, Any] = {}
    head = re.search(r"(?<![A-Z])(CLD|RCD|CLX|RCL) (\d{4}) (\d{6}) ([A-Z]{4})(?![A-Z])", text)
    if head and (clock := _clock(head[2])):
        kinds = {"CLD": "departure clearance", "RCD": "departure clearance request"}
        kinds |= {"CLX": "oceanic clearance", "RCL": "oceanic clearance request"}
        out |= {"clearance": kinds[head[1]], "clearance_time": clock, "clearance_facility": head[4]}
    if not out and not re.search(r"(?<![A-Z])(CLRD TO|CLEARED TO|CLRNCE|PDC)(?![A-Z])", text):
        return {}
    shapes = {
        "cleared_to": r"(?:CLRD|CLEARED) TO ([A-Z]{4})",
        "runway": r"(?:OFF|RWY|RUNWAY)[ :]?(\d\d[LCR]?)",
        "departure_route": r"VIA ([A-Z0-9]{2,8})",
        "squawk": r"(?:SQUAWK|XPNDR|SQK)[ :]?([0-7]{4})",
        "next_frequency_mhz": r"(?:NEXT FREQ|DPFRQ|FREQ)[ :]?(1\d\d\.\d{1,3})",
        "atis": r"ATIS ([A-Z])",
        "clearance_number": r"PDC ?(\d{1,4})",
    }
    for name, shape in shapes.items():
        if m := re.search(rf"(?<![A-Z0-9]){shape}(?![A-Z0-9])", text):
            out[name] = m[1]
    if "next_frequency_mhz" in out:
        out["next_frequency_hz"] = round(float(out.pop("next_frequency_mhz")) * 1e6)
    return out


def _broadcast(text: str, label: str) -> dict[str, Any]:
    """Give station and kind of a request for an ATIS broadcast, or station and letter of one that is sent.

    Requests (label B9, identifier TI2) from memory of ARINC 623; what is sent is the broadcast's own wording.
    """
    kinds = {"A": "arrival", "D": "departure", "E": "en route", "C": "cancel"}
    if m := re.search(r"\.TI2/(?:\d{3})?([A-Z]{4})([ADEC])?", text):
        out = {"atis_request": m[1]}
        return {**out, "atis_kind": kinds[m[2]]} if m[2] else out
    if label not in ("A9", "5D", "B9"):
        return {}
    m = re.search(
        r"(?<![A-Z])([A-Z]{4}) (?:(ARR|DEP) )?ATIS (?:INFO |INFORMATION )?([A-Z])(?![A-Z])", text[:2000]
    )
    if not m:
        return {}
    out = {"atis_station": m[1], "atis": m[3]}
    return {**out, "atis_kind": kinds[m[2][0]]} if m[2] else out


_METAR = re.compile(
    r"(?<![A-Z0-9])([A-Z]{4}) (\d\d)(\d\d)(\d\d)Z (?:AUTO |COR )?"
    r"(\d{3}|VRB)(\d{2,3})(?:G(\d{2,3}))?(KT|MPS)((?:(?!\d{6}Z)[^=]){0,160})"
)


def _weather(text: str) -> Iterator[dict[str, Any]]:
    """Give every aerodrome report (FM 15) of a text: station, time, wind, visibility, temperature, pressure."""
    flat = re.sub(r"\s+", " ", text[:4000])
    for m, _ in zip(_METAR.finditer(flat), range(16), strict=False):
        clock = _clock(m[3] + m[4])
        if not clock or not 1 <= int(m[2]) <= 31 or (m[5] != "VRB" and int(m[5]) > 360):
            continue
        scale = 1.0 if m[8] == "KT" else 1.943844
        out: dict[str, Any] = {"station": m[1], "day": int(m[2]), "time": clock}
        out["wind_direction_deg"] = None if m[5] == "VRB" else int(m[5])
        out["wind_speed_kn"] = round(int(m[6]) * scale, 1)
        if m[7]:
            out["wind_gust_kn"] = round(int(m[7]) * scale, 1)
        rest = m[9]
        if v := re.match(r"(?: \d{3}V\d{3})? (\d{4}|CAVOK)(?= |$)", rest):
            out["visibility_m"] = 10000 if v[1] in ("CAVOK", "9999") else int(v[1])
        if t := re.search(r" (M?)(\d\d)/(M?)(\d\d)(?= |$)", rest):
            out["temperature_c"] = int(t[2]) * (-1 if t[1] else 1)
            out["dew_point_c"] = int(t[4]) * (-1 if t[3] else 1)
        if p := re.search(r" Q(\d{4})(?= |$)", rest):
            out["pressure_hpa"] = int(p[1])
        elif p := re.search(r" A(\d{4})(?= |$)", rest):
            out["pressure_hpa"] = round(int(p[1]) / 100 * 33.86389, 1)
        yield out


_TAF = re.compile(
    r"(?<![A-Z0-9])TAF (?:AMD |COR )?([A-Z]{4}) (?:(\d\d)(\d\d)(\d\d)Z )?(\d\d)(\d\d)/(\d\d)(\d\d) "
    r"(\d{3}|VRB)(\d{2,3})(?:G(\d{2,3}))?(KT|MPS)((?:(?!TAF )[^=]){0,600})"
)
_CHANGE = re.compile(r"(?<![A-Z0-9])(BECMG|TEMPO|FM\d{6}|PROB[34]0(?: TEMPO)?)(?![A-Z])")


def _forecasts(text: str) -> Iterator[dict[str, Any]]:
    """Give every aerodrome forecast (FM 51) of a text: station, validity, first wind and visibility, changes."""
    flat = re.sub(r"\s+", " ", text[:4000])
    for m, _ in zip(_TAF.finditer(flat), range(8), strict=False):
        days, hours = (int(m[5]), int(m[7])), (int(m[6]), int(m[8]))
        if not all(1 <= day <= 31 for day in days) or max(hours) > 24 or (m[9] != "VRB" and int(m[9]) > 360):
            continue
        scale = 1.0 if m[12] == "KT" else 1.943844
        out: dict[str, Any] = {"station": m[1], "from": f"{m[5]} {m[6]}:00", "to": f"{m[7]} {m[8]}:00"}
        if m[2] and (clock := _clock(m[3] + m[4])):
            out["issued"] = f"{m[2]} {clock}"
        out["wind_direction_deg"] = None if m[9] == "VRB" else int(m[9])
        out["wind_speed_kn"] = round(int(m[10]) * scale, 1)
        if m[11]:
            out["wind_gust_kn"] = round(int(m[11]) * scale, 1)
        if v := re.match(r" (\d{4}|CAVOK)(?= |$)", m[13]):
            out["visibility_m"] = 10000 if v[1] in ("CAVOK", "9999") else int(v[1])
        out["changes"] = _CHANGE.findall(m[13])[:16]
        yield out


def _notification(text: str) -> tuple[dict[str, Any], tuple[IdentityRef, ...]]:
    """Give a facility notification: flight, registration, 24-bit address, position, applications."""
    if ".AFN" not in text or "/FMH" not in text:
        return {}, ()
    out: dict[str, Any] = {"air_traffic_message": "facility notification"}
    related: tuple[IdentityRef, ...] = ()
    if m := re.search(r"([A-Z0-9]{7})\.AFN", text):
        out["facility"] = m[1]
    if m := re.search(r"/FMH([A-Z0-9]{2,8}),([.A-Z0-9-]{2,8}),([0-9A-F]{6})?,?(\d{6})?", text):
        out["notified_flight"] = m[1]
        out["notified_registration"] = m[2].strip(".")
        if m[3]:
            out["icao_address"] = m[3]
            related = (IdentityRef("aircraft", m[3]),)
        if m[4] and (clock := _clock(m[4])):
            out["notification_time"] = clock
    if m := re.search(r"/FPO([NS]\d{5}[EW]\d{6})", text):
        out |= _position(m[1])
    applications = re.findall(r"/FCO([A-Z]{3}),(\d\d)", text)[:8]
    if applications:
        out["applications"] = [name for name, _ in applications]
    return out, related
