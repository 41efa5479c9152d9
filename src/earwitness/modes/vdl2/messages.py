"""AVLC frames to messages: who speaks to whom, and what the frame carries in plain words."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import replace
from typing import Any

from earwitness.core.types import Frame, IdentityRef, Message
from earwitness.modes.vdl2 import xid
from earwitness.modes.vdl2.avlc import AIRCRAFT, CONTROL_TEXT, GROUND, Address, AvlcFrame, control_name, parse
from earwitness.modes.vdl2.connections import Connections, Read
from earwitness.modes.vdl2.network import packet
from earwitness.payloads.acars_block import parse_frame
from earwitness.payloads.acars_messages import BlockMessages

ACARS_HEAD = (
    b"\xff\xff\x01"  # before a block in an information field: ACARS over AVLC (ARINC 631, from memory)
)
MOST_OPEN = 64  # packet sequences waited for at a time
MOST_OCTETS = 16_384  # of one
LONGEST_GAP_NS = 120_000_000_000  # between packets of one
MOST_HEX = 4_200  # characters of raw octets kept in a field
_APPLICATIONS = {"controller_pilot": "controller-pilot data link", "context_management": "context management"}


class Assembler:
    """Gives a message for every frame; packets that belong together are read with the last of them."""

    def __init__(self) -> None:
        self._blocks = BlockMessages()
        self._open: OrderedDict[tuple[str, str, int], tuple[int, int, bytes]] = OrderedDict()
        self._connections = Connections()

    def feed(self, frame: Frame) -> list[Message]:
        """Take the next frame."""
        octets = frame.bits.value.to_bytes(-(-frame.bits.size // 8), "big")
        read = parse(octets)
        if read is None or frame.check is None:
            return []
        fields = link_fields(read)
        sender, other = _identity(read.source), _identity(read.destination)
        control = fields["control"]
        flags: tuple[str, ...] = ()
        if control in ("I", "UI"):
            if read.info.startswith(ACARS_HEAD):
                message = self._acars(frame, read, fields)
                if message:
                    return [message]
            carried = self._packet(frame, read)
            fields |= carried.fields
            if carried.message:
                flags = carried.message.flags
            if sender and sender.kind == "aircraft":
                sender = _aircraft(sender, carried)
        elif control == "XID":
            found = xid.parse(read.info)
            if found:
                fields |= found.fields
                if found.broken:
                    fields["xid_broken"] = True
                if sender and found.latitude_deg is not None:
                    sender = replace(
                        sender, latitude_deg=found.latitude_deg, longitude_deg=found.longitude_deg
                    )
        if read.info and "payload_hex" not in fields and "xid_parameters" not in fields:
            fields["info_hex"] = read.info.hex().upper()[:MOST_HEX]
        kind = _kind(fields, read)
        related = (other,) if other else ()
        return [Message(frame, kind, fields, frame.check, sender, related, flags)]

    def close(self) -> list[Message]:
        """Nothing is held back: every frame was given as it came."""
        return []

    def _acars(self, frame: Frame, read: AvlcFrame, fields: dict[str, Any]) -> Message | None:
        """Give the message of an ACARS block; None when its own check or shape is wrong."""
        block = parse_frame(read.info[len(ACARS_HEAD) - 1 :])
        if block is None:
            return None
        message = self._blocks.feed(frame, block, {})
        # The link's fields keep their names; the block's own seven-character address is its registration.
        merged = {**fields, **message.fields}
        parties = (read.source, read.destination)
        planes = [ref for party in parties if party.type == AIRCRAFT and (ref := _identity(party))]
        others = [ref for party in parties if party.type != AIRCRAFT and (ref := _identity(party))]
        said = message.identity
        if not planes or said is None:
            return replace(message, fields=merged, related=(*message.related, *planes, *others))
        plane = replace(said, key=planes[0].key, names=(*((said.key,) if said.key else ()), *said.names))
        # The registration is an identity too where other links know no address: both are named here.
        related = (*message.related, IdentityRef("aircraft", said.key), *planes[1:], *others)
        return replace(message, fields=merged, identity=plane, related=related)

    def _packet(self, frame: Frame, read: AvlcFrame) -> Read:
        """Read an ISO 8208 packet, and the network data unit that it completes."""
        got = packet(read.info)
        if got is None:
            return Read()
        if got.type != "data":
            return self._unit(frame, read, got.fields, got.data) if got.data else Read(got.fields)
        key = (read.source.hex, read.destination.hex, got.channel)
        number = int(got.fields["packet_send_number"])
        at_ns, last, before = self._open.pop(key, (frame.time_ns, -1, b""))
        if frame.time_ns - at_ns > LONGEST_GAP_NS:
            last, before = -1, b""
        if last == number:  # sent again
            self._open[key] = (frame.time_ns, last, before)
            return Read({**got.fields, "packet_repeated": True, "payload_hex": _hex(got.data)})
        if last != -1 and number != (last + 1) % 8:
            before = b""
        whole = before + got.data
        if got.more and len(whole) <= MOST_OCTETS:
            self._open[key] = (frame.time_ns, number, whole)
            while len(self._open) > MOST_OPEN:
                self._open.popitem(last=False)
            return Read({**got.fields, "payload_hex": _hex(got.data)})
        return self._unit(frame, read, got.fields, whole)

    def _unit(self, frame: Frame, read: AvlcFrame, fields: dict[str, Any], octets: bytes) -> Read:
        """Read a network data unit between an aircraft and the ground; `payload_hex` is what is left of it."""
        downlink = read.source.type == AIRCRAFT
        aircraft = (read.source if downlink else read.destination).hex
        above = self._connections.feed(frame.time_ns, aircraft, octets, downlink=downlink)
        return replace(above, fields={**fields, **above.fields, "payload_hex": _hex(above.payload)})


def _hex(octets: bytes) -> str:
    return octets.hex().upper()[:MOST_HEX]


def _aircraft(sender: IdentityRef, carried: Read) -> IdentityRef:
    """Give an aircraft with the flight and the place that its message states."""
    flight = carried.fields.get("flight")
    named = replace(sender, names=(str(flight),)) if flight else sender
    place = carried.message
    if place is None or place.latitude_deg is None:
        return named
    return replace(named, latitude_deg=place.latitude_deg, longitude_deg=place.longitude_deg)


def link_fields(read: AvlcFrame) -> dict[str, Any]:
    """Give the fields of a frame's addresses and control octet."""
    name = control_name(read.control) or ""
    fields: dict[str, Any] = {
        "source_address": read.source.hex,
        "source_type": read.source.type_text,
        "destination_address": read.destination.hex,
        "destination_type": read.destination.type_text,
        "sender_on_ground": read.destination.flag,
        "response": read.source.flag,
        "control": name,
        "control_text": CONTROL_TEXT.get(name, name),
        "poll_final": bool(read.control & 0x10),
    }
    for party in (read.source, read.destination):
        if party.type == AIRCRAFT:
            fields.setdefault("icao_address", party.hex)
    if not read.control & 1:
        fields["send_number"] = read.control >> 1 & 7
    if read.control & 3 != 3:
        fields["receive_number"] = read.control >> 5
    return fields


def _identity(party: Address) -> IdentityRef | None:
    """Give who an address names: the aircraft that Mode S knows by the same 24 bits, or a ground station."""
    if party.type == AIRCRAFT:
        return IdentityRef("aircraft", party.hex)
    if party.type in GROUND:
        return IdentityRef("station", party.hex)
    return None


def _kind(fields: dict[str, Any], read: AvlcFrame) -> str:
    for name, words in _APPLICATIONS.items():
        if name in fields:
            return f"{words}, {fields[name]}"
    if "packet_type" in fields:
        above = fields.get("network_type")
        return f"ISO 8208 {fields['packet_type']}" + (
            f", {fields['network_protocol']} {above}" if above else ""
        )
    if fields["control"] == "XID":
        if read.destination.type not in (AIRCRAFT, *GROUND):
            return "ground station information"
        return "exchange identification, " + ("response" if read.source.flag else "command")
    return str(fields["control_text"])
