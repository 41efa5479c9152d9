"""SigMF recordings: metadata and dataset, non-conforming datasets, and archives read where they lie.

Source: SigMF specification 1.2 (github.com/sigmf/SigMF). The metadata is judged by the types and limits
the specification gives each core value (by hand: the libraries that know the schema take half a second to
load); what does not conform is a warning as long as samples can still be found. The dataset is read in place (also inside an uncompressed archive), never loaded.

Captures become stretches. A capture continues the stretch before it when centre and clock go on: by
core:global_index where both have it, else by core:datetime within 0.5 ms, 100 ppm of the time between
them and the resolution of the text. Otherwise it starts a new stretch. Real samples with a centre
frequency, or faster than 400 kS/s, are taken as an intermediate frequency whose 0 Hz is core:frequency;
other real samples are audio.
"""

from __future__ import annotations

import hashlib
import io
import json
import re
import tarfile
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

from earwitness.core.errors import ParameterError, SourceError
from earwitness.core.text import inert
from earwitness.core.times import parse_time
from earwitness.sources.declared import (
    AUDIO_UP_TO_HZ,
    LATEST_NS,
    Declared,
    checked_rate,
    settle_centre,
    settle_start,
    sound_centre,
)
from earwitness.sources.sample_type import SampleType, sample_type
from earwitness.sources.stretch import FileRun, OpenFile, Source, Stretch

_MOST_META = 64 << 20
_MOST_MEMBERS = 1000
_MOST_INTEGER = 2**62
_HASH_UP_TO = 64 << 20  # octets: of a long recording the hash would cost a twentieth of its survey
_FACTS = ("hw", "description", "author", "recorder", "license", "geolocation", "version")
_COUNT = (int, 0, 2**63 - 1)
_PLACE_HZ = (float, -1e12, 1e12)
# A pattern for text, or type and limits, as the specification states them.
_GLOBAL: dict[str, str | tuple[type, float, float]] = {
    "core:datatype": r"[cr](f32|f64|i32|i16|u32|u16|i8|u8)(_le|_be)?$",
    "core:version": r"\d+\.\d+\.\d",
    "core:sample_rate": (float, 5e-324, 1e12),
    "core:num_channels": (int, 1, 2**63 - 1),
    "core:offset": _COUNT,
    "core:trailing_bytes": _COUNT,
    "core:metadata_only": (bool, 0, 1),
    "core:sha512": r"[0-9a-fA-F]{128}$",
    **dict.fromkeys(
        ("core:author", "core:collection", "core:data_doi", "core:description", "core:hw", "core:license",
         "core:meta_doi", "core:recorder"), ""
    ),
}  # fmt: skip
_CAPTURE: dict[str, str | tuple[type, float, float]] = {
    "core:sample_start": _COUNT,
    "core:frequency": _PLACE_HZ,
    "core:datetime": r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d",
    "core:global_index": _COUNT,
    "core:header_bytes": _COUNT,
}
_ANNOTATION: dict[str, str | tuple[type, float, float]] = {
    "core:sample_start": _COUNT,
    "core:sample_count": _COUNT,
    "core:freq_lower_edge": _PLACE_HZ,
    "core:freq_upper_edge": _PLACE_HZ,
    **dict.fromkeys(("core:label", "core:comment", "core:generator", "core:uuid"), ""),
}
_COMPRESSED = {b"\x1f\x8b": "gzip", b"\xfd7": "xz", b"PK": "zip", b"BZ": "bzip2", b"\x28\xb5": "zstd"}


@dataclass
class _Capture:
    start: int  # first sample in the dataset
    offset: int  # its first octet in the file
    count: int
    center_hz: float | None
    time_ns: int | None
    resolution_ns: int
    global_index: int | None

    @property
    def clock(self) -> int:
        """Samples of the receiver's clock where it was counted, of the dataset otherwise."""
        return self.start if self.global_index is None else self.global_index


