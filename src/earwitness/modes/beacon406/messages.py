"""Beacon messages parsed, judged and built (C/S T.001 Annex A), and what they mean for who hears them.

A frame holds bits 25 to 144 (long message), 25 to 112 (short), or 25 to 106 where the second field of a long
message failed its check. Positions are the coarse one corrected by the fine one. Nothing here is for rescue:
that is the system's own business, and a message says whom to tell.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from earwitness.coding.bch import Bch
from earwitness.core.errors import LayoutError
from earwitness.core.types import Bits, Frame, IdentityRef, Message
from earwitness.modes.beacon406 import tables
from earwitness.modes.beacon406.tables import Coarse, Delta, Part, Protocol

FIRST = 25
FIRST_SIZE, SHORT_SIZE, LONG_SIZE = 82, 88, 120
# (x^7+x^3+1)(x^7+x^3+x^2+x+1)(x^7+x^4+x^3+x^2+1) and (x^6+x+1)(x^6+x^4+x^2+x+1)
FIRST_CODE = Bch(0x26D9E3, 82, 2)
SECOND_CODE = Bch(0x1539, 38, 2)
DISTRESS_ADVICE = (
    "May be a real distress: report it at once to the rescue authority (a rescue co-ordination centre, MRCC or"
    " RCC, or the emergency number) with this identification, the time and the frequency. Do not act otherwise"
    " and do not transmit."
)
SECURITY_ADVICE = (
    "May be a covert security alert: report it only to the rescue authority (MRCC or RCC). Do not call the ship,"
    " do not act otherwise and do not transmit."
)
TEST_ADVICE = "A test, not a distress: nothing to do."
RLS_SHIP_MARK = 0b1111  # in bits 43-46: an MMSI follows


class _Word:
    """The bits of a message, read and written by the standard's numbers."""

    def __init__(self, bits: Bits):
        self.value, self.size = bits.value, bits.size

    @property
    def last(self) -> int:
        """Give the number of the last bit there is."""
        return FIRST + self.size - 1

    def get(self, first: int, last: int) -> int:
        """Give bits `first` to `last`."""
        if not FIRST <= first <= last <= self.last:
            raise LayoutError(f"bits {first} to {last} are not there")
        return self.value >> (self.last - last) & ((1 << (last - first + 1)) - 1)

    def put(self, first: int, last: int, value: int) -> None:
        """Write bits `first` to `last`."""
        width = last - first + 1
        if not 0 <= value < 1 << width:
            raise LayoutError(f"{value} does not fit bits {first} to {last}")
        at = self.last - last
        self.value = self.value & ~(((1 << width) - 1) << at) | value << at


def parse(bits: Bits, *, self_test: bool = False) -> dict[str, Any]:
    """Give the fields of a message; LayoutError when it is of no length that is used.

    What the tables do not know stays readable in `hex_id` and `message_hex`.
    """
    if bits.size not in (FIRST_SIZE, SHORT_SIZE, LONG_SIZE):
        raise LayoutError(f"{bits.size} bits are no beacon message")
    word = _Word(bits)
    long = bool(word.get(25, 25))
    if bits.size == (SHORT_SIZE if long else LONG_SIZE):
        raise LayoutError("the format flag contradicts the length")
    user = bool(word.get(26, 26))
    protocol = _protocol(word, user)
    out: dict[str, Any] = {
        "format": "long" if long else "short",
        "self_test": self_test,
        "hex_id": hex_id(bits),
        "country_code": word.get(27, 36),
        "protocol": protocol.name if protocol else "not known",
        "protocol_code": f"{word.get(37, 39):03b}" if user else f"{word.get(37, 40):04b}",
        "beacon": protocol.beacon if protocol else "not known",
        "test_protocol": bool(protocol and protocol.test),
    }
    if protocol is not None:
        out |= _who_fields(word, protocol, out["country_code"])
        out |= _position(word, protocol)
        out |= _supplement(word, protocol, long=long)
    out["second_field"] = (
        "failed its check" if bits.size == FIRST_SIZE else "checked" if long else "has no check"
    )
    out["message_hex"] = bits.hex()
    out["advice"] = _advice(out)
    return out


