"""From the sub-carrier's level over time to the picture: where lines begin, and what grey they mean.

The sub-carrier and the words come from one clock, so its frequency says how long a line is, through recorder
errors and Doppler; the synchronisation pulses, 16 lines together, say where lines begin. The telemetry strips
give the scale of greys: nine known steps, found by their ramp.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from earwitness.dsp.filters import convolve_valid
from earwitness.dsp.peaks import vertex
from earwitness.dsp.raster import Raster
from earwitness.modes.apt.line import (
    CHANNEL,
    CHANNELS,
    FRAME_LINES,
    GREYS,
    MARK_LINES,
    MINUTE_LINES,
    SPACE,
    SYNC,
    SYNC_A,
    SYNC_B,
    TELEMETRY,
    WEDGE_LINES,
    WEDGES,
    WORDS,
    sync_words,
)

TOGETHER = 16  # lines whose synchronisation is looked at together
OVER = 2.0  # samples a word, nearly
SEEN = 0.3  # correlation of a line's synchronisation with the known one that counts as seen
LEAST_LINES = 24
SURE = 4.5  # standard deviations by which each of both synchronisations must stand out
RAMP_LIKE = 0.9  # correlation of telemetry with the known steps
LEAST_RAMP = 56  # lines of known steps: seven of the nine


@dataclass(frozen=True, slots=True)
class Drawn:
    """A picture: places in samples of the level."""

    pixels: np.ndarray
    start: float
    stop: float
    period: float
    facts: dict[str, Any]


def template(pattern: str) -> np.ndarray:
    """Give a synchronisation at two samples a word, without mean, of unit energy, float32 (78,)."""
    words = np.repeat(sync_words(pattern), round(OVER))
    words = np.convolve(np.pad(words, 1, mode="edge"), [0.25, 0.5, 0.25], "valid")
    words -= words.mean()
    return (words / np.sqrt(np.sum(words**2))).astype(np.float32)


_A, _B = template(SYNC_A)[::-1].copy(), template(SYNC_B)[::-1].copy()


def matched(level: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Give the correlation of either synchronisation, beginning at each sample, with the level (n,)."""
    return convolve_valid(level, _A), convolve_valid(level, _B)


def look(level: np.ndarray, period: float) -> tuple[int, float] | None:
    """Give where lines begin (0 .. period) in some seconds of level and how sure that is, or None.

    Lines are laid over each other: both synchronisations must stand out, half a line apart.
    """
    a, b = matched(level)
    half = period / 2
    count = int((len(a) - half) / period)
    if count < 4:
        return None
    size = int(period)
    starts = np.round(np.arange(count) * period).astype(int)
    fold_a = _clear(np.mean([a[at : at + size] for at in starts], axis=0))
    later = np.round(np.arange(count) * period + half).astype(int)
    fold_b = _clear(np.mean([_some(b, at, size) for at in later], axis=0))
    both = np.minimum(fold_a, np.maximum(fold_b, np.maximum(np.roll(fold_b, 1), np.roll(fold_b, -1))))
    at = int(both.argmax())
    return (at, float(both[at])) if both[at] > SURE else None


def _some(x: np.ndarray, at: int, size: int) -> np.ndarray:
    part = x[at : at + size]
    return np.pad(part, (0, size - len(part)))


def _clear(fold: np.ndarray) -> np.ndarray:
    middle = np.median(fold)
    spread = 1.4826 * float(np.median(np.abs(fold - middle))) + 1e-12
    # an edge of the picture lifts a fold as a whole: what stands out must do so against the largest too
    return np.asarray((fold - middle) / max(spread, 0.6 * float(fold.std())))


