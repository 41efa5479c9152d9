"""One aircraft, one vessel: rules that tie identities of several modes together, each with its reason in words.

- "same": one downlink of an aircraft names its 24-bit address and its registration. They are joined.
- "perhaps": a flight is named alike by an address and by a registration. A hint: nothing is joined.
- "mentioned": a broadcast text names a vessel that the log knows.
- A voice over may carry the only aircraft whose data were heard around it, as a hint in its own row.

Two whom the user has parted stay parted, whatever rule would tie them again. A tie's id is made of both ends and the words of its rule (`log.ids`), so the
words are constant. Messages come in any order and recordings too: what is asked of the present is asked of what the
log remembers as well (`recall`). Everything here is bounded, and text from the air can at worst name somebody.
"""

from __future__ import annotations

import re
from collections import OrderedDict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from earwitness.core.times import parse_time
from earwitness.core.types import IdentityRef, Message
from earwitness.log.identities import id_of
from earwitness.log.queries import Queries
from earwitness.payloads.airlines import icao_designator

Row = dict[str, Any]

SAME_LINK = (
    "one frame of the data link bears both: it is sent from this 24-bit address, and the ACARS block it carries is "
    "of this registration"
)
SAME_NOTIFIED = (
    "one message names both: a facility notification (AFN) states this 24-bit address for the registration that "
    "sends it"
)
SAME_AIRFRAME = (
    "one message names both: a surveillance report (ADS-C) whose CRC is right states this 24-bit address, and the "
    "ACARS block that carries it is of this registration"
)
CONTRADICTED = "one message names both, yet one of them is tied to another already: not joined, one of the two is wrong or old"
SAME_FLIGHT = (
    "both named the same flight, designator and number alike, within 30 minutes: a hint, they are not joined"
)
SAME_NUMBER = (
    "both named the same flight within 30 minutes: the number is alike, and the two signs (IATA) and three letters "
    "(ICAO) before it are of one airline by a table from memory: a hint, they are not joined"
)
NAMED_BY = {
    "MMSI": "a text of this station gives the MMSI of the vessel",
    "call sign": "a text of this station gives a call sign that only this vessel has in the log",
    "name": "a text of this station names a ship as only this vessel is named in the log",
}
HEARD_ALONE = (
    "the only aircraft whose data were heard on this recording within 60 s of the voice: a hint, nothing shows that "
    "it spoke"
)

FLIGHT_NS = 30 * 60 * 1_000_000_000
AGAIN_NS = 60 * 1_000_000_000  # a tie and a name are noted again this often
AROUND_NS = 60 * 1_000_000_000  # of an over in which no second aircraft may be heard
LATE_NS = 15 * 1_000_000_000  # messages may come so long after they were on the air
LONGEST_OVER_NS = 300 * 1_000_000_000  # a stuck microphone is not somebody's voice
AIR_VOICE_HZ = (117.975e6, 137.0e6)  # the VHF band of the aeronautical mobile service, ICAO Annex 10 volume V
MOST = 20_000  # flights, names, ties remembered
TEXTS_BELOW_HZ = 5e6  # broadcasts of warnings: 490, 518 and 4209.5 kHz
CALL_SIGN_KINDS = ("static and voyage related data", "static data report")  # of AIS messages
MOST_TEXTS = 50  # of each station, taken from the log
TEXT_LIMIT = 20_000

_ADDRESS = re.compile(r"(?!000000|FFFFFF)[0-9A-F]{6}")
_REGISTRATION = re.compile(r"(?=.*[A-Z])[A-Z0-9][A-Z0-9-]{2,6}")
_MMSI = re.compile(r"[2-7]\d{8}", re.ASCII)
# Three letters (ICAO) or two signs (IATA) for the operator, then the number: leading zeros say nothing.
_FLIGHT = re.compile(r"([A-Z]{3}|[A-Z][A-Z0-9]|[0-9][A-Z])0*([1-9]\d{0,3}[A-Z]{0,2})", re.ASCII)


# -- aircraft ----------------------------------------------------------------------------------------


def flight_of(text: object) -> str | None:
    """Give operator and number of a flight without idle zeros, as they compare; None if it is no flight."""
    found = _FLIGHT.fullmatch(text.strip()) if isinstance(text, str) and len(text) <= 10 else None
    return f"{found[1]} {found[2]}" if found else None


def _call_sign(flight: str) -> str:
    """Give a flight as its call sign would be, where the airline's designators are known."""
    operator, number = flight.split()
    return f"{icao_designator(operator)} {number}"


