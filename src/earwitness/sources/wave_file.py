"""RIFF/WAVE, RF64 and BW64 files: two channels are I/Q, one channel is audio.

Chunks by the "Multimedia Programming Interface and Data Specifications 1.0" (RIFF, WAVE), EBU Tech
3306 (RF64) and ITU-R BS.2088 (BW64, ds64); WAVE_FORMAT_EXTENSIBLE by its sub-format GUID, whose first
two octets are the format tag. From memory of those texts.
"""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass

from earwitness.core.errors import SourceError
from earwitness.sources.sample_type import SampleType, sample_type, wave_8bit
from earwitness.sources.stretch import FileRun, OpenFile

_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
_SUBFORMAT_TAIL = bytes.fromhex("000000001000800000aa00389b71")
_UNKNOWN_SIZE = 0xFFFFFFFF
_MOST_CHUNKS = 1000
_MOST_STRAY = 4096  # octets after the last chunk that are no samples (a tag, padding)


@dataclass(frozen=True, slots=True)
class _Format:
    tag: int
    channels: int
    rate_hz: int
    frame_bytes: int
    bits: int

    @property
    def stored_bits(self) -> int:
        """Bits that one number takes in the file: those of PCM stand at the upper end of as many octets as a frame has."""
        container = 8 * self.frame_bytes // self.channels if self.channels else 0
        return container if self.tag == _PCM and self.bits > 8 and container > self.bits else self.bits


def is_wave(head: bytes) -> bool:
    """Say whether the first 12 octets of a file are those of a WAVE file."""
    return head[:4] in (b"RIFF", b"RF64", b"BW64") and head[8:12] == b"WAVE"


def open_wave(file: OpenFile, warnings: list[str]) -> tuple[FileRun, int]:
    """Give (run, rate in Hz) of the data chunk; SourceError for what is no two- or one-channel PCM."""
    name = file.path.name
    form: _Format | None = None
    data_size_64: int | None = None
    at = 12
    for _ in range(_MOST_CHUNKS):
        head = file.read(at, 8).tobytes()
        if len(head) < 8:
            break
        tag, size = head[:4], int.from_bytes(head[4:], "little")
        at += 8
        if tag == b"ds64":
            body = file.read(at, 24).tobytes()
            if len(body) == 24:
                data_size_64 = struct.unpack("<8xQ8x", body)[0]
        elif tag == b"fmt ":
            form = _format(file.read(at, min(size, 40)).tobytes(), name)
        elif tag == b"data":
            if form is None:
                raise SourceError(f"{name} has samples before their description; write it again as WAVE")
            if size == _UNKNOWN_SIZE and data_size_64 is not None:
                size = data_size_64
            elif size not in (0, _UNKNOWN_SIZE) and (beyond := _samples_beyond(file, at + size)):
                warnings.append(
                    f"the samples go on for {beyond} bytes beyond the length in the WAVE header (more than 4 GiB, "
                    "or a recorder that was killed?); read to the end"
                )
                size += beyond
            return _data(file, at, size, form, warnings), form.rate_hz
        at += size + (size & 1)
    missing = "description of samples" if form is None else "samples"
    raise SourceError(f"{name} is a WAVE file without {missing}: it was cut short or is damaged")


def _samples_beyond(file: OpenFile, end: int) -> int:
    """Give how many octets follow the data chunk that belong to no other chunk."""
    left = file.size - end
    head = file.read(end + (end & 1), 8).tobytes()
    size = int.from_bytes(head[4:], "little")
    is_chunk = re.fullmatch(rb"[A-Za-z0-9_ ]{4}", head[:4]) is not None and size <= left
    return 0 if left <= _MOST_STRAY or is_chunk else left


def _format(body: bytes, name: str) -> _Format:
    if len(body) < 16:
        raise SourceError(f"{name} is a WAVE file whose description was cut short")
    tag, channels, rate_hz, _, frame_bytes, bits = struct.unpack("<HHIIHH", body[:16])
    if tag == _EXTENSIBLE and len(body) >= 40 and body[26:40] == _SUBFORMAT_TAIL:
        tag = int.from_bytes(body[24:26], "little")
    return _Format(tag, channels, rate_hz, frame_bytes, bits)


def _stored_type(form: _Format, name: str) -> SampleType:
    pair = form.channels == 2
    letter = "c" if pair else "r"
    if form.channels not in (1, 2):
        raise SourceError(f"{name} has {form.channels} channels; two (I/Q) or one (audio) can be read")
    if form.tag == _PCM and form.bits == 8:
        return wave_8bit(pair)
    if form.tag == _PCM and form.stored_bits in (16, 24, 32):
        return sample_type(f"{letter}i{form.stored_bits}")
    if form.tag == _FLOAT and form.bits in (32, 64):
        return sample_type(f"{letter}f{form.bits}")
    raise SourceError(
        f"{name} holds WAVE format {form.tag} with {form.bits} bits; "
        "PCM of 8, 16, 24 or 32 bits and floating point can be read"
    )


def _data(file: OpenFile, at: int, size: int, form: _Format, warnings: list[str]) -> FileRun:
    stored = _stored_type(form, file.path.name)
    there = file.size - at
    if size in (0, _UNKNOWN_SIZE):
        if there > 0:
            warnings.append(
                "the WAVE header does not give the length (was recording cut off?); read to the end"
            )
        size = there
    elif size > there:
        warnings.append(f"the file was cut short: {there} of {size} bytes of samples are there")
        size = there
    if size % stored.frame_bytes:
        warnings.append("the last sample is incomplete and left out")
    return FileRun(file, at, size // stored.frame_bytes, stored)
