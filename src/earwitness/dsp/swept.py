"""Lines whose frequency drifts: found by trying drifts, a stretch cut into blocks that overlap by half.

Each of some drifts is taken out of the whole stretch; the powers of its blocks' spectra are added up along what
drift then remains, for many of them, so that only a few sets of transforms are made. Where the power is sharpest,
that is the drift. Adding powers costs about 2 dB against one transform of the whole with the right drift
taken out, of which many hundreds would be needed.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np

from earwitness.dsp import fft
from earwitness.dsp.jit import kernel
from earwitness.dsp.spectra import NARROWED, hann, narrowed

HALVES = 16  # half blocks of a stretch
BLOCKS = HALVES - 1
MEDIAN = 0.977  # of the mean power of noise in BLOCKS that overlap by half, over its mean
COARSE = 2.0  # steps of what is taken out, in bins a block
SMOOTH = 16  # bins either side, of the floor
FINER = 12  # steps either side of a drift as found


@kernel("float64(complex64[::1], float64, float64, float64, complex64[::1])")
def slid(x: np.ndarray, turns: float, cycles: float, bend: float, out: np.ndarray) -> float:
    """out[n] = x[n] turned back by `turns` and by `cycles` a sample that grow by `bend` a sample; gives turns after it."""
    for at in range(0, len(x), 64):
        part, made = x[at : at + 64], out[at : at + 64]
        angle = -2 * np.pi * ((turns + at * (cycles + 0.5 * bend * at)) % 1.0)
        step = -2 * np.pi * (cycles + bend * (at + 0.5))
        rotor = complex(np.cos(angle), np.sin(angle))
        turn = complex(np.cos(step), np.sin(step))
        more = complex(np.cos(2 * np.pi * bend), -np.sin(2 * np.pi * bend))
        for n in range(len(part)):
            made[n] = part[n] * rotor
            rotor *= turn
            turn *= more
    count = len(x)
    return (turns + count * (cycles + 0.5 * bend * count)) % 1.0


def unswept(values: np.ndarray, bend: float) -> np.ndarray:
    """Give complex64 (n,) with a drift of `bend` cycles a sample, each sample, about its middle taken out."""
    out = np.empty(len(values), np.complex64)
    middle = len(values) // 2
    slid(np.ascontiguousarray(values, np.complex64), 0.5 * bend * middle * middle, -bend * middle, bend, out)
    return out


@kernel("void(complex64[::1], int64, float32[::1], complex64[:,::1])", fastmath=True)
def _blocks(values: np.ndarray, hop: int, window: np.ndarray, out: np.ndarray) -> None:
    for row in range(len(out)):
        part = values[row * hop : row * hop + 2 * hop]
        for n in range(2 * hop):
            out[row, n] = part[n] * window[n]
        out[row, 2 * hop :] = 0


@kernel("void(complex64[:,::1], float32[:,::1], float32[::1])", fastmath=True)
def _powers(spectra: np.ndarray, out: np.ndarray, total: np.ndarray) -> None:
    """Give the power of each value, and add up those of all rows."""
    for row in range(len(spectra)):
        some, power = spectra[row], out[row]
        for n in range(len(power)):
            power[n] = some[n].real * some[n].real + some[n].imag * some[n].imag
            total[n] += power[n]


@kernel("void(float32[::1], float32, float32[::1])")
def _scales(total: np.ndarray, mean: np.float32, out: np.ndarray) -> None:
    """Give what divides a sum of powers by the mean of `total` about each place, times `mean`."""
    size = len(total)
    around = np.float32(1e-30)
    for k in range(-SMOOTH, SMOOTH):
        around += total[k % size]
    for n in range(size):
        around += total[(n + SMOOTH) % size]
        out[n] = mean * np.float32(2 * SMOOTH + 1) / max(around, np.float32(1e-30))
        around -= total[(n - SMOOTH) % size]


@kernel("void(float32[:,::1], int64[::1], float32[::1])", fastmath=True)
def _added(power: np.ndarray, shifts: np.ndarray, out: np.ndarray) -> None:
    """Add up rows of power, each moved round by as many values as `shifts` has."""
    size = len(out)
    out[:] = 0
    for row in range(len(power)):
        first = shifts[row] % size
        head, tail = power[row, first:], power[row, :first]
        low, high = out[: size - first], out[size - first :]
        for n in range(len(head)):
            low[n] += head[n]
        for n in range(len(tail)):
            high[n] += tail[n]


@kernel(
    "void(float32[:,:,::1], float64[::1], float64, float32[::1], int64[::1], float64[::1])", fastmath=True
)
def _sharpest(
    power: np.ndarray, bends: np.ndarray, away: float, scale: np.ndarray, pairs: np.ndarray, out: np.ndarray
) -> None:
    """Find which rest of drift makes the strongest line, or pair of lines: out has it, its set and its rest.

    `scale` makes the sum over blocks 1 where there is noise only; a pair's sum varies by 1.41 of what a line's does.

    `power` (sets, blocks, bins); a rest moves block b by `away` times the rest for each block from the middle one.
    """
    sets, rows, size = power.shape
    added = np.empty(size, np.float32)
    shifts = np.empty(rows, np.int64)
    for k in range(sets):
        for bend in bends:
            for row in range(rows):
                shifts[row] = int(np.floor(bend * away * (row - (rows - 1) / 2) + 0.5))
            _added(power[k], shifts, added)
            most = np.float32(0)
            for n in range(size):
                added[n] = added[n] * scale[n] - np.float32(1)
                most = max(most, added[n])
            for apart in pairs:
                both = np.float32(0)
                head, tail = added[apart:], added[:apart]
                for n in range(len(head)):
                    both = max(both, head[n] + added[n])
                rest = added[size - apart :]
                for n in range(len(tail)):
                    both = max(both, tail[n] + rest[n])
                most = max(most, np.float32(0.71) * both)
            if most > out[0]:
                out[0], out[1], out[2] = most, k, bend


class Swept(NamedTuple):
    """The sharpest drift of a stretch, and the mean power of its blocks with that taken out."""

    bend: float  # cycles a sample, each sample
    power: np.ndarray  # float32 (bins,), frequencies as they are in the middle of the stretch


def sharpest(values: np.ndarray, most: float, pairs: tuple[float, ...] = ()) -> Swept:
    """Give the drift, up to `most` cycles a sample each sample, at which lines in complex64 values (n,) are sharpest.

    `pairs`: how far apart, in cycles a sample, lines may be that stand together.
    """
    hop = len(values) // HALVES
    block = 2 * hop
    size = 1 << (block - 1).bit_length()
    values = np.ascontiguousarray(values[: HALVES * hop], np.complex64)
    wide = COARSE / (block * block)
    sets = max(int(np.ceil(most / wide - 0.5)), 0)
    window = hann(block)
    power = np.empty((2 * sets + 1, BLOCKS, size), np.float32)
    spectra = np.empty((BLOCKS, size), np.complex64)
    total = np.zeros(size, np.float32)
    for k in range(-sets, sets + 1):
        _blocks(unswept(values, k * wide) if k else values, hop, window, spectra)
        _powers(fft.forward(spectra), power[k + sets], total)
    scale = np.empty(size, np.float32)
    _scales(total, float(2 * sets + 1), scale)
    fine = 1.0 / (size * len(values))
    rest = min(0.5 * wide, most) if sets else most
    count = int(np.ceil(rest / fine))
    rests = fine * np.arange(-count, count + 1)
    out = np.zeros(3)
    apart = np.array([round(each * size) % size for each in pairs], np.int64)
    _sharpest(power, rests, float(hop * size), scale, apart, out)
    row = int(out[1])
    shifts = np.floor(out[2] * hop * size * (np.arange(BLOCKS) - (BLOCKS - 1) / 2) + 0.5).astype(np.int64)
    added = np.empty(size, np.float32)
    _added(power[row], shifts, added)
    return Swept((row - sets) * wide + float(out[2]), added)


@lru_cache(maxsize=16)
def _finer(n: int) -> tuple[np.ndarray, np.ndarray]:
    """Give drifts, a bin of all of a stretch apart, and the turns that take them out of NARROWED sums."""
    share = -(-n // NARROWED)
    t = (np.arange(NARROWED) + 0.5) * share - n // 2
    bends = np.arange(-FINER, FINER + 1) / (n * n)
    return bends, np.exp(-1j * np.pi * bends[:, None] * t * t).astype(np.complex64)


def finer(values: np.ndarray, lines: list[float]) -> float:
    """Give the rest of drift, cycles a sample each sample, after what `sharpest` found was taken out of values.

    `lines`: about where they are, in cycles a sample; all of them drift alike.
    """
    bends, turns = _finer(len(values))
    total = np.zeros((len(bends), 2 * NARROWED), np.float32)
    thin = np.empty(NARROWED, np.complex64)
    values = np.ascontiguousarray(values, np.complex64)
    for cycles in lines:
        narrowed(values, hann(len(values)), float(cycles), thin)
        spectra = fft.forward(thin * turns, 2 * NARROWED)
        total += spectra.real**2 + spectra.imag**2
    wide = 4 * HALVES  # bins: one of a block's is HALVES // 2 of all
    total[:, wide:-wide] = 0
    return float(bends[int(np.argmax(total.max(axis=1)))])


def turns(n: int, bend: float) -> np.ndarray:
    """Give complex64 (n,) that takes a drift about the middle out of as many values."""
    return unswept(np.ones(n, np.complex64), bend)
