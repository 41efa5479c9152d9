"""Is the phase keyed, how fast, and between how many values?

The symbol clock is a line in the squared envelope (excess bandwidth) or, for unshaped keying, in the
squared phase steps; at its symbol centres the M-th power of the signal becomes a steady tone when the
phase takes M values. The smallest M with such a tone is the order.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from earwitness.dsp import fft
from earwitness.emission.burst import moving_mean
from earwitness.emission.features import KEYING_CORE, Features
from earwitness.emission.lines import LineSpectrum, joint_background_db

ROLL_OFF = 0.4  # of the root-raised-cosine filter tried as matched filter; 0.2 to 0.6 are close enough
LEAST_SYMBOLS = 40
# Rates in use (Bd) that a weaker clock will do for: amateur, short-wave modems, telemetry, aeronautical, trunking
# (common practice, no source).
USUAL_RATES = (31.25, 62.5, 125, 300, 600, 1200, 1800, 2400, 4800, 9600, 10_500, 18_000)
USUAL_NEED_DB = 9.0
# Two lines of half the strength, as index-1/2 frequency keying gives, are no tone.
LEAST_TONE = {2: 0.55, 4: 0.35, 8: 0.0}
# The same of steps from symbol to symbol, whose mean noise alone brings so far once in 10 000.
LEAST_STEP, STEP_EVIDENCE = {2: 0.4, 4: 0.3}, 9.2


@dataclass(frozen=True, slots=True)
class PhaseKeying:
    """Phase keying seen; `order` is 2, 4 or 8, or 0 when only the clock was found."""

    rate_hz: float
    rate_uncertainty_hz: float
    clock_db: float
    order: int
    rotating: bool  # pi/4 turned between symbols
    carrier_hz: float  # relative to the burst's centre
    carrier_uncertainty_hz: float
    tone_share: float  # how much of a pure tone the order-th power is: 1 perfect
    tone_need: float  # what noise alone would reach
    c42: float  # normalised fourth-order cumulant |.|, noise removed: -1 PSK, -0.68 QAM, 0 Gaussian
    symbols: int


def clock_line(features: Features, width: float) -> tuple[float, float, complex] | None:
    """Give (symbol rate Hz, dB over the background, phasor of the clock) from the squared envelope."""
    power = np.minimum(features.power / np.maximum(features.local, 1e-30), 6).astype(np.float32)
    power *= features.good
    spectrum = LineSpectrum(power - power.mean(), features.rate_hz)
    least = max(0.4 * width, LEAST_SYMBOLS / features.duration_s)
    lines = spectrum.strongest(least, min(1.08 * width, features.rate_hz / 2.2), 1)
    if not lines:
        return None
    line = lines[0]
    need = joint_background_db(int((1.08 * width - least) / spectrum.bin_hz))
    # Noise hardly puts its highest line just where a rate in use is.
    in_use = any(abs(line.frequency_hz - rate) < spectrum.resolution_hz for rate in USUAL_RATES)
    if line.over_db < (min(USUAL_NEED_DB, need + 1) if in_use else need + 1):
        return None
    n = np.arange(len(power))
    phasor = complex(np.sum(power * np.exp(-2j * np.pi * line.frequency_hz / features.rate_hz * n)))
    return line.frequency_hz, line.over_db, phasor


def phase_keying(features: Features, width_hz: float) -> PhaseKeying | None:
    """Give what phase keying is seen, None when the envelope has no symbol clock.

    `width_hz` is the occupied bandwidth: shaped keying has its clock between 0.6 and 1 times that.
    """
    features = features.middle(KEYING_CORE)
    clock = clock_line(features, width_hz)
    if clock is None:
        return None
    rate, over, phasor = clock
    period = features.rate_hz / rate
    if period < 2 or len(features.iq) / period < LEAST_SYMBOLS:
        return None
    burst = features.burst
    spectrum = features.spectrum
    net = np.maximum(spectrum.density - burst.noise_hz, 0)
    offset = float(np.sum(net * spectrum.frequency_hz) / max(np.sum(net), 1e-30))

    shaped, noise = _matched(features, rate, offset)
    # The envelope is largest in the middle of a symbol: where the clock line peaks.
    first = (-np.angle(phasor) / (2 * np.pi)) % 1.0
    values, places = _cubic(shaped, period, first)
    keep = features.good[np.minimum(places, len(features.good) - 1)]
    local = np.abs(moving_mean(np.abs(values).astype(np.float32), 15)) + 1e-20
    values = np.where(keep, values / local, 0).astype(np.complex64)
    count = int(keep.sum())
    if count < LEAST_SYMBOLS:
        return None
    p2 = float(np.mean(np.abs(values[keep]) ** 2))
    p4 = float(np.mean(np.abs(values[keep]) ** 4))
    order, share, need, carrier, error = 0, 0.0, 1.0, offset, rate
    squared = 0.0
    unit = values / np.maximum(np.abs(values), 1e-20)
    for m in (2, 4, 8):
        raised = np.where(keep, unit**m, 0)
        size = fft.good_size(4 * len(raised))
        tone = np.abs(fft.forward(raised.astype(np.complex64), size)) / count
        at = int(np.argmax(tone))
        # Largest of `size` noise values of mean square 1/count.
        limit = np.sqrt((np.log(size) + 4) / count)
        if tone[at] > max(limit, LEAST_TONE[m]):
            turn = at / size if at < size / 2 else at / size - 1
            order, share, need = m, float(tone[at]), float(limit)
            # turn is known modulo one symbol: carrier modulo rate/m about the spectrum's middle
            carrier = offset + turn * rate / m
            error = 0.15 * rate / m / count
            if m == 2:
                # The carrier's offset turns the mean square: its tone is what counts.
                squared = float(
                    np.abs(fft.forward(np.where(keep, values**2, 0).astype(np.complex64), size)).max()
                )
                squared /= count
            break
    if order == 0:
        order, share, need, turn = _from_symbol_to_symbol(unit, keep)
        carrier = offset + turn * rate
        error = rate * need / 9 / max(order, 1)
    relative_noise = noise / max(float(np.mean(np.abs(shaped) ** 2)), 1e-30)
    signal = p2 * max(1 - relative_noise, 0.05)
    c42 = (p4 - squared**2 - 2 * p2**2) / signal**2
    rotating = False
    if order == 4 and abs(carrier - offset) > rate / 16:
        # A turn of pi/4 a symbol looks like an offset of an eighth of the rate.
        rotating = True
        carrier -= np.sign(carrier - offset) * rate / 8
    return PhaseKeying(
        rate_hz=rate,
        rate_uncertainty_hz=0.1 / features.duration_s + 1e-6 * rate,
        clock_db=over,
        order=order,
        rotating=rotating,
        carrier_hz=carrier,
        carrier_uncertainty_hz=error,
        tone_share=share,
        tone_need=need,
        c42=float(c42),
        symbols=count,
    )


def _from_symbol_to_symbol(unit: np.ndarray, keep: np.ndarray) -> tuple[int, float, float, float]:
    """Give (order, share, need, turn in cycles a symbol) from the steps between phases: drift and fading hardly touch those.

    Order 0 when there is none. Noise counts twice in a step, so that weak keying shows only by its steady phase.
    """
    both = keep[1:] & keep[:-1]
    steps = (unit[1:] * np.conj(unit[:-1]))[both]
    if len(steps) < LEAST_SYMBOLS:
        return 0, 0.0, 1.0, 0.0
    limit = float(np.sqrt(STEP_EVIDENCE / len(steps)))
    for m in (2, 4):
        mean = complex(np.mean(steps**m))
        if abs(mean) > max(limit, LEAST_STEP[m]):
            return m, abs(mean), limit, float(np.angle(mean)) / (2 * np.pi * m)
    return 0, 0.0, 1.0, 0.0


def _matched(features: Features, rate: float, offset: float) -> tuple[np.ndarray, float]:
    """Give the burst through a root-raised-cosine filter about `offset`, moved to 0 Hz, and its noise power."""
    n = len(features.iq)
    size = fft.good_size(n)
    bin_hz = features.rate_hz / size
    frequency = np.fft.fftfreq(size, 1 / features.rate_hz)
    distance = np.abs(frequency - offset) / rate
    edge = np.clip((distance - (1 - ROLL_OFF) / 2) / ROLL_OFF, 0, 1)
    shape = np.cos(np.pi / 2 * edge).astype(np.float32)
    shaped = fft.inverse(fft.forward(features.iq, size) * shape)[:n]
    shaped = shaped * np.exp(-2j * np.pi * offset / features.rate_hz * np.arange(n))
    return shaped, features.burst.noise_hz * bin_hz * float(np.sum(shape**2))


def _cubic(signal: np.ndarray, period: float, first: float) -> tuple[np.ndarray, np.ndarray]:
    """Give the signal at (k + first) periods by four-point cubic interpolation, and the places."""
    count = max(int((len(signal) - 4) / period - first), 0)
    place = (np.arange(count) + first) * period
    whole = np.maximum(place.astype(np.int64), 1)
    t = place - whole
    a, b, c, d = signal[whole - 1], signal[whole], signal[whole + 1], signal[whole + 2]
    return b + 0.5 * t * (c - a + t * (2 * a - 5 * b + 4 * c - d + t * (3 * (b - c) + d - a))), whole
