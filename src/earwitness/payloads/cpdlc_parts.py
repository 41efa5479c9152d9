"""Parts that the two controller-pilot grammars share: routes, holds, reports, built on each one's own small parts.

Structure from memory of RTCA DO-219 / DO-258 (FANS-1/A) and of ICAO Doc 9705 / 9880 (ATN); both have the same order
of parts here, and differ in the places, levels and speeds beneath. All is read to one line of text.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from earwitness.payloads.per import NotDecodedError, Part, Reader

TOLERANCES = ("AT", "AT OR ABOVE", "AT OR BELOW")
TIME_TOLERANCES = ("AT", "AT OR AFTER", "AT OR BEFORE")
DIRECTIONS = (
    "LEFT", "RIGHT", "EITHER SIDE", "NORTH", "SOUTH", "EAST", "WEST", "NORTH EAST", "NORTH WEST", "SOUTH EAST",
    "SOUTH WEST",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Grammar:
    """What one of the two grammars has beneath the shared parts."""

    position: Part
    published: Part
    lat_lon: Part
    level: Part
    speed: Part
    distance: Part
    reporting_degrees: Callable[[Reader, int], str]
    more_route_parts: tuple[tuple[str, Part], ...]  # kinds of route information after the shared four


def time_of_day(r: Reader) -> str:
    """Give hours and minutes."""
    return f"{r.number(0, 23):02d}:{r.number(0, 59):02d}"


def degrees(r: Reader) -> str:
    """Give a direction in whole degrees, magnetic or true."""
    kind = ("MAGNETIC", "TRUE")[r.bits(1)]
    return f"{r.number(1, 360):03d} {kind}"


def direction(r: Reader) -> str:
    """Give a side or a quarter."""
    return r.name(DIRECTIONS)


def airport(r: Reader) -> str:
    """Give an aerodrome's four letters."""
    return r.text(4, 4)


def code(r: Reader) -> str:
    """Give a transponder code."""
    return "".join(str(r.bits(3)) for _ in range(4))


def altimeter(r: Reader) -> str:
    """Give an altimeter setting."""
    return f"{r.number(7500, 12500) / 10:.1f} HPA" if r.bits(1) else f"{r.number(2200, 3200) / 100:.2f} INHG"


def free_text(r: Reader) -> str:
    """Give free text."""
    return r.text(1, 256)


def letter(r: Reader) -> str:
    """Give the letter of a broadcast."""
    return r.text(1, 1)


def version(r: Reader) -> str:
    """Give a version number."""
    return str(r.number(0, 15))


def souls(r: Reader) -> str:
    """Give the number of persons on board."""
    return str(r.number(1, 1024))


def to_from(r: Reader) -> str:
    """Give whether a distance is to or from a place."""
    return ("TO", "FROM")[r.bits(1)]


def runway(r: Reader) -> str:
    """Give a runway."""
    number = r.number(1, 36)
    return f"{number:02d}{('L', 'R', 'C', '')[r.bits(2)]}"


def leg(r: Reader) -> str:
    """Give the length of a holding pattern's leg."""
    if r.bits(1):
        return f"LEGS {r.number(0, 10)} MIN"
    return f"LEGS {r.number(1, 128)} KM" if r.bits(1) else f"LEGS {r.number(0, 50)} NM"


def wind(r: Reader) -> str:
    """Give wind direction and speed."""
    where = r.number(1, 360)
    return f"{where:03d}/" + (f"{r.number(0, 511)} KM/H" if r.bits(1) else f"{r.number(0, 255)} KT")


def optional(r: Reader, parts: tuple[tuple[str, Part], ...]) -> str:
    """Give the parts whose presence bits are set, each behind its words."""
    there = r.flags(len(parts))
    out = []
    for (words, part), present in zip(parts, there, strict=True):
        if present:
            text = part(r)
            out.append(f"{words} {text}" if words else text)
    return ", ".join(out)


def several(r: Reader, most: int, part: Part, between: str = " ") -> str:
    """Give one to `most` parts, their number before them."""
    return between.join(part(r) for _ in range(r.number(1, most)))


def procedure(r: Reader, longest: int) -> str:
    """Give a procedure with its transition; `longest` is that of its name."""
    with_transition = r.bits(1)
    kind = ("ARRIVAL", "APPROACH", "DEPARTURE")[r.number(0, 2)]
    name = r.text(1, longest)
    return f"{name}{'.' + r.text(1, 5) if with_transition else ''} {kind}"


def place_bearing_distance(r: Reader, grammar: Grammar) -> str:
    """Give a place as direction and distance from a published one."""
    text = f"{grammar.published(r)} {degrees(r)} {grammar.distance(r)}"
    r.place = None  # that of the published one is not this place
    return text


def _two_bearings(r: Reader, grammar: Grammar) -> str:
    return " AND ".join(f"{grammar.published(r)} {degrees(r)}" for _ in range(2))


def route_part(r: Reader, grammar: Grammar) -> str:
    """Give one part of a route."""
    kind = r.number(0, 3 + len(grammar.more_route_parts))
    if kind > 3:
        words, part = grammar.more_route_parts[kind - 4]
        text = part(r)
        return f"{words} {text}" if words else text
    return _selection(r, kind, grammar)


