"""What has a constant envelope: angle modulation, told by its frequency alone.

Voice, broadcast, two or four levels, a sweep, tones, or reversals of the phase without any shaping.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from earwitness.core.types import Identification, Measurement
from earwitness.dsp.quantile import quantile
from earwitness.emission.amplitude import is_clear
from earwitness.emission.answers import BROADCAST_WIDTH_HZ, FADED, SPEECH_WIDTH_HZ, sure
from earwitness.emission.chirp import chirp
from earwitness.emission.designator import designator
from earwitness.emission.features import KEYING_CORE, Features
from earwitness.emission.lines import LineSpectrum
from earwitness.emission.measure import LEAST_ACCOUNT
from earwitness.emission.shift_keying import (
    LEAST_EXPLAINED,
    SLOW_ALTERNATION,
    Keying,
    frequency_keying,
    masked_variance,
    squared_pair,
    subaudible_code,
)
from earwitness.emission.switching import Switching

PILOT_HZ = 19_000.0  # ITU-R BS.450
# of two-level keying in use (common practice, no source); audio tones read as symbols have less
LEAST_INDEX = 0.35
# reversals in so wide a band are square; a sine explains 8/pi^2 = 0.81 of itself
WIDE_INDEX, SQUARE = 1.5, 0.86
SUBAUDIBLE_CODE_BD = 134.4  # digital squelch on FM voice
NARROW_FM_HZ = 25_000.0  # necessary bandwidth of mobile radio is 16 kHz at most (common practice, no source)
SURELY_WIDE_HZ = 80_000.0  # wider than any voice on FM
# between quartiles, of what is usual: keying's for 25 ms; 0.07 is the standard deviation
STEADY_SWING = 0.095
SLOW_SWING = 0.25  # the same of so few symbols that their mean wavers
LEAST_SWEPT = 0.3  # of the width
LEAST_SWEEP_HZ = 500.0  # what wanders over less is a carrier that drifts
LEAST_FM_HZ = 1500.0  # narrower than any sound on FM
# of what lies across the phase of a carrier; variation of FM's envelope in any noise
AS_AM, FLAT = 0.35, 0.05
# times the density of 500 to 1800 Hz below 220 Hz: music has up to 2.5, slow keying 13 and more
NO_SOUND = 8.0
PILOT_ENVELOPE = 0.4
ALWAYS_ON = 0.8  # share of the time that a broadcast without a pilot is there at least
SQUARED_LINE = 0.4  # share of the power that phase reversals have in one line when squared
AUDIBLE_HZ, HIGHEST_TONE_HZ = 60.0, 5000.0  # of tones on FM, from tone squelch up
TONE_S, MOST_PIECES = 0.025, 24  # what is looked at for sines, and how often
SINE_SHARE = 0.95  # of the track's power in one line; a square wave has 0.81 there
STEADY_SINE = 0.4  # the same of all of a noisy track
# of that, a third harmonic: a square wave's has a ninth of it, smooth keying's a third of that
OVERTONE = 0.015
OVERTONE_ROOM = 0.6  # of the width: as far out as what is modulated is still seen
SELDOM, SURE_CLOCK_DB = 0.22, 14.0
ALTERNATES = 0.96  # of symbols differ from the one before: reversals
CONSTANT_ENVELOPE = 0.12  # relative variance of the power, noise removed


def constant_envelope(
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
    if burst.snr < 2.5 or features.duration_s < 0.08:
        return None
    if width < LEAST_FM_HZ and not sine and not subaudible_code(features, SUBAUDIBLE_CODE_BD):
        return None  # narrower than any sound, and no code of a silent sender
    if keyed and is_clear(keyed):
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
        sure(flat, (found[0].share - 0.2) / 0.4, (features.burst.snr - 1) / 5),
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
        sure(flat, max((seen.share - 0.5) / 0.4, (seen.one_way - 0.7) / 0.3), (burst.snr - 1) / 5),
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
    bits = round(keying.rate_hz / SUBAUDIBLE_CODE_BD)
    if abs(keying.rate_hz - bits * SUBAUDIBLE_CODE_BD) < 0.5 * bits <= 1 and keying.deviation_hz < 1000:
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
        sure(
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
    code = subaudible_code(features, SUBAUDIBLE_CODE_BD)
    if not sine and not code and _data_like(features, spectrum):
        return None
    tones = spectrum.strongest(60, min(3500, 0.4 * features.rate_hz), 1)
    if tones and tones[0].over_db > 18 and tones[0].share > 0.02:
        reasons.append(f"tone of {tones[0].frequency_hz:.1f} Hz in the demodulated signal")
    if code:
        reasons.append(f"sub-audible code at {SUBAUDIBLE_CODE_BD} Bd under it")
    bandwidth = 11_000.0 if deviation < 2700 and width < 7500 else 16_000.0
    if width > 20_000:
        bandwidth = width
    return Identification(
        "fm",
        "nfm" if width < NARROW_FM_HZ else "wfm",
        sure(flat, (burst.snr - 1.5) / 6, swing / noise / 4, features.duration_s / 0.25),
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
        sure(flat, (burst.snr - 1) / 5, 1.0 if pilot else 0.4),
        tuple(reasons),
        designator(256e3 if pilot else 180e3, "F8E" if pilot else "F3E"),
        # sound has no mean: what the frequency swings about, whatever noise or an image adds to one side
        carrier_hz=burst.center_hz + float(np.mean(features.track[features.good])),
    )
