"""`earwitness overlay`: coast lines over a picture that a weather satellite sent."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from earwitness.cli.app import say
from earwitness.cli.common import print_json, station_folder
from earwitness.core.errors import LogError, ParameterError

if TYPE_CHECKING:
    from earwitness.orbit.elements import Elements
    from earwitness.station.config import Station

NEAR_HZ = 60_000.0  # how far a picture's frequency may lie from the one listed for its satellite
MOST_CLOCK_S = 3600.0


def run_overlay(
    entry: str,
    station: Path | None,
    *,
    json: bool,
    satellite: str | None,
    output: Path | None,
    clock_error: float,
) -> None:
    """Draw coast lines over one picture of the log and say how far off they may be."""
    import numpy as np

    from earwitness.core.text import file_stem
    from earwitness.core.times import format_time, parse_time
    from earwitness.log.store import Log
    from earwitness.orbit.swath import SCANS, Swath, blur, scan_of
    from earwitness.orbit.track import Track
    from earwitness.station.config import load_station
    from earwitness.station.passes import stored_elements
    from earwitness.view.overlay import draw_overlay

    if not 0 <= clock_error <= MOST_CLOCK_S:
        raise ParameterError(f"--clock-error takes 0 to {MOST_CLOCK_S:g} seconds; got {clock_error:g}")
    folder = station_folder(station)
    settings = load_station(folder)
    with Log.open(folder, create=False, url=settings.log.url) as log:
        found = log.entry(entry)
    row = found["row"]
    if found["what"] != "picture":
        raise ParameterError(f"{entry} is no picture; `earwitness query pictures` lists them")
    scan = scan_of(row["mode"], int(row["width"] or 0))
    if scan is None:
        raise ParameterError(
            f"a picture of mode {row['mode']} scans no Earth; overlays are for {', '.join(SCANS)}"
        )
    start_ns, stop_ns = parse_time(row["start"]), parse_time(row["stop"])
    sets, problems = stored_elements(folder)
    for said in problems:
        say(said)
    item, growth = _elements(settings, sets, satellite, float(row["frequency_hz"]), (start_ns + stop_ns) // 2)
    pixels = _pixels(folder, found)
    lines = start_ns + ((np.arange(len(pixels)) + 0.5) * ((stop_ns - start_ns) / len(pixels))).astype(
        np.int64
    )
    off = blur(item, scan, (start_ns + stop_ns) // 2, clock_s=clock_error, growth=growth)
    place = settings.place
    here = (
        None
        if place.latitude_deg is None or place.longitude_deg is None
        else (place.latitude_deg, place.longitude_deg)
    )
    told = f"lines may be off by {off.along_km:.0f} km along and {off.across_km:.0f} km across the track"
    words = (
        f"{item.title}, {row['mode'].upper()}, {format_time(start_ns)[:19]}Z, elements of {format_time(item.epoch_ns)[:19]}Z",
        f"{told}: {off.reason}",
    )
    swath = Swath(item, lines, scan)
    first, last = Track(item).subpoint(lines[[0, -1]])[0]
    northward = bool(last > first)
    if northward:
        words = (f"{words[0]}, turned by 180 degrees: it was scanned northward", words[1])
    target = output or Path(f"{file_stem(str(row['id']))}-overlay.png")
    png = draw_overlay(pixels, swath, station=here, words=words, turn=northward)
    try:
        target.write_bytes(png)
    except OSError as error:
        raise ParameterError(f"{target} cannot be written: {error.strerror}") from error
    if json:
        print_json({
            "overlay": str(target), "picture": row["id"], "satellite": item.name, "number": item.number,
            "elements_epoch": format_time(item.epoch_ns), "along_track_error_km": round(off.along_km, 1),
            "across_track_error_km": round(off.across_km, 1), "reason": off.reason,
        })  # fmt: skip
        return
    say(f"{item.title}: {told} ({off.reason}).")
    print(target)


def _elements(
    settings: Station, sets: list[Elements], wanted: str | None, frequency_hz: float, at_ns: int
) -> tuple[Elements, float | None]:
    """Give the elements of the satellite named, else of the only listed one on this frequency that was in sight."""
    import numpy as np

    from earwitness.orbit.track import Track
    from earwitness.station.passes import elements_for, station_site

    if wanted is not None:
        named = elements_for(sets, wanted, at_ns)
        if named is None:
            raise ParameterError(
                f"no elements of {wanted!r} are kept: take them in with `earwitness passes --elements FILE`"
            )
        return named
    near = [item.name for item in settings.satellite if abs(item.frequency_hz - frequency_hz) <= NEAR_HZ]
    known = [found for name in dict.fromkeys(near) if (found := elements_for(sets, name, at_ns))]
    if len(known) > 1:
        site = station_site(settings)
        known = [one for one in known if Track(one[0]).look(site, np.array([at_ns])).elevation_deg[0] > 0]
    if len(known) != 1:
        raise ParameterError("which satellite sent it cannot be told; name it with --satellite")
    return known[0]


def _pixels(folder: Path, found: dict[str, Any]) -> Any:
    import numpy as np
    from PIL import Image

    from earwitness.view.evidence import file_of
    from earwitness.view.overlay import MOST_PIXELS

    for piece in found["evidence"]:
        path = file_of(folder, piece.get("path"))
        if piece.get("kind") == "picture" and path is not None:
            try:
                with Image.open(path) as image:
                    if image.width * image.height > MOST_PIXELS:
                        raise LogError(f"{path.name} is too large to draw over")
                    return np.asarray(image if image.mode in ("L", "RGB") else image.convert("RGB"))
            except (OSError, ValueError) as error:
                raise LogError(f"{path.name} cannot be read as a picture: {error}") from error
    raise LogError(f"the picture of {found['row']['id']} is no longer kept")
