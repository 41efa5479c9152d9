"""Mean elements of satellites as users get them: two-line sets, or the Orbit Mean-Elements Message of CCSDS 502.0.

Two-line sets are read by their columns with checksum and ranges; OMM as JSON, CSV or XML. What cannot be believed is
left out and reported with the line. Columns and units: D. A. Vallado et al., "Revisiting Spacetrack Report #3",
AIAA 2006-6753, appendix; the keywords of OMM: CCSDS 502.0-B.
"""

from __future__ import annotations

import io
import json
import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from earwitness.core.errors import ParameterError
from earwitness.core.text import inert
from earwitness.core.times import format_time, parse_time

MOST_CHARACTERS = 64_000_000
MOST_SETS = 200_000
MOST_PROBLEMS = 200
DAY_NS = 86_400_000_000_000
_EARTH_KM = 6378.135  # WGS-72, as the elements are made with
_MU_KM3_S2 = 398600.8
_LOWEST_KM = 70.0  # of the perigee: lower ones do not come round again
_NAME_LIMIT = 60

_FIGURE = re.compile(r"[+-]?\d*\.?\d+", re.ASCII)
_POWER = re.compile(r"([+-]?)(\d{5})([+-]\d)", re.ASCII)


@dataclass(frozen=True, slots=True)
class Elements:
    """One set of mean elements (SGP4, TEME of date) with the time they hold for."""

    name: str  # "" when the set has none
    number: int  # of the catalogue
    designator: str
    epoch_ns: int
    inclination_deg: float
    node_deg: float  # right ascension of the ascending node
    eccentricity: float
    perigee_deg: float  # argument of the perigee
    anomaly_deg: float  # mean anomaly
    motion_rev_day: float  # mean motion (Kozai)
    bstar: float  # 1/Earth radii
    motion_dot: float = 0.0  # half the first derivative, rev/day^2, as two-line sets state it
    motion_ddot: float = 0.0  # a sixth of the second, rev/day^3
    set_number: int = 0

    @property
    def title(self) -> str:
        """Give name and number for people."""
        return f"{self.name} ({self.number})" if self.name else f"satellite {self.number}"

    @property
    def period_s(self) -> float:
        """Give the time of one revolution."""
        return 86_400.0 / self.motion_rev_day

    @property
    def deep(self) -> bool:
        """Tell whether it is so high (period of 225 min and more) that drag hardly matters."""
        return self.period_s >= 225 * 60

    def age_days(self, at_ns: int) -> float:
        """Give how long after their epoch the elements are used; negative before."""
        return (at_ns - self.epoch_ns) / DAY_NS

    def is_named(self, wanted: str) -> bool:
        """Tell whether a user means this satellite: its number, its name, or the name before a bracket."""
        given = " ".join(wanted.casefold().split())
        name = " ".join(self.name.casefold().split())
        return bool(given) and given in (str(self.number), name, name.partition(" (")[0].partition(" [")[0])


@dataclass(frozen=True, slots=True)
class Reading:
    """What a file of elements held, and what of it could not be taken, in words."""

    elements: tuple[Elements, ...]
    problems: tuple[str, ...]


def read_elements(text: str) -> Reading:
    """Read two-line sets (names optional) or OMM as JSON, CSV or XML, whichever `text` is.

    Never raises for bad content: what cannot be taken stands in `problems`. ParameterError when the text is
    too long to be one.
    """
    if len(text) > MOST_CHARACTERS:
        raise ParameterError(f"{len(text)} characters are too many for a file of elements")
    text = text.lstrip("\ufeff")
    head = text.lstrip()[:2000]
    try:
        if head[:1] in ("[", "{"):
            return _gather(_json(text))
        if head[:1] == "<":
            return _gather(_xml(text))
        if "MEAN_MOTION" in head.partition("\n")[0]:
            return _gather(_csv(text))
    except (ValueError, RecursionError, LookupError, AttributeError, SyntaxError) as error:
        return Reading((), (f"not readable as an OMM: {inert(str(error), limit=120)}",))
    return _two_line(text)


