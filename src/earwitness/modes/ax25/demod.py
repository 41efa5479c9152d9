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
from earwitness.dsp.discriminate import phase_steps
from earwitness.dsp.filters import lowpass
from earwitness.dsp.jit import kernel
from earwitness.dsp.resample import Resampler as ChannelResampler
from earwitness.dsp.symbols import HOP, OS, Clock, ReversalCarrier, Slicer, Upright
from earwitness.dsp.voice import AlignedFir, FixedBlocks, Resampler
from earwitness.modes.ax25.hunt import FrameHunter, Hit

RATE_HZ = 48_000.0  # at least; what comes with up to half as much again is taken as it is
BLOCK = 12_000  # samples worked on at a time
FLUSH_S = 2.0  # of silence fed at the end, for what the streams hold back
TONE_HZ = (1200.0, 2200.0)
TONE_BAUD = 1200.0
TONE_OS = 8
LOW_HZ, HALF_HZ = 12_000.0, 24_000.0  # slower rates that serve the slower bauds
# Bauds of direct FSK and the rates of the samples they are taken from; None is that of the channel
FSK_RATES_HZ = {1200.0: LOW_HZ, 2400.0: LOW_HZ, 4800.0: HALF_HZ, 9600.0: None, 19200.0: None}
# The same of phase reversals, and how many squares the look for their carrier adds up
PSK_RATES_HZ = {1200.0: (LOW_HZ, 1), 9600.0: (None, 4)}
PSK_REACH_HZ = 2500.0
PSK_REST_S = 2.0  # without a carrier, after which nothing is left in the stages behind it
AUDIO_MIDDLE_HZ = 1650.0  # the SSB audio band is 150 to 3150 Hz
AUDIO_REACH_HZ = 1250.0
CHANNEL_HZ = 17_000.0  # half the width kept where a channel is resampled
NARROW_HZ = 8000.0  # -6 dB edge of the filter before the discriminator, each side
LARGEST = 1e6
LEVEL_SAMPLES = 480  # samples a level and frequency reading is taken over
LEVELS_KEPT = 1600
LOUDER = 2.2  # spread of discriminator noise over a burst's own from which it is told apart


