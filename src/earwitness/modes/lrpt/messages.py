"""What a weather satellite's frames carried, told every ten seconds for each virtual channel."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import Any

from earwitness.core.types import Bits, Frame, IdentityRef, Message
from earwitness.modes.lrpt.channels import ZONE
from earwitness.payloads.ccsds_tm import (
    AOS_HEADER,
    IDLE_APID,
    M_PDU_HEADER,
    NO_PACKET_STARTS,
    VCDU_IDLE,
    packets_in,
)

SPAN_NS = 10_000_000_000
MOST_APIDS = 64


@dataclass(slots=True)
class _Span:
    frame: Frame
    spacecraft: int
    number: int
    first: int
    last: int
    frames: int = 0
    lost: int = 0
    corrected: int = 0
    packets: Counter[int] = field(default_factory=Counter)


class Assembler:
    """Counts frames and packets by virtual channel; gives a message when ten seconds are full, and at the end."""

    def __init__(self) -> None:
        self._spans: dict[tuple[int, int], _Span] = {}

    def feed(self, frame: Frame) -> list[Message]:
        """Take the next VCDU; one without a check, or that is none, gives nothing."""
        if frame.check is None or frame.bits.size < 8 * (ZONE + 1) or frame.bits.size % 8:
            return []
        head = AOS_HEADER.parse(frame.bits)
        if head["version"] != 1:
            return []
        octets = frame.bits.value.to_bytes(frame.bits.size // 8, "big")
        key = (head["spacecraft"], head["virtual_channel"])
        out = []
        span = self._spans.get(key)
        if span is not None and not 0 <= frame.time_ns - span.frame.time_ns < SPAN_NS:
            out.append(self._message(self._spans.pop(key)))
            span = None
        count = head["virtual_count"]
        if span is None:
            span = self._spans[key] = _Span(frame, *key, count, count)
        else:
            span.lost += (count - span.last - 1) & 0xFFFFFF if (count - span.last) & 0xFFFFFF < 4096 else 0
        span.last = count
        span.frames += 1
        span.corrected += frame.corrected_bits
        if head["virtual_channel"] != VCDU_IDLE:
            first = M_PDU_HEADER.parse(Bits(int.from_bytes(octets[ZONE - 2 : ZONE], "big"), 16))[
                "first_header"
            ]
            if first != NO_PACKET_STARTS:
                for header in packets_in(octets[ZONE:], first):
                    if header.apid != IDLE_APID and (
                        header.apid in span.packets or len(span.packets) < MOST_APIDS
                    ):
                        span.packets[header.apid] += 1
        return out

    def close(self) -> list[Message]:
        """Give what is still being counted."""
        spans, self._spans = self._spans, {}
        return [self._message(span) for span in spans.values()]

    def _message(self, span: _Span) -> Message:
        fields: dict[str, Any] = {
            "spacecraft": span.spacecraft,
            "virtual_channel": span.number,
            "content": "idle" if span.number == VCDU_IDLE else "packets",
            "first_count": span.first,
            "last_count": span.last,
            "frames": span.frames,
            "frames_lost": span.lost,
            "octets_corrected": span.corrected,
            "packets_by_apid": {str(apid): count for apid, count in sorted(span.packets.items())},
            **{
                key: span.frame.extra[key]
                for key in ("modulation", "symbol_rate_hz", "interleaved", "line_code")
                if key in span.frame.extra
            },
        }
        identity = IdentityRef("transmitter", f"ccsds AOS {span.spacecraft}")
        return Message(span.frame, "count of transfer frames", fields, span.frame.check or "pass", identity)