# -- two-line sets -----------------------------------------------------------------------------------


def checksum(line: str) -> int:
    """Give the modulo-10 sum of the digits of the first 68 columns, a minus counting one."""
    return sum(int(c) if c.isascii() and c.isdigit() else c == "-" for c in line[:68]) % 10


def _two_line(text: str) -> Reading:
    out: list[Elements] = []
    problems: list[str] = []
    name: tuple[int, str] | None = None
    first: tuple[int, str] | None = None

    def unused() -> None:
        if first is not None:
            problems.append(f"line {first[0]} has no line 2 after it: {_shown(first[1])}")
        if name is not None and first is None:
            problems.append(f"line {name[0]} is no line of elements: {_shown(name[1])}")

    for number, line in enumerate(text.splitlines(), 1):
        if len(problems) > MOST_PROBLEMS or len(out) >= MOST_SETS:
            problems.append(
                f"reading ended at line {number}: too much of it cannot be read, or too many sets"
            )
            break
        line = line.rstrip()
        if not line or line.startswith("#"):
            continue
        if _looks_like(line, "1"):
            if first is not None:
                unused()
                name = None
            first = (number, line)
        elif _looks_like(line, "2") and first is not None:
            try:
                out.append(_pair(_called(name), first[1], line))
            except ValueError as error:
                problems.append(
                    f"lines {first[0]} and {number}: {error}: {_shown(first[1])} / {_shown(line)}"
                )
            name = first = None
        else:
            unused()
            name, first = (number, line), None
    unused()
    return Reading(tuple(out), tuple(problems[: MOST_PROBLEMS + 2]))


def _looks_like(line: str, digit: str) -> bool:
    return line[:2] == f"{digit} " and len(line) >= 60 and line[2:7].strip().isalnum()


def _called(name: tuple[int, str] | None) -> str:
    return inert(name[1].removeprefix("0 ").strip(), limit=_NAME_LIMIT) if name else ""


def _shown(line: str) -> str:
    return f"'{inert(line, limit=80)}'"


def _pair(name: str, first: str, second: str) -> Elements:
    """Give the set of two lines; ValueError says what is wrong with them."""
    for digit, line in (("1", first), ("2", second)):
        if len(line) < 69:
            raise ValueError(f"line {digit} has {len(line)} columns, needs 69")
        if not line[:69].isascii():
            raise ValueError(f"line {digit} holds characters that are not ASCII")
        if line[68] != str(checksum(line)):
            raise ValueError(
                f"line {digit} states checksum {inert(line[68])}, its digits give {checksum(line)}"
            )
    number = _catalogue(first[2:7])
    if number != _catalogue(second[2:7]):
        raise ValueError(f"the lines are of two satellites, {first[2:7]} and {second[2:7]}")
    year = int(_number(first, 18, 20, "year of the epoch"))
    return checked(
        Elements(
            name=name,
            number=number,
            designator=inert(first[9:17].strip()),
            epoch_ns=_epoch_ns(year + (1900 if year >= 57 else 2000), first[20:32]),
            inclination_deg=_number(second, 8, 16, "inclination"),
            node_deg=_number(second, 17, 25, "ascending node"),
            eccentricity=_digits(second[26:33], "eccentricity") / 1e7,
            perigee_deg=_number(second, 34, 42, "argument of perigee"),
            anomaly_deg=_number(second, 43, 51, "mean anomaly"),
            motion_rev_day=_number(second, 52, 63, "mean motion"),
            bstar=_power(first[53:61], "drag term"),
            motion_dot=_number(first, 33, 43, "derivative of the mean motion"),
            motion_ddot=_power(first[44:52], "second derivative of the mean motion"),
            set_number=_digits(first[64:68], "number of the set"),
        )
    )


