"""From a station's log and folder to what a report is made of."""

from __future__ import annotations

import math
import os
import platform
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import partial
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from earwitness import __version__
from earwitness.core.errors import ParameterError
from earwitness.view.data import Media, Overview, Plate, Recording, ReportData, Row
from earwitness.view.digest import flags_of, urgency
from earwitness.view.evidence import file_of, pictures_of
from earwitness.view.words import count, decibels, moment, number, percent, plain, plus_minus

if TYPE_CHECKING:
    from earwitness.log.store import Log

MOST_EMISSIONS = 20_000
MOST_IDENTITIES = 5_000
MOST_RELATIONS = 1_000
MOST_OVERS = 1_000
MOST_PICTURES = 100
MOST_EXHIBITS = 10  # emissions whose pictures are drawn
EMBED_BYTES = 4_000_000
MOST_PIXELS = 4_000_000

_METHODS = {"snr": "signal to noise", "center": "centre frequency", "xdb_bandwidth": "x-dB bandwidth"}


def gather(log: Log, station_dir: Path, *, beside: Path | None = None) -> ReportData:
    """Read what a report needs; `beside` is the folder it will lie in, for links to files kept outside it."""
    beside = beside or station_dir
    recordings = list(log.recordings())
    emissions = list(log.emissions(newest=True, limit=MOST_EMISSIONS))
    overs = list(log.overs(newest=True, limit=MOST_OVERS))[::-1]
    pictures = list(log.pictures(newest=True, limit=MOST_PICTURES))[::-1]
    overviews: dict[str, list[Overview]] = {}
    for row in log.evidence(kind="picture"):
        view = _overview(row, station_dir) if row.get("overview") else None
        if view:
            overviews.setdefault(str(row.get("recording")), []).append(view)
    return ReportData(
        station=_station(recordings, station_dir),
        recordings=[_recording(row, overviews.get(row["id"], [])) for row in recordings],
        emissions=emissions[::-1],
        occupancy=list(_by_channel(log.occupancy())),
        identities=list(log.identities(newest=True, limit=MOST_IDENTITIES, joined=True)),
        relations=list(islice(log.relations(), MOST_RELATIONS)),
        messages=log.messages(),
        overs=overs,
        pictures=pictures,
        media=_media([*overs, *pictures], log, station_dir, beside),
        plates=list(_plates(emissions, log, station_dir)),
        methods=_methods(emissions),
        versions={"Earwitness": __version__, "Python": platform.python_version(), "NumPy": np.__version__},
        totals=log.summary(),
        made_ns=time.time_ns(),
        located=partial(_located, log, station_dir, beside),
    )


def _located(log: Log, station_dir: Path, beside: Path, evidence_id: Any) -> str | None:
    """Give the path from the page to a snippet of I/Q, None where it is not kept."""
    row = next(log.evidence(id=evidence_id, superseded=True), None) if isinstance(evidence_id, str) else None
    if row is None or row["kind"] != "snippet" or row["removed"]:
        return None
    path = file_of(station_dir, row["path"])
    return None if path is None else os.path.relpath(path, beside.resolve())


def _station(recordings: Sequence[Row], station_dir: Path) -> dict[str, Any]:
    """Give where the station is: by its settings, else by what the recordings say."""
    from earwitness.station.config import load_station

    facts: dict[str, Any] = {}
    for row in recordings:
        for key in ("place", "latitude_deg", "longitude_deg", "antenna"):
            if row.get(key) is not None:
                facts[key] = row[key]
    settings = load_station(station_dir, create=False)
    own: dict[str, Any] = {"name": settings.place.name, "antenna": settings.antenna.name}
    if settings.place.latitude_deg is not None and settings.place.longitude_deg is not None:
        own |= {"latitude_deg": settings.place.latitude_deg, "longitude_deg": settings.place.longitude_deg}
    return {**facts, **{key: value for key, value in own.items() if value is not None}}


def _recording(row: Row, overviews: Sequence[Overview]) -> Recording:
    surveys = row.get("surveys") or []
    last = surveys[-1] if surveys else {}
    start_ns = moment(row.get("start")) or 0
    warnings = [*_words(row.get("warnings")), *_words(last.get("warnings"))]
    if last.get("complete") is False:
        warnings.append("the survey was stopped before the end; this is what was found until then")
    source = row.get("facts")
    facts = {key: row.get(key) for key in ("receiver", "antenna", "place")}
    if isinstance(source, Mapping):
        facts.update({key: source.get(key) for key in ("description", "author", "recorder", "license")})
        facts["hardware"] = source.get("hw") if source.get("hw") != row.get("receiver") else None
    return Recording(
        id=str(row["id"]),
        name=plain(row.get("name"), limit=120),
        start_ns=start_ns,
        stop_ns=moment(row.get("stop")) or start_ns,
        center_hz=number(row.get("center_hz")),
        rate_hz=number(row.get("rate_hz")),
        overviews=overviews,
        facts=facts,
        health=_health(
            row.get("ppm"), [item for item in last.get("health") or [] if isinstance(item, Mapping)]
        ),
        warnings=warnings,
        audio=str(row.get("datatype") or "").startswith("r") and not row.get("center_hz"),
    )


