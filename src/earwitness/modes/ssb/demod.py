"""From SSB channel samples to overs.

There is no carrier: which side, and where zero is, comes from the speech itself. All harmonics of a voiced
sound lie at the carrier plus or minus whole multiples of the pitch. So in every short spectrum the pitch
and the place of its comb are found; each frame then says where the carrier may be, every pitch apart, and
as the pitch moves only the true place stays agreed on. It is looked for below the band (upper sideband) and
above (lower sideband); the side also weighs that speech is strongest near its carrier. Without enough voiced
sound the band's edge less 300 Hz is taken, and said so. No raster is assumed: a receiver's own error is
larger than its step.

Squelch: the level over 50 ms against the noise density measured around the channel, or the lowest level met.
Pauses of speech are silence here, so it hangs for 1.5 s.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from earwitness.core.types import Over
from earwitness.dsp import fft
from earwitness.dsp.aligned import Resampler, centred
from earwitness.dsp.audio import AUDIO_RATE_HZ, clip_level, de_emphasise
from earwitness.dsp.filters import lowpass
from earwitness.dsp.framed import FramedReceiver
from earwitness.dsp.noise_reduction import reduce_noise
from earwitness.dsp.over_gate import OverGate, Segment
from earwitness.dsp.voice import speech_facts

HALF_WIDTH_HZ = 2_600.0
HANG_S = 1.5
OPEN_OVER, HOLD_OVER = 1.6, 1.35  # times the noise, over 50 ms
SHORTEST_S = 0.4
LIKELY = 0.5
TILT_S = 750e-6
EDGE_HZ = 300.0  # speech of an SSB transmitter begins here
_SIZE, _HOP, _POINTS = 512, 256, 1024
_BIN_HZ = AUDIO_RATE_HZ / _POINTS


class Demodulator(FramedReceiver):
    """Feeds on complex channel samples of at least 9 kHz; gives one Over for each voice transmission."""

    def begin(self, rate_hz: float) -> np.ndarray:
        """Set up for a rate; give the channel filter: 5.2 kHz wide."""
        self._resample = [
            Resampler(rate_hz, AUDIO_RATE_HZ, cutoff_hz=3_300.0, width_hz=1_200.0) for _ in range(2)
        ]
        self._gate = OverGate(self.frame / rate_hz, hang_s=HANG_S)
        self._power = np.zeros(2)
        density = self.clock.noise_dbfs_hz if self.clock else None
        self._known = density is not None
        self._floor = np.inf if density is None else 10 ** (density / 10) * 2 * HALF_WIDTH_HZ
        return lowpass(HALF_WIDTH_HZ, 600.0, rate_hz, stop_db=60.0)

    def block(self, iq: np.ndarray) -> list[Over]:
        """Take 0.25 s. Frames come out two late, for the centred 50 ms windows."""
        power = (
            (iq.real**2 + iq.imag**2).astype(np.float64).reshape(self.block_frames, self.frame).mean(axis=1)
        )
        joined = np.concatenate([self._power, power])
        self._power = joined[-4:]
        windows = np.lib.stride_tricks.sliding_window_view(joined, 5)
        means = windows.mean(axis=1)
        if not self._known:
            lively = means[windows.min(axis=1) > 0.05 * means]  # not where the channel begins or ends
            if len(lively):
                # a rise of 3 dB a minute lets the floor follow; 1.15 is how far the least of many lies below
                self._floor = min(self._floor * 1.003, 1.15 * float(lively.min()))
        parts = [
            resample.feed(np.ascontiguousarray(part, np.float32))
            for resample, part in zip(self._resample, (iq.real, iq.imag), strict=True)
        ]
        audio = (parts[0] + 1j * parts[1]).astype(np.complex64)
        features = np.stack([joined[2:-2], np.full(len(means), self._floor)], axis=1).astype(np.float32)
        opens, holds = means > OPEN_OVER * self._floor, means > HOLD_OVER * self._floor
        return self._overs(self._gate.feed(opens, holds, features, audio))

    def finish(self) -> list[Over]:
        """Give the over still open."""
        return self._overs(self._gate.close())

    def _overs(self, segments: list[Segment]) -> list[Over]:
        return [over for segment in segments if (over := self._over(segment))]

    def _over(self, segment: Segment) -> Over | None:
        """Give the over of one open stretch; None when it carries no voice."""
        if self.clock is None or len(segment.audio) < AUDIO_RATE_HZ * SHORTEST_S:
            return None
        place = find_carrier(segment.audio)
        voice = to_audio(segment.audio, place.carrier_hz, upper=place.upper)
        facts = speech_facts(de_emphasise(voice, TILT_S, AUDIO_RATE_HZ))
        if facts.likelihood < LIKELY:
            return None
        level, floor = segment.features.astype(float).mean(axis=0)
        scale = self.mode.bandwidth_hz / (2 * HALF_WIDTH_HZ)
        return Over(
            mode=self.mode.name,
            start_ns=self.time_ns(segment.start * self.frame),
            stop_ns=self.time_ns(min(segment.stop * self.frame, self.count)),
            audio=clip_level(reduce_noise(voice)),
            audio_rate_hz=AUDIO_RATE_HZ,
            frequency_hz=self.clock.center_hz + place.carrier_hz,
            snr_db=float(10 * np.log10(max(level - floor, 1e-3 * floor) / (floor * scale)))
            if floor > 0
            else None,
            extra={
                "voice": True,
                "sideband": "upper" if place.upper else "lower",
                "carrier_method": place.method,
                "speech_likelihood": round(facts.likelihood, 3),
                "noise_reduced": True,
                "continues": segment.cut,
            },
        )


@dataclass(frozen=True, slots=True)
class Place:
    """Where an SSB signal's suppressed carrier is."""

    carrier_hz: float
    upper: bool
    method: str


