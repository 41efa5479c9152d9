"""Open a recording of any readable kind: what it is is told by its first octets, then by its name."""

from __future__ import annotations

import re
from contextlib import suppress
from pathlib import Path

from earwitness.core.errors import SourceError
from earwitness.core.text import inert
from earwitness.sources.declared import (
    AUDIO_UP_TO_HZ,
    Declared,
    checked_rate,
    declared,
    settle_centre,
    settle_start,
)
from earwitness.sources.flac_file import FlacRun
from earwitness.sources.names import regular_file
from earwitness.sources.sample_type import SampleType, sample_type
from earwitness.sources.sigmf_file import open_archive, open_pair, streams_of
from earwitness.sources.stretch import FileRun, OpenFile, Run, Source, Stretch, content_id, look_over
from earwitness.sources.wave_file import is_wave, open_wave

_TYPE_IN_NAME = re.compile(r"(?<![a-z0-9])[cr][uisf](?:8|16|24|32|64)(?:_[lb]e)?(?![a-z0-9])", re.IGNORECASE)


def open_source(
    path_text: str | Path,
    *,
    rate_hz: float | None = None,
    centre_hz: float | None = None,
    sample_type: str | None = None,
    start: str | None = None,
) -> Source:
    """Open a recording and give its stretches; nothing but a few places of it is read yet.

    SigMF (.sigmf-meta, .sigmf-data, .sigmf), WAVE and FLAC describe themselves; a raw file needs
    `rate_hz` (samples per second), `centre_hz` and `sample_type`, and takes `start` (RFC 3339). Where
    given for a file that describes itself, the given values win, with a warning; not so for a .sigmf-data, which
    would be taken for raw samples by mistake. SourceError in one plain sentence when nothing can be read; lesser
    faults are in `Source.warnings`.
    """
    want = declared(rate_hz, centre_hz, sample_type, start)
    path = regular_file(path_text)
    suffix = path.suffix.lower()
    if suffix == ".sigmf":
        source = open_archive(path, want)
    elif suffix == ".sigmf-collection":
        raise SourceError(f"{path.name} is a collection; open the recordings it names (`recordings_in`)")
    elif suffix == ".sigmf-meta" or (suffix == ".sigmf-data" and not _all_declared(path, want)):
        source = open_pair(path, want)
        if suffix == ".sigmf-data" and want != Declared():
            _refuse_contradiction(path, source)
    else:
        source = _open_other(path, want)
    source.name = inert(source.name, limit=200)
    if not any(stretch.count for stretch in source.stretches):
        raise SourceError(f"{path.name} holds no samples; was the recording cut off?")
    look_over(source)
    source.warnings = list(dict.fromkeys(source.warnings))
    source.content_id = _identify(source)
    return source


def recordings_in(path_text: str | Path) -> list[str | Path]:
    """Give the recordings that a path names: those of a .sigmf-collection, else itself."""
    if not str(path_text).lower().endswith(".sigmf-collection"):
        return [path_text]
    return list(streams_of(regular_file(path_text)))


def _all_declared(path: Path, want: Declared) -> bool:
    """Say whether a dataset that lost its metadata can be read as declared."""
    there = path.with_suffix(".sigmf-meta").is_file()
    return not there and want.rate_hz is not None and want.sample_type is not None


