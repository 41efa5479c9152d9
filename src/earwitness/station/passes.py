"""The passes a station can hear, and which of its receivers records which: `station.toml` meets the elements.

Elements that a user gives are verified and kept in the folder `elements/` of the station, older ones too: how fast they
lost their truth is measured on them. Two passes that fit into one receiver's span share a recording; where they
do not, those are taken that together are worth most by weight x elevation.
"""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from hashlib import blake2b
from pathlib import Path
from typing import Any

import numpy as np

from earwitness.core.errors import ParameterError
from earwitness.core.text import file_stem, inert
from earwitness.core.times import format_time
from earwitness.orbit.elements import Elements, as_omm, latest, read_elements
from earwitness.orbit.frames import C_M_S
from earwitness.orbit.passes import Horizon, Pass, find_passes, sunlit_spans, sweep
from earwitness.orbit.track import Look, Site, Trust, growth_km_day, site_of, trust
from earwitness.station.config import Antenna, Receiver, Satellite, Station

ELEMENTS_NAME = "elements"
SCHEDULE_NAME = "schedule.jsonl"
MOST_FILES = 1000
MOST_FILE_BYTES = 64_000_000
USABLE = 0.8  # of a receiver's sample rate, inside the slope of its filters (common practice, no source)
OFF_PPM = 10.0  # what a satellite's and a corrected receiver's oscillators may be off together
BESIDE = 0.05  # of the rate: how far the centre, where receivers have a spur, is kept from what is wanted
_ROUNDS, _TRIED = 3, 60  # how hard a better choice of passes is looked for
_TAKEN = "others at that time are worth more"
LEAD_NS = 10_000_000_000  # recorded before rise and after set, besides what the elements may be early or late


# -- elements of a station ---------------------------------------------------------------------------


def keep_elements(path: Path, station: Station) -> tuple[int, list[str]]:
    """Verify a file of elements and keep what is sound of it in the station folder; gives how many, and problems.

    Where `station.toml` names satellites only theirs are kept. ParameterError when it cannot be read.
    """
    found = read_elements(_text_of(path))
    problems = [f"{path.name}: {said}" for said in found.problems]
    sets = found.elements
    if station.satellite:
        sets = tuple(item for item in sets if any(item.is_named(known.name) for known in station.satellite))
        if len(sets) < len(found.elements):
            problems.append(
                f"{path.name}: {len(found.elements) - len(sets)} of {len(found.elements)} sets are of satellites that "
                "station.toml does not name; they are not kept"
            )
    if sets:
        text = as_omm(sets)
        folder = station.folder / ELEMENTS_NAME
        name = f"{blake2b(text.encode(), digest_size=8).hexdigest()}.json"
        try:
            folder.mkdir(parents=True, exist_ok=True)
            _write(folder / name, text)
        except OSError as error:
            raise ParameterError(f"elements cannot be kept in {folder}: {error.strerror}") from error
    return len(sets), problems


def stored_elements(station_dir: Path) -> tuple[list[Elements], list[str]]:
    """Give all sets in a station's folder of elements, whoever put them there, and what could not be read."""
    sets: dict[Elements, None] = {}
    problems: list[str] = []
    folder = station_dir / ELEMENTS_NAME
    files = sorted(item for item in folder.glob("*") if item.is_file() and not item.name.startswith("."))
    for path in files[:MOST_FILES]:
        try:
            found = read_elements(_text_of(path))
        except ParameterError as error:
            problems.append(str(error))
            continue
        problems += [f"{ELEMENTS_NAME}/{inert(path.name, limit=80)}: {said}" for said in found.problems]
        sets.update(dict.fromkeys(found.elements))
    if len(files) > MOST_FILES:
        problems.append(f"only the first {MOST_FILES} files of {folder} were read: take old ones out")
    return list(sets), problems


