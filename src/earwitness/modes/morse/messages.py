"""From Morse frames to messages."""

from __future__ import annotations

from collections.abc import Iterable

from earwitness.core.text import inert
from earwitness.core.types import Frame, Message


class Assembler:
    """Gives each frame's text."""

    def feed(self, frame: Frame) -> Iterable[Message]:
        """Take the next frame."""
        octets = frame.bits.value.to_bytes(-(-frame.bits.size // 8), "big")[:4000]
        text = inert(octets.decode("ascii", "replace"))
        fields = {"text": text, "words_per_minute": frame.extra.get("words_per_minute")}
        return [Message(frame, "text", fields, frame.check or "pass")] if text else []

    def close(self) -> Iterable[Message]:
        """Give nothing: no text is held back."""
        return []
