"""Context management of the ATN: who logs on to whom, and at which addresses their applications are called.

Grammar (CMMessageSetVersion1, unaligned PER) from memory of ICAO Doc 9705 / 9880 part IV.
"""

from __future__ import annotations

from typing import Any

from earwitness.payloads.cpdlc_parts import airport, time_of_day
from earwitness.payloads.per import NotDecodedError, Reader

# Application entity qualifiers, from memory of Doc 9705 sub-volume IV.
APPLICATIONS = {0: "ADS", 1: "CM", 2: "CPDLC", 3: "FIS", 22: "protected CPDLC"}
MOST_LISTED = 32
ABORTS = (
    "timer expired", "undefined error", "invalid PDU", "protocol error", "dialogue acceptance not permitted",
    "dialogue end not accepted", "communication service error", "communication service failure",
    "invalid quality of service", "expected PDU missing",
)  # fmt: skip


def read_context(r: Reader, *, downlink: bool) -> dict[str, Any]:
    """Give the fields of the message that is all there is of `r`; NotDecodedError when it does not fit."""
    r.closed()
    if downlink:
        fields = (_logon, _contact_response, _abort)[r.number(0, 2)](r)
    else:
        kind = r.number(0, 5)
        if kind in (3, 5):
            raise NotDecodedError("forwarded between ground systems")
        readers = {0: _logon_response, 1: _update, 2: _contact, 4: _abort}
        fields = readers[kind](r)
    r.finish()
    return fields


def _logon(r: Reader) -> dict[str, Any]:
    there = r.flags(6)
    fields: dict[str, Any] = {"context_management": "logon request", "flight": r.text(2, 8)}
    fields["aircraft_transport_address"] = _long_address(r)
    if there[0]:
        fields["applications"] = _list(r, addressed=True)
    if there[1]:
        fields["applications_air_initiated"] = _list(r, addressed=False)
    if there[2]:
        fields["facility"] = r.text(4, 8)
    if there[3]:
        fields["departure"] = airport(r)
    if there[4]:
        fields["destination"] = airport(r)
    if there[5]:
        year, month, day = r.number(1996, 2095), r.number(1, 12), r.number(1, 31)
        fields["departure_time"] = f"{year}-{month:02d}-{day:02d} {time_of_day(r)}"
    return fields


def _answer(r: Reader, name: str) -> dict[str, Any]:
    there = r.flags(2)
    fields: dict[str, Any] = {"context_management": name}
    if there[0]:
        fields["applications"] = _list(r, addressed=True)
    if there[1]:
        fields["applications_ground_initiated"] = _list(r, addressed=False)
    return fields


def _logon_response(r: Reader) -> dict[str, Any]:
    return _answer(r, "logon response")


def _update(r: Reader) -> dict[str, Any]:
    return _answer(r, "update")


def _contact(r: Reader) -> dict[str, Any]:
    facility = r.text(4, 8)
    return {
        "context_management": "contact request",
        "facility": facility,
        "transport_address": _long_address(r),
    }


def _contact_response(r: Reader) -> dict[str, Any]:
    return {"context_management": "contact response", "contact": ("successful", "not successful")[r.bits(1)]}


def _abort(r: Reader) -> dict[str, Any]:
    return {"context_management": "abort", "abort_reason": r.name(ABORTS, open_ended=True)}


def _list(r: Reader, *, addressed: bool) -> list[dict[str, Any]]:
    """Give applications with their versions and, where `addressed`, how they are called."""
    count = r.number(1, 256)
    if count > MOST_LISTED:
        raise NotDecodedError(f"{count} applications")
    out = []
    for _ in range(count):
        number = r.number(0, 255)
        row: dict[str, Any] = {"application": APPLICATIONS.get(number, f"number {number}")}
        row["version"] = r.number(1, 255)
        if addressed:
            row["transport_address"] = _short_address(r) if r.bits(1) else _long_address(r)
        out.append(row)
    return out


def _long_address(r: Reader) -> str:
    domain = r.octets(5).hex().upper()
    return domain + _short_address(r)


def _short_address(r: Reader) -> str:
    with_area = r.bits(1)
    area = r.octets(3).hex().upper() if with_area else ""
    return area + r.octets(10 + r.bits(1)).hex().upper()
