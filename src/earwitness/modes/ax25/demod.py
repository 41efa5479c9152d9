"""A channel or demodulated audio in, AX.25 frames out: every modulation in use tried side by side.

Nothing on the air says rate, modulation or scrambler, and a satellite's beacon may be one frame long. So each
hypothesis listens all the time, but no further than to the line that its own symbols would make (of their
clock, of a carrier in the squares), measured at the rate the samples come; only where that stands out are what
was heard since before it resampled, symbols cut and hunted for frames, with and without the scrambler. The FCS and a
legal address field decide; a frame found twice is one.

From I/Q the channel is discriminated for the tones and for direct FSK, and taken as it is for phase
reversals. Demodulated audio may be a discriminator's (direct FSK is its baseband, tones are tones) or an SSB
receiver's (phase reversals of a carrier near 1500 Hz).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from earwitness.core.mode import Mode
from earwitness.core.types import Bits, Frame, Samples
from earwitness.dsp.aligned import AlignedFir, FixedBlocks, Resampler
from earwitness.dsp.centred import Centred
from earwitness.dsp.filters import lowpass
from earwitness.dsp.resample import Resampler as ChannelResampler
from earwitness.dsp.symbols.strength import DRIFT, LEAST
from earwitness.modes.ax25.hunt import LEAST_BITS, Hit
from earwitness.modes.ax25.levels import LARGEST, STEADY, Levels, Steps, levels, tame, unevenness
from earwitness.modes.ax25.streams import (
    BUSY,
    BUSY_LEAD,
    FSK_SOURCES,
    LEAST_IN_CHANNEL,
    PSK_SOURCES,
    BusyLook,
    ClockedStream,
    FastStream,
    ReversalStream,
)
from earwitness.modes.ax25.tuning import PSK_REACH_HZ, Slow

RATE_HZ = 48_000.0  # at least; what comes with up to half as much again is taken as it is
BLOCK = 48_000  # samples worked on at a time
PIECE = 12_000  # of it that is tuned to, and judged by its envelope, at once
LEAST_SYMBOLS = (LEAST_BITS + 15) / (
    1 + DRIFT
)  # of a burst: a flag lacks its first bit where there was nothing before
# Of a short channel: samples a part whose power is told; over the noise, that of parts of a burst that stands out and
# most of those beside it, which no frame of 2400 symbols a second or more that can be read has (bench_ax25.py); how long
# such a burst is at most, and the parts beside it that are kept
LOUD_PART, LOUD, QUIET, LOUD_S, LOUD_MARGIN = 240, 5.0, 1.4, 0.06, 4
TAIL = 400  # samples the filters before them lag by, at most
TONE_BAUD = 1200.0
# recordings run by up to 3 % too fast or slow; each bears 0.7 %
RECORDER_CLOCKS = (0.9715, 0.9855, 1.0145, 1.0285)
LOW_HZ = 16_000.0  # a slower rate that serves the slower bauds, at least
CENTRED_HZ, CENTRED_PIECE = 1_500.0, 2_000  # carriers within are left where they are; samples tuned at once
AUDIO_MIDDLE_HZ = 1650.0  # the SSB audio band is 150 to 3150 Hz
AUDIO_REACH_HZ = 1250.0
CHANNEL_HZ = 17_000.0  # half the width kept where a channel is resampled
STRONG = (
    1.1  # unevenness where a discriminator of the whole channel has no clicks: 12 dB over the noise in it
)


@dataclass(frozen=True, slots=True)
class _Found:
    stream: str
    scrambled: bool
    hit: Hit
    carrier_hz: float | None


class Demodulator:
    """Frames of one channel, or of one recording of demodulated audio."""

    def __init__(self, mode: Mode):
        self._mode = mode
        self._first: Samples | None = None
        self._noise: float | None = None
        self._reported: list[Frame] = []

    def _begin(self, samples: Samples) -> None:
        self._first = samples.clock()
        self._audio = not np.iscomplexobj(samples.data)
        rate = samples.rate_hz
        self._rate_hz = rate if RATE_HZ <= rate <= 1.5 * RATE_HZ else RATE_HZ
        self._ratio = rate / self._rate_hz
        self._resampler: ChannelResampler | None = None
        if rate != self._rate_hz:
            pass_hz = min(CHANNEL_HZ, 0.36 * rate)
            stop_hz = min(rate, RATE_HZ) - pass_hz
            self._resampler = ChannelResampler(rate, RATE_HZ, PIECE, pass_hz=pass_hz, stop_hz=stop_hz)
        self._cut = FixedBlocks(BLOCK)
        self._only = True  # block: none came before
        self._core = slice(None)  # of it: what is neither noise nor partly so
        self._front = Levels()
        self._bauds = [baud for baud in FSK_SOURCES if baud <= 0.55 * samples.rate_hz]

    def _listen(self, seconds: float) -> None:
        """Begin to listen for all that is quick enough for a frame in a channel so short."""
        rate = self._rate_hz
        clocks = (1.0, *RECORDER_CLOCKS) if self._audio else (1.0,)
        least = LEAST if self._audio else LEAST_IN_CHANNEL
        down = int(rate / LOW_HZ)
        low = LOW_HZ if self._audio else rate / down
        quick = LEAST_SYMBOLS / max(seconds, 1e-3)
        bauds = [baud for baud in self._bauds if baud >= quick]
        self._streams: list[ClockedStream | ReversalStream] = [
            ClockedStream(TONE_BAUD, rate, "tuned", low, least, clock=clock, tones=True)
            for clock in clocks
            if clock * TONE_BAUD >= quick
        ]
        for baud in bauds:
            if self._audio or baud not in BUSY:
                source = FSK_SOURCES[baud]
                self._streams.append(
                    ClockedStream(baud, rate, source, low if source == "tuned" else rate, least)
                )
        reversals = (TONE_BAUD,) if self._audio else PSK_SOURCES
        reach_hz = AUDIO_REACH_HZ if self._audio else PSK_REACH_HZ
        self._streams += [ReversalStream(baud, rate, low, reach_hz) for baud in reversals if baud >= quick]
        if self._audio:
            self._slow = Resampler(rate, LOW_HZ, cutoff_hz=8000.0, width_hz=8000.0)
            self._side = AlignedFir(lowpass(1700.0, 500.0, LOW_HZ, stop_db=50.0))
            self._turned = 0
        else:
            fast = [baud for baud in self._bauds if baud in BUSY]
            self._fast = [FastStream(baud, rate) for baud in fast]
            self._open = Steps()
            self._busy = BusyLook(fast, rate)
            self._before = np.zeros(0, np.complex64)
            asked = any(stream.source in ("low", "tuned") for stream in self._streams)
            self._slow_channel = Slow(rate, down) if asked else None
            self._centred = Centred(rate, CENTRED_HZ)

    def feed(self, samples: Samples) -> list[Frame]:
        """Take the next samples; gives frames up to three seconds after their end."""
        if self._first is None:
            self._begin(samples)
        if samples.noise_dbfs_hz is not None:
            self._noise = samples.noise_dbfs_hz
        return self._blocks(samples.data)

    def close(self) -> list[Frame]:
        """Give what is still in the streams."""
        if self._first is None:
            return []
        pieces = self._resampler.rest() if self._resampler else []
        out = [frame for piece in pieces for block in self._cut.feed(piece) for frame in self._block(block)]
        rest = self._cut.rest()
        if self._only:
            rest, seconds = self._loud(rest, self._first)
            self._listen(seconds)
        out += self._block(np.concatenate([rest, np.zeros(TAIL, np.complex64)]), last=True)
        self._first = None
        return out

    def _blocks(self, data: np.ndarray) -> list[Frame]:
        data = np.asarray(data, np.complex64)
        pieces = self._resampler.feed(data) if self._resampler else [data]
        return [frame for piece in pieces for block in self._cut.feed(piece) for frame in self._block(block)]

    def _block(self, block: np.ndarray, *, last: bool = False) -> list[Frame]:
        if self._only and not last:
            self._listen(np.inf)
        if not tame(block.view(np.float32)):
            block = np.clip(np.nan_to_num(block.view(np.float32)), -LARGEST, LARGEST).view(np.complex64)
        if not self._audio:
            block = self._centred.feed_block(block, CENTRED_PIECE)
        self._front.note(block)
        first, self._only = self._only, False
        found = []
        still = False
        if self._audio:
            heard = self._from_audio(block)
            sources: dict[str, np.ndarray | None] = {**heard}
            counts = {"low": len(heard["low"])}
        else:
            steps = self._open.feed(block)
            # what is modulated in frequency has no reversals to look for
            some, turns = block[self._core], steps[self._core]
            evenness = max(
                (
                    unevenness(some[at : at + PIECE], turns[at : at + PIECE])
                    for at in range(0, len(some), PIECE)
                ),
                default=1.0,
            )
            still = evenness < STEADY
            for fast, busy in zip(self._fast, self._busy.feed(steps), strict=True):
                found += self._heard(fast, fast.feed(self._before, block, busy=busy, last=last))
            self._before = block[-BUSY_LEAD:].copy()
            plain = evenness < STRONG and not (first and last)
            sources, counts = {"channel": block}, {"channel": len(block)}
            if self._slow_channel is not None:
                low, count, tuned = self._slow_channel.feed(block, steps, plain=plain, last=last)
                sources |= {"low": low, "tuned": tuned}
                counts["low"] = count
        for stream in self._streams:
            x = sources[stream.source]
            if isinstance(stream, ReversalStream):
                hits = stream.feed(None if still else x, counts[stream.source], last=last)
            else:
                hits = stream.feed(np.asarray(x), last=last)
            found += self._heard(stream, hits)
        return self._frames(found, self._first)

    def _loud(self, block: np.ndarray, first: Samples) -> tuple[np.ndarray, float]:
        """Give what there is in a short channel, (n,), and for how long, s: a short loud burst without the noise beside it."""
        seconds = len(block) / self._rate_hz
        if self._audio or self._noise is None:
            return block, seconds
        power = np.empty(len(block) // LOUD_PART)
        levels(block, LOUD_PART, power, np.empty(len(power), complex))
        power /= self._rate_hz * 10 ** (self._noise / 10)
        above = np.flatnonzero(power > QUIET)
        if np.count_nonzero(power > LOUD) < max(len(above) - 2, 1):
            return block, seconds
        begin, end = int(above[0]), int(above[-1]) + 1
        part_s = LOUD_PART / self._rate_hz
        # what it leaves out has no room for slow symbols, which may lie beneath the noise
        beside = max(begin, len(power) - end) * part_s
        if (end - begin) * part_s > LOUD_S or beside > LEAST_SYMBOLS / min(FSK_SOURCES):
            return block, seconds
        kept = max(begin - LOUD_MARGIN, 0)
        self._core = slice((begin + 1 - kept) * LOUD_PART, (end - 1 - kept) * LOUD_PART)
        self._first = replace(first, start=first.start + round(kept * LOUD_PART * self._ratio))
        return block[kept * LOUD_PART : (end + LOUD_MARGIN) * LOUD_PART], (end - begin) * part_s

    def _from_audio(self, block: np.ndarray) -> dict[str, np.ndarray]:
        sound = np.ascontiguousarray(block.real)
        slow = self._slow.feed(sound)
        # the SSB audio band about 0 Hz
        at = self._turned + np.arange(len(slow))
        self._turned += len(slow)
        turn = np.exp(-2j * np.pi * (at * AUDIO_MIDDLE_HZ / LOW_HZ % 1.0)).astype(np.complex64)
        return {"sound": sound, "open": sound, "tuned": slow, "low": self._side.feed(slow * turn)}

    def _heard(
        self, stream: ClockedStream | FastStream | ReversalStream, hits: list[tuple[bool, Hit]]
    ) -> list[_Found]:
        out = []
        for scrambled, hit in hits:
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
            moved = self._centred.shift_hz(0.5 * (hit.start + hit.stop))
            frequency = first.center_hz + offset + moved
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
