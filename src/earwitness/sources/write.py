"""SigMF recordings out: evidence snippets and scenes, one growing dataset with its metadata.

The dataset is written first and (while recording) forced to the disk, then the metadata replaces its predecessor in one
step: at any moment the metadata describes samples that are there. The SHA-512 is carried along, so that
a flush costs no second reading. Format: SigMF specification 1.2.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from earwitness.core.errors import LogError, StorageError
from earwitness.core.text import inert
from earwitness.core.times import format_time
from earwitness.core.types import Samples
from earwitness.sources.sample_type import sample_type as stored_type

_LENGTH_KEY = "earwitness:sample_count"
_PIECE = 1 << 16  # samples made into octets at a time


@lru_cache(64)
def _second(second: int) -> str:
    """Give the text of a time up to the point after its seconds."""
    return format_time(second * 1_000_000_000)[:-7]


@dataclass(frozen=True, slots=True)
class Note:
    """An annotation: samples `start` to `start + count` of what is appended, edges absolute in Hz."""

    start: int
    count: int
    low_hz: float | None = None
    high_hz: float | None = None
    label: str = ""
    comment: str = ""


class SigmfAppender:
    """One recording that grows: many captures of one rate and one sample type.

    `stem` is the path without extension; `facts` are global core values without their prefix
    (description, hw, author, ...). With `resume` an existing recording of the same rate and type is
    continued; octets beyond what its metadata describes (a crash) are cut off. LogError when the disk
    refuses or the existing recording does not fit.
    """

    def __init__(
        self,
        stem: str | Path,
        *,
        rate_hz: float,
        sample_type: str = "ci16_le",
        facts: Mapping[str, Any] | None = None,
        resume: bool = False,
    ):
        self._type = stored_type(sample_type)
        self.data_path = Path(f"{stem}.sigmf-data")
        self.meta_path = Path(f"{stem}.sigmf-meta")
        self.count = 0
        self._hash = hashlib.sha512()
        self._meta: dict[str, Any] = {
            "global": {
                "core:datatype": self._type.name,
                "core:sample_rate": rate_hz,
                "core:version": "1.2.0",
                "core:recorder": "Earwitness",
                "core:num_channels": 1,
                "core:extensions": [{"name": "earwitness", "version": "1.0.0", "optional": True}],
                **{f"core:{key}": value for key, value in (facts or {}).items()},
            },
            "captures": [],
            "annotations": [],
        }
        try:
            if resume and self.meta_path.exists():
                self._take_up()
                self._file = open(self.data_path, "r+b", buffering=0)  # noqa: SIM115 - closed by close()
                self._file.truncate(self.count * self._type.frame_bytes)
                self._file.seek(0, os.SEEK_END)
            else:
                self.meta_path.unlink(missing_ok=True)
                self._file = open(self.data_path, "wb", buffering=0)  # noqa: SIM115 - closed by close()
        except OSError as error:
            raise StorageError(f"{self.data_path.name} cannot be written: {error.strerror}") from error

    def _take_up(self) -> None:
        """Load the existing metadata and count its samples again into the hash."""
        try:
            meta = json.loads(self.meta_path.read_bytes())
            same = all(
                meta["global"].get(key) == self._meta["global"][key]
                for key in ("core:datatype", "core:sample_rate")
            )
            count = int(meta["global"][_LENGTH_KEY])
            size = self.data_path.stat().st_size
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            raise LogError(f"{self.meta_path.name} cannot be continued: it is damaged") from error
        if not same or not 0 <= count * self._type.frame_bytes <= size:
            raise LogError(f"{self.meta_path.name} cannot be continued: its rate, type or length is another")
        self._meta, self.count = meta, count
        left = count * self._type.frame_bytes
        with open(self.data_path, "rb") as file:
            while left and (octets := file.read(min(left, 1 << 20))):
                self._hash.update(octets)
                left -= len(octets)

    def append(
        self,
        samples: np.ndarray,
        *,
        center_hz: float | None = None,
        epoch_ns: int | None = None,
        notes: Iterable[Note] = (),
    ) -> int:
        """Write complex64 (or float32 for a real type) samples; give the index of the first.

        With `center_hz` and `epoch_ns` a new capture begins there, without them the last goes on.
        """
        first = self._write(samples)
        if center_hz is not None and epoch_ns is not None:
            self._capture(first, center_hz, epoch_ns)
        self._meta["annotations"] += [_annotation(note, first) for note in notes]
        return first

    def append_captures(self, parts: Sequence[Samples]) -> None:
        """Write many short runs in one go, a capture each."""
        at = self._write(np.concatenate([part.data for part in parts]))
        for part in parts:
            self._capture(at, part.center_hz, part.time_ns())
            at += len(part.data)

    def _write(self, samples: np.ndarray) -> int:
        first, digest = self.count, self._hash.copy()
        try:
            for at in range(0, len(samples), _PIECE):
                octets = self._type.quantise(samples[at : at + _PIECE])
                left = octets.data
                while left:
                    left = left[self._file.write(left) :]
                digest.update(octets.data)
        except OSError as error:
            self._cut_back()
            raise StorageError(f"{self.data_path.name} cannot be written: {error.strerror}") from error
        self._hash = digest
        self.count += len(samples)
        return first

    def _capture(self, first: int, center_hz: float, epoch_ns: int) -> None:
        self._meta["captures"].append(
            {
                "core:sample_start": first,
                "core:frequency": center_hz,
                "core:datetime": f"{_second(epoch_ns // 1_000_000_000)}{epoch_ns % 1_000_000_000:09d}Z",
            }
        )

    def _cut_back(self) -> None:
        """Drop what a failed write left behind, so that the samples stay aligned."""
        try:
            self._file.truncate(self.count * self._type.frame_bytes)
            self._file.seek(0, os.SEEK_END)
        except OSError as error:
            raise StorageError(f"{self.data_path.name} cannot be written: {error.strerror}") from error

    def flush(self, *, force: bool = True) -> None:
        """Force the samples to the disk, then replace the metadata in one step.

        Without `force` nothing waits for the disk: a kill loses nothing, a power cut may.
        """
        self._meta["global"]["core:sha512"] = self._hash.hexdigest()
        self._meta["global"][_LENGTH_KEY] = self.count
        self._meta["annotations"].sort(key=lambda item: item["core:sample_start"])
        text = _in_lines(self._meta)
        passing = f"{self.meta_path}.part"
        try:
            if force:
                os.fsync(self._file.fileno())
            with open(passing, "w", encoding="utf-8") as file:
                file.write(text)
                file.flush()
                if force:
                    os.fsync(file.fileno())
            os.replace(passing, self.meta_path)
        except OSError as error:
            Path(passing).unlink(missing_ok=True)
            raise StorageError(f"{self.meta_path.name} cannot be written: {error.strerror}") from error

    def close(self, *, force: bool = True) -> None:
        """Flush and close; may be called again."""
        if not self._file.closed:
            try:
                self.flush(force=force)
            finally:
                self._file.close()

    def __enter__(self) -> SigmfAppender:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _in_lines(meta: Mapping[str, Any]) -> str:
    """Give metadata as JSON with a line for each of its parts: a library that indents all is slow."""
    return (
        "{\n" + ",\n".join(f"{json.dumps(key)}: {json.dumps(part)}" for key, part in meta.items()) + "\n}\n"
    )


def _annotation(note: Note, first: int) -> dict[str, Any]:
    out: dict[str, Any] = {"core:sample_start": first + note.start, "core:sample_count": note.count}
    if note.low_hz is not None and note.high_hz is not None:
        out |= {"core:freq_lower_edge": note.low_hz, "core:freq_upper_edge": note.high_hz}
    if note.label:
        out["core:label"] = inert(note.label, limit=40)
    if note.comment:
        out["core:comment"] = inert(note.comment, limit=2000)
    return out


def write_sigmf(
    path_stem: str | Path,
    iq: np.ndarray,
    *,
    rate_hz: float,
    center_hz: float,
    epoch_ns: int,
    sample_type: str = "ci16_le",
    annotations: Iterable[Note] = (),
    facts: Mapping[str, Any] | None = None,
) -> Path:
    """Write one recording of one capture, replacing what is there; give the path of its metadata.

    It is not forced to the disk: who needs that forces both files (the evidence store does).
    """
    out = SigmfAppender(path_stem, rate_hz=rate_hz, sample_type=sample_type, facts=facts)
    try:
        out.append(iq, center_hz=center_hz, epoch_ns=epoch_ns, notes=annotations)
    finally:
        out.close(force=False)
    return out.meta_path