def open_pair(path: Path, want: Declared) -> Source:
    """Open the recording that a .sigmf-meta or .sigmf-data file belongs to."""
    meta_path = path.with_suffix(".sigmf-meta")
    if not meta_path.is_file():
        raise SourceError(
            f"{path.name} has no {meta_path.name} beside it; restore it, or declare --rate, --centre "
            "and --sample-type to read the samples alone"
        )
    source = Source(meta_path.stem, meta_path, [])
    meta_file = OpenFile(meta_path)
    if meta_file.size > _MOST_META:
        raise SourceError(f"{meta_path.name} is larger than 64 MiB, which no SigMF metadata is")
    meta = _metadata(meta_file.read(0, meta_file.size).tobytes(), meta_path.name)
    data = OpenFile(_dataset_path(meta, meta_path, source.warnings))
    _read_recording(source, meta, data, 0, data.size, want)
    return source


def open_archive(path: Path, want: Declared) -> Source:
    """Open a .sigmf archive (uncompressed tar) with one or more recordings in it, in place."""
    source = Source(path.stem, path, [])
    file = OpenFile(path)
    magic = file.read(0, 2).tobytes()
    if magic in _COMPRESSED:
        raise SourceError(f"{path.name} is compressed with {_COMPRESSED[magic]}; unpack it first")
    members = _members(file)
    metas = [name for name in members if name.endswith(".sigmf-meta")]
    if not metas:
        raise SourceError(f"{path.name} holds no .sigmf-meta file; it is no SigMF archive or was cut short")
    for name in metas:
        start, size = members[name]
        if size > _MOST_META:
            raise SourceError(f"{inert(name, limit=80)} in {path.name} is larger than 64 MiB")
        meta = _metadata(file.read(start, size).tobytes(), inert(name, limit=80))
        dataset = meta["global"].get("core:dataset")
        data_name = name.removesuffix("-meta") + "-data"
        if data_name not in members and isinstance(dataset, str):
            data_name = name.rpartition("/")[0] + "/" + dataset if "/" in name else dataset
        if data_name not in members:
            raise SourceError(f"{path.name} holds {inert(name, limit=80)} but not its dataset")
        data_at, data_size = members[data_name]
        there = max(min(data_size, file.size - data_at), 0)
        if there < data_size:
            source.warnings.append(f"the archive was cut short: {there} of {data_size} bytes are there")
        _read_recording(source, meta, file, data_at, there, want)
    return source


def streams_of(path: Path) -> list[Path]:
    """Give the metadata files that a .sigmf-collection names, beside it, in its order."""
    file = OpenFile(path)
    name = inert(path.name, limit=80)
    try:
        streams = json.loads(file.read(0, min(file.size, _MOST_META)).tobytes())["collection"]["core:streams"]
        stems = [str(item["name"] if isinstance(item, dict) else item[0]) for item in streams]
    except (ValueError, KeyError, IndexError, TypeError, RecursionError) as error:
        raise SourceError(f"{name} is no SigMF collection: it has no core:streams with names") from error
    if not stems:
        raise SourceError(f"{name} names no recording")
    if any(re.search(r"[/\\\x00]", stem) or not stem for stem in stems):
        raise SourceError(f"{name} names recordings that do not lie beside it")
    return [path.with_name(f"{stem.removesuffix('.sigmf-meta')}.sigmf-meta") for stem in stems]


class _Guarded(io.RawIOBase):
    """A file that refuses giant reads: an archive's own header fields are not to be trusted."""

    def __init__(self, file: OpenFile):
        self._file = file
        self._at = 0

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = 0) -> int:
        self._at = offset + (0, self._at, self._file.size)[whence]
        return self._at

    def tell(self) -> int:
        return self._at

    def read(self, size: int = -1) -> bytes:
        if not 0 <= size <= _MOST_META:
            raise tarfile.ReadError("header too large")
        got = self._file.read(self._at, size).tobytes()
        self._at += len(got)
        return got


def _members(file: OpenFile) -> dict[str, tuple[int, int]]:
    """Give (offset, size) of the plain files in a tar archive by name."""
    found: dict[str, tuple[int, int]] = {}
    try:
        with tarfile.open(fileobj=_Guarded(file), mode="r:") as archive:  # type: ignore[arg-type]
            while len(found) < _MOST_MEMBERS and (member := archive.next()) is not None:
                if member.isreg() and not member.issparse():
                    found[member.name] = member.offset_data, member.size
    except (tarfile.TarError, ValueError, OverflowError, OSError, EOFError) as error:
        if not found:
            raise SourceError(
                f"{file.path.name} is not a SigMF archive (an uncompressed tar file)"
            ) from error
    return found


