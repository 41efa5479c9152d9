"""The information symbols of a call, parsed, judged and built (ITU-R M.493-15), and the messages they make.

A call is a list of symbols from the format specifier (once) to the end-of-sequence symbol. What the standard
leaves open is kept as numbers in `undecoded_symbols`; what it forbids is no call.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from earwitness.core.errors import LayoutError
from earwitness.core.types import Bits, Frame, IdentityRef, Message
from earwitness.modes.dsc import tables

MOST_SYMBOLS = 40
SAME_CALL_NS = 250_000_000
REMEMBERED = 8
_UNKNOWN_POSITION = "9999999999"
_UNKNOWN_TIME = "8888"


class _Symbols:
    """Takes symbols one part after another; LayoutError when there are too few or the wrong ones."""

    def __init__(self, symbols: Sequence[int]):
        self._left = list(symbols)

    def __len__(self) -> int:
        return len(self._left)

    def peek(self) -> int:
        return self._left[0] if self._left else -1

    def take(self, count: int) -> list[int]:
        if len(self._left) < count:
            raise LayoutError(f"{count} symbols wanted, {len(self._left)} there")
        out, self._left = self._left[:count], self._left[count:]
        return out

    def digits(self, count: int) -> str:
        """Give two decimal digits of each of the next symbols."""
        part = self.take(count)
        if any(symbol > 99 for symbol in part):
            raise LayoutError("a symbol above 99 where digits belong")
        return "".join(f"{symbol:02d}" for symbol in part)

    def one_of(self, table: Mapping[int, str], what: str) -> int:
        symbol = self.take(1)[0]
        if symbol not in table:
            raise LayoutError(f"{what} {symbol} does not exist")
        return symbol


def parse(symbols: Sequence[int]) -> dict[str, Any]:
    """Give the fields of a call; LayoutError when the standard has no such call."""
    if not 10 <= len(symbols) <= MOST_SYMBOLS:
        raise LayoutError(f"{len(symbols)} symbols are no call")
    form, end = symbols[0], symbols[-1]
    if form not in tables.FORMATS or end not in tables.ENDS:
        raise LayoutError(f"format {form} or end {end} does not exist")
    rest = _Symbols(symbols[1:-1])
    out: dict[str, Any] = {"format": tables.FORMATS[form], "format_specifier": form}
    if form == tables.DISTRESS:
        if end != tables.EOS:
            raise LayoutError("a distress alert asks for no acknowledgement by its end")
        out |= {"category": "distress", "self_id": _self_id(rest)}
        out |= _distress(rest)
    else:
        out |= _address(form, rest)
        category = rest.one_of(tables.CATEGORIES, "category")
        out |= {"category": tables.CATEGORIES[category], "self_id": _self_id(rest)}
        first = rest.one_of(tables.TELECOMMANDS, "telecommand")
        out["telecommand_1"] = tables.TELECOMMANDS[first]
        if first in (tables.RELAY, tables.ACKNOWLEDGE) and category == 112:
            out["distress_id"] = _mmsi(rest, unknown=True)
            out |= _distress(rest)
        else:
            out["telecommand_2"] = tables.REASONS[rest.one_of(tables.REASONS, "second telecommand")]
            out |= _particulars(rest, automatic=form == tables.AUTOMATIC)
    if len(rest):
        raise LayoutError(f"{len(rest)} symbols too many")
    out |= {"end_of_sequence": tables.END_CODES[end], "acknowledgement": tables.ENDS[end]}
    out["symbols"] = list(symbols)
    return out


def legal(symbols: Sequence[int]) -> bool:
    """Tell whether the standard has such a call."""
    try:
        parse(symbols)
    except LayoutError:
        return False
    return True


def _mmsi(rest: _Symbols, *, unknown: bool = False) -> str | None:
    """Give the nine digits of an identity; the tenth is 0."""
    if unknown and rest.peek() == tables.NONE:
        if rest.take(5) != [tables.NONE] * 5:
            raise LayoutError("an identity that is half absent")
        return None
    digits = rest.digits(5)
    if digits[9] != "0":
        raise LayoutError(f"identity {digits} does not end in 0")
    return digits[:9]


def _self_id(rest: _Symbols) -> str:
    found = _mmsi(rest)
    if found is None or int(found) == 0:
        raise LayoutError("a call without its sender")
    return found


def _address(form: int, rest: _Symbols) -> dict[str, Any]:
    if form == tables.ALL_SHIPS:
        return {}
    if form != tables.AREA:
        return {"address": _mmsi(rest)}
    digits = rest.digits(5)
    quadrant = int(digits[0])
    if quadrant > 3:
        raise LayoutError(f"quadrant {quadrant} does not exist")
    north = int(digits[1:3]) * (1 if quadrant in (0, 1) else -1)
    west = int(digits[3:6]) * (1 if quadrant in (0, 2) else -1)
    south, east = north - int(digits[6:8]), west + int(digits[8:10])
    if abs(north) > 90 or abs(west) > 180:
        raise LayoutError("an area off the globe")
    # The reference point is the north-west corner (from memory).
    area = {"north_deg": north, "west_deg": west, "south_deg": max(south, -90), "east_deg": east}
    return {"area": area}


def _position(digits: str) -> dict[str, float | None]:
    """Give latitude and longitude of ten digits: quadrant, DDMM, DDDMM; None twice when unknown."""
    if digits == _UNKNOWN_POSITION:
        return {"latitude_deg": None, "longitude_deg": None}
    quadrant = int(digits[0])
    degrees, minutes = int(digits[1:3]), int(digits[3:5])
    east_degrees, east_minutes = int(digits[5:8]), int(digits[8:10])
    latitude, longitude = degrees + minutes / 60, east_degrees + east_minutes / 60
    if quadrant > 3 or minutes > 59 or east_minutes > 59 or latitude > 90 or longitude > 180:
        raise LayoutError(f"position {digits} does not exist")
    return {
        "latitude_deg": round(-latitude if quadrant in (2, 3) else latitude, 5),
        "longitude_deg": round(-longitude if quadrant in (1, 3) else longitude, 5),
    }


def _time(digits: str) -> str | None:
    if digits == _UNKNOWN_TIME:
        return None
    if int(digits[:2]) > 23 or int(digits[2:]) > 59:
        raise LayoutError(f"time {digits} does not exist")
    return f"{digits[:2]}:{digits[2:]}"


def _distress(rest: _Symbols) -> dict[str, Any]:
    """Give nature, position, time and wanted communication, common to alerts, relays and acknowledgements."""
    nature = rest.one_of(tables.NATURES, "nature of distress")
    out: dict[str, Any] = {"nature": tables.NATURES[nature]}
    out |= _position(rest.digits(5))
    out["position_utc"] = _time(rest.digits(2))
    follow = rest.one_of(tables.TELECOMMANDS, "telecommand")
    return out | {"subsequent_communication": tables.TELECOMMANDS[follow]}


def _particulars(rest: _Symbols, *, automatic: bool) -> dict[str, Any]:
    """Give channels or frequencies, position, number of a call."""
    out: dict[str, Any] = {}
    if rest.peek() == tables.HAS_POSITION and len(rest) >= 6:
        rest.take(1)
        out |= _position(rest.digits(5))
        if len(rest) >= 2:
            out["position_utc"] = _time(rest.digits(2))
    else:
        # What the called station receives on comes first (from memory).
        for name in ("called_station_receives", "called_station_transmits")[: 1 if automatic else 2]:
            if len(rest) >= 3:
                out |= _frequency(rest, name)
    if automatic and rest.peek() in (tables.EVEN_DIGITS, tables.ODD_DIGITS):
        odd = rest.take(1)[0] == tables.ODD_DIGITS
        digits = rest.digits(min(len(rest), 9))
        out["number"] = digits[1:] if odd else digits
    left = [symbol for symbol in rest.take(len(rest)) if symbol != tables.NONE]
    if left:
        out["undecoded_symbols"] = left
    return out


def _frequency(rest: _Symbols, name: str) -> dict[str, Any]:
    if rest.peek() == tables.NONE:
        if any(symbol != tables.NONE for symbol in rest.take(3)):
            raise LayoutError("a frequency that is half absent")
        return {}
    leading = rest.peek() // 10
    digits = rest.digits(4 if leading == 4 and len(rest) >= 4 else 3)
    if leading == 4 and len(digits) == 8:
        return {f"{name}_hz": int(digits[1:]) * 10}
    if digits.startswith("90"):
        channel = int(digits[2:])
        return {"channel": channel} if name.endswith("receives") else {f"{name}_channel": channel}
    if leading == 3:
        return {f"{name}_channel": int(digits[1:])}
    if leading > 2:
        raise LayoutError(f"frequency {digits} does not exist")
    return {f"{name}_hz": int(digits) * 100}


def to_bits(symbols: Sequence[int]) -> Bits:
    """Give seven bits a symbol, most significant first."""
    value = 0
    for symbol in symbols:
        value = value << 7 | symbol
    return Bits(value, 7 * len(symbols))


def from_bits(bits: Bits) -> list[int]:
    """Give the symbols of bits, seven each."""
    count = bits.size // 7
    return [bits.value >> (bits.size - 7 * (n + 1)) & 127 for n in range(count)]


def build(fields: Mapping[str, Any]) -> list[int]:
    """Give the symbols of a call from the fields `parse` gives; LayoutError when they do not make one.

    Missing particulars go as the standard's "none" or "unknown".
    """
    form = _code(tables.FORMATS, fields.get("format"), "format")
    own = _digits(f"{fields.get('self_id')}0", 5)
    end = _code(tables.END_CODES, fields.get("end_of_sequence", "EOS"), "end_of_sequence")
    if form == tables.DISTRESS:
        out = [form, *own, *_build_distress(fields), end]
    else:
        out = [form]
        if form == tables.AREA:
            area = fields.get("area") or {}
            try:
                north, west = int(area["north_deg"]), int(area["west_deg"])
                down, right = north - int(area["south_deg"]), int(area["east_deg"]) - west
            except (KeyError, TypeError, ValueError) as error:
                raise LayoutError(
                    f"area {area!r}: wants north_deg, west_deg, south_deg and east_deg"
                ) from error
            quadrant = (2 if north < 0 else 0) + (1 if west < 0 else 0)
            out += _digits(f"{quadrant}{abs(north):02d}{abs(west):03d}{down:02d}{right:02d}", 5)
        elif form != tables.ALL_SHIPS:
            out += _digits(f"{fields.get('address')}0", 5)
        category = _code(tables.CATEGORIES, fields.get("category", "routine"), "category")
        first = _code(tables.TELECOMMANDS, fields.get("telecommand_1", "none"), "telecommand_1")
        out += [category, *own, first]
        if first in (tables.RELAY, tables.ACKNOWLEDGE) and category == 112:
            about = fields.get("distress_id")
            out += _digits(f"{about}0", 5) if about else [tables.NONE] * 5
            out += _build_distress(fields)
        else:
            out.append(_code(tables.REASONS, fields.get("telecommand_2", "none"), "telecommand_2"))
            out += _build_particulars(fields)
        out.append(end)
    parse(out)
    return out


def _build_distress(fields: Mapping[str, Any]) -> list[int]:
    return [
        _code(tables.NATURES, fields.get("nature", "undesignated"), "nature"),
        *_digits(_position_digits(fields), 5),
        *_digits((fields.get("position_utc") or "88:88").replace(":", ""), 2),
        _code(
            tables.TELECOMMANDS, fields.get("subsequent_communication", "none"), "subsequent_communication"
        ),
    ]


def _build_particulars(fields: Mapping[str, Any]) -> list[int]:
    if fields.get("latitude_deg") is not None:
        out = [tables.HAS_POSITION, *_digits(_position_digits(fields), 5)]
        when = fields.get("position_utc")
        return out + (_digits(when.replace(":", ""), 2) if when else [])
    out = []
    for name in ("called_station_receives", "called_station_transmits"):
        channel = fields.get("channel") if name.endswith("receives") else fields.get(f"{name}_channel")
        hertz = fields.get(f"{name}_hz")
        if channel is not None:
            out += _digits(f"90{int(channel):04d}", 3)
        elif hertz is None:
            out += [tables.NONE] * 3
        elif hertz % 100 or hertz >= 30e6:
            out += _digits(f"4{int(hertz) // 10:07d}", 4)
        else:
            out += _digits(f"{int(hertz) // 100:06d}", 3)
    return out


def _position_digits(fields: Mapping[str, Any]) -> str:
    latitude, longitude = fields.get("latitude_deg"), fields.get("longitude_deg")
    if latitude is None or longitude is None:
        return _UNKNOWN_POSITION
    down, across = round(abs(latitude) * 60), round(abs(longitude) * 60)
    quadrant = (2 if latitude < 0 else 0) + (1 if longitude < 0 else 0)
    return f"{quadrant}{down // 60:02d}{down % 60:02d}{across // 60:03d}{across % 60:02d}"


def _code(table: Mapping[int, str], text: Any, what: str) -> int:
    for code, name in table.items():
        if name == text:
            return code
    raise LayoutError(f"{what}: {text!r} is not in its table")


def _digits(text: str, count: int) -> list[int]:
    if len(text) != 2 * count or not (text.isascii() and text.isdigit()):
        raise LayoutError(f"{text!r} is not {2 * count} digits")
    return [int(text[n : n + 2]) for n in range(0, 2 * count, 2)]


class Assembler:
    """One message a call; the same one met again at the same time (a channel beside, an image) is left out."""

    def __init__(self) -> None:
        self._recent: list[Frame] = []

    def feed(self, frame: Frame) -> list[Message]:
        """Take the next frame; give its message, or nothing when it is none or known."""
        if any(
            other.bits == frame.bits and abs(other.time_ns - frame.time_ns) <= SAME_CALL_NS
            for other in self._recent
        ):
            return []
        try:
            fields = parse(from_bits(frame.bits))
        except LayoutError:
            return []
        self._recent = [*self._recent[1 - REMEMBERED :], frame]
        return [_message(frame, fields)]

    def close(self) -> list[Message]:
        """Give nothing: no call is held back."""
        return []


def kind_of(fields: Mapping[str, Any]) -> str:
    """Give what a call is, in words."""
    if fields["format_specifier"] == tables.DISTRESS:
        return "distress alert"
    if "distress_id" in fields:
        relay = fields["telecommand_1"] == tables.TELECOMMANDS[tables.RELAY]
        return "distress relay" if relay else "distress acknowledgement"
    if fields["telecommand_1"] == tables.TELECOMMANDS[tables.TEST]:
        return "test call"
    return f"{fields['format']} call"


def _message(frame: Frame, fields: dict[str, Any]) -> Message:
    own = fields["self_id"]
    about = fields.get("distress_id")
    place = (fields.get("latitude_deg"), fields.get("longitude_deg"))
    named: list[IdentityRef] = []
    if about:
        named.append(_who(about, place))
    address = fields.get("address")
    if address and fields["format_specifier"] != tables.GROUP and int(address):
        named.append(_who(address))
    kind = kind_of(fields)
    flags: tuple[str, ...] = ()
    if kind != "test call" and fields["category"] in ("distress", "urgency", "safety"):
        flags = (fields["category"],)
    return Message(
        frame=frame,
        kind=kind,
        fields=fields,
        check=frame.check or "pass",
        identity=_who(own, (None, None) if "distress_id" in fields else place),
        related=tuple(ref for ref in named if ref.key != own),
        flags=flags,
    )


def _who(mmsi: str, place: tuple[float | None, float | None] = (None, None)) -> IdentityRef:
    """Give the identity of a number: a coast station begins with 00, aids and aircraft with 99 and 111."""
    station = mmsi.startswith(("00", "99", "111", "970", "972", "974"))
    return IdentityRef("station" if station else "vessel", mmsi, (), *place)
