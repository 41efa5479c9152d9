"""What belongs together of the ATN over VDL Mode 2: segments, transport units, who opened what, for each aircraft.

All that waits is bounded in number, size and time; what is forgotten or missing only means that a message is not
decoded.
"""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

from earwitness.modes.vdl2.network import Transport, Unit, carried, unit
from earwitness.payloads.atn_cpdlc import ProtectedMessage, message_checksum
from earwitness.payloads.atn_upper import covered_orders, read_upper

MOST_OPEN = 64  # of each kind of thing that waits
MOST_OCTETS = 16_384  # of one
MOST_SEGMENTS = 64
LONGEST_GAP_NS = 120_000_000_000  # between parts of one
MOST_CONNECTIONS = 1024  # remembered with the application they were opened for
MOST_AIRCRAFT = 1024  # with flight and facilities
MOST_FACILITIES = 4

Kept = TypeVar("Kept")


@dataclass(frozen=True, slots=True)
class Read:
    """What a network unit says, and what is left of it in octets."""

    fields: dict[str, Any] = field(default_factory=dict)
    payload: bytes = b""
    message: ProtectedMessage | None = None


@dataclass(slots=True)
class _Segments:
    time_ns: int
    parts: dict[int, bytes] = field(default_factory=dict)


@dataclass(slots=True)
class _Units:
    time_ns: int
    number: int  # of the last
    data: bytes


@dataclass(slots=True)
class _Connection:
    """A transport connection, known by the references of both ends."""

    application: int | None = None  # entity qualifier it was opened for


# Whose aircraft, whether it is the aircraft's own end, and the reference that end is called by.
_End = tuple[str, bool, int]


@dataclass(slots=True)
class _Aircraft:
    flight: str = ""
    facilities: list[str] = field(default_factory=list)


