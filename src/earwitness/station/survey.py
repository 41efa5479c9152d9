"""Survey one stretch: samples -> spectrum -> detections -> channels -> modes -> messages -> rows.

Detection runs a little ahead of the channels, so that an emission's place and width are settled before
its channel is cut, and its start is never lost. All state is bounded: what is kept follows what is on
the air. The same code serves recordings (which can be read again anywhere) and later receivers (which
keep a ring of recent samples): both only need `read(start, count)`.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from earwitness.channel.bank import Channel, ChannelBank
from earwitness.core.mode import Assembler, Mode
from earwitness.core.types import Bits, Detection, Frame, Message, Over, Picture, Samples
from earwitness.detect.clock import clock_fraction, clock_words, find_clock_lines, is_clock_line
from earwitness.detect.detector import Detector
from earwitness.emission.calibrate import frequency_error_ppm
from earwitness.emission.measure import density_beside, is_sideband
from earwitness.spectrum.repeats import find_repeat
from earwitness.spectrum.stft import Spectrum
from earwitness.spectrum.symbols import find_carriers
from earwitness.station.audio import HISS, AnalyticStream, is_hiss
from earwitness.station.excerpts import Excerpts, Stream, time_ns
from earwitness.station.follow import PRE_ROLL_S, UNDECIDED, Follower
from earwitness.station.keeper import Keeper
from earwitness.station.lanes import Lane, Result, likely_mode, nearest_channel, wanted_rate_hz
from earwitness.station.overview import Overview
from earwitness.station.pieces import Pieces
from earwitness.station.trains import BURST_NS, Burst, EmissionRecord, Ledger, is_heard_twice
from earwitness.station.wideband import Wideband

BLOCK = 1 << 16  # samples per pass through the spectrum: fits the second-level cache
TURN_S, TURN_SAMPLES = 1.0, 5_000_000  # worked on at a time: at most so long, and so many
MOST_CUT = 1 << 20  # samples of all channels that are cut in one step
LAG_S = 0.4  # channels run this far behind the detector
UPDATE_NS = 5_000_000_000  # an open emission's row is brought up to date this often
HEARD_LAG_NS = 3_000_000_000
INSIDE_LAG_NS = 1_000_000_000  # a frame that the lane of the whole emission hears as well is of that one
AUDIO_MARGIN_S = 0.02
HISS_S = 2.0  # looked at in one go
END_ROWS = 4
LEAST_AUDIO_HZ = 7_200.0  # of the 8 kHz that modes are promised; a cheap clock may be off
MOST_CARRIERS = 10_000
LEAST_BURST, LEAST_BINS = 256, 16  # samples and bins that the density beside other emissions is taken from
SOUND_REACH_HZ, SOUND_BELOW_DB = 10_000.0, 3.0  # of an AM station's sidebands, from their carrier
SOUND_SLACK_S, SOUND_RIM_S = 0.1, 0.06
MOST_SOUND = 1 << 18  # samples
BRIEF_NS = 100_000_000  # up to here a frame's samples are kept until its message is told
OVER_SHARE = 0.05  # of a frame that lies on another; the flag that two frames share is less
SAME_FRAME_NS = 3_000_000  # two lanes that heard the same frame differ by less


@dataclass
class Track:
    """A follower, its channel, and the record its results belong to."""

    follower: Follower
    channel: Channel
    record: EmissionRecord | None = None
    # with evidence at hand, and the time it is to cover
    messages: list[tuple[Message, Samples | None, Frame]] = field(default_factory=list)
    data_mode: str | None = None  # the first mode that read a frame of it with its check passed
    updated_ns: int = 0
    ended: bool = False
    sideband: bool = False  # of another emission, as far as it has been heard: no row of its own


def _key(frame: Frame) -> tuple[str, int, Bits]:
    """Give what tells a frame from all others of a stretch."""
    return frame.mode, frame.time_ns, frame.bits


class StretchSurvey:
    """Surveys one stretch into a keeper."""

    def __init__(self, stream: Stream, modes: Sequence[Mode], keeper: Keeper):
        self._audio = stream if stream.kind == "audio" else None
        if self._audio is not None:
            stream = analytic = AnalyticStream(self._audio)
            self._mirrored_hz = analytic.mirrored_hz
        self.stream = stream
        self.modes = modes
        self.keeper = keeper
        self.overview = Overview()
        self.detector = Detector(
            stream.rate_hz,
            stream.center_hz,
            silence=self._audio is not None,
            repeat=find_repeat(stream.read, stream.rate_hz),
            carriers=find_carriers(stream.read, stream.rate_hz),
            lines=[]
            if self._audio is not None
            else find_clock_lines(stream.read, stream.count, stream.rate_hz),
        )
        self.faults: set[str] = set()  # what kept modes from their work: told, never hidden
        self.counts = dict.fromkeys(
            ("detections", "emissions", "artefacts", "messages", "overs", "pictures"), 0
        )
        self._spectrum = Spectrum(stream.rate_hz, stream.center_hz)
        self._bank = ChannelBank(
            stream.read, rate_hz=stream.rate_hz, center_hz=stream.center_hz, epoch_ns=stream.epoch_ns
        )
        self._ledger = Ledger(frozenset(mode.name for mode in modes if mode.voice))
        self._voice = self._ledger.voice_modes
        self._tracks: dict[int, Track] = {}
        self._by_channel: dict[int, Track] = {}
        self._seen: set[int] = set()
        self._clocks: dict[int, tuple[int, bool | None]] = {}  # detection -> length asked about, verdict
        self._ended: deque[Track] = deque(maxlen=64)
        self._assemblers: dict[str, Assembler] = {}
        self._recent: dict[str, list[Frame]] = {}
        # whose frames the assemblers hold, the samples of these, and the time that belongs to them
        self._homes: dict[tuple[str, int, Bits], tuple[Track, Samples | None, Frame]] = {}
        self._pieces = Pieces(stream)
        self._pictures: deque[tuple[Picture, int]] = deque(maxlen=64)  # the last ones, without their pixels
        self._carriers: list[tuple[float, float]] = []  # measured beside nominal, Hz
        self._place_known = self._audio is None and stream.center_hz > 0
        self._excerpts = Excerpts(stream)
        self._advanced = 0  # the sample up to which channels are cut
        self._wideband = Wideband(
            stream, modes, self._bank, self._excerpts, self._ledger, keeper, self.counts, self._assembler
        )
        self._listeners: list[Lane] = []
        self._heard: list[Result] = []
        if self._audio is not None and self._audio.rate_hz >= LEAST_AUDIO_HZ:
            self._listeners = [Lane(mode, mode.demodulator(), None) for mode in modes if mode.audio]
        elif self._audio is not None:
            self.faults.add(
                f"audio of {self._audio.rate_hz:g} Hz is too narrow to decode: 8000 Hz are needed"
            )

    # -- the loop -------------------------------------------------------------------------------------

    def run(
        self,
        *,
        progress: Callable[[int], None] = lambda done: None,
        stopped: Callable[[], bool] = lambda: False,
    ) -> bool:
        """Survey to the end, or until `stopped()`; what was found is kept either way. True when complete."""
        stream = self.stream
        turn = max(1, round(min(TURN_S * stream.rate_hz, TURN_SAMPLES) / BLOCK)) * BLOCK
        position = 0
        while position < stream.count and not stopped():
            end = min(position + turn, stream.count)
            detections = self._look(position, end)
            position = end
            self._take_detections(detections)
            self._advance(position - round(LAG_S * stream.rate_hz))
            self._take_heard(self._ns(position) - HEARD_LAG_NS)
            self.keeper.commit(self._ns(position))
            progress(position)
        complete = position >= stream.count
        tail = self._spectrum.close()
        last = self.detector.feed(tail) if tail is not None else []
        # The last rows are filled up with silence: what seems to begin there is the edge of what is cut off.
        edge = stream.count - END_ROWS * self.detector.plan.row
        ended = [*last, *self.detector.close()]
        self._take_detections(item for item in ended if item.start < edge or item.number in self._tracks)
        self._finish(position)
        stuck_s = self.detector.statistics.stuck / stream.rate_hz
        if stuck_s > 0:
            self.faults.add(
                f"for {stuck_s:.2f} s the receiver gave one and the same value: nothing can be heard there"
            )
        self.keeper.commit(self._ns(position))
        return complete

    def _look(self, begin: int, end: int) -> list[Detection]:
        stream = self.stream
        out: list[Detection] = []
        for start in range(begin, end, BLOCK):
            data = stream.read(start, BLOCK + self._spectrum.overlap)
            samples = Samples(data, stream.rate_hz, stream.center_hz, start, stream.epoch_ns)
            block = self._spectrum.feed(samples)
            if block is not None:
                self.overview.feed(block)
                out += self.detector.feed(block)
            if self._wideband.lanes:
                self._wideband.feed(replace(samples, data=data[: end - start][:BLOCK]))
        if self._audio is not None:
            heard = self._audio.read(2 * begin, 2 * (end - begin))
            sound = Samples(heard, self._audio.rate_hz, 0.0, 2 * begin, stream.epoch_ns)
            for lane in self._listeners:
                self._heard += lane.feed(sound)
        return out

    def _advance(self, stop: int) -> None:
        """Cut and follow up to sample `stop`, in steps so short that little waits for its followers."""
        while self._advanced < stop:
            cut = sum(channel.rate_hz for channel in self._bank.channels) / self.stream.rate_hz
            step = max(round(MOST_CUT / max(cut, 1e-9)), BLOCK)
            self._advanced = min(self._advanced + step, stop)
            for channel in self._bank.advance(self._advanced):
                self._end_track(channel)
            for track in list(self._tracks.values()):
                samples = track.channel.take()
                if samples is not None:
                    track.follower.feed(samples)
                    self._collect(track, self._ns(self._advanced))
            self._wideband.advance()

    def _finish(self, position: int) -> None:
        self._advance(position)
        for channel in list(self._bank.flush(position)):
            self._end_track(channel)
        self._wideband.finish()
        for lane in self._listeners:
            self._heard += lane.close()
        self._take_heard(None)
        self._note_faults([*self._listeners, *self._wideband.lanes])
        for assembler in self._assemblers.values():
            for message in assembler.close():
                self._deliver(message)
        self._wideband.close()

    # -- detections -----------------------------------------------------------------------------------

    def _take_detections(self, detections: Iterable[Detection]) -> None:
        latest = {item.number: item for item in detections}
        followed = self._tracks.keys() | self._seen
        for found in self._pieces.joined(latest.values(), followed):
            if self._audio is not None:  # has no mixer, and so none of its offset and images
                found = replace(found, artefact=None)
                if found.center_hz > self._mirrored_hz and found.number not in self._tracks:
                    continue  # our own doing, and no emission
            else:
                found = self._by_clock(found)
            self._wideband.noise_dbfs_hz = found.noise_dbfs_hz
            self._take_detection(found)
            if not found.open:
                self._seen.discard(found.number)

    def _by_clock(self, found: Detection) -> Detection:
        """Give a detection with the word of its samples on whether it is a line of the receiver's clock."""
        stream = self.stream
        place = clock_fraction(found, stream.rate_hz, stream.center_hz, self.detector.plan.bin_hz)
        if place is None:
            return found
        length = found.stop - found.start
        asked, verdict = self._clocks.get(found.number, (0, None))
        if length >= 2 * asked or not found.open:  # the longer, the surer
            verdict = is_clock_line(stream.read, found, stream.rate_hz, *place)
            self._clocks[found.number] = length, verdict
        if not found.open:
            del self._clocks[found.number]
        if verdict:
            return replace(found, artefact=clock_words(*place))
        told = found.artefact is not None and found.artefact.startswith("clock line")
        return replace(found, artefact=None) if told and verdict is False else found

    def _take_detection(self, found: Detection) -> None:
        track = self._tracks.get(found.number)
        if found.part_of is not None and (track is None or self._give_way(track)):
            return
        if track is not None:
            track.follower.detection = found
            if not found.open:
                self._bank.close(track.channel, found.stop + round(PRE_ROLL_S * self.stream.rate_hz))
            return
        if found.number in self._seen:
            return
        if found.artefact:
            if not found.open:
                self._keep_artefact(found)
            return
        if found.open and found.stop - found.start < LAG_S / 2 * self.stream.rate_hz:
            return  # let it grow: place and width are not settled yet
        self._seen.add(found.number)
        self.counts["detections"] += 1
        if not self._wideband.explains(found):
            self._start_track(found)

    def _give_way(self, track: Track) -> bool:
        """Follow a part of an emission no further, unless something has been told of it already."""
        if track.record is not None or track.data_mode:
            return False
        del self._tracks[track.follower.detection.number]
        del self._by_channel[id(track.channel)]
        self._bank.close(track.channel)
        self.counts["detections"] -= 1
        return True

    def _start_track(self, found: Detection) -> None:
        stream = self.stream
        width = found.high_hz - found.low_hz
        rate = wanted_rate_hz(self.modes, found.center_hz, width, stream.rate_hz)
        center = min(
            max(found.center_hz, stream.center_hz - stream.rate_hz / 2), stream.center_hz + stream.rate_hz / 2
        )
        start = max(0, found.start - round(PRE_ROLL_S * stream.rate_hz))
        channel = self._bank.open(center, rate_hz=max(rate, self._bank.least_rate_hz), start=start)
        follower = Follower(
            found,
            channel,
            self.modes,
            span_hz=stream.rate_hz,
            place_known=self._place_known,
            tuned_hz=stream.center_hz if self._audio is None else None,
            offset=lambda: self.detector.offset,
        )
        track = Track(follower, channel)
        self._tracks[found.number] = track
        self._by_channel[id(channel)] = track
        if not found.open:
            self._bank.close(channel, found.stop + round(PRE_ROLL_S * stream.rate_hz))

    def _keep_artefact(self, found: Detection) -> None:
        record = self._ledger.open(Burst.of_detection(found, self.stream))
        record.artefact = found.artefact
        self.counts["artefacts"] += 1
        self.keeper.emission(record, final=True)

    # -- results --------------------------------------------------------------------------------------

    def _collect(self, track: Track, now_ns: int) -> None:
        follower = track.follower
        self._take_frames(track)
        self._take_inside(follower, now_ns - INSIDE_LAG_NS)
        began_ns = self._ns(follower.detection.start)
        settled = track.record is not None or follower.detection.artefact
        if not settled and now_ns - began_ns > BURST_NS + 1_000_000_000 and follower.identification:
            track.sideband = track.sideband or (not track.data_mode and self._is_sideband(follower.detection))
            if not track.sideband:
                self._settle(track, self._ledger.stand(self._burst_of_track(track)))
        if track.record is not None:
            self._release(track, now_ns - 3_000_000_000)
            if now_ns - track.updated_ns > UPDATE_NS:
                self._update(track)
                self.keeper.emission(track.record, final=False)
                track.updated_ns = now_ns

    def _is_new(self, frame: Frame) -> bool:
        """Tell whether no other lane has given this frame already."""
        recent = [item for item in self._recent.get(frame.mode, []) if frame.time_ns - item.stop_ns < 10**9]
        self._recent[frame.mode] = recent
        near = max(SAME_FRAME_NS, (frame.stop_ns - frame.time_ns) // 2)
        if any(
            item.bits == frame.bits
            and abs(item.time_ns - frame.time_ns) < near
            and self._is_beside(item, frame)
            for item in recent
        ):
            return False
        recent.append(frame)
        return True

    def _is_beside(self, one: Frame, other: Frame) -> bool:
        """Tell whether frames are of one channel: the same text may be sent on several frequencies at a time."""
        if one.frequency_hz is None or other.frequency_hz is None:
            return True
        return abs(one.frequency_hz - other.frequency_hz) < 2 * self._mode(one.mode).bandwidth_hz

    def _take_heard(self, before_ns: int | None) -> None:
        """Take what audio modes found in demodulated audio: it belongs to the emission heard at that time.

        It waits until the detector, too, must have told of that emission.
        """
        due = [item for item in self._heard if before_ns is None or item.stop_ns < before_ns]
        self._heard = [item for item in self._heard if before_ns is not None and item.stop_ns >= before_ns]
        for item in sorted(due, key=lambda item: item.stop_ns):
            if isinstance(item, Frame) and self._is_new(item):
                home = self._heard_from(item.time_ns, item.stop_ns)
                if home is not None:
                    self._homes[_key(item)] = home, None, item
                for message in self._assembler(item.mode).feed(item):
                    self._deliver(message, home)
            elif isinstance(item, Picture):
                home = self._heard_from(item.start_ns, item.stop_ns)
                if home is not None:
                    home.follower.results.append(item)
                    home.data_mode = home.data_mode or item.mode
                    if home.ended:
                        self._release_late(home)
                    continue
                record = self._ledger.open(Burst.of_picture(item, self._mode(item.mode)))
                self.counts["emissions"] += 1
                self.keeper.emission(record, final=True)
                self.counts["pictures"] += 1
                self.keeper.picture(item, record)

    def _heard_from(self, start_ns: int, stop_ns: int) -> Track | None:
        """Give the strongest of the tracks that were on the air for at least half of a time."""
        best = None
        for track in (*self._ended, *self._tracks.values()):
            found = track.follower.detection
            shared = min(stop_ns, self._ns(found.stop)) - max(start_ns, self._ns(found.start))
            if 2 * shared < stop_ns - start_ns:
                continue
            if best is None or found.level_dbfs > best.follower.detection.level_dbfs:
                best = track
        return best

    def _take_inside(self, follower: Follower, before_ns: int | None) -> None:
        """Take what was heard on channels within an emission: each message is of an emission of its own."""
        for frame in sorted(follower.take_inside(before_ns), key=lambda item: item.time_ns):
            if self._is_new(frame):
                for message in self._assembler(frame.mode).feed(frame):
                    self._deliver(message)

    def _take_frames(self, track: Track) -> None:
        frames = sorted(track.follower.take_frames(), key=lambda item: item.time_ns)
        for frame in frames:
            if not self._is_new(frame):
                continue
            if frame.check is not None:
                track.data_mode = track.data_mode or frame.mode
            whole = self._with_those_over(frame, [*self._recent[frame.mode], *frames])
            self._homes[_key(frame)] = track, self._at_hand(whole, track), whole
            for message in self._assembler(frame.mode).feed(frame):
                self._deliver(message, track)

    def _with_those_over(self, frame: Frame, others: Iterable[Frame]) -> Frame:
        """Give a frame with the time of those on its channel at once: it may be read only once they are taken out."""
        over = [
            item
            for item in others
            if item.mode == frame.mode
            and item.check is not None
            and OVER_SHARE * (item.stop_ns - item.time_ns)
            < min(item.stop_ns, frame.stop_ns) - max(item.time_ns, frame.time_ns)
            and self._is_beside(item, frame)
        ]
        start_ns = min((item.time_ns for item in over), default=frame.time_ns)
        stop_ns = max((item.stop_ns for item in over), default=frame.stop_ns)
        return replace(frame, time_ns=min(start_ns, frame.time_ns), stop_ns=max(stop_ns, frame.stop_ns))

    def _deliver(self, message: Message, track: Track | None = None) -> None:
        """Give a message to the emission its frame came from: an assembler may have held it back a while."""
        home, evidence, whole = self._homes.pop(_key(message.frame), (track, None, message.frame))
        if home is None:
            self._late_message(message)
            return
        self._compare_carrier(message.frame)
        home.data_mode = home.data_mode or message.frame.mode
        home.messages.append((message, evidence, whole))
        if home.ended:
            self._release_late(home)

    def _at_hand(self, frame: Frame, track: Track) -> Samples | None:
        """Give the evidence of a brief frame where its channel's samples are still buffered: cutting them anew costs more."""
        if self._audio is not None or frame.stop_ns - frame.time_ns > BRIEF_NS:
            return None
        ratio = track.channel.rate_hz / self.stream.rate_hz
        begin, end = self._excerpts.span(frame)
        return track.follower.heard(int(begin * ratio), int(end * ratio))

    def _release_late(self, track: Track) -> None:
        """Hand on what came after its emission had ended."""
        self._release(track, None)
        if track.record is not None:
            self.keeper.emission(track.record, final=True)

    def _note_faults(self, lanes: Iterable[Lane]) -> None:
        self.faults.update(lane.failed for lane in lanes if lane.failed)

    def _end_track(self, channel: Channel) -> None:
        track = self._by_channel.pop(id(channel), None)
        if track is None:
            return
        follower = track.follower
        self._tracks.pop(follower.detection.number, None)
        samples = channel.take()
        if samples is not None:
            follower.feed(samples)
        found = follower.detection
        begin_ns, end_ns = self._ns(found.start), self._ns(found.stop)
        follower.close(
            familiar=lambda mode: self._ledger.knows(mode, found.center_hz, begin_ns),
            kind=lambda: self._ledger.kind_of(
                found.center_hz, found.high_hz - found.low_hz, begin_ns, end_ns
            ),
        )
        self._note_faults([*follower.lanes.values(), *follower.inner])
        self._take_frames(track)
        self._take_inside(follower, None)
        if follower.is_explained() and not (track.data_mode or track.record):
            return
        if not track.data_mode and self._is_modulation(follower):
            return
        followed = (item.follower.detection for item in self._tracks.values())
        if not (track.data_mode or track.record) and (
            is_heard_twice(found, followed) or self._is_sideband(found)
        ):
            return
        if self._is_hiss(track):
            follower.detection = replace(found, artefact=HISS)
        if follower.detection.artefact and not track.data_mode:
            if track.record is None:
                self._keep_artefact(follower.detection)
            else:  # taken for an emission before it had been heard long enough
                track.record.artefact = follower.detection.artefact
                self.counts["emissions"] -= 1
                self.counts["artefacts"] += 1
                self.keeper.emission(track.record, final=True)
            return
        if track.record is None:
            self._settle(track, self._ledger.place(self._burst_of_track(track)))
        else:
            self._update(track)
        self._release(track, None)
        track.ended = True
        self._ended.append(track)
        follower.forget()
        if track.record is not None:
            self.keeper.emission(track.record, final=True)
        self._forget_homes(self._ns(follower.detection.stop))

    def _is_hiss(self, track: Track) -> bool:
        """Tell whether what nothing was made of is the noise of demodulated audio: where it begins, amid and ends."""
        follower, record = track.follower, track.record
        known = follower.identification
        if self._audio is None or track.data_mode:
            return False
        if record is not None and (record.mode or record.train or record.joined):
            return False
        if (known is not None and known.kind not in UNDECIDED) or follower.results:
            return False
        found = follower.detection
        edge = min(round(AUDIO_MARGIN_S * self._audio.rate_hz), (found.stop - found.start) // 4)
        begin, count = 2 * found.start + edge, 2 * (found.stop - found.start - edge)
        look = min(count, round(HISS_S * self._audio.rate_hz))
        return all(
            is_hiss(self._audio.read(begin + at, look), self._audio.rate_hz, found.low_hz, found.high_hz)
            for at in sorted({0, (count - look) // 2, count - look})
        )

    def _compare_carrier(self, frame: Frame) -> None:
        """Note a decoded carrier beside the channel its mode's standard puts it on."""
        mode = self._mode(frame.mode)
        if frame.frequency_hz is not None and self._place_known and len(self._carriers) < MOST_CARRIERS:
            nominal = nearest_channel(mode, frame.frequency_hz)
            if nominal is not None:
                self._carriers.append((frame.frequency_hz, nominal))

    def frequency_error(self) -> tuple[float, float] | None:
        """Give the receiver's error in ppm and its standard uncertainty, when known carriers were heard."""
        return frequency_error_ppm(self._carriers) if self._carriers else None

    def _is_modulation(self, follower: Follower) -> bool:
        """Tell whether a short wide burst is but the rise and fall of emissions that are followed already.

        Strong voices lift the power of a wide box for some milliseconds; all of it lies in their own bands, and
        beside them there is nothing but noise.
        """
        found = follower.detection
        width = found.high_hz - found.low_hz
        if found.stop - found.start > 0.05 * self.stream.rate_hz:
            return False
        others = [
            other
            for other in (track.follower.detection for track in (*self._ended, *self._tracks.values()))
            if other.high_hz - other.low_hz < 0.2 * width
            and found.low_hz <= other.center_hz <= found.high_hz
            and other.start <= found.stop
            and found.start <= other.stop
        ]
        if not others:
            return False
        stream = self.stream
        count = max(found.stop - found.start, LEAST_BURST)
        data = stream.read(found.start, count)
        samples = Samples(data, stream.rate_hz, stream.center_hz, found.start, stream.epoch_ns)
        taken = [(other.low_hz, other.high_hz) for other in others]
        density, bins = density_beside(
            samples, (found.low_hz, found.high_hz), [*taken, (stream.center_hz, stream.center_hz)]
        )
        noise = 10 ** (found.noise_dbfs_hz / 10)
        return bins >= LEAST_BINS and density < noise * (1.15 + 4 / np.sqrt(bins))

    def _is_sideband(self, found: Detection) -> bool:
        """Tell whether a narrow emission is but sound of an AM station whose carrier is followed as another."""
        rate, reach = self.stream.rate_hz, SOUND_REACH_HZ
        if found.high_hz - found.low_hz > 2 * reach:
            return False
        slack = round(SOUND_SLACK_S * rate)
        for other in (track.follower.detection for track in (*self._ended, *self._tracks.values())):
            middle = other.center_hz
            if (
                other.number == found.number
                or other.high_hz - other.low_hz > SOUND_REACH_HZ
                or other.level_dbfs < found.level_dbfs + SOUND_BELOW_DB
                or max(abs(found.low_hz - middle), abs(found.high_hz - middle)) > reach
                or other.start > found.start + slack
                or other.stop < found.stop - slack
            ):
                continue
            count = min(found.stop - found.start + 2 * round(SOUND_RIM_S * rate), MOST_SOUND)
            start = max((found.start + found.stop - count) // 2, 0)
            data = self.stream.read(start, count)
            samples = Samples(data, rate, self.stream.center_hz, start, self.stream.epoch_ns)
            band = (found.low_hz, found.high_hz)
            if is_sideband(samples, band, (other.low_hz, other.high_hz), found.noise_dbfs_hz):
                return True
        return False

    def _forget_homes(self, now_ns: int) -> None:
        """Let go of frames whose message has not come within two minutes."""
        if len(self._homes) > 256:
            self._homes = {
                key: home for key, home in self._homes.items() if now_ns - key[1] < 120_000_000_000
            }

    def _settle(self, track: Track, record: EmissionRecord) -> None:
        track.record = record
        if record.burst_count == 1 and not record.joined:
            self.counts["emissions"] += 1
        self.keeper.emission(record, final=False)
        if record.evidence_id is None or record.burst_count <= 3:
            snippet = track.follower.snippet(2.0)
            if snippet is not None:
                self.keeper.snippet(record, snippet)
        track.follower.let_go()
        track.updated_ns = self._ns(track.follower.detection.stop)

    def _update(self, track: Track) -> None:
        record = track.record
        if record is None or record.train:
            return
        burst = self._burst_of_track(track)
        record.start_ns = min(record.start_ns, burst.start_ns) if record.joined else burst.start_ns
        record.stop_ns = burst.stop_ns
        record.on_ns = record.stop_ns - record.start_ns
        record.center_hz, record.width_hz = burst.center_hz, burst.width_hz
        record.level_dbfs, record.snr_db = burst.level_dbfs, burst.snr_db
        record.measurement = burst.measurement or record.measurement
        record.identification = burst.identification or record.identification
        record.mode = burst.mode or record.mode

    def _release(self, track: Track, before_ns: int | None) -> None:
        """Hand on what waited for its emission to be settled; voice gives way to decoded data."""
        record, follower = track.record, track.follower
        if record is None:
            return
        for message, evidence, whole in track.messages:
            self.counts["messages"] += 1
            if self._audio is not None:
                evidence = self._excerpts.around(message.frame, AUDIO_MARGIN_S)
            elif evidence is None:
                evidence = self._excerpts.of_channel(track.channel.center_hz, track.channel.rate_hz, whole)
            self.keeper.message(message, record, evidence)
            record.mode = (
                record.mode if record.mode and record.mode not in self._voice else message.frame.mode
            )
            record.read = record.read or message.frame.mode
        track.messages = []
        for over in follower.take_overs(before_ns):
            if track.data_mode and track.data_mode not in self._voice:
                continue
            record.mode = record.mode or over.mode
            self.counts["overs"] += 1
            self.keeper.over(over, record)
        for item in [item for item in follower.results if isinstance(item, Picture)]:
            follower.results.remove(item)
            if self._is_repeated(item, record):
                continue
            record.mode = record.read = item.mode
            self.counts["pictures"] += 1
            self.keeper.picture(item, record)

    def _is_repeated(self, picture: Picture, record: EmissionRecord) -> bool:
        """Tell whether another emission gave the same picture: one transmission that was detected as two."""
        width_hz = self._mode(picture.mode).bandwidth_hz
        for other, number in self._pictures:
            common = min(picture.stop_ns, other.stop_ns) - max(picture.start_ns, other.start_ns)
            shorter = min(picture.stop_ns - picture.start_ns, other.stop_ns - other.start_ns)
            near = abs(picture.frequency_hz - other.frequency_hz) < width_hz
            if other.mode == picture.mode and number != record.number and near and 2 * common > shorter:
                return True
        self._pictures.append((replace(picture, pixels=picture.pixels[:0].copy()), record.number))
        return False

    def _mode(self, name: str) -> Mode:
        return next(mode for mode in self.modes if mode.name == name)

    def _assembler(self, name: str) -> Assembler:
        if name not in self._assemblers:
            self._assemblers[name] = self._mode(name).assembler()
        return self._assemblers[name]

    def _late_message(self, message: Message) -> None:
        """Place a message that belongs to no followed emission: of a wideband mode, or of audio."""
        if self._wideband.keeps(message):
            return
        burst = Burst.of_message(message, self._mode(message.frame.mode), self.stream.center_hz)
        record = self._ledger.place(burst)
        self.counts["emissions"] += record.burst_count == 1
        self.keeper.emission(record, final=True)
        self.counts["messages"] += 1
        self.keeper.message(message, record, self._excerpts.around(message.frame, AUDIO_MARGIN_S))

    def health(self) -> dict[str, object]:
        """Give what was noticed of the receiver: clipping, offset, image, dropped samples."""
        seen, error = self.detector.statistics, self.frequency_error()
        return {
            "clipped_fraction": seen.clipped_fraction,
            "dc_dbfs": seen.dc_dbfs,
            "image_rejection_db": seen.image_rejection_db,
            "dropped_or_jumped": len(seen.jumps),
            "error_ppm": error[0] if error else None,
            "error_uncertainty_ppm": error[1] if error else None,
            "error_from_carriers": len(self._carriers),
        }

    # -- small conversions ----------------------------------------------------------------------------

    def _ns(self, index: float) -> int:
        return time_ns(self.stream, index)

    def _burst_of_track(self, track: Track) -> Burst:
        follower = track.follower
        found, figures = follower.detection, follower.measurement
        burst = Burst.of_detection(found, self.stream)
        burst.measurement, burst.identification = figures, follower.identification
        if figures is not None:
            burst.center_hz, burst.snr_db, burst.level_dbfs = (
                figures.center_hz,
                figures.snr_db,
                figures.level_dbfs,
            )
        known = follower.identification
        if known is not None and known.carrier_hz is not None:
            burst.center_hz = known.carrier_hz
        if track.data_mode:
            burst.mode, burst.data = track.data_mode, True
        elif any(isinstance(item, Over) for item in follower.results):
            burst.mode = next(item.mode for item in follower.results if isinstance(item, Over))
        elif known is not None and self._place_known:
            guess = likely_mode(self.modes, known, burst.center_hz, burst.width_hz)
            burst.mode = guess.name if guess else None
        return burst
