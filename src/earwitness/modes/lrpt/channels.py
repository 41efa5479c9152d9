"""From VCDUs to pictures: packets of each channel laid out as lines, with what was lost left blank.

A VCDU of the picture channel holds its header, two octets of insert zone and an M_PDU. The packets of a strip follow
each other, and one sequence count runs on over all of them; how far it goes from strip to strip is learnt from
the packets themselves, so that a gap of any length leaves its place in the picture.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from earwitness.core.types import Bits
from earwitness.modes.lrpt.strips import BLOCKS, STRIP_BLOCKS, WIDTH, Segment, read_segment
from earwitness.payloads.ccsds_tm import (
    AOS_HEADER,
    M_PDU_HEADER,
    PACKET_HEADER,
    VCDU_IDLE,
    PacketHeader,
    PacketStream,
)

INSERT = 2  # octets between VCDU header and M_PDU header (practice of Meteor-M, from memory)
ZONE = 6 + INSERT + 2  # where the packet zone begins
PICTURE_APIDS = range(64, 70)  # channels 1 to 6 (from memory)
COUNTS = 1 << 14
MOST_STRIPS = 900  # a pass of a quarter of an hour has some 700
MOST_GAP = 450  # strips
USUAL_CYCLE = 43  # three channels of fourteen packets and one of telemetry (from memory)
BLANK = 0


@dataclass(slots=True)
class _Channel:
    """Segments of one channel since its picture began: (count run on, segment, time)."""

    segments: list[tuple[int, Segment]] = field(default_factory=list)
    start_ns: int = 0
    stop_ns: int = 0


@dataclass(frozen=True, slots=True)
class Drawn:
    """A channel's picture: uint8 (8 n, WIDTH), when, and facts."""

    pixels: np.ndarray
    start_ns: int
    stop_ns: int
    facts: dict[str, Any]


def unwrapped(count: int, near: int) -> int:
    """Give the run-on count that is nearest to `near` among those of a count modulo 16384."""
    return near + (count - near + COUNTS // 2) % COUNTS - COUNTS // 2


class PictureChannels:
    """Takes VCDUs in the order of reception; gives pictures when they are as long as is kept, or at the end."""

    def __init__(self) -> None:
        self._streams: dict[int, tuple[int, PacketStream]] = {}  # last count by virtual channel
        self._channels: dict[int, _Channel] = {}
        self._count: int | None = None

    def feed(self, frame: bytes, time_ns: int) -> list[Drawn]:
        """Take a VCDU (892 octets)."""
        if len(frame) <= ZONE or frame[0] >> 6 != 1:
            return []
        head = AOS_HEADER.parse(Bits(int.from_bytes(frame[:6], "big"), 48))
        number = head["virtual_channel"]
        if number == VCDU_IDLE:
            return []
        last, stream = self._streams.get(number, (None, PacketStream()))
        if last is not None and (last + 1) & 0xFFFFFF != head["virtual_count"]:
            stream.lost()
        self._streams[number] = (head["virtual_count"], stream)
        first = M_PDU_HEADER.parse(Bits(int.from_bytes(frame[ZONE - 2 : ZONE], "big"), 16))["first_header"]
        out: list[Drawn] = []
        for header, octets in stream.feed(frame[ZONE:], first):
            out += self._packet(header, octets, time_ns)
        return out

    def close(self) -> list[Drawn]:
        """Give the pictures there are."""
        out = [drawn for apid in sorted(self._channels) if (drawn := self._draw(apid)) is not None]
        self._channels = {}
        return out

    def _packet(self, header: PacketHeader, octets: bytes, time_ns: int) -> list[Drawn]:
        count = header.sequence_count
        self._count = count if self._count is None else unwrapped(count, self._count)
        if header.apid not in PICTURE_APIDS:
            return []
        segment = read_segment(octets[PACKET_HEADER:])
        if segment is None:
            return []
        out = []
        channel = self._channels.get(header.apid)
        if channel is not None and (
            self._count - channel.segments[0][0] > MOST_STRIPS * USUAL_CYCLE
            or self._count < channel.segments[0][0]
        ):
            out = self.close()
            channel = None
        if channel is None:
            channel = self._channels[header.apid] = _Channel(start_ns=time_ns)
        channel.segments.append((self._count, segment))
        channel.stop_ns = time_ns
        return out

    def _draw(self, apid: int) -> Drawn | None:
        channel = self._channels[apid]
        cycle = cycle_of(channel.segments)
        starts = [count - segment.block // BLOCKS for count, segment in channel.segments]
        first = starts[0]
        rows = [round((start - first) / cycle) for start in starts]
        low, high = min(rows), max(rows)
        if high - low >= MOST_STRIPS:
            high = low + MOST_STRIPS - 1
        pixels = np.full((8 * (high - low + 1), WIDTH), BLANK, np.uint8)
        there = np.zeros((high - low + 1, STRIP_BLOCKS // BLOCKS), bool)
        for row, (_, segment) in zip(rows, channel.segments, strict=True):
            if row > high:
                continue
            top, left = 8 * (row - low), 8 * segment.block
            width = segment.pixels.shape[1]
            pixels[top : top + 8, left : left + width] = segment.pixels
            there[row - low, segment.block // BLOCKS] = width == 8 * BLOCKS
        whole = there.all(axis=1)
        missing = np.flatnonzero(~there.any(axis=1))
        facts = {
            "apid": apid,
            "channel": apid - PICTURE_APIDS.start + 1,
            "strips": len(there),
            "strips_whole": int(whole.sum()),
            "strips_missing": len(missing),
            "packets": len(channel.segments),
            "packets_of_whole": round(float(there.mean()), 4),
            "missing_lines": [8 * int(k) for k in missing[:50]],
            "packets_per_strip": cycle,
            "quality_factors": sorted({segment.quality for _, segment in channel.segments})[:20],
            "first_time_of_day_ms": channel.segments[0][1].milliseconds,
        }
        return Drawn(pixels, channel.start_ns, channel.stop_ns, facts)


def cycle_of(segments: list[tuple[int, Segment]]) -> int:
    """Give how far the sequence count goes from a strip to the next: its most usual step between like packets."""
    last: dict[int, int] = {}
    steps: Counter[int] = Counter()
    for count, segment in segments:
        before = last.get(segment.block)
        if before is not None and 0 < count - before <= MOST_GAP * USUAL_CYCLE:
            steps[count - before] += 1
        last[segment.block] = count
    if not steps:
        return USUAL_CYCLE
    most = max(steps.values())
    return min(step for step, number in steps.items() if number == most)
