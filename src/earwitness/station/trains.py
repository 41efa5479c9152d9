"""What becomes one row of the emission log: a transmission, or a train of short bursts on one channel.

A train never bridges a silence of more than ten seconds.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field

from earwitness.core.mode import Mode
from earwitness.core.types import Detection, Identification, Measurement, Message, Picture
from earwitness.station.excerpts import Stream, time_ns

MAX_SILENCE_NS = 10_000_000_000
FRAGMENT_NS = 10_000_000  # what is shorter and of no known kind on a train's channel is part of it
AGREED = 0.9  # of the votes: now and then one of a thousand packets is taken for something else
KNOWN_AFTER = 4  # bursts looked at before further ones of a train are taken as read
BURST_NS = 1_500_000_000  # longer transmissions stand alone
PACKET_NS = 500_000_000  # shorter ones are no speech, though their frequency swings like that of speech
TOGETHER_S = 0.002  # within which edges of a burst's pieces are found
GUARD_NS, SAME_DB = 6_000_000, 3.0  # of time slots: no gap is longer; and of one station's bursts
TRAIN_CLASSES = ("fsk2", "fsk4", "psk", "ook", "noise-like", "chirp", "unknown")


@dataclass
class Burst:
    """What one followed detection came to."""

    start_ns: int
    stop_ns: int
    center_hz: float
    width_hz: float
    level_dbfs: float
    snr_db: float
    measurement: Measurement | None = None
    identification: Identification | None = None
    mode: str | None = None
    data: bool = False  # a data mode passed messages from it

    @classmethod
    def of_detection(cls, found: Detection, stream: Stream) -> Burst:
        """Give what is known of a detection before anything has been measured."""
        return cls(
            start_ns=time_ns(stream, found.start),
            stop_ns=time_ns(stream, found.stop),
            center_hz=found.center_hz,
            width_hz=found.high_hz - found.low_hz,
            level_dbfs=found.level_dbfs,
            snr_db=found.snr_db,
        )

    @classmethod
    def of_message(cls, message: Message, mode: Mode, center_hz: float) -> Burst:
        """Give the burst a message alone tells of; at `center_hz` if it does not say where."""
        frame = message.frame
        return cls(
            start_ns=frame.time_ns,
            stop_ns=frame.stop_ns,
            center_hz=frame.frequency_hz or center_hz,
            width_hz=mode.bandwidth_hz,
            level_dbfs=frame.level_dbfs if frame.level_dbfs is not None else -100.0,
            snr_db=frame.snr_db if frame.snr_db is not None else 0.0,
            mode=frame.mode,
            data=True,
        )

    @classmethod
    def of_picture(cls, picture: Picture, mode: Mode) -> Burst:
        """Give the burst a picture alone tells of."""
        return cls(
            start_ns=picture.start_ns,
            stop_ns=picture.stop_ns,
            center_hz=picture.frequency_hz,
            width_hz=mode.bandwidth_hz,
            level_dbfs=-100.0,
            snr_db=0.0,
            mode=mode.name,
            data=True,
        )


@dataclass
class EmissionRecord:
    """One emission as the log will hold it; figures are those of its strongest measured burst."""

    number: int
    start_ns: int
    stop_ns: int
    center_hz: float
    width_hz: float
    level_dbfs: float
    snr_db: float
    on_ns: int
    burst_count: int = 1
    measurement: Measurement | None = None
    identification: Identification | None = None
    mode: str | None = None
    read: str | None = None  # the data mode that messages or pictures were read in
    artefact: str | None = None
    train: bool = False
    joined: bool = False  # began as a burst of its own, and went on without a gap
    evidence_id: str | None = None
    votes: dict[str, float] = field(default_factory=dict)
    best: dict[str, Identification] = field(default_factory=dict)
    weight: float = 0.0
    looks: int = 0
    looked_ns: tuple[int, int] = (0, 0)  # the shortest and the longest burst looked at
    first_center_hz: float | None = None
    offsets_hz: float = 0.0  # of the bursts' centres from the first one's, summed,
    offsets_hz2: float = 0.0  # and their squares

    @property
    def duty(self) -> float:
        """Give the share of its span it was on the air."""
        span = self.stop_ns - self.start_ns
        return 1.0 if span <= 0 else min(1.0, self.on_ns / span)

    @property
    def spread_hz(self) -> float:
        """Give the r.m.s. distance of its bursts' centres from its own: stations on a channel differ."""
        if self.first_center_hz is None:
            return 0.0
        own = self.center_hz - self.first_center_hz
        square = self.offsets_hz2 - 2 * own * self.offsets_hz + self.burst_count * own**2
        return math.sqrt(max(square, 0.0) / self.burst_count)

    def takes(self, burst: Burst) -> bool:
        """Tell whether a burst belongs to this train: same channel, same kind, silence short enough."""
        if not self.train or burst.start_ns - self.stop_ns > MAX_SILENCE_NS:
            return False
        width = min(self.width_hz, burst.width_hz)
        if abs(burst.center_hz - self.center_hz) > max(0.35 * width, 1500.0):
            return False
        if burst.mode and self.mode and burst.mode != self.mode:
            return False
        if burst.mode and burst.mode == self.mode:
            return True
        known = burst.identification is not None and burst.identification.kind != "unknown"
        if not known and burst.width_hz < self.width_hz and burst.stop_ns - burst.start_ns < FRAGMENT_NS:
            return True  # a piece of a burst: its ramp, or its end after a fade
        return 1 / 3 <= burst.width_hz / max(self.width_hz, 1.0) <= 3

    def add(self, burst: Burst) -> None:
        """Merge a burst's times, figures and class into this record."""
        self.on_ns += max(0, burst.stop_ns - max(burst.start_ns, self.stop_ns if self.burst_count else 0))
        self.start_ns = min(self.start_ns, burst.start_ns)
        self.stop_ns = max(self.stop_ns, burst.stop_ns)
        self.burst_count += 1
        self.learn(burst)

    def learn(self, burst: Burst) -> None:
        """Take over a burst's figures: means weighted by its SNR, the class by a vote of confidences."""
        if self.first_center_hz is None:
            self.first_center_hz = burst.center_hz
        offset = burst.center_hz - self.first_center_hz
        self.offsets_hz += offset
        self.offsets_hz2 += offset**2
        gain = max(1e-3, 10 ** (min(burst.snr_db, 30.0) / 10))
        total = self.weight + gain
        self.center_hz += (burst.center_hz - self.center_hz) * gain / total
        self.width_hz += (burst.width_hz - self.width_hz) * gain / total
        self.level_dbfs = 10 * math.log10(
            (10 ** (self.level_dbfs / 10) * self.weight + 10 ** (burst.level_dbfs / 10) * gain) / total
        )
        self.weight = total
        if burst.mode and (burst.data or not self.mode):
            self.mode = burst.mode
        if burst.measurement and (
            self.measurement is None or burst.measurement.snr_db >= self.measurement.snr_db
        ):
            self.measurement = burst.measurement
        self.snr_db = max(self.snr_db, burst.snr_db)
        found = burst.identification
        if found:
            length = burst.stop_ns - burst.start_ns
            shortest, longest = self.looked_ns if self.looks else (length, length)
            self.looked_ns = min(shortest, length), max(longest, length)
            self.looks += 1
            share = 0.05 if found.kind == "unknown" else found.confidence
            self.votes[found.kind] = self.votes.get(found.kind, 0.0) + share * math.sqrt(gain)
            if found.kind not in self.best or found.confidence >= self.best[found.kind].confidence:
                self.best[found.kind] = found
            self.identification = self.best[max(self.votes, key=lambda kind: self.votes[kind])]


