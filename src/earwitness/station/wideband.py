"""Modes that are fed the whole stretch: pulses that overlap in time and fill the band.

No detection is followed for them. Their messages form trains of their own, and what the detector finds of their
pulses is accounted for by those.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from earwitness.channel.bank import Channel, ChannelBank
from earwitness.core.mode import Assembler, Mode
from earwitness.core.types import Detection, Frame, Message, Samples
from earwitness.emission.identify import examine
from earwitness.station.excerpts import Excerpts, Stream
from earwitness.station.keeper import Keeper
from earwitness.station.lanes import Lane, Result, in_bands
from earwitness.station.trains import Burst, EmissionRecord, Ledger

RAW_HZ = 12e6  # a mode is fed the stretch itself up to this rate
OFFSET_HZ = 0.3e6  # and so far from its middle
TRAIN_SILENCE_NS = 10_000_000_000
RESIDUE_S = 0.05


@dataclass
class WideLane:
    """A wideband mode at work on the whole stretch, and the train its messages form."""

    mode: Mode
    lane: Lane
    channel: Channel | None  # None: fed the stretch itself
    record: EmissionRecord | None = None


class Wideband:
    """The wideband modes at work on one stretch."""

    def __init__(
        self,
        stream: Stream,
        modes: Sequence[Mode],
        bank: ChannelBank,
        excerpts: Excerpts,
        ledger: Ledger,
        keeper: Keeper,
        counts: dict[str, int],
        assembler: Callable[[str], Assembler],
    ):
        self.noise_dbfs_hz: float | None = None  # as last measured
        self._stream = stream
        self._bank = bank
        self._excerpts = excerpts
        self._ledger = ledger
        self._keeper = keeper
        self._counts = counts
        self._assembler = assembler
        self._lanes = [self._open(mode) for mode in modes if mode.wideband and self._covers(mode)]

    @property
    def lanes(self) -> list[Lane]:
        """Give the lanes of its modes."""
        return [wide.lane for wide in self._lanes]

    def explains(self, found: Detection) -> bool:
        """Tell whether a mode already accounts for this energy: its own pulses, decoded or not.

        What is left where many pulses overlap may be narrow, but is over in no time.
        """
        for wide in self._lanes:
            broad = found.high_hz - found.low_hz > 0.1 * wide.mode.bandwidth_hz
            brief = not found.open and found.stop - found.start < RESIDUE_S * self._stream.rate_hz
            if in_bands(wide.mode, found.center_hz) and (broad or brief):
                return wide.record is not None
        return False

    def feed(self, samples: Samples) -> None:
        """Feed the stretch's next samples to the modes that take them as they are."""
        for wide in self._lanes:
            if wide.channel is None:
                self._take(wide, wide.lane.feed(samples))

    def advance(self) -> None:
        """Feed the modes that have a channel of their own with what it has."""
        for wide in self._lanes:
            samples = wide.channel.take() if wide.channel is not None else None
            if samples is not None:
                self._take(wide, wide.lane.feed(samples))

    def finish(self) -> None:
        """Say that no more samples come."""
        self.advance()
        for wide in self._lanes:
            self._take(wide, wide.lane.close())

    def close(self) -> None:
        """Say that no more messages come, from assemblers neither."""
        for wide in self._lanes:
            if wide.record:
                self._keeper.emission(wide.record, final=True)

    def keeps(self, message: Message) -> bool:
        """Keep a message that an assembler held back, if it is of a wideband mode."""
        for wide in self._lanes:
            if wide.mode.name == message.frame.mode:
                self._keep(wide, message)
                return True
        return False

    def _take(self, wide: WideLane, results: Iterable[Result]) -> None:
        assembler = self._assembler(wide.mode.name)
        for frame in results:
            if isinstance(frame, Frame):
                for message in assembler.feed(frame):
                    self._keep(wide, message)

    def _covers(self, mode: Mode) -> bool:
        stream = self._stream
        if stream.kind != "iq" or stream.rate_hz < 0.99 * mode.rate_hz:
            return False
        half = stream.rate_hz / 2
        return any(
            stream.center_hz - half < (low + high) / 2 < stream.center_hz + half
            for low, high in mode.bands_hz
        )

    def _open(self, mode: Mode) -> WideLane:
        stream = self._stream
        low, high = mode.bands_hz[0]
        middle = (low + high) / 2
        lane = Lane(mode, mode.demodulator(), None)
        if stream.rate_hz <= RAW_HZ and abs(middle - stream.center_hz) <= OFFSET_HZ:
            return WideLane(mode, lane, None)
        rate = min(stream.rate_hz, max(mode.rate_hz, mode.bandwidth_hz * 1.2))
        return WideLane(mode, lane, self._bank.open(middle, rate_hz=rate, start=0))

    def _keep(self, wide: WideLane, message: Message) -> None:
        burst = Burst.of_message(message, wide.mode, self._stream.center_hz)
        record = wide.record
        if record is None or burst.start_ns - record.stop_ns > TRAIN_SILENCE_NS:
            if record is not None:
                self._keeper.emission(record, final=True)
            record = wide.record = self._ledger.open(burst)
            record.train = True
            self._counts["emissions"] += 1
            self._keeper.emission(record, final=False)
        else:
            record.add(burst)
        self._counts["messages"] += 1
        snippet = self._excerpts.around(message.frame)
        if burst.snr_db >= record.snr_db and snippet is not None:
            self._measure(record, message.frame, snippet)
        self._keeper.message(message, record, snippet)

    def _measure(self, record: EmissionRecord, frame: Frame, snippet: Samples) -> None:
        stream = self._stream
        half = stream.rate_hz / 2
        scale = stream.rate_hz / 1e9
        seen = Detection(
            number=-1,
            start=int((frame.time_ns - stream.epoch_ns) * scale),
            stop=int((frame.stop_ns - stream.epoch_ns) * scale),
            low_hz=stream.center_hz - half,
            high_hz=stream.center_hz + half,
            center_hz=frame.frequency_hz or stream.center_hz,
            level_dbfs=record.level_dbfs,
            noise_dbfs_hz=self._noise_of(frame),
            snr_db=record.snr_db,
            open=False,
        )
        snippet = replace(snippet, noise_dbfs_hz=seen.noise_dbfs_hz)
        record.measurement, record.identification = examine(snippet, seen, span_hz=stream.rate_hz)

    def _noise_of(self, frame: Frame) -> float:
        """Give the noise density as last measured, else what the frame's own level and SNR say."""
        if self.noise_dbfs_hz is not None:
            return self.noise_dbfs_hz
        level, snr = frame.level_dbfs or 0.0, frame.snr_db or 0.0
        return float(level - snr - 10 * np.log10(self._stream.rate_hz))
