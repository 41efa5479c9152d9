"""Say what an emission is from the signal alone, with reasons; unknown stays unknown.

The order of questions is: is there enough signal; is all of it in one line (carrier, Morse); is there a
line with modulation along its phase only (AM); is the envelope constant (then the frequency says: voice,
broadcast, two or four levels); is it switched (pulses); has the envelope a symbol clock (phase keying);
is it speech without carrier (SSB); is it like noise (OFDM and its kin). Each answer needs evidence that
noise alone would not give, and the confidence says by how much.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from earwitness.core.types import Detection, Identification, Measurement, Samples
from earwitness.emission.amplitude import (
    MORSE_WIDTH_HZ,
    WIDE_MORSE_HZ,
    amplitude,
    drifting,
    morse,
    pulses,
)
from earwitness.emission.angle import CONSTANT_ENVELOPE, constant_envelope
from earwitness.emission.answers import FADED, unknown
from earwitness.emission.burst import cut
from earwitness.emission.features import CLEAR_SNR, Features
from earwitness.emission.measure import MAYBE_SOUND, SURE_SOUND, from_detection, measure_burst
from earwitness.emission.no_carrier import noise_like, phase_keyed, single_sideband
from earwitness.emission.switching import switching

SOUND_HZ = 6500.0  # both sidebands of speech on a carrier
SOUND_OVER_NOISE = 5.0  # standard deviations that weak sidebands beside a carrier stand over the noise
# of a carrier's power, in its sidebands: speech at a fifth of full depth, and full depth all the time
USUAL_SOUND = (0.001, 0.1)
MAYBE_BARE = 0.6  # confidence of a carrier beside which no sound would be seen
LEAST_CONFIDENCE = 0.5
CLEAR_DEPTH = 0.2  # relative uncertainty of a modulation depth that noise does not spoil
KEYED = ("fsk2", "fsk4")
SWINGS = ("fm", "fsk", "chirp", "unknown")  # how the classes begin that a deviation says something of
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
    measurement = measure_burst(features)
    answer = identify_burst(features, measurement)
    if answer.kind == "carrier":
        measurement, answer = _looked_beside(channel, detection, span_hz, features, measurement, answer)
    elif answer.kind == "am" and features.burst.width_hz < SOUND_HZ:
        # What of its sidebands is too weak to be seen by itself counts all together.
        burst = cut(channel, detection, span_hz, least_hz=SOUND_HZ)
        if burst is not None and burst.width_hz < 2 * SOUND_HZ:
            measurement = _depth_kept(measure_burst(Features(burst)), measurement)
    return _as_known(measurement, answer), answer


def _depth_kept(wide: Measurement, narrow: Measurement) -> Measurement:
    """Give the figures of a wider cut of an AM emission, with its depth as it is told better.

    That is where less noise is, unless all of the sound can be heard over it.
    """
    depth, error = wide.modulation_depth_pct, wide.modulation_depth_uncertainty_pct
    other, doubt = narrow.modulation_depth_pct, narrow.modulation_depth_uncertainty_pct
    if depth is not None and error is not None:
        if error < CLEAR_DEPTH * depth or other is None or doubt is None:
            return wide
        doubt = float(np.hypot(doubt, (depth - other) / 2))
    return replace(wide, modulation_depth_pct=other, modulation_depth_uncertainty_pct=doubt)


def _as_known(measurement: Measurement, answer: Identification) -> Measurement:
    """Give the figures with those that knowing the class makes better, without what means nothing for it."""
    if not answer.kind.startswith(SWINGS):
        methods = {name: how for name, how in measurement.methods.items() if name != "deviation"}
        measurement = replace(measurement, deviation_hz=None, deviation_uncertainty_hz=None, methods=methods)
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
        then = measure_burst(part)
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
        heard = amplitude(core, SOUND_HZ)
        if heard and heard.kind == "am" and heard.confidence >= LEAST_CONFIDENCE:
            return measure_burst(wide), heard
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


def identify_burst(features: Features, measurement: Measurement) -> Identification:
    """Give the identification of a cleaned emission.

    Where the middle tells nothing because two senders overlap there, a part where one is alone may.
    """
    answer = _asked(features.core, measurement)
    if answer.kind != "unknown" or features.core.envelope_variation < CONSTANT_ENVELOPE:
        return answer
    part = features.steadiest
    if part is None or part.envelope_variation > CONSTANT_ENVELOPE:
        return answer
    alone = _asked(part, measurement)
    if alone.kind == "unknown":
        return answer
    return replace(alone, reasons=(*alone.reasons, "where its envelope is steadiest"))


def _asked(features: Features, measurement: Measurement) -> Identification:
    """Put the questions in order to one stretch of an emission."""
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
        lambda: morse(features, keyed, width),
        lambda: amplitude(features, width, keyed),
        lambda: pulses(features, keyed, width),
        lambda: (
            single_sideband(features, width) if varies > 0.1 or features.power_variation > FADED else None
        ),
        lambda: phase_keyed(features, width) if 0.1 < features.envelope_variation < 0.75 else None,
        lambda: constant_envelope(features, measurement, width, keyed),
        lambda: drifting(features, measurement, width),
        lambda: noise_like(features, width),
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