def _metadata(octets: bytes, name: str) -> dict[str, Any]:
    """Give the metadata with `global`, `captures` and `annotations` of the right shapes."""
    try:
        meta = json.loads(octets)
    except (ValueError, RecursionError) as error:
        raise SourceError(f"{name} is not JSON text, as SigMF metadata must be") from error
    if not (
        isinstance(meta, dict)
        and isinstance(meta.get("global"), dict)
        and isinstance(meta.get("captures", []), list)
        and all(isinstance(item, dict) for item in meta.get("captures", []))
    ):
        raise SourceError(f"{name} is not SigMF metadata: it needs the objects global and captures")
    return meta


def _dataset_path(meta: dict[str, Any], meta_path: Path, warnings: list[str]) -> Path:
    usual = meta_path.with_suffix(".sigmf-data")
    dataset = meta["global"].get("core:dataset")
    if dataset is not None:
        if not isinstance(dataset, str) or not dataset or re.search(r'[/\\\x00:*?"<>|]', dataset):
            raise SourceError(f"{meta_path.name}: core:dataset must be the name of a file beside it")
        named = meta_path.with_name(dataset)
        if named.is_file():
            return named
        if not usual.is_file():
            raise SourceError(
                f"{meta_path.name} describes {inert(dataset, limit=80)}, which is not beside it"
            )
        warnings.append(f"core:dataset names a missing file; {usual.name} was read instead")
    if not usual.is_file():
        only = meta["global"].get("core:metadata_only") is True
        raise SourceError(
            f"{meta_path.name} has no {usual.name} beside it"
            + (" and says that it comes without samples" if only else "; put it there")
        )
    return usual


def _judge(meta: dict[str, Any]) -> str | None:
    """Give the first thing the specification has against the metadata, or None."""
    facts = meta["global"]
    for key in ("core:datatype", "core:version"):
        if key not in facts:
            return f"{key} is required"
    for key, rule in _GLOBAL.items():
        if key in facts and not _fits(facts[key], rule):
            return f"{key} is {inert(repr(facts[key]), limit=80)}"
    for part, rules in (("captures", _CAPTURE), ("annotations", _ANNOTATION)):
        items = meta.get(part, [])
        if not isinstance(items, list):
            return f"{part} is no list"
        for n, item in enumerate(items):
            if not isinstance(item, dict) or "core:sample_start" not in item:
                return f"{part}/{n}: core:sample_start is required"
            for key, rule in rules.items():
                if key in item and not _fits(item[key], rule):
                    return f"{part}/{n}/{key} is {inert(repr(item[key]), limit=80)}"
    return None


def _fits(value: object, rule: str | tuple[type, float, float]) -> bool:
    """Tell whether a value is text of a pattern, or a number within limits (whole where the type is int)."""
    if isinstance(rule, str):
        return isinstance(value, str) and re.match(rule, value) is not None
    kind, least, most = rule
    if isinstance(value, bool):
        return kind is bool
    whole = isinstance(value, int) or (isinstance(value, float) and value.is_integer())
    return (whole if kind is int else isinstance(value, int | float)) and least <= value <= most  # type: ignore[operator]


def _integer(value: object) -> int | None:
    if isinstance(value, float) and value.is_integer() and abs(value) < _MOST_INTEGER:
        value = int(value)
    if isinstance(value, int) and not isinstance(value, bool) and 0 <= value < _MOST_INTEGER:
        return value
    return None


def _read_recording(
    source: Source, meta: dict[str, Any], file: OpenFile, at: int, size: int, want: Declared
) -> None:
    """Append the stretches of one recording, whose dataset is `size` octets at `at` of `file`."""
    facts, warnings = meta["global"], source.warnings
    if complaint := _judge(meta):
        warnings.append(f"metadata does not conform to SigMF: {complaint}")
    for key in _FACTS:
        value = facts.get(f"core:{key}")
        if isinstance(value, str):
            source.facts.setdefault(key, inert(value, limit=500))
        elif key == "geolocation" and isinstance(value, dict):
            source.facts.setdefault(key, value)
    stored = _stored_type(facts, want, warnings)
    rate = _rate(facts, want, warnings)
    channels = _integer(facts.get("core:num_channels", 1)) or 1
    if channels > 1:
        if channels > 1024:
            raise SourceError(f"core:num_channels of {source.name} is {channels}; up to 1024 can be read")
        warnings.append(f"the recording has {channels} channels; only the first is read")
    _check_hash(source, facts, file, at, size)
    trailing = _integer(facts.get("core:trailing_bytes", 0)) or 0
    frame = stored.frame_bytes * channels
    captures, left = _captures(meta, at, max(size - trailing, 0), frame, warnings)
    if left:
        warnings.append("the last sample is incomplete and left out")
    if not captures:
        raise SourceError(f"{file.path.name} holds no samples")
    _stretches(source, captures, file, stored, rate, channels, want)