def _protocol(word: _Word, user: bool) -> Protocol | None:
    if user:
        code = word.get(37, 39)
        return tables.SERIAL.get(word.get(40, 42)) if code == 0b011 else tables.USER.get(code)
    code = word.get(37, 40)
    if code == 0b1101:
        kind = word.get(41, 42)
        ship = kind == 1 and word.get(43, 46) == RLS_SHIP_MARK
        return tables.RLS_SHIP if ship else tables.RLS[kind]
    if code == 0b1001:
        return tables.DT[word.get(41, 42)]
    return tables.LOCATION.get(code)


def hex_id(bits: Bits) -> str:
    """Give the 15-hex identification: bits 26 to 85 with a coarse position set to its default."""
    word = _Word(bits)
    user = bool(word.get(26, 26))
    protocol = _protocol(word, user)
    if protocol is not None and not user:
        place = tables.COARSE[protocol.family]
        _put_coarse(word, place, None, None)
    return f"{word.get(26, 85):015X}"


def _who_fields(word: _Word, protocol: Protocol, country: int) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for part in protocol.parts:
        found[part.name] = _read(word, part)
    out: dict[str, Any] = {}
    ship = found.pop("ship", None)
    if ship is not None and "ship_digits" in found:
        digits = found.pop("ship_digits")
        ship = None if digits is None else ship + digits
    found.pop("ship_digits", None)
    if ship is not None:
        ship = ship.strip()
        if len(ship) == 6 and ship.isdigit() and protocol.name == "maritime user":
            out["mmsi"] = f"{country:03d}{ship}"
        elif ship:
            out["radio_call_sign"] = ship
    tail = found.pop("mmsi_tail", None)
    if tail is not None:
        out["mmsi" if tail < 1_000_000 else "mmsi_tail"] = (
            f"{country:03d}{tail:06d}" if tail < 1_000_000 else tail
        )
    auxiliary = found.pop("auxiliary", None)
    if auxiliary is not None:
        out["homing_transmitter"] = tables.AUXILIARY[auxiliary]
    registration = found.pop("registration", None)
    if registration is not None and registration.strip():
        out["registration"] = registration.strip()
    if protocol.name.startswith("serial user") and "certificate_number" in found and not word.get(43, 43):
        del found["certificate_number"]  # bits for national use
    return out | {name: value for name, value in found.items() if value is not None}


def _read(word: _Word, part: Part) -> Any:
    """Give a field's value; None when it is not written as the field should be."""
    value = word.get(part.first, part.last)
    width = part.last - part.first + 1
    if part.form == "number":
        return value
    if part.form == "hex":
        return f"{value:0{-(-width // 4)}X}"
    if part.form == "digits":
        text = ""
        for at in range(width - 4, -1, -4):
            digit = value >> at & 15
            if digit > 10:
                return None
            text += " " if digit == 10 else str(digit)
        return text
    step, mark = (5, 32) if part.form == "baudot5" else (6, 0)
    text = ""
    for at in range(width - step, -1, -step):
        char = tables.BAUDOT.get(value >> at & ((1 << step) - 1) | mark)
        if char is None:
            return None
        text += char
    return text


