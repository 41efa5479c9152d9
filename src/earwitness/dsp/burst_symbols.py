"""Symbols of a stretch of signal held whole: clock from a line at the symbol rate, level and filter from the symbols.

A stretch of seconds tells its symbol rate far better than a loop that begins at its start, and a short burst is
read from its first symbol on. The clock is the line that squared changes (of levels) or the power (of reversals)
make; its phase is followed over `average` symbols (the square timing estimator of Oerder and Meyr 1988, from
memory).
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from earwitness.dsp import fft
from earwitness.dsp.jit import kernel

REACH = 4  # half symbols either side that the filter is fitted to
FIT = 1024  # symbols that get one filter, fitted to them and as many on either side
WIDER = 1.7  # levels of noise beside a burst lie further apart than its own
BLOCK = 8  # symbols that are added up, with a clock as it should be taken out
EVEN_FLOOR = 1.0  # of the loudest: everything counts alike
GROUP = 16  # symbols judged together for loudness
CLEAR = 0.35  # of a strong line: where it is weaker (a preamble may have none) its phase is taken from beside
LEVEL = 64  # symbols whose extremes give the middle level
EVEN = 0.82
QUIETER = 3.0  # spread of a burst over that of quiet noise beside it
LOUDER = 1.7  # spread of discriminator noise over a burst's own from which it is told apart


@kernel("float32(float32[::1], int64, float32[::1])")
def _local(energy: np.ndarray, width: int, out: np.ndarray) -> np.float32:
    """Give the mean over `width` values about each, whole stretches only at the ends; gives the most of them."""
    total = 0.0
    for n in range(width):
        total += energy[n]
    half = width // 2
    scale = 1.0 / width
    most = 0.0
    for n in range(len(energy)):
        if half < n < len(energy) - width + half + 1:
            total += energy[n - half + width - 1] - energy[n - half - 1]
        mean = max(total, 0.0) * scale
        out[n] = mean
        most = max(most, mean)
    return np.float32(most)


@kernel(
    "void(float32[::1], float32[::1], float32, float32[::1], complex64[::1], complex64[:,::1])", fastmath=True
)
def _turned_back(
    energy: np.ndarray,
    local: np.ndarray,
    most: np.float32,
    floors: np.ndarray,
    turns: np.ndarray,
    out: np.ndarray,
) -> None:
    """Give for each floor the sums of energy over its local mean, over a block's length each and times its turns.

    What is left over the mean is weighted by the inverse square of the mean, of no less than floor times `most`.
    """
    size = len(turns)
    scale = np.float32(1) / max(most, np.float32(1e-30))
    over = np.empty(size, np.float32)
    mean = np.empty(size, np.float32)
    cosine = turns.real.copy()
    sine = turns.imag.copy()
    for block in range(out.shape[1]):
        part = energy[block * size : (block + 1) * size]
        beside = local[block * size : (block + 1) * size]
        for n in range(len(part)):
            mean[n] = beside[n] * scale
            over[n] = part[n] * scale - mean[n]
        for k in range(len(floors)):
            re = np.float32(0)
            im = np.float32(0)
            for n in range(len(part)):
                least = max(mean[n], floors[k])
                each = over[n] / (least * least)
                re += each * cosine[n]
                im += each * sine[n]
            out[k, block] = complex(re, im)


@kernel("void(float32[::1], float64[::1], float64, float32[:,::1])")
def _around(x: np.ndarray, places: np.ndarray, step: float, out: np.ndarray) -> None:
    """Give x so many steps (a row each, the middle one none) after places, linearly between samples, held at the ends."""
    last = float(len(x) - 1)
    for k in range(len(out)):
        row = out[k]
        away = (k - len(out) // 2) * step
        for m in range(len(row)):
            at = min(max(places[m] + away, 0.0), last)
            whole = min(int(at), len(x) - 2)
            part = np.float32(at - whole)
            row[m] = x[whole] + part * (x[whole + 1] - x[whole])


@kernel("void(float32[:,::1], float32[::1], int64[::1], float64[:,:,::1], float64[:,::1])", fastmath=True)
def _products(
    rows: np.ndarray, weight: np.ndarray, edges: np.ndarray, grams: np.ndarray, sums: np.ndarray
) -> None:
    """Give for the symbols between edges the weighted products of rows with each other, and with first decisions."""
    wide = len(rows)
    for block in range(len(grams)):
        begin, end = edges[block], edges[block + 1]
        weights = weight[begin:end]
        middle = rows[REACH, begin:end]
        scaled = np.empty(end - begin, np.float32)
        for k in range(wide):
            row = rows[k, begin:end]
            total = np.float32(0)
            for m in range(len(scaled)):
                scaled[m] = row[m] * weights[m]
                total += scaled[m] if middle[m] > 0 else -scaled[m]
            sums[block, k] = total
            for other in range(k, wide):
                beside = rows[other, begin:end]
                total = np.float32(0)
                for m in range(len(scaled)):
                    total += scaled[m] * beside[m]
                grams[block, k, other] = total
                grams[block, other, k] = total


@kernel("void(float32[:,::1], float32[::1], int64[::1], float32[:,::1], float64[:,::1])", fastmath=True)
def _decided(
    rows: np.ndarray, weight: np.ndarray, edges: np.ndarray, taps: np.ndarray, sums: np.ndarray
) -> None:
    """Give the weighted products of rows with the decisions behind each block's taps, of it and those beside it."""
    sums[:] = 0
    for block in range(len(taps)):
        for near in range(max(block - 1, 0), min(block + 2, len(taps))):
            begin, end = edges[near], edges[near + 1]
            made = np.zeros(end - begin, np.float32)
            for k in range(len(rows)):
                row = rows[k, begin:end]
                for m in range(len(made)):
                    made[m] += taps[block, k] * row[m]
            weights = weight[begin:end]
            for m in range(len(made)):
                made[m] = weights[m] if made[m] > 0 else -weights[m]
            for k in range(len(rows)):
                row = rows[k, begin:end]
                total = np.float32(0)
                for m in range(len(made)):
                    total += made[m] * row[m]
                sums[block, k] += total