def _selection(r: Reader, kind: int, grammar: Grammar) -> str:
    """Give a place of the four shared kinds."""
    if kind == 0:
        return grammar.published(r)
    if kind == 1:
        return grammar.lat_lon(r)
    return _two_bearings(r, grammar) if kind == 2 else place_bearing_distance(r, grammar)


def _tolerant_level(r: Reader, grammar: Grammar) -> str:
    return f"{r.name(TOLERANCES)} {grammar.level(r)}"


def _levels(r: Reader, grammar: Grammar) -> str:
    return several(r, 2, lambda r: _tolerant_level(r, grammar), " AND ")


def _along_track(r: Reader, grammar: Grammar) -> str:
    with_speed, with_levels = r.flags(2)
    place = grammar.position(r)
    sign = "+-"[r.bits(1)]
    text = f"{place} {sign}{grammar.distance(r)}"
    text += f" {grammar.speed(r)}" if with_speed else ""
    return text + (f" {_levels(r, grammar)}" if with_levels else "")


def _waypoint(r: Reader, grammar: Grammar) -> str:
    with_speed, with_levels = r.flags(2)
    text = grammar.position(r)
    text += f" {grammar.speed(r)}" if with_speed else ""
    return text + (f" {_levels(r, grammar)}" if with_levels else "")


def _reporting(r: Reader, grammar: Grammar) -> str:
    with_step = r.bits(1)
    text = grammar.reporting_degrees(r, r.bits(1))
    return text + (f" EVERY {r.number(1, 20)} DEG" if with_step else "")


def _intercept(r: Reader, grammar: Grammar) -> str:
    return f"{_selection(r, r.bits(2), grammar)} COURSE {degrees(r)}"


def _hold_at(r: Reader, grammar: Grammar) -> str:
    there = r.flags(7)
    text = grammar.position(r)
    parts: tuple[tuple[str, Part], ...] = (
        ("FROM ", grammar.speed),
        ("", lambda r: _tolerant_level(r, grammar)),
        ("UP TO ", grammar.speed),
        ("TURNS ", direction),
        ("INBOUND ", degrees),
        ("UNTIL ", time_of_day),
        ("", leg),
    )
    for (words, part), present in zip(parts, there, strict=True):
        text += f" {words}{part(r)}" if present else ""
    return text


def _required_time(r: Reader, grammar: Grammar) -> str:
    with_tolerance = r.bits(1)
    place = grammar.position(r)
    clock = time_of_day(r)
    text = f"{place} {r.name(TIME_TOLERANCES)} {clock}"
    return text + (f" +-{r.number(1, 150) / 10:g} MIN" if with_tolerance else "")


def _additional(r: Reader, grammar: Grammar) -> str:
    return optional(
        r,
        (
            ("ALONG TRACK", lambda r: several(r, 8, lambda r: _along_track(r, grammar), "; ")),
            ("REPORTING", lambda r: _reporting(r, grammar)),
            ("INTERCEPT", lambda r: several(r, 4, lambda r: _intercept(r, grammar), "; ")),
            ("HOLD AT", lambda r: several(r, 8, lambda r: _hold_at(r, grammar), "; ")),
            ("AT WAYPOINTS", lambda r: several(r, 32, lambda r: _waypoint(r, grammar), "; ")),
            ("REQUIRED TIMES", lambda r: several(r, 32, lambda r: _required_time(r, grammar), "; ")),
        ),
    )


def route_clearance(
    r: Reader, grammar: Grammar, procedure_part: Part, intercept: tuple[tuple[str, Part], ...]
) -> str:
    """Give a route clearance; `intercept` is a part that only one of the grammars has before the route."""
    text = optional(
        r,
        (
            ("FROM", airport),
            ("TO", airport),
            ("DEPARTURE RUNWAY", runway),
            ("", procedure_part),
            ("ARRIVAL RUNWAY", runway),
            ("", procedure_part),
            ("", procedure_part),
            *intercept,
            ("ROUTE", lambda r: several(r, 128, lambda r: route_part(r, grammar))),
            ("", lambda r: _additional(r, grammar)),
        ),
    )
    if not text:
        raise NotDecodedError("an empty route clearance")
    return text


def position_report(r: Reader, grammar: Grammar, parts: tuple[tuple[str, Part], ...]) -> str:
    """Give a position report: place, time and level, then what is there of the shared parts and of `parts`.

    The place, where it is a latitude and longitude, is left in `r.own_place`.
    """
    rest: tuple[tuple[str, Part], ...] = (
        ("NEXT", grammar.position),
        ("AT", time_of_day),
        ("THEN", grammar.position),
        ("DESTINATION AT", time_of_day),
        ("FUEL", time_of_day),
        *parts,
        ("REPORTED WAYPOINT", grammar.position),
        ("AT", time_of_day),
        ("LEVEL", grammar.level),
    )
    there = r.flags(len(rest))
    r.place = None
    text = f"{grammar.position(r)} AT {time_of_day(r)} LEVEL {grammar.level(r)}"
    place = r.place
    for (words, part), present in zip(rest, there, strict=True):
        if present:
            text += f", {words} {part(r)}"
    r.own_place = place
    return text


PLAIN_PARTS: dict[str, Part] = {
    "time": time_of_day,
    "degrees": degrees,
    "direction": direction,
    "code": code,
    "text": free_text,
    "altimeter": altimeter,
    "letter": letter,
    "version": version,
    "fuel": time_of_day,
    "souls": souls,
    "to_from": to_from,
}
