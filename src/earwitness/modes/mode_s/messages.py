"""From Mode S frames to messages: whose they are, what they say, where the aircraft is.

What is believed:

- DF17, 18, 19 and DF11 to interrogator 0 whose 24-bit parity is clean: as they are;
- frames whose parity is overlaid with an address (DF0, 4, 5, 16, 20, 21, 24), DF11 to other interrogators and
  every frame with corrected bits: only if a clean DF11, 17 or 18 of that address came within a minute
  before or within HOLD_S after, or if three frames of at least two different contents name the address
  within HOLD_S (chance frames: fewer than one in 2^48 triples);
- DF11 to other interrogators also needs its last seven bits, which no parity guards, read plainly, or the same
  interrogator read plainly within the last minute;
- an overlaid frame one uncertain bit away from a known address, if altitude or code agree with the known;
- none that names a known address but by one uncertain bit could be another known aircraft's.

Frames waiting for such support are held, so messages may come up to HOLD_S late; `close` gives the rest.
Positions need an even and an odd report: the first waits for its partner in the same way.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from functools import lru_cache
from math import floor
from typing import Any, NamedTuple

from earwitness.core.quick import maker
from earwitness.core.types import Bits, Frame, IdentityRef, Message
from earwitness.modes.mode_s import layouts
from earwitness.modes.mode_s.parity import LONG, SYNDROMES
from earwitness.modes.mode_s.position import decode_both, decode_within, within_nm
from earwitness.modes.mode_s.registers import Known, advisory_fields, infer
from earwitness.modes.mode_s.squitters import HEAD, POSITIONS, SQUAWK_FLAGS, read_position, read_squitter

SECOND = 1_000_000_000
KNOWN_S = 60
KNOWN_NS = KNOWN_S * SECOND
HOLD_S = 10
HOLD_NS = HOLD_S * SECOND
PAIR_S = 10
SURFACE_PAIR_S = 25
FRESH_S = 20
HELD_MOST = 20000
AIRCRAFT_MOST = 10000
NEVER = -(10**18)
OTHER = 1 << 24  # added to addresses that are not ICAO's, to keep their aircraft apart

_CAPABILITY = {
    0: "level 1 transponder", 4: "level 2 or above, on ground", 5: "level 2 or above, airborne",
    6: "level 2 or above", 7: "downlink request or alert"}  # fmt: skip
_FLIGHT_STATUS = ("airborne", "on ground", "alert, airborne", "alert, on ground", "alert, ident", "ident")
_SOURCE = (
    "ADS-B", "ADS-B, other address", "TIS-B fine", "TIS-B coarse", "TIS-B or ADS-R management",
    "TIS-B fine, other address", "ADS-R", "reserved")  # fmt: skip
_INTERROGATED = {
    0: "short air-air surveillance", 4: "surveillance altitude reply", 5: "surveillance identity reply",
    16: "long air-air surveillance", 20: "Comm-B altitude reply", 21: "Comm-B identity reply",
    24: "Comm-D extended length message"}  # fmt: skip
_message = maker(Message)
_identity = maker(IdentityRef)
_tuple = tuple.__new__  # half the cost of calling a named tuple's class
_ME = (1 << 56) - 1
_NOTED = frozenset(("airborne velocity", "aircraft identification", "emergency and priority status"))


class _Report(NamedTuple):
    """A position report: time, raw coordinates, surface or not."""

    time_ns: int
    raw: tuple[int, int]
    surface: bool
    speed_kn: float | None


@dataclass(slots=True)
class _Aircraft:
    """What is known of one address, each with the time it was said."""

    key: str  # six digits; an address that is not ICAO's is a name of its own
    clean_ns: int = NEVER
    callsign: str | None = None
    identity: IdentityRef | None = None  # as it was last told, without a place
    altitude_ft: float | None = None
    altitude_ns: int = NEVER
    squawk: str | None = None
    speed_kn: float | None = None
    track_deg: float | None = None
    motion_ns: int = NEVER
    all_call: tuple[int, dict[str, Any]] = (-1, {})  # capability and overlay of the last, and its fields
    reports: list[_Report | None] = field(default_factory=lambda: [None, None])
    position: tuple[float, float] | None = None
    position_ns: int = NEVER
    refused: int = 0
    waiting: deque[Message] = field(default_factory=deque)  # in order of time

    def call(self, callsign: str | None) -> None:
        """Note its call sign."""
        if callsign != self.callsign:
            self.callsign = callsign
            self.identity = None

    def named(self) -> IdentityRef:
        """Give it as it is told, without a place."""
        names = (self.callsign,) if self.callsign else ()
        self.identity = IdentityRef("aircraft", self.key, names)
        return self.identity


@dataclass(slots=True, eq=False)
class _Held:
    frame: Frame
    addresses: tuple[int, ...]
    done: bool = False


def _micro(degrees: float) -> float:
    """Give degrees to six places; `round` takes five times as long."""
    return floor(degrees * 1e6 + 0.5) / 1e6


def _beyond_head(fields: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in fields.items() if name not in HEAD}


def _key(address: int) -> str:
    return f"{address:06X}" if address < OTHER else f"~{address - OTHER:06X}"


@lru_cache(8192)  # aircraft repeat themselves; callers copy the fields
def _read_head(df: int, head: int) -> dict[str, Any]:
    """Give the fields of the first 32 bits of a surveillance, air-air or Comm-B reply."""
    if df in (0, 16):
        fields = (layouts.SHORT_AIR_AIR if df == 0 else layouts.LONG_AIR_AIR).read(head)
        information = fields["reply_information"]
        if 9 <= information <= 13:
            fields["maximum_airspeed_kn"] = (75, 150, 300, 600, 1200)[information - 9]
        return fields
    fields = (layouts.ALTITUDE_REPLY if df in (4, 20) else layouts.IDENTITY_REPLY).read(head)
    fields["flight_status_text"] = _FLIGHT_STATUS[fields["flight_status"]]
    return fields


class Assembler:
    """Turns the frames of one stretch into messages."""

    def __init__(self) -> None:
        self._aircraft: dict[int, _Aircraft] = {}
        self._held: deque[_Held] = deque()
        self._held_by: dict[int, list[_Held]] = {}
        self._waiting: deque[tuple[int, int]] = deque()
        self._due_ns = 10**19  # when something that is held or waits has to go
        self._codes: dict[int, int] = {}  # interrogator code to the time it was last read plainly
        self._anywhere: tuple[float, float] | None = None  # the newest position of any aircraft

    def feed(self, frame: Frame) -> Iterable[Message]:
        """Take the next frame; gives what can be told now."""
        now = frame.time_ns
        out = self._let_go(now) if now > self._due_ns else []
        value, size = frame.bits
        df = value >> (size - 5)
        df = 24 if df > 24 else df  # a call costs more
        if size != (LONG if df >= 16 else 56):
            return out
        if df == 11 or 17 <= df <= 19:
            address = value >> (80 if df > 11 else 24) & 0xFFFFFF
            aircraft = self._aircraft.get(address)
            if frame.check == "pass":
                if aircraft is None:
                    aircraft = self._of(address)
                if df != 18 or value >> 104 & 7 in (0, 6):
                    before_ns = aircraft.clean_ns
                    aircraft.clean_ns = now
                    if now - before_ns > KNOWN_NS:
                        self._release(address, out)
            elif df == 11 and not self._code_believed(frame, int(frame.extra.get("remainder", 0))):
                return out
            elif aircraft is None or now - aircraft.clean_ns > KNOWN_NS:
                self._hold(frame, (address,))
                return out
            if df == 11:
                out.append(self._all_call(frame, aircraft))
            else:
                self._squitter(frame, df, address, aircraft, out)
            return out
        if df not in _INTERROGATED:
            return out
        remainder = int(frame.extra.get("remainder", 0))
        addresses = (remainder, *self._near(frame, remainder))
        if self._known(remainder, now) and self._plausible(frame, df, remainder):
            # a misread bit of the parity turns one aircraft into another: with neighbours' addresses, who can say
            if not any(self._known(address, now) for address in addresses[1:]):
                out.append(self._reply(frame, df, remainder))
            return out
        for address in addresses[1:]:
            if self._known(address, now):
                message = self._mended(frame, df, address, remainder)
                if message:
                    out.append(message)
                    return out
        self._hold(frame, addresses)
        self._agree(remainder, out)
        return out

    def close(self) -> Iterable[Message]:
        """Give the positions still waiting for a partner; held frames without support are dropped."""
        out: list[Message] = []
        for aircraft in self._aircraft.values():
            out += aircraft.waiting
            aircraft.waiting.clear()
        self._held.clear()
        self._held_by.clear()
        return sorted(out, key=lambda message: message.frame.time_ns)

    # whose it is

    def _known(self, address: int, time_ns: int) -> bool:
        aircraft = self._aircraft.get(address)
        return aircraft is not None and time_ns - aircraft.clean_ns <= KNOWN_NS

    def _code_believed(self, frame: Frame, code: int) -> bool:
        """Say whether the interrogator of an all-call was read plainly, in this one or one of the last minute.

        An error in the last seven bits would otherwise pass as another interrogator.
        """
        if frame.check == "corrected":
            return True
        if frame.extra.get("plain_code", True):
            self._codes[code] = frame.time_ns
            return True
        return frame.time_ns - self._codes.get(code, NEVER) <= KNOWN_NS

    def _release(self, address: int, out: list[Message]) -> None:
        for held in self._held_by.pop(address, ()):
            if held.done:
                continue
            frame = held.frame
            df = min(frame.bits.value >> (frame.bits.size - 5), 24)
            if df == 11:
                out.append(self._all_call(frame, self._of(address)))
            elif 17 <= df <= 19:
                self._squitter(frame, df, address, self._of(address), out)
            elif held.addresses[0] == address:
                if not self._plausible(frame, df, address):
                    continue
                out.append(self._reply(frame, df, address))
            else:
                message = self._mended(frame, df, address, held.addresses[0])
                if message is None:
                    continue
                out.append(message)
            held.done = True

    def _of(self, address: int) -> _Aircraft:
        aircraft = self._aircraft.get(address)
        if aircraft is None:
            if len(self._aircraft) >= AIRCRAFT_MOST:
                oldest = min(self._aircraft, key=lambda key: self._aircraft[key].clean_ns)
                del self._aircraft[oldest]
            aircraft = self._aircraft[address] = _Aircraft(_key(address))
        return aircraft

    def _hold(self, frame: Frame, addresses: tuple[int, ...]) -> None:
        held = _Held(frame, addresses)
        self._held.append(held)
        self._due_ns = min(self._due_ns, frame.time_ns + HOLD_NS)
        for address in addresses:
            self._held_by.setdefault(address, []).append(held)
        if len(self._held) > HELD_MOST:
            self._drop(self._held.popleft())

    def _drop(self, held: _Held) -> None:
        for address in held.addresses:
            same = self._held_by.get(address)
            if same and held in same:
                same.remove(held)  # the oldest stands first
                if not same:
                    del self._held_by[address]

    def _let_go(self, now_ns: int) -> list[Message]:
        limit = now_ns - HOLD_NS
        while self._held and self._held[0].frame.time_ns < limit:
            self._drop(self._held.popleft())
        out: list[Message] = []
        while self._waiting and self._waiting[0][0] < limit:
            _, address = self._waiting.popleft()
            aircraft = self._aircraft.get(address)
            while aircraft is not None and aircraft.waiting and aircraft.waiting[0].frame.time_ns < limit:
                out.append(aircraft.waiting.popleft())
        heads = [self._held[0].frame.time_ns] if self._held else []
        heads += [self._waiting[0][0]] if self._waiting else []
        self._due_ns = min(heads) + HOLD_NS if heads else 10**19
        return out

    def _agree(self, address: int, out: list[Message]) -> None:
        """Accept an address without squitters once three held frames of unlike content name it."""
        newest = self._held_by.get(address, [])[-8:]
        same = [held for held in newest if held.addresses[0] == address and not held.done]
        if address == 0 or len(same) < 3 or len({held.frame.bits for held in same}) < 2:
            return
        if any((held.frame.snr_db or 0.0) < 8 for held in same):
            return
        if not all(self._proper(held.frame) for held in same):
            return
        self._of(address).clean_ns = same[-1].frame.time_ns
        self._release(address, out)

    def _near(self, frame: Frame, remainder: int) -> tuple[int, ...]:
        """Give the addresses that flipping one of the least certain bits would lead to."""
        at = LONG - frame.bits.size
        weak = frame.extra.get("weak_bits")
        if not weak:
            return ()
        return tuple(remainder ^ SYNDROMES[at + place] for place in weak if 0 <= place < frame.bits.size)

    def _mended(self, frame: Frame, df: int, address: int, remainder: int) -> Message | None:
        at = LONG - frame.bits.size
        place = SYNDROMES.index(remainder ^ address) - at
        better = Bits(frame.bits.value ^ 1 << (frame.bits.size - 1 - place), frame.bits.size)
        candidate = replace(frame, bits=better, corrected_bits=1)
        if place < 5 or not self._plausible(candidate, df, address, strict=True):
            return None
        return self._reply(candidate, df, address)

    @staticmethod
    def _proper(frame: Frame) -> bool:
        """Say whether the bits that have only one sense have it."""
        value, size = frame.bits
        head = value >> (size - 32)
        df = head >> 27
        if df == 0:
            return not head & 0x01186000
        if df == 16:
            return not head & 0x03186000
        if df in (4, 5, 20, 21):
            return (head >> 24 & 7) <= 5
        return True

    def _plausible(self, frame: Frame, df: int, address: int, *, strict: bool = False) -> bool:
        """Weigh an overlaid frame against what is known of the aircraft; `strict` asks for agreement."""
        if not self._proper(frame):
            return False
        aircraft = self._aircraft.get(address)
        if aircraft is None:
            return not strict
        if frame.extra.get("garbled") and any(address ^ 1 << bit in self._aircraft for bit in range(24)):
            return False
        head = frame.bits.value >> (frame.bits.size - 32)
        if df in (0, 4, 16, 20):
            feet = layouts.altitude_ft(head & 0x1FFF)
            if feet is None:
                return not strict and head & 0x1FFF == 0
            age_s = abs(frame.time_ns - aircraft.altitude_ns) / SECOND
            if aircraft.altitude_ft is not None and age_s < KNOWN_S:
                return abs(feet - aircraft.altitude_ft) <= 500 + 150 * age_s
            return not strict
        if df in (5, 21):
            return not strict or layouts.squawk(head & 0x1FFF) == aircraft.squawk
        return not strict

    # what it says

    def _message(
        self,
        frame: Frame,
        kind: str,
        aircraft: _Aircraft,
        fields: dict[str, Any],
        check: str,
        flags: tuple[str, ...] = (),
        place: tuple[float, float] | None = None,
    ) -> Message:
        """Put it together; `place` comes as it is told, to six places."""
        who = aircraft.identity or aircraft.named()
        if place is not None:
            fields["latitude_deg"], fields["longitude_deg"] = place
            who = _identity("aircraft", who.key, who.names, *place)
        return _message(frame, kind, fields, check, who, (), flags)

    def _all_call(self, frame: Frame, aircraft: _Aircraft) -> Message:
        capability = frame.bits.value >> 48 & 7
        overlay = 0 if frame.check == "corrected" else int(frame.extra.get("remainder", 0))
        content = overlay << 3 | capability
        if aircraft.all_call[0] != content:
            fields = {
                "df": 11,
                "icao_address": aircraft.key,
                "capability": capability,
                "capability_text": _CAPABILITY.get(capability, "reserved"),
                "interrogator_code": overlay & 15 if overlay < 16 else None,
                "surveillance_identifier": (overlay & 15) + 16 * ((overlay >> 4) - 1)
                if overlay >= 16
                else None,
            }
            aircraft.all_call = content, fields
        return _message(
            frame,
            "all-call reply",
            aircraft.all_call[1].copy(),
            frame.check or "address",
            aircraft.identity or aircraft.named(),
            (),
            (),
        )

    def _reply(self, frame: Frame, df: int, address: int) -> Message:
        value, size = frame.bits
        aircraft = self._aircraft.get(address) or self._of(address)
        now = frame.time_ns
        fields: dict[str, Any] = {"df": df, "icao_address": aircraft.key}
        flags: tuple[str, ...] = ()
        if df == 24:
            fields |= layouts.EXTENDED_LENGTH.read(value >> 24)
            fields["elm_data"] = f"{fields['elm_data']:020X}"
            return self._message(frame, _INTERROGATED[df], aircraft, fields, "address")
        fields |= _read_head(df, value >> (size - 32))
        if df == 16 and value >> 72 & 0xFF == 0x30:
            fields |= advisory_fields(layouts.BDS_ADVISORY.read(value >> 24 & _ME))
            flags = ("resolution-advisory",)
        if df in (5, 21):
            aircraft.squawk = fields["squawk"]
            flags += SQUAWK_FLAGS.get(fields["squawk"], ())
        elif fields["altitude_ft"] is not None:
            aircraft.altitude_ft, aircraft.altitude_ns = fields["altitude_ft"], now
        if df in (20, 21):
            flags += self._comm_b(fields, Bits(value >> 24 & _ME, 56), aircraft, now)
        return self._message(frame, _INTERROGATED[df], aircraft, fields, "address", flags)

    def _comm_b(self, fields: dict[str, Any], bits: Bits, aircraft: _Aircraft, now: int) -> tuple[str, ...]:
        fresh = abs(now - aircraft.motion_ns) <= FRESH_S * SECOND
        known = Known(
            aircraft.altitude_ft if abs(now - aircraft.altitude_ns) <= FRESH_S * SECOND else None,
            aircraft.speed_kn if fresh else None,
            aircraft.track_deg if fresh else None,
            aircraft.callsign,
        )
        names, values = infer(bits, known)
        fields["comm_b_hex"] = bits.hex()
        fields["comm_b_register"] = names[0] if len(names) == 1 else None
        if len(names) > 1:
            fields["comm_b_candidates"] = list(names)
        for name, value in values.items():
            fields.setdefault(name, value)
        if fields["comm_b_register"] == "2,0":
            aircraft.call(fields["callsign"])
        return ("resolution-advisory",) if fields["comm_b_register"] == "3,0" else ()

    def _squitter(self, frame: Frame, df: int, address: int, aircraft: _Aircraft, out: list[Message]) -> None:
        value = frame.bits[0]
        code = value >> 104 & 7
        me = value >> 24 & _ME
        check = frame.check or "pass"
        fields: dict[str, Any] = {}
        if df == 18:
            fields = {"df": df, "icao_address": aircraft.key, "control_field": code, "source": _SOURCE[code]}
            if code in (1, 5) or (code in (2, 6) and self._other_address(me)):
                fields["address_kind"] = "not ICAO"
                address += OTHER  # its state is kept apart
                aircraft = self._of(address)
            if code in (3, 4, 7):
                fields["data_hex"] = f"{me:014X}"
                out.append(self._message(frame, _SOURCE[code], aircraft, fields, check))
                return
        elif df == 19:
            fields = {"df": df, "icao_address": aircraft.key}
            if code:
                fields["application_field"] = code
                out.append(self._message(frame, "military extended squitter", aircraft, fields, check))
                return
        now = frame.time_ns
        if me >> 51 not in POSITIONS:
            kind, flags, content = read_squitter(me)
            if df == 17:
                fields = content.copy()
                fields["icao_address"], fields["capability"] = aircraft.key, code
            else:
                fields |= _beyond_head(content)
            if kind in _NOTED:
                self._note(fields, kind, aircraft, now)
            out.append(_message(frame, kind, fields, check, aircraft.identity or aircraft.named(), (), flags))
            return
        kind, flags, content, raw = read_position(me)
        if df == 17:
            fields = content.copy()
            fields["icao_address"], fields["capability"] = aircraft.key, code
        else:
            fields |= _beyond_head(content)
        if content.get("altitude_ft") is not None:
            aircraft.altitude_ft, aircraft.altitude_ns = content["altitude_ft"], now
        if raw is None:
            out.append(self._message(frame, kind, aircraft, fields, check, flags))
            return
        surface = kind == "surface position"
        report = _tuple(_Report, (now, raw, surface, content["speed_kn"] if surface else None))
        place = self._place(report, content["odd"], aircraft)
        if place is None:
            message = self._message(frame, kind, aircraft, fields, check, flags)
            if aircraft.position is None:
                aircraft.waiting.append(message)
                self._waiting.append((now, address))
                self._due_ns = min(self._due_ns, now + HOLD_NS)
            else:
                out.append(message)
            return
        if aircraft.waiting:
            self._free(now, aircraft.position or place, aircraft, out)
        out.append(self._message(frame, kind, aircraft, fields, check, flags, place))

    @staticmethod
    def _other_address(me: int) -> bool:
        """Give the IMF bit of TIS-B and ADS-R reports: bit 8 of a position, 9 of a velocity, 21 of surface."""
        kind = me >> 51
        if 5 <= kind <= 8:
            return bool(me >> 35 & 1)
        if kind == 19:
            return bool(me >> 47 & 1)
        if 9 <= kind <= 22:
            return bool(me >> 48 & 1)
        return False

    @staticmethod
    def _note(fields: dict[str, Any], kind: str, aircraft: _Aircraft, now: int) -> None:
        """Keep what a squitter says of the aircraft to weigh later frames by."""
        if kind == "airborne velocity":
            if fields.get("speed_kn") is not None:
                aircraft.speed_kn, aircraft.track_deg = fields["speed_kn"], fields["track_deg"]
                aircraft.motion_ns = now
        elif kind == "aircraft identification":
            if "#" not in fields["callsign"]:
                aircraft.call(fields["callsign"] or None)
        elif kind == "emergency and priority status" and fields["squawk"] is not None:
            aircraft.squawk = fields["squawk"]

    # where it is

    def _place(self, report: _Report, odd: bool, aircraft: _Aircraft) -> tuple[float, float] | None:
        """Work out where a report says the aircraft is; None where that is open or cannot be.

        The aircraft keeps the place as it is, and what is given is told: to six places.
        """
        now, raw, surface, _ = report
        other = aircraft.reports[not odd]
        aircraft.reports[odd] = report
        last = aircraft.position
        if last is not None:
            age_ns = now - aircraft.position_ns
            if age_ns <= KNOWN_NS:
                age_s = age_ns / SECOND if age_ns > 0 else 0.0
                # DO-260B's test: no further than a fast aircraft gets, with half a mile for coding and jitter
                limit_nm = 0.5 + age_s * (0.05 if surface else 0.35)
                latitude_deg, longitude_deg, near, told_latitude_deg, told_longitude_deg = decode_within(
                    raw[0], raw[1], odd, last[0], last[1], surface, limit_nm
                )
                if near:
                    aircraft.position = self._anywhere = latitude_deg, longitude_deg
                    aircraft.position_ns = now
                    return told_latitude_deg, told_longitude_deg
                aircraft.refused += 1
                if aircraft.refused < 3:
                    return None
                aircraft.refused = 0
            aircraft.position = None
        found = self._global(report, other, odd)
        if found is None:
            return None
        aircraft.position = self._anywhere = found
        aircraft.position_ns = now
        return _micro(found[0]), _micro(found[1])

    def _free(self, now: int, place: tuple[float, float], aircraft: _Aircraft, out: list[Message]) -> None:
        """Give the earlier messages that waited for a position, now that one is known."""
        for earlier in aircraft.waiting:
            fields = earlier.fields
            away_s = abs(now - earlier.frame.time_ns) / SECOND
            *_, near, latitude_deg, longitude_deg = decode_within(
                *self._raw(earlier), fields["odd"], *place, "on_ground" in fields, 0.5 + 0.35 * away_s
            )
            out.append(self._located(earlier, latitude_deg, longitude_deg) if near else earlier)
        aircraft.waiting.clear()

    def _global(self, report: _Report, other: _Report | None, odd: bool) -> tuple[float, float] | None:
        if other is None or other.surface != report.surface:
            return None
        limit = PAIR_S
        near = None
        if report.surface:
            near = self._anywhere
            limit = SURFACE_PAIR_S if (report.speed_kn or 0) > 25 else 50
            if near is None:
                return None
        age_s = abs(report.time_ns - other.time_ns) / SECOND
        if age_s > limit:
            return None
        even_raw, odd_raw = (other.raw, report.raw) if odd else (report.raw, other.raw)
        both = decode_both(even_raw, odd_raw, near)
        # both reports must lead to places the aircraft can have been at
        if both is None or not within_nm(*both, 0.5 + 0.35 * age_s):
            return None
        found = both[odd]
        if near is not None and not within_nm(found, near, 500):
            return None
        return found

    @staticmethod
    def _raw(message: Message) -> tuple[int, int]:
        value = message.frame.bits.value
        return value >> 41 & 0x1FFFF, value >> 24 & 0x1FFFF

    @staticmethod
    def _located(message: Message, latitude_deg: float, longitude_deg: float) -> Message:
        fields = {**message.fields, "latitude_deg": latitude_deg, "longitude_deg": longitude_deg}
        who = message.identity
        if who is not None:
            who = _identity(who.kind, who.key, who.names, latitude_deg, longitude_deg)
        return _message(message.frame, message.kind, fields, message.check, who, (), message.flags)