def _catalogue(columns: str) -> int:
    """Read a catalogue number: five digits, or a letter for 10 to 33 (no I, no O) and four digits."""
    text = columns.strip()
    if re.fullmatch(r"\d{1,5}", text, re.ASCII):
        return int(text)
    letters = "ABCDEFGHJKLMNPQRSTUVWXYZ"
    if re.fullmatch(rf"[{letters}]\d{{4}}", text, re.ASCII):
        return (10 + letters.index(text[0])) * 10_000 + int(text[1:])
    raise ValueError(f"{columns!r} is no catalogue number")


def _number(line: str, start: int, stop: int, what: str) -> float:
    text = line[start:stop].strip()
    if not _FIGURE.fullmatch(text):
        raise ValueError(f"{what} {line[start:stop]!r} is no number")
    return float(text)


def _digits(columns: str, what: str) -> int:
    text = columns.strip() or "0"
    if not re.fullmatch(r"\d+", text, re.ASCII):
        raise ValueError(f"{what} {columns!r} is no number")
    return int(text)


def _power(columns: str, what: str) -> float:
    """Read a number with an assumed decimal point and a power of ten."""
    text = columns.strip()
    if not text:
        return 0.0
    match = _POWER.fullmatch(text)
    if not match:
        raise ValueError(f"{what} {columns!r} is no number with a power of ten")
    return float(f"{match[1]}.{match[2]}e{match[3]}")


