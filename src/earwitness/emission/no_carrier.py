"""What has neither a carrier nor a constant envelope: shaped phase keying, single-sideband voice, and what is like noise."""

from __future__ import annotations

import numpy as np

from earwitness.core.types import Identification
from earwitness.dsp import fft
from earwitness.dsp.quantile import quantile
from earwitness.emission.answers import SPEECH_WIDTH_HZ, STEADY_LINES, sure
from earwitness.emission.designator import designator
from earwitness.emission.features import KEYING_CORE, Features
from earwitness.emission.phase_keying import clock_line, phase_keying
from earwitness.emission.sideband import speech

SURE_SPEECH = 0.75
LEAST_SPEECH_HZ = 800.0
CLEAR_C42, MANY_SYMBOLS = -0.9, 300
STEADY_PAIR = 0.6  # share of the power in two lines
MOST_LINES = 0.35  # share of the power that two lines of keyed phases have
GAUSSIAN = (2.2, 5.0)  # highest tenth over the median of powers: 3.32 where they are exponential
LOUD_LINE = 0.04  # share of the power in one bin


def phase_keyed(features: Features, width: float) -> Identification | None:
    """Give phase keying with its clock and order."""
    keying = phase_keying(features, width)
    if keying is None or _keyed_off(features):
        return None
    clock = f"symbol clock of {keying.rate_hz:.1f} Bd {keying.clock_db:.0f} dB over its surroundings in the envelope"
    if keying.order == 0:
        if keying.c42 > -0.8 or keying.clock_db < 15:
            return None
        # Data in the amplitude too have -0.68; so few symbols that it may come out lower leave a doubt.
        clear = keying.c42 < CLEAR_C42 and keying.symbols > MANY_SYMBOLS
        return Identification(
            "psk",
            None,
            sure((keying.clock_db - 12) / 8, (features.burst.snr - 1) / 5) if clear else 0.45,
            (clock, f"fourth-order cumulant {keying.c42:.2f} as of phase keying; order not resolved"),
            designator(width, "G1D"),
            symbol_rate_hz=keying.rate_hz,
            symbol_rate_uncertainty_hz=keying.rate_uncertainty_hz,
        )
    name = {2: "bpsk", 4: "pi4-qpsk" if keying.rotating else "qpsk", 8: "8psk"}[keying.order]
    return Identification(
        "psk",
        name,
        sure(
            (keying.tone_share / keying.tone_need - 0.8) / 1.2,
            (keying.clock_db - 8) / 10,
            keying.symbols / 150,
        ),
        (
            clock,
            f"power {keying.order} of the signal at symbol centres is a steady tone ({100 * keying.tone_share:.0f} %)",
            f"envelope variation {features.envelope_variation:.2f}",
        ),
        designator(width, "G1D"),
        symbol_rate_hz=keying.rate_hz,
        symbol_rate_uncertainty_hz=keying.rate_uncertainty_hz,
        carrier_hz=features.burst.center_hz + keying.carrier_hz,
        carrier_uncertainty_hz=keying.carrier_uncertainty_hz,
    )


def _keyed_off(features: Features) -> bool:
    """Tell whether what looks like phase keying is one or two carriers that are switched: those show as lines.

    Keyed phases show none, but for reversals without end: two that are always on.
    """
    width = features.burst.width_hz
    shares = [line.share for line in features.lines.strongest(-width, width, 2)]
    if sum(shares) > STEADY_LINES:  # reversals have two lines of the same strength, two carriers hardly ever
        return min(shares) < 0.8 * max(shares)
    return sum(shares) > MOST_LINES


def single_sideband(features: Features, width: float) -> Identification | None:
    """Give single-sideband voice."""
    burst = features.burst
    if not LEAST_SPEECH_HZ / 2 < width < SPEECH_WIDTH_HZ or features.duration_s < 0.3:
        return None
    if burst.high_hz - burst.low_hz < LEAST_SPEECH_HZ:
        return None
    # The overtones of a voice move: two steady lines are two carriers, whose beat passes for a pitch.
    two = features.lines.strongest(-burst.width_hz, burst.width_hz, 2)
    if sum(line.share for line in two) > STEADY_PAIR:
        return None
    found = speech(features, burst.low_hz, burst.high_hz)
    if found is None or found.voiced < 0.3 or found.pitch_change < 0.015:
        return None
    # A second or two of vowels may have all but a hundredth of their power in the lowest overtones.
    if (
        width < LEAST_SPEECH_HZ
        and min(found.voiced - 0.6, found.pitch_change - 0.05, found.margin - 0.25) < 0
    ):
        return None
    side = "upper" if found.upper else "lower"
    confidence = sure(found.voiced / 0.6, found.margin / 0.25, (burst.snr - 1) / 5)
    if confidence < SURE_SPEECH and clock_line(features.middle(KEYING_CORE), width):
        return None  # keyed phases in fast fading have what passes for a pitch, too
    return Identification(
        "ssb",
        "usb" if found.upper else "lsb",
        confidence,
        (
            f"speech without carrier: {100 * found.voiced:.0f} % of the power in frames with a pitch that moves",
            f"pitch combs meet at {(burst.center_hz + found.carrier_hz) / 1e3:.2f} kHz: {side} sideband",
        ),
        designator(2700.0, "J3E"),
        carrier_hz=burst.center_hz + found.carrier_hz,
        carrier_uncertainty_hz=found.carrier_uncertainty_hz,
    )


def noise_like(features: Features, width: float) -> Identification | None:
    """Give a steady emission with the statistics of noise; a cyclic prefix makes it OFDM."""
    burst = features.burst
    looks = burst.width_hz * features.duration_s
    variation = features.envelope_variation
    if looks < 1000 or burst.snr < 2 or not 0.5 < variation < 1.5 or features.power_variation > 0.5:
        return None
    good = features.good
    usual, high = (quantile(features.power[good] / features.local[good], share) for share in (0.5, 0.9))
    if not GAUSSIAN[0] < high / max(usual, 1e-9) < GAUSSIAN[1]:
        return None  # crackle on something steady varies as much
    # The strings and pipes of music repeat themselves too; no carrier of many holds so much.
    if features.lines.power.max() > LOUD_LINE * features.lines.total:
        return None
    n = min(len(features.iq), 1 << 16)
    size = fft.good_size(2 * n)
    spectrum = fft.forward(features.iq[:n], size)
    correlation = np.abs(fft.inverse(spectrum.real**2 + spectrum.imag**2 + 0j))[: n // 2]
    least = int(24 * features.look)
    variant = None
    reasons = [
        f"Gaussian-like envelope (relative variance {variation:.2f}), steady, no carrier, no symbol clock"
    ]
    strength = 0.5
    if least < len(correlation) - 10:
        height = correlation[least:] / correlation[0]
        at = int(np.argmax(height))
        limit = np.sqrt((np.log(len(height)) + 5) * features.look / n)
        if height[at] > 1.3 * limit:
            variant = "ofdm"
            strength = 1.0
            reasons.append(
                f"repeats itself after {1e3 * (least + at) / features.rate_hz:.3f} ms ({100 * height[at]:.0f} %): cyclic prefix"
            )
    return Identification(
        "noise-like",
        variant,
        sure(strength, (burst.snr - 1) / 4, looks / 1500),
        tuple(reasons),
        designator(width, "W7D") if variant else None,
    )
