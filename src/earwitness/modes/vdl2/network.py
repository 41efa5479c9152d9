"""What information frames carry besides ACARS: ISO 8208 packets, and in them the ATN's network and transport.

Read are the headers of ISO 8208, ISO 9542, ISO 10747, ISO 8473 and ISO 8073, and those the ATN's mobile subnetwork
function compresses to a local reference (ICAO Doc 9705 sub-volume V); all from memory. Since the size of a compressed
header is remembered only, a transport header must fit exactly behind it, or its own checksum must be right.
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
_CALL_PROTOCOL = 0xC1  # before the subnetwork function's parameters in a call's user data
_PROTOCOLS = {0x81: "ISO 8473", 0x82: "ISO 9542", 0x85: "ISO 10747"}
_NETWORK_TYPES = {0x1C: "data", 0x01: "error report", 0x1E: "echo request", 0x1F: "echo reply"}
_ROUTING_TYPES = {2: "end system hello", 4: "intermediate system hello", 6: "redirect"}
_DOMAIN_TYPES = {1: "open", 2: "update", 3: "error", 4: "keepalive", 5: "cease", 6: "refresh"}
_COMPRESSED_SIZES = range(3, 9)
_LOCAL_REFERENCE = 0x05  # option of a header whose later ones will be compressed
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
# After LI and code: octets of the fixed part in the normal and in the extended format.
_FIXED = {
    0xE: (5,), 0xD: (5,), 0x8: (5,), 0xC: (4,), 0xF: (3, 6), 0x6: (3, 8), 0x1: (3, 6), 0x2: (3, 6), 0x5: (3, 8), 0x7: (3,),
}  # fmt: skip
_WITH_CREDIT = (0xE, 0xD, 0x6, 0x5)  # the code octet's lower half is a credit, elsewhere zero
_WITHOUT_DATA = (
    "disconnect confirm",
    "data acknowledgement",
    "expedited acknowledgement",
    "reject",
    "error",
)
MOST_CONCATENATED = 8
_PARAMETERS = frozenset((0x08, *range(0x85, 0x90), *range(0xC0, 0xC8), 0xE0, 0xF0, 0xF1, 0xF2))
_CHECKSUM, _CHECKSUM_32 = 0xC3, 0x08
_DISCONNECT_REASONS = {
    0: "not specified",
    1: "congestion",
    2: "session entity not attached",
    3: "address unknown",
    128: "normal",
    129: "remote congestion",
    130: "negotiation failed",
    131: "duplicate source reference",
    132: "mismatched references",
    133: "protocol error",
    135: "reference overflow",
    136: "refused on this network connection",
    138: "invalid header",
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


@dataclass(frozen=True, slots=True)
class Unit:
    """A network protocol data unit: its fields, what it carries, and its place in a segmented whole."""

    fields: dict[str, Any] = field(default_factory=dict)
    payload: bytes = b""
    segment: tuple[str, int, int, bool] | None = None  # whose, offset, octets of the whole, more follow
    transport: Transport | None = None  # where the payload is one


@dataclass(frozen=True, slots=True)
class Transport:
    """A transport protocol data unit."""

    type: str
    fields: dict[str, Any]
    destination: int
    source: int | None
    data: bytes
    number: int = 0  # of a data unit, with how many bits it is counted
    number_bits: int = 7
    end: bool = True
    check: str = "none"  # its own checksum: "pass", "fail", "none", or "not checked"


def unit(octets: bytes) -> Unit:
    """Give the network protocol data unit of octets; what is no header known here is all payload."""
    first = octets[:1]
    if first == b"\x81":
        return _connectionless(octets) or Unit({}, octets)
    if first == b"\x82":
        return _routing(octets) or Unit({}, octets)
    if first == b"\x85":
        return _domain(octets) or Unit({}, octets)
    if len(octets) > 3 and first == bytes([_CALL_PROTOCOL]):
        return _call_parameters(octets) or Unit({}, octets)
    return _compressed(octets) or Unit({}, octets)


def _call_parameters(octets: bytes) -> Unit | None:
    """Read the subnetwork function's parameters in a call, and the unit that may follow them."""
    stop = 2 + octets[1]
    if not 4 <= stop <= len(octets) or (octets[stop:] and octets[stop] not in _PROTOCOLS):
        return None
    fields = {
        "subnetwork_function_version": octets[2],
        "subnetwork_function_hex": octets[3:stop].hex().upper(),
    }
    inner = unit(octets[stop:]) if octets[stop:] else Unit()
    return Unit({**fields, **inner.fields}, inner.payload, inner.segment, inner.transport)


