"""Say what an emission is from the signal alone, with reasons; unknown stays unknown.

The order of questions is: is there enough signal; is all of it in one line (carrier, Morse); is there a
line with modulation along its phase only (AM); is the envelope constant (then the frequency says: voice,
broadcast, two or four levels); is it switched (pulses); has the envelope a symbol clock (phase keying);
is it speech without carrier (SSB); is it like noise (OFDM and its kin). Each answer needs evidence that
noise alone would not give, and the confidence says by how much.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from earwitness.core.types import Detection, Identification, Measurement, Samples
from earwitness.dsp import fft
from earwitness.dsp.quantile import quantile
from earwitness.emission.burst import cut, moving_mean
from earwitness.emission.chirp import chirp
from earwitness.emission.designator import designator
from earwitness.emission.features import CLEAR_SNR, KEYING_CORE, Features
from earwitness.emission.lines import LineSpectrum
from earwitness.emission.measure import (
    LEAST_ACCOUNT,
    LEAST_SOUND,
    MAYBE_SOUND,
    SURE_SOUND,
    from_detection,
    is_am,
    measure_burst,
)
from earwitness.emission.phase_keying import clock_line, phase_keying
from earwitness.emission.shift_keying import (
    LEAST_EXPLAINED,
    SLOW_ALTERNATION,
    Keying,
    frequency_keying,
    masked_variance,
    squared_pair,
    subaudible_code,
)
from earwitness.emission.sideband import speech
from earwitness.emission.switching import Switching, switching

PILOT_HZ = 19_000.0  # ITU-R BS.450
LEAST_INDEX = (
    0.35  # of two-level keying in use (common practice, no source); audio tones read as symbols have less
)
WIDE_INDEX, SQUARE = (
    1.5,
    0.86,
)  # reversals in so wide a band are square; a sine explains 8/pi^2 = 0.81 of itself
SUBAUDIBLE_CODE_BD = 134.4  # digital squelch on FM voice
NARROW_FM_HZ = 25_000.0  # necessary bandwidth of mobile radio is 16 kHz at most (common practice, no source)
BROADCAST_WIDTH_HZ, SURELY_WIDE_HZ = 60_000.0, 80_000.0
LEAST_COHERENCE = 0.3
LEAST_CONTRAST_DB = (
    9.5  # of switching: on-off keying has 14 and more in any noise, one of two tones in a null has less
)
OFF_DB = 12.0  # by which a carrier goes down that is switched off: full modulation only touches zero
MORE_THAN_SINE = 0.85  # of the variance between on and off: a tone has 0.81
LEAST_SOUND_HZ = 100.0
FASTEST_HAND_WPM = 60.0  # of sending without a dash
MORSE_WIDTH_HZ, WIDE_MORSE_HZ = 800.0, 3000.0
ONE_LINE = 0.05  # of the width: how far the frequency of a line in it usually is from its course
SURE_SPEECH = 0.75
CLIPPED_WIDTH_HZ = 12_000.0  # of speech with what clipping puts beside it
LEAST_SPEECH_HZ, SPEECH_WIDTH_HZ = 800.0, 4500.0
SOUND_HZ = 6500.0  # both sidebands of speech on a carrier
SOUND_OVER_NOISE = 5.0  # standard deviations that weak sidebands beside a carrier stand over the noise
USUAL_SOUND = (
    0.001,
    0.1,
)  # of a carrier's power, in its sidebands: speech at a fifth of full depth, and full depth all the time
MAYBE_BARE = 0.6  # confidence of a carrier beside which no sound would be seen
LEAST_CONFIDENCE = 0.5
STEADY_SWING = (
    0.095  # between quartiles, of what is usual: keying's for 25 ms; 0.07 is the standard deviation
)
SLOW_SWING = 0.25  # the same of so few symbols that their mean wavers
LEAST_SWEPT = 0.3  # of the width
LEAST_SWEEP_HZ = 500.0  # what wanders over less is a carrier that drifts
LEAST_FM_HZ = 1500.0  # narrower than any sound on FM
AS_AM, FLAT = (
    0.35,
    0.05,
)  # of what lies across the phase of a carrier; variation of FM's envelope in any noise
NO_SOUND = (
    8.0  # times the density of 500 to 1800 Hz below 220 Hz: music has up to 2.5, slow keying 13 and more
)
FADED = (
    3.0  # relative variance of the power that fading hardly has (Rayleigh's is 1), a voice's syllables have
)
PILOT_ENVELOPE = 0.4
ON_MOSTLY = 0.7  # share of the time that sound on a carrier is there
ALWAYS_ON = 0.8  # share of the time that a broadcast without a pilot is there at least
SQUARED_LINE = 0.4  # share of the power that phase reversals have in one line when squared
CLEAR_C42, MANY_SYMBOLS = -0.9, 300
STEADY_PAIR = 0.6  # share of the power in two lines
MOST_LINES, STEADY_LINES = (
    0.35,
    0.75,
)  # share of the power that two lines of keyed phases have, and of reversals
GAUSSIAN = (2.2, 5.0)  # highest tenth over the median of powers: 3.32 where they are exponential
LOUD_LINE = 0.04  # share of the power in one bin
AUDIBLE_HZ, HIGHEST_TONE_HZ = 60.0, 5000.0  # of tones on FM, from tone squelch up
TONE_S, MOST_PIECES = 0.025, 24  # what is looked at for sines, and how often
SINE_SHARE = 0.95  # of the track's power in one line; a square wave has 0.81 there
STEADY_SINE = 0.4  # the same of all of a noisy track
OVERTONE = (
    0.015  # of that, a third harmonic: a square wave's has a ninth of it, smooth keying's a third of that
)
OVERTONE_ROOM = 0.6  # of the width: as far out as what is modulated is still seen
SELDOM, SURE_CLOCK_DB = 0.22, 14.0
ALTERNATES = 0.96  # of symbols differ from the one before: reversals
KEYED = ("fsk2", "fsk4")
CARRIER_METHODS = {
    "carrier": "frequency of its carrier line",
    "am": "frequency of its carrier line",
    "cw": "frequency of its carrier line",
    "ook": "frequency of its carrier line",
    "fsk2": "middle of the two keyed frequencies",
    "fsk4": "middle of the four keyed frequencies",
    "psk": "carrier, from the line that its power of the order of keying has",
    "ssb": "suppressed carrier, where the combs of the voice's pitch meet",
}
CONSTANT_ENVELOPE = 0.12  # relative variance of the power, noise removed


def identify(
    channel: Samples, detection: Detection, measurement: Measurement, *, span_hz: float | None = None
) -> Identification:
    """Give class, variant, designator, confidence and reasons of the emission `detection` means.

    `span_hz` (rate of detection.start and .stop) lets it keep to the detected stretch of the channel.
    """
    burst = cut(channel, detection, span_hz)
    if burst is None:
        return unknown("nothing above the noise in the channel")
    features = Features(burst)
    answer = identify_burst(features, measurement)
    if answer.kind == "carrier":
        _, answer = _looked_beside(channel, detection, span_hz, features, measurement, answer)
    return answer


def examine(channel: Samples, detection: Detection, *, span_hz: float) -> tuple[Measurement, Identification]:
    """Give measurement and identification at once: the same as one after the other, for less work."""
    burst = cut(channel, detection, span_hz)
    if burst is None:
        return from_detection(detection), unknown("nothing above the noise in the channel")
    features = Features(burst)
    measurement = measure_burst(features, detection)
    answer = identify_burst(features, measurement)
    if answer.kind == "carrier":
        measurement, answer = _looked_beside(channel, detection, span_hz, features, measurement, answer)
    elif answer.kind == "am" and features.burst.width_hz < SOUND_HZ:
        # What of its sidebands is too weak to be seen by itself counts all together.
        burst = cut(channel, detection, span_hz, least_hz=SOUND_HZ)
        if burst is not None and burst.width_hz < 2 * SOUND_HZ:
            # Its depth is told better where less noise is.
            measurement = replace(
                measure_burst(Features(burst), detection),
                modulation_depth_pct=measurement.modulation_depth_pct,
                modulation_depth_uncertainty_pct=measurement.modulation_depth_uncertainty_pct,
            )
    return _as_known(measurement, answer), answer


def _as_known(measurement: Measurement, answer: Identification) -> Measurement:
    """Give the figures with those that knowing the class makes better."""
    if answer.kind in KEYED and answer.deviation_hz is not None:
        measurement = replace(
            measurement,
            deviation_hz=answer.deviation_hz,
            deviation_uncertainty_hz=max(0.08 * answer.deviation_hz, answer.carrier_uncertainty_hz or 0.0),
            methods={**measurement.methods, "deviation": "from the middle to the outermost keyed frequency"},
        )
    if answer.carrier_hz is None or answer.carrier_uncertainty_hz is None:
        return measurement
    return replace(
        measurement,
        center_hz=answer.carrier_hz,
        center_uncertainty_hz=answer.carrier_uncertainty_hz,
        methods={**measurement.methods, "center": CARRIER_METHODS[answer.kind]},
    )


def _looked_beside(
    channel: Samples,
    detection: Detection,
    span_hz: float | None,
    features: Features,
    measurement: Measurement,
    answer: Identification,
) -> tuple[Measurement, Identification]:
    """Look closer at what seems a bare carrier: is it modulated at another time, or weakly outside the detected band?

    Where sound as loud as is usual would not be seen, the carrier is less sure to be a bare one.
    """
    part = features.busiest
    if part is not None:
        then = measure_burst(part, detection)
        found = identify_burst(part, then)
        if found.kind not in ("unknown", "carrier"):
            now = replace(
                measurement,
                deviation_hz=then.deviation_hz,
                deviation_uncertainty_hz=then.deviation_uncertainty_hz,
                modulation_depth_pct=then.modulation_depth_pct,
                modulation_depth_uncertainty_pct=then.modulation_depth_uncertainty_pct,
                methods={**then.methods, **measurement.methods},
            )
            if found.kind == "fm":  # the carrier by itself is known best
                found = replace(found, carrier_hz=now.center_hz)
            return now, replace(found, reasons=(*found.reasons, "a bare carrier at other times"))
    burst = cut(channel, detection, span_hz, least_hz=SOUND_HZ)
    if burst is None:
        bare = min(answer.confidence, MAYBE_BARE)
        return measurement, replace(
            answer, confidence=bare, reasons=(*answer.reasons, "too weak to see sound beside it")
        )
    if burst.width_hz > 2 * SOUND_HZ:
        return measurement, answer
    wide = Features(burst)
    core = wide.core
    line = core.carrier
    if max(line.in_phase / line.uncertainty / SOUND_OVER_NOISE, core.sound / SURE_SOUND) > 1:
        heard = _amplitude(core, measurement, SOUND_HZ)
        if heard and heard.kind == "am" and heard.confidence >= LEAST_CONFIDENCE:
            return measure_burst(wide, detection), heard
    unseen = max(line.in_phase, 0.0) + 2 * line.uncertainty
    quiet, loud = USUAL_SOUND
    part_unseen = float(np.clip(np.log(unseen / quiet) / np.log(loud / quiet), 0, 1))
    if core.sound > MAYBE_SOUND:
        part_unseen = 1.0
    if part_unseen == 0:
        return measurement, answer
    return measurement, replace(
        answer,
        confidence=round(answer.confidence - part_unseen * max(answer.confidence - MAYBE_BARE, 0.0), 3),
        reasons=(
            *answer.reasons,
            f"sidebands of sound less than {-10 * np.log10(min(unseen, 1.0)):.0f} dB below it would be seen",
        ),
    )


def unknown(*reasons: str, variant: str | None = None, symbol_rate_hz: float | None = None) -> Identification:
    """Give the honest answer."""
    return Identification("unknown", variant, 0.0, reasons, None, symbol_rate_hz=symbol_rate_hz)


def _sure(*parts: float) -> float:
    """Give a confidence from evidence parts, each 0 (none) to 1 (plenty); the weakest leads."""
    clipped = [min(max(part, 0.0), 1.0) for part in parts]
    return round(float(0.4 + 0.59 * min(clipped) ** 0.5 * np.mean(clipped) ** 0.5), 3)


def identify_burst(features: Features, measurement: Measurement) -> Identification:
    """Give the identification of a cleaned emission."""
    features = features.core
    burst = features.burst
    width = measurement.occupied_bandwidth_hz or (burst.high_hz - burst.low_hz)
    looks = burst.width_hz * features.duration_s
    line = features.carrier
    if looks < 40:
        return unknown(f"too short: {looks:.0f} independent samples")
    if burst.snr < CLEAR_SNR and line.carrier_snr < 30:
        return unknown(f"too weak: {10 * np.log10(burst.snr):.1f} dB in its band")
    # Only what comes and goes can be switched: within a few inverse widths, or in all where the band holds more.
    varies = features.envelope_variation
    comes_and_goes = varies > 0.2 or (varies > 0.1 and features.power_variation > 0.3)
    slowly = width < WIDE_MORSE_HZ and features.power_variation > 0.5
    keyed = switching(features) if width < MORSE_WIDTH_HZ or comes_and_goes or slowly else None
    doubtful = None
    for question in (
        lambda: _morse(features, keyed, width),
        lambda: _amplitude(features, measurement, width, keyed),
        lambda: _pulses(features, keyed, width),
        lambda: _speech(features, width) if varies > 0.1 or features.power_variation > FADED else None,
        lambda: _phase(features, width) if 0.1 < features.envelope_variation < 0.75 else None,
        lambda: _constant(features, measurement, width, keyed),
        lambda: _drifting(features, measurement, width),
        lambda: _noise_like(features, width),
    ):
        answer = question()
        if answer and answer.confidence >= LEAST_CONFIDENCE:
            return answer
        doubtful = doubtful or answer
    if doubtful:
        return unknown(f"perhaps {doubtful.variant or doubtful.kind}, but not surely", *doubtful.reasons)
    return unknown(
        f"envelope variation {features.envelope_variation:.2f}, no carrier, no symbol clock, no speech"
    )


def _at_line(features: Features) -> dict[str, float]:
    """Give the carrier's frequency and its uncertainty from its line."""
    peak_hz, uncertainty_hz = features.carrier_peak
    return {
        "carrier_hz": features.burst.center_hz + peak_hz,
        "carrier_uncertainty_hz": float(np.hypot(uncertainty_hz, 0.01)),
    }