def _health(ppm: Any, looks: Sequence[Mapping[str, Any]]) -> dict[str, str]:
    """Give what was noticed of the receiver in words: the worst of all stretches."""

    def figures(key: str) -> list[float]:
        return [figure for look in looks if (figure := number(look.get(key))) is not None]

    out: dict[str, str] = {}
    if (applied := number(ppm)) is not None:
        out["frequency correction applied"] = f"{applied:+.2f} ppm".replace("-", "\u2212")
    surest = max(looks, key=lambda look: number(look.get("error_from_carriers")) or 0, default={})
    error, spread = number(surest.get("error_ppm")), number(surest.get("error_uncertainty_ppm"))
    if error is not None:
        digits = 2 if not spread else min(max(0, -math.floor(math.log10(spread))), 3)
        out["frequency error"] = f"{error:+.{digits}f} {plus_minus(spread, 'ppm')}".replace("-", "\u2212")
        out["frequency error"] += (
            f", from {count(int(number(surest.get('error_from_carriers')) or 0), 'carrier')}"
        )
    if clipped := figures("clipped_fraction"):
        out["samples clipped"] = percent(max(clipped)) if max(clipped) > 0 else "none"
    if dropped := figures("dropped_or_jumped"):
        out["samples lost or jumped"] = count(int(sum(dropped)), "time") if sum(dropped) else "never seen"
    if offset := figures("dc_dbfs"):
        out["constant offset"] = decibels(max(offset), "dBFS")
    if image := figures("image_rejection_db"):
        out["image rejection"] = decibels(min(image))
    return out


def _words(value: Any) -> list[str]:
    return [plain(item) for item in value[:50]] if isinstance(value, list | tuple) else []


def _overview(row: Row, station_dir: Path) -> Overview | None:
    """Read a stored picture of levels: grey steps above a floor, rows in time."""
    from PIL import Image

    path = file_of(station_dir, row.get("path"))
    figures = [number(row.get(key)) for key in ("floor_db", "step_db", "low_hz", "high_hz")]
    start, stop = moment(row.get("start")), moment(row.get("stop"))
    if path is None or start is None or stop is None or None in figures:
        return None
    floor_db, step_db, low_hz, high_hz = (value or 0.0 for value in figures)
    try:
        with Image.open(path, formats=["PNG"]) as image:
            if image.width * image.height > MOST_PIXELS or image.mode != "L":
                return None
            levels = np.asarray(image, np.float32) * step_db + floor_db
    except (OSError, SyntaxError, ValueError):  # what Pillow raises for a damaged file
        return None
    return Overview(levels, start, stop, low_hz, high_hz) if high_hz > low_hz and stop > start else None


def _by_channel(rows: Iterable[Row]) -> Iterator[dict[str, Any]]:
    """Add up the intervals of each channel."""
    sums: dict[tuple[int, str], dict[str, Any]] = {}
    for row in rows:
        key = (round((number(row.get("frequency_hz")) or 0.0) / 2500), str(row.get("label")))
        known = sums.setdefault(key, {**row, "samples": 0, "occupied": 0})
        known["samples"] += int(number(row.get("samples")) or 0)
        known["occupied"] += int(number(row.get("occupied")) or 0)
        known["inflation"] = max(number(row.get("inflation")) or 1.0, number(known.get("inflation")) or 1.0)
    yield from sums.values()


def _media(rows: Sequence[Row], log: Log, station_dir: Path, beside: Path) -> dict[str, Media]:
    """Find the files of overs and pictures; read them until the page has its fill, then only link."""
    out: dict[str, Media] = {}
    budget = EMBED_BYTES
    for row in rows:
        kind = "audio/flac" if "tone" in row else "image/png"
        path = file_of(station_dir, row.get("audio_path")) or _evidence_file(row, log, station_dir)
        if path is None:
            continue
        data = None
        if path.stat().st_size <= budget:
            data = path.read_bytes()
            budget -= len(data)
        out[str(row["id"])] = Media(kind, data, os.path.relpath(path, beside.resolve()))
    return out


def _evidence_file(row: Row, log: Log, station_dir: Path) -> Path | None:
    try:
        evidence = log.entry(str(row.get("evidence_id")))["row"]
    except ParameterError:
        return None
    return file_of(station_dir, evidence.get("path")) if evidence.get("removed") is None else None


def _plates(emissions: Sequence[Row], log: Log, station_dir: Path) -> Iterator[Plate]:
    """Draw the emissions that say most: flagged ones, then the strongest of each kind, unknown ones too."""
    drawn = 0
    for row in _telling(emissions):
        if drawn >= MOST_EXHIBITS:
            return
        entry = log.entry(row["id"])
        pictures = pictures_of(entry, station_dir)
        if not pictures:
            for message in islice(entry.get("messages", ()), 5):
                pictures = pictures_of(log.entry(message["id"]), station_dir)
                if pictures:
                    break
        for name, png in pictures.items():
            yield Plate(str(row["id"]), name, png)
        drawn += bool(pictures)


def _telling(emissions: Sequence[Row]) -> list[Row]:
    real = [row for row in emissions if not row.get("artefact")]
    real.sort(key=lambda row: -(number(row.get("snr_db")) or -99.0))
    flagged = [row for row in real if flags_of(row)]
    flagged.sort(key=lambda row: min(map(urgency, flags_of(row))))
    first: dict[tuple[Any, Any], Row] = {}
    second: list[Row] = []
    for row in real:
        key = (row.get("class"), row.get("mode"))
        if key in first:
            second.append(row)
        else:
            first[key] = row
    unique = {row["id"]: row for row in [*flagged[:6], *first.values(), *second]}
    return list(unique.values())[: 3 * MOST_EXHIBITS]


def _methods(emissions: Sequence[Row]) -> dict[str, str]:
    found: dict[str, str] = {}
    for row in emissions:
        methods = row.get("methods")
        if isinstance(methods, Mapping):
            for key, value in methods.items():
                name = _METHODS.get(str(key), plain(key, limit=60).replace("_", " "))
                found.setdefault(name, plain(value))
        if len(found) > 30:
            break
    return found
