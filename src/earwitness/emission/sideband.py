"""Speech without its carrier: is it speech, which sideband, and where was the carrier?

Voiced speech is a comb of harmonics of a pitch that moves. All the combs of a transmission, whatever the
pitch of the moment, meet at one frequency: the suppressed carrier; it lies below the comb for the upper
sideband and above for the lower. The pitch itself needs no carrier: it is the period of the envelope.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from earwitness.dsp import fft
from earwitness.dsp.spectra import hann
from earwitness.emission.burst import moving_mean
from earwitness.emission.features import Features

FRAME_S = 0.06
PITCH_HZ = (75.0, 400.0)
REACH_HZ = 450.0  # how far outside the occupied band the carrier may lie
MOST_FRAMES = 60
GAP_HZ = 270.0  # speech bands begin 300 Hz from the carrier; the measured edge reaches out a little
GAP_SPREAD_HZ = 150.0
PRIOR = 0.06
EDGE_DB, EDGE_HZ = 20.0, 60.0
LEAST_ERROR_HZ, DOUBTFUL_SCORE = 6.0, 0.05


@dataclass(frozen=True, slots=True)
class Speech:
    """Signs of speech in a band without carrier."""

    upper: bool
    carrier_hz: float  # relative to the burst's centre
    carrier_uncertainty_hz: float
    voiced: float  # share of the power in frames whose envelope has a pitch
    pitch_change: float  # relative spread of the pitch between frames
    margin: float  # how much better the chosen carrier explains the combs than any on the other side


def _edges(features: Features, low_hz: float, high_hz: float) -> tuple[float, float]:
    """Give the edges of what stands out in a band: bins of a fast stream reach out far beyond speech.

    As far as its power, smoothed, lies within EDGE_DB of the strongest and is clear of the noise.
    """
    shape = features.spectrum
    inside = (shape.frequency_hz > low_hz) & (shape.frequency_hz < high_hz)
    if np.count_nonzero(inside) < 8:
        return low_hz, high_hz
    wide = max(int(EDGE_HZ / shape.bin_hz), 1)
    net = moving_mean(shape.density[inside], wide) - features.burst.noise_hz
    least = max(10 ** (-EDGE_DB / 10) * float(net.max()), 0.3 * features.burst.noise_hz)
    places = shape.frequency_hz[inside][net > least]
    if not len(places):
        return low_hz, high_hz
    return max(low_hz, float(places[0]) - EDGE_HZ / 2), min(high_hz, float(places[-1]) + EDGE_HZ / 2)


def speech(features: Features, low_hz: float, high_hz: float) -> Speech | None:
    """Give the signs of speech in the band low_hz..high_hz (relative), None when too short to say."""
    low_hz, high_hz = _edges(features, low_hz, high_hz)
    rate = features.rate_hz
    length = int(FRAME_S * rate)
    n = len(features.iq)
    if length < 64 or n < 4 * length:
        return None
    step = max(length // 2, (n - length) // (2 * MOST_FRAMES))
    starts = np.arange(0, n - length, step)
    window = hann(length)
    frames = features.iq[starts[:, None] + np.arange(length)]
    power = np.mean(features.power[starts[:, None] + np.arange(length)], axis=1) - features.burst.noise
    order = np.argsort(power)[::-1][:MOST_FRAMES]
    order = order[power[order] > max(0.15 * power[order[0]], 0.5 * features.burst.noise)]
    if len(order) < 4:
        return None
    frames, power = frames[order], power[order]

    # Pitch of each frame: strongest peak of the envelope's autocorrelation.
    envelope = frames.real**2 + frames.imag**2
    envelope = (envelope - envelope.mean(axis=1, keepdims=True)) * window
    size = fft.good_size(2 * length)
    spectrum = fft.forward(envelope.astype(np.float32), size)
    correlation = fft.inverse((spectrum.real**2 + spectrum.imag**2).astype(np.complex64)).real
    taper = np.correlate(window, window, "full")[length - 1 :]
    least, most = int(rate / PITCH_HZ[1]), min(int(rate / PITCH_HZ[0]) + 1, length - 2)
    lags = np.arange(least, most)
    # Very short lags stand for the band's width, not for a pitch.
    normal = correlation[:, lags] / np.maximum(correlation[:, :1], 1e-30) / (taper[lags] / taper[0])
    top = np.clip(np.argmax(normal, axis=1), 1, normal.shape[1] - 2)
    rows = np.arange(len(top))
    height = normal[rows, top]
    left, right = normal[rows, top - 1], normal[rows, top + 1]
    bend = np.minimum(left - 2 * height + right, -1e-9)
    pitch = rate / (lags[top] + np.clip(0.5 * (left - right) / bend, -0.5, 0.5))
    voiced = height > 0.45
    share = float(power[voiced].sum() / power.sum())
    if voiced.sum() < 3:
        return Speech(True, 0.0, high_hz - low_hz, share, 0.0, 0.0)
    pitches = pitch[voiced]
    change = float(np.std(np.log(pitches)))

    # Where do the combs meet?
    size = fft.good_size(4 * length)
    tones = fft.forward((frames[voiced] * window).astype(np.complex64), size)
    shown = np.sqrt(np.abs(tones))
    bin_hz = rate / size
    shown = np.concatenate([shown[:, size // 2 :], shown[:, : size // 2]], axis=1)
    grid = (np.arange(size) - size // 2) * bin_hz
    fine = 5.0
    below = np.arange(low_hz - REACH_HZ, low_hz + 100, fine)
    above = np.arange(high_hz - 100, high_hz + REACH_HZ, fine)
    multiples = np.arange(1, 13)

    def score(candidates: np.ndarray, sign: int) -> np.ndarray:
        total = np.zeros(len(candidates))
        for row, tone in zip(shown, pitches, strict=True):
            # Fold the frame's spectrum on its pitch: power at each phase of the comb.
            at = candidates[:, None] + sign * multiples[None, :] * tone
            between = at - sign * tone / 2
            inside = (at > low_hz) & (at < high_hz)
            hit = np.interp(at, grid, row) * inside
            miss = np.interp(between, grid, row) * inside
            total += (hit.sum(axis=1) - miss.sum(axis=1)) / max(float(row.mean()) * len(multiples), 1e-20)
        return total / len(pitches)

    low_score, high_score = score(below, 1), score(above, -1)
    # Speech is strongest near its carrier: how the power leans decides with the combs.
    shape = features.spectrum
    inside = (shape.frequency_hz > low_hz) & (shape.frequency_hz < high_hz)
    net = np.maximum(shape.density[inside] - features.burst.noise_hz, 0)
    middle = (low_hz + high_hz) / 2
    lean = (
        float(np.sum(net * (shape.frequency_hz[inside] - middle)) / max(net.sum(), 1e-30))
        / (high_hz - low_hz)
        * 2
    )
    # One pitch further out fits nearly as well: the usual gap between carrier and speech band decides.
    smooth_low = moving_mean(low_score, 3) - PRIOR * ((low_hz - GAP_HZ - below) / GAP_SPREAD_HZ) ** 2
    smooth_high = moving_mean(high_score, 3) - PRIOR * ((above - GAP_HZ - high_hz) / GAP_SPREAD_HZ) ** 2
    margin = float(smooth_low.max() - smooth_high.max()) - 0.35 * lean
    upper = margin > 0
    chosen, places = (smooth_low, below) if upper else (smooth_high, above)
    found = float(places[np.argmax(chosen)])
    # Another place that the combs meet at nearly as well, a pitch away, makes it doubtful which.
    weight = np.exp((chosen - chosen.max()) / DOUBTFUL_SCORE)
    spread = float(np.sqrt(np.sum(weight * (places - found) ** 2) / np.sum(weight)))
    return Speech(upper, found, float(np.hypot(LEAST_ERROR_HZ, spread)), share, change, abs(margin))