def _stored_type(facts: dict[str, Any], want: Declared, warnings: list[str]) -> SampleType:
    name = facts.get("core:datatype")
    if want.sample_type is not None:
        stored = sample_type(want.sample_type)
        if isinstance(name, str) and name.lower() != stored.name:
            warnings.append(
                f"read as {stored.name} as declared, though core:datatype is {inert(name, limit=20)}"
            )
        return stored
    if not isinstance(name, str):
        raise SourceError("core:datatype is missing in the metadata; give --sample-type")
    return sample_type(name)


def _rate(facts: dict[str, Any], want: Declared, warnings: list[str]) -> float:
    stated = facts.get("core:sample_rate")
    if want.rate_hz is not None:
        if stated is not None and stated != want.rate_hz:
            warnings.append(
                f"read at {want.rate_hz:g} samples per second as declared, not as the metadata says"
            )
        return want.rate_hz
    if stated is None:
        raise SourceError("core:sample_rate is missing in the metadata; give --rate")
    return checked_rate(stated, "core:sample_rate in the metadata")


def _check_hash(source: Source, facts: dict[str, Any], file: OpenFile, at: int, size: int) -> None:
    stated = facts.get("core:sha512")
    if not isinstance(stated, str):
        return
    if size > _HASH_UP_TO:
        source.facts["sha512"] = "not checked: more than 64 MiB"
        return
    digest = hashlib.sha512()
    for offset in range(0, size, 1 << 20):
        digest.update(file.read(at + offset, min(1 << 20, size - offset)).data)
    fits = digest.hexdigest() == stated.lower()
    source.facts["sha512"] = "checked" if fits else "wrong"
    if not fits:
        source.warnings.append("the samples do not fit core:sha512: they were changed or cut short")


