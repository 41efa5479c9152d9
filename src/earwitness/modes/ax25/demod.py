"""A channel or demodulated audio in, AX.25 frames out: every modulation in use tried side by side.

Nothing on the air says rate, modulation or scrambler, and a satellite's beacon may be one frame long. So each
hypothesis listens all the time, but no further than to the line that its own symbols would make (of their
clock, of a carrier in the squares); only where that stands out are symbols cut and hunted for frames, with
and without the scrambler. The FCS and a legal address field decide; a frame found twice is one.

From I/Q the channel is discriminated for the tones and for direct FSK, and taken as it is for phase
reversals. Demodulated audio may be a discriminator's (direct FSK is its baseband, tones are tones) or an SSB
receiver's (phase reversals of a carrier near 1500 Hz).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from earwitness.core.mode import Mode
from earwitness.core.types import Bits, Frame, Samples
from earwitness.dsp import fft
from earwitness.dsp.discriminate import phase_steps
from earwitness.dsp.filters import lowpass
from earwitness.dsp.jit import kernel
from earwitness.dsp.resample import Resampler as ChannelResampler
from earwitness.dsp.symbols import HOP, OS, Clock, ReversalCarrier, Slicer, Upright
from earwitness.dsp.voice import AlignedFir, FixedBlocks, Resampler, fir
from earwitness.modes.ax25.hunt import FrameHunter, Hit

RATE_HZ = 48_000.0  # at least; what comes with up to half as much again is taken as it is
BLOCK = 12_000  # samples worked on at a time
FLUSH_HOPS = 30  # of silence after which a stream holds nothing back
TAIL = 400  # samples the filters before them lag by, at most
TONE_HZ = (1200.0, 2200.0)
TONE_BAUD = 1200.0
TONE_OS = 8
RECORDER_CLOCKS = (
    0.9715,
    0.9855,
    1.0145,
    1.0285,
)  # recordings run by up to 3 % too fast or slow; each bears 0.7 %
LOW_HZ = 16_000.0  # a slower rate that serves the slower bauds
# Bauds of direct FSK and what each is taken from: the discriminator after the tuned, the wide filter or none
FSK_SOURCES = {1200.0: "tuned", 2400.0: "tuned", 4800.0: "tuned", 9600.0: "sound", 19200.0: "open"}
# Bauds of phase reversals and what each is taken from, and how many squares the look for their carrier adds up
PSK_SOURCES = {1200.0: ("low", 1), 9600.0: ("channel", 4)}
PSK_REACH_HZ = 2500.0
AUDIO_MIDDLE_HZ = 1650.0  # the SSB audio band is 150 to 3150 Hz
AUDIO_REACH_HZ = 1250.0
CHANNEL_HZ = 17_000.0  # half the width kept where a channel is resampled
SOUND_HZ = 8000.0  # -6 dB edge of the filter before the discriminator, each side
TUNED_HZ = (
    1500.0,
    3000.0,
    5500.0,
)  # the same where the slower bauds are listened for, by what the signal takes
TUNED_SHARE, TUNED_PART = (
    0.98,
    0.67,
)  # so much of the power over the noise must lie in that part of the filter
TUNED_BINS = 256
TUNED_STEP_HZ = 250.0  # the filter is not moved by less
LARGEST = 1e6
STEADY = 1.15  # fourth moment over the squared second: 1 a clean constant envelope, 2 noise, shaped reversals 1.3 and more
JUMP_RAD = 1.8  # between samples: no deviation in use takes the phase so far
MOST_JUMPS = 10  # in a block by noise alone
LEVEL_SAMPLES = 480  # samples a level and frequency reading is taken over
LEVELS_KEPT = 1600
LOUDER = 2.2  # spread of discriminator noise over a burst's own from which it is told apart


class _Symbols:
    """What all streams share: hunting with and without the scrambler."""

    def __init__(
        self,
        name: str,
        baud: float,
        channel_hz: float,
        lanes: int,
        offsets: tuple[int, ...],
        louder: float = np.inf,
    ):
        self.name = name
        self.baud = baud
        self._scale = channel_hz / (OS * baud)  # samples of the channel per sample of the stream
        self._clock = Clock(lanes, offsets)
        self._slicer = Slicer(lanes * len(offsets), louder=louder)
        self._hunters = (FrameHunter(scrambled=False), FrameHunter(scrambled=True))
        self.delay = 0.0  # of the lanes, in their samples

    def carrier_hz(self, start: float, stop: float) -> float | None:
        """Give the carrier where the stream knows it."""
        del start, stop
        return None

    def _hunt(self, places: np.ndarray, x: np.ndarray, first: np.ndarray) -> Iterator[tuple[bool, Hit]]:
        places, soft, _ = self._slicer.feed(places, x, first)
        if len(soft):
            at = (places - self.delay) * self._scale
            for hunter in self._hunters:
                for hit in hunter.feed(soft, at):
                    yield hunter.scrambled, hit


class _DirectStream(_Symbols):
    """Two-level direct FSK: the discriminator's output is the line itself."""

    offsets = (0, -8, -6, -4, -2, 2, 4, 6, 8)

    def __init__(self, baud: float, channel_hz: float):
        super().__init__(f"FSK {baud:.0f}", baud, channel_hz, 1, self.offsets, LOUDER)
        self.source = FSK_SOURCES[baud]
        self.rate_hz = LOW_HZ if self.source == "tuned" else channel_hz
        self._resampler = Resampler(self.rate_hz, OS * baud, cutoff_hz=0.6 * baud, width_hz=0.4 * baud)

    def feed(self, steps: np.ndarray) -> list[tuple[bool, Hit]]:
        places, x = self._clock.feed(self._resampler.feed(steps)[None, :])
        return list(self._hunt(places, x[0], x[0, 0])) if len(places) else []


