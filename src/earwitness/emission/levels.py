"""Do a track's values at symbol centres lie on two levels, on four, or anywhere between? By their likelihood.

At low SNR the levels blur into each other, and the scatter round them tells two from four no longer. A mixture of
normal distributions of one width on even levels, fitted by expectation and maximisation (Dempster, Laird, Rubin 1977),
still does: as many parameters for two levels as for four, so that the likelier is right. What has no levels fits a
single normal distribution as well, and what has no symbols fits as well between their centres.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from earwitness.dsp.jit import kernel
from earwitness.dsp.quantile import quantile

STEPS, SETTLED = 20, 0.0005
LEAST, LEAST_FLATNESS = 24, 0.82
STRAY = 0.05  # share of values that noise clicks put anywhere


@dataclass(frozen=True, slots=True)
class Levels:
    """Natural logarithms of likelihood ratios over all symbols, and the four levels that fit best."""

    four_over_two: float
    four_over_none: float
    eye: float  # of four levels at the best place within a symbol over the worst, in half steps
    half_step: float  # of the four levels
    middle: float
    spread: float  # in half steps
    symbols: int


@kernel("Tuple((float64, float64, float64, float64))(float64[::1], int64)")
def fitted(values: np.ndarray, levels: int) -> tuple[float, float, float, float]:
    """Give (mean log-likelihood, half step, standard deviation in half steps, middle) of even levels."""
    middle = np.median(values)
    usual = np.median(np.abs(values - middle))
    width = values.max() - values.min() + 1e-9
    square = 0.0
    for v in values:
        square += min(abs(v - middle), 4 * usual) ** 2
    variance = square / len(values)
    levels_square = 0.0
    for i in range(levels):
        levels_square += (2.0 * i - levels + 1) ** 2 / levels
    half = 0.95 * np.sqrt(variance / max(levels_square, 1.0)) + 1e-9
    sigma = 0.5 * half if levels > 1 else np.sqrt(variance) + 1e-9
    likely, before = 0.0, -np.inf
    shares = np.empty(levels)
    for _ in range(STEPS):
        weight = sum_l = sum_ll = sum_v = sum_lv = sum_vv = likely = 0.0
        for v in values:
            total = STRAY / width
            for i in range(levels):
                off = (v - middle - half * (2.0 * i - levels + 1)) / sigma
                shares[i] = (1 - STRAY) / levels * np.exp(-0.5 * off * off) / (2.5066282746 * sigma)
                total += shares[i]
            likely += np.log(total)
            for i in range(levels):
                share = shares[i] / total
                level = 2.0 * i - levels + 1
                weight += share
                sum_l += share * level
                sum_ll += share * level * level
                sum_v += share * v
                sum_lv += share * level * v
                sum_vv += share * v * v
        spread = sum_ll / weight - (sum_l / weight) ** 2
        mean = sum_v / weight
        if levels > 1:
            half = (sum_lv / weight - sum_l / weight * mean) / max(spread, 1e-12)
        middle = mean - half * sum_l / weight
        left = sum_vv / weight - mean * mean - (half * half * spread if levels > 1 else 0.0)
        sigma = np.sqrt(max(left, 1e-6 * variance + 1e-18))
        if half <= 0 or likely - before < SETTLED * len(values):
            break
        before = likely
    return likely / len(values), half, sigma / max(half, 1e-12), middle


def levels(rows: np.ndarray) -> Levels | None:
    """Give what the values say; `rows` is float32 (places within a symbol, symbols), NaN where nothing is known.

    None when there is not enough, or when they gather in their middle, as those of voice and noise do.
    """
    columns = [row[~np.isnan(row)].astype(np.float64) for row in rows]
    if min(len(values) for values in columns) < LEAST or max(map(flatness, columns)) < LEAST_FLATNESS:
        return None
    best, clear = None, -np.inf
    shapes = []
    for values in columns:
        two, four = fitted(values, 2)[0], fitted(values, 4)
        here = max(two, four[0]) + float(np.log(np.std(values) + 1e-12))
        if here > clear:
            best, clear = (values, two, four), here
        shapes.append(four[0] + float(np.log(max(four[1], 1e-12))))
    if best is None:
        return None
    values, two, (likely, half, spread, middle) = best
    count = len(values)
    return Levels(
        four_over_two=count * (likely - two),
        four_over_none=count * (likely - fitted(values, 1)[0]),
        eye=count * (max(shapes) - min(shapes)),
        half_step=half,
        middle=middle,
        spread=spread,
        symbols=count,
    )


def flatness(values: np.ndarray) -> float:
    """Give mean over r.m.s. of the distance of values (n,) from their median: 1 two levels, 0.89 four, 0.80 normal, 0.71 speech."""
    off = np.abs(values - quantile(values, 0.5))
    off = np.minimum(off, 3 * quantile(off, 0.5))
    return float(np.mean(off) / np.sqrt(np.mean(off * off) + 1e-30))