def _captures(
    meta: dict[str, Any], at: int, size: int, frame: int, warnings: list[str]
) -> tuple[list[_Capture], int]:
    """Give the captures that have samples, and the octets left over at the end.

    Octets of capture i start at all header octets up to and with its own, plus its samples before.
    """
    base = _integer(meta["global"].get("core:offset", 0)) or 0
    stated = []
    for item in meta.get("captures", []):
        start = _integer(item.get("core:sample_start"))
        if start is None or start < base:
            warnings.append("a capture without a usable core:sample_start was left out")
            continue
        stated.append((start - base, item))
    if not stated:
        stated = [(0, {})]
    if any(a[0] > b[0] for a, b in pairwise(stated)):
        warnings.append("captures are not in order; they were sorted")
        stated.sort(key=lambda pair: pair[0])
    if stated[0][0] > 0:
        warnings.append(f"the first {stated[0][0]} samples belong to no capture and were left out")
    out: list[_Capture] = []
    headers = left = 0
    for n, (start, item) in enumerate(stated):
        headers += _integer(item.get("core:header_bytes", 0)) or 0
        offset = headers + start * frame
        there = max(size - offset, 0)
        if n + 1 < len(stated):
            wanted = stated[n + 1][0] - start
            count = min(wanted, there // frame)
        else:
            wanted = count = there // frame
            left = there % frame
        if count < wanted or (count == 0 and wanted == 0 and there == 0):
            warnings.append("the dataset is shorter than its captures say: it was cut short")
        if count == 0:
            continue
        time_ns, resolution_ns = _moment(item.get("core:datetime"), warnings)
        center = item.get("core:frequency")
        if center is not None and not sound_centre(center):
            warnings.append("a core:frequency that is no frequency was ignored")
            center = None
        index = _integer(item.get("core:global_index"))
        out.append(_Capture(start, at + offset, count, center, time_ns, resolution_ns, index))
    return out, left


def _moment(text: object, warnings: list[str]) -> tuple[int | None, int]:
    """Give (ns UTC or None, resolution of the text in ns)."""
    if text is None:
        return None, 0
    if isinstance(text, str):
        match = re.fullmatch(r"\s*[^.]{1,24}?(?:\.(\d*)[^.]*)?", text[:64])
        digits = len(match[1] or "") if match else 0
        zoned = text if re.search(r"([zZ]|[+-]\d\d:\d\d)\s*$", text) else text + "Z"
        try:
            time_ns = parse_time(zoned)
        except ParameterError:
            time_ns = -1
        if 0 <= time_ns <= LATEST_NS:
            if zoned is not text:
                warnings.append("a core:datetime without zone was taken as UTC")
            return time_ns, 10 ** max(9 - digits, 0)
    warnings.append("a core:datetime that is no time between 1970 and 2262 was ignored")
    return None, 0


def _follows(before: _Capture, capture: _Capture, rate_hz: float) -> bool:
    """Say whether the clock goes on from one capture to the next without a gap."""
    samples = capture.start - before.start
    if capture.global_index is not None and before.global_index is not None:
        return capture.global_index - before.global_index == samples
    if capture.time_ns is None:
        return True
    if before.time_ns is None:
        return False
    elapsed_ns = samples / rate_hz * 1e9
    slack_ns = 5e5 + 1e-4 * elapsed_ns + max(before.resolution_ns, capture.resolution_ns)
    return abs(capture.time_ns - before.time_ns - elapsed_ns) <= slack_ns


def _stretches(
    source: Source,
    captures: list[_Capture],
    file: OpenFile,
    stored: SampleType,
    rate_hz: float,
    channels: int,
    want: Declared,
) -> None:
    """Join captures that go on and append what is left as stretches."""
    frame = stored.frame_bytes * channels
    if want.centre_hz is not None and any(c.center_hz not in (None, want.centre_hz) for c in captures):
        source.warnings.append(f"centred on {want.centre_hz:.0f} Hz as declared, not as the metadata says")
    groups: list[list[_Capture]] = []
    for capture in captures:
        if want.centre_hz is not None:
            capture.center_hz = want.centre_hz
        last = groups[-1][-1] if groups else None
        if (
            last
            and (capture.center_hz is None or capture.center_hz == last.center_hz)
            and last.offset + last.count * frame == capture.offset
            and _follows(last, capture, rate_hz)
        ):
            if capture.center_hz is None:
                capture.center_hz = last.center_hz
            groups[-1].append(capture)
        else:
            groups.append([capture])
    unknown_centre: float | None = None
    opening: Stretch | None = None
    first_ns = captures[0].time_ns
    for group in groups:
        head = group[0]
        run = FileRun(file, head.offset, sum(c.count for c in group), stored, channels)
        center = head.center_hz
        if center is None and stored.is_complex:
            if unknown_centre is None:
                unknown_centre = settle_centre(want, source.path, source.warnings)
            center = unknown_centre
        epoch = head.time_ns
        if want.start_ns is not None:
            shift = 0 if epoch is None or first_ns is None else epoch - first_ns
            epoch = want.start_ns + shift if opening is None or epoch is not None else None
        if epoch is None and opening is not None:
            epoch = opening.epoch_ns + round((head.clock - captures[0].clock) / rate_hz * 1e9)
        if epoch is None:
            total = sum(c.count for c in captures)
            epoch, known = settle_start(want, file.path, total / rate_hz, source.warnings)
            source.facts["start_known"] = known
        real_if = not stored.is_complex and (bool(center) or rate_hz > AUDIO_UP_TO_HZ)
        stretch = Stretch(
            run,
            kind="iq" if stored.is_complex or real_if else "audio",
            rate_hz=rate_hz / 2 if real_if else rate_hz,
            center_hz=float(center or 0.0) + (rate_hz / 4 if real_if else 0.0),
            epoch_ns=epoch,
            type=stored,
            index=len(source.stretches),
            real_if=real_if,
            first=head.start,
        )
        source.stretches.append(stretch)
        opening = opening or stretch
