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
GROUP = 16  # symbols judged together for loudness
CLEAR = 0.35  # of a strong line: where it is weaker (a preamble may have none) its phase is taken from beside
LEVEL = 64  # symbols whose extremes give the middle level
EVEN = 0.82
QUIETER = 3.0  # spread of a burst over that of quiet noise beside it
LOUDER = 1.7  # spread of discriminator noise over a burst's own from which it is told apart


@kernel("void(float32[::1], complex128, int64, complex128[::1])", fastmath=True)
def _line(energy: np.ndarray, turn: complex, width: int, out: np.ndarray) -> None:
    """Give the mean over `width` samples (at least 1, centred) of energy times a backward turning phasor."""
    held = np.zeros(width, np.complex128)
    z = 1.0 + 0.0j
    total = 0.0 + 0.0j
    count = len(energy)
    half = width // 2
    for n in range(count + half):
        slot = n % width
        total -= held[slot]
        held[slot] = 0
        if n < count:
            held[slot] = energy[n] * z
            total += held[slot]
            z *= turn
            if n & 1023 == 0:
                z /= abs(z)
        if n >= half:
            out[n - half] = total


@kernel("void(float32[::1], float64[::1], float64, float64[:,::1])")
def _around(x: np.ndarray, places: np.ndarray, step: float, out: np.ndarray) -> None:
    """Give x at places and so many steps either side, linearly between samples, held beyond the ends."""
    reach = out.shape[1] // 2
    last = len(x) - 1
    for m in range(len(places)):
        for k in range(out.shape[1]):
            at = min(max(places[m] + (k - reach) * step, 0.0), float(last))
            whole = min(int(at), last - 1)
            part = at - whole
            out[m, k] = (1 - part) * x[whole] + part * x[whole + 1]


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
    total = np.concatenate([[0.0], np.cumsum(energy, dtype=np.float64)])
    begin = np.clip(np.arange(count) - width // 2, 0, count - width)
    local = (total[begin + width] - total[begin]) / width
    size = fft.good_size(2 * count)
    low = max(int(size / per * (1 - tolerance)), 1)
    high = min(int(size / per * (1 + tolerance)) + 2, size // 2)
    best, rate = -1.0, 1 / per
    level = np.zeros(count, np.float32)
    # what is louder is noise after a discriminator, but what is quieter is noise beside a carrier that was keyed before:
    # the line tells which
    floors = (0.003, 0.5, None) if loud_is_noise else (None,)
    for floor in floors:
        made = energy - local
        if floor is not None:
            made = made / np.maximum(local, floor * float(local.max()) + 1e-30) ** 2
        made = (made / max(float(np.abs(made).max()), 1e-30)).astype(np.float32)
        power = np.abs(fft.forward_real(made, size)[low:high]) ** 2
        top = int(np.argmax(power))
        strength = float(power[top]) / max(float(np.median(power)), 1e-30)
        if strength > best:
            best, level, rate = strength, made, (low + top) / size
    smooth = np.empty(count, np.complex128)
    _line(level, np.exp(-2j * np.pi * rate), max(int(average / rate), 1), smooth)
    at = np.append(np.arange(0, count - 1, max(int(4 / rate), 1)), count - 1)
    size_at = np.abs(smooth[at])
    usual = np.sort(size_at)[9 * len(at) // 10]
    if loud_is_noise:  # an alternating preamble has a line far stronger than what follows it
        usual = min(usual, float(np.median(size_at[size_at > 0.12 * float(size_at.max())])))
    strong = size_at >= CLEAR * usual
    phase = np.interp(at, at[strong], np.unwrap(np.angle(smooth[at[strong]])))
    turns = rate * at + phase / (2 * np.pi)
    turns = np.maximum.accumulate(turns) + 1e-9 * at
    whole = np.arange(np.ceil(turns[0]), np.floor(turns[-1]) + 1)
    return np.interp(whole, turns, at), 1 / rate


def middle_removed(first: np.ndarray) -> np.ndarray:
    """Give the middle between the levels of two-level symbols, float64 (m,), followed as it drifts.

    Louder stretches are noise, whose middle says nothing.
    """
    blocks = max(len(first) // LEVEL, 1)
    edges = np.linspace(0, len(first), blocks + 1).astype(int)
    low, high = np.empty(blocks), np.empty(blocks)
    for k in range(blocks):
        part = np.sort(first[max(edges[k] - LEVEL // 2, 0) : edges[k + 1] + LEVEL // 2])
        low[k], high[k] = part[len(part) // 6], part[-1 - len(part) // 6]
    spread = high - low
    sound = np.sort(spread[spread > 0.02 * float(spread.max())])
    kept = spread <= WIDER * sound[len(sound) // 10] if len(sound) else spread >= 0
    places = 0.5 * (edges[:-1] + edges[1:])
    return np.interp(np.arange(len(first)), places[kept], 0.5 * (low + high)[kept])


def two_level(x: np.ndarray, places: np.ndarray, per: float) -> np.ndarray:
    """Give soft symbols float32 (m,), about +-1, of levels x float32 (n,) with symbols centred at places (m,).

    A linear filter over half symbols is fitted to a first look's decisions by least squares, twice, for each
    FIT symbols; louder stretches (noise after a discriminator) count little in it.
    """
    count = len(places)
    if count < 64 or len(x) < 2:
        return np.zeros(0, np.float32)
    rows = np.empty((count, 2 * REACH + 1))
    _around(np.ascontiguousarray(x, np.float32), places, 0.5 * per, rows)
    rows -= middle_removed(rows[:, REACH])[:, None]
    rows = np.column_stack([rows, np.full(count, 0.1)])
    groups = count // GROUP
    parts = rows[: groups * GROUP, REACH].reshape(groups, GROUP)
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
    out = np.empty(count, np.float32)
    for begin, end in pairwise(np.linspace(0, count, max(count // FIT, 1) + 1).astype(int).tolist()):
        low, high = max(begin - FIT, 0), min(end + FIT, count)
        out[begin:end] = _fitted(rows[low:high], weight[low:high])[begin - low : end - low]
    return out


def _fitted(rows: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Give rows (n, m) through the filter that brings them nearest to their own decisions, float64 (n,)."""
    first = rows[:, REACH]
    target = np.where(first > 0, 1.0, -1.0)
    weighted = rows * weight[:, None]
    gram = weighted.T @ rows
    gram[np.diag_indices(len(gram))] += 1e-3 * np.trace(gram) / len(gram) + 1e-12
    out = target
    for _ in range(2):
        out = rows @ np.linalg.solve(gram, weighted.T @ target)
        target = np.where(out > 0, 1.0, -1.0)
    return out
