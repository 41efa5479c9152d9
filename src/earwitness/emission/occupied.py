"""The occupied bandwidth: 99 % of the power, by the beta/2 method (Rec. ITU-R SM.443, RR No. 1.153).

Noise is taken out and power added up from each end to half a per cent. What is too weak to be seen beside the noise
is added up all the same as far out as the noise density is known well enough. Scatter between parts of the burst says
how far the half per cent is known: noise, and modulation that differs from part to part.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np

from earwitness.dsp import fft
from earwitness.emission.burst import Burst
from earwitness.emission.features import CORE, Features

BETA_HALF = 0.005  # RR No. 1.153: 0.5 % of the mean power beyond each edge
FLOOR_ERROR = 0.02  # relative error of the noise density assumed in uncertainties (0.1 dB)
TAIL_ERROR = 0.15 * BETA_HALF  # of the power, that adding up the noise beyond the band may cost
MOST_ERROR = 0.6 * BETA_HALF  # with more, half a per cent cannot be told
MOST_BEYOND = 2 * BETA_HALF  # more, and clear of the noise, is another emission's
CLEAR = 5.0  # standard errors of the noise
RISE = 3.0  # times over the least further in: an emission's own skirt falls, so a neighbour begins there
HIDDEN = 0.1  # of the noise density, over as much again as is seen: sidebands so weak never are
UNCLEAR = 1.25  # standard errors of a step: a quarter of what it takes to be seen
MOST_REACH = 1.5  # times as far from the middle as is seen
LEAST_BINS = 24  # of an averaged spectrum, from which on it is fine enough
# over the length of an emission: so wide is a carrier that is keyed on and off once (sinc^2: 20.6), one that goes on
# beyond what is looked at has no width
KEYED = 20.6
FALL = (0.05, 0.025)  # shares between whose places it is seen how fast the power falls off


class Occupied(NamedTuple):
    """Edges relative to the burst's centre, standard uncertainty of their distance, whether 0.5 % could be told."""

    lower_hz: float
    upper_hz: float
    uncertainty_hz: float
    told: bool


class _Curve(NamedTuple):
    """Net power added up over cells between `edges_hz`, shape (n + 1,), as a share of the whole."""

    edges_hz: np.ndarray
    run: np.ndarray
    power: float


class _Density(NamedTuple):
    """A power spectrum, ascending: frequencies relative to the burst's centre, power per Hz."""

    frequency_hz: np.ndarray
    power_hz: np.ndarray
    bin_hz: float
    resolution_hz: float


def _averaged(features: Features) -> _Density:
    spectrum = features.spectrum
    return _Density(spectrum.frequency_hz, spectrum.density, spectrum.bin_hz, 2 * spectrum.bin_hz)


