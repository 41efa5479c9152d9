"""The log handed out: rows of a named query written in an open format, one after another in bounded memory.

Text from the air is hostile in each format in its own way: JSON is ASCII with everything else escaped, CSV
cells can neither break the line nor start a formula, XML gets no control characters. A file appears under its
name only when it is complete.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import math
import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from functools import partial
from itertools import islice, pairwise
from pathlib import Path
from typing import Any, BinaryIO, TypeGuard
from xml.sax.saxutils import escape

from earwitness import __version__
from earwitness.core.errors import ParameterError, StorageError
from earwitness.core.files import whole_file
from earwitness.core.text import file_stem, inert
from earwitness.core.times import format_time, parse_time
from earwitness.core.types import Bits
from earwitness.log.queries import Queries, Row
from earwitness.log.tables import TABLES

_PLAIN = ("jsonl", "csv", "parquet")
FORMATS: dict[str, tuple[str, ...]] = {
    "emissions": (*_PLAIN, "sigmf"),
    "messages": (*_PLAIN, "geojson", "kml", "sigmf", "iec61162"),
    "identities": (*_PLAIN, "geojson", "kml"),
    "overs": (*_PLAIN, "sigmf"),
    "occupancy": _PLAIN,
}
CELL_LIMIT = 32_000  # characters; spreadsheets stop at 32 767
ROW_GROUP = 10_000
TRACK_LIMIT = 20_000  # positions of one identity on a map
AIS_CHANNELS_HZ = {"A": 161_975_000.0, "B": 162_025_000.0}  # ITU-R M.1371: AIS 1 (2087), AIS 2 (2088)
_FORMULA = (
    "=",
    "+",
    "-",
    "@",
    "\uff1d",
    "\uff0b",
    "\uff0d",
    "\uff20",
)  # the full-width ones open formulas too


def export(
    log: Queries,
    what: str,
    format: str,
    out: Path | BinaryIO,
    **filters: Any,
) -> int:
    """Write `what` of the log in `format` to a file or binary stream; give the number of rows written.

    `filters` are those of the query. A path is replaced only when all is written. SigMF annotations of
    several recordings go into a collection with one `.sigmf-meta` beside it for each, so they need a path.
    Raises ParameterError for what does not exist or makes no sense, LogError when the output cannot be
    written.
    """
    check_form(what, format)
    if format == "sigmf":
        return _write_sigmf(log, what, out, filters)
    rows: Iterator[Row] = getattr(log, what)(**filters)
    writers: dict[str, Callable[[BinaryIO, Iterator[Row]], int]] = {
        "jsonl": _write_jsonl,
        "csv": partial(_write_csv, what),
        "parquet": partial(_write_parquet, what),
        "geojson": partial(_write_geojson, log, what),
        "kml": partial(_write_kml, log, what),
        "iec61162": _write_iec61162,
    }
    with _opened(out) as stream:
        return writers[format](stream, rows)


def check_form(what: str, format: str) -> None:
    """Raise ParameterError where there is nothing called `what`, or no sense in writing it in that format."""
    if what not in FORMATS:
        raise ParameterError(f"nothing called {what!r} to export; there are {', '.join(FORMATS)}")
    if format not in FORMATS[what]:
        raise ParameterError(
            f"{what} cannot be written as {format!r}; they can as {', '.join(FORMATS[what])}"
        )


@contextmanager
def _opened(out: Path | BinaryIO) -> Iterator[BinaryIO]:
    """Give a stream; for a path, one that takes the path's name when all went well, and vanishes when not."""
    if not isinstance(out, str | os.PathLike):
        yield out
        return
    path = Path(out)
    try:
        with whole_file(path) as stream:
            yield stream
    except OSError as error:
        raise StorageError(f"{path} cannot be written: {error.strerror or error}") from error


def _dumps(value: Any) -> bytes:
    return json.dumps(value, separators=(", ", ": "), allow_nan=False).encode("ascii")


def _write_jsonl(stream: BinaryIO, rows: Iterator[Row]) -> int:
    count = 0
    for row in rows:
        stream.write(_dumps(row) + b"\n")
        count += 1
    return count


