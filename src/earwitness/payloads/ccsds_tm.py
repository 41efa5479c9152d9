"""Headers of space data links: telemetry transfer frames, AOS frames and VCDUs, M_PDUs, space packets.

Layouts: telemetry transfer frame CCSDS 132.0-B, AOS transfer frame 732.0-B (the VCDU of 701.0-B before it), space
packet 133.0-B; all from memory of the standards. Version numbers in the first two bits tell a telemetry
frame (00) from an AOS frame or VCDU (01).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from earwitness.coding.ccsds import crc_frame_ok
from earwitness.core.bits import Layout, flag, spare, u
from earwitness.core.types import Bits

IDLE_APID = 0x7FF
NO_PACKET_STARTS = 0x7FF  # first header pointer of a frame in which no packet begins
ONLY_IDLE = 0x7FE
VCDU_IDLE = 63  # virtual channel of fill frames
PACKET_HEADER = 6
MOST_PACKET = PACKET_HEADER + 65536
MOST_LISTED = 40

TM_HEADER = Layout(
    "TM transfer frame primary header", 48, "CCSDS 132.0-B 4.1.2",
    (
        u("version", 2), u("spacecraft", 10), u("virtual_channel", 3), flag("operational_control"),
        u("master_count", 8), u("virtual_count", 8), flag("secondary_header"), flag("synch"),
        flag("packet_order"), u("segment_length", 2), u("first_header", 11),
    ),
)  # fmt: skip

AOS_HEADER = Layout(
    "AOS transfer frame or VCDU primary header", 48, "CCSDS 732.0-B 4.1.2, 701.0-B",
    (u("version", 2), u("spacecraft", 8), u("virtual_channel", 6), u("virtual_count", 24), flag("replay"), spare(7)),
)  # fmt: skip

M_PDU_HEADER = Layout("M_PDU header", 16, "CCSDS 732.0-B 4.1.4.2", (spare(5), u("first_header", 11)))

PACKET = Layout(
    "space packet primary header", 48, "CCSDS 133.0-B 4.1.3",
    (
        u("version", 3), flag("command"), flag("secondary_header"), u("apid", 11), u("sequence_flags", 2),
        u("sequence_count", 14), u("data_length", 16),
    ),
)  # fmt: skip

SEQUENCE = ("continuation", "first", "last", "unsegmented")


def _bits(octets: bytes) -> Bits:
    return Bits(int.from_bytes(octets, "big"), 8 * len(octets))


@dataclass(frozen=True, slots=True)
class PacketHeader:
    """A packet's header, and how many octets the packet has with it."""

    apid: int
    sequence_flags: str
    sequence_count: int
    secondary_header: bool
    octets: int

    def fields(self) -> dict[str, Any]:
        """Give it as plain values."""
        return {
            "apid": self.apid,
            "sequence": self.sequence_flags,
            "count": self.sequence_count,
            "secondary_header": self.secondary_header,
            "octets": self.octets,
        }


def packet_header(octets: bytes) -> PacketHeader | None:
    """Read a packet's primary header; None when there are too few octets or the version is not 000."""
    if len(octets) < PACKET_HEADER:
        return None
    values = PACKET.parse(_bits(octets[:PACKET_HEADER]))
    if values["version"]:
        return None
    return PacketHeader(
        values["apid"],
        SEQUENCE[values["sequence_flags"]],
        values["sequence_count"],
        values["secondary_header"],
        PACKET_HEADER + values["data_length"] + 1,
    )


def packet(apid: int, count: int, data: bytes, *, secondary_header: bool = False) -> bytes:
    """Give an unsegmented telemetry packet around `data` (1 to 65536 octets)."""
    values = {
        "version": 0, "command": False, "secondary_header": secondary_header, "apid": apid, "sequence_flags": 3,
        "sequence_count": count & 0x3FFF, "data_length": len(data) - 1,
    }  # fmt: skip
    return PACKET.build(values).value.to_bytes(PACKET_HEADER, "big") + data


def packets_in(field: bytes, first: int) -> list[PacketHeader]:
    """Give the headers of the packets that begin in a data field, the first of them at octet `first`."""
    out: list[PacketHeader] = []
    at = first
    while at < len(field) and len(out) < MOST_LISTED:
        header = packet_header(field[at : at + PACKET_HEADER])
        if header is None:
            break
        out.append(header)
        at += header.octets
    return out


def read_frame(frame: bytes) -> dict[str, Any]:
    """Give the header fields of a transfer frame, what checks in it, and the packets that begin in it.

    Anything may be fed; a frame whose version is unknown gives only its version and size.
    """
    fields: dict[str, Any] = {"octets": len(frame)}
    if len(frame) < PACKET_HEADER:
        return fields
    version = frame[0] >> 6
    if version == 0:
        return fields | _telemetry(frame)
    if version == 1:
        return fields | _vcdu(frame)
    return fields | {"frame": "unknown version", "version": version}


