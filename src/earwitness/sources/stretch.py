"""Source: one recording. Stretch: one continuous run of its samples, read at any place.

Samples are read with plain positioned reads of just what was asked, not through a memory map: it is as
fast (bench_sources.py), the pages never count as ours, so that resident memory stays the same for any
length of file, and a file that shrinks while it is read gives fewer samples instead of killing the
process.
"""

from __future__ import annotations

import hashlib
import json
import threading
import weakref
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from earwitness.core.errors import ParameterError, SourceError
from earwitness.core.types import Samples
from earwitness.dsp.filters import lowpass
from earwitness.sources.sample_type import SampleType

_HASH_WHOLE = 8 << 20
_HASH_EDGE = 1 << 20
_HASH_BLOCK = 1 << 16
_HASH_BLOCKS = 64
MOST_SAMPLES = 1 << 26  # in one read


class Run(Protocol):
    """Where the native numbers of one stretch come from; `count` frames of them."""

    @property
    def count(self) -> int:
        """Frames in the run."""

    def native(self, start: int, count: int) -> np.ndarray:
        """Give native numbers shape (n, components); start and count lie inside the run."""


class OpenFile:
    """A file read at any place by any thread; closed when the last run that uses it goes."""

    def __init__(self, path: Path):
        self.path = path
        try:
            self._file = open(path, "rb", buffering=0)  # noqa: SIM115 - closed by the finaliser
            self.size = path.stat().st_size
        except OSError as error:
            raise SourceError(f"{path.name} cannot be read: {error.strerror}") from error
        self._lock = threading.Lock()
        self.close = weakref.finalize(self, self._file.close)

    def read(self, offset: int, count: int) -> np.ndarray:
        """Give uint8 shape (n,) from `offset`; fewer at the end. SourceError when the medium fails."""
        out = np.empty(max(0, min(count, self.size - offset)), np.uint8)
        done = 0
        try:
            with self._lock:
                self._file.seek(offset)
                while done < len(out):
                    got = self._file.readinto(out.data[done:])
                    if not got:
                        break
                    done += got
        except (OSError, ValueError) as error:
            raise SourceError(f"{self.path.name} cannot be read at byte {offset}: {error}") from error
        return out[:done]


