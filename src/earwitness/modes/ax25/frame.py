"""The AX.25 frame: address field, control, protocol; what makes an address field plausible.

Version 2.2 of the protocol (from memory; octet layout of addresses as reprinted in version 2): seven octets an
address, six characters shifted left one bit and a last octet of command/response, two reserved bits, SSID and
the extension bit, which is set in the last address only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from earwitness.core.errors import LayoutError
from earwitness.dsp.jit import kernel

LEAST_OCTETS = 15  # two addresses and a control octet
MOST_OCTETS = 600  # 256 of information are the default; some satellites send more
MOST_ADDRESSES = 10
UI = 0x03
POLL = 0x10
NO_LAYER_3 = 0xF0

_UNNUMBERED = {0x2F: "SABM", 0x6F: "SABME", 0x43: "DISC", 0x0F: "DM", 0x63: "UA", 0x87: "FRMR", UI: "UI", 0xAF: "XID", 0xE3: "TEST"}  # fmt: skip
_SUPERVISORY = ("RR", "RNR", "REJ", "SREJ")
PROTOCOLS = {
    0x01: "ISO 8208",
    0x06: "compressed TCP/IP",
    0x07: "uncompressed TCP/IP",
    0x08: "segment",
    0xC3: "TEXNET",
    0xC4: "link quality",
    0xCA: "Appletalk",
    0xCB: "Appletalk ARP",
    0xCC: "IP",
    0xCD: "ARP",
    0xCE: "FlexNet",
    0xCF: "NET/ROM",
    NO_LAYER_3: "none",
    0xFF: "escape",
}


@kernel("int64(uint8[:], int64, int64)")
def _odd_characters(octets: np.ndarray, at: int, shift: int) -> int:
    """Count what a call sign of six octets should not hold: other than A-Z 0-9, padded with spaces at its end."""
    odd = 0
    ended = False
    for i in range(at, at + 6):
        raw = octets[i]
        if shift and raw & 1:
            odd += 1
            continue
        char = raw >> shift
        if char == 32:
            ended = True
        elif not (48 <= char <= 57 or 65 <= char <= 90) or ended:
            odd += 1
    return odd


@kernel("int64(uint8[:], int64)")
def odd_octets(octets: np.ndarray, count: int) -> int:
    """Give how many octets of the first two addresses are not as the protocol has them, of `count` held."""
    if count < 14:
        return 14
    odd = _odd_characters(octets, 0, 1) + _odd_characters(octets, 7, 1)
    return odd + (octets[6] & 1)


@kernel("int64(uint8[:], int64, int64)")
def odd_head(bits: np.ndarray, start: int, stop: int) -> int:
    """Give `odd_octets` of the frame whose first bit, stuffing still in, is bits[start]."""
    octets = np.zeros(14, np.uint8)
    held = 0
    ones = 0
    for i in range(start, stop):
        if bits[i]:
            ones += 1
            octets[held >> 3] |= np.uint8(1 << (held & 7))
        else:
            stuffed = ones == 5
            ones = 0
            if stuffed:
                continue
        held += 1
        if held == 112:
            break
    return odd_octets(octets, held >> 3)


@dataclass(frozen=True, slots=True)
class Address:
    """One address: call sign, SSID, and the bit that says command (or, of a repeater, "has repeated")."""

    call: str
    ssid: int
    marked: bool = False

    def __str__(self) -> str:
        return f"{self.call}-{self.ssid}" if self.ssid else self.call


@dataclass(frozen=True, slots=True)
class Ax25Frame:
    """One frame taken apart. `odd` counts octets of its addresses that are not as the protocol has them."""

    destination: Address
    source: Address
    path: tuple[Address, ...]
    control: int
    frame_type: str
    pid: int | None
    info: bytes
    odd: int = 0
    unshifted: bool = False


def frame_type(control: int) -> str:
    """Give the name of a control octet (modulo 8): I, RR, RNR, REJ, SREJ, UI, ... or empty when unknown."""
    if not control & 1:
        return "I"
    if not control & 2:
        return _SUPERVISORY[control >> 2 & 3]
    return _UNNUMBERED.get(control & ~POLL, "")


def parse(octets: bytes) -> Ax25Frame | None:
    """Take a frame (without FCS) apart; None when its address field or control octet is not plausible.

    Where all else is right, what is seen from satellites is let pass in an unnumbered information frame without
    layer 3: one odd character, or no extension bit after two addresses. So are call signs without the shift.
    """
    if len(octets) < LEAST_OCTETS:
        return None
    raw = np.array(bytearray(octets), np.uint8)
    odd = int(odd_octets(raw, len(raw)))
    if odd > 1:
        return _unshifted(octets)
    addresses: list[Address] = []
    at = 0
    while True:
        if at + 8 > len(octets) or len(addresses) == MOST_ADDRESSES:
            return None
        if at >= 14 and _odd_characters(raw, at, 1):
            return None
        addresses.append(_address(octets[at : at + 7]))
        at += 7
        if octets[at - 1] & 1:
            break
        if at == 14 and not odd and octets[at : at + 2] == bytes([UI, NO_LAYER_3]):
            odd = 1  # seen from satellites: the last address is not marked as such
            break
    if len(addresses) < 2:
        return None
    control = octets[at]
    kind = frame_type(control)
    rest = octets[at + 1 :]
    pid: int | None = None
    if kind in ("I", "UI"):
        if not rest:
            return None
        pid, rest = rest[0], rest[1:]
    elif not kind or (rest and kind not in ("FRMR", "XID", "TEST")):
        return None
    if odd and (kind, pid) != ("UI", NO_LAYER_3):
        return None
    return Ax25Frame(addresses[0], addresses[1], tuple(addresses[2:]), control, kind, pid, rest, odd)


def _address(raw: bytes) -> Address:
    call = "".join(chr(octet >> 1) for octet in raw[:6]).rstrip()
    return Address(call, raw[6] >> 1 & 15, bool(raw[6] & 0x80))


def _unshifted(octets: bytes) -> Ax25Frame | None:
    """Take apart a frame whose call signs are plain ASCII."""
    raw = np.array(bytearray(octets), np.uint8)
    if len(raw) < 16 or _odd_characters(raw, 0, 0) or _odd_characters(raw, 7, 0):
        return None
    if octets[0] == 32 or octets[7] == 32 or max(octets[6], octets[13]) > 15:
        return None
    calls = [octets[at : at + 6].decode("ascii").rstrip() for at in (0, 7)]
    control, pid = octets[14], octets[15]
    kind = frame_type(control) or "UI"
    return Ax25Frame(
        Address(calls[0], octets[6]),
        Address(calls[1], octets[13]),
        (),
        control,
        kind,
        pid,
        octets[16:],
        0,
        True,
    )


def read_address(text: str) -> Address:
    """Give the address of text like CALL-7, or CALL-7* when marked; LayoutError when it is none."""
    marked = text.endswith("*")
    call, _, ssid = text.rstrip("*").partition("-")
    if not 1 <= len(call) <= 6 or not (call.isascii() and call.isalnum() and call == call.upper()):
        raise LayoutError(f"{text!r} is no address; write it like AB1CDE-7")
    if ssid and not (ssid.isdigit() and int(ssid) < 16):
        raise LayoutError(f"{text!r}: an SSID is 0 to 15")
    return Address(call, int(ssid or 0), marked)


def build(
    source: str, destination: str, info: bytes, *, path: tuple[str, ...] = (), control: int = UI,
    pid: int | None = NO_LAYER_3,
) -> bytes:  # fmt: skip
    """Give the octets of a frame without FCS; the destination is marked as a command's."""
    rows = [read_address(destination), read_address(source), *map(read_address, path)]
    out = bytearray()
    for i, row in enumerate(rows):
        marked = row.marked or i == 0
        out += bytes(ord(char) << 1 for char in row.call.ljust(6))
        out.append(marked << 7 | 0x60 | row.ssid << 1 | (i == len(rows) - 1))
    out.append(control)
    if pid is not None:
        out.append(pid)
    return bytes(out) + info