def both_named(message: Message) -> tuple[str, str, str] | None:
    """Give the 24-bit address, the registration and the rule when a downlink names both of one aircraft.

    None when it names more than one address, or when what it says inside contradicts who sends it.
    """
    fields, who = message.fields, message.identity
    registration = fields.get("registration")
    if who is None or who.kind != "aircraft" or fields.get("direction") != "downlink":
        return None
    if not isinstance(registration, str) or not _REGISTRATION.fullmatch(registration):
        return None
    claims: dict[str, str] = {}
    if who.key != registration and _ADDRESS.fullmatch(who.key):
        claims[who.key] = SAME_LINK
    stated = fields.get("icao_address")
    notified = fields.get("notified_registration")
    if notified is not None and isinstance(stated, str):
        if _bare(notified) != _bare(registration):
            return None
        claims.setdefault(stated, SAME_NOTIFIED)
    groups = fields.get("surveillance_groups")
    if isinstance(groups, list) and fields.get("application_check") == "pass":
        for group in groups[:64]:
            if isinstance(group, Mapping) and group.get("group") == "airframe":
                if _bare(fields.get("application_registration")) != _bare(registration):
                    return None
                claims.setdefault(str(group.get("icao_address")), SAME_AIRFRAME)
    if len(claims) != 1:
        return None
    ((address, rule),) = claims.items()
    return (address, registration, rule) if _ADDRESS.fullmatch(address) else None


def _bare(registration: object) -> str:
    return re.sub("[^A-Z0-9]", "", str(registration))


# -- vessels in texts --------------------------------------------------------------------------------

# What stands before a ship's name in broadcasts (usage, no source). One word alone is taken for a name only after
# the first kind or in quotation marks: "VESSEL ADRIFT", "SHIP AGROUND" name nobody.
_PREFIX = r"M/?V|M/?T|M/?S|F/?V|S/?V|S/?Y|M/?Y|R/?V|NAMED"
_NOUN = r"VESSEL|SHIP|TANKER|TRAWLER|TUG|BARGE|YACHT|FERRY|CARRIER"
_CUE = re.compile(rf"(?<![A-Z0-9/])(?:({_PREFIX})|{_NOUN})[ \n]+(?=(['\"(]*)([^\x00-\x08]{{1,80}}))")
_CALL = re.compile(
    r"(?<![A-Z0-9])(?:CALL ?SIGN|C/S)[ :\n]{1,3}['\"]?((?=\d*[A-Z])[A-Z0-9]{4,8})(?![A-Z0-9/-])"
)
_NUMBER = re.compile(r"(?<![A-Z0-9])MMSI[ :\n]{1,3}([2-7]\d{8})(?!\d)", re.ASCII)
_WORD = re.compile(r"[A-Z0-9][A-Z0-9'&-]*")
_AFTER = frozenset((
    "ABANDONED", "ADRIFT", "AGROUND", "AND", "AT", "BOUND", "CALL", "CALLSIGN", "CAPSIZED", "DISABLED",
    "DRIFTING", "FLAG", "FROM", "HAS", "IMO", "IN", "IS", "LAST", "LAT", "LOST", "MISSING", "MMSI", "NAMED",
    "NEAR", "NOT", "OFF", "ON", "OVERDUE", "POSITION", "POSN", "PSN", "REPORTED", "REPORTS", "SANK",
    "SINKING", "STRANDED", "SUNK", "SUNKEN", "TOWED", "TOWING", "UNDER", "WAS", "WITH", "WRECK", "WRECKED",
))  # fmt: skip
_NO_NAME = _AFTER | frozenset((
    "ANCHOR", "BROKEN", "CABLE", "CARGO", "CLEAR", "EAST", "ENGAGED", "FIRE", "FISHING", "GALE", "HARBOUR",
    "ICE", "KEEP", "NORTH", "PILOT", "PORT", "RESCUE", "SEARCH", "SOUTH", "STORM", "TRAFFIC", "TRANSITING",
    "UNKNOWN", "UNLIT", "WARNING", "WEST", "WIDE",
))  # fmt: skip


def named_in(text: str) -> set[tuple[str, str]]:
    """Give whom a broadcast text names: ("MMSI" | "call sign" | "name", what stands there).

    Careful rather than complete: a name counts where a word for a ship stands before it and it ends at a mark, at a
    figure or at a word that goes on; names of fewer than four letters never do.
    """
    text = text[:TEXT_LIMIT].upper()
    out = {("MMSI", found[1]) for found in _NUMBER.finditer(text)}
    out |= {("call sign", found[1]) for found in _CALL.finditer(text)}
    for found in _CUE.finditer(text):
        sure = bool(found[1] or found[2])
        name = _name(found[3], quoted=bool(found[2]))
        if len(name.replace(" ", "")) < 4 or (" " not in name and (not sure or name in _NO_NAME)):
            continue
        out.add(("name", name))
    return out