def _telemetry(frame: bytes) -> dict[str, Any]:
    values = TM_HEADER.parse(_bits(frame[:6]))
    checked = crc_frame_ok(frame)
    out: dict[str, Any] = {
        "frame": "TM",
        "spacecraft": values["spacecraft"],
        "virtual_channel": values["virtual_channel"],
        "master_count": values["master_count"],
        "virtual_count": values["virtual_count"],
        "operational_control": values["operational_control"],
        "secondary_header": values["secondary_header"],
        "synch": values["synch"],
        "first_header": values["first_header"],
        "error_control": "CRC-16 checks" if checked else "none, or not a CRC-16",
    }
    begin = 6
    if values["secondary_header"] and len(frame) > 6:
        begin += (frame[6] & 0x3F) + 1
    end = len(frame) - (2 if checked else 0) - (4 if values["operational_control"] else 0)
    field = frame[begin : max(end, begin)]
    first = values["first_header"]
    if not values["synch"] and first == ONLY_IDLE:
        out["content"] = "idle"
    elif not values["synch"]:
        out["packets"] = _listed(field, first)
    out["data_hex"] = field.hex().upper()
    if values["operational_control"] and end + 4 <= len(frame) and end >= begin:
        out["operational_control_hex"] = frame[end : end + 4].hex().upper()
    return out


def _vcdu(frame: bytes) -> dict[str, Any]:
    values = AOS_HEADER.parse(_bits(frame[:6]))
    out: dict[str, Any] = {
        "frame": "AOS",
        "spacecraft": values["spacecraft"],
        "virtual_channel": values["virtual_channel"],
        "virtual_count": values["virtual_count"],
        "replay": values["replay"],
    }
    if crc_frame_ok(frame):
        out["error_control"] = "CRC-16 checks"
    if values["virtual_channel"] == VCDU_IDLE:
        out["content"] = "idle"
    out["data_hex"] = frame[6:].hex().upper()
    return out


def _listed(field: bytes, first: int) -> list[dict[str, Any]]:
    if first == NO_PACKET_STARTS:
        return []
    return [header.fields() for header in packets_in(field, first)]


class PacketStream:
    """Joins the packet pieces that M_PDUs of one virtual channel carry; a gap ends the packet it falls in."""

    def __init__(self) -> None:
        self._held = b""
        self._whole = False  # what is held begins with a header

    def lost(self) -> None:
        """Say that frames are missing here."""
        self._held, self._whole = b"", False

    def feed(self, zone: bytes, first: int) -> Iterator[tuple[PacketHeader, bytes]]:
        """Take a packet zone and its first header pointer; give whole packets, (header, all octets)."""
        if first == NO_PACKET_STARTS:
            if self._whole:
                self._held += zone
        elif first <= len(zone):
            if self._whole:
                self._held += zone[:first]
                yield from self._cut()
            self._held, self._whole = zone[first:], True
        else:
            self.lost()
            return
        yield from self._cut()

    def _cut(self) -> Iterator[tuple[PacketHeader, bytes]]:
        while self._whole and len(self._held) >= PACKET_HEADER:
            header = packet_header(self._held)
            if header is None:
                self.lost()
                return
            if len(self._held) < header.octets:
                if len(self._held) > MOST_PACKET:
                    self.lost()
                return
            octets, self._held = self._held[: header.octets], self._held[header.octets :]
            yield header, octets


def tm_frame(
    spacecraft: int,
    virtual_channel: int,
    count: int,
    field: bytes,
    *,
    first_header: int = 0,
    crc: bool = False,
) -> bytes:
    """Give a telemetry transfer frame around a data field, with a frame error control field when `crc`."""
    from earwitness.coding.crc import CRC16_IBM_3740

    values = {
        "version": 0, "spacecraft": spacecraft, "virtual_channel": virtual_channel, "operational_control": False,
        "master_count": count & 0xFF, "virtual_count": count & 0xFF, "secondary_header": False, "synch": False,
        "packet_order": False, "segment_length": 3, "first_header": first_header,
    }  # fmt: skip
    frame = TM_HEADER.build(values).value.to_bytes(6, "big") + field
    return frame + CRC16_IBM_3740.of(frame).to_bytes(2, "big") if crc else frame


def vcdu(spacecraft: int, virtual_channel: int, count: int, rest: bytes) -> bytes:
    """Give a VCDU: its primary header, then whatever follows."""
    values = {
        "version": 1, "spacecraft": spacecraft, "virtual_channel": virtual_channel,
        "virtual_count": count & 0xFFFFFF, "replay": False,
    }  # fmt: skip
    return AOS_HEADER.build(values).value.to_bytes(6, "big") + rest
