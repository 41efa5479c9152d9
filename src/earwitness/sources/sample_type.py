"""How numbers lie in a file, and their conversion to full scale 1.0 at memory speed.

Names follow SigMF: `c` or `r` (complex pairs or real), then u, i or f with the width in bits, then
`_le` or `_be`; `s` for signed is accepted for `i`, as recorders name their raw files that way.

Zero of unsigned types is half-way between the two middle codes (127.5 for 8 bit), since SigMF leaves it
open and a receiver's converter is symmetric about it: codes 0 and 255 are then -1.0 and +1.0. The mean
of the open recordings agrees with their stated offset to 0.002 codes that way, and would be 0.5 off
with 128. An 8-bit WAVE file is the exception: its own specification puts zero at 128. Signed integers
are divided by 2^(bits-1). Not-a-number, infinite and absurd values become zero and are counted.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from earwitness.core.errors import ParameterError, SourceError
from earwitness.dsp.jit import kernel

TOP = 2.0**24  # times full scale: what 24-bit codes written as floating point reach
_NAME = re.compile(r"([cr])([uisf])(8|16|24|32|64)(?:_(le|be))?")
ACCEPTED = "cu8 cs8 cu16 cs16 cs24 cu32 cs32 cf32 cf64 (SigMF names too; _be for big-endian; r… for real)"


@dataclass(frozen=True, slots=True)
class SampleType:
    """The type of one sample. `dtype` is one component as stored; None means packed 24 bit."""

    name: str
    is_complex: bool
    dtype: np.dtype | None
    zero: float
    gain: float

    @property
    def components(self) -> int:
        """Numbers in one sample."""
        return 2 if self.is_complex else 1

    @property
    def frame_bytes(self) -> int:
        """Octets of one sample."""
        return (3 if self.dtype is None else self.dtype.itemsize) * self.components

    @property
    def full_scale(self) -> tuple[float, float]:
        """Lowest and highest native code; -1.0 and 1.0 for floating point."""
        if self.dtype is not None and self.dtype.kind == "f":
            return -1.0, 1.0
        if self.dtype is None:
            return -(2.0**23), 2.0**23 - 1
        info = np.iinfo(self.dtype)
        return float(info.min), float(info.max)

    def native(self, octets: np.ndarray) -> np.ndarray:
        """Give uint8 octets shape (n * frame_bytes,) as native numbers shape (n, components)."""
        if self.dtype is None:
            flat = _unpack24(octets)
        else:
            flat = octets.view(self.dtype)
            if not self.dtype.isnative:
                flat = flat.astype(self.dtype.newbyteorder("="))
        return flat.reshape(-1, self.components)

    def convert(self, native: np.ndarray) -> tuple[np.ndarray, int]:
        """Give (samples, bad): complex64 or float32 shape (n,), and how many were no sample.

        A sample is finite and at most 2^24 times full scale: above that powers of powers overflow, and
        nothing but a wrong sample type gives such numbers.
        """
        flat = np.ascontiguousarray(native).reshape(-1)
        bad = 0
        if flat.dtype.kind == "f":
            with np.errstate(over="ignore", invalid="ignore"):
                out = flat.astype(np.float32)
            if _count_unusable(out.view(np.uint32)):
                usable = np.abs(out.reshape(-1, self.components)) <= TOP  # not-a-number is not
                unusable = ~usable.all(axis=1)
                out.reshape(-1, self.components)[unusable] = 0.0
                bad = int(unusable.sum())
        else:
            out = np.empty(len(flat), np.float32)
            _scale(flat, out, np.float32(self.zero), np.float32(self.gain))
        return (out.view(np.complex64) if self.is_complex else out), bad

    def quantise(self, samples: np.ndarray) -> np.ndarray:
        """Give the octets (uint8) of complex64 or float32 samples: rounded, clipped at full scale."""
        flat = np.ascontiguousarray(samples).view(np.float32)
        if self.dtype is None:
            raise ParameterError("24-bit samples can be read but not written; choose 16 or 32 bits")
        if self.dtype.kind == "f":
            return flat.astype(self.dtype).view(np.uint8)
        low, high = self.full_scale
        steps = flat * (1.0 / self.gain) if self.dtype.itemsize < 4 else flat.astype(float) / self.gain
        codes = np.rint(steps + self.zero)
        return np.clip(codes, low, high).astype(self.dtype).view(np.uint8)


def sample_type(name: str) -> SampleType:
    """Give the type called `name` (any case); SourceError names the accepted ones."""
    match = _NAME.fullmatch(name.strip().lower())
    if match:
        form, sign, width_text, order = match.groups()
        width = int(width_text)
        sign = "i" if sign == "s" else sign
        sound = width in (32, 64) if sign == "f" else width <= 32
        if sound and not (width == 24 and (sign == "u" or order == "be")):
            order = "be" if order == "be" else "le"
            clean = f"{form}{sign}{width}" + (f"_{order}" if width > 8 else "")
            dtype = None
            if width != 24:
                dtype = np.dtype((">" if order == "be" else "<") + sign + str(width // 8))
            half = 2.0 ** (width - 1)
            zero = half - 0.5 if sign == "u" else 0.0
            gain = 1.0 if sign == "f" else 1 / zero if zero else 1 / half
            return SampleType(clean, form == "c", dtype, zero, gain)
    raise SourceError(f"{name!r:.40} is not a sample type; use one of {ACCEPTED}")


def wave_8bit(is_complex: bool) -> SampleType:
    """Give the 8-bit type of WAVE files, whose zero is code 128."""
    return SampleType("cu8" if is_complex else "ru8", is_complex, np.dtype("u1"), 128.0, 1 / 128.0)


_INTEGERS = ("uint8", "int8", "uint16", "int16", "uint32", "int32")


@kernel(*[f"void({name}[::1], float32[::1], float32, float32)" for name in _INTEGERS], fastmath=True)
def _scale(codes: np.ndarray, out: np.ndarray, zero: float, gain: float) -> None:
    for i in range(len(codes)):
        out[i] = (np.float32(codes[i]) - zero) * gain


@kernel("uint32(uint32[::1])")
def _count_unusable(words: np.ndarray) -> np.uint32:
    """Count float32 words beyond TOP, infinite or not a number: their bits compare like integers."""
    count = np.uint32(0)
    for i in range(len(words)):
        count += np.uint32((words[i] & np.uint32(0x7FFFFFFF)) > np.uint32(0x4B800000))
    return count


@kernel("int32[::1](uint8[::1])")
def _unpack24(octets: np.ndarray) -> np.ndarray:
    out = np.empty(len(octets) // 3, np.int32)
    for i in range(len(out)):
        word = np.uint32(octets[3 * i]) << np.uint32(8)
        word |= np.uint32(octets[3 * i + 1]) << np.uint32(16)
        word |= np.uint32(octets[3 * i + 2]) << np.uint32(24)
        out[i] = np.int32(word) >> np.int32(8)
    return out
