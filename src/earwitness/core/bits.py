"""Declare a bit-packed record once; get parse, build and the field table from it.

Fields run most significant bit first in the order of the published table. Parsed values are
physical (degrees, knots, text); None means "not available".
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from earwitness.core.errors import LayoutError
from earwitness.core.types import Bits


@dataclass(frozen=True, slots=True)
class Field:
    """One field: its width, and how a raw integer becomes a physical value."""

    name: str
    width: int
    signed: bool = False
    scale: float = 1
    offset: float = 0
    na: int | tuple[int, ...] = ()
    decode: Callable[[int], Any] | None = None
    encode: Callable[[Any], int] | None = None

    def value(self, raw: int) -> Any:
        """Give the physical value of the raw unsigned integer."""
        if self.signed and raw >> (self.width - 1):
            raw -= 1 << self.width
        if raw == self.na or (isinstance(self.na, tuple) and raw in self.na):
            return None
        if self.decode:
            return self.decode(raw)
        if self.scale == 1 and self.offset == 0:
            return raw
        return raw * self.scale + self.offset

    def conversion(self) -> Callable[[int], Any] | None:
        """Give the quickest function that does what `value` does; None where the raw integer is the value."""
        if self.signed or self.na != ():
            return self.value
        if self.decode:
            return self.decode
        return None if self.scale == 1 and self.offset == 0 else self.value

    def raw(self, value: Any) -> int:
        """Give the raw unsigned integer of a physical value; LayoutError when it does not fit."""
        if value is None:
            number = self.na[0] if isinstance(self.na, tuple) and self.na else self.na
            if not isinstance(number, int):
                raise LayoutError(f"{self.name} has no 'not available' value")
        elif self.encode:
            number = self.encode(value)
        else:
            number = round((value - self.offset) / self.scale)
        low = -(1 << (self.width - 1)) if self.signed else 0
        if not low <= number < low + (1 << self.width):
            raise LayoutError(f"{self.name}: {value!r} does not fit {self.width} bits")
        return number & ((1 << self.width) - 1)


def u(name: str, width: int, **facts: Any) -> Field:
    """Declare an unsigned integer."""
    return Field(name, width, **facts)


def s(name: str, width: int, **facts: Any) -> Field:
    """Declare a two's-complement integer."""
    return Field(name, width, signed=True, **facts)


def flag(name: str) -> Field:
    """Declare one bit, read as a bool."""
    return Field(name, 1, decode=bool, encode=int)


def spare(width: int) -> Field:
    """Declare bits the publication leaves unused: skipped when read, zero when built."""
    return Field("", width)


def text(name: str, count: int, alphabet: str, *, pad: str = " ", strip: str = " ") -> Field:
    """Declare `count` characters of a power-of-two alphabet; trailing `strip` characters are dropped."""
    width = (len(alphabet) - 1).bit_length()
    mask = (1 << width) - 1

    def decode(raw: int) -> str:
        return "".join(alphabet[raw >> n & mask] for n in range((count - 1) * width, -1, -width)).rstrip(
            strip
        )

    def encode(value: str) -> int:
        raw = 0
        if len(value) > count:
            raise LayoutError(f"{name}: {value!r} is longer than {count} characters")
        for char in value.ljust(count, pad):
            if char not in alphabet:
                raise LayoutError(f"{name}: {char!r} is not in its alphabet")
            raw = raw << width | alphabet.index(char)
        return raw

    return Field(name, count * width, decode=decode, encode=encode)


@dataclass(frozen=True)
class Layout:
    """A record of named bit fields, as `source` prints it; `bits` is checked against the widths."""

    name: str
    bits: int
    source: str
    fields: tuple[Field, ...] = field(default=())
    _read: Callable[[int], dict[str, Any]] = field(default=dict, init=False, repr=False, compare=False)  # type: ignore[assignment]

    def __post_init__(self) -> None:
        total = sum(item.width for item in self.fields)
        if total != self.bits:
            raise LayoutError(f"{self.name}: fields add up to {total} bits; {self.source} says {self.bits}")
        # one expression with all places and masks in it: parsing is the hot path of busy modes
        parts, known = [], {}
        at = self.bits
        for number, item in enumerate(self.fields):
            at -= item.width
            if not item.name:
                continue
            raw, convert = f"(raw >> {at} & {(1 << item.width) - 1})", item.conversion()
            if convert is bool:
                raw = f"{raw} != 0"
            elif convert is not None:
                known[f"convert_{number}"] = convert
                raw = f"convert_{number}{raw}"
            parts.append(f"{item.name!r}: {raw}")
        object.__setattr__(self, "_read", eval(f"lambda raw: {{{', '.join(parts)}}}", known))  # noqa: S307

    def parse(self, bits: Bits) -> dict[str, Any]:
        """Give the named values; extra trailing bits are ignored, missing ones raise LayoutError."""
        if bits.size < self.bits:
            raise LayoutError(f"{self.name} is {self.bits} bits; got {bits.size}")
        return self._read(bits.value >> (bits.size - self.bits))

    def read(self, raw: int) -> dict[str, Any]:
        """Give the named values of exactly as many bits as the layout has."""
        return self._read(raw)

    def build(self, values: Mapping[str, Any]) -> Bits:
        """Give the bits of the named values."""
        raw = 0
        for item in self.fields:
            raw = raw << item.width | (item.raw(values[item.name]) if item.name else 0)
        return Bits(raw, self.bits)
