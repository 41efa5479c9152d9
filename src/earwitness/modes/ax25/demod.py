"""A channel or demodulated audio in, AX.25 frames out: every modulation in use tried side by side.

Nothing on the air says rate, modulation or scrambler, and a satellite's beacon may be one frame long. So each
hypothesis runs as a stream of its own, made cheap instead of gated: a matched low-pass to four samples a symbol,
then `dsp.symbols`. Each stream's symbols are hunted for frames with and without the scrambler. The FCS and
a legal address field decide; a frame found twice is one.

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
from earwitness.dsp.filters import StreamingFir, lowpass
from earwitness.dsp.jit import kernel
from earwitness.dsp.resample import Resampler as ChannelResampler
from earwitness.dsp.symbols import HOP, OS, Clock, ReversalCarrier, Slicer, Upright
from earwitness.dsp.voice import Resampler
from earwitness.modes.ax25.hunt import FrameHunter, Hit

RATE_HZ = 48_000.0
BLOCK = 12_000  # samples worked on at a time
FLUSH_S = 1.2  # of silence fed at the end, for what the streams hold back
TONE_HZ = (1200.0, 2200.0)
TONE_BAUD = 1200.0
TONE_OS = 8
FSK_BAUDS = (1200.0, 2400.0, 4800.0, 9600.0, 19200.0)
PSK_BAUDS = (1200.0, 9600.0)
PSK_REACH_HZ = 2500.0
PSK_RATE_HZ = {1200.0: 19_200.0, 9600.0: 38_400.0}
AUDIO_MIDDLE_HZ = 1650.0  # the SSB audio band is 150 to 3150 Hz
AUDIO_RATE_HZ = 9600.0
NARROW_HZ = 7500.0  # channel filter before the discriminator, each side
LEVEL_SAMPLES = 480  # samples a level and frequency reading is taken over
LEVELS_KEPT = 1600
LOUDER = 2.2  # spread of discriminator noise over a burst's own from which it is told apart


class _Symbols:
    """What all streams share: hunting with and without the scrambler."""

    def __init__(
        self, name: str, per_symbol: float, lanes: int, offsets: tuple[int, ...], louder: float = np.inf
    ):
        self.name = name
        self._scale = per_symbol / OS  # block samples per sample of the stream
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

    def __init__(self, baud: float):
        super().__init__(f"FSK {baud:.0f}", RATE_HZ / baud, 1, self.offsets, LOUDER)
        self._resampler = Resampler(RATE_HZ, OS * baud, cutoff_hz=0.6 * baud, width_hz=0.4 * baud)

    def feed(self, steps: np.ndarray) -> list[tuple[bool, Hit]]:
        places, x = self._clock.feed(self._resampler.feed(steps)[None, :])
        return list(self._hunt(places, x[0], x[0, 0]))


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

    def __init__(self) -> None:
        super().__init__(f"AFSK {TONE_BAUD:.0f}", RATE_HZ / TONE_BAUD, 2, self.offsets, LOUDER)
        rate = TONE_OS * TONE_BAUD
        self._resampler = Resampler(RATE_HZ, rate, cutoff_hz=3200.0, width_hz=1000.0)
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
        return list(self._hunt(places, x.reshape(2 * len(self.offsets), len(places)), x[0, 0] - x[1, 0]))


class _ReversalStream(_Symbols):
    """Phase reversals of a carrier anywhere within reach."""

    offsets = (0, -4, -2, 2, 4)

    def __init__(self, baud: float, rate_hz: float, reach_hz: float):
        super().__init__(f"BPSK {baud:.0f}", RATE_HZ / baud, 2, self.offsets)
        self._per = round(rate_hz / baud)
        self._carrier = ReversalCarrier(self._per, reach_hz / rate_hz)
        self._low = [
            Resampler(rate_hz, OS * baud, cutoff_hz=0.6 * baud, width_hz=0.4 * baud) for _ in range(2)
        ]
        self._upright = Upright(16, 0)
        self._rate_hz = rate_hz
        self._lines = np.zeros(0)
        self._lines_at = 0

    def feed(self, z: np.ndarray) -> list[tuple[bool, Hit]]:
        z, line = self._carrier.feed(z)
        self._lines = np.concatenate([self._lines, line])
        drop = max(len(self._lines) - 2000, 0)
        self._lines, self._lines_at = self._lines[drop:], self._lines_at + drop
        lanes = [
            low.feed(np.ascontiguousarray(part))
            for low, part in zip(self._low, (z.real, z.imag), strict=True)
        ]
        places, x = self._clock.feed(np.stack(lanes))
        places, turned = self._upright.feed(places, x[0] + 1j * x[1])
        both = np.concatenate([turned.real, turned.imag])
        return list(self._hunt(places, both, np.ascontiguousarray(turned.real[0])))

    def carrier_hz(self, start: float, stop: float) -> float:
        """Give the mean carrier between two places in block samples."""
        hop = HOP * self._per * RATE_HZ / self._rate_hz
        low = max(int(start / hop) - self._lines_at, 0)
        part = self._lines[low : max(int(stop / hop) - self._lines_at + 1, low + 1)]
        return float(np.median(part)) * self._rate_hz if len(part) else 0.0


@dataclass(frozen=True, slots=True)
class _Found:
    stream: str
    scrambled: bool
    hit: Hit
    carrier_hz: float | None


class _Front:
    """Levels of the block stream, kept for the figures of frames."""

    def __init__(self) -> None:
        self._power = np.zeros(0)
        self._turn = np.zeros(0, complex)
        self._at = 0

    def note(self, block: np.ndarray) -> None:
        rows = block.reshape(-1, LEVEL_SAMPLES)
        self._power = np.concatenate([self._power, np.mean(np.abs(rows) ** 2, axis=1)])
        self._turn = np.concatenate([self._turn, np.sum(rows[:, 1:] * np.conj(rows[:, :-1]), axis=1)])
        drop = max(len(self._power) - LEVELS_KEPT, 0)
        self._power, self._turn, self._at = self._power[drop:], self._turn[drop:], self._at + drop

    def _part(self, start: float, stop: float) -> slice:
        low = min(max(int(start / LEVEL_SAMPLES) - self._at, 0), max(len(self._power) - 1, 0))
        return slice(low, max(int(stop / LEVEL_SAMPLES) - self._at, low + 1))

    def level_dbfs(self, start: float, stop: float) -> float:
        return float(10 * np.log10(np.mean(self._power[self._part(start, stop)]) + 1e-30))

    def frequency_hz(self, start: float, stop: float) -> float:
        return float(np.angle(np.sum(self._turn[self._part(start, stop)])) * RATE_HZ / (2 * np.pi))


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
        stop = min(0.5 * rate, 0.5 * RATE_HZ)
        self._resampler = ChannelResampler(rate, RATE_HZ, BLOCK, pass_hz=0.86 * stop, stop_hz=stop)
        self._ratio = rate / RATE_HZ
        self._front = _Front()
        self._tone = _ToneStream()
        self._direct = [_DirectStream(baud) for baud in FSK_BAUDS if baud <= 0.55 * rate]
        self._blocks = 0
        if self._audio:
            self._reversal = [_ReversalStream(TONE_BAUD, AUDIO_RATE_HZ, 1250.0)]
            hop = round(BLOCK * AUDIO_RATE_HZ / RATE_HZ)
            self._down = {
                AUDIO_RATE_HZ: ChannelResampler(RATE_HZ, AUDIO_RATE_HZ, hop, pass_hz=1400.0, stop_hz=1700.0)
            }
        else:
            self._narrow = StreamingFir(lowpass(NARROW_HZ + 500, 2000.0, RATE_HZ, stop_db=50.0))
            self._half = len(self._narrow.taps) // 2
            self._before = [np.complex64(1), np.complex64(1)]
            self._reversal = [_ReversalStream(baud, PSK_RATE_HZ[baud], PSK_REACH_HZ) for baud in PSK_BAUDS]
            self._down = {
                rate_hz: ChannelResampler(
                    RATE_HZ,
                    rate_hz,
                    round(BLOCK * rate_hz / RATE_HZ),
                    pass_hz=0.3 * rate_hz,
                    stop_hz=0.48 * rate_hz,
                )
                for rate_hz in sorted(set(PSK_RATE_HZ.values()))
            }

    def feed(self, samples: Samples) -> list[Frame]:
        """Take the next samples; gives frames about half a second after their end."""
        if self._first is None:
            self._begin(samples)
        if samples.noise_dbfs_hz is not None:
            self._noise = samples.noise_dbfs_hz
        out: list[Frame] = []
        for block in self._resampler.feed(samples.data):
            out += self._block(block)
        return out

    def close(self) -> list[Frame]:
        """Give what is still in the streams."""
        if self._first is None:
            return []
        out: list[Frame] = []
        silence = np.zeros(round(FLUSH_S * RATE_HZ * self._ratio), np.complex64)
        for block in self._resampler.feed(silence):
            out += self._block(block)
        self._first = None
        return out

    def _block(self, block: np.ndarray) -> list[Frame]:
        block = np.clip(block.real, -1e6, 1e6) + 1j * np.clip(block.imag, -1e6, 1e6)
        block = block.astype(np.complex64)
        self._front.note(block)
        found: list[_Found] = []
        if self._audio:
            sound = np.ascontiguousarray(block.real)
            at = self._blocks * BLOCK + np.arange(BLOCK)
            below = (sound * np.exp(-2j * np.pi * (at * AUDIO_MIDDLE_HZ / RATE_HZ % 1.0))).astype(
                np.complex64
            )
            steps = {"narrow": sound, "wide": sound}
        else:
            below = block
            steps = {"narrow": self._steps(self._narrow.feed(block), 0), "wide": self._steps(block, 1)}
        self._blocks += 1
        delay = 0 if self._audio else self._half
        for scrambled, hit in self._tone.feed(steps["narrow"]):
            found.append(_Found(self._tone.name, scrambled, _moved(hit, -delay), None))
        for stream, baud in zip(self._direct, FSK_BAUDS, strict=False):
            kind = "wide" if baud > 9600 else "narrow"
            for scrambled, hit in stream.feed(steps[kind]):
                found.append(
                    _Found(stream.name, scrambled, _moved(hit, -delay if kind == "narrow" else 0), None)
                )
        down = {rate: resampler.feed(below) for rate, resampler in self._down.items()}
        for turning in self._reversal:
            for part in down[turning._rate_hz]:
                for scrambled, hit in turning.feed(part):
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
                offset = self._front.frequency_hz(hit.start, hit.stop)
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


def _moved(hit: Hit, samples: int) -> Hit:
    return replace(hit, start=hit.start + samples, stop=hit.stop + samples)