def _morse(features: Features, keyed: Switching | None, width: float) -> Identification | None:
    """Give a keyed carrier: a line that comes and goes in times a hand or keyer makes."""
    if keyed is None or keyed.runs < 4 or not 0.1 < keyed.on_share < 0.92:
        return None
    # Drift, clicks and another station beside it make it wider; its line is still all there is.
    if width > MORSE_WIDTH_HZ and not (
        width < WIDE_MORSE_HZ and _is_clear(keyed) and _is_one_line(features, width)
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
        _sure((keyed.separation - 0.6) / 0.25, keyed.runs / 12, (keyed.contrast_db - 6) / 8),
        (
            f"carrier keyed on and off, {keyed.contrast_db:.0f} dB contrast, {keyed.runs} elements",
            f"short element {1000 * keyed.short_on_s:.0f} ms, long {ratio:.1f} times that (about {speed:.0f} wpm)",
        ),
        designator(max(width, 1.0), "A1A"),
        **_at_line(features),
    )


def _is_reversals(features: Features) -> bool:
    """Tell whether an emission is two lines of the same strength and no more: phase reversals without end."""
    width = features.burst.width_hz
    shares = [line.share for line in features.lines.strongest(-width, width, 2)]
    seen = 1 / (1 + 1 / features.burst.snr)
    return len(shares) == 2 and sum(shares) > STEADY_LINES * seen and min(shares) > 0.6 * max(shares)