def _open_other(path: Path, want: Declared) -> Source:
    """Open WAVE, FLAC, or else a raw file as declared."""
    source = Source(path.stem, path, [])
    file = OpenFile(path)
    if file.size == 0:
        raise SourceError(f"{path.name} is empty; was the recording cut off?")
    head = file.read(0, 12).tobytes()
    raw = want.sample_type is not None and path.suffix.lower() not in (".wav", ".flac", ".rf64", ".bw64")
    run: Run
    if is_wave(head) and not raw:
        wave, stated = open_wave(file, source.warnings)
        run, stored = wave, wave.sample_type
    elif head[:4] == b"fLaC" and not raw:
        flac = FlacRun(path)
        run, stored, stated = flac, flac.sample_type, flac.rate_hz
        if not flac.is_sound() and (lost := flac.keep_what_is_sound()):
            source.warnings.append(
                f"the file is damaged or was cut short: its last {lost} samples are left out"
            )
    elif path.suffix.lower() in (".wav", ".flac"):
        raise SourceError(
            f"{path.name} is not what its name says: it does not begin like a WAVE or FLAC file"
        )
    else:
        stored = _raw_type(path, want, source.warnings)
        if want.rate_hz is None:
            raise SourceError(f"{path.name} does not say its rate; give --rate, --centre and --sample-type")
        stated = 0
        if file.size % stored.frame_bytes:
            source.warnings.append("the last sample is incomplete and left out")
        run = FileRun(file, 0, file.size // stored.frame_bytes, stored)
    _append(source, run, stored, stated, want)
    return source


def _raw_type(path: Path, want: Declared, warnings: list[str]) -> SampleType:
    """Give the sample type as declared, else by the suffix, else the one that stands in the name."""
    if want.sample_type is not None:
        return sample_type(want.sample_type)
    with suppress(SourceError):
        return sample_type(path.suffix.lstrip("."))
    named = {text.lower() for text in _TYPE_IN_NAME.findall(path.stem)}
    if len(named) == 1:
        with suppress(SourceError):
            stored = sample_type(named.pop())
            warnings.append(f"the sample type {stored.name} was taken from the file name")
            return stored
    raise SourceError(
        f"{path.name} does not say what its samples are; give --rate, --centre and --sample-type"
    )


def _append(source: Source, run: Run, stored: SampleType, stated_hz: int, want: Declared) -> None:
    """Add the one stretch of a file without captures; two components are I/Q, one is audio, if not too fast for it."""
    if run.count == 0:
        raise SourceError(f"{source.path.name} holds no samples; was the recording cut off?")
    rate_hz = want.rate_hz
    if rate_hz is None:
        rate_hz = checked_rate(stated_hz, f"the rate in the header of {source.path.name}")
    elif stated_hz and stated_hz != rate_hz:
        source.warnings.append(
            f"read at {rate_hz:g} samples per second as declared, not {stated_hz} as in the file"
        )
    if stored.is_complex:
        center_hz = settle_centre(want, source.path, source.warnings)
    else:
        center_hz = want.centre_hz or 0.0
    epoch_ns, known = settle_start(want, source.path, run.count / rate_hz, source.warnings)
    source.facts["start_known"] = known
    real_if = not stored.is_complex and rate_hz > AUDIO_UP_TO_HZ
    if real_if:
        source.warnings.append(
            "real samples this fast are read as an intermediate frequency from 0 Hz (--centre) up"
        )
        rate_hz /= 2
        center_hz += rate_hz / 2
    kind = "iq" if stored.is_complex or real_if else "audio"
    source.stretches.append(Stretch(run, kind, rate_hz, center_hz, epoch_ns, stored, real_if=real_if))


def _identify(source: Source) -> str:
    """Give the content id: whether it was declared how the samples are read, or the file says so, is the same."""
    run = source.stretches[0].run
    file = run.file if isinstance(run, FileRun) else OpenFile(source.path)
    return content_id(file, {"stretches": _reading(source)})


def _reading(source: Source) -> list[tuple[object, ...]]:
    """Give how the samples are read; a start that is only guessed from the file's date does not count."""
    known = source.facts.get("start_known", True)
    return [
        (s.kind, s.rate_hz, s.center_hz, s.count, s.sample_type, s.epoch_ns if known else None)
        for s in source.stretches
    ]


def _refuse_contradiction(path: Path, source: Source) -> None:
    """Refuse samples that are declared to be other than the metadata beside them says: they would count twice."""
    try:
        stated = open_pair(path, Declared())
    except SourceError:
        return  # the metadata lacks what was declared
    if _reading(stated) != _reading(source):
        meta = path.with_suffix(".sigmf-meta").name
        raise SourceError(
            f"{path.name} has metadata beside it that says otherwise: leave out --rate, --centre, --sample-type and"
            f" --start, or give {meta} with them where it is wrong"
        )