def _position(word: _Word, protocol: Protocol) -> dict[str, Any]:
    place = tables.COARSE[protocol.family]
    if protocol.family == "user" and (word.last < 132 or not word.get(25, 25)):
        return {}
    latitude = _read_coarse(word, place.latitude, 7, place, 90)
    longitude = _read_coarse(word, place.longitude, 8, place, 180)
    if latitude is None or longitude is None:
        return {"latitude_deg": None, "longitude_deg": None}
    out: dict[str, Any] = {"position_step_minutes": place.step_minutes}
    fine = tables.DELTA.get(protocol.family)
    if fine is not None and word.last >= 132 and _delta_sent(word, protocol):
        offsets = [_read_delta(word, at, fine.minute_bits) for at in (fine.latitude, fine.longitude)]
        if offsets[0] is not None and offsets[1] is not None:
            out = {
                "coarse_latitude_deg": _degrees(latitude),
                "coarse_longitude_deg": _degrees(longitude),
                "offset_latitude_s": offsets[0],
                "offset_longitude_s": offsets[1],
                "position_step_minutes": round(4 / 60, 4),
            }
            # the correction adds to the size of the coarse value, whatever its hemisphere
            latitude = (latitude[0], latitude[1] + offsets[0])
            longitude = (longitude[0], longitude[1] + offsets[1])
    return {"latitude_deg": _degrees(latitude), "longitude_deg": _degrees(longitude)} | out


def _delta_sent(word: _Word, protocol: Protocol) -> bool:
    if protocol.family == "standard":
        return word.get(107, 110) == 0b1101
    if protocol.family == "national":
        return word.get(107, 110) == 0b1101  # the last of them says that a correction follows
    return protocol.family != "dt" or word.get(113, 114) != 0


def _degrees(place: tuple[int, int]) -> float:
    return round(place[0] * place[1] / 3600, 5)


def _read_coarse(
    word: _Word, first: int, degree_bits: int, place: Coarse, most: int
) -> tuple[int, int] | None:
    """Give (sign, size in seconds of arc), or None when absent or off the globe."""
    sign = -1 if word.get(first, first) else 1
    degrees = word.get(first + 1, first + degree_bits)
    steps = word.get(first + degree_bits + 1, first + degree_bits + place.minute_bits)
    minutes = 60 * degrees + place.step_minutes * steps
    if steps * place.step_minutes >= 60 or minutes > 60 * most:
        return None
    return sign, 60 * minutes


def _read_delta(word: _Word, first: int, minute_bits: int) -> int | None:
    minutes = word.get(first + 1, first + minute_bits)
    steps = word.get(first + minute_bits + 1, first + minute_bits + 4)
    if steps == 15:
        return None
    size = 60 * minutes + 4 * steps
    return size if word.get(first, first) else -size


def _supplement(word: _Word, protocol: Protocol, *, long: bool) -> dict[str, Any]:
    """Give what stands beside the position in the second field."""
    if word.last < 112:
        return {}
    source = {0: "external", 1: "internal"}
    if protocol.family == "user":
        if long:
            return {"position_source": source[word.get(107, 107)]}
        return (
            {}
            if protocol.name in ("national user", "orbitography", "test user")
            else _emergency(word, protocol)
        )
    if protocol.family in ("standard", "national"):
        if not long or word.get(107, 109) != 0b110:
            return {}
        out: dict[str, Any] = {
            "position_source": source[word.get(111, 111)],
            "homing_121_5_mhz": bool(word.get(112, 112)),
        }
        if protocol.family == "national":
            out["national_use"] = word.get(127, 132)
        return out
    if not long:
        return {}
    if protocol.family == "rls":
        return {
            "position_source": source[word.get(107, 107)],
            "homing_121_5_mhz": bool(word.get(108, 108)),
            "return_link_automatic": bool(word.get(109, 109)),
            "return_link_manual": bool(word.get(110, 110)),
            "return_link_received_automatic": bool(word.get(111, 111)),
            "return_link_received_manual": bool(word.get(112, 112)),
            "return_link_provider": tables.RLS_PROVIDERS[word.get(113, 114)],
        }
    step = word.get(109, 112)
    floor = tables.DT_ALTITUDES_M
    return {
        "activation": tables.DT_ACTIVATION[word.get(107, 108)],
        "altitude_above_m": None if step == 15 else 0 if step == 0 else floor[step - 1],
        "altitude_up_to_m": floor[step] if step < len(floor) else None,
        "position_age": tables.DT_FRESHNESS[word.get(113, 114)],
    }