def _name(text: str, *, quoted: bool) -> str:
    """Give the words up to the first mark, figure or word that goes on; nothing when there is no such end."""
    words: list[str] = []
    at = 0
    while len(words) < 6:
        found = _WORD.match(text, at)
        if found is None:
            return ""
        word = found[0].rstrip("'-")
        ends = word in _AFTER or (bool(words) and word[0].isdigit())
        if ends and not quoted:
            return " ".join(words)
        words.append(word)
        at = found.start() + len(word)
        rest = text[at:]
        if not rest.strip() or rest.lstrip()[0] in ".,;:'\")(/":
            return " ".join(words) if len(text) < 80 or rest.strip() else ""
        at += len(rest) - len(rest.lstrip())
    return ""


# -- all of them -------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Named:
    """When an aircraft first and last named a flight."""

    first_ns: int
    last_ns: int
    operator: str  # as it was named first

    def near(self, at_ns: int) -> bool:
        return min(abs(at_ns - self.first_ns), abs(at_ns - self.last_ns)) <= FLIGHT_NS


@dataclass(frozen=True, slots=True)
class _Text:
    """A broadcast that named somebody."""

    station: IdentityRef | str
    message_id: str
    time_ns: int


class Joins:
    """Looks at every message and over of a recording as it is logged; gives relations for the same batch."""

    def __init__(self) -> None:
        self._parted: set[tuple[str, str]] = set()
        self._told: OrderedDict[tuple[str, str, str], int] = OrderedDict()
        self._address: dict[str, str] = {}  # of a registration
        self._registration: dict[str, str] = {}  # of an address
        self._flights: OrderedDict[str, dict[str, _Named]] = OrderedDict()
        self._vessels: OrderedDict[tuple[str, str], set[str]] = OrderedDict()  # what names it -> MMSIs
        self._texts: OrderedDict[tuple[str, str], list[_Text]] = OrderedDict()
        self._known: set[tuple[str, str, str]] = set()  # vessels with name and call sign that were looked at
        self._heard: dict[int, set[str]] = {}  # second -> aircraft
        self._overs: list[Row] = []

    # -- from the log ----------------------------------------------------------------------------------

    def remember_relation(self, row: Mapping[str, Any]) -> None:
        """Take a relation that the log holds, as `Queries.relations` gives it."""
        if row["undone"]:
            self._parted.add(_pair(row["a"], row["b"]))
        elif row["relation"] == "same" and _ADDRESS.fullmatch(row["a_key"]):
            self._tie(row["a_key"], row["b_key"])

    def remember_aircraft(self, key: str, name: str | None, first_ns: int, last_ns: int) -> None:
        """Take a name of an aircraft from the log."""
        flight = flight_of(name)
        if flight and _is_aircraft(key):
            self._note_flight(flight, key, first_ns, last_ns)

    def remember_vessel(self, key: str, name: str | None, call_sign: object = None) -> None:
        """Take a vessel from the log, with a name or a call sign of it."""
        if _MMSI.fullmatch(key):
            self._note_vessel(key, name or "", call_sign)

    def remember_text(self, station: str, message_id: str, time_ns: int, text: str) -> None:
        """Take a broadcast text from the log; `station` is the identity's id."""
        for what in named_in(text):
            self._note_text(what, _Text(station, message_id, time_ns))

    # -- what is logged now ----------------------------------------------------------------------------

    def message(self, message: Message, message_id: str) -> list[Row]:
        """Take a message that is being logged under this id; give the relations it makes."""
        who, mode = message.identity, message.frame.mode
        if who is None:
            return []
        if who.kind == "aircraft":
            return self._aircraft(who, message, message_id)
        if who.kind == "vessel" and _MMSI.fullmatch(who.key):
            return self._vessel(who, message.fields.get("callsign"))
        text = message.fields.get("text")
        if mode == "navtex" and isinstance(text, str):
            heard = _Text(who, message_id, message.frame.time_ns)
            out: list[Row] = []
            for what in sorted(named_in(text)):
                self._note_text(what, heard)
                out += self._mention(what, [heard])
            return out
        return []

    def over(self, row: Row) -> None:
        """Take the row of an over: it waits until no aircraft heard around it can still be told."""
        low, high = AIR_VOICE_HZ
        if row["mode"] == "am" and low <= row["frequency_hz"] <= high:
            self._overs.append(row)

    def settle(self, position_ns: int, *, final: bool = False) -> list[Row]:
        """Give the rows of overs that now carry a hint; all up to `position_ns` has been surveyed."""
        out, waiting = [], []
        for row in self._overs:
            if not final and row["stop_ns"] + AROUND_NS + LATE_NS >= position_ns:
                waiting.append(row)
            elif key := self._alone(row["start_ns"], row["stop_ns"]):
                row["perhaps_identity"], row["perhaps_who"] = id_of(IdentityRef("aircraft", key)), key
                row["perhaps_rule"] = HEARD_ALONE
                out.append(row)
        self._overs = waiting
        oldest = min([position_ns - LONGEST_OVER_NS, *(row["start_ns"] for row in self._overs)]) - AROUND_NS
        for second in [item for item in self._heard if item < oldest // 1_000_000_000]:
            del self._heard[second]
        return out

    # -- inside ----------------------------------------------------------------------------------------

    def _aircraft(self, who: IdentityRef, message: Message, message_id: str) -> list[Row]:
        at_ns = message.frame.time_ns
        out: list[Row] = []
        if message.fields.get("direction") != "uplink":
            self._heard.setdefault(at_ns // 1_000_000_000, set()).add(who.key)
        both = both_named(message)
        if both is not None:
            address, registration, rule = both
            a, b = IdentityRef("aircraft", address), IdentityRef("aircraft", registration)
            parted = _pair(id_of(a), id_of(b)) in self._parted
            other = self._address.get(registration, address) != address
            other = other or self._registration.get(address, registration) != registration
            if other and not parted:
                out += self._relate(a, b, "perhaps", CONTRADICTED, at_ns, message_id)
            elif not parted:
                self._tie(address, registration)
                out += self._relate(a, b, "same", rule, at_ns, message_id)
        for name in (*who.names, message.fields.get("notified_flight")):
            flight = flight_of(name)
            if flight and _is_aircraft(who.key):
                out += self._same_flight(flight, who, at_ns, message_id)
        return out

    def _same_flight(self, named: str, who: IdentityRef, at_ns: int, message_id: str) -> list[Row]:
        flight = _call_sign(named)
        known = self._flights.get(flight, {}).get(who.key)
        if known is not None and abs(at_ns - known.last_ns) < AGAIN_NS:
            return []
        self._note_flight(named, who.key, at_ns, at_ns)
        if who.key in self._address or who.key in self._registration:
            return []
        addressed = bool(_ADDRESS.fullmatch(who.key))
        others = [
            key
            for key, other in self._flights[flight].items()
            if bool(_ADDRESS.fullmatch(key)) != addressed and other.near(at_ns)
        ]
        if len(others) != 1 or others[0] in self._address or others[0] in self._registration:
            return []  # nobody, or more than one: then the flight tells nothing
        alike = self._flights[flight][others[0]].operator == named.split(maxsplit=1)[0]
        rule = SAME_FLIGHT if alike else SAME_NUMBER
        return self._relate(
            who, id_of(IdentityRef("aircraft", others[0])), "perhaps", rule, at_ns, message_id
        )

    def _vessel(self, who: IdentityRef, call_sign: object) -> list[Row]:
        out: list[Row] = []
        for name in who.names or ("",):
            for what in self._note_vessel(who.key, name, call_sign):
                out += self._mention(what, self._texts.get(what, []))
        return out

    def _mention(self, what: tuple[str, str], texts: Iterable[_Text]) -> list[Row]:
        vessels = self._vessels.get(what, set())
        if len(vessels) != 1:
            return []
        vessel = id_of(IdentityRef("vessel", next(iter(vessels))))
        out: list[Row] = []
        for text in texts:
            out += self._relate(
                text.station, vessel, "mentioned", NAMED_BY[what[0]], text.time_ns, text.message_id
            )
        return out

    def _relate(
        self,
        a: IdentityRef | str,
        b: IdentityRef | str,
        relation: str,
        rule: str,
        at_ns: int,
        message_id: str,
    ) -> list[Row]:
        ends = [id_of(end) if isinstance(end, IdentityRef) else end for end in (a, b)]
        if _pair(*ends) in self._parted:
            return []
        if relation == "perhaps" and ends[0] > ends[1]:
            a, b = b, a  # a hint is one row whichever of the two was heard last
        key = (*_pair(*ends), rule)
        last = self._told.get(key)
        if last is not None and abs(at_ns - last) < AGAIN_NS:
            return []
        self._told[key] = at_ns
        _bound(self._told)
        return [
            {"a": a, "b": b, "relation": relation, "rule": rule, "time_ns": at_ns, "message_id": message_id}
        ]

    def _tie(self, address: str, registration: str) -> None:
        if len(self._address) < MOST:
            self._address[registration] = address
            self._registration[address] = registration

    def _note_flight(self, as_named: str, key: str, first_ns: int, last_ns: int) -> None:
        flight = _call_sign(as_named)
        named = self._flights.setdefault(flight, {})
        self._flights.move_to_end(flight)
        known = named.get(key)
        if known is None and len(named) < 16:
            named[key] = _Named(first_ns, last_ns, as_named.split(maxsplit=1)[0])
        elif known is not None:
            known.first_ns, known.last_ns = min(known.first_ns, first_ns), max(known.last_ns, last_ns)
        _bound(self._flights)

    def _note_vessel(self, key: str, name: str, call_sign: object) -> list[tuple[str, str]]:
        """Note by what a vessel may be named in texts; give the ways that are new."""
        sign = call_sign if isinstance(call_sign, str) else ""
        if (key, name, sign) in self._known:
            return []
        if len(self._known) >= 4 * MOST:
            self._known.clear()
        self._known.add((key, name, sign))
        ways = [("MMSI", key)]
        ways += [("name", " ".join(name.upper().split()))] if name else []
        ways += [("call sign", sign.upper().strip())] if sign else []
        for what in ways:
            keys = self._vessels.setdefault(what, set())
            if len(keys) < 2:  # two are as good as many: the name tells nobody apart
                keys.add(key)
        while len(self._vessels) > 4 * MOST:
            self._vessels.popitem(last=False)
        return ways

    def _note_text(self, what: tuple[str, str], text: _Text) -> None:
        texts = self._texts.setdefault(what, [])
        texts.append(text)
        del texts[:-8]
        _bound(self._texts)

    def _alone(self, start_ns: int, stop_ns: int) -> str | None:
        """Give the only aircraft heard around a span of time; None when there are none or several."""
        if stop_ns - start_ns > LONGEST_OVER_NS:
            return None
        low, high = (start_ns - AROUND_NS) // 1_000_000_000, (stop_ns + AROUND_NS) // 1_000_000_000
        keys = {key for second, heard in self._heard.items() if low <= second <= high for key in heard}
        one = {self._address.get(key, key) for key in keys}
        return next(iter(one)) if len(one) == 1 else None


def _is_aircraft(key: str) -> bool:
    return bool(_ADDRESS.fullmatch(key) or _REGISTRATION.fullmatch(key))


def _pair(a: str, b: str) -> tuple[str, str]:
    return (a, b) if a < b else (b, a)


def _bound(known: OrderedDict[Any, Any]) -> None:
    while len(known) > MOST:
        known.popitem(last=False)


def recall(log: Queries, recording: str) -> Joins:
    """Give the rules for a recording with what the log remembers that they may need."""
    joins = Joins()
    for row in log.relations():
        joins.remember_relation(row)
    span = next(log.recordings(id=recording))
    start_ns = span["start_ns"]
    stop_ns = parse_time(span["stop"]) if span["stop"] else start_ns
    for key, name, first_ns, last_ns in log.names(
        "aircraft", since_ns=start_ns - FLIGHT_NS, until_ns=stop_ns + FLIGHT_NS, limit=MOST
    ):
        joins.remember_aircraft(key, name, first_ns, last_ns)
    for key, name, _, _ in log.names("vessel", limit=MOST):
        joins.remember_vessel(key, name)
    if (span["center_hz"] or 0) < TEXTS_BELOW_HZ:  # only there texts may come that give a call sign
        for kind in CALL_SIGN_KINDS:
            for row in log.messages(mode="ais", kind=kind, newest=True, limit=MOST):
                fields = row["fields"]
                joins.remember_vessel(str(fields.get("mmsi")), None, fields.get("callsign"))
    for station in log.identities(kind="station", text="navtex ", newest=True, limit=MOST_TEXTS):
        for at_ns, _, row in log.timed("messages", identity=station["id"], newest=True, limit=MOST_TEXTS):
            joins.remember_text(station["id"], row["id"], at_ns, str(row["fields"].get("text") or ""))
    return joins
