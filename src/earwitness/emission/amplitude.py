"""What has a carrier: bare, with two sidebands, drifting, or keyed on and off.

Each question gives an identification with its reasons, or None; evidence is such that noise alone would not give it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from earwitness.core.types import Identification, Measurement
from earwitness.emission.answers import BROADCAST_WIDTH_HZ, STEADY_LINES, at_line, sure
from earwitness.emission.burst import moving_mean
from earwitness.emission.designator import designator
from earwitness.emission.features import Features
from earwitness.emission.lines import LineSpectrum
from earwitness.emission.measure import LEAST_SOUND, SURE_SOUND, is_am
from earwitness.emission.switching import Switching

LEAST_COHERENCE = 0.3
# of switching: on-off keying has 14 and more in any noise, one of two tones in a null has less
LEAST_CONTRAST_DB = 9.5
OFF_DB = 12.0  # by which a carrier goes down that is switched off: full modulation only touches zero
MORE_THAN_SINE = 0.85  # of the variance between on and off: a tone has 0.81
LEAST_SOUND_HZ = 100.0
FASTEST_HAND_WPM = 60.0  # of sending without a dash
MORSE_WIDTH_HZ, WIDE_MORSE_HZ = 800.0, 3000.0
ONE_LINE = 0.05  # of the width: how far the frequency of a line in it usually is from its course
CLIPPED_WIDTH_HZ = 12_000.0  # of speech with what clipping puts beside it
ON_MOSTLY = 0.7  # share of the time that sound on a carrier is there


def morse(features: Features, keyed: Switching | None, width: float) -> Identification | None:
    """Give a keyed carrier: a line that comes and goes in times a hand or keyer makes."""
    if keyed is None or keyed.runs < 4 or not 0.1 < keyed.on_share < 0.92:
        return None
    # Drift, clicks and another station beside it make it wider; its line is still all there is.
    if width > MORSE_WIDTH_HZ and not (
        width < WIDE_MORSE_HZ and is_clear(keyed) and _is_one_line(features, width)
    ):
        return None
    if keyed.contrast_db < LEAST_CONTRAST_DB or keyed.on_variation > 0.35:
        return None
    # Fading brings the strong nearer to the weak; elements that come up to what fading leaves are keyed all the same.
    fades = keyed.runs >= 12 and keyed.contrast_db > 15 and keyed.on_variation < 0.15
    if keyed.separation < (0.6 if fades else 0.7):
        return None
    if keyed.short_on_s < 0.012 or keyed.short_off_s < 0.008:
        return None
    # Phase reversals are off for two fifths of the time at most; fading may turn the phase in longer gaps.
    if keyed.on_share > 0.55 and not _goes_on(features, keyed):
        return None
    dot = min(keyed.short_on_s, 1.3 * keyed.short_off_s)
    speed = 1.2 / dot
    ratio = keyed.long_on_s / keyed.short_on_s
    if (speed > FASTEST_HAND_WPM and ratio < 2) or _is_reversals(features):
        return None
    return Identification(
        "cw",
        "morse" if ratio > 1.8 else None,
        sure((keyed.separation - 0.6) / 0.25, keyed.runs / 12, (keyed.contrast_db - 6) / 8),
        (
            f"carrier keyed on and off, {keyed.contrast_db:.0f} dB contrast, {keyed.runs} elements",
            f"short element {1000 * keyed.short_on_s:.0f} ms, long {ratio:.1f} times that (about {speed:.0f} wpm)",
        ),
        designator(max(width, 1.0), "A1A"),
        **at_line(features),
    )


def _is_reversals(features: Features) -> bool:
    """Tell whether an emission is two lines of the same strength and no more: phase reversals without end."""
    width = features.burst.width_hz
    shares = [line.share for line in features.lines.strongest(-width, width, 2)]
    seen = 1 / (1 + 1 / features.burst.snr)
    return len(shares) == 2 and sum(shares) > STEADY_LINES * seen and min(shares) > 0.6 * max(shares)


def is_clear(keyed: Switching) -> bool:
    """Tell whether an emission goes on and off altogether, time and again."""
    return keyed.runs >= 8 and keyed.contrast_db > 12 and keyed.separation > 0.9 and keyed.on_variation < 0.1


def _is_one_line(features: Features, width: float) -> bool:
    """Tell whether the frequency of what is on keeps to one place, but for drift."""
    places = np.flatnonzero(features.good)
    places = places[:: max(len(places) // 2048, 1)]
    if len(places) < 32:
        return False
    course = features.smooth_track[places]
    off = course - np.polynomial.Polynomial.fit(places, course, 2)(places)
    return bool(np.median(np.abs(off)) < ONE_LINE * width)


def _goes_on(features: Features, keyed: Switching) -> bool:
    """Tell whether a keyed carrier goes on in the phase it had: phase reversals, too, touch zero.

    Across the gaps between short elements, turned back by the frequency that the phase has inside of elements.
    """
    rate, width = features.rate_hz, features.burst.width_hz
    lag = round((keyed.short_on_s + keyed.short_off_s) * rate)
    inside = max(round(keyed.short_on_s * rate / 4), 1)
    line = features.squared_lines.strongest(-width, width, 1)
    if not line or not 0 < lag < len(features.iq) // 2:
        return True
    n = len(features.iq) - lag
    turn = np.exp(-1j * np.pi * line[0].frequency_hz / rate * np.arange(len(features.iq)))
    iq = features.iq * turn.astype(np.complex64)
    on = features.power > 0.3 * np.quantile(features.power, 0.9)
    iq = iq * on
    half = (lag - inside) // 2  # the phase in the middle between both, so that drift does not count
    near = moving_mean(iq[half + inside : half + inside + n] * np.conj(iq[half : half + n]), 4 * lag)
    offs = np.cumsum(~on)
    product = iq[lag:] * np.conj(iq[:n]) * (offs[lag:] > offs[:n])
    turned = product * np.exp(-1j * np.angle(near) * lag / inside)
    return bool(np.sum(turned.real) > LEAST_COHERENCE * np.sum(np.abs(product)))


def amplitude(features: Features, width: float, keyed: Switching | None = None) -> Identification | None:
    """Give a bare carrier or a carrier with two sidebands; one that is `keyed` off altogether is neither."""
    if keyed and keyed.contrast_db > OFF_DB and keyed.separation > MORE_THAN_SINE and keyed.on_share < 0.9:
        return None
    line = features.carrier
    # Sidebands of sound that hold so much power lie within the occupied bandwidth: else they are keying, or fading.
    sound = width > LEAST_SOUND_HZ or line.in_phase < 0.02
    # In a band so narrow sound is faster than what tells on from off.
    sound = sound and (features.burst.width_hz > MORSE_WIDTH_HZ or features.good.mean() > ON_MOSTLY)
    if is_am(features) and sound:
        ratio = 10 * np.log10(1 / max(line.in_phase, 1e-9))
        weak = line.in_phase < 12 * line.uncertainty
        bandwidth = 6000.0 if width < 6600 else 8000.0 if width < 9000 else 10_000.0
        return Identification(
            "am",
            "dsb",
            sure(
                (line.share - 0.2) / 0.3,
                max(line.in_phase / line.uncertainty / 12, features.sound / 20 if weak else 0.0),
                1 - 2.5 * max(line.quadrature - line.uncertainty, 0) / line.in_phase,
            ),
            (
                f"carrier {ratio:.0f} dB above its sidebands and {100 * line.share:.0f} % of the power",
                f"sidebands symmetric: sound along the carrier's phase, {features.sound:.0f} standard deviations more than across"
                if weak
                else f"sidebands symmetric: {10 * np.log10(max(line.in_phase, 1e-9) / max(line.quadrature, line.uncertainty)):.0f}"
                " dB more along the carrier's phase than across it",
            ),
            designator(bandwidth, "A3E"),
            **at_line(features),
        )
    rest = max(line.in_phase, 0) + max(line.quadrature, 0)
    along = (line.in_phase - LEAST_SOUND) / line.uncertainty
    if line.share > 0.85 and line.carrier_snr > 15 and rest < 0.02 + 4 * line.uncertainty:
        return Identification(
            "carrier",
            None,
            sure(
                (line.share - 0.8) / 0.15,
                np.log10(line.carrier_snr) / 2,
                1 - max(rest - 1.5 * line.uncertainty, 0) / 0.06,
                (4 - along) / 2,  # sound may be there that is not sure yet
                (SURE_SOUND - features.sound) / 2 if along > 0 else 1.0,
            ),
            (
                f"{100 * line.share:.0f} % of the power in one line",
                f"modulation {10 * np.log10(max(rest, line.uncertainty, 1e-9)):.0f} dB relative to the carrier",
            ),
            designator(None, "N0N"),
            **at_line(features),
        )
    return None


def drifting(features: Features, measurement: Measurement, width: float) -> Identification | None:
    """Give a bare carrier whose drift smears its line: straightened, then by a parabola through its phase.

    The product with itself a quarter later turns a steady drift into a line (the quadratic phase's first
    difference; textbook).
    """
    if width > 200 or features.envelope_variation > 0.3:
        return None
    iq, rate = features.iq, features.rate_hz
    lag = len(iq) // 4
    product = LineSpectrum(iq[lag:] * np.conj(iq[:-lag]), rate)
    place = int(np.argmax(product.power))
    steps = (place + product.size // 2) % product.size - product.size // 2
    drift_hz_s = steps * product.bin_hz * rate / lag
    seconds = (np.arange(len(iq)) - len(iq) / 2) / rate
    turn = np.exp(-1j * np.pi * drift_hz_s * seconds**2).astype(np.complex64)
    calm = moving_mean(iq * turn, max(int(4 * features.look), 1))
    phase = np.unwrap(np.angle(calm))
    t = np.linspace(-1, 1, len(phase))
    course = np.polynomial.Polynomial.fit(t, phase, 2)
    turn *= np.exp(-1j * course(t)).astype(np.complex64)
    straight = Features(replace(features.burst, iq=iq * turn))
    found = amplitude(straight, width)
    if found is None or found.kind != "carrier":
        return None
    rate_hz = drift_hz_s + course.convert().coef[2] / np.pi * (2 * rate / len(phase)) ** 2
    return replace(
        found,
        reasons=(*found.reasons, f"drifting by about {rate_hz:.0f} Hz a second"),
        carrier_hz=measurement.center_hz,
        carrier_uncertainty_hz=None,
    )


def pulses(features: Features, keyed: Switching | None, width: float) -> Identification | None:
    """Give pulses and on-off keying faster than Morse."""
    line = features.carrier
    # Switching a carrier wholly off leaves (1 - duty) / duty of its power along its phase.
    wide = width > BROADCAST_WIDTH_HZ
    coherent = (
        line.share > 0.25
        and line.carrier_snr > 10
        and line.in_phase > (0.25 if wide else 0.6)
        and line.quadrature < 0.25 * line.in_phase + 2 * line.uncertainty
    )
    clear = keyed is not None and keyed.runs >= 8 and keyed.contrast_db > 9.5 and keyed.separation > 0.62
    # Without coherence, speech in a narrow band can look switched, but never has two levels only.
    narrow = width < CLIPPED_WIDTH_HZ and not (
        keyed and keyed.runs >= 16 and keyed.separation > 0.85 and keyed.on_variation < 0.05
    )
    if not coherent and (not clear or narrow):
        return None
    if not wide and not clear and keyed and keyed.contrast_db < LEAST_CONTRAST_DB:
        return None  # comes and goes, but never off: a carrier that echoes weaken has sidebands as strong
    reasons = []
    if coherent:
        reasons.append(
            f"carrier switched: {100 * line.share:.0f} % of the power steady, the rest along its phase"
        )
    if keyed is not None and clear:
        # Pulses as short as the width allows, or steady inside; none is shorter.
        short = keyed.short_on_s * width
        if not coherent and not (short < 3 if wide else short > 1 and keyed.on_variation < 0.15):
            return None
        reasons.append(
            f"{keyed.runs} pulses, {keyed.contrast_db:.0f} dB contrast, on {100 * keyed.on_share:.0f} % of the time,"
            f" shortest {1e6 * keyed.short_on_s:.2f} microseconds"
        )
    slow = keyed is not None and clear and keyed.short_on_s >= 0.012
    if width < MORSE_WIDTH_HZ and not slow:
        return None
    hand = slow and width < MORSE_WIDTH_HZ
    ppm = width > 300e3
    evidence = [min(keyed.runs / 25, (keyed.contrast_db - 7) / 4)] if keyed is not None and clear else []
    if coherent:
        evidence.append(
            min(line.in_phase / line.uncertainty / 15, 1 - 2 * max(line.quadrature, 0) / line.in_phase)
        )
    return Identification(
        "cw" if hand else "ook",
        "ppm" if ppm else None,
        sure(max(evidence), 0.3 + 0.4 * len(evidence)),
        tuple(reasons),
        designator(width, "A1A" if hand else "M1D" if ppm else "A1D"),
        **(at_line(features) if coherent else {"carrier_hz": features.burst.center_hz + line.frequency_hz}),
    )