def draw(level: np.ndarray, lines_at: np.ndarray) -> Drawn | None:
    """Give the picture in a level (n,), or None where there are too few lines.

    `lines_at` (n + 1,) or coarser over the same span counts lines from the first sample on, by the sub-carrier.
    """
    grid = np.linspace(0, len(level), len(lines_at))
    count = int(lines_at[-1]) - 1
    if count < LEAST_LINES:
        return None
    period = len(level) / float(lines_at[-1])
    a, b = matched(level)
    both = a.copy()
    half = round(period / 2)
    both[: len(b) - half] += b[half:]
    size = int(np.ceil(period))
    where = np.interp(np.arange(count), lines_at, grid)
    rows = np.stack([_some(both, int(at), size) for at in np.round(where)])
    shift = _follow(rows)
    starts = np.round(where) + shift
    starts = np.append(starts, 2 * starts[-1] - starts[-2])
    likeness = _seen(level, a, starts[:-1])
    smooth = np.convolve(
        np.pad(likeness, TOGETHER // 2, mode="edge"), np.full(TOGETHER + 1, 1 / (TOGETHER + 1)), "valid"
    )
    good = np.flatnonzero(smooth > 0.5 * SEEN)
    if len(good) < LEAST_LINES:
        return None
    good = good[likeness[good] > SEEN]
    if len(good) < LEAST_LINES:
        return None
    first, last = int(good[0]), int(good[-1]) + 1
    while last > first and starts[last] > len(level):
        last -= 1
    if last - first < LEAST_LINES:
        return None
    edges = starts[first:last, None] + np.diff(starts)[first:last, None] * np.arange(WORDS + 1) / WORDS
    words = Raster(level).between(edges[:, :-1], edges[:, 1:])
    pixels, facts = shade(words)
    facts |= {
        "lines": last - first,
        "lines_with_sync": round(float((likeness[first:last] > SEEN).mean()), 3),
    }
    return Drawn(
        pixels,
        float(starts[first]),
        float(starts[last]),
        float((starts[last] - starts[first]) / (last - first)),
        facts,
    )


def _follow(rows: np.ndarray) -> np.ndarray:
    """Give where in each row (lines, samples) the line begins: 16 lines together, from the clearest outwards."""
    count, size = rows.shape
    step = TOGETHER // 2
    middles = np.arange(0, max(count - step, 1), step)
    sums = np.stack([rows[at : at + TOGETHER].mean(axis=0) for at in middles])
    spread = sums.std(axis=1) + 1e-12
    top = (sums.max(axis=1) - sums.mean(axis=1)) / spread
    first = int(top.argmax())
    places = np.zeros(len(middles))
    weights = np.zeros(len(middles))
    for order in (range(first, len(middles)), range(first, -1, -1)):
        expected = float(sums[first].argmax())
        speed = 0.0
        for n in order:
            near = (np.arange(-8, 9) + round(expected)) % size
            piece = sums[n][near]
            at = int(piece.argmax())
            bend = 0.0
            if 0 < at < len(piece) - 1:
                bend = vertex(*piece[at - 1 : at + 2])
            weight = max(float(piece[at] - sums[n].mean()) / spread[n], 0.0)
            place = round(expected) + at - 8 + bend
            places[n], weights[n] = place, weight**2
            if weight > 3.0:
                off = place - expected
                expected += 0.5 * off
                speed += 0.05 * off
            expected += speed
    lines = np.arange(count)
    middle = middles + (np.minimum(middles + TOGETHER, count) - middles - 1) / 2
    out = np.empty(count)
    for begin in range(0, count, step):  # a straight line through what is near
        here = begin + step / 2
        w = weights * np.exp(-0.5 * ((middle - here) / 40.0) ** 2) + 1e-12
        x = middle - here
        mean_x, mean_y = np.average(x, weights=w), np.average(places, weights=w)
        spread_x = np.average((x - mean_x) ** 2, weights=w)
        slope = np.average((x - mean_x) * (places - mean_y), weights=w) / spread_x if spread_x > 1 else 0.0
        out[begin : begin + step] = mean_y + slope * (lines[begin : begin + step] - here - mean_x)
    return out


def _seen(level: np.ndarray, a: np.ndarray, starts: np.ndarray) -> np.ndarray:
    """Give the correlation of each line's first synchronisation with the known one, -1 .. 1."""
    out = np.zeros(len(starts))
    for n, start in enumerate(np.round(starts).astype(int)):
        if 0 <= start < len(a):
            part = level[start : start + len(_A)]
            power = float(np.sum((part - part.mean()) ** 2))
            out[n] = float(a[start]) / np.sqrt(power + 1e-12)
    return out


def shade(words: np.ndarray) -> tuple[np.ndarray, dict[str, Any]]:
    """Give words (lines, 2080) as greys, uint8, and what telemetry and marks say."""
    strips = [words[:, at + CHANNEL - TELEMETRY + 3 : at + CHANNEL - 3].mean(axis=1) for at in (0, CHANNEL)]
    facts: dict[str, Any] = {
        "greys_from": "darkest and brightest, assumed",
        "minute_marks": minute_marks(words),
    }
    black, white = (float(level) for level in np.quantile(words, (0.005, 0.995)))
    begin = wedge_frame(strips[0] + strips[1])
    if begin is not None:
        steps = [wedge_levels(strip, begin) for strip in strips]
        ramp = np.mean([step[: len(GREYS)] for step in steps], axis=0)
        there = np.isfinite(ramp)
        gain, zero = np.polyfit(np.array(GREYS)[there], ramp[there], 1)
        if gain > 0:
            black, white = float(zero), float(zero + gain)
            facts["greys_from"] = "telemetry"
            facts["telemetry_begins_line"] = begin
            for name, step in zip(("channel_a", "channel_b"), steps, strict=True):
                values = (step - zero) / gain
                facts[f"{name}_wedges"] = [
                    round(float(value), 3) if np.isfinite(value) else None for value in values
                ]
                facts[name] = _sensor(values)
    scaled = (words - black) * (255 / max(white - black, 1e-9))
    return np.clip(np.round(scaled), 0, 255).astype(np.uint8), facts


def _sensor(values: np.ndarray) -> str:
    """Give the sensor whose step wedge 16 repeats; half a step from it on either side is another's."""
    if not np.isfinite(values[-1]):
        return "not known"
    away = np.abs(np.array(GREYS[: len(CHANNELS)]) - values[-1])
    which = int(away.argmin())
    return CHANNELS[which + 1] if away[which] < 0.05 else "not known"


def wedge_frame(strip: np.ndarray) -> int | None:
    """Give the line at which a frame of telemetry begins (0..127), or None where its ramp is not clear."""
    lines = np.arange(len(strip))
    best = (RAMP_LIKE, -1)
    for begin in range(FRAME_LINES):
        wedge = (lines - begin) % FRAME_LINES // WEDGE_LINES
        known = wedge < len(GREYS)
        if np.count_nonzero(known) < LEAST_RAMP:
            continue
        x, y = np.array(GREYS)[wedge[known]], strip[known]
        x, y = x - x.mean(), y - y.mean()
        like = float(x @ y) / (float(np.linalg.norm(x) * np.linalg.norm(y)) + 1e-12)
        if like > best[0]:
            best = like, begin
    return best[1] if best[1] >= 0 else None


def wedge_levels(strip: np.ndarray, begin: int) -> np.ndarray:
    """Give the median level of each of the 16 wedges, NaN for one that was not seen."""
    wedge = (np.arange(len(strip)) - begin) % FRAME_LINES // WEDGE_LINES
    inside = (np.arange(len(strip)) - begin) % WEDGE_LINES
    out = np.full(WEDGES, np.nan)
    for n in range(WEDGES):
        mine = strip[(wedge == n) & (inside > 0) & (inside < WEDGE_LINES - 1)]
        if len(mine):
            out[n] = float(np.median(mine))
    return out


def minute_marks(words: np.ndarray) -> list[int]:
    """Give the first lines of minute marks: four lines whose space has the other colour, 120 lines apart if two."""
    out: list[int] = []
    spaces = [words[:, at + SYNC + 4 : at + SYNC + SPACE - 4].mean(axis=1) for at in (0, CHANNEL)]
    range_ = float(np.subtract(*np.quantile(words, (0.98, 0.02))))
    off = np.minimum(*(np.abs(space - np.median(space)) for space in spaces)) > 0.4 * range_
    at = 0
    while at < len(off):
        if off[at]:
            run = int(np.argmin(off[at:])) if not off[at:].all() else len(off) - at
            if abs(run - MARK_LINES) <= 1:
                out.append(at)
            at += run
        else:
            at += 1
    if len(out) > 1:
        out = [at for at in out if any(at != b and abs((at - b + 60) % MINUTE_LINES - 60) <= 2 for b in out)]
    return out
