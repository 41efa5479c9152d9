"""Upper layers of the ATN: what a transport connection carries, down to the application's own bits.

The layers are short: one octet of session (ITU-T X.225 amendment 1), one of presentation (X.226 amendment 1) when a
connection is opened, and then association control (X.227) or the application's data, in presentation lists and
unaligned PER. All from memory of those and of ICAO Doc 9705 / 9880 part III. What does not fit to its last bit is
given raw and counted.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from earwitness.payloads.atn_context import APPLICATIONS, read_context
from earwitness.payloads.atn_cpdlc import ProtectedMessage, read_protected
from earwitness.payloads.per import NotDecodedError, Reader

SESSION = {
    0xE8: "short connect",
    0xF0: "short accept",
    0xD8: "short accept, continue",
    0xE0: "short refuse",
    0xA0: "short refuse, continue",
}
PRESENTATION = (0x02, 0x82)  # unaligned PER; the second with a reason, in refusals
CONTEXT_MANAGEMENT = 1
CONTROLLER_PILOT = (2, 22)
ASSOCIATION = 1  # presentation contexts
USER = 3
MOST_LISTS = 4
LEAST_INFERRED = 40  # bits; shorter ones fit anything too easily where the application was not heard of


@dataclass(frozen=True, slots=True)
class Upper:
    """What the upper layers say."""

    fields: dict[str, Any] = field(default_factory=dict)
    application: int | None = None  # entity qualifier that an association named
    message: ProtectedMessage | None = None


def read_upper(octets: bytes, *, downlink: bool, application: int | None = None) -> Upper:
    """Give what the user data of a transport connection says.

    `application` is the entity qualifier the connection was opened for, where that was heard. What cannot be read
    whole is given in `upper_hex` and counted in `upper_not_decoded`.
    """
    fields: dict[str, Any] = {}
    rest = octets
    if octets[:1] and octets[0] in SESSION:
        fields["session"] = SESSION[octets[0]]
        rest = octets[1:]
        if rest[:1] and rest[0] in PRESENTATION:
            rest = rest[1:]
    if not rest:
        return Upper(fields)
    # Without a list around it association control stands only behind session and presentation octets.
    for attempt in (_lists, _bare_association) if fields else (_lists,):
        try:
            found = attempt(rest, downlink=downlink, application=application)
        except NotDecodedError:
            continue
        return Upper({**fields, **found.fields}, found.application, found.message)
    return Upper({**fields, "upper_hex": rest.hex().upper(), "upper_not_decoded": 1})


def _lists(octets: bytes, *, downlink: bool, application: int | None) -> Upper:
    """Read presentation lists that use up all octets."""
    r = Reader(octets)
    count = r.length() if r.bits(1) else 1
    if not 1 <= count <= MOST_LISTS:
        raise NotDecodedError(f"{count} presentation lists")
    out = Upper()
    for _ in range(count):
        if r.bits(1):
            r.arcs()
        r.closed()
        context = r.number(1, 127)
        body = _value(r)
        if context == ASSOCIATION:
            found = _association(body, downlink=downlink, application=application)
        elif context == USER:
            found = _application(body, downlink=downlink, application=application)
        else:
            raise NotDecodedError(f"presentation context {context}")
        out = Upper({**out.fields, **found.fields}, found.application, found.message or out.message)
    r.finish()
    return out


def _bare_association(octets: bytes, *, downlink: bool, application: int | None) -> Upper:
    """Read association control without a presentation list around it."""
    return _association(Reader(octets), downlink=downlink, application=application)


def _value(r: Reader) -> Reader:
    """Give the value of a presentation list or an EXTERNAL: a type, octets, or any bits."""
    kind = r.number(0, 2)
    size = r.length()
    return r.part(size if kind == 2 else 8 * size)


def _application(r: Reader, *, downlink: bool, application: int | None) -> Upper:
    """Read an application's bits: those of the application named, else of the one that takes them to the last."""
    wanted: tuple[int, ...] = (
        (CONTROLLER_PILOT[1], CONTEXT_MANAGEMENT) if application is None else (application,)
    )
    found: list[Upper] = []
    if application is None and r.size < LEAST_INFERRED:
        wanted = ()
    for number in wanted:
        try:
            if number in CONTROLLER_PILOT:
                message = read_protected(r.copy(), downlink=downlink)
                found.append(Upper(message.fields, message=message))
            elif number == CONTEXT_MANAGEMENT:
                found.append(Upper(read_context(r.copy(), downlink=downlink)))
        except NotDecodedError:
            continue
    if len(found) == 1:
        inferred = {} if application is not None else {"application_inferred": True}
        return Upper({**found[0].fields, **inferred}, message=found[0].message)
    return Upper(
        {"application_hex": r.copy().rest(), "application_bits": r.size, "application_not_decoded": 1}
    )


# -- association control -----------------------------------------------------------------------------


def _association(r: Reader, *, downlink: bool, application: int | None) -> Upper:
    """Read an association control unit that is all there is of `r`.

    Its user data are those of the application it names, or of the one the connection is known to be for.
    """
    r.closed()
    kind = r.number(0, 4)
    out = (_request, _response, _release, _release, _abort)[kind](r, downlink, application)
    if kind in (2, 3):
        out.fields["association"] = ("release request", "release response")[kind - 2]
    r.finish()
    return out


