"""From broadcast FM to clips of audio: 30 s of every ten minutes, stereo where the 19 kHz pilot is.

ITU-R BS.450 (from memory): left plus right up to 15 kHz, a pilot at 19 kHz, left less right on a suppressed
carrier at twice the pilot's frequency that crosses zero with it. The pilot's phase is fitted over each 0.1
s, so that no loop has to lock. Squelch as in fm: a steady envelope. The programme is not judged:
broadcasting is whatever it sends.
"""

from __future__ import annotations

import numpy as np

from earwitness.core.types import Over
from earwitness.dsp.aligned import Resampler
from earwitness.dsp.audio import de_emphasise
from earwitness.dsp.discriminate import discriminate
from earwitness.dsp.filters import lowpass
from earwitness.dsp.framed import FramedReceiver

AUDIO_HZ = 48_000.0
PILOT_HZ = 19_000.0
CLIP_S = 30.0
EVERY_S = 600.0
SHORTEST_S = 1.0
EMPHASIS_S = 50e-6  # BS.450; 75 us in the Americas and Korea
STEADY_BELOW = 1.6
LEAST_PILOT_HZ = 3_000.0  # deviation by the pilot; nominal 6000 to 7500 (8 to 10 % of 75 kHz)
GONE_S = 0.5
NEW_AFTER_S = 2.0  # off for longer: what comes then is a new transmission


class _Clip:
    """One clip in the making: composite in, left plus right and left less right out, block by block."""

    def __init__(self, start: int, rate_hz: float):
        self.start = start
        self.stop = start  # last sample with a steady envelope
        self._rate_hz = rate_hz
        self._at = 0
        self._resample = [
            Resampler(rate_hz, AUDIO_HZ, cutoff_hz=15_700.0, width_hz=2_500.0) for _ in range(2)
        ]
        self._audio: tuple[list[np.ndarray], list[np.ndarray]] = ([], [])
        self.pilots_hz: list[float] = []
        self.offsets_hz: list[float] = []
        self.peaks_hz: list[float] = []
        self.powers: list[tuple[float, float]] = []

    def add(self, hz: np.ndarray) -> None:
        """Take a block of the composite, in Hz of deviation."""
        offset_hz = float(np.mean(hz))
        composite = hz - np.float32(offset_hz)
        turns = (self._at + np.arange(len(hz))) * (PILOT_HZ / self._rate_hz)
        self._at += len(hz)
        line = composite * np.exp(-2j * np.pi * turns)
        parts = line[: len(line) // 10 * 10].reshape(10, -1).mean(axis=1)
        step = float(np.angle(np.sum(parts[1:] * np.conj(parts[:-1]))))  # phase a tenth
        middle = np.sum(parts * np.exp(-1j * step * (np.arange(10) - 4.5))) / 10
        place = np.arange(len(hz)) / (len(hz) / 10) - 5.0
        pilot = 2 * np.pi * turns + np.angle(middle) + step * place
        self.pilots_hz.append(2 * float(np.abs(middle)))
        self.offsets_hz.append(offset_hz)
        self.peaks_hz.append(float(np.quantile(np.abs(composite), 0.999)))
        difference = (composite * (-2 * np.sin(2 * pilot))).astype(np.float32)
        for resample, audio, part in zip(self._resample, self._audio, (composite, difference), strict=True):
            audio.append(resample.feed(part))

    def audio(self, stop: int) -> tuple[np.ndarray, bool]:
        """Give audio up to a sample, (2, n) when stereo, else (n,), 75 kHz deviation as full scale."""
        count = round((stop - self.start) / self._rate_hz * AUDIO_HZ)
        total, difference = (np.concatenate(audio)[:count] for audio in self._audio)
        stereo = float(np.median(self.pilots_hz)) >= LEAST_PILOT_HZ
        both = np.stack([total + difference, total - difference]) if stereo else total
        both = de_emphasise(both, EMPHASIS_S, AUDIO_HZ, unity_hz=0.0)
        return np.clip(both / np.float32(75_000.0), -1, 1), stereo


class Demodulator(FramedReceiver):
    """Feeds on complex samples of at least 240 kHz; gives an Over for each clip."""

    block_frames = 10

    def begin(self, rate_hz: float) -> np.ndarray:
        """Set up for a rate; give the channel filter: 200 kHz wide."""
        self._last = 1 + 0j
        self._clip: _Clip | None = None
        self._at = 0  # sample number of the next block
        self._next = 0  # the next clip starts no earlier
        self._steady_at = 0  # end of the last block with a steady envelope
        return lowpass(100_000.0, 20_000.0, rate_hz, stop_db=50.0)

    def block(self, iq: np.ndarray) -> list[Over]:
        """Take 0.1 s."""
        power = (iq.real**2 + iq.imag**2).astype(np.float64)
        mean = float(power.mean())
        fourth = float((power**2).mean())
        steady = mean > 0 and fourth < STEADY_BELOW * mean**2
        out: list[Over] = []
        if steady and self._at - self._steady_at > NEW_AFTER_S * self.rate_hz:
            self._next = 0
        if self._clip is None and steady and self._at >= self._next:
            self._clip = _Clip(self._at, self.rate_hz)
            self._next = self._at + round(EVERY_S * self.rate_hz)
        end = self._at + len(iq)
        if self._clip is not None:
            self._clip.add(discriminate(iq, rate_hz=self.rate_hz, before=self._last))
            if steady:
                self._clip.stop = end
                self._clip.powers.append((mean, fourth))
            if end - self._clip.start >= CLIP_S * self.rate_hz:
                out = self._over(continues=True)
            elif end - self._clip.stop > GONE_S * self.rate_hz:
                out = self._over(continues=False)
        self._last = complex(iq[-1])
        self._at = end
        if steady:
            self._steady_at = end
        return out

    def finish(self) -> list[Over]:
        """Give the clip still open."""
        return self._over(continues=False) if self._clip is not None else []

    def _over(self, *, continues: bool) -> list[Over]:
        clip, self._clip = self._clip, None
        if clip is None or self.clock is None:
            return []
        stop = min(clip.stop, self.count)
        if stop - clip.start < SHORTEST_S * self.rate_hz:
            return []
        audio, stereo = clip.audio(stop)
        offset_hz = float(np.median(clip.offsets_hz))
        second, fourth = np.array(clip.powers).mean(axis=0)
        signal = float(np.sqrt(max(2 * second**2 - fourth, 1e-30)))
        return [
            Over(
                mode=self.mode.name,
                start_ns=self.time_ns(clip.start),
                stop_ns=self.time_ns(stop),
                audio=audio,
                audio_rate_hz=AUDIO_HZ,
                frequency_hz=self.clock.center_hz + offset_hz,
                snr_db=float(10 * np.log10(signal / max(second - signal, 1e-4 * signal))),
                extra={
                    "voice": False,
                    "broadcast": True,
                    "stereo": stereo,
                    "pilot_deviation_hz": round(float(np.median(clip.pilots_hz))),
                    "peak_deviation_hz": round(float(np.quantile(clip.peaks_hz, 0.9))),
                    "noise_reduced": False,
                    "continues": continues,
                },
            )
        ]