def is_heard_twice(found: Detection, others: Iterable[Detection]) -> bool:
    """Tell whether a burst is part of another detection that goes on through it in the same band.

    The pulses of a carrier that is keyed too fast for the rows are found beside the carrier as the rows show it.
    """
    width = found.high_hz - found.low_hz
    return any(
        other.start < found.start
        and found.stop < other.stop
        and other.number != found.number
        and abs(other.center_hz - found.center_hz) < 0.2 * width
        and 0.5 < (other.high_hz - other.low_hz) / width < 2
        for other in others
    )


def is_together(one: Detection, other: Detection, rate_hz: float) -> bool:
    """Tell whether two short bursts begin and end together, as far as rows of the detector tell."""
    slack = max(TOGETHER_S * rate_hz, 0.2 * (one.stop - one.start))
    return abs(one.start - other.start) <= slack and abs(one.stop - other.stop) <= slack


def is_beside(piece: Detection, whole: Detection, rate_hz: float) -> bool:
    """Tell whether something short belongs to a burst that is known whole: in its time, beside it, and weaker."""
    slack = max(TOGETHER_S * rate_hz, 0.2 * (whole.stop - whole.start))
    reach = (whole.high_hz - whole.low_hz) / 2
    return (
        whole.start - slack <= piece.start
        and piece.stop <= whole.stop + slack
        and piece.level_dbfs < whole.level_dbfs
        and whole.low_hz - reach < piece.center_hz < whole.high_hz + reach
    )


