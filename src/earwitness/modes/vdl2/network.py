"""What information frames carry besides ACARS: ISO 8208 packets, and in them the ATN's network and transport.

Read as far as the headers of ISO 8208, ISO 9542, ISO 8473 and ISO 8073 (all from memory). Network headers that
the ATN compresses to a local reference, and what stands above transport, are kept as octets.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

_WHOLE_TYPES = {
    0x0B: "call request",
    0x0F: "call accepted",
    0x13: "clear request",
    0x17: "clear confirmation",
    0x1B: "reset request",
    0x1F: "reset confirmation",
    0x23: "interrupt",
    0x27: "interrupt confirmation",
    0xF1: "diagnostic",
    0xF3: "registration request",
    0xF7: "registration confirmation",
    0xFB: "restart request",
    0xFF: "restart confirmation",
}
_FLOW_TYPES = {0x01: "receive ready", 0x05: "receive not ready", 0x09: "reject"}
_NETWORK_TYPES = {0x1C: "data", 0x01: "error report", 0x1E: "echo request", 0x1F: "echo reply"}
_ROUTING_TYPES = {2: "end system hello", 4: "intermediate system hello", 6: "redirect"}
_TRANSPORT_TYPES = {
    0xE: "connection request",
    0xD: "connection confirm",
    0x8: "disconnect request",
    0xC: "disconnect confirm",
    0xF: "data",
    0x6: "data acknowledgement",
    0x1: "expedited data",
    0x2: "expedited acknowledgement",
    0x5: "reject",
    0x7: "error",
}


@dataclass(frozen=True, slots=True)
class Packet:
    """One ISO 8208 packet: header fields, channel, user data and whether more of them follow."""

    type: str
    channel: int
    fields: dict[str, Any] = field(default_factory=dict)
    data: bytes = b""
    more: bool = False


def packet(octets: bytes) -> Packet | None:
    """Give the packet of octets (sequence numbers modulo 8); None when they cannot be one."""
    if len(octets) < 3 or octets[0] >> 4 & 3 != 1:
        return None
    channel = (octets[0] & 15) << 8 | octets[1]
    kind = octets[2]
    fields: dict[str, Any] = {"logical_channel": channel}
    if not kind & 1:
        fields |= {
            "packet_type": "data",
            "qualified": bool(octets[0] & 0x80),
            "delivery_confirmation": bool(octets[0] & 0x40),
            "packet_send_number": kind >> 1 & 7,
            "packet_receive_number": kind >> 5,
            "more_data": bool(kind & 0x10),
        }
        return Packet("data", channel, fields, octets[3:], bool(kind & 0x10))
    name = _WHOLE_TYPES.get(kind)
    if name is None:
        name = _FLOW_TYPES.get(kind & 0x1F)
        if name is None:
            return None
        fields["packet_receive_number"] = kind >> 5
    fields["packet_type"] = name
    data = b""
    if name in ("call request", "call accepted") and len(octets) > 3:
        calls = _call(octets[3:])
        if calls is None:
            return None
        fields |= calls[0]
        data = calls[1]
    elif name in ("clear request", "reset request", "restart request", "diagnostic") and len(octets) > 3:
        fields["cause"] = octets[3]
        if len(octets) > 4:
            fields["diagnostic"] = octets[4]
    return Packet(name, channel, fields, data)


def _call(octets: bytes) -> tuple[dict[str, Any], bytes] | None:
    """Read addresses, facilities and user data of a call."""
    calling, called = octets[0] >> 4, octets[0] & 15
    size = (calling + called + 1) // 2
    digits = octets[1 : 1 + size].hex()
    rest = octets[1 + size :]
    if len(digits) < calling + called:
        return None
    fields = {
        "called_address": digits[:called].upper(),
        "calling_address": digits[called : called + calling].upper(),
    }
    if not rest:
        return fields, b""
    if len(rest) < 1 + rest[0]:
        return None
    fields["facilities_hex"] = rest[1 : 1 + rest[0]].hex().upper()
    return fields, rest[1 + rest[0] :]


def network(octets: bytes) -> dict[str, Any]:
    """Give the fields of a network protocol data unit; always with what is left as `payload_hex`."""
    fields: dict[str, Any] = {}
    rest = octets
    if octets[:1] == b"\x81":
        got = _connectionless(octets)
        if got:
            fields, rest = got
    elif octets[:1] == b"\x82":
        got = _routing(octets)
        if got:
            fields, rest = got
    elif octets:
        fields = {"network_protocol": "ISO 8473 with compressed header or another"}
    if fields.get("network_type") == "data" and not fields.get("segment_offset"):
        transport, rest = _transport(rest)
        fields |= transport
    fields["payload_hex"] = rest.hex().upper()
    return fields


def _connectionless(octets: bytes) -> tuple[dict[str, Any], bytes] | None:
    """Read a whole ISO 8473 header, and whether its checksum is right."""
    if len(octets) < 11 or not 11 <= octets[1] <= len(octets) or octets[2] != 1:
        return None
    head, rest = octets[: octets[1]], octets[octets[1] :]
    flags = head[4]
    fields: dict[str, Any] = {
        "network_protocol": "ISO 8473",
        "network_type": _NETWORK_TYPES.get(flags & 0x1F, f"type {flags & 0x1F}"),
        "lifetime_s": head[3] / 2,
        "more_segments": bool(flags & 0x40),
        "network_check": "none" if head[7:9] == b"\0\0" else "pass" if _sums_right(head) else "fail",
    }
    at = 9
    for name in ("network_destination", "network_source"):
        if at >= len(head) or at + 1 + head[at] > len(head):
            return None
        fields[name] = head[at + 1 : at + 1 + head[at]].hex().upper()
        at += 1 + head[at]
    if flags & 0x80:
        if at + 6 > len(head):
            return None
        fields["segment_offset"] = int.from_bytes(head[at + 2 : at + 4], "big")
    return fields, rest


def _sums_right(head: bytes) -> bool:
    """Tell whether both sums of ISO 8473's header checksum are zero modulo 255."""
    c0 = c1 = 0
    for octet in head:
        c0 = (c0 + octet) % 255
        c1 = (c1 + c0) % 255
    return c0 == 0 and c1 == 0


