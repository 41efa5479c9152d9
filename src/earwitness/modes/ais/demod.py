"""A channel's samples, or a discriminator's audio, in; AIS frames out.

A channel is resampled to four samples a symbol through one low-pass (flat to +-8 kHz); `training` finds where bursts
begin, `burst` reads them, and what is decoded is taken out to see what lies beneath. Hypotheses that give the same
bits at the same time are one frame. All work runs on a grid of output samples fixed by the first sample, so block
lengths cannot change the outcome.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from earwitness.core.mode import Mode
from earwitness.core.types import Frame, Samples
from earwitness.dsp.peaks import peaks
from earwitness.dsp.resample import Resampler
from earwitness.modes.ais.burst import (
    FALL,
    MOST_BITS,
    Coherent,
    Found,
    air_bits,
    detect,
    read_frame,
    steady_amplitude,
)
from earwitness.modes.ais.gmsk import SYMBOL_RATE_HZ
from earwitness.modes.ais.sound import LEAST_RATE_HZ, known_sounds, likeness, loudness, readings
from earwitness.modes.ais.sound import LIKE as SOUND_LIKE
from earwitness.modes.ais.sound import PASS_HZ as SOUND_PASS_HZ
from earwitness.modes.ais.sound import STOP_HZ as SOUND_STOP_HZ
from earwitness.modes.ais.symbols import STEP, subtract
from earwitness.modes.ais.training import (
    FIT,
    GATE,
    KNOWN_LEVELS,
    KNOWN_SIGNS,
    LEAD,
    OS,
    RATE_HZ,
    SPAN_SAMPLES,
    TRAINING,
    fits,
    gate,
)

HOP = 4096  # resampled samples worked on at a time
PASS_HZ, STOP_HZ = 8_000.0, 15_000.0  # of the channel filter
TAIL = (MOST_BITS + 16) * OS  # samples wanted after a burst's start before it is decoded
FIT_BENEATH = 0.42  # the same in what is left of a decoded burst, which has traces of its own training
CLUSTER = 10 * OS  # starts this near may be one burst
CLUSTER_TRIES = 4
BACK = 270 * OS  # how far before a decoded burst weaker ones are looked for: a slot
BENEATH_POWER = 0.008  # share of a burst's power that a weaker one must have to be looked for (-21 dB)
BENEATH_NOISE = 1.5  # and so much more than the noise alone
MOST_DEPTH = 2  # bursts taken off one another
PEAK = 3 * OS  # a gate peak outranks others this near
SAME_NS = 5_000_000  # two hypotheses of one burst start within this
KNOWN_SOUNDS = known_sounds(KNOWN_LEVELS, OS)
SOUND_HOP = 8192


class Demodulator:
    """Frames of one AIS channel, or of a discriminator's audio. `Frame.time_ns` is the first message bit."""

    def __init__(self, mode: Mode):
        self._mode = mode
        self._way: _CarrierWay | _SoundWay | None = None

    def feed(self, samples: Samples) -> list[Frame]:
        """Take the next samples; gives frames some 0.25 s after their burst began."""
        if self._way is None:
            self._way = (_CarrierWay if np.iscomplexobj(samples.data) else _SoundWay)(self._mode)
        return self._way.feed(samples)

    def close(self) -> list[Frame]:
        """Decode what is still waiting."""
        out = self._way.close() if self._way else []
        self._way = None
        return out


class _SoundWay:
    """Frames of a discriminator's audio."""

    def __init__(self, mode: Mode):
        self._mode = mode
        self._first: Samples | None = None
        self._resampler: Resampler | None = None
        self._sound = np.zeros(0, np.float32)
        self._at = 0  # resampled index of _sound[0]
        self._reported: list[Frame] = []

    def feed(self, samples: Samples) -> list[Frame]:
        if self._first is None:
            self._first = samples.clock()
            if samples.rate_hz >= LEAST_RATE_HZ:
                self._resampler = Resampler(
                    samples.rate_hz, RATE_HZ, SOUND_HOP, pass_hz=SOUND_PASS_HZ, stop_hz=SOUND_STOP_HZ
                )
        if self._resampler is None:
            return []
        return [frame for hop in self._resampler.feed(samples.data) for frame in self._hop(hop.real)]

    def close(self) -> list[Frame]:
        if self._resampler is None:
            return []
        rest = [*self._resampler.rest(), np.zeros(TAIL + SOUND_HOP)]
        out = [frame for hop in rest for frame in self._hop(hop.real)]
        self._first = self._resampler = None
        return out

    def _hop(self, fresh: np.ndarray) -> list[Frame]:
        """Take resampled samples; read the bursts that begin where enough is held to end them."""
        self._sound = np.concatenate([self._sound, fresh.astype(np.float32)])
        ready = len(self._sound) - TAIL
        if ready < SOUND_HOP:
            return []
        like = likeness(self._sound[: ready + KNOWN_SOUNDS.shape[1]], KNOWN_SOUNDS)
        starts = peaks(like, SOUND_LIKE, PEAK)
        out = [frame for at in starts if (frame := self._read_at(at)) is not None]
        drop = ready - 2 * PEAK
        self._sound, self._at = self._sound[drop:], self._at + drop
        return out

    def _read_at(self, at: int) -> Frame | None:
        first = self._first
        if first is None:
            raise RuntimeError("a burst before any samples")
        known = KNOWN_LEVELS.shape[1]
        for bits in readings(self._sound, float(at), OS, MOST_BITS, known):
            found = read_frame(bits)
            if found is None:
                continue
            step = first.rate_hz / RATE_HZ
            octets = len(found.octets)
            level = loudness(self._sound, at, found, OS)
            frame = Frame(
                mode=self._mode.name,
                time_ns=first.time_ns((self._at + at + found.start * OS) * step),
                stop_ns=first.time_ns((self._at + at + (found.stop + 8) * OS) * step),
                bits=air_bits(found.octets),
                check="pass",
                check_name=f"HDLC CRC-16 over {8 * octets} bits",
                level_dbfs=float(10 * np.log10(level + 1e-30)),
            )
            if any(
                frame.bits == other.bits and abs(frame.time_ns - other.time_ns) < SAME_NS
                for other in self._reported
            ):
                return None
            self._reported = [*self._reported[-7:], frame]
            return frame
        return None


