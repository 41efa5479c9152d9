"""Is a constant envelope's frequency keyed between two or four values, and how fast?

Candidates for the symbol rate come from three places (times of crossings, a line in the squared track,
the pair of lines that squaring the signal gives at h = 1/2); each is judged by what the frequency does at
symbol centres. Voice, tones and audio-frequency keying on an FM carrier give candidates too, but not the
picture of held levels with power down to 0 Hz that direct keying has.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from earwitness.dsp.jit import kernel
from earwitness.emission.burst import moving_mean
from earwitness.emission.features import Features
from earwitness.emission.lines import LineSpectrum

# Rates in use that a weak clock is tried at (Bd): telegraphy, paging, trunking, packet, marine, land mobile.
USUAL_RATES = (45.45, 50, 75, 100, 150, 200, 300, 512, 600, 1200, 1600, 2400, 3200, 3600, 4800, 6400, 9600, 19200)
LEAST_SYMBOLS = 24


@dataclass(frozen=True, slots=True)
class Keying:
    """Frequency keying seen: `spread` is the scatter round the levels in units of half a level step."""

    levels: int
    rate_hz: float
    rate_uncertainty_hz: float
    deviation_hz: float  # from the centre to the outermost level
    center_hz: float  # middle of the levels, relative to the burst's centre
    spread: float
    explained: float  # share of the track's variance that held levels explain
    low_share: float  # share of the track's variance below an eighth of the rate; 0.2 for random data
    parity: float  # share of the changes that fall on the rarer of even and odd places
    alternation: float  # share of symbols that differ from the one before
    clock_db: float  # height of the clock line it was found by
    symbols: int


@kernel("float32[:](float32[:], float32, float32)")
def crossing_train(track: np.ndarray, middle: float, hysteresis: float) -> np.ndarray:
    """Give float32 shape (n,): unit impulses, split over two samples, where the track crosses the middle.

    A crossing counts once the track has gone `hysteresis` beyond the middle on the other side.
    """
    out = np.zeros(len(track), np.float32)
    side = 0
    place = np.float32(-1.0)
    for i in range(1, len(track)):
        a = track[i - 1] - middle
        b = track[i] - middle
        if (a < 0) != (b < 0):
            place = np.float32(i - 1) + a / (a - b)
        now = 1 if b > hysteresis else (-1 if b < -hysteresis else side)
        if now != side:
            if side != 0 and place >= 0:
                whole = int(place)
                part = place - np.float32(whole)
                out[whole] += 1 - part
                if whole + 1 < len(out):
                    out[whole + 1] += part
            side = now
    return out


def frequency_keying(features: Features) -> Keying | None:
    """Give the most convincing two- or four-level reading of the frequency track, None when there is none."""
    good = features.good
    if len(features.track) < 96 or good.sum() < 64:
        return None
    low, high = np.quantile(features.smooth_track[good], [0.1, 0.9])
    middle, half = (low + high) / 2, (high - low) / 2
    if half <= 0:
        return None
    readings = []
    for rate, over in _candidates(features, np.float32(middle), np.float32(half)):
        found = _judge(features, rate, over)
        if found:
            readings.append(found)
    if not readings:
        return None
    # Twice the true rate explains as much; its changes then all fall on every other place. Half the true
    # rate misses changes: then the faster one changes on even and odd places alike.
    top = max(_merit(item) for item in readings)
    readings = sorted((item for item in readings if _merit(item) > top - 0.15), key=lambda item: item.rate_hz)
    chosen = readings[0]
    for item in readings[1:]:
        if item.parity > 0.1 and item.spread < chosen.spread + 0.06 and item.explained > chosen.explained + 0.02:
            chosen = item
    return chosen


def _merit(keying: Keying) -> float:
    """Rank readings: clean levels that explain the track."""
    return keying.explained - 0.5 * keying.spread


def _candidates(features: Features, middle: np.float32, half: np.float32) -> list[tuple[float, float]]:
    """Give (rate, line height in dB) of symbol rates worth a look, best first, at most six."""
    rate_hz = features.rate_hz
    width = features.burst.width_hz
    least = max(LEAST_SYMBOLS / features.duration_s, 20.0)
    most = min(1.3 * width, rate_hz / 2.6)
    found: list[tuple[float, float]] = []

    def add(rate: float, over: float) -> None:
        for i, (known, height) in enumerate(found):
            if abs(known - rate) < 1.5 / features.duration_s:
                if over > height:
                    found[i] = (rate, over)
                return
        found.append((rate, over))

    centred = np.where(features.good, features.smooth_track - middle, 0).astype(np.float32)
    train = crossing_train(centred, np.float32(0), np.float32(0.3) * half)
    spectra = []
    if train.sum() >= 8:
        spectra.append(LineSpectrum(train - train.mean(), rate_hz))
        _comb(spectra[0], least, most, 12.0, add)
    reach = max(round(features.look), 1)
    jump = np.zeros_like(centred)
    jump[reach:-reach] = np.abs(centred[2 * reach :] - centred[: -2 * reach])
    jump = np.minimum(jump, 4 * half)
    spectrum = LineSpectrum(jump - jump.mean(), rate_hz)
    _comb(spectrum, least, most, 13.0, add)
    spectra.append(spectrum)
    squared = np.minimum(centred**2, np.float32(9) * half**2)
    spectrum = LineSpectrum(squared - squared.mean(), rate_hz)
    spectra.append(spectrum)
    for line in spectrum.strongest(max(least, width / 8), most, 2):
        if line.over_db > 13:
            add(line.frequency_hz, line.over_db)
    for usual in USUAL_RATES:
        if max(least, width / 8) < usual < most:
            for spectrum in spectra:
                line = spectrum.at(usual, 1.0 / features.duration_s)
                if line.over_db > 8.5:
                    add(line.frequency_hz, line.over_db)
    pair = squared_pair(features)
    if pair:
        add(pair[0], pair[2])
    found.sort(key=lambda item: -item[1])
    return found[:7]


def _comb(spectrum: LineSpectrum, least: float, most: float, need: float, add) -> None:  # type: ignore[no-untyped-def]
    """Offer the strongest lines, and what they may be a multiple of."""
    for line in spectrum.strongest(least, most, 3):
        if line.over_db < need:
            continue
        add(line.frequency_hz, line.over_db)
        for part in (2, 3, 4):
            lower = line.frequency_hz / part
            if lower >= least:
                below = spectrum.at(lower, 1.5 * spectrum.resolution_hz)
                if below.over_db > max(need, line.over_db - 12):
                    add(below.frequency_hz, below.over_db)


def squared_pair(features: Features) -> tuple[float, float, float] | None:
    """Give (rate, carrier relative to the burst's centre, line height dB) from the lines of iq squared.

    With a modulation index of 1/2 the squared signal has index 1 and so lines at twice the two
    frequencies: their distance is the bit rate, their middle twice the carrier.
    """
    spectrum = squared_lines(features)
    width = features.burst.width_hz
    lines = spectrum.strongest(-1.3 * width, 1.3 * width, 2, guard=6)
    if len(lines) < 2 or lines[1].over_db < 12:
        return None
    distance = abs(lines[0].frequency_hz - lines[1].frequency_hz)
    if not 0.3 * width < distance < 1.4 * width or abs(lines[0].over_db - lines[1].over_db) > 8:
        return None
    return distance, (lines[0].frequency_hz + lines[1].frequency_hz) / 4, lines[1].over_db


def squared_lines(features: Features) -> LineSpectrum:
    """Give the line spectrum of the squared signal, faded and silent parts left out."""
    return LineSpectrum(np.where(features.good, features.iq**2, 0).astype(np.complex64), features.rate_hz)


def _sample(track: np.ndarray, period: float, phase: float) -> tuple[np.ndarray, np.ndarray]:
    """Give the track at (k + phase) periods, linearly interpolated, and the places."""
    count = int((len(track) - 2) / period - phase)
    place = (np.arange(max(count, 0)) + phase) * period
    whole = place.astype(np.int64)
    part = (place - whole).astype(np.float32)
    return track[whole] * (1 - part) + track[whole + 1] * part, whole


def _judge(features: Features, rate: float, over: float) -> Keying | None:
    """Give what two or four levels at this rate make of the track, None when they do not fit."""
    period = features.rate_hz / rate
    if period < 2.4 or len(features.track) / period < LEAST_SYMBOLS:
        return None
    best: Keying | None = None
    for share in (0.5, 0.8):
        length = max(round(period * share), 1)
        if length < 2 and share != 0.5:
            continue
        track = moving_mean(features.track, length)
        # Mean frequency over the window is a phase difference: its noise comes from the two end points.
        noise = features.rate_hz / (2 * np.pi * max(length, features.look)) / np.sqrt(features.burst.snr)
        readings = []
        for phase in np.arange(0.05, 1, 0.1):
            values, places = _sample(track, period, float(phase))
            kept = features.good[places]
            if kept.sum() >= LEAST_SYMBOLS:
                readings.append((*_two_levels(values[kept]), float(phase), values[kept]))
        if not readings:
            return None
        levels = 2
        spread, half, middle, phase, values = min(readings, key=lambda item: item[0])
        clean = np.sqrt(max(spread**2 - (noise / max(half, 1e-9)) ** 2, 0.25 * spread**2))
        outer = half
        if spread > 0.58 or clean > 0.36:
            fours = [(*_four_levels(item[4], item[2]), item[3], item[4]) for item in readings]
            spread, outer, filled, middle, phase, values = min(fours, key=lambda item: item[0])
            step = outer / 3
            clean = np.sqrt(max(spread**2 - (noise / max(step, 1e-9)) ** 2, 0.25 * spread**2))
            levels = 4
            if spread > 0.5 or clean > 0.42 or filled < 0.06:
                continue
        signs = values > middle
        alternation = float(np.mean(signs[1:] != signs[:-1])) if len(signs) > 1 else 0.0
        changes = np.flatnonzero(signs[1:] != signs[:-1]) % 2
        odd = float(changes.mean()) if len(changes) else 0.0
        total = float(np.var(track[features.good]))
        keying = Keying(
            levels=levels,
            rate_hz=rate,
            rate_uncertainty_hz=0.1 / features.duration_s + 1e-6 * rate,
            deviation_hz=float(outer),
            center_hz=float(middle),
            spread=float(clean),
            explained=1 - _held_error(features, track, period, phase, middle, outer, levels) / max(total, 1e-9),
            low_share=float(np.var(moving_mean(track, max(round(4 * period), 2))[features.good])) / max(total, 1e-9),
            parity=min(odd, 1 - odd),
            alternation=alternation,
            clock_db=over,
            symbols=len(values),
        )
        if best is None or _merit(keying) > _merit(best):
            best = keying
    return best


def _held_error(
    features: Features, track: np.ndarray, period: float, phase: float, middle: float, outer: float, levels: int
) -> float:
    """Give the mean square of the track less the decided levels, each held for a symbol."""
    values, _ = _sample(track, period, phase)
    if levels == 2:
        decided = np.where(values > middle, outer, -outer)
    else:
        step = outer / 3
        decided = step * np.clip(2 * np.floor((values - middle) / (2 * step)) + 1, -3, 3)
    index = np.floor(np.arange(len(track)) / period - phase + 0.5).astype(np.int64)
    inside = (index >= 0) & (index < len(decided)) & features.good
    error = track[inside] - middle - decided[index[inside]]
    return float(np.mean(error**2)) if inside.any() else np.inf


def _two_levels(values: np.ndarray) -> tuple[float, float, float]:
    """Give (scatter over half distance, half distance, middle) of two clusters."""
    middle = float(np.median(values))
    for _ in range(4):
        above = values > middle
        if not above.any() or above.all():
            return 1.0, 0.0, middle
        high, low = float(np.mean(values[above])), float(np.mean(values[~above]))
        middle = (high + low) / 2
    half = (high - low) / 2
    if min(above.mean(), 1 - above.mean()) < 0.12 or half <= 0:
        return 1.0, half, middle
    return float(np.std(np.abs(values - middle)) / half), half, middle


def _four_levels(values: np.ndarray, middle: float) -> tuple[float, float, float, float]:
    """Give (scatter over half a step, outermost level, least share of a level, middle) of four even levels."""
    step = float(np.mean(np.abs(values - middle))) / 2
    for _ in range(6):
        if step <= 0:
            return 1.0, 0.0, 0.0, middle
        ideal = np.clip(2 * np.floor((values - middle) / (2 * step)) + 1, -3, 3)
        mean = ideal.mean()
        step = float(np.mean((ideal - mean) * values)) / max(float(np.mean((ideal - mean) ** 2)), 1e-9)
        middle = float(values.mean()) - step * mean
    if step <= 0:
        return 1.0, 0.0, 0.0, middle
    ideal = np.clip(2 * np.floor((values - middle) / (2 * step)) + 1, -3, 3)
    shares = [float(np.mean(ideal == level)) for level in (-3, -1, 1, 3)]
    spread = float(np.sqrt(np.mean((values - middle - step * ideal) ** 2)) / step)
    return spread, 3 * step, min(shares), middle