def elements_for(sets: Sequence[Elements], wanted: str, at_ns: int) -> tuple[Elements, float | None] | None:
    """Give the set of a satellite nearest to a time, and how fast its sets were found to lose their truth."""
    item = latest(sets, wanted, at_ns)
    if item is None:
        return None
    return item, growth_km_day([other for other in sets if other.number == item.number])


def _text_of(path: Path) -> str:
    try:
        if path.stat().st_size > MOST_FILE_BYTES:
            raise ParameterError(f"{path}: too large for a file of elements")
        return path.read_text("utf-8", errors="replace")
    except OSError as error:
        raise ParameterError(f"{path}: elements cannot be read: {error.strerror}") from error


def _write(path: Path, text: str) -> None:
    temporary = path.with_name(f".{path.name}.partial-{os.getpid()}")
    temporary.write_text(text, "utf-8")
    temporary.replace(path)


# -- passes and who takes them -----------------------------------------------------------------------


@dataclass(frozen=True)
class Planned:
    """One pass on one frequency: what it needs, who could take it, who will."""

    found: Pass
    satellite: Satellite
    trust: Trust
    low_hz: float  # the band it needs, Doppler, width and oscillators included
    high_hz: float
    doppler_hz: tuple[float, float]  # at rise and at set
    sunlit: float  # share of the pass
    in_beam: float  # share of the pass inside the antenna's beam
    able: tuple[str, ...] = ()
    receiver: str | None = None
    why: str = ""  # why no receiver takes it

    @property
    def value(self) -> float:
        """Give what it is worth when two passes compete."""
        return self.satellite.weight * self.found.culmination.elevation_deg * self.in_beam

    @property
    def start_ns(self) -> int:
        """Give when to begin recording."""
        return self.found.aos.time_ns - LEAD_NS - round(self.trust.timing_s * 1e9)

    @property
    def stop_ns(self) -> int:
        """Give when to end recording."""
        return self.found.los.time_ns + LEAD_NS + round(self.trust.timing_s * 1e9)

    def facts(self) -> dict[str, Any]:
        """Give it as JSON values."""
        one = self.found
        moments = {"aos": one.aos, "culmination": one.culmination, "tca": one.tca, "los": one.los}
        return {
            "satellite": one.elements.name or self.satellite.name,
            "number": one.elements.number,
            "frequency_hz": self.satellite.frequency_hz,
            "width_hz": self.satellite.width_hz,
            "mode": self.satellite.mode,
            **{
                name: {
                    "time": format_time(at.time_ns),
                    "azimuth_deg": round(at.azimuth_deg, 2),
                    "elevation_deg": round(at.elevation_deg, 2),
                    "range_km": round(at.range_m / 1000, 1),
                    "doppler_hz": round(-at.range_rate_m_s / C_M_S * self.satellite.frequency_hz, 1),
                }
                for name, at in moments.items()
            },
            "duration_s": round(one.duration_s, 1),
            "whole": one.whole,
            "sunlit": round(self.sunlit, 2),
            "in_beam": round(self.in_beam, 2),
            "low_hz": round(self.low_hz),
            "high_hz": round(self.high_hz),
            "elements_epoch": format_time(one.elements.epoch_ns),
            "elements_age_days": round(self.trust.age_days, 2),
            "elements_old": self.trust.old,
            "along_track_error_km": round(self.trust.along_km, 1),
            "timing_error_s": round(self.trust.timing_s, 2),
            "able": list(self.able),
            "receiver": self.receiver,
            "why_not": self.why or None,
        }