def _request(r: Reader, downlink: bool, application: int | None) -> Upper:
    """Read a request for an association."""
    r.closed()
    there = r.flags(15)
    if there[0]:
        r.part(r.length())  # protocol version
    fields: dict[str, Any] = {"association": "request", "application_context": r.arcs()}
    called, calling = _party(r, there[1:5]), _party(r, there[5:9])
    if there[9]:
        r.part(r.length())  # requirements
    if there[11] or there[12] or there[13]:
        raise NotDecodedError("authentication or negotiation")
    if there[10]:
        r.arcs()
    fields |= _titled("called", called) | _titled("calling", calling)
    number = next((item for item in (called[1], calling[1]) if item is not None), application)
    return _with_user(r, there[14], fields, number, downlink)


def _response(r: Reader, downlink: bool, application: int | None) -> Upper:
    """Read an answer to a request."""
    r.closed()
    there = r.flags(11)
    if there[0]:
        r.part(r.length())
    context = r.arcs()
    r.closed()
    result = r.name(("accepted", "rejected permanently", "rejected for now"))
    provider = r.bits(1)
    r.closed()
    reason = r.number(0, 2 if provider else 14)
    fields: dict[str, Any] = {"association": f"response, {result}", "application_context": context}
    fields["association_diagnostic"] = reason
    party = _party(r, there[1:5])
    if there[5]:
        r.part(r.length())
    if there[7] or there[8] or there[9]:
        raise NotDecodedError("authentication or negotiation")
    if there[6]:
        r.arcs()
    fields |= _titled("responding", party)
    number = party[1] if party[1] is not None else application
    return _with_user(r, there[10], fields, number, downlink)


def _release(r: Reader, downlink: bool, application: int | None) -> Upper:
    r.closed()
    with_reason, with_user = r.flags(2)
    fields: dict[str, Any] = {"association": "release"}
    if with_reason:
        r.closed()
        fields["association_reason"] = r.number(0, 30)
    return _with_user(r, with_user, fields, application, downlink)


def _abort(r: Reader, downlink: bool, application: int | None) -> Upper:
    r.closed()
    with_diagnostic, with_user = r.flags(2)
    r.closed()
    fields: dict[str, Any] = {
        "association": "abort by the " + ("service user", "service provider")[r.bits(1)]
    }
    if with_diagnostic:
        r.closed()
        fields["association_diagnostic"] = 1 + r.number(0, 5)
    return _with_user(r, with_user, fields, application, downlink)


def _party(r: Reader, there: list[bool]) -> tuple[str | None, int | None]:
    """Give title and entity qualifier of a party, and pass over its invocation numbers."""
    title = qualifier = None
    if there[0]:
        r.closed()
        if not r.bits(1):
            raise NotDecodedError("a title by name")
        title = r.arcs()
    if there[1]:
        r.closed()
        if not r.bits(1):
            raise NotDecodedError("a qualifier by name")
        qualifier = r.integer()
    for present in there[2:]:
        if present:
            r.integer()
    return title, qualifier


def _titled(name: str, party: tuple[str | None, int | None]) -> dict[str, Any]:
    title, qualifier = party
    out: dict[str, Any] = {}
    if title is not None:
        out[f"{name}_title"] = title
    if qualifier is not None:
        out[f"{name}_application"] = APPLICATIONS.get(qualifier, f"number {qualifier}")
    return out


def _with_user(r: Reader, present: bool, fields: dict[str, Any], number: int | None, downlink: bool) -> Upper:
    """Read the application's data that an association unit may bring."""
    if not present:
        return Upper(fields, number)
    if r.bits(1):
        raise NotDecodedError("several parts of user information")
    with_direct, with_indirect, with_words = r.flags(3)
    if with_direct:
        r.arcs()
    if with_indirect:
        r.integer()
    if with_words:
        raise NotDecodedError("a described part")
    found = _application(_value(r), downlink=downlink, application=number)
    return Upper({**fields, **found.fields}, number, found.message)


# -- integrity ---------------------------------------------------------------------------------------


def covered_orders(flight: str, address: int, facility: str, covered: Reader) -> list[bytes]:
    """Give what the integrity check of a message may have been made over: who is meant and the message, in bits.

    That flight, 24-bit address, facility and message are covered is remembered, the order is not for certain; a
    check of 32 bits that agrees with one of them settles it. Where a name is empty only the message is left.
    """
    size = covered.size
    message = (int.from_bytes(bytes.fromhex(covered.copy().rest()), "big") >> (-size % 8), size)
    orders: list[tuple[tuple[int, int], ...]] = [(message,)]
    if len(flight) >= 2 and facility:
        named = ((len(flight) - 2) << 7 * len(flight) | _text_bits(flight), 3 + 7 * len(flight))
        unit = (_text_bits(facility), 7 * len(facility))
        where = (address, 24)
        orders += [
            (named, where, unit, message),
            (where, named, unit, message),
            (unit, where, named, message),
        ]
    out = []
    for order in orders:
        value = total = 0
        for part, count in order:
            value, total = value << count | part, total + count
        fill = -total % 8
        out.append((value << fill).to_bytes((total + fill) // 8, "big"))
    return out


def _text_bits(text: str) -> int:
    value = 0
    for char in text:
        value = value << 7 | ord(char) & 0x7F
    return value
