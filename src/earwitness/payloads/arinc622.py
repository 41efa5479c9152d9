"""Air traffic services over ACARS (ARINC 622): imbedded message identifiers, their CRC, and who they speak to.

A message is a ground facility's seven-character address, an imbedded message identifier (IMI), the aircraft's
registration in seven characters, the application's octets in hexadecimal and a CRC over IMI, registration and octets.
CRC and layout are from memory; three off-air messages, also from memory, agree with them. An application's octets are
decoded only when the CRC agrees.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from earwitness.coding.crc import CRC16_GENIBUS
from earwitness.payloads.ads_c import read_groups
from earwitness.payloads.fans_cpdlc import read_message

IDENTIFIERS = {
    "CR1": "controller-pilot connection request",
    "CC1": "controller-pilot connection confirmed",
    "DR1": "controller-pilot disconnect request",
    "AT1": "controller-pilot message",
    "ADS": "automatic dependent surveillance",
    "DIS": "automatic dependent surveillance, disconnect",
}
_SHAPE = re.compile(
    r"/?([A-Z0-9]{7})\.(" + "|".join(IDENTIFIERS) + r")([A-Z0-9.-]{7})((?:[0-9A-F]{2}){2,2048})(?![0-9A-Z])"
)
MOST_TEXT = 8000


@dataclass(frozen=True, slots=True)
class AirTraffic:
    """What an air traffic message says."""

    fields: Mapping[str, Any] = field(default_factory=dict)
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Imbedded:
    """One message with its parts apart; `right` tells whether its CRC agrees."""

    facility: str
    identifier: str
    registration: str  # seven characters, leading dots kept
    octets: bytes
    right: bool


def unpack(text: str) -> Imbedded | None:
    """Give the first message of this kind in a text; None when there is none."""
    m = _SHAPE.search(re.sub(r"\s+", "", text[:MOST_TEXT]))
    if not m:
        return None
    raw = bytes.fromhex(m[4])
    right = check(m[2], m[3], raw[:-2]) == int.from_bytes(raw[-2:], "big")
    return Imbedded(m[1], m[2], m[3], raw[:-2], right)


def check(identifier: str, registration: str, octets: bytes) -> int:
    """Give the CRC over IMI, registration and octets."""
    return CRC16_GENIBUS.of((identifier + registration).encode("ascii") + octets)


def pack(facility: str, identifier: str, registration: str, octets: bytes) -> str:
    """Give the text of a message; `registration` without dots is filled with them."""
    tail = registration.rjust(7, ".")
    crc = check(identifier, tail, octets)
    return f"/{facility}.{identifier}{tail}{octets.hex().upper()}{crc:04X}"


def read(text: str, *, downlink: bool) -> AirTraffic | None:
    """Give what a text says when it is a message of this kind; None otherwise.

    One whose CRC does not agree (cut short, or altered) is named as such and not decoded.
    """
    found = unpack(text)
    if found is None:
        return None
    fields: dict[str, Any] = {
        "air_traffic_message": IDENTIFIERS[found.identifier],
        "facility": found.facility,
        "imbedded_identifier": found.identifier,
        "application_registration": found.registration.strip("."),
        "application_hex": found.octets.hex().upper(),
        "application_check": "pass" if found.right else "fail",
    }
    if not found.right:
        return AirTraffic(fields)
    if found.identifier == "ADS":
        groups = read_groups(found.octets, downlink=downlink)
        fields |= groups.fields
        return AirTraffic(fields, groups.latitude_deg, groups.longitude_deg, groups.flags)
    if found.identifier == "DIS" or not found.octets:
        return AirTraffic(fields)
    message = read_message(found.octets, downlink=downlink)
    return AirTraffic(
        {**fields, **message.fields}, message.latitude_deg, message.longitude_deg, message.flags
    )
