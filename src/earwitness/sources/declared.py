"""What the user declared about a recording, what its name says, and the bounds both must keep."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from pathlib import Path

from earwitness.core.errors import ParameterError, SourceError
from earwitness.core.times import parse_time

_FREQUENCY = re.compile(r"(?<![0-9.])(\d{1,12}(?:\.\d{1,9})?) ?([kMG]?)Hz(?![a-z])", re.IGNORECASE)
_MOMENT = re.compile(r"(?<!\d)(\d{4})(\d\d)(\d\d)[T_-](\d\d)(\d\d)(\d\d)Z")
_UNITS = {"": 1.0, "k": 1e3, "m": 1e6, "g": 1e9}
LOWEST_RATE_HZ = 100.0
HIGHEST_RATE_HZ = 2.5e8  # above, setting the detector up takes minutes and gigabytes
HIGHEST_CENTRE_HZ = 1e12
AUDIO_UP_TO_HZ = 400_000.0  # real samples that are faster are an intermediate frequency, not sound
LATEST_NS = 2**63 - 1  # the year 2262


@dataclass(frozen=True, slots=True)
class Declared:
    """Values given with the command; None where not given. They win over the file's own."""

    rate_hz: float | None = None
    centre_hz: float | None = None
    sample_type: str | None = None
    start_ns: int | None = None


def declared(
    rate_hz: float | None, centre_hz: float | None, sample_type: str | None, start: str | None
) -> Declared:
    """Check the values a user gives with a recording; SourceError says what is allowed."""
    start_ns = None
    if start is not None:
        try:
            start_ns = parse_time(start)
        except ParameterError as error:
            raise SourceError(str(error)) from error
        if not 0 <= start_ns <= LATEST_NS:
            raise SourceError(f"the start {start!r} lies outside 1970 to 2262")
    if rate_hz is not None:
        rate_hz = checked_rate(rate_hz, "the declared rate")
    if centre_hz is not None and not sound_centre(centre_hz):
        raise SourceError(f"the declared centre {centre_hz:g} Hz is no frequency between -1e12 and 1e12 Hz")
    return Declared(rate_hz, None if centre_hz is None else float(centre_hz), sample_type, start_ns)


def checked_rate(rate_hz: object, whose: str) -> float:
    """Give the rate as a float; SourceError outside 100 Hz to 250 MHz."""
    if isinstance(rate_hz, bool) or not isinstance(rate_hz, int | float):
        raise SourceError(f"{whose} is no number; give --rate in samples per second")
    if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        raise SourceError(
            f"{whose} is {_short(rate_hz)} samples per second; it must lie between 100 and 2.5e8: give --rate"
        )
    return float(rate_hz)


def sound_centre(centre_hz: object) -> bool:
    """Say whether a value can be a centre frequency in Hz."""
    return (
        isinstance(centre_hz, int | float)
        and not isinstance(centre_hz, bool)
        and -HIGHEST_CENTRE_HZ <= centre_hz <= HIGHEST_CENTRE_HZ
    )


def _short(number: float) -> str:
    return f"{number:g}" if isinstance(number, float) or abs(number) < 10**300 else "a huge number of"


def centre_in_name(name: str) -> float | None:
    """Give the one frequency in Hz a file name states ("_145500000Hz", "146.52MHz"), else None."""
    found = {float(value) * _UNITS[unit.lower()] for value, unit in _FREQUENCY.findall(name)}
    if len(found) != 1:
        return None
    value = round(found.pop(), 3)
    return value if value <= HIGHEST_CENTRE_HZ else None


def moment_in_name(name: str) -> int | None:
    """Give the UTC time in ns a file name states ("20260314_093000Z"), else None."""
    match = _MOMENT.search(name)
    if not match:
        return None
    year, month, day, hour, minute, second = match.groups()
    try:
        return parse_time(f"{year}-{month}-{day}T{hour}:{minute}:{second}Z")
    except ParameterError:
        return None


def settle_centre(want: Declared, path: Path, warnings: list[str]) -> float:
    """Give the centre of a recording that does not carry it: declared, else from the name, else 0."""
    if want.centre_hz is not None:
        return want.centre_hz
    named = centre_in_name(path.name)
    if named is not None:
        warnings.append(f"centre frequency {named:.0f} Hz was taken from the file name")
        return named
    warnings.append("the centre frequency is not known and taken as 0 Hz; give --centre")
    return 0.0


def settle_start(want: Declared, path: Path, duration_s: float, warnings: list[str]) -> tuple[int, bool]:
    """Give (start in ns, whether it is known): declared, else from the name, else by the file's date.

    The file's date is when its last sample was written, so the start lies its duration before.
    """
    if want.start_ns is not None:
        return want.start_ns, True
    named = moment_in_name(path.name)
    if named is not None and 0 <= named <= LATEST_NS:
        warnings.append("the start time was taken from the file name")
        return named, True
    warnings.append("the start time is not known; the file's date was taken as its end: give --start")
    written_ns = path.stat().st_mtime_ns
    if not (math.isfinite(duration_s) and 0 <= written_ns - int(duration_s * 1e9) <= LATEST_NS):
        return 0, False
    return written_ns - int(duration_s * 1e9), False
