"""What cannot wait: one entry for each who is in need or otherwise flagged, however often it was told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from earwitness.view.data import Row
from earwitness.view.digest import Told, flags_of, urgency
from earwitness.view.markup import Markup, join, tag
from earwitness.view.page import Page, Section, identity_name, to
from earwitness.view.readable import gist_of, place_of
from earwitness.view.words import count, frequency, grouped, listed, moment, number, plain, position

MOST_INCIDENTS = 60
MOST_LINES = 12  # of one incident
IN_NEED = 4  # urgency below which an incident stands out


@dataclass
class Incident:
    """Who is flagged, by what, and what was told of it."""

    who: Markup
    what: str  # kind and key, or frequency
    name: str
    flags: list[str] = field(default_factory=list)
    told: list[Told] = field(default_factory=list)
    row: Row | None = None  # of the identity
    at_ns: int = 0

    @property
    def level(self) -> int:
        """Give how far up it belongs, 0 first."""
        return min(map(urgency, self.flags), default=99)


def incidents(page: Page) -> list[Incident]:
    """Give what is flagged, the most urgent and then the earliest first."""
    people = {str(row.get("id")): row for row in page.data.identities}
    by_key = {str(row.get("key")): ident for ident, row in people.items()}
    found: dict[str, Incident] = {}
    for told in page.digest.told:
        ident = _in_need(told.first, by_key)
        ident = page.alias.get(ident, ident)
        known = people.get(ident)
        key = ident or f"{told.first.get('mode')} {told.first.get('frequency_hz')}"
        if key not in found:
            name = identity_name(known) if known else frequency(told.first.get("frequency_hz"))
            what = (
                f"{plain(known.get('kind'), limit=30)} {plain(known.get('key'), limit=60)}" if known else ""
            )
            who = page.identity_link(ident, name) if known else page.who(told.first)
            found[key] = Incident(who, what, name, row=known, at_ns=moment(told.first.get("time")) or 0)
        one = found[key]
        one.flags += [flag for flag in flags_of(told.first) if flag not in one.flags]
        one.told.append(told)
    senders = {
        page.alias.get(str(t.first.get("identity")), str(t.first.get("identity"))) for t in page.digest.told
    }
    for ident, row in people.items():
        if flags_of(row) and ident not in found and ident not in senders:
            what = f"{plain(row.get('kind'), limit=30)} {plain(row.get('key'), limit=60)}"
            found[ident] = Incident(
                page.identity_link(ident), what, identity_name(row), flags_of(row), row=row,
                at_ns=moment(row.get("first_seen")) or 0,
            )  # fmt: skip
    for row in page.real:
        if flags_of(row):
            who = page.emission_link(row.get("id"))
            where = frequency(row.get("frequency_hz"))
            found[f"emission {row.get('id')}"] = Incident(
                who, where, where, flags_of(row), at_ns=moment(row.get("start")) or 0
            )
    return sorted(found.values(), key=lambda one: (one.level, one.at_ns))


def _in_need(row: Row, by_key: dict[str, str]) -> str:
    """Give the identity a flagged message is about: who is in distress, if it names somebody else than its sender."""
    fields = row.get("fields")
    named = fields.get("distress_id") if isinstance(fields, dict) else None
    return by_key.get(str(named), "") if named else str(row.get("identity") or "")


def headline(page: Page) -> str | None:
    """Give who is in need, in words; None when nobody is."""
    needy = [one for one in incidents(page) if one.level < IN_NEED]
    if not needy:
        return None
    told = [f"{_worst(one)}, {one.name}" for one in needy[:4]]
    more = f"; and {count(len(needy) - 4, 'more')}" if len(needy) > 4 else ""
    return f"Look at this first: {'; '.join(told)}{more}."


def _worst(one: Incident) -> str:
    return min(one.flags, key=urgency)


def flagged(page: Page) -> Section | None:
    """Put first what cannot wait."""
    found = incidents(page)
    if not found:
        return None
    items = [_incident(page, one) for one in found[:MOST_INCIDENTS]]
    left = len(found) - len(items)
    more = tag("p", f"{grouped(left)} more are not shown here.", class_="quiet") if left > 0 else None
    return "flagged", "Worth a look first", join([tag("ul", *items, class_="flags incidents"), more])


def _incident(page: Page, one: Incident) -> Markup:
    fields = next((t.last.get("fields") for t in one.told if isinstance(t.last.get("fields"), dict)), None)
    place = place_of(fields) if isinstance(fields, dict) else None
    if place is None and one.row is not None and number(one.row.get("latitude_deg")) is not None:
        place = position(one.row.get("latitude_deg"), one.row.get("longitude_deg"))
    total = sum(told.count for told in one.told)
    span = _span(page, one.told)
    head = [
        tag(
            "b",
            listed(sorted(one.flags, key=urgency)),
            class_="flag urgent" if one.level < IN_NEED else "flag",
        ),
        " ",
        tag("span", one.who, class_="name"),
        " ",
        tag("span", one.what, class_="quiet") if one.what and one.what != one.name else None,
    ]
    facts = [place, f"told {count(total, 'time')}, {span}" if total else None]
    lines = sorted(one.told, key=lambda told: moment(told.first.get("time")) or 0)
    return tag(
        "li",
        tag("p", *head, class_="head"),
        tag("p", " · ".join(filter(None, facts)), class_="facts-line") if any(facts) else None,
        tag("ul", *(_line(page, one, told) for told in lines[:MOST_LINES]), class_="told") if lines else None,
        class_="need" if one.level < IN_NEED else None,
    )


def _line(page: Page, one: Incident, told: Told) -> Markup:
    row = told.last
    sender = page.who(row) if one.row is not None and page.who(row) != one.who else None
    often = f"{grouped(told.count)} times, " if told.count > 1 else ""
    return tag(
        "li",
        tag("b", plain(row.get("kind"), limit=80)),
        join([" from ", sender]) if sender else None,
        f": {gist_of(row)}",
        tag(
            "span",
            f" {often}{_span(page, [told])}, {plain(row.get('mode'), limit=30)} {frequency(row.get('frequency_hz'))}, "
            f"check {plain(row.get('check'), limit=20)} ",
            join(_sources(page, told), " "),
            class_="quiet",
        ),
    )


def _sources(page: Page, told: Told) -> list[Markup]:
    """Give where the last of alike messages can be seen: among the messages, its emission, its samples."""
    row = told.last
    name = tag("code", plain(row.get("id"), limit=40))
    found = [to(f"msg-{row.get('id')}", name) if str(row.get("id")) in page.shown_messages else name]
    return [*found, *filter(None, (page.emission_link(row.get("emission_id")), page.samples_link(row)))]


def _span(page: Page, told: Sequence[Told]) -> str:
    if not told:
        return ""
    first = min(told, key=lambda item: moment(item.first.get("time")) or 0).first.get("time")
    last = max(told, key=lambda item: moment(item.last.get("time")) or 0).last.get("time")
    ends = list(dict.fromkeys([page.clock(first, 0), page.clock(last, 0)]))
    return f"{' to '.join(ends)} UTC"