@dataclass(frozen=True)
class Recording:
    """What one receiver is to record: one pass, or several that fit into its span."""

    receiver: str
    center_hz: float
    rate_hz: float
    start_ns: int
    stop_ns: int
    passes: tuple[Planned, ...]

    @property
    def file(self) -> str:
        """Give the stem of the file to record into."""
        names = "-".join(
            dict.fromkeys(item.found.elements.name or item.satellite.name for item in self.passes)
        )
        stamp = format_time(self.start_ns)[:19].replace("-", "").replace(":", "") + "Z"
        return file_stem(f"{stamp}-{self.receiver}-{names}".lower().replace(stamp.lower(), stamp))

    def facts(self) -> dict[str, Any]:
        """Give it as JSON values: a line of the schedule."""
        told = ("satellite", "number", "frequency_hz", "width_hz", "mode", "elements_epoch", "timing_error_s")
        rows = [item.facts() for item in self.passes]
        return {
            "receiver": self.receiver,
            "center_hz": self.center_hz,
            "rate_hz": self.rate_hz,
            "start": format_time(self.start_ns),
            "stop": format_time(self.stop_ns),
            "file": self.file,
            "passes": [
                {
                    **{key: row[key] for key in told},
                    **{key: row[key]["time"] for key in ("aos", "tca", "los")},
                    "culmination_deg": row["culmination"]["elevation_deg"],
                }
                for row in rows
            ],
        }


@dataclass(frozen=True)
class Plan:
    """Passes in the order of their rise, the recordings that take them, and what the user should know."""

    site: Site
    start_ns: int
    stop_ns: int
    passes: tuple[Planned, ...]
    recordings: tuple[Recording, ...]
    warnings: tuple[str, ...]

    def facts(self) -> dict[str, Any]:
        """Give it as JSON values."""
        return {
            "start": format_time(self.start_ns),
            "stop": format_time(self.stop_ns),
            "passes": [item.facts() for item in self.passes],
            "recordings": [item.facts() for item in self.recordings],
            "warnings": list(self.warnings),
        }