class Connections:
    """One per survey stretch, fed in time order with the network units of all links."""

    def __init__(self) -> None:
        self._segments: OrderedDict[tuple[str, str], _Segments] = OrderedDict()
        self._units: OrderedDict[tuple[str, bool, int], _Units] = OrderedDict()
        self._ends: OrderedDict[_End, _Connection] = OrderedDict()
        self._aircraft: OrderedDict[str, _Aircraft] = OrderedDict()

    def feed(self, now_ns: int, aircraft: str, octets: bytes, *, downlink: bool) -> Read:
        """Give what a network unit says; `aircraft` is the 24-bit address of the link it came over, in hex."""
        got = unit(octets)
        if got.segment:
            got = self._joined(now_ns, aircraft, got)
        if got.transport is None:
            return Read(got.fields, got.payload)
        if got.transport.check == "fail":
            return Read(got.fields, got.payload)
        connection = self._connection(aircraft, got.transport, downlink)
        data, fields = self._data(now_ns, aircraft, got.transport, downlink)
        fields = {**got.fields, **fields}
        if not data:
            return Read(fields, got.payload)
        return self._upper(aircraft, connection, data, fields, downlink)

    def _joined(self, now_ns: int, aircraft: str, got: Unit) -> Unit:
        """Give the whole unit when this segment completes it, else the segment as it is."""
        if got.segment is None:
            return got
        whose, offset, total, _ = got.segment
        key = (aircraft, whose)
        held = self._segments.get(key)
        if held is None or now_ns - held.time_ns > LONGEST_GAP_NS:
            held = _Segments(now_ns)
        held.time_ns = now_ns
        held.parts[offset] = got.payload
        whole = b""
        while len(whole) in held.parts and held.parts[len(whole)]:
            whole += held.parts[len(whole)]
        if len(whole) == total:
            self._segments.pop(key, None)
            return carried(
                replace(got, fields={**got.fields, "network_segments": len(held.parts)}, payload=whole)
            )
        if sum(map(len, held.parts.values())) > MOST_OCTETS or len(held.parts) > MOST_SEGMENTS:
            self._segments.pop(key, None)
        else:
            _keep(self._segments, key, held, MOST_OPEN)
        return got

    def _data(
        self, now_ns: int, aircraft: str, got: Transport, downlink: bool
    ) -> tuple[bytes, dict[str, Any]]:
        """Give the user data that a transport unit completes, and what is to be said of that."""
        if got.type in ("connection request", "connection confirm", "disconnect request"):
            return got.data, {}
        if got.type != "data":
            return b"", {}
        key = (aircraft, downlink, got.destination)
        held = self._units.get(key)
        if held and now_ns - held.time_ns > LONGEST_GAP_NS:
            del self._units[key]
            held = None
        if held and got.number == held.number:
            return b"", {"transport_repeated": True}
        before, missing = b"", False
        if held:
            del self._units[key]
            missing = got.number != (held.number + 1) % (1 << got.number_bits)
            before = b"" if missing else held.data
        whole = before + got.data
        if not got.end and len(whole) <= MOST_OCTETS:
            _keep(self._units, key, _Units(now_ns, got.number, whole), MOST_OPEN)
            return b"", {}
        return whole, {"transport_incomplete": True} if missing else {}

    def _connection(self, aircraft: str, got: Transport, downlink: bool) -> _Connection:
        """Give the connection a unit belongs to: opened by a request, known by both ends once that is confirmed."""
        to: _End = (aircraft, not downlink, got.destination)
        known = self._ends.get(to)
        if got.type == "connection request" or known is None:
            known = _Connection()
        if got.source is None:
            _keep(self._ends, to, known, MOST_CONNECTIONS)
            return known
        of: _End = (aircraft, downlink, got.source)
        if got.type in ("disconnect request", "disconnect confirm"):
            self._ends.pop(to, None)
            self._ends.pop(of, None)
            return known
        if got.type == "connection confirm":
            _keep(self._ends, to, known, MOST_CONNECTIONS)
        _keep(self._ends, of, known, MOST_CONNECTIONS)
        return known

    def _upper(
        self, aircraft: str, connection: _Connection, data: bytes, fields: dict[str, Any], downlink: bool
    ) -> Read:
        """Read the upper layers of whole user data; remember what a connection is for and who speaks."""
        found = read_upper(data, downlink=downlink, application=connection.application)
        if found.application is not None:
            connection.application = found.application
        fields = {**fields, **found.fields}
        if "controller_pilot" in fields or "context_management" in fields:
            fields["direction"] = "downlink" if downlink else "uplink"
        self._remember(aircraft, found.fields)
        if found.message is not None and found.message.covered is not None:
            fields |= self._integrity(aircraft, found.message)
        undone = "upper_hex" in found.fields or "application_hex" in found.fields
        return Read(fields, data if undone else b"", found.message)

    def _remember(self, aircraft: str, fields: dict[str, Any]) -> None:
        """Remember flight and facilities that context management names; integrity checks cover them."""
        if "context_management" not in fields:
            return
        known = self._aircraft.get(aircraft) or _Aircraft()
        known.flight = str(fields.get("flight") or known.flight)
        if facility := fields.get("facility"):
            kept = [item for item in known.facilities if item != facility]
            known.facilities = [*kept, str(facility)][-MOST_FACILITIES:]
        _keep(self._aircraft, aircraft, known, MOST_AIRCRAFT)

    def _integrity(self, aircraft: str, message: ProtectedMessage) -> dict[str, Any]:
        """Tell whether the message's integrity check agrees; "not checked" where it covers what was not heard."""
        covered, known = message.covered, self._aircraft.get(aircraft)
        if covered is None or message.check is None:
            return {"integrity": "not checked"}
        named = known or _Aircraft()
        for facility in (*named.facilities, ""):
            for octets in covered_orders(named.flight, int(aircraft, 16), facility, covered):
                if message_checksum(octets) == message.check:
                    return {"integrity": "pass"}
        return {"integrity": "not checked"}


def _keep(kept: OrderedDict[Any, Kept], key: Any, value: Kept, most: int) -> None:
    """Put a value last and forget the oldest beyond `most`."""
    kept[key] = value
    kept.move_to_end(key)
    while len(kept) > most:
        kept.popitem(last=False)