class _CarrierWay:
    """Frames of a channel's I/Q."""

    def __init__(self, mode: Mode):
        self._mode = mode
        self._first: Samples | None = None  # the first block without its data, for times
        self._noise: float | None = None
        self._resampler: Resampler | None = None
        self._y = np.zeros(LEAD, np.complex64)
        self._y_at = -LEAD  # resampled index of _y[0]
        self._made = 0  # resampled samples made
        self._scored = 0  # starts scored by the gate
        self._scores = np.zeros(2 * PEAK, np.float32)  # the last of them
        self._starts: list[tuple[int, int]] = []  # candidate starts waiting for their tail, with depth
        self._reported: list[Frame] = []

    def feed(self, samples: Samples) -> list[Frame]:
        if self._first is None or self._resampler is None:
            self._first = samples.clock()
            self._step = samples.rate_hz / RATE_HZ
            self._resampler = Resampler(samples.rate_hz, RATE_HZ, HOP, pass_hz=PASS_HZ, stop_hz=STOP_HZ)
        if samples.noise_dbfs_hz is not None:
            self._noise = samples.noise_dbfs_hz
        return [frame for hop in self._resampler.feed(samples.data) for frame in self._hop(hop)]

    def close(self) -> list[Frame]:
        if self._first is None or self._resampler is None:
            return []
        out = [frame for hop in self._resampler.rest() for frame in self._hop(hop)]
        beyond, silence = SPAN_SAMPLES + 2 * PEAK, np.zeros(TAIL + SPAN_SAMPLES + 2 * PEAK, np.complex64)
        self._made += beyond
        self._y = np.concatenate([self._y, silence])
        self._score()
        self._made += TAIL
        out += self._work()
        self._first = self._resampler = None
        return out

    def _hop(self, fresh: np.ndarray) -> list[Frame]:
        """Take resampled samples, score starts, decode the candidates that are whole."""
        self._made += len(fresh)
        self._y = np.concatenate([self._y, fresh])
        self._score()
        frames = self._work()
        keep = min([at for at, _ in self._starts[:1]] + [self._scored - 2 * PEAK]) - LEAD - BACK
        if keep > self._y_at:
            self._y, self._y_at = self._y[keep - self._y_at :], keep
        return frames

    def _score(self) -> None:
        """Run the gate over starts not yet scored and note its peaks."""
        out = np.empty(self._made - self._scored - SPAN_SAMPLES, np.float32)
        gate(self._y[self._scored - self._y_at : self._made - self._y_at], KNOWN_SIGNS, out)
        scores = np.concatenate([self._scores, out])
        base = self._scored - 2 * PEAK
        self._starts += [(base + n, 0) for n in peaks(scores, GATE, PEAK)]
        self._scores = scores[-2 * PEAK :]
        self._scored += len(out)

    def _work(self) -> list[Frame]:
        """Decode the clusters of candidate starts whose tails are there."""
        frames: list[Frame] = []
        while self._starts:
            count = 1
            while (
                count < len(self._starts) and self._starts[count][0] - self._starts[count - 1][0] <= CLUSTER
            ):
                count += 1
            if self._starts[count - 1][0] + max(TAIL, CLUSTER) > self._made:
                break
            cluster, self._starts = self._starts[:count], self._starts[count:]
            frames += self._decode(cluster)
        return frames

    def _decode(self, cluster: list[tuple[int, int]]) -> Iterator[Frame]:
        """Give the frame of a burst that starts at one of a cluster's (resampled index, depth).

        The training sequence is periodic, so one burst raises several starts; the best fit goes first and
        ends the search when it gives a frame.
        """
        tries = []
        for start, depth in cluster:
            y = self._y[start - LEAD - self._y_at : start + TAIL - self._y_at]
            for burst in fits(y, FIT_BENEATH if depth else FIT):
                tries.append((burst, start, depth))
        tries.sort(key=lambda item: -item[0].score)
        for burst, start, depth in tries[:CLUSTER_TRIES]:
            y = self._y[start - LEAD - self._y_at : start + TAIL - self._y_at]
            found = detect(y, burst, self._symbol_noise(), odd=depth == 0)
            if not found:
                continue
            frame = self._frame(found, start - LEAD)
            if not any(
                frame.bits == other.bits and abs(frame.time_ns - other.time_ns) < SAME_NS
                for other in self._reported
            ):
                self._reported = [*self._reported[-7:], frame]
                yield frame
            if (
                found.coherent
                and depth < MOST_DEPTH
                and self._more_beneath(found.power, found.coherent.noise)
            ):
                self._cancel(found, found.coherent, start - LEAD, depth)
            elif found.coherent:
                self._pass_over(start - LEAD + found.start, found.frame.stop)
            return

    def _pass_over(self, begin: float, bits: int) -> None:
        """Drop the starts within a burst that left nothing but noise: a weaker one cannot be there, nor a louder one."""
        last = begin + (bits - TRAINING) * OS
        self._starts = [(at, depth) for at, depth in self._starts if not begin < at < last]

    def _more_beneath(self, power: float, rest: float) -> bool:
        """Say whether what a burst leaves unexplained is more than noise and its own imperfections."""
        return rest > max(BENEATH_POWER * power, BENEATH_NOISE * (self._symbol_noise() or 0.0))

    def _symbol_noise(self) -> float | None:
        """Give the noise power in one symbol rate's width, where detection measured it."""
        return None if self._noise is None else SYMBOL_RATE_HZ * 10 ** (self._noise / 10)

    def _cancel(self, found: Found, burst: Coherent, base: int, depth: int) -> None:
        """Take a decoded burst out of the samples and look for weaker ones beneath it."""
        low = base - self._y_at
        y = self._y[low : low + LEAD + TAIL]
        subtract(
            y,
            found.start,
            burst.drift,
            burst.turn,
            STEP,
            burst.signs,
            steady_amplitude(burst, found.carrier),
            burst.bend,
            burst.turned,
        )
        # how a transmitter comes on is not known: there it is made no louder than what is left of the rest
        start = int(found.start)
        left = np.sqrt(np.mean(np.abs(y[start + TRAINING * OS : start + burst.stop * OS]) ** 2))
        head = self._y[max(low + start - FALL * OS, 0) : low + start + 3 * OS]
        head *= np.minimum(left / (np.abs(head) + 1e-30), 1.0).astype(np.float32)
        first = max(base + int(found.start) - BACK, self._y_at + LEAD + PEAK)
        last = min(base + int(found.start) + (found.frame.stop + 8) * OS, self._scored)
        if last <= first:
            return
        out = np.empty(last - first + 2 * PEAK, np.float32)
        at = first - PEAK - self._y_at
        gate(self._y[at : at + len(out) + SPAN_SAMPLES + OS], KNOWN_SIGNS, out)
        fresh = {first - PEAK + n: depth + 1 for n in peaks(out, GATE, PEAK)}
        self._starts = sorted({**dict(self._starts), **fresh}.items())

    def _frame(self, found: Found, base: int) -> Frame:
        first = self._first
        if first is None:
            raise RuntimeError("a frame before any samples")
        begin = base + found.start + found.frame.start * OS
        end = base + found.start + (found.frame.stop + 8) * OS
        level = 10 * np.log10(found.power + 1e-30)
        snr = None
        if self._noise is not None:
            snr = float(level - self._noise - 10 * np.log10(self._mode.bandwidth_hz))
        elif found.coherent:
            ratio = found.power / (found.coherent.noise + 1e-30)
            snr = float(10 * np.log10(ratio * SYMBOL_RATE_HZ / self._mode.bandwidth_hz))
        octets = len(found.frame.octets)
        return Frame(
            mode=self._mode.name,
            time_ns=first.time_ns(begin * self._step),
            stop_ns=first.time_ns(end * self._step),
            bits=air_bits(found.frame.octets),
            check="corrected" if found.frame.flips else "pass",
            corrected_bits=len(found.frame.flips),
            check_name=f"HDLC CRC-16 over {8 * octets} bits",
            snr_db=snr,
            level_dbfs=float(level),
            frequency_hz=first.center_hz + found.carrier * RATE_HZ / (2 * np.pi),
        )