def _routing(octets: bytes) -> tuple[dict[str, Any], bytes] | None:
    """Read a hello of ISO 9542."""
    if len(octets) < 10 or not 10 <= octets[1] <= len(octets) or octets[2] != 1:
        return None
    head, rest = octets[: octets[1]], octets[octets[1] :]
    kind = head[4] & 0x1F
    fields: dict[str, Any] = {
        "network_protocol": "ISO 9542",
        "network_type": _ROUTING_TYPES.get(kind, f"type {kind}"),
        "holding_time_s": int.from_bytes(head[5:7], "big"),
        "network_check": "none" if head[7:9] == b"\0\0" else "pass" if _sums_right(head) else "fail",
    }
    if kind == 4:
        fields["network_entity_title"] = head[10 : 10 + head[9]].hex().upper()
    return fields, rest


def _transport(octets: bytes) -> tuple[dict[str, Any], bytes]:
    """Read an ISO 8073 header; what follows it is left."""
    if len(octets) < 2 or octets[0] < 4 or 1 + octets[0] > len(octets):
        return {}, octets
    head, rest = octets[: 1 + octets[0]], octets[1 + octets[0] :]
    name = _TRANSPORT_TYPES.get(head[1] >> 4)
    if name is None:
        return {}, octets
    fields: dict[str, Any] = {
        "transport_type": name,
        "transport_destination_reference": int.from_bytes(head[2:4], "big"),
    }
    if head[1] >> 4 in (0xE, 0xD, 0x8, 0xC) and len(head) >= 6:
        fields["transport_source_reference"] = int.from_bytes(head[4:6], "big")
    if head[1] >> 4 in (0xE, 0xD) and len(head) >= 7:
        fields["transport_class"] = head[6] >> 4
    return fields, rest