class _Symbols:
    """What all streams share: hunting with and without the scrambler."""

    def __init__(
        self, name: str, per_symbol: float, lanes: int, offsets: tuple[int, ...], louder: float = np.inf
    ):
        self.name = name
        self._scale = per_symbol / OS  # samples of the channel per sample of the stream
        self._clock = Clock(lanes, offsets)
        self._slicer = Slicer(lanes * len(offsets), louder=louder)
        self._hunters = (FrameHunter(scrambled=False), FrameHunter(scrambled=True))
        self.delay = 0.0  # of the lanes, in their samples

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

    def __init__(self, baud: float, rate_hz: float):
        super().__init__(f"FSK {baud:.0f}", rate_hz / baud, 1, self.offsets, LOUDER)
        self.rate_hz = FSK_RATES_HZ[baud] or rate_hz
        self.wide = baud > 9600
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

    def __init__(self, rate_hz: float):
        super().__init__(f"AFSK {TONE_BAUD:.0f}", rate_hz / TONE_BAUD, 2, self.offsets, LOUDER)
        rate = TONE_OS * TONE_BAUD
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
        super().__init__(name, channel_hz / baud, 2, self.offsets)
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
        self._baud = baud
        rate_hz, fold = PSK_RATES_HZ[baud]
        self.rate_hz = rate_hz or channel_hz
        self._channel_hz = channel_hz
        self._hop = round(HOP * self.rate_hz / baud / (2 * fold)) * 2 * fold
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
        if self._quiet > PSK_REST_S * self.rate_hz:
            self._symbols = None
        elif self._quiet == 0 and self._symbols is None:
            self._symbols = _Reversals(self.name, self._baud, self._channel_hz, self.rate_hz)
            self._origin = at
        if self._symbols is None:
            return []
        return [(scrambled, _moved(hit, self._origin)) for scrambled, hit in self._symbols.feed(z)]

    def carrier_hz(self, start: float, stop: float) -> float:
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
        self._front = _Levels()
        rate = self._rate_hz
        self._tone = _ToneStream(rate)
        self._direct = [_DirectStream(baud, rate) for baud in FSK_RATES_HZ if baud <= 0.55 * samples.rate_hz]
        self._half = Resampler(rate, HALF_HZ, cutoff_hz=12_000.0, width_hz=16_000.0)
        self._low = Resampler(HALF_HZ, LOW_HZ, cutoff_hz=6000.0, width_hz=4600.0)
        if self._audio:
            self._reversal = [_ReversalStream(TONE_BAUD, rate, AUDIO_REACH_HZ)]
            self._side = AlignedFir(lowpass(1700.0, 500.0, LOW_HZ, stop_db=50.0))
            self._turned = 0
        else:
            self._narrow = AlignedFir(lowpass(NARROW_HZ, 3000.0, rate, stop_db=50.0))
            self._before = [np.complex64(1), np.complex64(1)]
            self._reversal = [_ReversalStream(baud, rate, PSK_REACH_HZ) for baud in PSK_RATES_HZ]
            self._low_iq = [Resampler(rate, LOW_HZ, cutoff_hz=6000.0, width_hz=4800.0) for _ in range(2)]

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
        out = self._blocks(np.zeros(round(FLUSH_S * self._rate_hz * self._ratio), np.complex64))
        self._first = None
        return out

    def _blocks(self, data: np.ndarray) -> list[Frame]:
        data = np.asarray(data, np.complex64)
        pieces = self._resampler.feed(data) if self._resampler else [data]
        return [frame for piece in pieces for block in self._cut.feed(piece) for frame in self._block(block)]

    def _block(self, block: np.ndarray) -> list[Frame]:
        if not np.abs(block.view(np.float32)).max() <= LARGEST:
            block = np.clip(np.nan_to_num(block.view(np.float32)), -LARGEST, LARGEST).view(np.complex64)
        self._front.note(block)
        if self._audio:
            narrow = wide = np.ascontiguousarray(block.real)
        else:
            narrow, wide = self._steps(self._narrow.feed(block), 0), self._steps(block, 1)
        half = self._half.feed(narrow)
        sounds = {self._rate_hz: narrow, HALF_HZ: half, LOW_HZ: self._low.feed(half)}
        found = [_Found(self._tone.name, *hit, None) for hit in self._tone.feed(sounds[LOW_HZ])]
        for stream in self._direct:
            steps = wide if stream.wide else sounds[stream.rate_hz]
            found += [_Found(stream.name, *hit, None) for hit in stream.feed(steps)]
        low = self._audio_band(sounds[LOW_HZ]) if self._audio else self._low_band(block)
        for turning in self._reversal:
            below = low if turning.rate_hz == LOW_HZ else block
            for scrambled, hit in turning.feed(below):
                carrier = turning.carrier_hz(hit.start, hit.stop)
                carrier += AUDIO_MIDDLE_HZ if self._audio else 0.0
                found.append(_Found(turning.name, scrambled, hit, carrier))
        found.sort(key=lambda item: (item.hit.start, item.hit.flips))
        out = []
        for item in found:
            frame = self._frame(item)
            if not self._known(frame):
                self._reported = [*self._reported[-31:], frame]
                out.append(frame)
        return out

    def _low_band(self, block: np.ndarray) -> np.ndarray:
        parts = zip(self._low_iq, (block.real, block.imag), strict=True)
        re, im = (resampler.feed(np.ascontiguousarray(part)) for resampler, part in parts)
        return np.asarray(re + 1j * im, np.complex64)

    def _audio_band(self, sound: np.ndarray) -> np.ndarray:
        """Give the SSB audio band about 0 Hz."""
        at = self._turned + np.arange(len(sound))
        self._turned += len(sound)
        turn = np.exp(-2j * np.pi * (at * AUDIO_MIDDLE_HZ / LOW_HZ % 1.0)).astype(np.complex64)
        return self._side.feed(sound * turn)

    def _steps(self, iq: np.ndarray, lane: int) -> np.ndarray:
        steps = phase_steps(np.ascontiguousarray(iq), self._before[lane])
        self._before[lane] = iq[-1]
        return steps

    def _known(self, frame: Frame) -> bool:
        return any(
            frame.bits == other.bits and frame.time_ns < other.stop_ns and other.time_ns < frame.stop_ns
            for other in self._reported
        )

    def _frame(self, found: _Found) -> Frame:
        first = self._first
        if first is None:
            raise RuntimeError("a frame before any samples")
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


def _moved(hit: Hit, samples: float) -> Hit:
    return replace(hit, start=hit.start + samples, stop=hit.stop + samples)