def symbol_places(
    energy: np.ndarray, per: float, *, tolerance: float, average: int, loud_is_noise: bool
) -> tuple[np.ndarray, float]:
    """Give places float64 (m,) of the maxima of a clock line in energy float32 (n,), and samples a symbol found.

    The rate is looked for within `tolerance` of one a `per` samples; nothing is given from fewer than 16 symbols.
    After a discriminator what is louder is noise, and counts less; of power it is not.
    """
    count = len(energy)
    if count < 16 * per:
        return np.zeros(0), per
    width = min(int(average * per), count // 2) // 2 * 2 + 1
    local = np.empty(count, np.float32)
    most = _local(np.ascontiguousarray(energy, np.float32), width, local)
    # what is louder is noise after a discriminator, but what is quieter is noise beside a carrier that was keyed before:
    # the line tells which; of power it is as it is
    floors = (0.003, 0.5, EVEN_FLOOR) if loud_is_noise else (EVEN_FLOOR,)
    block = max(int(BLOCK * per), 1)
    blocks = -(-count // block)
    sums = np.empty((len(floors), blocks), np.complex64)
    turns = np.exp(-2j * np.pi / per * np.arange(block)).astype(np.complex64)
    _turned_back(energy, local, most, np.array(floors, np.float32), turns, sums)
    sums *= np.exp(-2j * np.pi * (block / per * np.arange(blocks) % 1.0)).astype(np.complex64)
    size = fft.good_size(2 * blocks)
    power = np.abs(fft.forward(sums, size)) ** 2
    reach = min(int(size * block / per * tolerance) + 1, size // 2)
    near = np.concatenate([power[:, -reach:], power[:, : reach + 1]], axis=1)
    tops = np.argmax(near, axis=1)
    strengths = near.max(axis=1) / np.maximum(np.median(near, axis=1), 1e-30)
    best = int(np.argmax(strengths))
    away = (int(tops[best]) - reach) / (size * block)  # from one a `per` samples
    rate = 1 / per + away
    middles = np.minimum(block * np.arange(blocks) + 0.5 * (block - 1), count - 1.0)
    line = np.concatenate([[0], np.cumsum(sums[best] * np.exp(-2j * np.pi * away * middles))])
    reach = max(round(0.5 * average / rate / block), 1)
    at = np.arange(blocks)
    smooth = line[np.minimum(at + reach + 1, blocks)] - line[np.maximum(at - reach, 0)]
    size_at = np.abs(smooth)
    usual = np.sort(size_at)[9 * blocks // 10]
    if loud_is_noise:  # an alternating preamble has a line far stronger than what follows it
        usual = min(usual, float(np.median(size_at[size_at > 0.12 * float(size_at.max())])))
    strong = size_at >= CLEAR * usual
    phase = np.interp(at, at[strong], np.unwrap(np.angle(smooth[strong])))
    middles = np.concatenate([[0], middles, [count - 1]])
    phases = rate * middles + np.concatenate([phase[:1], phase, phase[-1:]]) / (2 * np.pi)
    phases = np.maximum.accumulate(phases) + 1e-9 * middles
    whole = np.arange(np.ceil(phases[0]), np.floor(phases[-1]) + 1)
    return np.interp(whole, phases, middles), 1 / rate


def middle_removed(first: np.ndarray) -> np.ndarray:
    """Give the middle between the levels of two-level symbols, float64 (m,), followed as it drifts.

    Louder stretches are noise, whose middle says nothing.
    """
    count = len(first)
    blocks = max(count // LEVEL, 1)
    size = min(2 * LEVEL, count)
    places = (np.arange(blocks) + 0.5) * count / blocks
    begin = np.clip(places.astype(np.int64) - size // 2, 0, count - size)
    parts = np.sort(first[begin[:, None] + np.arange(size)], axis=1)
    low, high = parts[:, size // 6], parts[:, -1 - size // 6]
    spread = high - low
    sound = np.sort(spread[spread > 0.02 * float(spread.max())])
    kept = spread <= WIDER * sound[len(sound) // 10] if len(sound) else spread >= 0
    return np.interp(np.arange(count), places[kept], 0.5 * (low + high)[kept])


def two_level(x: np.ndarray, places: np.ndarray, per: float) -> np.ndarray:
    """Give soft symbols float32 (m,), about +-1, of levels x float32 (n,) with symbols centred at places (m,).

    A linear filter over half symbols is fitted to a first look's decisions by least squares, twice, for each
    FIT symbols; louder stretches (noise after a discriminator) count little in it.
    """
    count = len(places)
    if count < 64 or len(x) < 2:
        return np.zeros(0, np.float32)
    rows = np.full((2 * REACH + 2, count), 0.1, np.float32)  # the last of them for what the middle is off
    _around(np.ascontiguousarray(x, np.float32), places, 0.5 * per, rows[:-1])
    rows[:-1] -= middle_removed(rows[REACH]).astype(np.float32)
    groups = count // GROUP
    parts = rows[REACH, : groups * GROUP].reshape(groups, GROUP)
    spread = np.abs(parts).sum(axis=1)
    sound = np.sort(spread[spread > 0.02 * float(spread.max())])  # what is silent is no signal either
    if not len(sound):
        return np.zeros(count, np.float32)
    usual = sound[len(sound) // 10]
    # of symbols of two levels the mean size squared is near the mean square, of noise two thirds of it
    even = spread**2 / (GROUP * np.sum(parts**2, axis=1) + 1e-30) > EVEN
    louder = even & (spread > LOUDER * usual)
    if np.count_nonzero(louder) > 2 * np.count_nonzero(even & ~louder & (spread >= usual / LOUDER)):
        clear = np.sort(spread[louder])  # there was quiet noise beside the burst
        usual = clear[len(clear) // 4]
    quiet = np.where((spread <= LOUDER * usual) & (spread > usual / QUIETER), 1.0, 1e-3)
    weight = np.append(np.repeat(quiet, GROUP), np.full(count - groups * GROUP, quiet[-1]))
    return _fitted(rows, weight.astype(np.float32))


def _fitted(rows: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Give rows float32 (m, n) through the filters that bring them nearest to their own decisions, float32 (n,)."""
    wide, count = rows.shape
    edges = np.linspace(0, count, max(count // FIT, 1) + 1).astype(np.int64)
    blocks = len(edges) - 1
    grams, sums = np.empty((blocks, wide, wide)), np.empty((blocks, wide))
    _products(rows, weight, edges, grams, sums)
    grams, sums = _with_neighbours(grams), _with_neighbours(sums)
    some = np.trace(grams, axis1=1, axis2=2) / wide
    inverse = np.linalg.inv(grams + (1e-3 * some + 1e-12)[:, None, None] * np.eye(wide))
    taps = (inverse @ sums[:, :, None])[:, :, 0].astype(np.float32)
    _decided(rows, weight, edges, taps, sums)
    taps = (inverse @ sums[:, :, None])[:, :, 0].astype(np.float32)
    out = np.empty(count, np.float32)
    for k, (begin, end) in enumerate(pairwise(edges.tolist())):
        out[begin:end] = taps[k] @ rows[:, begin:end]
    return out


def _with_neighbours(values: np.ndarray) -> np.ndarray:
    """Give each of values (n, ...) with the one before and the one after added."""
    out = values.copy()
    out[1:] += values[:-1]
    out[:-1] += values[1:]
    return out