def _emergency(word: _Word, protocol: Protocol) -> dict[str, Any]:
    """Give the emergency code of a short user message: bits without a check of their own."""
    out: dict[str, Any] = {
        "activation": "automatic or manual" if word.get(108, 108) else "manual only",
    }
    if not word.get(107, 107):
        return out
    if protocol.name in ("maritime user", "radio call sign user"):
        return out | {"nature": tables.NATURES.get(word.get(109, 112), "spare code")}
    return out | {
        "fire": bool(word.get(109, 109)),
        "medical_help_wanted": bool(word.get(110, 110)),
        "disabled": bool(word.get(111, 111)),
    }


def kind_of(fields: Mapping[str, Any]) -> str:
    """Give what a message is, in words; whatever is not surely a test counts as distress."""
    if fields["self_test"]:
        return "beacon self-test"
    if fields["protocol"] == "orbitography":
        return "reference beacon"
    if fields["test_protocol"]:
        return "beacon test"
    if fields["beacon"] == "ship security":
        return "ship security alert"
    return "distress alert"


def _advice(fields: Mapping[str, Any]) -> str:
    kind = kind_of(fields)
    if kind == "distress alert":
        return DISTRESS_ADVICE
    return SECURITY_ADVICE if kind == "ship security alert" else TEST_ADVICE


class Assembler:
    """One message a burst: beacons repeat every 50 s, each time is told."""

    def feed(self, frame: Frame) -> list[Message]:
        """Take the next frame; give its message, or nothing when it is none."""
        try:
            fields = parse(frame.bits, self_test=bool(frame.extra.get("self_test")))
        except LayoutError:
            return []
        alert = kind_of(fields) in ("distress alert", "ship security alert")
        who, others = _identities(fields)
        return [
            Message(
                frame=frame,
                kind=kind_of(fields),
                fields=fields,
                check=frame.check or "pass",
                identity=who,
                related=others,
                flags=("distress",) if alert else (),
            )
        ]

    def close(self) -> list[Message]:
        """Give nothing: no message is held back."""
        return []


def _identities(fields: Mapping[str, Any]) -> tuple[IdentityRef, tuple[IdentityRef, ...]]:
    """Give who is named by number, and the beacon itself by its 15-hex identification."""
    place = (fields.get("latitude_deg"), fields.get("longitude_deg"))
    beacon = IdentityRef("transmitter", fields["hex_id"], (), *place)
    if "mmsi" in fields:
        return IdentityRef("vessel", fields["mmsi"], (), *place), (beacon,)
    key = fields.get("aircraft_address") or fields.get("registration")
    if key:
        return IdentityRef("aircraft", key, (), *place), (beacon,)
    return beacon, ()


# -- building ------------------------------------------------------------------------------------------


def build(fields: Mapping[str, Any]) -> Bits:
    """Give bits 25 to 112 or 25 to 144 of a message, both checks in place; LayoutError when they make none.

    Takes the names that `parse` gives; positions in full are split into coarse and fine.
    """
    if "message_hex" in fields:
        return _given(str(fields["message_hex"]))
    protocol, head = _named(str(fields.get("protocol")))
    long = fields.get("format", "long") == "long"
    word = _Word(Bits(0, LONG_SIZE if long else SHORT_SIZE))
    word.put(25, 25, int(long))
    word.put(26, 26, int(protocol.family == "user"))
    word.put(27, 36, int(fields.get("country_code", 0)))
    for first, last, value in head:
        word.put(first, last, value)
    for part in protocol.parts:
        _write(word, part, _part_value(part, protocol, fields))
    if "certificate_number" in fields and protocol.name.startswith("serial user"):
        word.put(43, 43, 1)
    _build_position(word, protocol, fields, long=long)
    return with_checks(Bits(word.value, word.size))


