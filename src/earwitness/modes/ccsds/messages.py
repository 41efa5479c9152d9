"""Transfer frames in words: whose, which channel, which packets begin in them."""

from __future__ import annotations

from typing import Any

from earwitness.core.types import Frame, IdentityRef, Message
from earwitness.payloads.ccsds_tm import read_frame


class Assembler:
    """Gives one message a frame; nothing needs to be remembered."""

    def feed(self, frame: Frame) -> list[Message]:
        """Take the next frame; one without a check gives nothing."""
        if frame.check is None or frame.bits.size % 8 or not frame.bits.size:
            return []
        octets = frame.bits.value.to_bytes(frame.bits.size // 8, "big")
        fields: dict[str, Any] = {**read_frame(octets), "frame_hex": octets.hex().upper(), **frame.extra}
        kind = {"TM": "transfer-frame", "AOS": "vcdu"}.get(str(fields.get("frame")), "frame")
        identity = None
        if "spacecraft" in fields:
            identity = IdentityRef("transmitter", f"ccsds {fields['frame']} {fields['spacecraft']}")
        return [Message(frame, kind, fields, frame.check, identity)]

    def close(self) -> list[Message]:
        """Give what is held back: nothing."""
        return []
