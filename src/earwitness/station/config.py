"""The settings of a station: `station.toml` in its folder, written with explanations on first use.

Unknown keys are refused with the nearest known one named: a setting that is misspelt would else be silently
without effect.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from dataclasses import MISSING, dataclass, field, fields
from difflib import get_close_matches
from pathlib import Path
from typing import Any, get_args, get_type_hints

from earwitness.core.errors import ParameterError

CONFIG_NAME = "station.toml"

TEMPLATE = """\
# Settings of this listening station. Lines that start with # explain or give examples: they have no effect.

[place]                        # where the antenna is; helps to decode positions, and is shown in reports
# name = "Hill above the harbour"
# latitude_deg = 50.0          # north positive; leave both out if you do not want them stored
# longitude_deg = 4.0          # east positive
# height_m = 30.0              # of the antenna, above sea level
# horizon = "0:5 90:12 200:2"  # azimuth:elevation of hills and houses in degrees, for passes of satellites

[antenna]
# name = "Discone on the roof"
# bearing_deg = 120.0          # of a directional antenna, from true north
# polarisation = "vertical"
# low_hz = 25_000_000          # the range it is good for
# high_hz = 1_300_000_000
# beamwidth_deg = 60.0         # of a directional antenna that stays where it points (needs bearing_deg)
# tilt_deg = 30.0              # how high that points above the horizon

# One block for each receiver. `match` is a word in the hardware description of a recording.
# [[receiver]]
# name = "first"
# match = "8-bit stick"
# error_ppm = 12.5             # its frequency error: positive when it shows signals too high
# low_hz = 24_000_000          # the range it tunes
# high_hz = 1_700_000_000
# rate_hz = 2_400_000          # its widest sound sample rate; passes are planned with it

# Frequencies you know. They appear as labels on emissions found within `width_hz`.
# [[frequency]]
# hz = 156_800_000
# label = "Channel 16, calling and distress"
# mode = "fm"                  # optional: what is expected there
# width_hz = 12_500

# Satellites whose passes you want to hear, one block for each frequency. Their elements are read from files you give
# to `earwitness passes --elements FILE`.
# [[satellite]]
# name = "LANTERN 2"             # as the elements call it, or its catalogue number
# frequency_hz = 137_912_500
# width_hz = 40_000            # of the transmission
# mode = "fm"                  # optional
# minimum_deg = 10.0           # passes that stay lower are left out
# weight = 2.0                 # of two passes at once the one with more weight x elevation is taken

[retention]
evidence_mb = 2000             # room for snippets, audio and pictures; when full, the least telling go first

[log]
# url = "postgresql://user@server/station"   # keep the log on a PostgreSQL server instead of in this folder
"""


@dataclass(frozen=True)
class Place:
    """Where the antenna is."""

    name: str | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    height_m: float | None = None
    horizon: str | None = None  # "azimuth:elevation ..." in degrees


@dataclass(frozen=True)
class Antenna:
    """What hangs there."""

    name: str | None = None
    bearing_deg: float | None = None
    polarisation: str | None = None
    low_hz: float | None = None
    high_hz: float | None = None
    beamwidth_deg: float | None = None
    tilt_deg: float = 0.0


@dataclass(frozen=True)
class Receiver:
    """One receiver and what is known of it."""

    name: str
    match: str | None = None
    error_ppm: float = 0.0
    low_hz: float | None = None
    high_hz: float | None = None
    rate_hz: float | None = None


@dataclass(frozen=True)
class Frequency:
    """A frequency the user knows."""

    hz: float
    label: str
    mode: str | None = None
    width_hz: float = 12_500.0


@dataclass(frozen=True)
class Satellite:
    """A satellite to be heard, on one of its frequencies."""

    name: str
    frequency_hz: float
    width_hz: float = 25_000.0
    mode: str | None = None
    minimum_deg: float = 5.0
    weight: float = 1.0


@dataclass(frozen=True)
class Retention:
    """How much is kept."""

    evidence_mb: float = 2000.0


@dataclass(frozen=True)
class LogPlace:
    """Where the log is: in the station folder unless `url` names a PostgreSQL database."""

    url: str | None = None


@dataclass(frozen=True)
class Station:
    """All settings of a station; `folder` is where they were read."""

    folder: Path
    place: Place = field(default_factory=Place)
    antenna: Antenna = field(default_factory=Antenna)
    receiver: tuple[Receiver, ...] = ()
    frequency: tuple[Frequency, ...] = ()
    satellite: tuple[Satellite, ...] = ()
    retention: Retention = field(default_factory=Retention)
    log: LogPlace = field(default_factory=LogPlace)

    @property
    def evidence_bytes(self) -> int:
        """Size budget of the evidence."""
        return int(self.retention.evidence_mb * 1e6)

    def label(self, frequency_hz: float) -> str | None:
        """Give the label of the nearest listed frequency whose width covers `frequency_hz`, or None."""
        entry = self.listed(frequency_hz)
        return entry.label if entry else None

    def listed(self, frequency_hz: float) -> Frequency | None:
        """Give the nearest listed frequency whose width covers `frequency_hz`, or None."""
        covering = [item for item in self.frequency if abs(item.hz - frequency_hz) <= item.width_hz / 2]
        return min(covering, key=lambda item: abs(item.hz - frequency_hz), default=None)

    def receiver_for(self, description: str | None) -> Receiver | None:
        """Give the receiver whose `match` stands in a recording's hardware description, or None."""
        words = (description or "").casefold()
        return next((item for item in self.receiver if item.match and item.match.casefold() in words), None)