def _connectionless(octets: bytes) -> Unit | None:
    """Read a whole ISO 8473 header, and whether its checksum is right."""
    if len(octets) < 11 or not 11 <= octets[1] <= len(octets) or octets[2] != 1:
        return None
    head = octets[: octets[1]]
    flags = head[4]
    size = int.from_bytes(head[5:7], "big")
    if len(head) < size <= len(octets):
        octets = octets[:size]  # what follows the segment is fill
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
        address = head[at + 1 : at + 1 + head[at]]
        fields[name] = address.hex().upper()
        if words := address_words(address):
            fields[f"{name}_words"] = words
        at += 1 + head[at]
    segment = None
    if flags & 0x80:
        if at + 6 > len(head):
            return None
        number, offset, total = (int.from_bytes(head[at + k : at + k + 2], "big") for k in (0, 2, 4))
        fields["segment_offset"] = offset
        whose = f"{fields['network_source']} {fields['network_destination']} {number}"
        segment = (whose, offset, total - len(head), bool(flags & 0x40))
        at += 6
    reference = _local_reference(head[at:])
    if reference is not None:
        fields["local_reference"] = reference
    rest = octets[len(head) :]
    if fields["network_type"] != "data" or fields["network_check"] == "fail":
        return Unit(fields, rest)
    if segment and (segment[1] or segment[3]):
        return Unit(fields, rest, segment)
    return carried(Unit(fields, rest))


def carried(whole: Unit) -> Unit:
    """Give a data unit with what its whole payload is: routing between domains, or transport."""
    if whole.payload[:1] == b"\x85" and (domain := _domain(whole.payload)):
        return Unit({**whole.fields, **domain.fields}, domain.payload)
    found = transport(whole.payload)
    if found is None:
        return whole
    return Unit({**whole.fields, **found.fields}, found.data, None, found)


_SYSTEMS = {0x01: "fixed AINSC", 0x41: "mobile AINSC", 0x81: "fixed ATSC", 0xC1: "mobile ATSC"}


def address_words(octets: bytes) -> str | None:
    """Give an ATN network address in words: whose system it is and, of a mobile one, the aircraft's 24 bits.

    Layout of the twenty octets from memory of Doc 9705 sub-volume V: 47 0027, version, three of administration, a
    format octet, three of routing area, then location, system and selector. None for addresses of another shape.
    """
    if len(octets) not in (19, 20) or octets[:3] != b"\x47\x00\x27" or octets[3] not in _SYSTEMS:
        return None
    administration = octets[4:7]
    letters = all(0x41 <= octet <= 0x5A for octet in administration)
    name = administration.decode("ascii") if letters else administration.hex().upper()
    words = f"{_SYSTEMS[octets[3]]}, administration {name}"
    return f"{words}, aircraft {octets[8:11].hex().upper()}" if octets[3] & 0x40 else words


def _local_reference(options: bytes) -> int | None:
    """Give the reference that a header's options name for its compression; None when they do not."""
    at = 0
    while at + 2 <= len(options):
        number, size = options[at], options[at + 1]
        if number == _LOCAL_REFERENCE and at + 2 + size <= len(options) and size in (1, 2):
            return int.from_bytes(options[at + 2 : at + 2 + size], "big")
        at += 2 + size
    return None


def _compressed(octets: bytes) -> Unit | None:
    """Read a compressed header and the transport unit behind it; None when none fits.

    Layout: type and priority, lifetime, flags, local reference in one octet or, where its first bit is set, in two,
    and perhaps the unit's identifier of two octets.
    """
    if len(octets) < 8:
        return None
    longer = octets[3] >> 7
    usual = (4 + longer, 6 + longer)
    best: tuple[int, Transport] | None = None
    for size in sorted(_COMPRESSED_SIZES, key=lambda size: size not in usual):
        found = transport(octets[size:])
        if found and (found.check == "pass" or (best is None and size in usual)):
            best = size, found
            if found.check == "pass":
                break
    if best is None:
        return None
    fields = {
        "network_protocol": "ISO 8473, compressed",
        "network_type": "data",
        "network_header_hex": octets[: best[0]].hex().upper(),
        "priority": octets[0] & 15,
        "lifetime_s": octets[1] / 2,
    }
    if best[0] in usual:
        fields["local_reference"] = octets[3] if not longer else (octets[3] & 0x7F) << 8 | octets[4]
    return Unit({**fields, **best[1].fields}, best[1].data, None, best[1])


def _sums_right(octets: bytes) -> bool:
    """Tell whether both sums of ISO 8473's and ISO 8073's checksum are zero modulo 255."""
    c0 = c1 = 0
    for octet in octets:
        c0 += octet
        c1 += c0
    return c0 % 255 == 0 and c1 % 255 == 0