def _epoch_ns(year: int, days: str) -> int:
    match = re.fullmatch(r" {0,2}(\d{1,3})\.(\d{1,8})", days.rstrip(), re.ASCII)
    if not match or not 1 <= int(match[1]) <= 366:
        raise ValueError(f"day of the epoch {days!r} is not from 1 to 366 with a fraction")
    start = int(datetime(year, 1, 1, tzinfo=UTC).timestamp()) * 1_000_000_000
    share = int(match[2].ljust(8, "0"))
    return start + (int(match[1]) - 1) * DAY_NS + share * (DAY_NS // 100_000_000)


# -- OMM -----------------------------------------------------------------------------------------------


def _json(text: str) -> list[Any]:
    content = json.loads(text)
    return content if isinstance(content, list) else [content]


def _csv(text: str) -> Iterator[Mapping[str, Any]]:
    from sgp4 import omm

    return omm.parse_csv(io.StringIO(text))


def _xml(text: str) -> Iterator[Mapping[str, Any]]:
    if "<!DOCTYPE" in text or "<!ENTITY" in text:
        raise ValueError("the XML declares a document type or entities, an OMM has neither")
    from sgp4 import omm

    return omm.parse_xml(io.StringIO(text))


def _gather(records: Iterable[Any]) -> Reading:
    out: list[Elements] = []
    problems: list[str] = []
    for n, record in enumerate(records, 1):
        if n > MOST_SETS or len(problems) > MOST_PROBLEMS:
            problems.append(f"reading ended at set {n}: too many, or too much of it cannot be read")
            break
        try:
            out.append(_from_omm(record))
        except (ValueError, TypeError, KeyError, OverflowError) as error:
            said = f"{error.args[0]} is missing" if isinstance(error, KeyError) else str(error)
            problems.append(f"set {n}: {inert(said, limit=160)}: {inert(str(record), limit=120)}")
    return Reading(tuple(out), tuple(problems))


def _from_omm(record: Any) -> Elements:
    if not isinstance(record, Mapping):
        raise ValueError("is no object of keywords")

    def figure(key: str, default: float | None = None) -> float:
        value = record.get(key, default) if default is not None else record[key]
        if value in (None, ""):
            if default is None:
                raise ValueError(f"{key} is empty")
            return default
        return float(value)

    for key, *allowed in (
        ("MEAN_ELEMENT_THEORY", "SGP4", "SGP/SGP4"),
        ("CENTER_NAME", "EARTH"),
        ("TIME_SYSTEM", "UTC"),
    ):
        if str(record.get(key) or allowed[0]).upper() not in allowed:
            raise ValueError(f"{key} is {record[key]}, only {allowed[0]} can be used")
    epoch = str(record["EPOCH"]).strip().removesuffix("Z")
    return checked(
        Elements(
            name=inert(str(record.get("OBJECT_NAME") or "").strip(), limit=_NAME_LIMIT),
            number=int(record["NORAD_CAT_ID"]),
            designator=inert(str(record.get("OBJECT_ID") or ""), limit=20),
            epoch_ns=parse_time(f"{epoch}Z"),
            inclination_deg=figure("INCLINATION"),
            node_deg=figure("RA_OF_ASC_NODE"),
            eccentricity=figure("ECCENTRICITY"),
            perigee_deg=figure("ARG_OF_PERICENTER"),
            anomaly_deg=figure("MEAN_ANOMALY"),
            motion_rev_day=figure("MEAN_MOTION"),
            bstar=figure("BSTAR"),
            motion_dot=figure("MEAN_MOTION_DOT", 0.0),
            motion_ddot=figure("MEAN_MOTION_DDOT", 0.0),
            set_number=int(figure("ELEMENT_SET_NO", 0.0)),
        )
    )


def as_omm(sets: Sequence[Elements]) -> str:
    """Give sets as the JSON form of OMM, which `read_elements` reads back to equal ones."""
    rows = [
        {
            "OBJECT_NAME": item.name,
            "OBJECT_ID": item.designator,
            "CENTER_NAME": "EARTH",
            "REF_FRAME": "TEME",
            "TIME_SYSTEM": "UTC",
            "MEAN_ELEMENT_THEORY": "SGP4",
            "EPOCH": format_time(item.epoch_ns).removesuffix("Z") + f"{item.epoch_ns % 1000:03d}",
            "MEAN_MOTION": item.motion_rev_day,
            "ECCENTRICITY": item.eccentricity,
            "INCLINATION": item.inclination_deg,
            "RA_OF_ASC_NODE": item.node_deg,
            "ARG_OF_PERICENTER": item.perigee_deg,
            "MEAN_ANOMALY": item.anomaly_deg,
            "NORAD_CAT_ID": item.number,
            "ELEMENT_SET_NO": item.set_number,
            "BSTAR": item.bstar,
            "MEAN_MOTION_DOT": item.motion_dot,
            "MEAN_MOTION_DDOT": item.motion_ddot,
        }
        for item in sets
    ]
    return "[\n" + ",\n".join(json.dumps(row) for row in rows) + "\n]\n"


# -- both ------------------------------------------------------------------------------------------------


def checked(item: Elements) -> Elements:
    """Give the set back if a satellite can fly so; ValueError says what is absurd."""
    for what, value, low, high in (
        ("catalogue number", item.number, 1, 999_999_999),
        ("inclination", item.inclination_deg, 0, 180),
        ("ascending node", item.node_deg, 0, 360),
        ("eccentricity", item.eccentricity, 0, 0.999),
        ("argument of perigee", item.perigee_deg, 0, 360),
        ("mean anomaly", item.anomaly_deg, 0, 360),
        ("mean motion", item.motion_rev_day, 0.01, 17.5),
        ("drag term", item.bstar, -10, 10),
        ("derivative of the mean motion", item.motion_dot, -10, 10),
        ("second derivative of the mean motion", item.motion_ddot, -10, 10),
    ):
        if not (math.isfinite(value) and low <= value <= high):
            raise ValueError(f"{what} {value:g} is not from {low:g} to {high:g}")
    motion = item.motion_rev_day * 2 * math.pi / 86_400
    perigee_km = (_MU_KM3_S2 / motion**2) ** (1 / 3) * (1 - item.eccentricity) - _EARTH_KM
    if perigee_km < _LOWEST_KM:
        raise ValueError(f"its perigee would be {perigee_km:.0f} km above ground")
    return item


def latest(sets: Iterable[Elements], wanted: str, at_ns: int) -> Elements | None:
    """Give the set of the wanted satellite (name or number) whose epoch is nearest to a time, or None."""
    named = [item for item in sets if item.is_named(wanted)]
    return min(named, key=lambda item: abs(item.epoch_ns - at_ns), default=None)