_TABLES: dict[str, type] = {"place": Place, "antenna": Antenna, "retention": Retention, "log": LogPlace}
_LISTS: dict[str, type] = {"receiver": Receiver, "frequency": Frequency, "satellite": Satellite}
_RANGES = {
    "latitude_deg": (-90.0, 90.0),
    "longitude_deg": (-180.0, 180.0),
    "height_m": (-500.0, 20_000.0),
    "bearing_deg": (0.0, 360.0),
    "error_ppm": (-500.0, 500.0),
    "hz": (1.0, 3e11),
    "frequency_hz": (1.0, 3e11),
    "low_hz": (0.0, 3e11),
    "high_hz": (1.0, 3e11),
    "width_hz": (1.0, 1e9),
    "rate_hz": (1.0, 1e9),
    "beamwidth_deg": (1.0, 360.0),
    "tilt_deg": (0.0, 90.0),
    "minimum_deg": (0.0, 90.0),
    "weight": (0.01, 1000.0),
    "evidence_mb": (0.0, 1e9),
}
_TEXT_LIMIT = 200


def default_folder() -> Path:
    """Give the folder of the station when none is named: the platform's place for user data."""
    from platformdirs import user_data_dir

    return Path(user_data_dir("earwitness", appauthor=False))


def load_station(folder: Path | None = None, *, create: bool = True) -> Station:
    """Read a station's settings; with `create` a folder without them gets the explained template first.

    Raises ParameterError naming file, key and what is allowed.
    """
    folder = default_folder() if folder is None else Path(folder)
    path = folder / CONFIG_NAME
    try:
        if create and not path.exists():
            folder.mkdir(parents=True, exist_ok=True)
            _write_template(path)
        text = path.read_text("utf-8") if path.exists() else ""
    except UnicodeDecodeError as error:
        raise ParameterError(f"{path} is not UTF-8 text: {error.reason}") from error
    except OSError as error:
        raise ParameterError(f"station folder {folder} cannot be used: {error.strerror}") from error
    return parse_station(text, folder)


def _write_template(path: Path) -> None:
    """Write the template in one step, so that two commands starting at once do not read half of it."""
    temporary = path.with_name(f".{path.name}.partial-{os.getpid()}")
    temporary.write_text(TEMPLATE, "utf-8")
    temporary.replace(path)


def parse_station(text: str, folder: Path) -> Station:
    """Give the settings that TOML `text` states; ParameterError names what is wrong and what is allowed."""
    where = folder / CONFIG_NAME
    try:
        content = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise ParameterError(f"{where}: {error}") from error
    _refuse_unknown(content, [*_TABLES, *_LISTS], str(where))
    out: dict[str, Any] = {}
    for key, kind in _TABLES.items():
        if key in content:
            out[key] = _read(kind, content[key], f"{where}: [{key}]")
    for key, kind in _LISTS.items():
        entries = content.get(key, [])
        if not isinstance(entries, list):
            raise ParameterError(f"{where}: write [[{key}]] with two brackets: there may be several")
        out[key] = tuple(_read(kind, item, f"{where}: [[{key}]] {n}") for n, item in enumerate(entries, 1))
    place = out.get("place", Place())
    if (place.latitude_deg is None) != (place.longitude_deg is None):
        raise ParameterError(f"{where}: [place] needs latitude_deg and longitude_deg together, or neither")
    return Station(folder=folder, **out)


def _read(kind: type, content: Any, where: str) -> Any:
    if not isinstance(content, Mapping):
        raise ParameterError(f"{where} must be a table of key = value lines")
    hints = get_type_hints(kind)
    _refuse_unknown(content, list(hints), where)
    for item in fields(kind):
        if item.default is MISSING and item.name not in content:
            raise ParameterError(f"{where} needs {item.name}")
    return kind(**{key: _value(key, value, hints[key], where) for key, value in content.items()})


def _value(key: str, value: Any, hint: Any, where: str) -> Any:
    if str in (hint, *get_args(hint)):
        if not isinstance(value, str) or not value.strip() or len(value) > _TEXT_LIMIT:
            raise ParameterError(f"{where}: {key} must be text in quotes of 1 to {_TEXT_LIMIT} characters")
        return value.strip()
    low, high = _RANGES[key]
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise ParameterError(f"{where}: {key} = {value!r:.40} must be a number from {low:g} to {high:g}")
    return float(value)


def _refuse_unknown(content: Mapping[str, Any], known: list[str], where: str) -> None:
    for key in content:
        if key not in known:
            near = get_close_matches(key, known, 1, 0.5)
            hint = f"did you mean {near[0]!r}?" if near else f"known: {', '.join(known)}"
            raise ParameterError(f"{where}: unknown key {key!r:.60}; {hint}")