def with_checks(bits: Bits) -> Bits:
    """Give a message of 88 or 120 bits with its check bits worked out."""
    word = _Word(bits)
    word.put(86, 106, FIRST_CODE.encode(word.get(25, 85)) & 0x1FFFFF)
    if bits.size == LONG_SIZE:
        word.put(133, 144, SECOND_CODE.encode(word.get(107, 132)) & 0xFFF)
    return Bits(word.value, word.size)


def _given(text: str) -> Bits:
    try:
        bits = Bits(int(text, 16), 4 * len(text))
    except ValueError as error:
        raise LayoutError(f"message_hex {text!r} is not hexadecimal") from error
    if bits.size not in (SHORT_SIZE, LONG_SIZE):
        raise LayoutError("message_hex holds bits 25 to 112 or 25 to 144: 22 or 30 digits")
    return bits


def _named(name: str) -> tuple[Protocol, Sequence[tuple[int, int, int]]]:
    """Give the protocol of a name and the bits (first, last, value) that say it."""
    for code, protocol in tables.USER.items():
        if protocol.name == name and code != 0b011:
            return protocol, [(37, 39, code)]
    for code, protocol in tables.SERIAL.items():
        if protocol.name == name:
            return protocol, [(37, 39, 0b011), (40, 42, code)]
    if name == tables.RLS_SHIP.name:
        return tables.RLS_SHIP, [(37, 40, 0b1101), (41, 42, 1), (43, 46, RLS_SHIP_MARK)]
    for head, table in ((0b1101, tables.RLS), (0b1001, tables.DT)):
        for code, protocol in table.items():
            if protocol.name == name:
                return protocol, [(37, 40, head), (41, 42, code)]
    for code, protocol in tables.LOCATION.items():
        if protocol.name == name and code not in (0b1101, 0b1001):
            return protocol, [(37, 40, code)]
    raise LayoutError(f"protocol {name!r} is not in its table")


def _part_value(part: Part, protocol: Protocol, fields: Mapping[str, Any]) -> Any:
    mmsi = str(fields.get("mmsi", ""))
    sign = str(fields.get("radio_call_sign", ""))
    if part.name == "mmsi_tail":
        return int(mmsi[3:] or 0)
    if part.name == "ship":
        return mmsi[3:] if mmsi else sign[: 4 if protocol.name == "radio call sign user" else 6]
    if part.name == "ship_digits":
        return sign[4:]
    if part.name == "auxiliary":
        return _code(tables.AUXILIARY, fields.get("homing_transmitter", "none"))
    return fields.get(part.name, "" if part.form != "number" else 0)


def _code(table: Mapping[int, str], text: Any) -> int:
    for code, name in table.items():
        if name == text:
            return code
    raise LayoutError(f"{text!r} is not in its table")


