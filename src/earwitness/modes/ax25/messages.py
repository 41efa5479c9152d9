"""AX.25 frames in words: who to whom over which path, of what kind, and what the information says."""

from __future__ import annotations

from typing import Any

from earwitness.core.text import inert
from earwitness.core.types import Frame, IdentityRef, Message
from earwitness.modes.ax25.frame import NO_LAYER_3, PROTOCOLS, Address, Ax25Frame, parse
from earwitness.payloads import aprs

DISTRESS = ("emergency",)


class Assembler:
    """Gives one message a frame; nothing needs to be remembered."""

    def feed(self, frame: Frame) -> list[Message]:
        """Take the next frame; none comes of one whose addresses are not plausible."""
        octets = frame.bits.value.to_bytes(-(-frame.bits.size // 8), "big")
        parsed = parse(octets) if frame.bits.size % 8 == 0 else None
        return [_message(frame, parsed)] if parsed else []

    def close(self) -> list[Message]:
        """Give what is held back: nothing."""
        return []


def _name(address: Address) -> str:
    return inert(str(address)) or "(blank)"


def _message(frame: Frame, parsed: Ax25Frame) -> Message:
    fields: dict[str, Any] = {
        "source": _name(parsed.source),
        "destination": _name(parsed.destination),
        "path": [_name(row) + ("*" if row.marked else "") for row in parsed.path],
        "frame_type": parsed.frame_type,
        "pid": parsed.pid,
        "text": aprs.text_of(parsed.info) if printable(parsed.info) else None,
        "info_hex": parsed.info.hex().upper(),
        **frame.extra,
    }
    if parsed.pid is not None:
        fields["protocol"] = PROTOCOLS.get(parsed.pid, "unknown")
    if parsed.odd:
        fields["address_note"] = "one octet of the address field is not as the protocol has it"
    if parsed.unshifted:
        fields["address_note"] = "call signs are plain ASCII, not shifted as the protocol has them"
    kind = "ui" if parsed.frame_type == "UI" else parsed.frame_type.lower()
    flags: tuple[str, ...] = ()
    latitude = longitude = None
    if parsed.frame_type == "UI" and parsed.pid == NO_LAYER_3 and not parsed.unshifted:
        found = aprs.parse(parsed.info, parsed.destination.call)
        if found:
            kind, more = found
            fields |= more
            if fields.get("state") in DISTRESS:
                flags = ("emergency",)
            if kind not in ("object", "relayed"):
                latitude, longitude = fields.get("latitude_deg"), fields.get("longitude_deg")
    identity = None
    if parsed.source.call and not parsed.odd:
        identity = IdentityRef("station", str(parsed.source), (), latitude, longitude)
    related = tuple(IdentityRef("station", str(row)) for row in parsed.path if row.marked and row.call)
    return Message(frame, kind, fields, frame.check or "pass", identity, related, flags)


def printable(info: bytes) -> bool:
    """Tell whether information is text: four octets in five are printable, and none is a zero."""
    body = info.rstrip(b"\r\n\0")
    good = sum(32 <= octet < 127 or octet >= 0xA0 or octet in (9, 10, 13) for octet in body)
    return bool(body) and good >= 0.8 * len(body) and 0 not in body
