"""Frames of the VHF audio link to messages: the block is the payload, shared with other links."""

from __future__ import annotations

from earwitness.core.types import Frame, Message
from earwitness.payloads.acars_block import from_characters
from earwitness.payloads.acars_messages import BlockMessages


class Assembler:
    """Gives a message for every block; the last block of a long message carries the whole."""

    def __init__(self) -> None:
        self._blocks = BlockMessages()

    def feed(self, frame: Frame) -> list[Message]:
        """Take the next frame."""
        octets = frame.bits.value.to_bytes(-(-frame.bits.size // 8), "big")
        block = from_characters(octets, more=bool(frame.extra.get("more", False)))
        return [] if block is None or frame.check is None else [self._blocks.feed(frame, block)]

    def close(self) -> list[Message]:
        """Nothing is held back: every block was given as it came."""
        return []