def _is_clear(keyed: Switching) -> bool:
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


def _amplitude(
    features: Features, measurement: Measurement, width: float, keyed: Switching | None = None
) -> Identification | None:
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
            _sure(
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
            **_at_line(features),
        )
    rest = max(line.in_phase, 0) + max(line.quadrature, 0)
    along = (line.in_phase - LEAST_SOUND) / line.uncertainty
    if line.share > 0.85 and line.carrier_snr > 15 and rest < 0.02 + 4 * line.uncertainty:
        return Identification(
            "carrier",
            None,
            _sure(
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
            **_at_line(features),
        )
    return None


def _drifting(features: Features, measurement: Measurement, width: float) -> Identification | None:
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
    found = _amplitude(straight, measurement, width)
    if found is None or found.kind != "carrier":
        return None
    rate_hz = drift_hz_s + course.convert().coef[2] / np.pi * (2 * rate / len(phase)) ** 2
    return replace(
        found,
        reasons=(*found.reasons, f"drifting by about {rate_hz:.0f} Hz a second"),
        carrier_hz=measurement.center_hz,
        carrier_uncertainty_hz=None,
    )


def _constant(
    features: Features, measurement: Measurement, width: float, keyed: Switching | None
) -> Identification | None:
    """Give what an emission of constant envelope is; one `keyed` on and off is no voice."""
    burst = features.burst
    variation = features.envelope_variation
    # How well the variation is known at this SNR and length.
    looks = max(burst.width_hz * features.duration_s * features.good.mean(), 1.0)
    doubt = 3 * (1 + 2 / burst.snr) / burst.snr / np.sqrt(looks) * 2
    if variation > CONSTANT_ENVELOPE + min(doubt, 0.1):
        # Noise, echoes and a cut band vary the envelope of wide FM; its pilot proves it all the same.
        if variation < PILOT_ENVELOPE and width > BROADCAST_WIDTH_HZ:
            return _broadcast(
                features, width, f"relative variance of the power {variation:.2f}", 0.3, least=True
            )
        return None
    if looks < 120:
        return None
    steady = f"constant envelope: relative variance of the power {max(variation, 0):.2f}"
    flat = (CONSTANT_ENVELOPE - variation) / CONSTANT_ENVELOPE + 0.3
    if width > LEAST_SWEEP_HZ and (found := _swept(features, width, steady, flat)):
        return found
    if width > BROADCAST_WIDTH_HZ:
        return _broadcast(features, width, steady, flat)
    # In a quiet passage the pilot is most of what a broadcast has.
    if width > 1.5 * PILOT_HZ and (found := _broadcast(features, width, steady, flat, least=True)):
        return found
    tone = _loudest_tone(features)
    sine = tone is not None and tone.is_sine(width)
    keying = None if sine else frequency_keying(features, width)
    pair = squared_pair(features.middle(KEYING_CORE))
    if keying and (answer := _keyed(features, keying, pair, width, steady, flat, tone)):
        return answer
    if found := _reversed(features, width, steady, flat):
        return found
    if burst.snr < 2.5 or features.duration_s < 0.08 or (width < LEAST_FM_HZ and not sine):
        return None
    if keyed and _is_clear(keyed):
        return None
    return _voice_fm(features, measurement, width, steady, flat, sine)


def _reversed(features: Features, width: float, steady: str, flat: float) -> Identification | None:
    """Give phase reversals without any shaping: squared, they are a steady line that the signal itself lacks."""
    features = features.middle(KEYING_CORE)
    squared = features.squared_lines
    found = squared.strongest(-features.burst.width_hz, features.burst.width_hz, 1)
    own = float(features.lines.power.max()) / features.lines.total
    if not found or found[0].share < SQUARED_LINE or found[0].share < 4 * own:
        return None
    return Identification(
        "psk",
        "bpsk",
        _sure(flat, (found[0].share - 0.2) / 0.4, (features.burst.snr - 1) / 5),
        (
            steady,
            f"squared, {100 * found[0].share:.0f} % of the power are one line: phase reversals, unshaped",
        ),
        designator(width, "G1D"),
        carrier_hz=features.burst.center_hz + found[0].frequency_hz / 2,
        carrier_uncertainty_hz=0.15 * squared.resolution_hz,
    )


def _swept(features: Features, width: float, steady: str, flat: float) -> Identification | None:
    """Give a sweep of the frequency: of a sounder or radar, or with data in where it goes on."""
    seen = chirp(features)
    # What hardly gets anywhere in all that time is drift, under whatever modulation makes it wide.
    if seen is None or abs(seen.rate_hz_s) * features.duration_s < LEAST_SWEPT * width:
        return None
    burst = features.burst
    return Identification(
        "chirp",
        "spread" if seen.keyed else "sweep",
        _sure(flat, max((seen.share - 0.5) / 0.4, (seen.one_way - 0.7) / 0.3), (burst.snr - 1) / 5),
        (
            steady,
            f"frequency sweeps by {seen.rate_hz_s:.4g} Hz a second for {100 * seen.share:.0f} % of the time",
            "jumps to many places: data" if seen.keyed else "always over the same band",
        ),
        # no modulating signal and no information; or one channel of digital data (RR App. 1)
        designator(width, "F1D" if seen.keyed else "F0N"),
    )


def _keyed(
    features: Features,
    keying: Keying,
    pair: tuple[float, float, float] | None,
    width: float,
    steady: str,
    flat: float,
    tone: _Tone | None,
) -> Identification | None:
    """Give direct frequency keying when levels are held, changes are random and power reaches 0 Hz."""
    if abs(keying.rate_hz - SUBAUDIBLE_CODE_BD) < 0.5 and keying.deviation_hz < 1000:
        return None
    halved = pair is not None and keying.levels == 2 and abs(pair[0] - keying.rate_hz) < 0.01 * keying.rate_hz
    # Fast tones on FM square to the same two lines, but have neither single symbols nor power at 0 Hz.
    random = (
        keying.low_share > (0.075 if halved else 0.05)
        and keying.singles > 0.1
        and keying.alternation < ALTERNATES
    )
    held = not halved and keying.explained > 0.75 and keying.spread < 0.2
    if keying.explained < LEAST_EXPLAINED or not (random or held):
        return None
    if keying.alternation < SELDOM and keying.clock_db < SURE_CLOCK_DB and keying.spread > 0.2:
        return None  # some other keying, of more frequencies or slower, that a faster clock happens to fit
    alternates = keying.alternation > ALTERNATES
    square = tone is not None and tone.is_square
    if not halved and width > LEAST_FM_HZ and not (alternates and square) and _tones(features):
        return None
    index = 2 * keying.deviation_hz / keying.rate_hz
    if keying.levels == 2 and not halved and index < LEAST_INDEX and keying.alternation < SLOW_ALTERNATION:
        return None
    if alternates and not square and index > WIDE_INDEX and keying.explained < SQUARE:
        return None  # a tone, as tone squelch is
    burst = features.burst
    center_hz = burst.center_hz + keying.center_hz
    rate, rate_error = keying.rate_hz, keying.rate_uncertainty_hz
    deviation = keying.deviation_hz
    variant = None
    reasons = [steady]
    half_step = deviation / (keying.levels - 1)
    center_error = half_step * (0.01 + keying.raw_spread / np.sqrt(max(keying.symbols, 1)))
    if halved and pair:
        # Gaussian pre-filtering lowers what single symbols reach; the index is a half all the same.
        variant = "gmsk"
        center_hz = burst.center_hz + pair[1]
        reasons.append(f"two lines {pair[0]:.0f} Hz apart in the squared signal: modulation index 1/2")
        deviation = rate / 4
        index = 0.5
    if keying.repeats == 7 and abs(rate - 50) < 0.5:
        # Phasing signals 1 and 2 in turn (Rec. ITU-R M.476) only change on every other element.
        rate, rate_error, index = 2 * rate, 2 * rate_error, index / 2
        reasons.append("repeats after 0.14 s like the phasing signals of 100 Bd direct printing")
    elif keying.repeats:
        reasons.append(f"repeats after {keying.repeats} symbols")
    count = "two" if keying.levels == 2 else "four"
    reasons.append(
        f"frequency keyed between {count} levels, ±{deviation:.0f} Hz, at {rate:.1f} Bd (index {index:.2f})"
    )
    clock = 1.0
    if keying.clock_db > 0:
        reasons.append(
            f"symbol clock {keying.clock_db:.0f} dB over its surroundings, {keying.symbols} symbols"
        )
        clock = (keying.clock_db - 5) / 8
    else:
        reasons.append(f"a rate in use, {keying.symbols} symbols")
    fit = 0.36 if keying.levels == 2 else 0.38
    return Identification(
        "fsk2" if keying.levels == 2 else "fsk4",
        variant,
        _sure(
            flat,
            1.6 * (1 - keying.spread / fit) + 0.15,
            clock,
            (burst.snr - 1.6) / 3,
            (keying.explained - 0.3) / 0.3,
        ),
        tuple(reasons),
        designator(max(width, 1.0), "F1D"),
        symbol_rate_hz=rate,
        symbol_rate_uncertainty_hz=rate_error,
        deviation_hz=deviation,
        carrier_hz=center_hz,
        carrier_uncertainty_hz=center_error,
    )


def _tones(features: Features) -> bool:
    """Tell whether the frequency swings as sines, one after the other.

    Keying that repeats itself has overtones (a third, when square), data many frequencies at any time.
    """
    length = round(TONE_S * features.rate_hz)
    count = len(features.smooth_track) // max(length, 1)
    if count == 0 or length < 16:
        return False
    track = features.smooth_track[: count * length]
    pieces = (track - np.mean(track)).reshape(count, length)
    pieces = pieces[np.linspace(0, len(pieces) - 1, min(len(pieces), MOST_PIECES)).astype(int)]
    # The mean over one look is a phase difference: its noise comes from the two end points.
    noise = (features.burst.width_hz / (2 * np.pi)) ** 2 / features.burst.snr
    sines = 0
    for piece in pieces:
        power = float(np.var(piece))
        if power < 2 * noise:
            continue
        line = LineSpectrum(piece, features.rate_hz).strongest(3 / TONE_S, features.rate_hz / 2, 1)
        sines += bool(line) and line[0].share * power > SINE_SHARE * max(power - noise, 1e-9)
    return sines > 0.8 * len(pieces)


@dataclass(frozen=True, slots=True)
class _Tone:
    """The loudest line in the track of the frequency, its share of the power, and that of its third harmonic."""

    hz: float
    share: float
    overtone: float

    @property
    def is_square(self) -> bool:
        """Tell whether it is most there is and has the overtone of reversals, shaped or not, which no tone has."""
        return self.share >= STEADY_SINE and self.overtone > OVERTONE * self.share

    def is_sine(self, width: float) -> bool:
        """Tell whether one sine modulates the frequency, by `width` Hz in all, and nothing else does."""
        if width < LEAST_FM_HZ and 3 * self.hz > OVERTONE_ROOM * width:
            return False  # an overtone would lie outside, and nothing tell a sine from keying at its rate
        return self.share >= STEADY_SINE and not self.is_square


def _loudest_tone(features: Features) -> _Tone | None:
    """Give the loudest tone that can be heard."""
    features = features.middle(KEYING_CORE)
    track = np.where(features.good, features.smooth_track, np.mean(features.smooth_track[features.good]))
    spectrum = LineSpectrum((track - track.mean()).astype(np.float32), features.rate_hz)
    found = spectrum.strongest(max(AUDIBLE_HZ, 8 / features.duration_s), HIGHEST_TONE_HZ, 1)
    if not found:
        return None
    third = spectrum.at(3 * found[0].frequency_hz, 3 * spectrum.resolution_hz)
    return _Tone(found[0].frequency_hz, found[0].share, third.share if third else 0.0)


def _voice_fm(
    features: Features,
    measurement: Measurement,
    width: float,
    steady: str,
    flat: float,
    sine: bool,
) -> Identification | None:
    """Give frequency modulation by anything else than direct keying."""
    burst = features.burst
    reasons = [steady]
    deviation = measurement.deviation_hz or 0.0
    middle = np.float32(quantile(features.smooth_track, 0.5))
    track = np.where(features.good, features.smooth_track, middle)
    noise = burst.width_hz / np.sqrt(24 * burst.snr) * 0.6
    swing = float(np.sqrt(masked_variance(track, features.good)))
    if swing < 1.3 * noise and deviation < 0.1 * width:
        return None
    if width < SPEECH_WIDTH_HZ and features.power_variation > FADED:
        return None
    line = features.carrier
    along = line.in_phase > max(AS_AM * line.quadrature, 4 * line.uncertainty)
    if line.share > LEAST_ACCOUNT and along and features.envelope_variation > FLAT:
        return None  # weak AM that fades
    reasons.append(f"frequency swings by {swing:.0f} Hz r.m.s. without fixed levels, peak {deviation:.0f} Hz")
    spectrum = LineSpectrum(track - track.mean(), features.rate_hz)
    if not sine and _data_like(features, spectrum):
        return None
    tones = spectrum.strongest(60, min(3500, 0.4 * features.rate_hz), 1)
    if tones and tones[0].over_db > 18 and tones[0].share > 0.02:
        reasons.append(f"tone of {tones[0].frequency_hz:.1f} Hz in the demodulated signal")
    if subaudible_code(features, SUBAUDIBLE_CODE_BD):
        reasons.append(f"sub-audible code at {SUBAUDIBLE_CODE_BD} Bd under it")
    bandwidth = 11_000.0 if deviation < 2700 and width < 7500 else 16_000.0
    if width > 20_000:
        bandwidth = width
    return Identification(
        "fm",
        "nfm" if width < NARROW_FM_HZ else "wfm",
        _sure(flat, (burst.snr - 1.5) / 6, swing / noise / 4, features.duration_s / 0.25),
        tuple(reasons),
        designator(bandwidth, "F3E"),
        deviation_hz=deviation or None,
        carrier_hz=measurement.center_hz,
    )


def _data_like(features: Features, spectrum: LineSpectrum) -> bool:
    """Tell whether a frequency track is keying whose clock was not found.

    Keying reaches down to 0 Hz, below speech and audio tones, and never pauses; noise clicks and
    sub-audible codes reach down too, but speech over them comes and goes.
    """
    step = spectrum.bin_hz
    low = spectrum.power[max(round(8 / step), 1) : round(220 / step) + 1]
    high = spectrum.power[round(500 / step) : round(1800 / step) + 1]
    # Medians: a tone squelch is one line only.
    if len(low) < 4 or len(high) < 4:
        return False
    deep = float(np.median(low) / max(np.median(high), 1e-30))
    if deep < 0.35:
        return False
    length = round(0.025 * features.rate_hz)
    count = len(features.smooth_track) // length
    if count < 6:
        return True
    frames = features.smooth_track[: count * length].reshape(count, length)
    on = features.good[: count * length].reshape(count, length).all(axis=1)
    if on.sum() < 6:
        return True
    # Quartiles: where fading is deepest the frequency swings as it likes.
    low_swing, usual, high_swing = np.quantile(np.std(frames[on], axis=1), (0.25, 0.5, 0.75))
    return bool(high_swing - low_swing < (STEADY_SWING if deep < NO_SOUND else SLOW_SWING) * usual)


def _broadcast(
    features: Features, width: float, steady: str, flat: float, *, least: bool = False
) -> Identification | None:
    """Give wide FM; the stereo pilot makes it certain, and is asked for when there is the `least` else."""
    burst = features.burst
    track = features.track - np.median(features.track)
    spectrum = LineSpectrum(track.astype(np.float32), features.rate_hz)
    pilot = spectrum.at(PILOT_HZ, 30.0, 15.0)
    if least and not pilot:
        return None
    if not pilot:
        keying = frequency_keying(features, width)
        if keying and (
            answer := _keyed(features, keying, None, width, steady, flat, _loudest_tone(features))
        ):
            return answer
    reasons = [steady, f"{width / 1e3:.0f} kHz wide"]
    if pilot:
        reasons.append(f"pilot tone at {pilot.frequency_hz:.1f} Hz in the demodulated signal")
    else:
        comes_and_goes = features.good.mean() < ALWAYS_ON
        if burst.snr < 3 or width > 350e3 or comes_and_goes:
            return None
        if width < SURELY_WIDE_HZ and _data_like(features, spectrum):
            return None
    return Identification(
        "fm",
        "wfm",
        _sure(flat, (burst.snr - 1) / 5, 1.0 if pilot else 0.4),
        tuple(reasons),
        designator(256e3 if pilot else 180e3, "F8E" if pilot else "F3E"),
        # sound has no mean: what the frequency swings about, whatever noise or an image adds to one side
        carrier_hz=burst.center_hz + float(np.mean(features.track[features.good])),
    )


def _pulses(features: Features, keyed: Switching | None, width: float) -> Identification | None:
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
        _sure(max(evidence), 0.3 + 0.4 * len(evidence)),
        tuple(reasons),
        designator(width, "A1A" if hand else "M1D" if ppm else "A1D"),
        **(_at_line(features) if coherent else {"carrier_hz": features.burst.center_hz + line.frequency_hz}),
    )


