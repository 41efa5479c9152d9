"""One detection followed through its own channel: measured, identified, offered to modes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from math import inf

import numpy as np

from earwitness.channel.bank import Channel
from earwitness.core.mode import Mode
from earwitness.core.types import Detection, Frame, Identification, Measurement, Over, Samples
from earwitness.dsp.carrier import mixed
from earwitness.emission.burst import looked_at
from earwitness.emission.identify import examine
from earwitness.station.lanes import (
    Lane,
    Result,
    SharedCut,
    blur_hz,
    channels_within,
    modes_by_class,
    modes_by_frequency,
)

PRE_ROLL_S = 0.05
HEAD_S = 4.0  # what is kept of an emission's start until it is known ...
HEAD_SAMPLES = 1 << 20  # ... and at most so many samples (8 MB)
SLOW_HEAD_S, SLOW_SAMPLES = 12.0, 200_000  # of slow channels, whose signals take longer to tell, more
FIRST_LOOK_S = 1.0
NEXT_LOOK_S = 3.0
SURE = 0.6  # confidence from which an identification is not tried again
SURE_OF_KEYING = 0.85  # the same where a second of speech without a carrier may be taken for it
SPEECH_HZ = 6_000.0  # what is wider is none, however far bins smear it
WIDE_HZ = 50_000.0
MOST_INSIDE = 64  # frames
BURST_S, READ_SHARE = 0.5, 0.6  # a burst this short, so much of it in frames: nothing else fits in
UNDECIDED = ("unknown", "carrier", "noise-like")


class Follower:
    """Follows one detection from its pre-roll to its end.

    Results collect in `results`; the caller takes them. `measurement` and `identification` are the best
    so far. The start is buffered until the emission is known, so that a mode chosen late hears it all.
    Where it is too wide for emissions of a mode whose channels lie in it, these are heard by themselves, and their
    frames given apart: neighbours on the air in the same moment may have been detected as one.
    """

    def __init__(
        self,
        detection: Detection,
        channel: Channel,
        modes: Sequence[Mode],
        *,
        span_hz: float,
        place_known: bool,
        tuned_hz: float | None = None,
        offset: Callable[[], float] = lambda: 0.0,
    ):
        self.detection = detection
        self.channel = channel
        self.measurement: Measurement | None = None
        self.identification: Identification | None = None
        self.results: list[Result] = []
        self.lanes: dict[str, Lane] = {}
        self.inner: list[Lane] = []  # of channels within it
        self._inside: list[Frame] = []  # heard on those, and not taken yet
        self._inside_ns: list[tuple[int, int]] = []  # when those with their check passed were on the air
        self.closed = False
        self._ended: set[str] = set()  # lanes that have finished
        self._modes = modes
        self._span_hz = span_hz
        self._place_known = place_known
        self._tuned_hz = tuned_hz  # where the receiver's own offset stands
        self._offset = offset  # gives its amplitude where that is known
        self._head: list[Samples] = []
        self._head_s = 0.0
        slow_s = min(SLOW_HEAD_S, SLOW_SAMPLES / channel.rate_hz)
        self._head_limit_s = min(max(HEAD_S, slow_s), HEAD_SAMPLES / channel.rate_hz)
        self._heard_s = 0.0
        self._looked_s = -1.0  # how much had been heard at the latest look
        self._next_look_s = min(FIRST_LOOK_S, self._head_limit_s / 2)
        width = detection.high_hz - detection.low_hz
        cuts: dict[float, SharedCut] = {}
        self._blur_hz = blur_hz(span_hz)
        near = modes_by_frequency(modes, detection.center_hz, width, blur_hz=self._blur_hz)
        for mode in near if place_known else []:
            self._open_lane(mode, detection.center_hz, cuts)
        if place_known:
            for mode, hz in channels_within(modes, detection.low_hz, detection.high_hz):
                self.inner.append(Lane.start(mode, channel.rate_hz, channel.center_hz, hz, {}))

    def feed(self, samples: Samples) -> None:
        """Take the channel's next samples."""
        samples = replace(samples, noise_dbfs_hz=self.detection.noise_dbfs_hz)
        seconds = len(samples.data) / samples.rate_hz
        self._heard_s += seconds
        self._keep(samples, seconds)
        for lane in list(self.lanes.values()):
            self._collect(lane.feed(samples))
        for lane in self.inner:
            self._collect_inside(lane.feed(samples))
        if self._heard_s >= self._next_look_s + PRE_ROLL_S and self._unsure():
            self._look()
            self._next_look_s = self._heard_s + min(NEXT_LOOK_S, self._heard_s)

    def close(
        self,
        *,
        familiar: Callable[[str], bool] = lambda mode: False,
        kind: Callable[[], Identification | None] = lambda: None,
    ) -> None:
        """Say that the emission has ended: all modes finish; look if it is not known yet.

        One whose frames a lane has read already, and whose mode is `familiar` on this channel, needs no
        further look, nor does one of a `kind` known from others like it: a train of a thousand packets is
        identified from its first ones.
        """
        self._close_lanes()
        for lane in self.inner:
            self._collect_inside(lane.close())
        if self.is_explained():
            self.closed = True
            return
        read = {item.mode for item in self.results if isinstance(item, Frame)}
        fresh = self._heard_s > self._looked_s
        if fresh and self._unsure() and self._head and not any(familiar(mode) for mode in read):
            known = kind() if self.measurement is None else None
            if known is None:
                self._look()
            else:
                self._offer(known, self.detection.center_hz)
            self._close_lanes()
        if self._outgrown():
            self.measurement = self.identification = None
        self.closed = True

    def _close_lanes(self) -> None:
        for name, lane in sorted(self.lanes.items(), key=lambda item: not item[1].mode.by_frequency):
            if name not in self._ended:
                self._ended.add(name)
                if not self._is_read() or any(name == item.mode for item in self._frames()):
                    self._collect(lane.close())

    def snippet(self, seconds: float) -> Samples | None:
        """Give the emission's buffered start, at most `seconds` of it."""
        if not self._head:
            return None
        start, end = self._buffered()
        return self.heard(start, min(end, start + max(1, int(seconds * self.channel.rate_hz))))

    def heard(self, begin: int, end: int) -> Samples | None:
        """Give the channel's samples [begin, end), or None if they are not all buffered."""
        parts = [part for part in self._head if part.start < end and begin < part.start + len(part.data)]
        if not parts or begin < parts[0].start or parts[-1].start + len(parts[-1].data) < end:
            return None
        data = np.concatenate([part.data[max(begin - part.start, 0) : end - part.start] for part in parts])
        return replace(parts[0], data=data, start=begin, noise_dbfs_hz=None)

    def let_go(self) -> None:
        """Keep no more of the start of an emission that is known: nothing will ask for it again."""
        if not self._unsure():
            self._head.clear()
            self._head_s = self._head_limit_s

    def forget(self) -> None:
        """Let go of the buffered samples and the demodulators; the findings stay."""
        self._head.clear()
        self.lanes.clear()
        self.inner.clear()

    def _seconds(self) -> float:
        """Give how long the emission lasts, infinite while it is on the air."""
        found = self.detection
        return inf if found.open else (found.stop - found.start) / self._span_hz

    def _frames(self) -> list[Frame]:
        """Give the frames that passed their check and were not taken yet."""
        return [item for item in self.results if isinstance(item, Frame) and item.check]

    def _is_read(self) -> bool:
        """Tell whether frames that passed their check account for a short burst: no other mode needs to hear it."""
        read_ns = sum(item.stop_ns - item.time_ns for item in self._frames())
        return self._seconds() < BURST_S and read_ns > READ_SHARE * self._seconds() * 1e9

    def _outgrown(self) -> bool:
        """Tell whether what was cut for it holds but a part of what it turned out to be: a sweep."""
        found = self.detection
        return found.high_hz - found.low_hz > self.channel.rate_hz

    def _unsure(self) -> bool:
        found = self.identification
        if found is None or found.kind in UNDECIDED:
            return True
        narrow = self.detection.high_hz - self.detection.low_hz < SPEECH_HZ
        return found.confidence < (SURE_OF_KEYING if found.kind == "psk" and narrow else SURE)

    def _keep(self, samples: Samples, seconds: float) -> None:
        if self._unsure() or self._head_s < self._head_limit_s:
            self._head.append(samples)
            self._head_s += seconds
            # still unknown after that long: keep the newest, a carrier may start to talk
            while (
                self._unsure()
                and self._head_s - len(self._head[0].data) / samples.rate_hz > self._head_limit_s
            ):
                self._head_s -= len(self._head.pop(0).data) / samples.rate_hz

    def _buffered(self) -> tuple[int, int]:
        """Give the channel's samples [begin, end) that are buffered."""
        last = self._head[-1]
        return self._head[0].start, last.start + len(last.data)

    def _look(self) -> None:
        if not self._head:
            return
        self._looked_s = self._heard_s
        start, end = self._buffered()
        first, last = looked_at(start, end - start, self.channel.rate_hz, self.detection, self._span_hz)
        part = self.heard(start + first, start + last)
        if part is None:
            return
        self.measurement, self.identification = examine(
            self._without_offset(part), self.detection, span_hz=self._span_hz
        )
        self._offer(self.identification, self.identification.carrier_hz or self.measurement.center_hz)

    def _without_offset(self, head: Samples) -> Samples:
        """Take the receiver's constant offset out: it would move the middle, or pass for a carrier.

        Out of what is wide and reaches over it, all that stands there; out of anything else no more than the offset
        that the detector knows of.
        """
        if self._tuned_hz is None or abs(self._tuned_hz - head.center_hz) > head.rate_hz / 2:
            return head
        found = self.detection
        width = found.high_hz - found.low_hz
        over = found.low_hz - 0.1 * width < self._tuned_hz < found.high_hz + 0.1 * width
        known = self._offset()
        if known <= 0 and not (over and width >= WIDE_HZ):
            return head
        cycles = (self._tuned_hz - head.center_hz) / head.rate_hz
        still = mixed(head.data, cycles)
        offset = complex(still.mean())
        if width < WIDE_HZ or not over:
            offset *= min(1.0, known / max(abs(offset), 1e-30))
        still -= np.complex64(offset)
        return replace(head, data=mixed(still, -cycles))

    def _offer(self, known: Identification, center_hz: float) -> None:
        """Open a lane for each mode that an emission of this kind may be; it hears all that is buffered."""
        if self._is_read():
            return
        width = self.detection.high_hz - self.detection.low_hz
        cuts: dict[float, SharedCut] = {}
        opened = [
            self._open_lane(mode, center_hz, cuts)
            for mode in modes_by_class(
                self._modes,
                known,
                center_hz,
                width,
                place_known=self._place_known,
                seconds=self._seconds(),
                blur_hz=self._blur_hz,
            )
            if mode.name not in self.lanes
        ]
        for part in self._head:
            for lane in opened:
                self._collect(lane.feed(part))

    def _open_lane(self, mode: Mode, center_hz: float, cuts: dict[float, SharedCut]) -> Lane:
        width = self.detection.high_hz - self.detection.low_hz
        lane = Lane.start(mode, self.channel.rate_hz, self.channel.center_hz, center_hz, cuts, width)
        self.lanes[mode.name] = lane
        return lane

    def _collect(self, results: list[Result]) -> None:
        self.results.extend(results)

    def take_frames(self) -> list[Frame]:
        """Give and forget the frames found since the last call."""
        frames = [item for item in self.results if isinstance(item, Frame)]
        self.results = [item for item in self.results if not isinstance(item, Frame)]
        return frames

    def _collect_inside(self, results: list[Result]) -> None:
        frames = [item for item in results if isinstance(item, Frame)]
        self._inside += frames
        self._inside_ns += [(item.time_ns, item.stop_ns) for item in frames if item.check]
        del self._inside_ns[:-MOST_INSIDE]

    def take_inside(self, before_ns: int | None = None) -> list[Frame]:
        """Give and forget the frames of channels within it that ended before a time (all when None)."""
        taken = [item for item in self._inside if before_ns is None or item.stop_ns < before_ns]
        self._inside = [item for item in self._inside if before_ns is not None and item.stop_ns >= before_ns]
        return taken

    def is_explained(self) -> bool:
        """Tell whether frames heard on channels within a short one account for it: it is none of its own."""
        read_ns, last = 0, 0
        for begin, end in sorted(self._inside_ns):
            read_ns += max(end - max(begin, last), 0)
            last = max(last, end)
        return self._seconds() < BURST_S and read_ns > READ_SHARE * self._seconds() * 1e9

    def take_overs(self, before_ns: int | None = None) -> list[Over]:
        """Give and forget finished overs that ended before a time (all when None)."""
        overs = [
            item
            for item in self.results
            if isinstance(item, Over) and (before_ns is None or item.stop_ns < before_ns)
        ]
        taken = {id(item) for item in overs}
        self.results = [item for item in self.results if id(item) not in taken]
        return overs
