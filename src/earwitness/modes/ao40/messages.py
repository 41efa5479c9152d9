"""Telemetry frames as they are: what a satellite puts into its 256 octets is its own."""

from __future__ import annotations

from typing import Any

from earwitness.core.types import Frame, Message


class Assembler:
    """Gives one message a frame; nothing needs to be remembered."""

    def feed(self, frame: Frame) -> list[Message]:
        """Take the next frame."""
        if frame.check is None or frame.bits.size % 8 or not frame.bits.size:
            return []
        octets = frame.bits.value.to_bytes(frame.bits.size // 8, "big")
        fields: dict[str, Any] = {**frame.extra, "first_octet": octets[0], "data_hex": octets.hex().upper()}
        return [Message(frame, "telemetry", fields, frame.check)]

    def close(self) -> list[Message]:
        """Give what is held back: nothing."""
        return []
