"""From FM channel samples to overs.

Squelch: whether the envelope is steady. With signal-to-noise power ratio s in the channel filter, the ratio
K = E|z|^4 / (E|z|^2)^2 is (s^2 + 4 s + 2) / (1 + s)^2 for a constant-envelope signal in Gaussian noise: 2 in
noise alone at any gain, 1 when clean (the second- and fourth-moment SNR estimator). So no level has to be
known. It opens at K < 1.5 (about 4 dB) and holds to K < 1.75 (0 dB), each over 50 ms.

What is voice: `dsp.voice.speech_facts` of the de-emphasised 300 to 3000 Hz audio must make speech likelier
than not. So a bare carrier, a carrier with only a tone, data bursts, selective calls and steady tones give no
over.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from earwitness.coding.golay import DCS_CODES, dcs_word
from earwitness.core.types import Over
from earwitness.dsp.aligned import Resampler
from earwitness.dsp.audio import AUDIO_RATE_HZ, band_pass, clip_level, de_emphasise
from earwitness.dsp.discriminate import discriminate
from earwitness.dsp.filters import lowpass
from earwitness.dsp.framed import FramedReceiver
from earwitness.dsp.jit import kernel
from earwitness.dsp.noise_reduction import reduce_noise
from earwitness.dsp.over_gate import OverGate, Segment
from earwitness.dsp.quantile import quantile
from earwitness.dsp.tones import find_ctcss, find_dcs, sub_audible
from earwitness.dsp.voice import speech_facts

OPEN_BELOW = 1.5
HOLD_BELOW = 1.75
EMPHASIS_S = 750e-6
SHORTEST_S = 0.25
LIKELY = 0.5
GAP_S = 0.1  # silence between two senders
PART_S = 0.5  # and how long each must be for its carrier to be known
OTHER_HZ = 350.0
HANG_S = 0.5  # silence after which a sender has ended, unless it faded
FADE_S = 1.8  # and the longest fade that is bridged
FADED_HZ = 120.0  # by which the carrier may differ after it
EDGE_FRAMES = 2  # next to a silence: a fade has taken most of the level there, a key has not
FADED_SHARE = 0.68
LONGEST_TAIL_S = 0.6
_WORDS = {code: dcs_word(code) for code in DCS_CODES}


class Demodulator(FramedReceiver):
    """Feeds on complex channel samples of at least 24 kHz; gives one Over for each voice transmission."""

    block_frames = 100  # a second: every block costs some 0.1 ms beside its samples

    def begin(self, rate_hz: float) -> np.ndarray:
        """Set up for a rate; give the channel filter: 15.6 kHz wide."""
        self._last = 1 + 0j
        # What folds back lies above 3.2 kHz, where the audio filter takes it away.
        self._resample = Resampler(rate_hz, AUDIO_RATE_HZ, cutoff_hz=4_050.0, width_hz=1_500.0)
        self._moments = np.zeros((2, 2))
        self._gate = OverGate(self.frame / rate_hz, hang_s=FADE_S)
        return lowpass(7_800.0, 2_600.0, rate_hz, stop_db=60.0)

    def block(self, iq: np.ndarray) -> list[Over]:
        """Take one block of filtered samples. Frames come out two late, for the centred 50 ms windows."""
        joined = np.concatenate([self._moments, _moments(iq, self.frame)])
        self._moments = joined[-4:]
        sums = np.cumsum(np.concatenate([np.zeros((1, 2)), joined]), axis=0)
        means = (sums[5:] - sums[:-5]) / 5
        spread = np.where(means[:, 0] > 0, means[:, 1] / np.maximum(means[:, 0], 1e-30) ** 2, 2.0)
        features = np.stack([joined[2:-2, 0], spread], axis=1).astype(np.float32)
        hz = discriminate(iq, rate_hz=self.rate_hz, before=self._last)
        self._last = complex(iq[-1])
        audio = self._resample.feed(hz)
        return self._overs(self._gate.feed(spread < OPEN_BELOW, spread < HOLD_BELOW, features, audio))

    def finish(self) -> list[Over]:
        """Give the over still open."""
        return self._overs(self._gate.close())

    def _overs(self, segments: list[Segment]) -> list[Over]:
        spans = [span for segment in segments for span in self._spans(segment)]
        parts = [part for span in spans for part in self._senders(span)]
        return [over for part in parts if (over := self._over(part))]

    def _spans(self, segment: Segment) -> list[Segment]:
        """Give the stretches between silences that are no fades of one carrier."""
        frame_s = self.frame / self.rate_hz
        parts = segment.pieces(HANG_S, 0.0, frame_s)
        out = [parts[0]]
        for part in parts[1:]:
            gap = segment.features[out[-1].stop - segment.start : part.start - segment.start, 0]
            if _faded(out[-1], part, float(gap.mean())):
                out[-1] = segment.between(out[-1].start, part.stop)
            else:
                out.append(part)
        return out

    def _senders(self, segment: Segment) -> list[Segment]:
        """Give one segment for each sender: parts with a gap between that differ in carrier or tone.

        Parts that do not differ are one sender, fading, and so are those of which a fade may have hidden a tone.
        """
        parts = segment.pieces(GAP_S, PART_S, self.frame / self.rate_hz)
        out = [parts[0]]
        for part in parts[1:]:
            gap = segment.features[out[-1].stop - segment.start : part.start - segment.start, 0]
            if _differ(out[-1], part, float(gap.mean())):
                out.append(part)
            else:
                out[-1] = segment.between(out[-1].start, part.stop)
        return out

    def _over(self, segment: Segment) -> Over | None:
        """Give the over of one open stretch; None when it carries no voice."""
        if self.clock is None or len(segment.audio) < AUDIO_RATE_HZ * SHORTEST_S:
            return None
        held = segment.held_samples()
        offset_hz = _mean_hz(segment.audio, held)
        audio = segment.audio - np.float32(offset_hz)
        voice = de_emphasise(band_pass(audio), EMPHASIS_S, AUDIO_RATE_HZ)
        facts = speech_facts(voice[held])
        if facts.likelihood < LIKELY:
            return None
        tone, below = _tone(audio)
        if below.get("tail_s"):  # what follows the tone is the squelch tail: silence
            held[len(held) - round(below["tail_s"] * AUDIO_RATE_HZ) :] = False
        return Over(
            mode=self.mode.name,
            start_ns=self.time_ns(segment.start * self.frame),
            stop_ns=self.time_ns(min(segment.stop * self.frame, self.count)),
            audio=clip_level(reduce_noise(voice) * held),
            audio_rate_hz=AUDIO_RATE_HZ,
            frequency_hz=self.clock.center_hz + offset_hz,
            tone=tone,
            snr_db=_snr_db(segment.features),
            extra={
                "voice": True,
                "speech_likelihood": round(facts.likelihood, 3),
                "peak_deviation_hz": round(quantile(np.abs(audio), 0.999)),
                "noise_reduced": True,
                "continues": segment.cut,
                **below,
            },
        )


def _differ(before: Segment, after: Segment, noise: float) -> bool:
    """Tell whether two parts are of two senders: by their carriers, their tones, or a tone that only one has."""
    apart_hz = abs(_carrier_hz(before) - _carrier_hz(after))
    if apart_hz >= OTHER_HZ:
        return True
    tones = [_tone(part.audio - np.float32(_carrier_hz(part)))[0] for part in (before, after)]
    if tones[0] == tones[1]:
        return False
    return None not in tones or not _faded(before, after, noise)


def _faded(before: Segment, after: Segment, noise: float) -> bool:
    """Tell whether a silence between two stretches is a fade: one carrier and tone, that went and came by degrees."""
    if abs(_carrier_hz(before) - _carrier_hz(after)) > FADED_HZ:
        return False
    shares = []
    for segment, beside in ((before, before.features[::-1, 0]), (after, after.features[:, 0])):
        level = float(np.median(segment.features[segment.held, 0])) - noise
        shares.append((float(beside[:EDGE_FRAMES].mean()) - noise) / max(level, 1e-30))
    if sum(shares) / 2 > FADED_SHARE:
        return False
    tones = [_tone(part.audio - np.float32(_carrier_hz(part)))[0] for part in (before, after)]
    return None in tones or tones[0] == tones[1]


@kernel("float64[:, ::1](complex64[::1], int64)")
def _moments(iq: np.ndarray, frame: int) -> np.ndarray:
    """Give the means of power and of its square over each frame, float64 (frames, 2)."""
    out = np.zeros((len(iq) // frame, 2))
    for row in range(len(out)):
        first = second = 0.0
        for i in range(row * frame, (row + 1) * frame):
            power = float(iq[i].real) ** 2 + float(iq[i].imag) ** 2
            first += power
            second += power * power
        out[row, 0] = first / frame
        out[row, 1] = second / frame
    return out


def _tone(audio: np.ndarray) -> tuple[dict[str, Any] | None, dict[str, Any]]:
    """Give the tone as the log keeps it, and further facts of it."""
    low = sub_audible(audio)
    found = find_ctcss(low)
    if found:
        after_s = len(audio) / AUDIO_RATE_HZ - found.stop_s
        facts: dict[str, Any] = {
            "tone_measured_hz": round(found.measured_hz, 2),
            "tone_deviation_hz": round(found.deviation_hz),
        }
        # a tone with voice over it may be missed for a moment; a tail is short
        if 0.12 < after_s < LONGEST_TAIL_S:
            facts["tail_s"] = round(after_s, 2)
        return {"ctcss_hz": found.nominal_hz}, facts
    code = find_dcs(low, _WORDS)
    if code:
        tone: dict[str, Any] = {"dcs": code.code}
        if code.inverted:
            tone["dcs_inverted"] = True
        return tone, {"tone_deviation_hz": round(code.deviation_hz), "turned_off": _turned_off(low)}
    return None, {}


def _turned_off(low: np.ndarray) -> bool:
    """Tell whether the track ends with the turn-off tone of a code: 134.4 Hz for 150 to 200 ms (from memory)."""
    last = low[-170:-10]
    if len(last) < 160:
        return False
    last = last - last.mean()
    line = np.abs(np.sum(last * np.exp(-2j * np.pi * 0.1344 * np.arange(160)))) ** 2 * 2 / 160
    return bool(line > 0.7 * np.sum(last**2))


def _carrier_hz(segment: Segment) -> float:
    """Give the mean frequency where the squelch held: voice has no mean of its own."""
    return _mean_hz(segment.audio, segment.held_samples())


def _mean_hz(audio: np.ndarray, held: np.ndarray) -> float:
    return float(np.mean(audio[held])) if held.any() else 0.0


def _snr_db(features: np.ndarray) -> float:
    """Give the SNR in the channel filter by moments, from the frames' mean power and K."""
    power, spread = features[:, 0].astype(float), features[:, 1].astype(float)
    signal = float((power * np.sqrt(np.clip(2 - spread, 0.0, 1.0))).sum())
    noise = max(float(power.sum()) - signal, 1e-4 * float(power.sum()), 1e-30)
    return float(10 * np.log10(max(signal, 1e-30) / noise))
