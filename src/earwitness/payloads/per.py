"""Reading of unaligned packed encoding rules (ITU-T X.691), as the air traffic data links use them.

A small reader instead of the general library: asn1tools knows no RELATIVE-OID, does not tell whether an encoding was
used up to its last bit, and takes 0.5 s to load; the tests hold this reader against it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from earwitness.core.text import inert

MOST_ARCS = 32
MOST_PLACES = 64
NUMERIC = " 0123456789"  # X.691 counts a NumericString's characters in this order


class NotDecodedError(ValueError):
    """Bits end early, or a value is not one of the grammar's."""


class Reader:
    """Takes numbers, texts and choices from bits, the first most significant.

    A grammar's functions give text and leave here what they hand on beside it: `place` is the last latitude and
    longitude read, in degrees, `places` all of them, `own_place` where a report says that its sender is.
    """

    def __init__(self, octets: bytes, size: int | None = None):
        self._value = int.from_bytes(octets, "big")
        self.size = 8 * len(octets)
        if size is not None:
            self._value >>= self.size - size
            self.size = size
        self.at = 0
        self.place: tuple[float, float] | None = None
        self.places: list[tuple[float, float]] = []
        self.own_place: tuple[float, float] | None = None

    def bits(self, count: int) -> int:
        """Give an unsigned number of `count` bits; NotDecodedError when so many are not left."""
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

    def name(self, names: Sequence[str], *, open_ended: bool = False) -> str:
        """Give one of the names of an enumeration; an open-ended one's later additions are refused."""
        if open_ended:
            self.closed()
        return names[self.number(0, len(names) - 1)]

    def closed(self) -> None:
        """Take an extension bit; NotDecodedError when it says that parts follow which the grammar does not know."""
        if self.bits(1):
            raise NotDecodedError("an extension that is not known")

    def flags(self, count: int) -> list[bool]:
        """Give the presence bits of `count` optional parts."""
        value = self.bits(count)
        return [bool(value >> n & 1) for n in range(count - 1, -1, -1)]

    def text(self, low: int, high: int) -> str:
        """Give an IA5 string of low..high characters, made inert."""
        return inert("".join(chr(self.bits(7)) for _ in range(self.number(low, high))))

    def digits(self, count: int) -> str:
        """Give a NumericString of `count` characters."""
        return "".join(NUMERIC[self.number(0, len(NUMERIC) - 1)] for _ in range(count))

    def length(self) -> int:
        """Give a length without bound; NotDecodedError for those sent in fragments (16 384 and more)."""
        if not self.bits(1):
            return self.bits(7)
        if self.bits(1):
            raise NotDecodedError("a length in fragments")
        return self.bits(14)

    def octets(self, count: int) -> bytes:
        """Give `count` octets."""
        return self.bits(8 * count).to_bytes(count, "big")

    def part(self, count: int) -> Reader:
        """Give a reader of the next `count` bits."""
        value = self.bits(count)
        return Reader((value << (-count % 8)).to_bytes(-(-count // 8), "big"), count)

    def integer(self) -> int:
        """Give an integer of no known range."""
        count = self.length()
        if not 1 <= count <= 8:
            raise NotDecodedError("an integer of unusual length")
        return int.from_bytes(self.octets(count), "big", signed=True)

    def arcs(self, *, relative: bool = False) -> str:
        """Give an object identifier in dotted numbers."""
        out: list[int] = []
        value = 0
        body = self.octets(self.length())
        if not body or body[-1] & 0x80:
            raise NotDecodedError("an object identifier cut short")
        for octet in body:
            value = value << 7 | octet & 0x7F
            if not octet & 0x80:
                out.append(value)
                value = 0
        if len(out) > MOST_ARCS:
            raise NotDecodedError("an object identifier of too many arcs")
        if not relative:
            first = min(out[0] // 40, 2)
            out[:1] = [first, out[0] - 40 * first]
        return ".".join(map(str, out))

    def note_place(self, latitude_deg: float, longitude_deg: float) -> None:
        """Note a place that was read."""
        self.place = (round(latitude_deg, 6), round(longitude_deg, 6))
        if len(self.places) < MOST_PLACES:
            self.places.append(self.place)

    def named_positions(self) -> list[dict[str, float]]:
        """Give the places read, in order and each once, but for the sender's own."""
        kept = dict.fromkeys(place for place in self.places if place != self.own_place)
        return [{"latitude_deg": latitude, "longitude_deg": longitude} for latitude, longitude in kept]

    def copy(self) -> Reader:
        """Give a reader of the same bits from their beginning."""
        return Reader((self._value << (-self.size % 8)).to_bytes(-(-self.size // 8), "big"), self.size)

    def rest(self) -> str:
        """Give the bits not taken, in hexadecimal with zeros to fill."""
        left = self.size - self.at
        octets = -(-left // 8)
        return (self.bits(left) << (8 * octets - left)).to_bytes(octets, "big").hex().upper()

    def ended(self) -> bool:
        """Tell whether only zeros to fill the last octet are left."""
        left = self.size - self.at
        return left < 8 and self._value & ((1 << left) - 1) == 0

    def finish(self) -> None:
        """Raise NotDecodedError unless all bits were taken, but for zeros that fill the last of whole octets."""
        if self.at != self.size and (self.size % 8 or not self.ended()):
            raise NotDecodedError(f"{self.size - self.at} bits are left")


Part = Callable[[Reader], str]


def element(
    r: Reader, number: int, table: Sequence[str], prefix: str, parts: dict[str, Part]
) -> dict[str, str]:
    """Give an element of a controller-pilot message: its text with what the brackets name read from the bits."""
    out = ""
    for i, piece in enumerate(table[number].replace("]", "[").split("[")):
        if i % 2:
            out += parts[piece](r)
        else:  # what was read may be empty, "none specified"
            out += piece.lstrip() if out.endswith(" ") else piece
    return {"element": f"{prefix}{number}", "text": out}