@dataclass(frozen=True)
class FileRun:
    """Frames lying one after the other in a file. Of several interleaved channels it gives the first."""

    file: OpenFile
    offset: int
    count: int
    sample_type: SampleType
    channels: int = 1

    def native(self, start: int, count: int) -> np.ndarray:
        """Give native numbers shape (n, components), fewer when the file has become shorter."""
        each = self.sample_type.frame_bytes
        stride = each * self.channels
        octets = self.file.read(self.offset + start * stride, count * stride)
        octets = octets[: len(octets) // stride * stride]
        if self.channels > 1:
            octets = np.ascontiguousarray(octets.reshape(-1, stride)[:, :each]).reshape(-1)
        return self.sample_type.native(octets)


@dataclass
class Stretch:
    """One continuous run of samples at one rate and one centre.

    Real samples of an intermediate frequency (`real_if`) come out as I/Q at half their rate, centred a
    quarter of their rate above the frequency that stands for their 0 Hz.
    """

    run: Run
    kind: str  # "iq" or "audio"
    rate_hz: float
    center_hz: float
    epoch_ns: int
    type: SampleType
    index: int = 0
    real_if: bool = False
    first: int = 0  # index of its first sample among all that are stored
    bad_samples: int = 0  # not finite, so far as read

    @property
    def count(self) -> int:
        """Samples in the stretch, as `read` gives them."""
        return self.run.count // 2 if self.real_if else self.run.count

    @property
    def sample_type(self) -> str:
        """Name of the stored type, e.g. "cu8"."""
        return self.type.name

    @property
    def stored_rate_hz(self) -> float:
        """Rate of the samples as they are stored."""
        return self.rate_hz * (2 if self.real_if else 1)

    @property
    def stored_center_hz(self) -> float:
        """What 0 Hz of the samples as they are stored stands for."""
        return self.center_hz - (self.rate_hz / 2 if self.real_if else 0.0)

    @property
    def full_scale(self) -> tuple[float, float]:
        """Lowest and highest native code: samples there are clipped. (-1, 1) for floating point."""
        return self.type.full_scale

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.count / self.rate_hz

    def native(self, start: int, count: int) -> np.ndarray:
        """Give the stored numbers shape (n, 2) or (n, 1), fewer at the end."""
        start, count = _within(start, count, self.run.count)
        return self.run.native(start, count)

    def read(self, start: int, count: int) -> np.ndarray:
        """Give samples complex64 (I/Q) or float32 (audio) shape (n,), full scale 1.0, fewer at the end.

        ParameterError when start or count is negative or count above 67 million.
        """
        start, count = _within(start, count, self.count)
        if self.real_if:
            return self._read_real_if(start, count)
        samples, bad = self.type.convert(self.run.native(start, count))
        self.bad_samples += bad
        return samples

    def blocks(self, size: int = 65536) -> Iterator[Samples]:
        """Give the whole stretch in consecutive Samples of `size` (the last one shorter)."""
        start = 0
        while start < self.count:
            data = self.read(start, size)
            if len(data) == 0:
                return
            yield Samples(data, self.rate_hz, self.center_hz, start, self.epoch_ns)
            start += len(data)

    def _read_real_if(self, start: int, count: int) -> np.ndarray:
        """Shift by a quarter of the rate, keep the upper half band, take every second sample.

        Of the shifted sequence the even samples are real and the odd ones imaginary, so the half-band
        filter (whose even taps but the middle one are zero) only touches the imaginary part.
        """
        reach = len(_HALF_BAND)  # pairs of samples on each side
        low = 2 * start - reach
        first = max(low, 0)
        want = 2 * (start + count) + reach - first
        real, bad = self.type.convert(self.run.native(first, min(want, self.run.count - first)))
        self.bad_samples += bad
        padded = np.zeros(2 * count + 2 * reach, np.float32)
        padded[first - low : first - low + len(real)] = real
        signs = np.where((np.arange(low, low + len(padded)) // 2) % 2, -1, 1).astype(np.float32)
        turned = padded * signs  # (-j)^n is 1, -j, -1, j
        out = np.empty(count, np.complex64)
        out.real = turned[reach : reach + 2 * count : 2]
        odd = turned[1::2][: count + reach - 1]
        out.imag = -np.convolve(odd, _HALF_BAND, "valid")
        return out


def _half_band() -> np.ndarray:
    taps = lowpass(0.25, 0.06, 1.0, stop_db=75.0)
    middle = len(taps) // 2
    odd = taps[(middle + 1) % 2 :: 2]
    return (odd / odd.sum()).astype(np.float32)


_HALF_BAND = _half_band()


def _within(start: int, count: int, total: int) -> tuple[int, int]:
    if start < 0 or count < 0 or count > MOST_SAMPLES:
        raise ParameterError(f"cannot read {count} samples from {start}: give 0 to {MOST_SAMPLES} from 0 on")
    start = min(start, total)
    return start, min(count, total - start)


@dataclass
class Source:
    """One recording: its stretches in order of the file, facts about it, and what is wrong with it."""

    name: str
    path: Path
    stretches: list[Stretch]
    facts: dict[str, Any] = field(default_factory=dict)
    warnings: list[str] = field(default_factory=list)
    content_id: str = ""


def content_id(file: OpenFile, reading: Mapping[str, Any]) -> str:
    """Give an id of the recording's content in 40 hexadecimal digits.

    SHA-256 over the file's length, its octets and how they are read (type, rate, centre, times).
    Up to 8 MiB all octets count; above it the first and last MiB and 64 blocks of 64 KiB evenly between,
    so that a file of any size is known in milliseconds. Two recordings of equal length that differ only
    between those blocks would be taken for one; samples with noise in them do not.
    """
    digest = hashlib.sha256(json.dumps({"size": file.size, **reading}, sort_keys=True).encode())
    if file.size <= _HASH_WHOLE:
        digest.update(file.read(0, file.size).data)
    else:
        digest.update(file.read(0, _HASH_EDGE).data)
        for n in range(_HASH_BLOCKS):
            digest.update(
                file.read((file.size - _HASH_BLOCK) * (n + 1) // (_HASH_BLOCKS + 1), _HASH_BLOCK).data
            )
        digest.update(file.read(file.size - _HASH_EDGE, _HASH_EDGE).data)
    return digest.hexdigest()[:40]


def look_over(source: Source) -> None:
    """Add warnings for samples that look wrong in a few places: constant, not finite, far over scale."""
    for stretch in source.stretches[:4]:
        size = min(4096, stretch.run.count)
        starts = sorted({(stretch.run.count - size) * n // 7 for n in range(8)})
        native = np.concatenate([stretch.run.native(start, size) for start in starts])
        where = f"stretch {stretch.index}: " if len(source.stretches) > 1 else ""
        if native.size == 0:
            continue
        if native.min() == native.max():
            source.warnings.append(f"{where}every sample looked at is {native.flat[0]}: nothing was recorded")
        if native.dtype.kind == "f":
            finite = np.isfinite(native)
            if not finite.all():
                part = 100 * (1 - finite.mean())
                source.warnings.append(
                    f"{where}{part:.3g} % of the samples looked at are not numbers; taken as 0"
                )
            top = float(np.max(np.abs(native[finite]), initial=0.0))
            if top > 16:
                source.warnings.append(
                    f"{where}samples reach {top:.3g} where full scale is 1: levels will be off; "
                    "is the sample type right?"
                )
