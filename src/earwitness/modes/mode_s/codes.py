"""Altitude and identity codes of transponders (ICAO Annex 10 Vol. IV 3.1.2.6.5.4, 3.1.2.6.7.1)."""

from __future__ import annotations

from functools import cache

from earwitness.core.errors import LayoutError

# the 13 bits of an altitude field from the left: C1 A1 C2 A2 C4 A4 M B1 Q B2 D2 B4 D4
_M = 1 << 6
_Q = 1 << 4
_HUNDREDS = {1: 1, 3: 2, 2: 3, 6: 4, 4: 5}  # Gray C1 C2 C4 to steps of 100 ft, 1 to 5
FEET_PER_METRE = 1 / 0.3048


def _bit(raw: int, place: int) -> int:
    """Give bit `place` of a 13-bit field, 1 the leftmost."""
    return raw >> (13 - place) & 1


def _gray(word: int) -> int:
    out = 0
    while word:
        out ^= word
        word >>= 1
    return out


@cache  # 8192 values
def altitude_ft(raw: int) -> int | None:
    """Give the altitude of a 13-bit AC field in feet; None where it holds none or an illegal code."""
    if raw == 0:
        return None
    if raw & _M:
        metres = (raw >> 7) << 6 | raw & 0x3F
        return round(metres * FEET_PER_METRE)
    if raw & _Q:
        n = (raw >> 7) << 5 | (raw >> 5 & 1) << 4 | raw & 0xF
        return 25 * n - 1000
    five = 0
    for place in (11, 13, 2, 4, 6, 8, 10, 12):  # D2 D4 A1 A2 A4 B1 B2 B4
        five = five << 1 | _bit(raw, place)
    n500 = _gray(five)
    n100 = _HUNDREDS.get(_bit(raw, 1) << 2 | _bit(raw, 3) << 1 | _bit(raw, 5))
    if n100 is None:
        return None
    if n500 & 1:
        n100 = 6 - n100
    feet = 500 * n500 + 100 * n100 - 1300
    return feet if feet <= 126700 else None


@cache
def altitude_12_ft(raw: int) -> int | None:
    """Give the altitude of the 12-bit field of a squitter (the 13-bit one without M)."""
    return altitude_ft((raw & 0xFC0) << 1 | raw & 0x3F)


def altitude_code(feet: float | None) -> int:
    """Give the 13-bit AC field of an altitude, in 25 ft steps where they reach, else in 100 ft steps."""
    if feet is None:
        return 0
    n = round((feet + 1000) / 25)
    if 0 <= n < 2048:
        return (n >> 5) << 7 | (n >> 4 & 1) << 5 | _Q | n & 0xF
    return gillham_code(feet)


def gillham_code(feet: float) -> int:
    """Give the 13-bit AC field of an altitude in 100 ft steps (Gillham code)."""
    steps = round((feet + 1200) / 100)
    if not 0 <= steps <= 1279:
        raise LayoutError(f"altitude {feet} ft is outside -1200 to 126700 ft")
    n500, n100 = divmod(steps, 5)
    n100 += 1
    if n500 & 1:
        n100 = 6 - n100
    five = n500 ^ n500 >> 1
    three = {value: key for key, value in _HUNDREDS.items()}[n100]
    raw = 0
    for index, place in enumerate((11, 13, 2, 4, 6, 8, 10, 12)):
        raw |= (five >> (7 - index) & 1) << (13 - place)
    for index, place in enumerate((1, 3, 5)):
        raw |= (three >> (2 - index) & 1) << (13 - place)
    return raw


# from the left: C1 A1 C2 A2 C4 A4 X B1 D1 B2 D2 B4 D4
_DIGITS = ((6, 4, 2), (12, 10, 8), (5, 3, 1), (13, 11, 9))


@cache
def squawk(raw: int) -> str:
    """Give the four octal digits of a 13-bit identity field."""
    return "".join(
        str(sum(_bit(raw, place) << (2 - n) for n, place in enumerate(digit))) for digit in _DIGITS
    )


def squawk_code(digits: str) -> int:
    """Give the 13-bit identity field of four octal digits."""
    if len(digits) != 4 or any(char not in "01234567" for char in digits):
        raise LayoutError(f"squawk {digits!r}: four digits 0 to 7")
    raw = 0
    for digit, places in zip(digits, _DIGITS, strict=True):
        for n, place in enumerate(places):
            raw |= (int(digit) >> (2 - n) & 1) << (13 - place)
    return raw
