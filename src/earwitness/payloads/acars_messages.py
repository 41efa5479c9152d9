"""ACARS blocks to messages, whatever link carried them: fields in plain words, long messages joined, who sent it."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from earwitness.core.text import inert
from earwitness.core.types import Frame, IdentityRef, Message
from earwitness.payloads.acars_block import ACK, MOST_TEXT, NAK, Block
from earwitness.payloads.acars_text import label_meaning, read_text

MOST_OPEN = 256  # long messages waited for at a time
MOST_BLOCKS = 16  # of one message
LONGEST_GAP_NS = 600_000_000_000  # between blocks of one message


@dataclass(slots=True)
class _Open:
    """A message of which blocks are still to come."""

    time_ns: int
    last: str  # block id (uplink) or the letter of the message number (downlink)
    parts: list[str] = field(default_factory=list)
    whole: bool = True  # heard from its first block on


class BlockMessages:
    """Gives a message for every block; one per survey stretch, fed in time order.

    The block that ends a message of several carries, beside its own text, the whole of it in `message_text`
    and what was read from that.
    """

    def __init__(self) -> None:
        self._open: OrderedDict[tuple[str, ...], _Open] = OrderedDict()

    def feed(self, frame: Frame, block: Block, extra: Mapping[str, Any] | None = None) -> Message:
        """Give the message of a checked block; `extra` are fields of the link that carried it."""
        fields, body = block_fields(block)
        whole, count, complete = self._join(frame.time_ns, block, fields, body)
        if count > 1:
            fields["blocks"] = count
            fields["message_text"] = inert(whole, limit=MOST_BLOCKS * MOST_TEXT, keep_lines=True)
            fields["message_complete"] = complete
        found = read_text(block.label, whole, downlink=block.downlink)
        fields |= {**found.fields, **(extra or {})}
        key = str(fields["registration"])
        names = (fields["flight"],) if fields.get("flight") else ()
        identity = None
        if key:
            identity = IdentityRef("aircraft", key, names, found.latitude_deg, found.longitude_deg)
        return Message(
            frame=frame,
            kind=label_meaning(block.label, downlink=block.downlink),
            fields=fields,
            check=frame.check or "pass",
            identity=identity,
            related=found.related,
            flags=found.flags,
        )

    def _join(self, now_ns: int, block: Block, fields: Mapping[str, Any], body: str) -> tuple[str, int, bool]:
        """Give the text so far, of how many blocks, and whether none of them is missing."""
        number = str(fields.get("msn") or "")
        downlink = block.downlink and len(number) == 4
        place = number[3] if downlink else block.block_id
        key = (block.address, block.label, number[:3] if downlink else "up")
        held = self._open.pop(key, None)
        if held and now_ns - held.time_ns > LONGEST_GAP_NS:
            held = None
        if downlink and place == "A":
            held = None
        if held is None and not block.more and (not downlink or place == "A"):
            return body, 1, True
        if held is None:
            held = _Open(now_ns, "", [], not downlink or place == "A")
        if place != held.last:  # the same again is a repeat
            if held.last and not _follows(held.last, place):
                held.whole = False
            held.parts.append(body)
        held.last, held.time_ns = place, now_ns
        if block.more and len(held.parts) < MOST_BLOCKS:
            self._open[key] = held
            while len(self._open) > MOST_OPEN:
                self._open.popitem(last=False)
        return "".join(held.parts), len(held.parts), held.whole and not block.more


def _follows(last: str, place: str) -> bool:
    """Tell whether a block follows another: the next letter, the first after the last."""
    return ord(place) == ord(last) + 1 or (last, place) in (("Z", "A"), ("z", "a"))


def block_fields(block: Block) -> tuple[dict[str, Any], str]:
    """Give the fields of one block and its text without message number and flight."""
    text = block.text or ""
    msn = flight = None
    if block.downlink and block.text is not None and len(text) >= 10:
        msn, flight, text = text[:4], text[4:10], text[10:]
    ack = block.ack
    fields = {
        "direction": "downlink" if block.downlink else "uplink",
        "registration": inert(block.address.strip(".\0 "), limit=7),
        "address": inert(block.address, limit=7),
        "mode": block.mode,
        "label": inert(block.label.replace("\x7f", "d"), limit=2),
        "label_meaning": label_meaning(block.label, downlink=block.downlink),
        "block_id": inert(block.block_id, limit=1),
        "ack": {chr(NAK): "NAK", chr(ACK): "ACK"}.get(ack, inert(ack, limit=1)),
        "msn": None if msn is None else inert(msn, limit=4),
        "flight": None if flight is None else inert(flight.strip(), limit=6),
        "text": inert(text.replace("\r\n", "\n").replace("\r", "\n"), limit=MOST_TEXT, keep_lines=True),
        "more_blocks": block.more,
    }
    return fields, text
