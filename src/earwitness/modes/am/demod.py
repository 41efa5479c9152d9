"""From AM channel samples to overs.

The carrier is the strongest line near the centre, looked up each 0.25 s and turned to zero frequency.
Squelch: the share of the power that lies in that line over 50 ms. It is about 1 percent in noise alone at
any gain, and s/(1+s) for a carrier at ratio s to everything else, so no level has to be known. It opens at
0.25 (-5 dB) and holds to 0.12. Audio is the part in phase with the carrier over its magnitude, less one:
automatic gain that follows the carrier through fades, with nothing left at zero frequency. What lies in
quadrature is noise, and gives the SNR.

What is voice: as in fm; a carrier without modulation, data and tones give no over.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from earwitness.core.types import Over
from earwitness.dsp import fft
from earwitness.dsp.aligned import Resampler
from earwitness.dsp.audio import AUDIO_RATE_HZ, band_pass, clip_level, de_emphasise
from earwitness.dsp.filters import lowpass
from earwitness.dsp.framed import FramedReceiver
from earwitness.dsp.noise_reduction import reduce_noise
from earwitness.dsp.over_gate import OverGate, Segment
from earwitness.dsp.voice import speech_facts

OPEN_ABOVE = 0.25
HOLD_ABOVE = 0.12
REACH_HZ = 1_000.0  # how far from the centre the carrier is looked for
HALF_WIDTH_HZ = 4_500.0
SHORTEST_S = 0.25
LIKELY = 0.5
GAP_S = 0.06  # silence between two senders
OTHER_HZ = 15.0  # no sender drifts that far in an over; two seldom are so near
TILT_S = 750e-6  # speech stands out of white noise at its low end


class Demodulator(FramedReceiver):
    """Feeds on complex channel samples of at least 16 kHz; gives one Over for each voice transmission."""

    def begin(self, rate_hz: float) -> np.ndarray:
        """Set up for a rate; give the channel filter: 9 kHz wide."""
        self._resample = Resampler(rate_hz, AUDIO_RATE_HZ, cutoff_hz=3_700.0, width_hz=1_000.0)
        self._gate = OverGate(self.frame / rate_hz)
        self._phase = 0.0
        self._carrier_hz = 0.0
        self._held = np.zeros(0, np.complex64)  # turned samples whose audio is not out yet
        self._held_hz = np.zeros(0, np.float32)  # and the carrier frequency of each of their frames
        self._window = np.hanning(self.frame * self.block_frames).astype(np.float32)
        self._skip = 3  # frames that lie before the first
        return lowpass(HALF_WIDTH_HZ, 1_200.0, rate_hz, stop_db=60.0)

    def _find_carrier(self, iq: np.ndarray) -> float:
        """Give the frequency of the strongest line near the centre; the last one when none stands out."""
        power = np.abs(fft.forward(iq * self._window)) ** 2
        bin_hz = self.rate_hz / len(iq)
        reach = int(REACH_HZ / bin_hz)
        near = np.concatenate([power[-reach:], power[: reach + 1]])
        total = float(power.sum())
        at = int(near[1:-1].argmax()) + 1
        if total <= 0 or near[at - 1 : at + 2].sum() < 0.05 * total:
            return self._carrier_hz
        left, middle, right = np.log(near[at - 1 : at + 2] + 1e-30)
        return float((at - reach + 0.5 * (left - right) / min(left - 2 * middle + right, -1e-9)) * bin_hz)

    def block(self, iq: np.ndarray) -> list[Over]:
        """Take one block; frames and audio come out three frames late, for windows and interpolation."""
        self._carrier_hz = self._find_carrier(iq)
        turns = self._phase + self._carrier_hz / self.rate_hz * np.arange(1, len(iq) + 1)
        self._phase = float(turns[-1] % 1.0)
        turned = (iq * np.exp(-2j * np.pi * turns)).astype(np.complex64)
        if not len(self._held):
            self._held = np.zeros(6 * self.frame, np.complex64)
            self._held_hz = np.zeros(6, np.float32)
        joined = np.concatenate([self._held, turned])
        carrier_hz = np.concatenate([self._held_hz, np.full(self.block_frames, self._carrier_hz, np.float32)])
        self._held, self._held_hz = joined[-6 * self.frame :], carrier_hz[-6:]
        frames = joined.reshape(-1, self.frame)
        means = np.convolve(frames.mean(axis=1), np.full(5, 0.2), "valid")  # frames 2 .. -3
        power = np.mean(frames.real**2 + frames.imag**2, axis=1)
        powers = np.convolve(power, np.full(5, 0.2), "valid")
        share = np.abs(means) ** 2 / np.maximum(powers, 1e-30)
        # audio of frames 3 .. -4: carrier interpolated between frame centres
        count = self.block_frames * self.frame
        at = (np.arange(count) + 0.5) / self.frame + 0.5  # in frames, counted from the centre of frame 2
        carrier = np.interp(at, np.arange(len(means)), means)
        carried = np.interp(at, np.arange(len(means)), powers)
        product = joined[3 * self.frame : 3 * self.frame + count] * np.conj(carrier)
        scale = 1 / (np.abs(carrier) ** 2 + 0.05 * carried + 1e-30)
        audio = (product.real * scale - 1).astype(np.float32)
        across = np.mean((product.imag * scale).reshape(-1, self.frame) ** 2, axis=1)
        share, level = share[1:-1], power[3:-3]
        features = np.stack([level, across, np.abs(means[1:-1]) ** 2, carrier_hz[3:-3]], axis=1).astype(
            np.float32
        )
        skip, self._skip = self._skip, 0
        audio = self._resample.feed(audio[skip * self.frame :])
        return self._overs(
            self._gate.feed(share[skip:] > OPEN_ABOVE, share[skip:] > HOLD_ABOVE, features[skip:], audio)
        )

    def finish(self) -> list[Over]:
        """Give the over still open."""
        return self._overs(self._gate.close())

    def _overs(self, segments: list[Segment]) -> list[Over]:
        parts = [part for segment in segments for part in self._senders(segment)]
        return [over for part in parts if (over := self._over(part))]

    def _senders(self, segment: Segment) -> list[Segment]:
        """Give one segment for each sender: parts with a gap between and another carrier after it."""
        parts = segment.pieces(GAP_S, SHORTEST_S, self.frame / self.rate_hz)
        carriers = [
            float(np.median(part.features[part.held, 3])) if part.held.any() else 0.0 for part in parts
        ]
        same = any(abs(b - a) < OTHER_HZ for a, b in pairwise(carriers))
        return [segment] if same else parts

    def _over(self, segment: Segment) -> Over | None:
        """Give the over of one open stretch; None when it carries no voice."""
        if self.clock is None or len(segment.audio) < AUDIO_RATE_HZ * SHORTEST_S:
            return None
        voice = band_pass(segment.audio)
        held = segment.held_samples()
        facts = speech_facts(de_emphasise(voice, TILT_S, AUDIO_RATE_HZ)[held])
        if facts.likelihood < LIKELY:
            return None
        level, across, carrier, carrier_hz = segment.features.astype(float).T
        noise = float(np.sum(2 * across * carrier)) * self.mode.bandwidth_hz / (2 * HALF_WIDTH_HZ)
        signal = max(float(np.sum(level - 2 * across * carrier)), 1e-30)
        depth = float(np.quantile(np.abs(voice), 0.998))
        return Over(
            mode=self.mode.name,
            start_ns=self.time_ns(segment.start * self.frame),
            stop_ns=self.time_ns(min(segment.stop * self.frame, self.count)),
            audio=clip_level(reduce_noise(voice) * held),
            audio_rate_hz=AUDIO_RATE_HZ,
            frequency_hz=self.clock.center_hz + float(np.average(carrier_hz, weights=carrier + 1e-30)),
            snr_db=float(10 * np.log10(signal / max(noise, 1e-4 * signal))),
            extra={
                "voice": True,
                "speech_likelihood": round(facts.likelihood, 3),
                "modulation_depth_pct": round(100 * min(depth, 1.5)),
                "noise_reduced": True,
                "continues": segment.cut,
            },
        )