@kernel("void(float32[::1], complex64[:,::1], int64, float32[:,::1])", fastmath=True)
def _tones(x: np.ndarray, taps: np.ndarray, step: int, out: np.ndarray) -> None:
    """Give the size of x's correlation with each row of taps, every `step` samples."""
    for f in range(len(taps)):
        for m in range(out.shape[1]):
            re = np.float32(0)
            im = np.float32(0)
            for i in range(taps.shape[1]):
                re += taps[f, i].real * x[m * step + i]
                im += taps[f, i].imag * x[m * step + i]
            out[f, m] = np.sqrt(re * re + im * im)


class _ToneStream(_Symbols):
    """Two audio tones: the sizes of their correlations over a symbol are the two lanes."""

    offsets = (0, -4, -2, 2, 4)

    def __init__(self, channel_hz: float, clock: float = 1.0):
        baud = clock * TONE_BAUD
        super().__init__(f"AFSK {TONE_BAUD:.0f}", baud, channel_hz, 2, self.offsets, LOUDER)
        self.source, self.rate_hz = "tuned", LOW_HZ
        rate = TONE_OS * baud
        self._resampler = Resampler(LOW_HZ, rate, cutoff_hz=3200.0, width_hz=1000.0)
        turns = 2j * np.pi * np.array(TONE_HZ)[:, None] / rate * np.arange(TONE_OS)[None, :]
        self._taps = (np.exp(-turns) / TONE_OS).astype(np.complex64)
        self._held = np.zeros(TONE_OS // 2, np.float32)
        self._step = TONE_OS // OS
        self.delay = 0.5 / self._step

    def feed(self, steps: np.ndarray) -> list[tuple[bool, Hit]]:
        self._held = np.concatenate([self._held, self._resampler.feed(steps)])
        count = max((len(self._held) - TONE_OS) // self._step + 1, 0)
        lanes = np.empty((2, count), np.float32)
        _tones(self._held, self._taps, self._step, lanes)
        self._held = self._held[count * self._step :].copy()
        places, x = self._clock.feed(lanes)
        if not len(places):
            return []
        return list(self._hunt(places, x.reshape(2 * len(self.offsets), len(places)), x[0, 0] - x[1, 0]))


class _Reversals(_Symbols):
    """Symbols of phase reversals whose carrier is taken out."""

    offsets = (0, -4, -2, 2, 4)

    def __init__(self, name: str, baud: float, channel_hz: float, rate_hz: float):
        super().__init__(name, baud, channel_hz, 2, self.offsets)
        self._low = [
            Resampler(rate_hz, OS * baud, cutoff_hz=0.6 * baud, width_hz=0.4 * baud) for _ in range(2)
        ]
        self._upright = Upright(16, 0)

    def feed(self, z: np.ndarray) -> list[tuple[bool, Hit]]:
        lanes = [
            low.feed(np.ascontiguousarray(part))
            for low, part in zip(self._low, (z.real, z.imag), strict=True)
        ]
        places, x = self._clock.feed(np.stack(lanes))
        if not len(places):
            return []
        places, turned = self._upright.feed(places, x[0] + 1j * x[1])
        both = np.concatenate([turned.real, turned.imag])
        return list(self._hunt(places, both, np.ascontiguousarray(turned.real[0])))


class _ReversalStream:
    """Phase reversals of a carrier anywhere within reach; what follows the carrier is there while one is."""

    def __init__(self, baud: float, channel_hz: float, reach_hz: float):
        self.name = f"BPSK {baud:.0f}"
        self.baud = baud
        self.source, fold = PSK_SOURCES[baud]
        self.rate_hz = LOW_HZ if self.source == "low" else channel_hz
        self._channel_hz = channel_hz
        self._hop = 2 * fold * fft.good_size(round(HOP * self.rate_hz / baud / (2 * fold)))
        self._carrier = ReversalCarrier(self._hop, reach_hz / self.rate_hz, fold)
        self._symbols: _Reversals | None = None
        self._origin = 0.0  # in the channel's samples, where it began
        self._given = 0  # samples the carrier stage has given
        self._quiet = 0  # the latest of them without a carrier
        self._lines = np.zeros(0)
        self._lines_at = 0

    def feed(self, z: np.ndarray) -> list[tuple[bool, Hit]]:
        z, line = self._carrier.feed(z)
        self._lines = np.concatenate([self._lines, line])
        drop = max(len(self._lines) - 2000, 0)
        self._lines, self._lines_at = self._lines[drop:], self._lines_at + drop
        at = self._given * self._channel_hz / self.rate_hz
        self._given += len(z)
        self._quiet = 0 if z.any() else self._quiet + len(z)
        if self._quiet == 0 and self._symbols is None:
            self._symbols = _Reversals(self.name, self.baud, self._channel_hz, self.rate_hz)
            self._origin = at
        if self._symbols is None:
            return []
        out = [(scrambled, _moved(hit, self._origin)) for scrambled, hit in self._symbols.feed(z)]
        if self._quiet > FLUSH_HOPS * self._hop:
            self._symbols = None
        return out

    def carrier_hz(self, start: float, stop: float) -> float | None:
        """Give the mean carrier between two places in the channel's samples."""
        hop = self._hop * self._channel_hz / self.rate_hz
        low = max(int(start / hop) - self._lines_at, 0)
        part = self._lines[low : max(int(stop / hop) - self._lines_at + 1, low + 1)]
        return float(np.median(part)) * self.rate_hz if len(part) else 0.0


@dataclass(frozen=True, slots=True)
class _Found:
    stream: str
    scrambled: bool
    hit: Hit
    carrier_hz: float | None


@kernel("void(complex64[::1], float64[::1], complex128[::1])", fastmath=True)
def _levels(block: np.ndarray, power: np.ndarray, turn: np.ndarray) -> None:
    """Give mean power and summed turn from sample to sample of each LEVEL_SAMPLES samples."""
    for row in range(len(power)):
        total = np.float32(0)
        re = np.float32(0)
        im = np.float32(0)
        for n in range(row * LEVEL_SAMPLES + 1, (row + 1) * LEVEL_SAMPLES):
            a, b = block[n].real, block[n].imag
            c, d = block[n - 1].real, block[n - 1].imag
            total += a * a + b * b
            re += a * c + b * d
            im += b * c - a * d
        power[row] = total / (LEVEL_SAMPLES - 1)
        turn[row] = complex(re, im)


class _Levels:
    """Levels of the block stream, kept for the figures of frames."""

    def __init__(self) -> None:
        self._power = np.zeros(0)
        self._turn = np.zeros(0, complex)
        self._at = 0

    def note(self, block: np.ndarray) -> None:
        power = np.empty(len(block) // LEVEL_SAMPLES)
        turn = np.empty(len(power), complex)
        _levels(block, power, turn)
        self._power = np.concatenate([self._power, power])
        self._turn = np.concatenate([self._turn, turn])
        drop = max(len(self._power) - LEVELS_KEPT, 0)
        self._power, self._turn, self._at = self._power[drop:], self._turn[drop:], self._at + drop

    def _part(self, start: float, stop: float) -> slice:
        low = min(max(int(start / LEVEL_SAMPLES) - self._at, 0), max(len(self._power) - 1, 0))
        return slice(low, max(int(stop / LEVEL_SAMPLES) - self._at, low + 1))

    def level_dbfs(self, start: float, stop: float) -> float:
        return float(10 * np.log10(np.mean(self._power[self._part(start, stop)]) + 1e-30))

    def frequency(self, start: float, stop: float) -> float:
        """Give the mean frequency in cycles per sample."""
        return float(np.angle(np.sum(self._turn[self._part(start, stop)])) / (2 * np.pi))


class _Steps:
    """The discriminator over a stream of blocks."""

    def __init__(self) -> None:
        self._before = np.complex64(1)

    def feed(self, iq: np.ndarray) -> np.ndarray:
        if not len(iq):
            return np.empty(0, np.float32)
        steps = phase_steps(iq, self._before)
        self._before = iq[-1]
        return np.asarray(steps)


class _Tuner:
    """Discriminates what there is in the slow channel: a filter about its power, no wider than it takes.

    Noise that gets into a discriminator decides where its threshold lies, and a carrier is seldom where it should be.
    """

    def __init__(self) -> None:
        self._taps = [lowpass(edge, 2000.0, LOW_HZ, stop_db=50.0) for edge in TUNED_HZ]
        self._half = len(self._taps[0]) // 2
        self._held = np.zeros(self._half, np.complex64)
        self._steps = _Steps()
        self._center = 0.0
        self._window = np.hanning(TUNED_BINS).astype(np.float32)

    def feed(self, z: np.ndarray) -> np.ndarray:
        """Take the next block at LOW_HZ; what the filter lags by is given with the next."""
        rows = z[: len(z) // TUNED_BINS * TUNED_BINS].reshape(-1, TUNED_BINS)
        taps = self._taps[-1]
        if len(rows):
            power = np.mean(np.abs(fft.forward(rows * self._window)) ** 2, axis=0)
            self._center, taps = self._fit(np.fft.fftshift(power))
        # the filter is moved, not the signal: what it lets through keeps its frequency from block to block
        turn = 2j * np.pi * self._center / LOW_HZ * np.arange(self._half, -self._half - 1, -1)
        moved = taps * np.exp(turn)
        joined = np.concatenate([self._held, z]).view(np.float32)
        count = max(len(joined) // 2 - len(taps) + 1, 0)
        parts = np.empty((2, 2 * count), np.float32)
        fir(joined, moved.real.astype(np.float32), 2, parts[0])
        fir(joined, moved.imag.astype(np.float32), 2, parts[1])
        self._held = joined[2 * count :].view(np.complex64)
        return self._steps.feed(parts[0].view(np.complex64) + 1j * parts[1].view(np.complex64))

    def _fit(self, power: np.ndarray) -> tuple[float, np.ndarray]:
        """Give the middle of the power over the noise and the taps that let it through."""
        over = np.maximum(power - 2 * np.partition(power, TUNED_BINS // 4)[TUNED_BINS // 4], 0)
        total = float(np.sum(over))
        if total <= 0:
            return 0.0, self._taps[-1]
        at = (np.arange(TUNED_BINS) - TUNED_BINS // 2) * LOW_HZ / TUNED_BINS
        center = float(np.clip(np.sum(at * over) / total, -PSK_REACH_HZ, PSK_REACH_HZ))
        if abs(center - self._center) < TUNED_STEP_HZ:
            center = self._center
        for edge, taps in zip(TUNED_HZ, self._taps, strict=True):
            if float(np.sum(over[np.abs(at - center) <= TUNED_PART * edge])) >= TUNED_SHARE * total:
                return center, taps
        return center, self._taps[-1]


class Demodulator:
    """Frames of one channel, or of one recording of demodulated audio."""

    def __init__(self, mode: Mode):
        self._mode = mode
        self._first: Samples | None = None
        self._noise: float | None = None
        self._reported: list[Frame] = []

    def _begin(self, samples: Samples) -> None:
        self._first = replace(samples, data=samples.data[:0])
        self._audio = not np.iscomplexobj(samples.data)
        rate = samples.rate_hz
        self._rate_hz = rate if RATE_HZ <= rate <= 1.5 * RATE_HZ else RATE_HZ
        self._ratio = rate / self._rate_hz
        self._resampler: ChannelResampler | None = None
        if rate != self._rate_hz:
            pass_hz = min(CHANNEL_HZ, 0.36 * rate)
            stop_hz = min(rate, RATE_HZ) - pass_hz
            self._resampler = ChannelResampler(rate, RATE_HZ, BLOCK, pass_hz=pass_hz, stop_hz=stop_hz)
        self._cut = FixedBlocks(BLOCK)
        self._fed = 0
        self._front = _Levels()
        rate = self._rate_hz
        self._streams: list[_DirectStream | _ToneStream | _ReversalStream] = [
            _ToneStream(rate),
            *(_DirectStream(baud, rate) for baud in FSK_SOURCES if baud <= 0.55 * samples.rate_hz),
        ]
        if self._audio:
            self._streams += [_ToneStream(rate, clock) for clock in RECORDER_CLOCKS]
            self._streams.append(_ReversalStream(TONE_BAUD, rate, AUDIO_REACH_HZ))
            self._slow = Resampler(rate, LOW_HZ, cutoff_hz=8000.0, width_hz=8000.0)
            self._side = AlignedFir(lowpass(1700.0, 500.0, LOW_HZ, stop_db=50.0))
            self._turned = 0
        else:
            self._streams += [_ReversalStream(baud, rate, PSK_REACH_HZ) for baud in PSK_SOURCES]
            self._filter = AlignedFir(lowpass(SOUND_HZ, 3000.0, rate, stop_db=50.0))
            self._sound, self._open = _Steps(), _Steps()
            self._low = [Resampler(rate, LOW_HZ, cutoff_hz=8000.0, width_hz=5000.0) for _ in range(2)]
            self._tuner = _Tuner()

    def feed(self, samples: Samples) -> list[Frame]:
        """Take the next samples; gives frames up to two seconds after their end."""
        if self._first is None:
            self._begin(samples)
        if samples.noise_dbfs_hz is not None:
            self._noise = samples.noise_dbfs_hz
        return self._blocks(samples.data)

    def close(self) -> list[Frame]:
        """Give what is still in the streams."""
        if self._first is None:
            return []
        # the last block filled up, so far that the filters have let go of what was fed
        lack = -self._fed % BLOCK
        silence = lack if lack >= TAIL else lack + BLOCK
        if self._resampler:
            silence = round((BLOCK + silence) * self._ratio)  # it holds up to a block more
        out = self._blocks(np.zeros(silence, np.complex64))
        found = []
        for stream in self._streams:
            kind = np.complex64 if isinstance(stream, _ReversalStream) else np.float32
            found += self._heard(
                stream, np.zeros(round(FLUSH_HOPS * HOP / stream.baud * stream.rate_hz), kind)
            )
        self._first, first = None, self._first
        return out + self._frames(found, first)

    def _blocks(self, data: np.ndarray) -> list[Frame]:
        data = np.asarray(data, np.complex64)
        pieces = self._resampler.feed(data) if self._resampler else [data]
        self._fed += sum(map(len, pieces))
        return [frame for piece in pieces for block in self._cut.feed(piece) for frame in self._block(block)]

    def _block(self, block: np.ndarray) -> list[Frame]:
        if not np.abs(block.view(np.float32)).max() <= LARGEST:
            block = np.clip(np.nan_to_num(block.view(np.float32)), -LARGEST, LARGEST).view(np.complex64)
        self._front.note(block)
        sources = self._from_audio(block) if self._audio else self._from_channel(block)
        if not self._audio and _steady(block, sources["open"]):
            silence = {name: np.zeros_like(sources[name]) for name in ("channel", "low")}
        else:
            silence = {}
        found = []
        for stream in self._streams:
            given = silence if silence and isinstance(stream, _ReversalStream) else sources
            found += self._heard(stream, given[stream.source])
        return self._frames(found, self._first)

    def _from_audio(self, block: np.ndarray) -> dict[str, np.ndarray]:
        sound = np.ascontiguousarray(block.real)
        slow = self._slow.feed(sound)
        # the SSB audio band about 0 Hz
        at = self._turned + np.arange(len(slow))
        self._turned += len(slow)
        turn = np.exp(-2j * np.pi * (at * AUDIO_MIDDLE_HZ / LOW_HZ % 1.0)).astype(np.complex64)
        return {"sound": sound, "open": sound, "tuned": slow, "low": self._side.feed(slow * turn)}

    def _from_channel(self, block: np.ndarray) -> dict[str, np.ndarray]:
        parts = zip(self._low, (block.real, block.imag), strict=True)
        re, im = (resampler.feed(np.ascontiguousarray(part)) for resampler, part in parts)
        low = np.asarray(re + 1j * im, np.complex64)
        return {
            "channel": block,
            "sound": self._sound.feed(self._filter.feed(block)),
            "open": self._open.feed(block),
            "low": low,
            "tuned": self._tuner.feed(low),
        }

    def _heard(self, stream: _DirectStream | _ToneStream | _ReversalStream, x: np.ndarray) -> list[_Found]:
        out = []
        for scrambled, hit in stream.feed(x):
            carrier = stream.carrier_hz(hit.start, hit.stop)
            if carrier is not None and self._audio:
                carrier += AUDIO_MIDDLE_HZ
            out.append(_Found(stream.name, scrambled, hit, carrier))
        return out

    def _frames(self, found: list[_Found], first: Samples | None) -> list[Frame]:
        if first is None:
            raise RuntimeError("frames before any samples")
        out = []
        for item in sorted(found, key=lambda item: (item.hit.start, item.hit.flips)):
            frame = self._frame(item, first)
            if not self._known(frame):
                self._reported = [*self._reported[-31:], frame]
                out.append(frame)
        return out

    def _known(self, frame: Frame) -> bool:
        return any(
            frame.bits == other.bits and frame.time_ns < other.stop_ns and other.time_ns < frame.stop_ns
            for other in self._reported
        )

    def _frame(self, found: _Found, first: Samples) -> Frame:
        hit = found.hit
        level = self._front.level_dbfs(hit.start, hit.stop)
        snr = frequency = None
        if not self._audio:
            offset = found.carrier_hz
            if offset is None:
                offset = self._rate_hz * self._front.frequency(hit.start, hit.stop)
            frequency = first.center_hz + offset
            if self._noise is not None:
                snr = level - self._noise - 10 * float(np.log10(self._mode.bandwidth_hz))
        extra = {"modulation": found.stream, "scrambled": found.scrambled}
        if self._audio and found.carrier_hz is not None:
            extra["audio_carrier_hz"] = round(found.carrier_hz)
        return Frame(
            mode=self._mode.name,
            time_ns=first.time_ns(hit.start * self._ratio),
            stop_ns=first.time_ns(hit.stop * self._ratio),
            bits=Bits(int.from_bytes(hit.octets, "big"), 8 * len(hit.octets)),
            check="corrected" if hit.flips else "pass",
            corrected_bits=hit.flips,
            check_name=f"HDLC CRC-16 over {8 * len(hit.octets)} bits and a legal address field",
            extra=extra,
            snr_db=snr,
            level_dbfs=level,
            frequency_hz=frequency,
        )


@kernel("boolean(complex64[::1], float32[::1])", fastmath=True)
def _steady(block: np.ndarray, steps: np.ndarray) -> bool:
    """Tell whether a block has a constant envelope and no jumps of phase: it is modulated in frequency, or a carrier."""
    second = 0.0
    fourth = 0.0
    for n in range(len(block)):
        power = block[n].real * block[n].real + block[n].imag * block[n].imag
        second += power
        fourth += power * power
    if fourth * len(block) >= STEADY * second * second:
        return False
    jumps = 0
    for n in range(len(steps)):
        jumps += abs(steps[n]) > JUMP_RAD
    return jumps < MOST_JUMPS


def _moved(hit: Hit, samples: float) -> Hit:
    return replace(hit, start=hit.start + samples, stop=hit.stop + samples)