def is_burst(burst: Burst, voice_modes: frozenset[str]) -> bool:
    """Tell whether a finished transmission may be one of a train."""
    if burst.stop_ns - burst.start_ns > BURST_NS:
        return False
    if burst.data:
        return True
    kind = burst.identification.kind if burst.identification else "unknown"
    if kind == "fm" and burst.stop_ns - burst.start_ns < PACKET_NS:
        return True
    if burst.mode in voice_modes:
        return False
    return kind in TRAIN_CLASSES or burst.mode is not None


class Ledger:
    """All emission records of one stretch: opens them, merges bursts into trains, forgets old ones."""

    def __init__(self, voice_modes: frozenset[str]):
        self.voice_modes = voice_modes
        self.count = 0
        self._trains: list[EmissionRecord] = []

    def knows(self, mode: str, center_hz: float, start_ns: int) -> bool:
        """Tell whether a train of this mode on this channel has been identified from several bursts."""
        return any(
            train.mode == mode
            and train.looks >= KNOWN_AFTER
            and abs(train.center_hz - center_hz) <= max(0.35 * train.width_hz, 1500.0)
            and start_ns - train.stop_ns <= MAX_SILENCE_NS
            for train in self._trains
        )

    def kind_of(
        self, center_hz: float, width_hz: float, start_ns: int, stop_ns: int
    ) -> Identification | None:
        """Give what a burst is when it is as long and wide as those of a train that were found to be that."""
        for train in self._trains:
            shortest, longest = train.looked_ns
            if (
                train.looks >= KNOWN_AFTER
                and max(train.votes.values()) >= AGREED * sum(train.votes.values())
                and abs(train.center_hz - center_hz) <= 0.1 * train.width_hz
                and start_ns - train.stop_ns <= MAX_SILENCE_NS
                and 2 / 3 <= width_hz / max(train.width_hz, 1.0) <= 3 / 2
                and 2 / 3 * shortest <= stop_ns - start_ns <= 3 / 2 * longest
            ):
                return train.identification
        return None

    def open(self, burst: Burst) -> EmissionRecord:
        """Give a new record that stands alone."""
        record = EmissionRecord(
            number=self.count,
            start_ns=burst.start_ns,
            stop_ns=burst.stop_ns,
            center_hz=burst.center_hz,
            width_hz=burst.width_hz,
            level_dbfs=burst.level_dbfs,
            snr_db=burst.snr_db,
            on_ns=burst.stop_ns - burst.start_ns,
        )
        self.count += 1
        record.learn(burst)
        return record

    def stand(self, burst: Burst) -> EmissionRecord:
        """Give the record of a transmission that is no burst: a new one, unless it goes on from a first burst.

        Of time slots that follow one another the first may be over before the guard times are known to be bridged.
        """
        for record in self._trains:
            alike = 1 / 2 <= burst.width_hz / max(record.width_hz, 1.0) <= 2
            near = abs(burst.center_hz - record.center_hz) <= 0.2 * record.width_hz
            level = abs(burst.level_dbfs - record.level_dbfs) <= SAME_DB
            gap_ns = burst.start_ns - record.stop_ns
            if record.burst_count == 1 and alike and near and level and abs(gap_ns) <= GUARD_NS:
                self._trains.remove(record)
                record.train, record.joined = False, True
                record.stop_ns = burst.stop_ns
                record.on_ns = record.stop_ns - record.start_ns
                record.learn(burst)
                return record
        return self.open(burst)

    def place(self, burst: Burst) -> EmissionRecord:
        """Give the record of a finished transmission: the train it joins, or a new one."""
        if not is_burst(burst, self.voice_modes):
            return self.stand(burst)
        self._trains = [train for train in self._trains if burst.start_ns - train.stop_ns <= MAX_SILENCE_NS]
        for train in self._trains:
            if train.takes(burst):
                train.add(burst)
                return train
        record = self.open(burst)
        record.train = True
        self._trains.append(record)
        return record
