"""Frames in words: the framing, its header, a CSP header where the framing carries one, and the octets as they are."""

from __future__ import annotations

from typing import Any

from earwitness.core.bits import Layout, flag, spare, u
from earwitness.core.text import inert
from earwitness.core.types import Bits, Frame, IdentityRef, Message

CSP_HEADER = Layout(
    "CSP version 1 header", 32, "CubeSat Space Protocol (from memory)",
    (
        u("priority", 2), u("source", 5), u("destination", 5), u("destination_port", 6), u("source_port", 6),
        spare(4), flag("hmac"), flag("xtea"), flag("rdp"), flag("crc32"),
    ),
)  # fmt: skip
PRIORITIES = ("critical", "high", "normal", "low")
CSP_FRAMING = "sync word, length, Reed-Solomon"  # as golay_length has it
LEAST_TEXT = 12  # printable octets in a row that are shown as text
KINDS = {"Mobitex blocks": "mobitex", CSP_FRAMING: "csp"}


def texts(octets: bytes) -> list[str]:
    """Give the runs of at least LEAST_TEXT printable ASCII octets, first to last, at most eight."""
    out, run = [], bytearray()
    for octet in (*octets, 0):
        if 32 <= octet < 127:
            run.append(octet)
            continue
        if len(run) >= LEAST_TEXT:
            out.append(inert(run.decode("ascii")))
        run.clear()
    return out[:8]


class Assembler:
    """Gives one message a frame; nothing needs to be remembered."""

    def feed(self, frame: Frame) -> list[Message]:
        """Take the next frame."""
        if frame.check is None or frame.bits.size % 8 or not frame.bits.size:
            return []
        octets = frame.bits.value.to_bytes(frame.bits.size // 8, "big")
        framing = str(frame.extra.get("framing", ""))
        fields: dict[str, Any] = {**frame.extra, "data_hex": octets.hex().upper(), "texts": texts(octets)}
        if framing == CSP_FRAMING and len(octets) >= 4:
            header = CSP_HEADER.parse(Bits(int.from_bytes(octets[:4], "big"), 32))
            fields["csp"] = {**header, "priority": PRIORITIES[header["priority"]]}
        identity = None
        call = inert(str(frame.extra.get("call", "")))
        if call:
            fields["call"] = call
            identity = IdentityRef("station", call)
        return [Message(frame, KINDS.get(framing, "packet"), fields, frame.check, identity)]

    def close(self) -> list[Message]:
        """Give what is held back: nothing."""
        return []