def to_audio(iq: np.ndarray, carrier_hz: float, *, upper: bool) -> np.ndarray:
    """Give the audio 300 to 3000 Hz from the carrier on its side, float32 (n,), of complex64 (n,) at 8 kHz."""
    turned = iq * np.exp(-2j * np.pi * carrier_hz / AUDIO_RATE_HZ * np.arange(len(iq)))
    if not upper:
        turned = np.conj(turned)
    taps = lowpass(1_350.0, 250.0, AUDIO_RATE_HZ, stop_db=50.0)
    shifted = taps * np.exp(2j * np.pi * 1_650.0 / AUDIO_RATE_HZ * (np.arange(len(taps)) - len(taps) // 2))
    # Only the real part is wanted: real and imaginary part each take a real filter.
    turned = turned.astype(np.complex64)
    first = centred(turned.real, shifted.real.astype(np.float32))
    return first - centred(turned.imag, shifted.imag.astype(np.float32))


def find_carrier(iq: np.ndarray) -> Place:
    """Find the suppressed carrier of speech, complex64 (n,) at 8 kHz, by the combs of its voiced sounds."""
    padded = np.pad(iq, (0, max(_SIZE - len(iq), 0)))
    frames = np.lib.stride_tricks.sliding_window_view(padded, _SIZE)[::_HOP]
    if len(frames) > 600:
        frames = frames[:: len(frames) // 300]
    spectra = fft.forward((frames * np.hanning(_SIZE)).astype(np.complex64), _POINTS)
    power = np.roll(np.abs(spectra) ** 2, _POINTS // 2, axis=1)
    freq_hz = (np.arange(_POINTS) - _POINTS // 2) * _BIN_HZ
    inside = np.abs(freq_hz) < HALF_WIDTH_HZ
    power, freq_hz = power[:, inside], freq_hz[inside]
    low, high, centroid = _band(power, freq_hz)
    energy = power.sum(axis=1)
    loud = power[energy > np.quantile(energy, 0.5)]
    combs = _combs(loud, freq_hz)
    middle = 0.5 * (low + high)
    upper_first = centroid < middle  # speech is strongest near its carrier
    if combs is None:
        carrier = low - EDGE_HZ if upper_first else high + EDGE_HZ
        return Place(float(carrier), bool(upper_first), "band edge")
    pitch_hz, offset_hz, weight = combs
    tilt = float(np.clip((middle - centroid) / (high - low + 1.0), -0.25, 0.25))
    best = (-np.inf, 0.0, True)
    for upper, grid in (
        (True, np.arange(low - 650.0, low + 60.0, 4.0)),
        (False, np.arange(high - 60.0, high + 650.0, 4.0)),
    ):
        turns = 2 * np.pi * (grid[:, None] - offset_hz) / pitch_hz
        agree = (np.cos(turns) * weight).sum(axis=1) / weight.sum()
        at = int(agree.argmax())
        score = float(agree[at]) + (tilt if upper else -tilt)
        if score > best[0]:
            best = score, float(grid[at]), upper
    return Place(best[1], best[2], "harmonics of the voice")


def _band(power: np.ndarray, freq_hz: np.ndarray) -> tuple[float, float, float]:
    """Give the edges of the occupied band and its centroid."""
    mean = power.mean(axis=0)
    noise = float(np.quantile(mean, 0.1))
    over = np.maximum(np.convolve(mean, np.full(9, 1 / 9), "same") - 1.3 * noise, 0.0)
    total = np.cumsum(over)
    if total[-1] <= 0:
        return -1_200.0, 1_200.0, 0.0
    low, high = (float(freq_hz[int(np.searchsorted(total, share * total[-1]))]) for share in (0.01, 0.99))
    centroid = float((over * freq_hz).sum() / total[-1])
    return low, high, centroid


def _combs(power: np.ndarray, freq_hz: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
    """Give pitch, place of one tooth and weight for each voiced frame; None when there are too few.

    The strength of a comb of spacing p is the Fourier component of the amplitude spectrum at 1/p; the tooth
    is taken near the spectrum's own centroid, where an error of the pitch moves it least.
    """
    root = np.sqrt(power)
    root = root - np.stack([np.convolve(row, np.full(41, 1 / 41), "same") for row in root])
    centre = (power * freq_hz).sum(axis=1) / (power.sum(axis=1) + 1e-30)
    pitches = np.geomspace(75.0, 330.0, 400)
    wave = np.exp(2j * np.pi * freq_hz[:, None] / pitches).astype(np.complex64)
    strength = root.astype(np.complex64) @ wave
    size = np.abs(strength) / (np.abs(root).sum(axis=1, keepdims=True) + 1e-30)
    at = size.argmax(axis=1)
    rows = np.arange(len(root))
    top = size[rows, at]
    voiced = top > 0.45
    if voiced.sum() < 5:
        return None
    pitch = pitches[at]
    tooth = np.angle(strength[rows, at]) / (2 * np.pi) * pitch  # a tooth lies at this modulo the pitch
    tooth = tooth + np.round((centre - tooth) / pitch) * pitch
    return pitch[voiced], tooth[voiced], (top[voiced] - 0.4) ** 2