def _periodogram(features: Features) -> _Density:
    """Give the spectrum as fine as the burst allows."""
    n = len(features.iq)
    size = fft.good_size(n)
    window = _edged(n)
    values = fft.forward(features.iq * window, size)
    power = np.fft.fftshift(values.real**2 + values.imag**2).astype(np.float64)
    bin_hz = features.rate_hz / size
    frequency = (np.arange(size) - size // 2) * bin_hz
    density = power / (features.rate_hz * float(np.vdot(window, window)))
    return _Density(frequency, density, bin_hz, features.rate_hz / n)


@lru_cache(maxsize=8)
def _edged(n: int) -> np.ndarray:
    """Give a window that is flat but for its ends: all of a burst counts alike."""
    ramp = max(n // 40, 1)
    window = np.ones(n, np.float32)
    window[:ramp] = np.sin(np.pi / 2 * (np.arange(ramp) + 0.5) / ramp) ** 2
    window[n - ramp :] = window[:ramp][::-1]
    return window


def _tail(powers: np.ndarray, burst: Burst) -> np.ndarray:
    """Give as many of the steps outwards as may be added up."""
    noise = burst.tails.noise / burst.power
    count = np.arange(1, len(powers) + 1)
    each = noise / np.sqrt(max(burst.tails.looks, 1.0))
    error = np.hypot(FLOOR_ERROR * noise * count, each * np.sqrt(count))
    shares = powers[: int(np.searchsorted(error, TAIL_ERROR))] / burst.power
    clear = shares > CLEAR * each
    other = (
        clear
        if np.cumsum(shares).max(initial=0.0) > MOST_BEYOND
        else clear & (shares > RISE * np.minimum.accumulate(np.maximum(shares, each)))
    )
    if other.any():
        shares = shares[: max(int(other.argmax()) - 1, 0)]
    return powers[: len(shares)]


def _curve(features: Features, density: _Density) -> _Curve:
    burst, frequency_hz, bin_hz = features.burst, density.frequency_hz, density.bin_hz
    first = max(int(np.ceil((burst.low_hz - frequency_hz[0]) / bin_hz - 0.5)), 0)
    last = min(int(np.floor((burst.high_hz - frequency_hz[0]) / bin_hz + 0.5)) + 1, len(frequency_hz))
    net = (density.power_hz[first:last] - burst.noise_hz) * bin_hz
    inner = frequency_hz[0] + (np.arange(first, last + 1) - 0.5) * bin_hz
    below = _tail(burst.tails.below, burst)
    above = _tail(burst.tails.above, burst)
    step = burst.tails.step_hz
    edges = np.concatenate(
        [
            inner[0] - step * np.arange(len(below), 0, -1),
            inner,
            inner[-1] + step * np.arange(1, len(above) + 1),
        ]
    )
    cells = np.concatenate([below[::-1], net, above])
    total = float(cells.sum())
    return _Curve(edges, np.concatenate([[0.0], np.cumsum(cells)]) / max(total, 1e-30), total)


def _crossing(curve: _Curve, level: float, upper: bool) -> float:
    """Give where the share beyond is `level`: between where it gets there first and where for good."""
    run = 1 - curve.run[::-1] if upper else curve.run
    edges = curve.edges_hz[::-1] if upper else curve.edges_hz
    over = run >= level
    if over[0] or not over.any():
        return float(edges[0])
    places = []
    for at in (int(over.argmax()), len(run) - int(over[::-1].argmin())):
        if at >= len(run):
            places.append(edges[-1])
            continue
        part = (level - run[at - 1]) / max(run[at] - run[at - 1], 1e-12)
        places.append(edges[at - 1] + min(max(part, 0.0), 1.0) * (edges[at] - edges[at - 1]))
    return float(places[0] + places[1]) / 2


class _Error(NamedTuple):
    """Standard errors of the share of the power beyond an edge: from noise alone, and with the modulation's own."""

    noise: float
    whole: float


def _share_error(features: Features, edge_hz: float, upper: bool) -> _Error:
    """Give how well the share of the power beyond an edge is known, from the noise and from its scatter over time."""
    burst, spectrum = features.burst, features.spectrum
    parts = spectrum.parts
    inside = (spectrum.frequency_hz >= burst.low_hz) & (spectrum.frequency_hz <= burst.high_hz)
    outside = inside & (spectrum.frequency_hz > edge_hz if upper else spectrum.frequency_hz < edge_hz)
    part_noise = burst.noise_hz / len(parts)
    beyond = parts[:, outside].sum(axis=1) - part_noise * outside.sum()
    whole = parts[:, inside].sum(axis=1) - part_noise * inside.sum()
    total = max(float(whole.sum()), 1e-30)
    density = spectrum.density[outside]
    net = np.maximum(density - burst.noise_hz, 0.0)
    noise = float(np.sum((2 * net + burst.noise_hz) * burst.noise_hz)) * 1.5 / spectrum.looks / total**2
    count = len(parts)
    if count > 2:
        share = float(beyond.sum()) / total
        scatter = float(np.sum((beyond - share * whole) ** 2)) * count / (count - 1) / total**2
    else:
        scatter = float(np.sum(density**2)) * 1.5 / spectrum.looks / total**2
    return _Error(float(np.sqrt(noise)), float(np.sqrt(max(noise, scatter))))


def occupied(features: Features) -> Occupied:
    """Give the edges between which 99 % of a burst's power lie."""
    if len(features.iq) <= CORE:
        return _between(features, _periodogram(features))
    seen = _between(features, _averaged(features))
    # A carrier with little else in its band is finer than an averaged spectrum.
    coarse = seen.upper_hz - seen.lower_hz < LEAST_BINS * features.spectrum.bin_hz
    return _between(features, _periodogram(features)) if coarse else seen


def _between(features: Features, density: _Density) -> Occupied:
    burst = features.burst
    curve = _curve(features, density)
    if curve.power <= 0:
        return Occupied(burst.low_hz, burst.high_hz, (burst.high_hz - burst.low_hz) / 2, False)
    shares = [[_crossing(curve, share, upper) for share in FALL] for upper in (False, True)]
    middle = (shares[1][1] + shares[0][1]) / 2
    seen = burst.high_hz - burst.low_hz
    # Of few looks only what is clear of their scatter is seen.
    hidden = max(HIDDEN, UNCLEAR / float(np.sqrt(burst.tails.looks)))
    hidden *= burst.noise_hz * seen / curve.power
    places, doubt, variance, told = [], 0.0, density.resolution_hz**2 / 3, True
    for upper, (near, far) in zip((False, True), shares, strict=True):
        sign = 1 if upper else -1
        last, near, far = (
            sign * (place - middle) for place in (float(curve.edges_hz[-1 if upper else 0]), near, far)
        )
        # By which power of the distance the share beyond falls: 1 for keying with hard edges, 6 for roll-offs.
        fall = np.log(FALL[0] / FALL[1]) / np.log(max(far / max(near, far / 2, 1e-9), 1.01))
        unseen = min(FALL[1] * float(min(far / max(last, 1e-9), 1.0) ** fall), hidden)
        unseen += hidden * max(1 - max(last - far, 0.0) / seen, 0.0)
        reach = middle + sign * last * float(min(max(unseen / BETA_HALF, 1.0) ** (1 / fall), MOST_REACH))
        level = BETA_HALF - min(unseen, BETA_HALF) / 2
        place = _crossing(curve, level, upper)
        fixed = FLOOR_ERROR * burst.noise_hz * abs(place - curve.edges_hz[-1 if upper else 0]) / curve.power
        error = _share_error(features, place, upper)
        blind = float(np.hypot(fixed, unseen / 2))
        if np.hypot(error.noise, blind) > MOST_ERROR:
            # As far in as must be, and as far out as may be.
            told = False
            inner = _crossing(curve, BETA_HALF + 2 * float(np.hypot(error.whole, blind)), upper)
            outer = sign * max(sign * reach, sign * (burst.high_hz if upper else burst.low_hz))
            # Most spectra end sooner than they might.
            place = inner + (outer - inner) / 3
            doubt += abs(outer - inner) / 3
        else:
            off = max(float(np.hypot(error.whole, blind)), 0.15 * BETA_HALF)
            outer = _crossing(curve, max(level - off, 0.0), upper)
            if level - off < 0.2 * BETA_HALF:
                outer = sign * max(sign * place, sign * reach)
            # Where there is a gap in the spectrum the next step of the power may be the one.
            slope = 0.5 * abs(place - middle) / fall * off / BETA_HALF
            variance += max((_crossing(curve, level + off, upper) - outer) ** 2 / 4, slope**2)
        places.append(place)
    if places[1] - places[0] < KEYED / features.duration_s:
        variance += (KEYED / 4 / features.duration_s) ** 2
    return Occupied(places[0], places[1], float(np.sqrt(variance + doubt**2)), told and places[1] > places[0])
