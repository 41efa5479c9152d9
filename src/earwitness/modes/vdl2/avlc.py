"""AVLC, the frames of VDL Mode 2: addresses, control octet, and octets of a frame from its parts.

Layout of addresses: ICAO Annex 10 vol. III 6.5.3 and figure 6-2 (read in a scan). Address types, meaning of the
status bits and control octets (ISO/IEC 13239 modulo 8): from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

from earwitness.core.errors import LayoutError

LEAST_OCTETS = 9  # two addresses and a control octet
MOST_OCTETS = 2100  # N1 may be up to 16 504 bits, from memory

ADDRESS_TYPES = {
    1: "aircraft",
    4: "ground station, ICAO administered",
    5: "ground station, ICAO delegated",
    7: "all stations",
}
AIRCRAFT = 1
GROUND = (4, 5)

_SUPERVISORY = {0: "RR", 1: "RNR", 2: "REJ", 3: "SREJ"}
_UNNUMBERED = {0x03: "UI", 0x0F: "DM", 0x43: "DISC", 0x63: "UA", 0x87: "FRMR", 0xAF: "XID", 0xE3: "TEST"}
CONTROL_TEXT = {
    "I": "information",
    "RR": "receive ready",
    "RNR": "receive not ready",
    "REJ": "reject",
    "SREJ": "selective reject",
    "UI": "unnumbered information",
    "DM": "disconnected mode",
    "DISC": "disconnect",
    "UA": "unnumbered acknowledgement",
    "FRMR": "frame reject",
    "XID": "exchange identification",
    "TEST": "test",
}


@dataclass(frozen=True, slots=True)
class Address:
    """A 27-bit address: type (3 bits) and 24 bits; `flag` is the bit before it (status, or C/R)."""

    type: int
    address: int
    flag: bool = False

    @property
    def hex(self) -> str:
        """Give the 24 bits as six upper-case hexadecimal digits."""
        return f"{self.address:06X}"

    @property
    def type_text(self) -> str:
        """Give the type in words."""
        return ADDRESS_TYPES.get(self.type, f"reserved {self.type}")


@dataclass(frozen=True, slots=True)
class AvlcFrame:
    """One frame. The destination's flag tells that the sender is on the ground, the source's a response."""

    destination: Address
    source: Address
    control: int
    info: bytes


def proper(octets: bytes) -> bool:
    """Tell whether octets (without FCS) can be a frame: extension bits in place, a control octet known."""
    return (
        len(octets) >= LEAST_OCTETS
        and not any(octet & 1 for octet in octets[:7])
        and bool(octets[7] & 1)
        and control_name(octets[8]) is not None
    )


def parse(octets: bytes) -> AvlcFrame | None:
    """Give the frame of octets without flags and FCS; None when they cannot be one."""
    if not proper(octets):
        return None
    return AvlcFrame(address_of(octets[:4]), address_of(octets[4:8]), octets[8], octets[9:])


def build(frame: AvlcFrame) -> bytes:
    """Give the octets of a frame without flags and FCS. Raises LayoutError when a part does not fit."""
    for address in (frame.destination, frame.source):
        if not (0 <= address.type < 8 and 0 <= address.address < 1 << 24):
            raise LayoutError("an AVLC address has a type of 3 bits and 24 bits of address")
    head = address_octets(frame.destination) + address_octets(frame.source, last=True)
    return head + bytes([frame.control]) + frame.info


def address_of(octets: bytes) -> Address:
    """Give the address of four octets, each sent least significant bit first after an extension bit."""
    sent = "".join(f"{octet:08b}"[::-1][1:] for octet in octets)
    return Address(int(sent[1:4], 2), int(sent[4:], 2), sent[0] == "1")


def address_octets(address: Address, *, last: bool = False) -> bytes:
    """Give the four octets of an address; `last` sets the extension bit that ends the address field."""
    sent = f"{int(address.flag)}{address.type:03b}{address.address:024b}"
    octets = bytearray(int(sent[k : k + 7][::-1], 2) << 1 for k in range(0, 28, 7))
    octets[3] |= last
    return bytes(octets)


def control_name(control: int) -> str | None:
    """Give the short name of a control octet; None for one the standard does not define."""
    if not control & 1:
        return "I"
    if not control & 2:
        return _SUPERVISORY[control >> 2 & 3]
    return _UNNUMBERED.get(control & 0xEF)


def control_octet(name: str, *, poll: bool = False, send: int = 0, receive: int = 0) -> int:
    """Give the control octet of a short name. Raises LayoutError for an unknown name or number."""
    if not (0 <= send < 8 and 0 <= receive < 8):
        raise LayoutError("AVLC sequence numbers run from 0 to 7")
    final = poll << 4
    if name == "I":
        return receive << 5 | final | send << 1
    for code, known in _SUPERVISORY.items():
        if known == name:
            return receive << 5 | final | code << 2 | 1
    for code, known in _UNNUMBERED.items():
        if known == name:
            return code | final
    raise LayoutError(f"no AVLC control octet is called {name!r}")