def _routing(octets: bytes) -> Unit | None:
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
        title = head[10 : 10 + head[9]]
        fields["network_entity_title"] = title.hex().upper()
        if words := address_words(title):
            fields["network_entity_words"] = words
    return Unit(fields, rest)


def _domain(octets: bytes) -> Unit | None:
    """Read the head of a unit of ISO 10747."""
    if (
        len(octets) < 30
        or int.from_bytes(octets[1:3], "big") != len(octets)
        or octets[3] not in _DOMAIN_TYPES
    ):
        return None
    fields = {
        "network_protocol": "ISO 10747",
        "network_type": _DOMAIN_TYPES[octets[3]],
        "routing_sequence": int.from_bytes(octets[4:8], "big"),
        "routing_acknowledgement": int.from_bytes(octets[8:12], "big"),
    }
    return Unit(fields, octets[30:])


def transport(octets: bytes) -> Transport | None:
    """Give the ISO 8073 unit of octets; None unless headers are filled exactly by parts that are known.

    Units that carry no user data may stand before it (concatenation): they are named in `transport_before`.
    """
    before: list[str] = []
    while len(before) < MOST_CONCATENATED:
        found = _one_transport(octets)
        if found is None:
            return None
        if before:
            found.fields["transport_before"] = before
        alone = found.type in _WITHOUT_DATA
        if not alone or not found.data or found.check == "fail":
            return found
        before = [*before, found.type]
        octets = found.data
    return None


def _one_transport(octets: bytes) -> Transport | None:
    """Give the unit that octets begin with; what follows one that carries no data is given as its data too."""
    if len(octets) < 5 or not 4 <= octets[0] < min(255, len(octets)):
        return None
    head = octets[: 1 + octets[0]]
    code = head[1] >> 4
    if code not in _FIXED or (code not in _WITH_CREDIT and head[1] & 15):
        return None
    for fixed in _FIXED[code]:
        parameters = _transport_parameters(head[2 + fixed :]) if len(head) >= 2 + fixed else None
        if parameters is not None:
            return _transport_unit(code, head, fixed, parameters, octets)
    return None


def _transport_parameters(octets: bytes) -> dict[int, bytes] | None:
    """Give the parameters that fill octets exactly; None when they do not or one is not known."""
    out: dict[int, bytes] = {}
    at = 0
    while at < len(octets):
        if at + 2 > len(octets) or octets[at] not in _PARAMETERS or at + 2 + octets[at + 1] > len(octets):
            return None
        out[octets[at]] = octets[at + 2 : at + 2 + octets[at + 1]]
        at += 2 + octets[at + 1]
    return out


def _transport_unit(
    code: int, head: bytes, size: int, parameters: dict[int, bytes], octets: bytes
) -> Transport | None:
    """Give the unit of a header whose fixed part has `size` octets behind the code."""
    name = _TRANSPORT_TYPES[code]
    fixed, rest = head[2 : 2 + size], octets[len(head) :]
    destination = int.from_bytes(fixed[:2], "big")
    fields: dict[str, Any] = {"transport_type": name, "transport_destination_reference": destination}
    source = None
    number, number_bits, end = 0, 7, True
    if code in (0xE, 0xD, 0x8, 0xC):
        source = int.from_bytes(fixed[2:4], "big")
        fields["transport_source_reference"] = source
    if code in (0xE, 0xD):
        fields["transport_class"] = fixed[4] >> 4
        if fixed[4] >> 4 > 4:
            return None
        for key, which in ((0xC1, "transport_calling"), (0xC2, "transport_called")):
            if key in parameters:
                fields[which] = parameters[key].hex().upper()
    elif code == 0x8:
        fields["transport_reason"] = _DISCONNECT_REASONS.get(fixed[4], f"reason {fixed[4]}")
    elif code in (0xF, 0x1):
        number_bits = 8 * (len(fixed) - 2) - 1
        value = int.from_bytes(fixed[2:], "big")
        end, number = bool(value >> number_bits), value & ((1 << number_bits) - 1)
        fields |= {"transport_number": number, "transport_end": end}
    elif code in (0x6, 0x5, 0x2):
        fields["transport_number"] = int.from_bytes(fixed[2:3] if len(fixed) == 3 else fixed[2:6], "big")
    check = "none"
    if _CHECKSUM in parameters:
        check = "pass" if _sums_right(head if name in _WITHOUT_DATA else octets) else "fail"
    elif _CHECKSUM_32 in parameters:
        check = "not checked"  # it also covers addresses that are not sent here
    fields["transport_check"] = check
    return Transport(name, fields, destination, source, rest, number, number_bits, end, check)