def _write(word: _Word, part: Part, value: Any) -> None:
    width = part.last - part.first + 1
    if part.form == "number":
        raw = int(value)
    elif part.form == "hex":
        raw = int(str(value) or "0", 16)
    elif part.form == "digits":
        raw = 0
        for char in str(value).ljust(width // 4):
            raw = raw << 4 | (10 if char == " " else int(char))
    else:
        step = 5 if part.form == "baudot5" else 6
        codes = {char: code for code, char in tables.BAUDOT.items()}
        raw = 0
        for char in str(value).ljust(width // step):
            if char not in codes:
                raise LayoutError(f"{char!r} has no code")
            raw = raw << step | codes[char] & ((1 << step) - 1)
    word.put(part.first, part.last, raw)


def _put_coarse(word: _Word, place: Coarse, latitude: int | None, longitude: int | None) -> None:
    """Write positions given in steps of the coarse field, or their defaults."""
    for first, bits, steps in ((place.latitude, 7, latitude), (place.longitude, 8, longitude)):
        last = first + bits + place.minute_bits
        if last > word.last:
            return
        per_degree = 60 // place.step_minutes
        if steps is None:
            ones = (1 << bits) - 1
            low = (1 << place.minute_bits) - 1 if place.minute_bits <= 2 else 0
            word.put(first, last, ones << place.minute_bits | low)
        else:
            degrees, rest = divmod(abs(steps), per_degree)
            sign = int(steps < 0) << (bits + place.minute_bits)
            word.put(first, last, sign | degrees << place.minute_bits | rest)


def _put_delta(word: _Word, first: int, fine: Delta, seconds: int | None) -> None:
    last = first + fine.minute_bits + 4
    sign = 1 << (fine.minute_bits + 4)
    if seconds is None:
        word.put(first, last, sign | 15)
        return
    minutes, rest = divmod(abs(seconds), 60)
    word.put(first, last, (0 if seconds < 0 else sign) | minutes << 4 | rest // 4)


def _build_position(word: _Word, protocol: Protocol, fields: Mapping[str, Any], *, long: bool) -> None:
    place, fine = tables.COARSE[protocol.family], tables.DELTA.get(protocol.family)
    internal = int(fields.get("position_source", "internal") == "internal")
    degrees = (fields.get("latitude_deg"), fields.get("longitude_deg"))
    step = 60 * place.step_minutes
    coarse: list[int | None] = [None, None]
    offsets: list[int | None] = [None, None]
    for n, value in enumerate(degrees):
        if value is not None:
            seconds = round(abs(float(value)) * 900) * 4
            steps = (seconds + step // 2) // step
            coarse[n] = -steps if float(value) < 0 else steps
            offsets[n] = seconds - steps * step
    if protocol.family != "user" or long:
        _put_coarse(word, place, coarse[0], coarse[1])
    if protocol.family == "user":
        if long:
            word.put(107, 107, internal)
        else:
            _build_emergency(word, protocol, fields)
    if not long:
        return
    homing = int(bool(fields.get("homing_121_5_mhz", False)))
    if protocol.family in ("standard", "national"):
        word.put(107, 112, 0b110100 | internal << 1 | homing)
        if protocol.family == "national":
            word.put(127, 132, int(fields.get("national_use", 0)))
    elif protocol.family == "rls":
        word.put(107, 108, internal << 1 | homing)
        for at, name in enumerate(
            ("automatic", "manual", "received_automatic", "received_manual"), start=109
        ):
            word.put(at, at, int(bool(fields.get(f"return_link_{name}", False))))
        word.put(113, 114, _code(tables.RLS_PROVIDERS, fields.get("return_link_provider", "Galileo")))
    elif protocol.family == "dt":
        word.put(107, 108, _code(tables.DT_ACTIVATION, fields.get("activation", "manual")))
        word.put(109, 112, _altitude_code(fields.get("altitude_above_m")))
        word.put(113, 114, _code(tables.DT_FRESHNESS, fields.get("position_age", "at most 2 s old")))
    if fine is not None:
        _put_delta(word, fine.latitude, fine, offsets[0])
        _put_delta(word, fine.longitude, fine, offsets[1])


def _altitude_code(above_m: float | None) -> int:
    if above_m is None:
        return 15
    return sum(step <= above_m for step in tables.DT_ALTITUDES_M)


def _build_emergency(word: _Word, protocol: Protocol, fields: Mapping[str, Any]) -> None:
    if protocol.parts and protocol.parts[0].name == "national_data":
        return
    automatic = int(fields.get("activation", "manual only") == "automatic or manual")
    word.put(108, 108, automatic)
    names = ("fire", "medical_help_wanted", "disabled")
    if "nature" in fields:
        word.put(107, 107, 1)
        word.put(109, 112, _code(tables.NATURES, fields["nature"]))
    elif any(name in fields for name in names):
        word.put(107, 107, 1)
        for at, name in enumerate(names, start=109):
            word.put(at, at, int(bool(fields.get(name, False))))