def _schema(what: str) -> dict[str, str]:
    """Give the kind of each column of a table-shaped export; `extra` takes what is known beyond, as an object."""
    if what == "identities":
        kinds = {
            "id": "text",
            "kind": "text",
            "key": "text",
            "names": "json",
            "first_seen": "time",
            "last_seen": "time",
            "message_count": "int",
            "latitude_deg": "real",
            "longitude_deg": "real",
            "labels": "json",
            "flags": "json",
            "mention_count": "int",
            "position_time": "time",
            "same_as": "json",
        }
    else:
        kinds = {column.key: column.kind for column in TABLES[what].columns}
        if what == "occupancy":
            kinds.update(fco_pct="real", fco_low_pct="real", fco_high_pct="real")
        kinds["superseded_by"] = "text"
    return {**kinds, "extra": "json"}


def _values(row: Mapping[str, Any], schema: Mapping[str, str]) -> Iterator[Any]:
    for key in schema:
        if key == "extra":
            others = {key: item for key, item in row.items() if key not in schema and item is not None}
            yield {**(row.get("extra") or {}), **others} or None
        else:
            yield row[key]


def _line(text: str) -> str:
    """Give text that stays on its line."""
    return inert(text, limit=CELL_LIMIT)


def _cell(value: Any) -> Any:
    """Give what may stand in a CSV cell: numbers as they are, text on one line and no formula."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return value
    if not isinstance(value, str):
        value = json.dumps(value, allow_nan=False)
    text = _line(value)
    return f"'{text}" if text.lstrip().startswith(_FORMULA) else text


def _write_csv(what: str, stream: BinaryIO, rows: Iterator[Row]) -> int:
    """Write CSV as RFC 4180 has it, in UTF-8, with a header line."""
    text = io.TextIOWrapper(stream, "utf-8", newline="", write_through=True)
    try:
        writer = csv.writer(text)
        schema = _schema(what)
        writer.writerow(schema)
        count = 0
        for row in rows:
            writer.writerow(map(_cell, _values(row, schema)))
            count += 1
        return count
    finally:
        text.detach()


def _write_parquet(what: str, stream: BinaryIO, rows: Iterator[Row]) -> int:
    try:
        import pyarrow as pa
        from pyarrow import parquet
    except ImportError as error:
        raise ParameterError("Parquet needs pyarrow: pip install 'earwitness[parquet]'") from error
    moment = pa.timestamp("us", tz="UTC")
    kinds = {"real": pa.float64(), "int": pa.int64(), "flag": pa.bool_(), "time": moment}
    schema = _schema(what)
    arrow = pa.schema([(key, kinds.get(kind, pa.string())) for key, kind in schema.items()])
    convert: dict[str, Callable[[Any], Any]] = {
        "time": lambda text: parse_time(text) // 1000,
        "json": partial(json.dumps, allow_nan=False),
    }
    count = 0
    with parquet.ParquetWriter(stream, arrow, compression="zstd") as writer:
        while chunk := [list(_values(row, schema)) for row in islice(rows, ROW_GROUP)]:
            columns = []
            for field, kind, values in zip(arrow, schema.values(), zip(*chunk, strict=True), strict=True):
                change = convert.get(kind)
                given = values if change is None else [None if v is None else change(v) for v in values]
                columns.append(pa.array(given, field.type))
            writer.write_table(pa.table(columns, schema=arrow))
            count += len(chunk)
    return count


def _position(row: Mapping[str, Any]) -> tuple[float, float] | None:
    """Give longitude and latitude of a row that says where, as maps want them."""
    for holder in (row, row.get("fields")):
        if not isinstance(holder, Mapping):
            continue
        longitude, latitude = holder.get("longitude_deg"), holder.get("latitude_deg")
        if _number(longitude) and _number(latitude) and abs(latitude) <= 90 and abs(longitude) <= 180:
            return round(float(longitude), 7), round(float(latitude), 7)
    return None


def _number(value: Any) -> TypeGuard[int | float]:
    return isinstance(value, int | float) and not isinstance(value, bool)


Line = list[tuple[float, float]]


def _track(log: Queries, what: str, row: Row) -> list[Line]:
    """Give where an identity went, if more than one place is known: one line, cut where it meets 180 degrees."""
    if what != "identities":
        return []
    points = [found for place in islice(log.track(row["id"]), TRACK_LIMIT) if (found := _position(place))]
    if len(points) < 2:
        return []
    lines = [points[:1]]
    for (west, south), (east, north) in pairwise(points):
        if abs(east - west) > 180:  # the short way leads across the antimeridian (RFC 7946, 3.1.9)
            side = math.copysign(180.0, west)
            part = (side - west) / (east + 2 * side - west)
            latitude = round(south + part * (north - south), 7)
            lines[-1].append((side, latitude))
            lines.append([(-side, latitude)])
        lines[-1].append((east, north))
    return lines


def _write_geojson(log: Queries, what: str, stream: BinaryIO, rows: Iterator[Row]) -> int:
    """Write an RFC 7946 feature collection of the rows that have a position; tracks as lines of their own."""
    stream.write(b'{"type": "FeatureCollection", "features": [')
    count, between = 0, b"\n"
    for row in rows:
        position = _position(row)
        if position is None:
            continue
        parts: list[tuple[str, Any, str]] = [("Point", position, row["id"])]
        track = _track(log, what, row)
        if track:
            kind, line = ("LineString", track[0]) if len(track) == 1 else ("MultiLineString", track)
            parts.append((kind, line, f"{row['id']}-track"))
        for kind, coordinates, name in parts:
            geometry = {"type": kind, "coordinates": coordinates}
            feature = {"type": "Feature", "id": name, "geometry": geometry, "properties": row}
            stream.write(between + _dumps(feature))
            between = b",\n"
        count += 1
    stream.write(b"\n]}\n")
    return count


def _xml(value: Any) -> str:
    return escape(_line(str(value)))


def _write_kml(log: Queries, what: str, stream: BinaryIO, rows: Iterator[Row]) -> int:
    """Write an OGC KML 2.2 document of the rows that have a position."""
    head = '<?xml version="1.0" encoding="UTF-8"?>\n<kml xmlns="http://www.opengis.net/kml/2.2"><Document>'
    stream.write(f"{head}<name>Earwitness {what}</name>\n".encode())
    count = 0
    for row in rows:
        position = _position(row)
        if position is None:
            continue
        name = " ".join([row.get("key") or f"{row['mode']} {row['kind']}", *row.get("names", [])[:1]])
        when = row.get("position_time") or row.get("time")
        facts = "".join(
            f'<Data name="{_xml(key)}"><value>{_xml(value)}</value></Data>'
            for key, value in row.items()
            if value is not None and value != []
        )
        stamp = f"<TimeStamp><when>{when}</when></TimeStamp>" if when else ""
        stream.write(
            f"<Placemark><name>{_xml(name)}</name>{stamp}<ExtendedData>{facts}</ExtendedData>"
            f"<Point><coordinates>{position[0]},{position[1]}</coordinates></Point></Placemark>\n".encode()
        )
        track = _track(log, what, row)
        if track:
            lines = "".join(
                f"<LineString><tessellate>1</tessellate><coordinates>{' '.join(f'{x},{y}' for x, y in line)}"
                "</coordinates></LineString>"
                for line in track
            )
            stream.write(
                f"<Placemark><name>{_xml(name)} track</name><MultiGeometry>{lines}</MultiGeometry>"
                "</Placemark>\n".encode()
            )
        count += 1
    stream.write(b"</Document></kml>\n")
    return count


def _write_iec61162(stream: BinaryIO, rows: Iterator[Row]) -> int:
    """Write the AIS messages as IEC 61162-1 sentences; others have none."""
    from earwitness.payloads.iec61162 import sentences

    count = sequence = 0
    for row in rows:
        if row["mode"] != "ais" or not row["payload_bits"]:
            continue
        octets = bytes.fromhex(row["payload_hex"])
        size = row["payload_bits"]
        if size > len(octets) * 8:
            continue  # cut when it was logged: no sentence can carry it whole
        bits = Bits(int.from_bytes(octets, "big") >> (len(octets) * 8 - size), size)
        try:
            lines = sentences(bits, channel=_ais_channel(row["frequency_hz"]), sequence=sequence)
        except ParameterError:
            continue  # longer than nine sentences carry
        stream.write("".join(f"{line}\r\n" for line in lines).encode("ascii"))
        sequence = (sequence + (len(lines) > 1)) % 10
        count += 1
    return count


def _ais_channel(frequency_hz: float | None) -> str | None:
    """Give the channel letter; None for the long-range channels and where it is not known."""
    for letter, center_hz in AIS_CHANNELS_HZ.items():
        if frequency_hz is not None and abs(frequency_hz - center_hz) < 12_500:
            return letter
    return None


def _write_sigmf(log: Queries, what: str, out: Path | BinaryIO, filters: Mapping[str, Any]) -> int:
    filters = {
        key: value for key, value in filters.items() if key != "newest"
    }  # the standard wants them in order
    wanted = filters.pop("recording", None)
    recordings = list(log.recordings(id=wanted))
    if wanted is None and len(recordings) > 1:  # those without rows need no annotations
        probe = {**filters, "limit": 1}
        used = [item for item in recordings if any(log.timed(what, **probe, recording=item["id"]))]
        recordings = used or recordings[:1]
    if not recordings:
        raise ParameterError("the log holds no recording to annotate")
    if len(recordings) == 1:
        with _opened(out) as stream:
            return _write_meta(log, what, recordings[0], stream, filters)
    if not isinstance(out, str | os.PathLike):
        raise ParameterError("annotations of several recordings need an output file for their collection")
    path = Path(out)
    count = 0
    streams = []
    for item in recordings:
        stem = f"{file_stem(path.name.split('.')[0])}-{item['id'][2:]}"
        meta = path.with_name(f"{stem}.sigmf-meta")
        with _opened(meta) as stream:
            count += _write_meta(log, what, item, stream, filters)
        with open(meta, "rb") as file:
            streams.append({"name": stem, "hash": hashlib.file_digest(file, "sha512").hexdigest()})
    with _opened(path) as stream:
        stream.write(_dumps({"collection": {"core:version": "1.2.0", "core:streams": streams}}) + b"\n")
    return count


def _write_meta(log: Queries, what: str, recording: Row, stream: BinaryIO, filters: Mapping[str, Any]) -> int:
    """Write SigMF 1.2 metadata of one recording, annotations only: the samples stay where they are."""
    rate_hz = recording.get("stored_rate_hz") or recording["rate_hz"] or 0.0
    captures = recording.get("captures") or [
        {"sample_start": 0, "start_ns": recording["start_ns"], "center_hz": recording["center_hz"]}
    ]
    facts: dict[str, Any] = {
        "core:datatype": recording.get("datatype") or "cf32_le",
        "core:version": "1.2.0",
        "core:sample_rate": rate_hz,
        "core:metadata_only": True,
        "core:description": inert(str(recording["name"] or ""), limit=200),
        "core:recorder": f"earwitness {__version__}",
    }
    shown = [
        {
            "core:sample_start": item["sample_start"],
            "core:datetime": format_time(item["start_ns"]),
            **({"core:frequency": item["center_hz"]} if item.get("center_hz") is not None else {}),
        }
        for item in captures
    ]
    stream.write(b'{"global": ' + _dumps(facts) + b',\n"captures": ' + _dumps(shown) + b',\n"annotations": [')
    count = 0
    widths: dict[str, float | None] = {}
    for start_ns, stop_ns, row in log.timed(what, **filters, recording=recording["id"]):
        start, stop = _sample(start_ns, captures, rate_hz), _sample(stop_ns, captures, rate_hz)
        note: dict[str, Any] = {
            "core:sample_start": start,
            "core:sample_count": max(stop - start, 1),
            "core:label": inert(str(row.get("label") or row.get("mode") or row.get("class")), limit=20),
            "core:comment": inert(_comment(row), limit=400),
            "core:generator": f"earwitness {__version__}",
        }
        width = row.get("occupied_bandwidth_hz") or _emission_width(log, row.get("emission_id"), widths)
        if width and row["frequency_hz"] is not None:
            note["core:freq_lower_edge"] = row["frequency_hz"] - width / 2
            note["core:freq_upper_edge"] = row["frequency_hz"] + width / 2
        stream.write((b",\n" if count else b"\n") + _dumps(note))
        count += 1
    stream.write(b"\n]}\n")
    return count


def _sample(at_ns: int, captures: list[Row], rate_hz: float) -> int:
    """Give the sample index of a time, counted from the capture it falls into."""
    begun = [item for item in captures if item["start_ns"] <= at_ns]
    capture = max(begun, key=lambda item: item["start_ns"], default=captures[0])
    return max(int(capture["sample_start"] + round((at_ns - capture["start_ns"]) * rate_hz / 1e9)), 0)


def _comment(row: Row) -> str:
    words = [row["id"], row.get("class") or row.get("kind"), row.get("designator")]
    words += [f"{row['frequency_hz']:.0f} Hz" if row.get("frequency_hz") else None]
    words += [f"SNR {row['snr_db']:.1f} dB" if row.get("snr_db") is not None else None]
    words += [f"artefact: {row['artefact']}" if row.get("artefact") else None]
    return ", ".join(word for word in words if word)


def _emission_width(log: Queries, emission: str | None, known: dict[str, float | None]) -> float | None:
    if emission is None:
        return None
    if emission not in known:
        if len(known) > 10_000:
            known.clear()
        row = next(log.emissions(id=emission, superseded=True), {})
        known[emission] = row.get("occupied_bandwidth_hz")
    return known[emission]