def _phase(features: Features, width: float) -> Identification | None:
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
            _sure((keying.clock_db - 12) / 8, (features.burst.snr - 1) / 5) if clear else 0.45,
            (clock, f"fourth-order cumulant {keying.c42:.2f} as of phase keying; order not resolved"),
            designator(width, "G1D"),
            symbol_rate_hz=keying.rate_hz,
            symbol_rate_uncertainty_hz=keying.rate_uncertainty_hz,
        )
    name = {2: "bpsk", 4: "pi4-qpsk" if keying.rotating else "qpsk", 8: "8psk"}[keying.order]
    return Identification(
        "psk",
        name,
        _sure(
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


def _speech(features: Features, width: float) -> Identification | None:
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
    sure = _sure(found.voiced / 0.6, found.margin / 0.25, (burst.snr - 1) / 5)
    if sure < SURE_SPEECH and clock_line(features.middle(KEYING_CORE), width):
        return None  # keyed phases in fast fading have what passes for a pitch, too
    return Identification(
        "ssb",
        "usb" if found.upper else "lsb",
        sure,
        (
            f"speech without carrier: {100 * found.voiced:.0f} % of the power in frames with a pitch that moves",
            f"pitch combs meet at {(burst.center_hz + found.carrier_hz) / 1e3:.2f} kHz: {side} sideband",
        ),
        designator(2700.0, "J3E"),
        carrier_hz=burst.center_hz + found.carrier_hz,
        carrier_uncertainty_hz=found.carrier_uncertainty_hz,
    )


def _noise_like(features: Features, width: float) -> Identification | None:
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
        _sure(strength, (burst.snr - 1) / 4, looks / 1500),
        tuple(reasons),
        designator(width, "W7D") if variant else None,
    )