def plan_passes(
    station: Station, sets: Sequence[Elements], start_ns: int, stop_ns: int, *, only: str | None = None
) -> Plan:
    """Give the passes of the satellites in `station.toml` (or of `only` one) and who records them.

    ParameterError when the station has no place or names no satellite.
    """
    site = station_site(station)
    horizon = parse_horizon(station.place.horizon)
    wanted = _wanted(station, sets, only)
    warnings: list[str] = []
    planned: list[Planned] = []
    for satellite in wanted:
        found = elements_for(sets, satellite.name, (start_ns + stop_ns) // 2)
        if found is None:
            warnings.append(f"no elements of {satellite.name!r}: give a file of them with --elements")
            continue
        item, growth = found
        state = trust(item, (start_ns + stop_ns) // 2, growth)
        warnings += _of_age(item, state)
        for one in find_passes(
            item, site, start_ns, stop_ns, horizon=horizon, minimum_deg=satellite.minimum_deg
        ):
            planned.append(
                _needs(one, satellite, trust(item, one.tca.time_ns, growth), site, station.antenna)
            )
    planned.sort(key=lambda item: (item.found.aos.time_ns, item.satellite.frequency_hz))
    chosen, recordings = assign(planned, station.receiver, station.antenna)
    if not station.receiver:
        warnings.append("no [[receiver]] in station.toml: nothing is scheduled")
    return Plan(site, start_ns, stop_ns, tuple(chosen), tuple(recordings), tuple(dict.fromkeys(warnings)))


def _wanted(station: Station, sets: Sequence[Elements], only: str | None) -> list[Satellite]:
    if only is None:
        if not station.satellite:
            raise ParameterError("no [[satellite]] in station.toml: write those you want to hear there")
        return list(station.satellite)
    named = [item for item in station.satellite if item.name.casefold() == only.casefold()]
    item = latest(sets, only, 0)
    if item is not None and not named:
        named = [known for known in station.satellite if item.is_named(known.name)]
    if not named:
        raise ParameterError(
            f"{only!r} is not among the satellites of station.toml ({', '.join(known.name for known in station.satellite) or 'none'})"
        )
    return named


def _of_age(item: Elements, state: Trust) -> list[str]:
    if not state.old:
        return []
    days = f"{state.age_days:.0f} days old" if state.age_days >= 0 else f"of {-state.age_days:.0f} days later"
    return [
        f"elements of {item.title} are {days}: it may be {state.along_km:.0f} km along its track from where they say, "
        f"and come {state.timing_s:.0f} s early or late ({state.reason})"
    ]


def station_site(station: Station) -> Site:
    """Give the station's site; ParameterError when it does not say where it is."""
    place = station.place
    return site_of(place.latitude_deg, place.longitude_deg, place.height_m)


def parse_horizon(text: str | None) -> Horizon:
    """Read "azimuth:elevation ..." in degrees; ParameterError says what is allowed."""
    if not text:
        return Horizon()
    points = []
    for word in text.replace(",", " ").split():
        azimuth, colon, elevation = word.partition(":")
        try:
            point = float(azimuth), float(elevation)
        except ValueError:
            point = (-1.0, 0.0)
        if not colon or not (0 <= point[0] <= 360 and -5 <= point[1] <= 90):
            raise ParameterError(
                f"[place] horizon: {inert(word, limit=40)!r} is not azimuth:elevation in degrees, like 90:12"
            )
        points.append((point[0] % 360, point[1]))
    return Horizon(tuple(sorted(dict(points).items())))


def _needs(one: Pass, satellite: Satellite, state: Trust, site: Site, antenna: Antenna) -> Planned:
    look = sweep(one, site)
    shift = look.doppler_hz(satellite.frequency_hz)
    room = satellite.width_hz / 2 + satellite.frequency_hz * OFF_PPM * 1e-6
    lit = sum(b - a for a, b in sunlit_spans(one)) / max(one.los.time_ns - one.aos.time_ns, 1)
    return Planned(
        one,
        satellite,
        state,
        satellite.frequency_hz + float(shift.min()) - room,
        satellite.frequency_hz + float(shift.max()) + room,
        (float(shift[0]), float(shift[-1])),
        lit,
        _in_beam(look, antenna),
    )


def _in_beam(look: Look, antenna: Antenna) -> float:
    """Give the share of a pass inside the beam of an antenna that does not turn; 1 when it has none."""
    if antenna.bearing_deg is None or antenna.beamwidth_deg is None:
        return 1.0
    tilt, elevation = np.radians(antenna.tilt_deg), np.radians(look.elevation_deg)
    apart = np.arccos(
        np.clip(
            np.sin(tilt) * np.sin(elevation)
            + np.cos(tilt) * np.cos(elevation) * np.cos(np.radians(look.azimuth_deg - antenna.bearing_deg)),
            -1,
            1,
        )
    )
    return float(np.mean(np.degrees(apart) <= antenna.beamwidth_deg / 2))


def cannot(item: Planned, receiver: Receiver, antenna: Antenna) -> str:
    """Give why a receiver cannot take a pass; nothing when it can."""
    for what, low, high in (
        ("receiver", receiver.low_hz, receiver.high_hz),
        ("antenna", antenna.low_hz, antenna.high_hz),
    ):
        if (low is not None and item.low_hz < low) or (high is not None and item.high_hz > high):
            return f"outside the range of the {what}"
    if receiver.rate_hz is None:
        return "no rate_hz is stated for it"
    if item.high_hz - item.low_hz > USABLE * receiver.rate_hz:
        return "wider than its span"
    return "" if item.in_beam > 0 else "never in the antenna's beam"


def assign(
    passes: Sequence[Planned], receivers: Sequence[Receiver], antenna: Antenna
) -> tuple[list[Planned], list[Recording]]:
    """Give the passes with who takes them, and the recordings; no receiver is asked for two tunings at once.

    The most valuable pass is placed first (by weight x elevation), then the next, each on the first receiver that can
    take it beside what it has already: alone, or within one span with all that it would overlap. Then each pass left
    out is tried before all others, and that order kept when all that is taken becomes worth more.
    """
    reasons = [{one.name: cannot(item, one, antenna) for one in receivers} for item in passes]
    able = [tuple(name for name, why in said.items() if not why) for said in reasons]
    order = sorted(range(len(passes)), key=lambda n: (-passes[n].value, passes[n].found.aos.time_ns))
    order = [n for n in order if able[n]]
    taken, worth = _place(passes, receivers, able, order)
    for _ in range(_ROUNDS):
        placed = {n for groups in taken.values() for group in groups for n in group}
        before = worth
        for n in [n for n in order if n not in placed][:_TRIED]:
            tried = [n, *(m for m in order if m != n)]
            other, value = _place(passes, receivers, able, tried)
            if value > worth * (1 + 1e-9):
                order, taken, worth = tried, other, value
        if worth == before:
            break
    out = [
        replace(
            item,
            able=able[n],
            why=_TAKEN if able[n] else "; ".join(sorted(f"{a}: {b}" for a, b in reasons[n].items())),
        )
        for n, item in enumerate(passes)
    ]
    recordings = []
    for receiver in receivers:
        for group in taken[receiver.name]:
            for n in group:
                out[n] = replace(out[n], receiver=receiver.name, why="")
            some = [out[n] for n in sorted(group)]
            tuning = _tuning(some, receiver)
            if tuning is not None and receiver.rate_hz is not None:
                start, stop = min(item.start_ns for item in some), max(item.stop_ns for item in some)
                recordings.append(
                    Recording(receiver.name, tuning, receiver.rate_hz, start, stop, tuple(some))
                )
    recordings.sort(key=lambda item: (item.start_ns, item.receiver))
    return out, recordings


def _place(
    passes: Sequence[Planned],
    receivers: Sequence[Receiver],
    able: Sequence[tuple[str, ...]],
    order: Sequence[int],
) -> tuple[dict[str, list[list[int]]], float]:
    """Give the groups of passes each receiver takes when they are placed in an order, and what all are worth."""
    taken: dict[str, list[list[int]]] = {receiver.name: [] for receiver in receivers}
    worth = 0.0
    for n in order:
        for receiver in receivers:
            if receiver.name not in able[n]:
                continue
            groups = taken[receiver.name]
            joined = [group for group in groups if any(_overlap(passes[n], passes[m]) for m in group)]
            members = [n, *(m for group in joined for m in group)]
            if _tuning([passes[m] for m in members], receiver) is None:
                continue
            taken[receiver.name] = [group for group in groups if group not in joined] + [members]
            worth += passes[n].value
            break
    return taken, worth


def _overlap(a: Planned, b: Planned) -> bool:
    return a.start_ns < b.stop_ns and b.start_ns < a.stop_ns


def _tuning(some: Sequence[Planned], receiver: Receiver) -> float | None:
    """Give the centre from which a receiver hears all of some passes, beside them where it can; None if it cannot."""
    low, high = min(item.low_hz for item in some), max(item.high_hz for item in some)
    rate = receiver.rate_hz or 0.0
    for center in (low - BESIDE * rate, high + BESIDE * rate, (low + high) / 2):
        in_range = (receiver.low_hz or 0.0) <= center <= (receiver.high_hz or np.inf)
        if in_range and center - USABLE * rate / 2 <= low and high <= center + USABLE * rate / 2:
            return float(round(center / 1000) * 1000) if rate > 100e3 else float(round(center))
    return None


def write_schedule(plan: Plan, station_dir: Path) -> Path:
    """Write the recordings as JSON Lines into the station folder, in one step; gives the path."""
    path = station_dir / SCHEDULE_NAME
    try:
        _write(path, "".join(json.dumps(item.facts()) + "\n" for item in plan.recordings))
    except OSError as error:
        raise ParameterError(f"the schedule cannot be written to {path}: {error.strerror}") from error
    return path
