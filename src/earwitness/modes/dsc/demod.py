"""From channel samples or audio to calls: by the place in the spectrum, keyed sub-carrier or keyed carrier.

Below 30 MHz the carrier itself is keyed at 100 Bd, above a sub-carrier at 1200 Bd. Demodulated audio may hold
either, so both are listened for.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from earwitness.core.mode import Mode
from earwitness.core.types import Frame, Samples
from earwitness.dsp.filters import lowpass
from earwitness.dsp.framed import FramedReceiver
from earwitness.dsp.fsk import FskChannel, SoftBits
from earwitness.modes.dsc.messages import to_bits
from earwitness.modes.dsc.reader import (
    CALL_BITS,
    PHASING_BITS,
    PHASING_SCORE,
    Call,
    phasing_scores,
    read_call,
)
from earwitness.modes.dsc.spec import CHANNELS_KHZ, DIRECT_BELOW_HZ
from earwitness.modes.dsc.subcarrier import BAUD, Found, find_calls

DIRECT_BAUD, DIRECT_SHIFT_HZ = 100.0, 170.0
DIRECT_REACH_HZ = 150.0
DIRECT_WIDTH_HZ = 300.0
BESIDE_HZ = 3_000.0  # calling frequencies this near may be one emission
CHECK_NAME = "error-check character, format specifier twice, end of sequence, every character in its place"


class Demodulator:
    """Feeds on complex channel samples or float audio; gives one Frame for each call."""

    def __init__(self, mode: Mode):
        self.mode = mode
        self._ways: list[SubcarrierWay | DirectWay | Channels] = []

    def feed(self, samples: Samples) -> Iterable[Frame]:
        """Take the next samples."""
        if not self._ways:
            if not np.iscomplexobj(samples.data):
                self._ways = [SubcarrierWay(self.mode, sound=True), DirectWay(self.mode)]
            elif samples.center_hz < DIRECT_BELOW_HZ:
                self._ways = [Channels(self.mode)]
            else:
                self._ways = [SubcarrierWay(self.mode, sound=False)]
        return [frame for way in self._ways for frame in way.feed(samples)]

    def close(self) -> Iterable[Frame]:
        """Say that no more samples come."""
        out = [frame for way in self._ways for frame in way.close()]
        self._ways = []
        return out


def _frame(
    mode: Mode,
    call: Call,
    *,
    time_ns: int,
    stop_ns: int,
    snr_db: float | None,
    level: float,
    frequency_hz: float,
) -> Frame:
    return Frame(
        mode=mode.name,
        time_ns=time_ns,
        stop_ns=stop_ns,
        bits=to_bits(call.symbols),
        check="pass" if call.both_right else "corrected",
        corrected_bits=call.corrected_bits,
        check_name=CHECK_NAME + ("" if call.both_right else "; from both copies together"),
        snr_db=None if snr_db is None else round(snr_db, 1),
        level_dbfs=round(10 * np.log10(level + 1e-30), 1),
        frequency_hz=frequency_hz,
    )


class SubcarrierWay(FramedReceiver):
    """The keyed sub-carrier, in half-second blocks: calls that begin in the first of three are read."""

    block_frames = 50
    flush_blocks = 2

    def __init__(self, mode: Mode, *, sound: bool):
        super().__init__(mode)
        self._sound = sound
        self._held: list[np.ndarray] = []
        self._blocks = 0
        self._last = -1e9  # where the last call began
        self._density: float | None = None

    def begin(self, rate_hz: float) -> np.ndarray:
        """Set up for a rate; give the channel filter."""
        if self._sound:
            return lowpass(min(3200.0, 0.45 * rate_hz), 800.0, rate_hz, stop_db=50.0)
        return lowpass(min(9_200.0, 0.47 * rate_hz), 1500.0, rate_hz, stop_db=50.0)

    def feed(self, samples: Samples) -> Iterable[Frame]:
        """Take the next samples."""
        if samples.noise_dbfs_hz is not None:
            self._density = 10 ** (samples.noise_dbfs_hz / 10)
        if self._sound:
            samples = replace(samples, data=samples.data.astype(np.complex64))
        return super().feed(samples)

    def block(self, iq: np.ndarray) -> list[Frame]:
        """Take half a second."""
        self._held.append(iq)
        self._blocks += 1
        if len(self._held) < 3:
            return []
        joined = np.concatenate(self._held)
        del self._held[0]
        if not np.any(joined[: len(iq)]):
            return []
        begin = (self._blocks - 3) * len(iq)
        found = find_calls(
            joined, self.rate_hz, reach_hz=self.mode.offset_ok_hz + 250.0, span=len(iq), sound=self._sound
        )
        return [
            frame
            for item in sorted(found, key=lambda item: item.start)
            for frame in self._report(item, begin + item.start)
        ]

    def _report(self, found: Found, start: float) -> list[Frame]:
        if start - self._last < 0.05 * self.rate_hz:
            return []  # met again at the edge of a block
        self._last = start
        period = self.rate_hz / BAUD
        center_hz = self.clock.center_hz if self.clock else 0.0
        level, snr_db = found.level, None
        if self._density:
            level = max(level - self._density * self.rate_hz, 1e-30)
            snr_db = float(10 * np.log10(level / (self._density * self.mode.bandwidth_hz)))
        return [
            _frame(
                self.mode,
                found.call,
                time_ns=self.time_ns(start + found.call.first_bit * period),
                stop_ns=self.time_ns(start + found.call.stop_bit * period),
                snr_db=snr_db,
                level=level,
                frequency_hz=center_hz + found.offset_hz,
            )
        ]

    def finish(self) -> list[Frame]:
        """Give nothing: the blocks of silence have brought all out."""
        return []


class Channels:
    """The keyed carrier in the middle and on every calling frequency beside it: those near each other are one emission.

    A call heard on two of them is left to the assembler, which gives it once.
    """

    def __init__(self, mode: Mode):
        self.mode = mode
        self._ways: dict[float, DirectWay] = {}

    def feed(self, samples: Samples) -> list[Frame]:
        """Take the next samples."""
        if not self._ways:
            reach = min(BESIDE_HZ, 0.4 * samples.rate_hz)
            beside = [1e3 * khz - samples.center_hz for khz in CHANNELS_KHZ]
            places = [0.0, *(hz for hz in beside if DIRECT_REACH_HZ / 2 < abs(hz) < reach)]
            self._ways = {hz: DirectWay(self.mode) for hz in places}
        return [
            frame
            for hz, way in self._ways.items()
            for frame in way.feed(_moved(samples, hz) if hz else samples)
        ]

    def close(self) -> list[Frame]:
        """Say that no more samples come."""
        out = [frame for way in self._ways.values() for frame in way.close()]
        self._ways = {}
        return out


def _moved(samples: Samples, hz: float) -> Samples:
    """Give samples with what is at `hz` in the middle."""
    at = samples.start + np.arange(len(samples.data))
    turn = np.exp(-2j * np.pi * (at * (hz / samples.rate_hz) % 1.0))
    data = (samples.data * turn).astype(np.complex64)
    return replace(samples, data=data, center_hz=samples.center_hz + hz)


class DirectWay:
    """The keyed carrier (or two audio tones anywhere): soft bits from `dsp.fsk`, phasing at any bit."""

    def __init__(self, mode: Mode):
        self.mode = mode
        self._channel = FskChannel(mode, baud=DIRECT_BAUD, shift_hz=DIRECT_SHIFT_HZ, reach_hz=DIRECT_REACH_HZ)
        self._clock: Samples | None = None
        self._density: float | None = None
        self._signs: tuple[int, ...] = (-1,)  # the higher tone is B
        self._llr = np.empty(0, np.float32)
        self._starts = np.empty(0)
        self._figures = np.empty((0, 3))

    def feed(self, samples: Samples) -> Iterable[Frame]:
        """Take the next samples."""
        if self._clock is None:
            self._clock = samples
            if not np.iscomplexobj(samples.data):
                self._signs = (-1, 1)  # or heard on the other sideband
        if samples.noise_dbfs_hz is not None:
            self._density = 10 ** (samples.noise_dbfs_hz / 10)
        return [frame for run in self._channel.feed(samples) for frame in self._take(run)]

    def close(self) -> Iterable[Frame]:
        """Say that no more samples come."""
        out = [frame for run in self._channel.close() for frame in self._take(run)]
        if len(self._llr):
            more = CALL_BITS + 1
            period = np.arange(1, more + 1) * (self._clock.rate_hz / DIRECT_BAUD if self._clock else 0.0)
            silence = SoftBits(
                np.zeros(more, np.float32), self._starts[-1] + period, self._figures[-1, 0], 0.0, 0.0
            )
            out += self._take(silence)
        self._clock = None
        return out

    def _take(self, run: SoftBits) -> list[Frame]:
        self._llr = np.concatenate([self._llr, run.llr])
        self._starts = np.concatenate([self._starts, run.starts])
        figures = np.tile((run.center_hz, run.signal, run.noise), (len(run.llr), 1))
        self._figures = np.concatenate([self._figures, figures])
        count = len(self._llr) - CALL_BITS
        if count <= 0:
            return []
        out: list[Frame] = []
        done = 0
        scores, _ = phasing_scores(self._llr[: count + PHASING_BITS - 1])
        for at in np.flatnonzero(np.abs(scores) > PHASING_SCORE).tolist():
            sign = 1 if scores[at] > 0 else -1
            if at < done or sign not in self._signs:
                continue
            call = read_call(sign * self._llr[at : at + CALL_BITS])
            if call is not None:
                out.append(self._report(call, at))
                done = at + call.stop_bit
        done = max(done, count)
        self._llr, self._starts, self._figures = self._llr[done:], self._starts[done:], self._figures[done:]
        return out

    def _report(self, call: Call, at: int) -> Frame:
        clock = self._clock
        if clock is None:
            raise RuntimeError("a call before any samples")
        figures = self._figures[at : at + call.stop_bit]
        signal = float(figures[:, 1].mean())
        noise = self._density or float(figures[:, 2].mean())
        stop = self._starts[at + call.stop_bit - 1] + clock.rate_hz / DIRECT_BAUD
        return _frame(
            self.mode,
            call,
            time_ns=clock.time_ns(float(self._starts[at + call.first_bit])),
            stop_ns=clock.time_ns(float(stop)),
            snr_db=float(10 * np.log10((signal + 1e-30) / (noise * DIRECT_WIDTH_HZ + 1e-30))),
            level=signal,
            frequency_hz=clock.center_hz + float(np.average(figures[:, 0], weights=figures[:, 1] + 1e-20)),
        )
